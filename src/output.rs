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

mod error;
mod kind;
mod part_file;

pub use error::OutputError;
pub use kind::Kind;

use crate::disk::inputs::was_read;
use kind::Look;
use part_file::{follow, open_aside};
use std::fs::{self, File, OpenOptions};
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};

/// What is held before it is written, bytes.
const BUFFER: usize = 1 << 16;

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

#[cfg(test)]
mod tests;
