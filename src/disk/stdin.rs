//! Standard input in the place of a file. It is read once, and kept: what sorts a file and what reads it may both ask for it.

use crate::diagnostic::Diagnostic;
use std::io::Read;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};

/// How standard input is named; a file of that name is `./-`.
pub const STDIN: &str = "-";

/// Bytes of the largest file of any sort.
const MOST: u64 = 200_000_000;

static READ: Mutex<Option<Vec<u8>>> = Mutex::new(None);

/// Reads standard input into a buffer.
///
/// # Errors
/// When it is larger than `limit`, or unreadable.
pub fn read(label: &Arc<str>, limit: u64, into: &mut Vec<u8>) -> Result<(), Diagnostic> {
    let mut kept = READ.lock().unwrap_or_else(PoisonError::into_inner);
    let bytes = match &mut *kept {
        Some(bytes) => bytes,
        none => {
            let mut bytes = Vec::new();
            std::io::stdin().lock().take(MOST + 1).read_to_end(&mut bytes).map_err(|error| {
                let message = format!("standard input cannot be read: {error}");
                Diagnostic::error("file-unreadable", message).in_file(label)
            })?;
            none.insert(bytes)
        }
    };
    if bytes.len() as u64 > limit {
        let message = format!("standard input has more than {} MB", limit / 1_000_000);
        return Err(Diagnostic::error("file-too-large", message).in_file(label));
    }
    into.clear();
    into.extend_from_slice(bytes);
    Ok(())
}

/// Whether standard input is named more than once, in words.
///
/// # Errors
/// When it is.
pub fn once(paths: &[&PathBuf]) -> Result<(), String> {
    let count = paths.iter().filter(|path| path.as_path() == Path::new(STDIN)).count();
    if count > 1 { Err("standard input, -, is named twice: it holds one file".to_owned()) } else { Ok(()) }
}
