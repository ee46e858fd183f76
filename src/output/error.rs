//! Why an output could not be written, and what to do.

use super::part_file::WRITERS;
use std::io;
use std::path::PathBuf;
use thiserror::Error;

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
