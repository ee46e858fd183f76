//! The files that this process has read: no output ever takes the place of one of them, under whatever name.

use std::collections::BTreeSet;
use std::fs::Metadata;
use std::path::Path;
use std::sync::{Mutex, PoisonError};

/// What tells a file from all others, also through links and under a second name: its device and number. When and how large it
/// was written tells it from a later file with the number of one that is gone.
#[cfg(unix)]
type Identity = [u64; 5];
/// Where the system tells no such numbers, the path with its links resolved.
#[cfg(not(unix))]
type Identity = std::path::PathBuf;

/// One process is one invocation: what it reads in one place must stay in every other.
static READ: Mutex<BTreeSet<Identity>> = Mutex::new(BTreeSet::new());

#[cfg(unix)]
fn identity(_: &Path, found: &Metadata) -> Option<Identity> {
    use std::os::unix::fs::MetadataExt;
    let [second, nanosecond] = [found.mtime(), found.mtime_nsec()].map(i64::cast_unsigned);
    Some([found.dev(), found.ino(), second, nanosecond, found.len()])
}

#[cfg(not(unix))]
fn identity(path: &Path, _: &Metadata) -> Option<Identity> {
    std::fs::canonicalize(path).ok()
}

/// Notes that a file is read; `found` is what the system says of it, links followed.
pub fn note_read(path: &Path, found: &Metadata) {
    if let Some(identity) = identity(path, found) {
        READ.lock().unwrap_or_else(PoisonError::into_inner).insert(identity);
    }
}

/// Whether a file was read.
pub fn was_read(path: &Path, found: &Metadata) -> bool {
    identity(path, found)
        .is_some_and(|identity| READ.lock().unwrap_or_else(PoisonError::into_inner).contains(&identity))
}
