//! The file that an output is written to before it has its name: beside the output, under a name that can be predicted,
//! locked while its writer lives.

use same_file::Handle;
use std::ffi::OsString;
use std::fs::{self, File, OpenOptions, TryLockError};
use std::hash::{DefaultHasher, Hash, Hasher};
use std::io;
use std::path::{Path, PathBuf};

/// How many processes may write one output at the same time.
pub(super) const WRITERS: u32 = 16;
/// How often a file that vanished between two steps is tried again.
const TRIES: u32 = 100;
/// Longest part of an output's name that the name aside repeats, bytes: most file systems take 255.
const LONGEST_NAME: usize = 200;
/// Links that are followed to the output; Linux stops at 40 as well.
const LINKS: u32 = 40;

/// Where the links at `path` lead; `None` when that is an open file of this process (`/dev/stdout`).
pub(super) fn follow(path: &Path) -> io::Result<Option<PathBuf>> {
    let mut path = path.to_owned();
    for _ in 0..LINKS {
        if path.starts_with("/dev/fd") || path.starts_with("/proc") {
            return Ok(None);
        }
        match fs::symlink_metadata(&path) {
            Ok(found) if found.is_symlink() => {
                let to = fs::read_link(&path)?;
                path = path.parent().map_or_else(|| to.clone(), |parent| parent.join(&to));
            }
            _ => return Ok(Some(path)),
        }
    }
    Err(io::Error::other("too many links, or a circle of them"))
}

/// A new, locked file beside `target`; `None` when all names are held by others.
pub(super) fn open_aside(target: &Path) -> io::Result<Option<(File, PathBuf)>> {
    let mut ours = None;
    let mut refused = None;
    for number in 0..WRITERS {
        let part = part_name(target, number);
        if ours.is_some() {
            // What a killed process left under a later name.
            remove_left_over(&part);
            continue;
        }
        match open_part(&part) {
            Ok(Some(file)) => ours = Some((file, part)),
            Ok(None) => {}
            // Another name may do: this one may be somebody else's file or folder.
            Err(error) => refused = Some(error),
        }
    }
    match (ours, refused) {
        (Some(ours), _) => Ok(Some(ours)),
        (None, Some(error)) => Err(error),
        (None, None) => Ok(None),
    }
}

/// `.NAME.loopgauge-part`, `.NAME.loopgauge-part-1`, …
pub(super) fn part_name(target: &Path, number: u32) -> PathBuf {
    let name = target.file_name().unwrap_or_default();
    let mut part = OsString::from(".");
    if name.len() <= LONGEST_NAME {
        part.push(name);
    } else {
        let mut hasher = DefaultHasher::new();
        name.hash(&mut hasher);
        part.push(format!("{:016x}", hasher.finish()));
    }
    part.push(".loopgauge-part");
    if number > 0 {
        part.push(format!("-{number}"));
    }
    target.with_file_name(part)
}

/// A new file of this name, locked; `None` when a living process holds the name.
fn open_part(part: &Path) -> io::Result<Option<File>> {
    for _ in 0..TRIES {
        // Never through a link, never over an existing file, with the mode of any new file.
        match OpenOptions::new().write(true).create_new(true).open(part) {
            Ok(file) => match file.try_lock() {
                Ok(()) => match is_at(&file, part) {
                    Ok(true) => return Ok(Some(file)),
                    Ok(false) => {}
                    Err(error) => {
                        // It was made by this process a moment ago, which may open no more files.
                        let _ = fs::remove_file(part);
                        return Err(error);
                    }
                },
                // Another process took the new file for a left-over before it was locked.
                Err(TryLockError::WouldBlock) => {}
                // A file system without locks: the name alone has to do, and a left-over stays.
                Err(TryLockError::Error(_)) => return Ok(Some(file)),
            },
            Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {
                if !remove_left_over(part) {
                    return Ok(None);
                }
            }
            Err(error) => return Err(error),
        }
    }
    Ok(None)
}

/// Removes the file of a process that is gone; `false` when it is held, or is not such a file.
fn remove_left_over(part: &Path) -> bool {
    match fs::symlink_metadata(part) {
        Ok(found) if found.is_file() => {}
        Ok(_) => return false,
        Err(error) => return error.kind() == io::ErrorKind::NotFound,
    }
    let Ok(file) = OpenOptions::new().write(true).open(part) else { return !part.exists() };
    match file.try_lock() {
        // Between opening and locking, its writer may have renamed it and another one may have made a new file.
        Ok(()) => match is_at(&file, part) {
            Ok(true) => fs::remove_file(part).is_ok(),
            Ok(false) => true,
            Err(_) => false,
        },
        Err(_) => false,
    }
}

/// Whether the open file is the one that stands at `path`.
fn is_at(file: &File, path: &Path) -> io::Result<bool> {
    let open = file.try_clone().and_then(Handle::from_file)?;
    match Handle::from_path(path) {
        Ok(there) => Ok(open == there),
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(false),
        Err(error) => Err(error),
    }
}
