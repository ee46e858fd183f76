//! Reads input files: regular files only, of a bounded size.

use crate::diagnostic::Diagnostic;
use std::fs::{self, File};
use std::io::Read;
use std::path::{Component, Path, PathBuf};
use std::sync::Arc;

/// Largest sweep file, bytes.
pub const SWEEP_LIMIT: u64 = 200_000_000;
/// Largest YAML file, bytes.
pub const YAML_LIMIT: u64 = 10_000_000;

/// A path as results show it: with `/`, whatever the system writes.
pub fn label(path: &Path) -> String {
    let mut parts: Vec<String> = Vec::new();
    let mut root = String::new();
    for component in path.components() {
        match component {
            Component::Prefix(prefix) => root.push_str(&prefix.as_os_str().to_string_lossy()),
            Component::RootDir => root.push('/'),
            Component::CurDir => parts.push(".".to_owned()),
            Component::ParentDir => parts.push("..".to_owned()),
            Component::Normal(name) => parts.push(name.to_string_lossy().into_owned()),
        }
    }
    if parts.is_empty() && root.is_empty() { ".".to_owned() } else { root + &parts.join("/") }
}

/// Reads a whole regular file into a buffer that is emptied first.
///
/// # Errors
/// When it is missing, no regular file, too large or unreadable.
pub fn read_regular(path: &Path, label: &Arc<str>, limit: u64, into: &mut Vec<u8>) -> Result<(), Diagnostic> {
    into.clear();
    let failed = |code, message: String| Diagnostic::error(code, message).in_file(label);
    let system = |error: std::io::Error| match error.kind() {
        std::io::ErrorKind::NotFound => failed("file-missing", "there is no such file".to_owned())
            .with_help("check the name, also upper and lower case"),
        _ => failed("file-unreadable", format!("cannot be read: {error}")),
    };
    let found = fs::metadata(path).map_err(system)?;
    let kind = |what: &str| failed("file-kind", format!("is {what}, a regular file is wanted"));
    if found.is_dir() {
        return Err(kind("a folder"));
    }
    if !found.is_file() {
        // Opening a pipe could wait for ever, a device could go on for ever.
        return Err(kind("a device, a pipe or a socket"));
    }
    let too_large = |bytes: u64| {
        failed(
            "file-too-large",
            format!("has {} MB, at most {} MB are read", bytes.div_ceil(1_000_000), limit / 1_000_000),
        )
    };
    if found.len() > limit {
        return Err(too_large(found.len()));
    }
    let file = File::open(path).map_err(system)?;
    // The file may grow while it is read.
    file.take(limit + 1).read_to_end(into).map_err(system)?;
    if into.len() as u64 > limit {
        return Err(too_large(into.len() as u64));
    }
    Ok(())
}

/// The path of a sweep inside its run's folder.
///
/// # Errors
/// When a link leads out of the folder. That the name itself stays inside was checked when the run was read.
pub fn inside(folder: &Path, name: &str, label: &Arc<str>) -> Result<PathBuf, Diagnostic> {
    let path = folder.join(name);
    let mut partial = folder.to_owned();
    let has_link = Path::new(name).components().any(|part| {
        partial.push(part);
        fs::symlink_metadata(&partial).is_ok_and(|found| found.file_type().is_symlink())
    });
    if has_link {
        let real = fs::canonicalize(&path).ok().zip(fs::canonicalize(folder).ok());
        if !real.is_some_and(|(file, folder)| file.starts_with(folder)) {
            return Err(Diagnostic::error(
                "sweep-outside",
                "is a link that leads out of the run's folder, or nowhere",
            )
            .in_file(label)
            .with_help("copy the sweep into the run's folder"));
        }
    }
    Ok(path)
}
