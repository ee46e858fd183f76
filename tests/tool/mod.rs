//! Runs the built program: in the checkout or in throw-away folders, with a time limit, its peak memory measured.

#![expect(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a test that cannot run its own program must stop"
)]
#![allow(dead_code, reason = "each test file uses a part of this module")]

pub mod gauge;
pub mod xml;

use serde_json::Value;
use std::fs;
use std::io::Read;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::mpsc;
use std::thread;
use std::time::{Duration, Instant};
use wait4::Wait4;

/// No command of these tests may take longer, on a busy machine too.
pub const LIMIT: Duration = Duration::from_secs(300);

/// What one call of the program came to.
#[derive(Debug)]
pub struct Ran {
    /// Exit status; `None` when a signal ended it.
    pub status: Option<i32>,
    pub stdout: Vec<u8>,
    pub stderr: String,
    pub peak_bytes: u64,
    pub took: Duration,
}

impl Ran {
    pub fn out(&self) -> &str {
        std::str::from_utf8(&self.stdout).unwrap()
    }

    /// The JSON that standard output holds, and nothing else.
    pub fn json(&self) -> Value {
        serde_json::from_slice(&self.stdout)
            .unwrap_or_else(|error| panic!("{error}: {:?}\n{}", self.out(), self.stderr))
    }

    /// Fails unless the status is this one and nothing panicked.
    #[track_caller]
    pub fn ends(self, status: i32) -> Self {
        assert_eq!(self.status, Some(status), "{}\n{}", String::from_utf8_lossy(&self.stdout), self.stderr);
        assert!(!self.stderr.contains("panicked"), "{}", self.stderr);
        self
    }
}

/// The command, without the variables of this machine that change its output.
pub fn command(folder: &Path) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_loopgauge"));
    command.current_dir(folder).stdin(Stdio::null());
    for name in ["NO_COLOR", "CLICOLOR", "CLICOLOR_FORCE", "SOURCE_DATE_EPOCH"] {
        command.env_remove(name);
    }
    command
}

/// Runs a command to its end, or stops it at [`LIMIT`], which fails the test.
pub fn finish(command: &mut Command) -> Ran {
    let start = Instant::now();
    let mut child = command.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
    let (mut out, mut err) = (child.stdout.take().unwrap(), child.stderr.take().unwrap());
    let reader = thread::spawn(move || {
        let mut bytes = Vec::new();
        out.read_to_end(&mut bytes).unwrap();
        bytes
    });
    let errors = thread::spawn(move || {
        let mut bytes = Vec::new();
        err.read_to_end(&mut bytes).unwrap();
        bytes
    });
    let pid = child.id();
    let (done, ended) = mpsc::channel::<()>();
    let guard = thread::spawn(move || {
        if ended.recv_timeout(LIMIT).is_err() {
            // Only this child: it was not waited for yet, so the number is still its own.
            Command::new("kill").args(["-9", &pid.to_string()]).status().unwrap();
            return true;
        }
        false
    });
    let usage = child.wait4().unwrap();
    done.send(()).ok();
    assert!(!guard.join().unwrap(), "stopped after {LIMIT:?}: {command:?}");
    Ran {
        status: usage.status.code(),
        stdout: reader.join().unwrap(),
        stderr: String::from_utf8(errors.join().unwrap()).expect("messages are UTF-8"),
        peak_bytes: usage.rusage.maxrss,
        took: start.elapsed(),
    }
}

/// The checkout, with `specs` and `demo-data`.
pub fn checkout() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// Runs the program in the checkout; the arguments are parted at blanks.
pub fn demo(arguments: &str) -> Ran {
    finish(command(checkout()).args(arguments.split_whitespace()))
}

/// A throw-away folder to run the program in.
pub struct Room(tempfile::TempDir);

impl Room {
    /// An empty one.
    pub fn empty() -> Self {
        Self(tempfile::tempdir().unwrap())
    }

    /// One that sees the checkout's `specs` and `demo-data`.
    #[cfg(unix)]
    pub fn demo() -> Self {
        let room = Self::empty();
        for name in ["specs", "demo-data"] {
            std::os::unix::fs::symlink(checkout().join(name), room.path(name)).unwrap();
        }
        room
    }

    pub fn root(&self) -> &Path {
        self.0.path()
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.0.path().join(name)
    }

    /// Writes a file, and the folders above it.
    pub fn write(&self, name: &str, bytes: impl AsRef<[u8]>) -> &Self {
        let path = self.path(name);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(path, bytes).unwrap();
        self
    }

    pub fn read(&self, name: &str) -> String {
        fs::read_to_string(self.path(name)).unwrap_or_else(|error| panic!("{name}: {error}"))
    }

    /// Puts another text in the place of one that stands exactly once in a file.
    #[track_caller]
    pub fn edit(&self, name: &str, old: &str, new: &str) -> &Self {
        let text = self.read(name);
        assert_eq!(text.matches(old).count(), 1, "{old:?} must stand once in {name}");
        self.write(name, text.replacen(old, new, 1))
    }

    /// Names in a folder, sorted.
    pub fn names(&self, folder: &str) -> Vec<String> {
        let entries = fs::read_dir(self.path(folder)).unwrap();
        let mut names: Vec<String> =
            entries.map(|entry| entry.unwrap().file_name().into_string().unwrap()).collect();
        names.sort();
        names
    }

    pub fn command(&self) -> Command {
        command(self.root())
    }

    /// Runs the program here; the arguments are parted at blanks.
    pub fn run(&self, arguments: &str) -> Ran {
        finish(self.command().args(arguments.split_whitespace()))
    }
}

/// A list in a JSON value.
#[track_caller]
pub fn list(value: &Value) -> &[Value] {
    value.as_array().unwrap_or_else(|| panic!("no list: {value}"))
}

/// A text in a JSON value.
#[track_caller]
pub fn text(value: &Value) -> &str {
    value.as_str().unwrap_or_else(|| panic!("no text: {value}"))
}

/// `(corner/check, verdict)` of every check of a run.
pub fn verdicts(run: &Value) -> Vec<(String, String)> {
    let corners = list(&run["corners"]).iter();
    corners
        .flat_map(|corner| {
            list(&corner["checks"]).iter().map(|check| {
                let name = format!("{}/{}", text(&corner["corner"]), text(&check["check"]));
                (name, text(&check["verdict"]).to_owned())
            })
        })
        .collect()
}
