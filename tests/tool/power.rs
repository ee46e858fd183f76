//! A power cut: a program is run with a disk that forgets what was not synced (`power_cut.c`).

#![expect(clippy::unwrap_used, reason = "a test that cannot run its own program must stop")]

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

/// A disk that forgets.
pub struct Disk {
    folder: tempfile::TempDir,
    shim: PathBuf,
}

impl Disk {
    /// An empty one; `cc` is what Rust links with.
    pub fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let shim = folder.path().join("power_cut.so");
        let source = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/tool/power_cut.c");
        let mut cc = Command::new("cc");
        let built = cc.args(["-shared", "-fPIC", "-O1", "-o"]).arg(&shim).arg(source).arg("-ldl").status();
        assert!(built.unwrap().success());
        fs::create_dir(folder.path().join("disk")).unwrap();
        Self { folder, shim }
    }

    /// Lets a command run on it.
    pub fn under<'a>(&self, command: &'a mut Command) -> &'a mut Command {
        command.env("LD_PRELOAD", &self.shim).env("POWER_CUT_DISK", self.folder.path().join("disk"))
    }

    /// What a power cut leaves of a file; `None`: nothing, not even the name.
    pub fn left_of(&self, file: &Path) -> Option<Vec<u8>> {
        let name = file.display().to_string().replace('/', "%");
        fs::read(self.folder.path().join("disk").join(name)).ok()
    }
}
