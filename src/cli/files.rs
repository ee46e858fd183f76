//! Reads input files: regular files only, of a bounded size.

use crate::diagnostic::Diagnostic;
use crate::output::note_read;
use std::fs::{self, File, Metadata};
use std::io::Read;
use std::path::{Component, Path, PathBuf};
use std::sync::Arc;

/// Largest sweep file, bytes.
pub const SWEEP_LIMIT: u64 = 200_000_000;
/// Largest YAML file, bytes.
pub const YAML_LIMIT: u64 = 10_000_000;

/// Code of a file that is not there.
pub const MISSING: &str = "file-missing";

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

/// A folder that files which others name must stay in, links resolved.
#[derive(Debug)]
pub struct Fence {
    folder: PathBuf,
    real: Option<PathBuf>,
}

impl Fence {
    /// A fence around a folder.
    pub fn around(folder: &Path) -> Self {
        let folder = if folder.as_os_str().is_empty() { Path::new(".") } else { folder };
        Self { folder: folder.to_owned(), real: fs::canonicalize(folder).ok() }
    }

    /// Whether a path stays inside. One that is not there stays inside as far as it leads, so that the answer tells nothing of
    /// what is there outside.
    pub fn holds(&self, path: &Path) -> bool {
        let reached = path.ancestors().find_map(|part| {
            fs::canonicalize(if part.as_os_str().is_empty() { Path::new(".") } else { part }).ok()
        });
        reached.zip(self.real.as_ref()).is_some_and(|(reached, real)| reached.starts_with(real))
    }

    /// The folder as it was named.
    pub fn folder(&self) -> &Path {
        &self.folder
    }
}

/// Reads a whole regular file into a buffer that is emptied first.
///
/// # Errors
/// When it is missing, no regular file, too large or unreadable.
pub fn read_regular(path: &Path, label: &Arc<str>, limit: u64, into: &mut Vec<u8>) -> Result<(), Diagnostic> {
    let found = fs::metadata(path);
    read_found(path, found, label, limit, into)
}

/// As [`read_regular`], with what the system said of the file.
fn read_found(
    path: &Path,
    found: std::io::Result<Metadata>,
    label: &Arc<str>,
    limit: u64,
    into: &mut Vec<u8>,
) -> Result<(), Diagnostic> {
    into.clear();
    let failed = |code, message: String| Diagnostic::error(code, message).in_file(label);
    let system = |error: std::io::Error| match error.kind() {
        std::io::ErrorKind::NotFound => failed(MISSING, "there is no such file".to_owned())
            .with_help("check the name, also upper and lower case"),
        _ => failed("file-unreadable", format!("cannot be read: {error}")),
    };
    let found = found.map_err(system)?;
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
    note_read(path, &found);
    // One byte more than expected: a file that grew while it was read is seen without asking again.
    let expected = usize::try_from(found.len()).unwrap_or(0);
    into.resize(expected + 1, 0);
    let mut file = File::open(path).map_err(system)?;
    let filled = fill(&mut file, into).map_err(system)?;
    if filled < into.len() {
        into.truncate(filled);
        return Ok(());
    }
    file.take(limit + 1 - filled as u64).read_to_end(into).map_err(system)?;
    if into.len() as u64 > limit {
        return Err(too_large(into.len() as u64));
    }
    Ok(())
}

/// Reads until the buffer is full or the file ends; gives the number of bytes.
fn fill(file: &mut File, buffer: &mut [u8]) -> std::io::Result<usize> {
    let mut filled = 0;
    while let Some(rest) = buffer.get_mut(filled..).filter(|rest| !rest.is_empty()) {
        match file.read(rest) {
            Ok(0) => break,
            Ok(count) => filled += count,
            Err(error) if error.kind() == std::io::ErrorKind::Interrupted => {}
            Err(error) => return Err(error),
        }
    }
    Ok(filled)
}

/// Reads a sweep of a run's folder. That its name stays inside was checked when the run was read.
///
/// # Errors
/// As [`read_regular`], and when a link leads out of the folder.
pub fn read_inside(
    folder: &Path,
    name: &str,
    label: &Arc<str>,
    limit: u64,
    into: &mut Vec<u8>,
) -> Result<(), Diagnostic> {
    let mut path = folder.to_owned();
    let mut found = Err(std::io::ErrorKind::NotFound.into());
    let mut has_link = false;
    for part in Path::new(name).components() {
        path.push(part);
        found = fs::symlink_metadata(&path);
        has_link |= found.as_ref().is_ok_and(|found: &Metadata| found.file_type().is_symlink());
    }
    if has_link {
        let real = fs::canonicalize(&path).ok().zip(fs::canonicalize(folder).ok());
        if !real.is_some_and(|(file, folder)| file.starts_with(folder)) {
            let message = "is a link that leads out of the run's folder, or nowhere";
            return Err(Diagnostic::error("sweep-outside", message)
                .in_file(label)
                .with_help("copy the sweep into the run's folder"));
        }
        found = fs::metadata(&path);
    }
    read_found(&path, found, label, limit, into)
}
