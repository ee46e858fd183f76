//! Where outputs go: standard output, and files that take no other's place.

use super::console::Console;
use crate::history::Address;
use crate::output::{Kind, OutputFile};
use std::ffi::OsStr;
use std::fmt::Display;
use std::path::{Path, PathBuf};

/// Whether an output is standard output.
pub fn is_stdout(path: &Path) -> bool {
    path == Path::new("-")
}

/// Whether two outputs would take each other's place. Devices and pipes take both.
pub fn is_same(one: &Path, other: &Path) -> bool {
    let place = |path: &Path| -> Option<PathBuf> {
        if let Ok(found) = std::fs::metadata(path) {
            return if found.is_file() { path.canonicalize().ok() } else { None };
        }
        let folder = path.parent().filter(|parent| !parent.as_os_str().is_empty()).unwrap_or(Path::new("."));
        Some(folder.canonicalize().ok()?.join(path.file_name()?))
    };
    !is_stdout(one) && !is_stdout(other) && place(one).is_some_and(|found| Some(found) == place(other))
}

/// Outputs that would take each other's place are refused.
pub fn apart(outputs: &[(&str, &Option<PathBuf>)]) -> Result<(), String> {
    let given: Vec<(&str, &Path)> =
        outputs.iter().filter_map(|(name, path)| Some((*name, path.as_deref()?))).collect();
    for (index, (name, path)) in given.iter().enumerate() {
        for (other_name, other) in given.iter().skip(index + 1) {
            if is_stdout(path) && is_stdout(other) {
                return Err(format!(
                    "only one of {name} and {other_name} can go to standard output: give the other one a file name"
                ));
            }
            if is_same(path, other) {
                return Err(format!(
                    "{name} and {other_name} both name {}: give each a file of its own",
                    path.display()
                ));
            }
        }
    }
    Ok(())
}

/// The error of the first of these outputs that would take the place of the history.
pub fn spares_history(address: &OsStr, outputs: &[(&str, &Option<PathBuf>)]) -> Result<(), String> {
    let Ok(Address::File(history)) = Address::parse(address) else { return Ok(()) };
    let taken = outputs.iter().find(|(_, path)| path.as_deref().is_some_and(|path| is_same(path, &history)));
    taken.map_or(Ok(()), |(option, _)| {
        Err(format!(
            "{option} names the history {}, which it would take the place of: give it another file",
            history.display()
        ))
    })
}

/// A file that is asked for, unless it is the history that is read; that is said.
pub fn spared<'a>(
    option: &str,
    path: &'a Option<PathBuf>,
    history: &OsStr,
    console: &mut Console,
) -> Option<&'a Path> {
    match spares_history(history, &[(option, path)]) {
        Ok(()) => path.as_deref(),
        Err(text) => {
            console.fault(&text);
            None
        }
    }
}

/// Begins an output; says why where it cannot be. Every output of every command comes through here, or through what it calls:
/// [`OutputFile`] guards what stands at its place.
pub fn create(path: &Path, kind: Kind) -> Result<OutputFile, String> {
    if is_stdout(path) {
        Ok(OutputFile::stdout())
    } else {
        OutputFile::create(path, kind).map_err(|e| e.to_string())
    }
}

/// Says that an output could not be written.
pub fn cannot_write(path: &Path, error: impl Display) -> String {
    if is_stdout(path) {
        format!("cannot write to standard output: {error}")
    } else {
        format!("cannot write {}: {error}", path.display())
    }
}
