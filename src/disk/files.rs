//! Reads input files: regular files only, of a bounded size.

#[cfg(feature = "cli")]
use super::inputs::note_read;
use crate::diagnostic::Diagnostic;
use std::ffi::OsStr;
use std::fs::{self, File, Metadata};
use std::io::Read;
use std::path::{Component, Path, PathBuf};
use std::sync::Arc;

/// Largest sweep file, bytes.
pub const SWEEP_LIMIT: u64 = 200_000_000;
/// Largest YAML file, bytes.
pub const YAML_LIMIT: u64 = 10_000_000;

/// Code of a file that is not there.
pub use crate::check::NOT_THERE as MISSING;

/// A path as results show it: with `/`, whatever the system writes, each name as [`name_text`] gives it.
pub fn label(path: &Path) -> String {
    let mut parts: Vec<String> = Vec::new();
    let mut root = String::new();
    for component in path.components() {
        match component {
            Component::Prefix(prefix) => root.push_str(&name_text(prefix.as_os_str())),
            Component::RootDir => root.push('/'),
            Component::CurDir => parts.push(".".to_owned()),
            Component::ParentDir => parts.push("..".to_owned()),
            Component::Normal(name) => parts.push(name_text(name)),
        }
    }
    if parts.is_empty() && root.is_empty() { ".".to_owned() } else { root + &parts.join("/") }
}

/// A name of a file or folder as text. A byte that is not UTF-8 becomes `\xE9`, its number; the backslash of a name that
/// itself looks like that becomes `\x5C`. So two names have two texts, and [`path_of`] finds back.
pub fn name_text(name: &OsStr) -> String {
    let mut text = String::with_capacity(name.len());
    for chunk in name.as_encoded_bytes().utf8_chunks() {
        for (at, c) in chunk.valid().char_indices() {
            if c == '\\' && chunk.valid().as_bytes().get(at..).is_some_and(|rest| escaped(rest).is_some()) {
                text.push_str("\\x5C");
            } else {
                text.push(c);
            }
        }
        for byte in chunk.invalid() {
            text.push_str(&format!("\\x{byte:02X}"));
        }
    }
    text
}

/// The byte of an escape that a text begins with.
fn escaped(text: &[u8]) -> Option<u8> {
    let [b'\\', b'x', high, low, ..] = text else { return None };
    let digit = |byte: &u8| match byte {
        b'0'..=b'9' => Some(byte - b'0'),
        b'A'..=b'F' => Some(byte - b'A' + 10),
        _ => None,
    };
    Some(digit(high)? * 16 + digit(low)?)
}

/// The path of a text that [`label`] or [`name_text`] gave.
#[cfg(unix)]
pub fn path_of(text: &str) -> PathBuf {
    use std::os::unix::ffi::OsStringExt;
    let mut rest = text.as_bytes();
    let mut bytes = Vec::with_capacity(rest.len());
    while let [first, after @ ..] = rest {
        if let Some(byte) = escaped(rest) {
            bytes.push(byte);
            rest = rest.get(4..).unwrap_or_default();
        } else {
            bytes.push(*first);
            rest = after;
        }
    }
    std::ffi::OsString::from_vec(bytes).into()
}

/// The path of a text that [`label`] or [`name_text`] gave. Names of this system are Unicode but for rare halves of
/// characters, which are not found.
#[cfg(not(unix))]
pub fn path_of(text: &str) -> PathBuf {
    PathBuf::from(text)
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

/// Reads a whole regular file into a buffer that is emptied first; on the command line `-` is standard input.
///
/// # Errors
/// When it is missing, no regular file, too large or unreadable.
pub fn read_regular(path: &Path, label: &Arc<str>, limit: u64, into: &mut Vec<u8>) -> Result<(), Diagnostic> {
    #[cfg(feature = "cli")]
    if path == Path::new(super::stdin::STDIN) {
        return super::stdin::read(label, limit, into);
    }
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
    #[cfg(feature = "cli")]
    note_read(path, &found);
    // One byte more than expected: a file that grew while it was read is seen without asking again.
    let expected = usize::try_from(found.len()).unwrap_or(0);
    into.resize(expected + 1, 0);
    let mut file = File::open(path).map_err(system)?;
    let filled = fill(&mut file, into).map_err(system)?;
    if filled < into.len() {
        into.truncate(filled);
    } else {
        (&file).take(limit + 1 - filled as u64).read_to_end(into).map_err(system)?;
        if into.len() as u64 > limit {
            return Err(too_large(into.len() as u64));
        }
    }
    if has_changed(&found, &file.metadata().map_err(system)?) {
        return Err(failed("file-changed", "was written while it was read".to_owned())
            .with_help("wait until the program that writes it is done, then try again"));
    }
    Ok(())
}

/// Whether a file was written between two looks, as far as its size and its time tell: what was read may be half of each.
fn has_changed(before: &Metadata, after: &Metadata) -> bool {
    before.len() != after.len() || before.modified().ok() != after.modified().ok()
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

/// Reads a sweep of a run's folder, named by a text as of [`name_text`]. That it stays inside was checked when the run was read.
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
    for part in path_of(name).components() {
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

#[cfg(test)]
#[cfg(unix)]
mod tests {
    use super::*;
    use std::collections::HashMap;
    use std::os::unix::ffi::OsStrExt;

    #[test]
    fn texts_of_names_are_those_names_where_they_can_be() {
        for plain in ["RG-00042", "caf\u{e9}", "a\\b", "\\x5c", "\\x5", "\\", "\u{fffd}", "a\\x", "\\\\xg0"] {
            assert_eq!(name_text(plain.as_ref()), plain);
        }
        for (bytes, text) in [
            (&b"caf\xe9"[..], "caf\\xE9"),
            (b"caf\\xE9", "caf\\x5CxE9"),
            (b"\xff\xfe\xc3", "\\xFF\\xFE\\xC3"),
            (b"\\\xe9", "\\\\xE9"),
            (b"\\x\xe9", "\\x\\xE9"),
            (b"\\\\xE9", "\\\\x5CxE9"),
        ] {
            assert_eq!(name_text(OsStr::from_bytes(bytes)), text);
        }
    }

    fn read_after(change: impl Fn(&Path)) -> Result<Vec<u8>, String> {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("sweep.csv");
        let write = |text: &str| fs::write(&path, text).unwrap();
        write("100,40,-90\n200,34,-91\n");
        let long_ago = std::time::SystemTime::UNIX_EPOCH + std::time::Duration::from_secs(1_775_121_300);
        File::options().write(true).open(&path).unwrap().set_modified(long_ago).unwrap();
        // What happens between the look at a file and its last byte.
        let found = fs::metadata(&path);
        change(&path);
        let mut bytes = Vec::new();
        let read = read_found(&path, found, &"sweep.csv".into(), 1000, &mut bytes);
        read.map(|()| bytes).map_err(|problem| format!("{}: {}", problem.code, problem.one_line()))
    }

    #[test]
    fn a_file_that_is_written_while_it_is_read_is_refused() {
        let as_it_is = read_after(|_| ()).unwrap();
        assert_eq!(as_it_is, b"100,40,-90\n200,34,-91\n");
        let texts = ["", "100,40,-90\n", "100,40,-90\n200,34,-92\n", "100,40,-90\n200,34,-91\n300,30,-92\n"];
        for text in texts {
            let told = read_after(|path| fs::write(path, text).unwrap()).unwrap_err();
            assert!(told == "file-changed: sweep.csv: was written while it was read", "{text}: {told}");
        }
        // In place, and with its old time: the size tells.
        let grown = read_after(|path| {
            let mut file = File::options().append(true).open(path).unwrap();
            let before = file.metadata().unwrap().modified().unwrap();
            std::io::Write::write_all(&mut file, b"300,30,-92\n").unwrap();
            file.set_modified(before).unwrap();
        });
        assert!(grown.unwrap_err().starts_with("file-changed: "));
    }

    #[test]
    fn a_file_that_vanishes_before_it_is_read_is_missing() {
        let told = read_after(|path| fs::remove_file(path).unwrap()).unwrap_err();
        assert_eq!(told, "file-missing: sweep.csv: there is no such file");
    }

    /// All names of up to six bytes made of those that could be mistaken for one another.
    #[test]
    fn every_name_has_a_text_of_its_own_and_is_found_by_it() {
        let mut texts: HashMap<String, Vec<u8>> = HashMap::new();
        let mut names = vec![Vec::new()];
        for _ in 0..6 {
            let longer = |name: &Vec<u8>| b"\\x5CE\xe9".map(|byte| [name.as_slice(), &[byte]].concat());
            names = names.iter().flat_map(longer).collect();
            for name in &names {
                let text = name_text(OsStr::from_bytes(name));
                assert_eq!(path_of(&text).as_os_str().as_bytes(), name, "{text}");
                assert_eq!(texts.insert(text, name.clone()), None);
            }
        }
    }
}
