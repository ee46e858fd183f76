//! Output files that appear whole or not at all.
//!
//! A file is written aside, in the same folder, and renamed when it is complete. The name aside is predictable and
//! the file is locked while its writer lives, so what a killed process left is known as such: the next writer of the
//! same output removes it.
//!
//! Nothing is replaced but what is empty or an earlier output of the same kind, by what it holds and not by its name, and
//! never what this process has read.
//!
//! **Why are output files written aside and renamed?** A dashboard that reads half a file shows half a truth.

mod kind;

pub use kind::Kind;

use crate::disk::inputs::was_read;
use kind::Look;
use same_file::Handle;
use std::ffi::OsString;
use std::fs::{self, File, OpenOptions, TryLockError};
use std::hash::{DefaultHasher, Hash, Hasher};
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};
use thiserror::Error;

/// How many processes may write one output at the same time.
const WRITERS: u32 = 16;
/// How often a file that vanished between two steps is tried again.
const TRIES: u32 = 100;
/// Longest part of an output's name that the name aside repeats, bytes: most file systems take 255.
const LONGEST_NAME: usize = 200;
/// Links that are followed to the output; Linux stops at 40 as well.
const LINKS: u32 = 40;
/// What is held before it is written, bytes.
const BUFFER: usize = 1 << 16;

/// Why an output could not be written.
#[derive(Debug, Error)]
#[non_exhaustive]
pub enum OutputError {
    /// A folder stands there.
    #[error("cannot write {}: it is a folder; name a file inside it", path.display())]
    IsFolder {
        /// The output.
        path: PathBuf,
    },
    /// The folder it should go to does not exist.
    #[error("cannot write {}: there is no folder {}; create it first", path.display(), folder.display())]
    NoFolder {
        /// The output.
        path: PathBuf,
        /// The folder.
        folder: PathBuf,
    },
    /// Too many others write it.
    #[error("cannot write {}: {WRITERS} other processes are writing it; give each its own file", path.display())]
    Busy {
        /// The output.
        path: PathBuf,
    },
    /// Something stands there that this program did not write.
    #[error(
        "cannot write {}: {seems} stands there, no earlier output of this kind, and is left as it is; name another file, or \
         remove that one first",
        path.display()
    )]
    Foreign {
        /// The output.
        path: PathBuf,
        /// What it seems to be, with its article.
        seems: &'static str,
    },
    /// The file that stands there was read.
    #[error(
        "cannot write {}: it is an input of this command, {seems}, and is left as it is; name another file",
        path.display()
    )]
    Input {
        /// The output.
        path: PathBuf,
        /// What it seems to be, with its article.
        seems: &'static str,
    },
    /// Something stands there that must not be replaced.
    #[error("{} exists already and is left as it is; name another place, or move it away", path.display())]
    Exists {
        /// The output.
        path: PathBuf,
    },
    /// The system refuses.
    #[error("cannot write {}: {source}; choose another place or make room and rights there", path.display())]
    System {
        /// The output.
        path: PathBuf,
        /// What the system says.
        source: io::Error,
    },
}

/// An output in the making. Dropped without [`commit`](Self::commit), it leaves nothing behind.
#[derive(Debug)]
pub struct OutputFile {
    /// As given.
    path: PathBuf,
    sink: Option<BufWriter<Sink>>,
    /// What is renamed at the end; `None` when the output is written directly.
    aside: Option<Aside>,
}

#[derive(Debug)]
enum Sink {
    File(File),
    Stdout(io::Stdout),
}

#[derive(Debug)]
struct Aside {
    part: PathBuf,
    target: PathBuf,
    /// What may be replaced; `None`: nothing.
    kind: Option<Kind>,
}

impl OutputFile {
    /// Begins an output at `path`.
    ///
    /// A link is followed and what it leads to is replaced. What exists and is no regular file (`/dev/null`, a FIFO)
    /// is written directly.
    ///
    /// # Errors
    /// When a folder stands there, or a file that is neither empty nor an earlier output of this kind; when its own folder is
    /// missing, or the system refuses.
    pub fn create(path: &Path, kind: Kind) -> Result<Self, OutputError> {
        Self::begin(path, Some(kind))
    }

    fn begin(path: &Path, kind: Option<Kind>) -> Result<Self, OutputError> {
        let system = |source| OutputError::System { path: path.to_owned(), source };
        match fs::metadata(path) {
            Ok(found) if found.is_dir() => return Err(OutputError::IsFolder { path: path.to_owned() }),
            Ok(found) if !found.is_file() => return Self::direct(path).map_err(system),
            Ok(_) | Err(_) => {}
        }
        let Some(target) = follow(path).map_err(system)? else {
            return Self::direct(path).map_err(system);
        };
        let folder = match target.parent() {
            Some(parent) if parent.as_os_str().is_empty() => Path::new("."),
            Some(parent) => parent,
            None => return Err(OutputError::IsFolder { path: path.to_owned() }),
        };
        if target.file_name().is_none() {
            return Err(OutputError::IsFolder { path: path.to_owned() });
        }
        if !folder.is_dir() {
            return Err(OutputError::NoFolder { path: path.to_owned(), folder: folder.to_owned() });
        }
        if let Some(kind) = kind {
            may_replace(path, &target, kind)?;
        }
        let (file, part) = open_aside(&target)
            .map_err(system)?
            .ok_or_else(|| OutputError::Busy { path: path.to_owned() })?;
        Ok(Self::new(path, Sink::File(file), Some(Aside { part, target, kind })))
    }

    /// Begins an output at `path` and creates the folders that lead there.
    ///
    /// # Errors
    /// As [`create`](Self::create).
    pub fn create_with_folders(path: &Path, kind: Kind) -> Result<Self, OutputError> {
        create_folders(path)?;
        Self::create(path, kind)
    }

    /// Begins an output at `path`, whose name must be free when it is completed, and creates the folders that lead there: what
    /// stands there is never touched.
    ///
    /// # Errors
    /// When a folder stands there or the system refuses.
    pub fn create_new(path: &Path) -> Result<Self, OutputError> {
        create_folders(path)?;
        Self::begin(path, None)
    }

    /// Standard output, written as it comes.
    #[must_use]
    pub fn stdout() -> Self {
        Self::new(Path::new("standard output"), Sink::Stdout(io::stdout()), None)
    }

    /// The path as given.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Names the output in an error that came while it was written.
    #[must_use]
    pub fn error(&self, source: io::Error) -> OutputError {
        OutputError::System { path: self.path.clone(), source }
    }

    /// Completes the output: it appears under its name, safe on the disk.
    ///
    /// # Errors
    /// When what is left cannot be written, the file cannot be renamed, or something has come to stand there that must stay;
    /// then nothing is left behind.
    pub fn commit(mut self) -> Result<(), OutputError> {
        self.fill().map_err(|source| self.error(source))?;
        let Some(aside) = &self.aside else { return Ok(()) };
        match aside.kind {
            Some(kind) => {
                // Meanwhile it may have been read, or another program may have written there.
                may_replace(&self.path, &aside.target, kind)?;
                self.rename().map_err(|source| self.error(source))
            }
            None => self.link().map_err(|source| match source.kind() {
                io::ErrorKind::AlreadyExists => OutputError::Exists { path: self.path.clone() },
                _ => self.error(source),
            }),
        }
    }

    fn rename(&mut self) -> io::Result<()> {
        let Some(aside) = &self.aside else { return Ok(()) };
        fs::rename(&aside.part, &aside.target)?;
        self.aside = None;
        Ok(())
    }

    /// Gives the file its name if that is free.
    fn link(&mut self) -> io::Result<()> {
        let Some(aside) = &self.aside else { return Ok(()) };
        match fs::hard_link(&aside.part, &aside.target) {
            // The name aside goes when this is dropped.
            Ok(()) => Ok(()),
            Err(error) if error.kind() == io::ErrorKind::AlreadyExists => Err(error),
            // A file system without links, such as that of a memory stick: looking first has to do.
            Err(_) if fs::symlink_metadata(&aside.target).is_err() => self.rename(),
            Err(_) => Err(io::ErrorKind::AlreadyExists.into()),
        }
    }

    /// Writes what is left, safe on the disk.
    fn fill(&mut self) -> io::Result<()> {
        let Some(sink) = &mut self.sink else { return Ok(()) };
        sink.flush()?;
        match (&self.aside, sink.get_ref()) {
            (Some(_), Sink::File(file)) => file.sync_all(),
            _ => Ok(()),
        }
    }

    fn direct(path: &Path) -> io::Result<Self> {
        // Appending keeps what a shell's redirection to the same file holds.
        let file = OpenOptions::new().append(true).open(path)?;
        Ok(Self::new(path, Sink::File(file), None))
    }

    fn new(path: &Path, sink: Sink, aside: Option<Aside>) -> Self {
        Self { path: path.to_owned(), sink: Some(BufWriter::with_capacity(BUFFER, sink)), aside }
    }
}

impl Drop for OutputFile {
    fn drop(&mut self) {
        if let Some(aside) = self.aside.take() {
            // What is still buffered belongs to a file that nobody will see.
            let open = self.sink.take().map(BufWriter::into_parts);
            // Removed while it is still locked: nobody else can hold this name.
            let _ = fs::remove_file(&aside.part);
            drop(open);
        }
    }
}

impl Write for OutputFile {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.sink.as_mut().map_or(Ok(0), |sink| sink.write(bytes))
    }

    fn flush(&mut self) -> io::Result<()> {
        self.sink.as_mut().map_or(Ok(()), Write::flush)
    }
}

impl Write for Sink {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        match self {
            Self::File(file) => file.write(bytes),
            Self::Stdout(stdout) => unless_unread(stdout.write(bytes), bytes.len()),
        }
    }

    fn flush(&mut self) -> io::Result<()> {
        match self {
            Self::File(file) => file.flush(),
            Self::Stdout(stdout) => unless_unread(stdout.flush(), ()),
        }
    }
}

/// A reader of standard output that went away, as `head` does, is no fault: nobody misses the rest.
fn unless_unread<T>(result: io::Result<T>, done: T) -> io::Result<T> {
    match result {
        Err(error) if error.kind() == io::ErrorKind::BrokenPipe => Ok(done),
        other => other,
    }
}

/// Whether what stands at `target` may give way to an output of a kind; `path` is how it was named.
fn may_replace(path: &Path, target: &Path, kind: Kind) -> Result<(), OutputError> {
    let path = || path.to_owned();
    let found = match fs::metadata(target) {
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(()),
        Err(source) => return Err(OutputError::System { path: path(), source }),
        Ok(found) => found,
    };
    let look = Look::at(target);
    let seems = look.as_ref().map_or("a file that cannot be read", Look::seems);
    if was_read(target, &found) {
        Err(OutputError::Input { path: path(), seems })
    } else if found.len() == 0 || look.is_ok_and(|look| kind.wrote(&look)) {
        Ok(())
    } else {
        Err(OutputError::Foreign { path: path(), seems })
    }
}

fn create_folders(path: &Path) -> Result<(), OutputError> {
    match path.parent() {
        Some(folder) => {
            fs::create_dir_all(folder).map_err(|source| OutputError::System { path: path.to_owned(), source })
        }
        None => Ok(()),
    }
}

/// Where the links at `path` lead; `None` when that is an open file of this process (`/dev/stdout`).
fn follow(path: &Path) -> io::Result<Option<PathBuf>> {
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
fn open_aside(target: &Path) -> io::Result<Option<(File, PathBuf)>> {
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
fn part_name(target: &Path, number: u32) -> PathBuf {
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::disk::inputs::note_read;

    const KIND: Kind = Kind::Levels;

    /// A text that is known as an output of that kind.
    fn profile(text: &str) -> String {
        format!("frequency_hz,level_dbm\n{text}")
    }

    fn names(folder: &Path) -> Vec<String> {
        let mut names: Vec<String> =
            fs::read_dir(folder).unwrap().map(|e| e.unwrap().file_name().into_string().unwrap()).collect();
        names.sort();
        names
    }

    fn write(path: &Path, text: &str) {
        let mut file = OutputFile::create(path, KIND).unwrap();
        file.write_all(profile(text).as_bytes()).unwrap();
        file.commit().unwrap();
    }

    #[test]
    fn a_file_appears_whole_or_not_at_all() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("report.xml");
        let mut file = OutputFile::create(&path, KIND).unwrap();
        file.write_all(profile("new").as_bytes()).unwrap();
        assert_eq!(names(folder.path()), [".report.xml.loopgauge-part"]);
        file.commit().unwrap();
        assert_eq!(fs::read_to_string(&path).unwrap(), profile("new"));
        let mut dropped = OutputFile::create(&path, KIND).unwrap();
        dropped.write_all(b"half").unwrap();
        drop(dropped);
        assert_eq!(fs::read_to_string(&path).unwrap(), profile("new"));
        assert_eq!(names(folder.path()), ["report.xml"]);
    }

    #[test]
    fn a_new_file_replaces_nothing() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("run.yaml");
        let new = |text: &str| {
            let mut file = OutputFile::create_new(&path).unwrap();
            file.write_all(text.as_bytes()).unwrap();
            file.commit()
        };
        new("first").unwrap();
        assert!(matches!(new("second"), Err(OutputError::Exists { .. })));
        assert_eq!(fs::read_to_string(&path).unwrap(), "first");
        assert_eq!(names(folder.path()), ["run.yaml"]);
    }

    #[test]
    fn what_this_program_did_not_write_stays() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("profile.csv");
        fs::write(&path, "").unwrap();
        write(&path, "over an empty file");
        for text in [
            "frequency_hz,gain_db,phase_deg\n1,2,3\n",
            "spec: 1\n",
            "notes",
            " ",
            "{\"format\":1,\"runs\":[]}",
        ] {
            fs::write(&path, text).unwrap();
            let error = OutputFile::create(&path, KIND).unwrap_err();
            assert!(matches!(error, OutputError::Foreign { .. }), "{error}");
            assert_eq!(fs::read_to_string(&path).unwrap(), text);
        }
        assert_eq!(names(folder.path()), ["profile.csv"]);
    }

    #[test]
    fn what_comes_to_stand_there_meanwhile_stays() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("profile.csv");
        let file = OutputFile::create(&path, KIND).unwrap();
        fs::write(&path, "notes").unwrap();
        assert!(matches!(file.commit(), Err(OutputError::Foreign { .. })));
        assert_eq!(fs::read_to_string(&path).unwrap(), "notes");
        assert_eq!(names(folder.path()), ["profile.csv"]);
    }

    #[test]
    fn what_was_read_stays_even_if_it_is_empty_or_an_output() {
        let folder = tempfile::tempdir().unwrap();
        for (name, text) in [("a.csv", ""), ("b.csv", &*profile("1,2\n"))] {
            let (path, second) = (folder.path().join(name), folder.path().join(format!("second-{name}")));
            fs::write(&path, text).unwrap();
            let file = OutputFile::create(&path, KIND).unwrap();
            note_read(&path, &fs::metadata(&path).unwrap());
            assert!(matches!(file.commit(), Err(OutputError::Input { .. })));
            fs::hard_link(&path, &second).unwrap();
            assert!(matches!(OutputFile::create(&second, KIND), Err(OutputError::Input { .. })));
            assert_eq!(fs::read_to_string(&path).unwrap(), text);
        }
    }

    #[test]
    fn two_writers_do_not_mix_and_left_overs_go() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("report.xml");
        for number in [0, 2, 5] {
            fs::write(part_name(&path, number), "left by a killed process").unwrap();
        }
        let mut first = OutputFile::create(&path, KIND).unwrap();
        let mut second = OutputFile::create(&path, KIND).unwrap();
        assert_eq!(names(folder.path()), [".report.xml.loopgauge-part", ".report.xml.loopgauge-part-1"]);
        first.write_all(profile("first").as_bytes()).unwrap();
        second.write_all(profile("second").as_bytes()).unwrap();
        second.commit().unwrap();
        assert_eq!(fs::read_to_string(&path).unwrap(), profile("second"));
        first.commit().unwrap();
        assert_eq!(fs::read_to_string(&path).unwrap(), profile("first"));
        assert_eq!(names(folder.path()), ["report.xml"]);
    }

    #[test]
    fn many_writers_at_once_leave_one_whole_file() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("report.xml");
        std::thread::scope(|scope| {
            for writer in 0..8 {
                let path = &path;
                scope.spawn(move || {
                    for _ in 0..50 {
                        write(path, &format!("{writer}").repeat(10_000));
                    }
                });
            }
        });
        let text = fs::read_to_string(&path).unwrap();
        let text = text.strip_prefix(&profile("")).unwrap();
        assert_eq!(text.len(), 10_000);
        assert!(text.bytes().all(|b| Some(b) == text.bytes().next()));
        assert_eq!(names(folder.path()), ["report.xml"]);
    }

    #[test]
    fn folders_are_refused_and_missing_ones_named() {
        let folder = tempfile::tempdir().unwrap();
        assert!(matches!(OutputFile::create(folder.path(), KIND), Err(OutputError::IsFolder { .. })));
        let path = folder.path().join("a/b/report.xml");
        let error = OutputFile::create(&path, KIND).unwrap_err().to_string();
        assert!(error.contains("there is no folder") && error.contains("a/b;"), "{error}");
        OutputFile::create_with_folders(&path, KIND).unwrap().commit().unwrap();
        assert!(path.is_file());
        let under_a_file = path.join("x.xml");
        assert!(OutputFile::create(&under_a_file, KIND).is_err());
        assert!(OutputFile::create_with_folders(&under_a_file, KIND).is_err());
    }

    #[test]
    fn long_names_are_written_too() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("x".repeat(250));
        write(&path, "text");
        assert_eq!(fs::read_to_string(&path).unwrap(), profile("text"));
    }

    #[cfg(unix)]
    mod unix {
        use super::*;
        use std::os::unix::fs::{FileTypeExt, PermissionsExt, symlink};

        /// Set in a process that is to be killed: the file it holds.
        const HOLD: &str = "LOOPGAUGE_TEST_HOLD_OUTPUT";

        #[test]
        fn hold_an_output_until_killed() {
            let Some(path) = std::env::var_os(HOLD) else { return };
            let mut file = OutputFile::create(Path::new(&path), KIND).unwrap();
            file.write_all(&[b'x'; 3 * BUFFER]).unwrap();
            println!("held");
            std::thread::sleep(std::time::Duration::from_secs(60));
        }

        #[test]
        fn a_killed_writer_leaves_one_file_that_the_next_removes() {
            use std::io::{BufRead, BufReader};
            let folder = tempfile::tempdir().unwrap();
            let path = folder.path().join("report.xml");
            fs::write(&path, profile("old")).unwrap();
            let name = std::thread::current().name().unwrap().replace(
                "a_killed_writer_leaves_one_file_that_the_next_removes",
                "hold_an_output_until_killed",
            );
            let mut child = std::process::Command::new(std::env::current_exe().unwrap())
                .args(["--exact", &name, "--nocapture"])
                .env(HOLD, &path)
                .stdout(std::process::Stdio::piped())
                .spawn()
                .unwrap();
            let lines = BufReader::new(child.stdout.take().unwrap()).lines();
            assert!(lines.map_while(Result::ok).any(|line| line.ends_with("held")));
            // While it lives its file stays, and another writer works beside it.
            write(&path, "beside");
            assert_eq!(names(folder.path()), [".report.xml.loopgauge-part", "report.xml"]);
            // SIGKILL.
            child.kill().unwrap();
            child.wait().unwrap();
            assert_eq!(names(folder.path()), [".report.xml.loopgauge-part", "report.xml"]);
            write(&path, "after");
            assert_eq!(fs::read_to_string(&path).unwrap(), profile("after"));
            assert_eq!(names(folder.path()), ["report.xml"]);
        }

        #[test]
        fn links_are_followed() {
            let folder = tempfile::tempdir().unwrap();
            let (real, link, dangling) = (
                folder.path().join("real.xml"),
                folder.path().join("link.xml"),
                folder.path().join("new.xml"),
            );
            fs::write(&real, profile("old")).unwrap();
            symlink("real.xml", &link).unwrap();
            symlink("made.xml", &dangling).unwrap();
            write(&link, "new");
            write(&dangling, "made");
            assert!(fs::symlink_metadata(&link).unwrap().is_symlink());
            assert_eq!(fs::read_to_string(&real).unwrap(), profile("new"));
            assert_eq!(fs::read_to_string(folder.path().join("made.xml")).unwrap(), profile("made"));
            symlink("circle", folder.path().join("circle")).unwrap();
            assert!(OutputFile::create(&folder.path().join("circle"), KIND).is_err());
        }

        #[test]
        fn a_planted_link_is_not_written_through() {
            let folder = tempfile::tempdir().unwrap();
            let (path, victim) = (folder.path().join("report.xml"), folder.path().join("victim"));
            fs::write(&victim, "precious").unwrap();
            symlink(&victim, part_name(&path, 0)).unwrap();
            write(&path, "text");
            assert_eq!(fs::read_to_string(&victim).unwrap(), "precious");
            assert_eq!(fs::read_to_string(&path).unwrap(), profile("text"));
        }

        #[test]
        fn devices_and_pipes_are_written_directly() {
            write(Path::new("/dev/null"), "text");
            assert!(fs::metadata("/dev/null").unwrap().file_type().is_char_device());
            let mut out = OutputFile::create(Path::new("/dev/stdout"), KIND).unwrap();
            out.write_all(b"").unwrap();
            out.commit().unwrap();
            let folder = tempfile::tempdir().unwrap();
            let fifo = folder.path().join("fifo");
            let made = std::process::Command::new("mkfifo").arg(&fifo).status().is_ok_and(|s| s.success());
            if made {
                let reader = std::thread::spawn({
                    let fifo = fifo.clone();
                    move || fs::read_to_string(fifo).unwrap()
                });
                write(&fifo, "through");
                assert_eq!(reader.join().unwrap(), profile("through"));
                assert!(fs::metadata(&fifo).unwrap().file_type().is_fifo());
            }
        }

        #[test]
        fn the_mode_is_that_of_any_new_file() {
            let folder = tempfile::tempdir().unwrap();
            let (path, plain) = (folder.path().join("report.xml"), folder.path().join("plain"));
            fs::write(part_name(&path, 0), "left").unwrap();
            fs::set_permissions(part_name(&path, 0), fs::Permissions::from_mode(0o600)).unwrap();
            write(&path, "text");
            fs::write(&plain, "").unwrap();
            assert_eq!(
                fs::metadata(&path).unwrap().permissions().mode(),
                fs::metadata(&plain).unwrap().permissions().mode()
            );
        }

        #[test]
        fn a_read_only_folder_is_an_error_that_names_the_file() {
            let folder = tempfile::tempdir().unwrap();
            fs::set_permissions(folder.path(), fs::Permissions::from_mode(0o555)).unwrap();
            // Rights do not bind the superuser.
            if File::create(folder.path().join("probe")).is_err() {
                let error =
                    OutputFile::create(&folder.path().join("report.xml"), KIND).unwrap_err().to_string();
                assert!(error.contains("report.xml"), "{error}");
            }
            fs::set_permissions(folder.path(), fs::Permissions::from_mode(0o755)).unwrap();
        }
    }
}
