//! An archive that `check --archive` wrote, taken apart to be checked again: its files are held against their digests and laid into a
//! folder of their own, the runs judged as they were then.
//!
//! It may come from anywhere, so it is believed nothing: names stay inside, no entry is a link, none comes twice, and what it
//! unfolds to is bounded.

use super::archive::{BASELINE, HTML, JUNIT, MANIFEST, MARK, MARK_TEXT, RESULT, RUNS, SPECS, SUMS};
use super::manifest::{Manifest, RunNames, Told};
use crate::check::RunOutcome;
use crate::diagnostic::Diagnostic;
use crate::disk::discover::RunPlace;
use crate::disk::files::{SWEEP_LIMIT, label, path_of};
use crate::disk::judge::Trouble;
use crate::quantity::calendar::day;
use sha2::{Digest, Sha256};
use std::collections::{HashMap, HashSet};
use std::fs::{self, File};
use std::io::{self, BufReader, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use zip::ZipArchive;

/// Most entries.
const MOST_ENTRIES: usize = 50_000;
/// Most bytes of a list of digests or a manifest.
const LIST_LIMIT: u64 = 32 << 20;
/// Most bytes of a page or a result: they are only held against their digests.
const RESULT_LIMIT: u64 = 2 << 30;
/// How much an archive may unfold to: so many times its size, and this. Tables of numbers take a third to a twentieth of their size.
const MOST_RATIO: u64 = 100;
const ALWAYS: u64 = 64 << 20;

/// An archive, taken apart.
pub struct Archived {
    /// The archive as it was named.
    label: String,
    /// Goes with it.
    folder: tempfile::TempDir,
    manifest: Manifest,
    names: HashMap<PathBuf, RunNames>,
    /// The day judged at.
    pub day: time::Date,
}

/// Whether a file is an archive: a zip file whose first entry is the mark.
pub fn is_archive(path: &Path) -> bool {
    // A pipe would be waited for.
    if !fs::metadata(path).is_ok_and(|found| found.is_file()) {
        return false;
    }
    let mut head = [0; 64];
    let read = File::open(path).and_then(|mut file| file.read(&mut head));
    read.is_ok() && head.starts_with(b"PK\x03\x04") && head.get(30..30 + MARK.len()) == Some(MARK.as_bytes())
}

impl Archived {
    /// Takes an archive apart.
    ///
    /// # Errors
    /// Everything that is wrong with it, each with the file that it is about.
    pub fn open(path: &Path) -> Result<Self, Vec<Diagnostic>> {
        let mut reading = Unfolding::new(path).map_err(|problem| vec![problem])?;
        reading.unfold()?;
        let problem = |message: String| vec![reading.problem(MANIFEST, "archive-manifest", message)];
        let manifest: Manifest = serde_json::from_slice(&reading.manifest)
            .map_err(|error| problem(format!("cannot be read: {error}")))?;
        if manifest.format != 1 {
            return Err(problem(format!("is of format {}, 1 is wanted", manifest.format)));
        }
        let day = day(&manifest.day).ok_or_else(|| problem(format!("`{}` is no day", manifest.day)))?;
        let mut names = HashMap::new();
        for run in &manifest.runs {
            if !is_inside(&run.file) || !run.file.starts_with("runs/") {
                return Err(problem(format!("`{}` is no run file of the archive", run.file)));
            }
            names.insert(reading.folder.path().join(path_of(&run.file)), run.clone());
        }
        if !is_inside(&manifest.specs) || !manifest.specs.starts_with(SPECS) {
            return Err(problem(format!("`{}` is no place of specs in the archive", manifest.specs)));
        }
        Ok(Self { label: reading.label, folder: reading.folder, manifest, names, day })
    }

    /// The runs, named as they were.
    pub fn places(&self) -> Vec<RunPlace> {
        let place = |run: &RunNames| RunPlace {
            label: run.run.clone(),
            file: self.folder.path().join(path_of(&run.file)),
        };
        self.manifest.runs.iter().map(place).collect()
    }

    /// Where its specs lie.
    pub fn specs(&self) -> PathBuf {
        self.folder.path().join(path_of(&self.manifest.specs))
    }

    /// Where its baseline lies.
    pub fn baseline(&self) -> Option<PathBuf> {
        self.manifest.baseline.then(|| self.folder.path().join(BASELINE))
    }

    /// Whether sweeps could be missing still.
    pub const fn so_far(&self) -> bool {
        self.manifest.so_far
    }

    /// The patterns of `--only`.
    pub fn only(&self) -> &[String] {
        &self.manifest.only
    }

    /// Who wrote it.
    pub fn tool(&self) -> &str {
        &self.manifest.tool
    }

    /// What kept runs from being found when it was written.
    pub fn problems(&self) -> Vec<Diagnostic> {
        self.manifest.problems.iter().map(Told::again).collect()
    }

    /// A run's place as it was then.
    pub fn place_then(&self, place: &RunPlace) -> RunPlace {
        let file = self.names.get(&place.file).map_or_else(|| place.file.clone(), |n| path_of(&n.run_file));
        RunPlace { label: place.label.clone(), file }
    }

    /// What a run comes to, as it was then: see [`RunNames::as_then`].
    ///
    /// # Errors
    /// Why it has no verdict.
    pub fn as_then(
        &self,
        place: &RunPlace,
        judged: Result<Option<RunOutcome>, Trouble>,
    ) -> Result<Option<RunOutcome>, Trouble> {
        let Some(names) = self.names.get(&place.file) else { return judged };
        let specs = label(&self.folder.path().join(SPECS));
        names.as_then(judged, [(&label(&place.file), &names.run_file), (&specs, &self.manifest.specs_folder)])
    }

    /// Names a problem of the baseline as it is: what lies in the archive is named so.
    pub fn rename_problem(&self, problem: &mut Diagnostic) {
        let own = label(self.folder.path());
        if let Some(place) = &mut problem.place
            && let Some(rest) = place.file.strip_prefix(own.as_str())
        {
            place.file = format!("{}{rest}", self.label).into();
        }
    }
}

/// Whether a name stays inside: relative, with `/`, no empty part, no `.` and `..`, no drive, no backslash, no control character.
fn is_inside(name: &str) -> bool {
    let is_plain =
        !name.chars().any(|c| c.is_control() || c == ':' && cfg!(windows) || c == '\\' && cfg!(windows));
    is_plain && name.len() <= 4096 && name.split('/').all(|part| !matches!(part, "" | "." | ".."))
}

struct Unfolding {
    label: String,
    zip: ZipArchive<BufReader<File>>,
    folder: tempfile::TempDir,
    manifest: Vec<u8>,
    /// Bytes that may still be unfolded.
    left: u64,
}

impl Unfolding {
    fn new(path: &Path) -> Result<Self, Diagnostic> {
        let label = label(path);
        let file: Arc<str> = label.as_str().into();
        let failed = |message: String| Diagnostic::error("archive-unreadable", message).in_file(&file);
        let system = |error: io::Error| failed(format!("cannot be read: {error}"));
        let mut opened = File::open(path).map_err(system)?;
        let size = opened.metadata().map_err(system)?.len();
        let entries = entries(&mut opened, size).map_err(system)?;
        if entries > MOST_ENTRIES {
            return Err(failed(format!("has {entries} entries and more, at most {MOST_ENTRIES} are read")));
        }
        let zip = ZipArchive::new(BufReader::new(opened))
            .map_err(|error| failed(format!("is no zip file that can be read: {error}")))?;
        if zip.len() != entries {
            return Err(failed(format!(
                "has {entries} entries with {} names: one of them comes twice",
                zip.len()
            )));
        }
        let folder =
            tempfile::tempdir().map_err(|error| failed(format!("cannot be taken apart: {error}")))?;
        for name in [RUNS, SPECS, BASELINE] {
            fs::create_dir(folder.path().join(name))
                .map_err(|error| failed(format!("cannot be taken apart: {error}")))?;
        }
        let left = size.saturating_mul(MOST_RATIO).saturating_add(ALWAYS);
        Ok(Self { label, zip, folder, manifest: Vec::new(), left })
    }

    fn problem(&self, name: &str, code: &'static str, message: String) -> Diagnostic {
        let file: Arc<str> = format!("{}/{name}", self.label).into();
        Diagnostic::error(code, message).in_file(&file)
    }

    /// Holds every entry against its digest and lays it into the folder.
    fn unfold(&mut self) -> Result<(), Vec<Diagnostic>> {
        let mut sums = self.sums().map_err(|problem| vec![problem])?;
        let mut problems = Vec::new();
        let mut seen = HashSet::new();
        for index in 0..self.zip.len() {
            match self.entry(index, &mut sums, &mut seen) {
                Ok(()) => {}
                Err((problem, is_end)) => {
                    problems.push(problem);
                    if is_end {
                        return Err(problems);
                    }
                }
            }
        }
        let mut lost: Vec<String> = sums.into_keys().collect();
        lost.sort();
        for name in lost {
            problems.push(self.problem(
                &name,
                "archive-lost",
                format!("stands in {SUMS} and is not in the archive"),
            ));
        }
        if problems.is_empty() { Ok(()) } else { Err(problems) }
    }

    /// The digests by name.
    fn sums(&mut self) -> Result<HashMap<String, String>, Diagnostic> {
        let mut text = String::new();
        let read = self.zip.by_name(SUMS).map_err(|error| error.to_string()).and_then(|entry| {
            entry.take(LIST_LIMIT).read_to_string(&mut text).map_err(|error| error.to_string())
        });
        read.map_err(|error| {
            self.problem(SUMS, "archive-digests", format!("the list of digests cannot be read: {error}"))
        })?;
        let mut sums = HashMap::new();
        for (number, line) in text.lines().enumerate() {
            let parts = line.split_once("  ").filter(|(digest, name)| digest.len() == 64 && is_inside(name));
            let Some((digest, name)) = parts else {
                let message = format!("line {} is no digest and name", number + 1);
                return Err(self.problem(SUMS, "archive-digests", message));
            };
            if sums.insert(name.to_owned(), digest.to_owned()).is_some() {
                return Err(self.problem(SUMS, "archive-digests", format!("{name} stands in it twice")));
            }
        }
        Ok(sums)
    }

    /// One entry; what is wrong with it, and whether nothing more can be read.
    fn entry(
        &mut self,
        index: usize,
        sums: &mut HashMap<String, String>,
        seen: &mut HashSet<String>,
    ) -> Result<(), (Diagnostic, bool)> {
        let (label, folder) = (self.label.clone(), self.folder.path());
        let wrong = |name: &str, code: &'static str, message: String| {
            let file: Arc<str> = format!("{label}/{name}").into();
            (Diagnostic::error(code, message).in_file(&file), code == LARGE)
        };
        let number = format!("entry {}", index + 1);
        let mut entry = self
            .zip
            .by_index(index)
            .map_err(|error| wrong(&number, "archive-unreadable", error.to_string()))?;
        let name = entry.name().map_err(|error| wrong(&number, NAME, error.to_string()))?.into_owned();
        if let Some(message) = refused(&name, entry.is_file() && !entry.is_symlink(), seen) {
            return Err(wrong(&name, NAME, message.to_owned()));
        }
        if name == SUMS {
            return Ok(());
        }
        let added = || wrong(&name, "archive-added", format!("is in the archive and not in {SUMS}"));
        let wanted = sums.remove(&name).ok_or_else(added)?;
        let foreign = || wrong(&name, "archive-added", "is nothing that an archive holds".to_owned());
        let (limit, is_input) = limit(&name).ok_or_else(foreign)?;
        let unread = |error: io::Error| wrong(&name, CHANGED, format!("cannot be read: {error}"));
        let path = is_input.then(|| folder.join(path_of(&name)));
        let mut sink = Sink::new(path, name == MANIFEST || name == MARK).map_err(unread)?;
        let limit = limit.min(self.left);
        let count = io::copy(&mut (&mut entry).take(limit + 1), &mut sink).map_err(unread)?;
        if count > limit {
            let message = "unfolds to more than an archive of this size may".to_owned();
            return Err(wrong(&name, LARGE, message));
        }
        self.left -= count;
        let (found, bytes) = sink.finish();
        if found != wanted {
            let message = format!("was changed: its SHA-256 is {found}, {SUMS} has {wanted}");
            return Err(wrong(&name, CHANGED, message));
        }
        if name == MARK && bytes != MARK_TEXT.as_bytes() {
            let message = "the archive is of a layout that this loopgauge does not know".to_owned();
            return Err(wrong(&name, "archive-newer", message));
        }
        if name == MANIFEST {
            self.manifest = bytes;
        }
        Ok(())
    }
}

/// Codes of problems; after the first nothing more is unfolded.
const LARGE: &str = "archive-large";
const NAME: &str = "archive-name";
const CHANGED: &str = "archive-changed";

/// Why an entry of that name is not unfolded; `None`: it is.
fn refused(name: &str, is_file: bool, seen: &mut HashSet<String>) -> Option<&'static str> {
    if !is_inside(name) {
        return Some(
            "is no name inside of the archive: `..`, absolute names, folders and control characters are refused",
        );
    }
    // Names that differ by case alone are one file on some systems.
    if !seen.insert(name.to_lowercase()) {
        return Some("comes twice");
    }
    (!is_file).then_some("is a link or no regular file")
}

/// Most bytes of an entry, and whether it is laid into the folder; `None`: an archive holds no such entry.
fn limit(name: &str) -> Option<(u64, bool)> {
    match name {
        MARK | MANIFEST => Some((LIST_LIMIT, false)),
        RESULT | JUNIT | HTML => Some((RESULT_LIMIT, false)),
        _ => {
            let (folder, _) = name.split_once('/')?;
            [RUNS, SPECS, BASELINE].contains(&folder).then_some((SWEEP_LIMIT, true))
        }
    }
}

/// Where an entry goes: its digest, and a file or memory.
struct Sink {
    digest: Sha256,
    file: Option<File>,
    kept: Option<Vec<u8>>,
}

impl Sink {
    fn new(path: Option<PathBuf>, keep: bool) -> io::Result<Self> {
        let file = path.map(|path| {
            path.parent().map_or(Ok(()), fs::create_dir_all)?;
            File::create_new(path)
        });
        Ok(Self { digest: Sha256::new(), file: file.transpose()?, kept: keep.then(Vec::new) })
    }

    fn finish(self) -> (String, Vec<u8>) {
        let text = self.digest.finalize().iter().map(|byte| format!("{byte:02x}")).collect();
        (text, self.kept.unwrap_or_default())
    }
}

impl Write for Sink {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.digest.update(bytes);
        if let Some(file) = &mut self.file {
            file.write_all(bytes)?;
        }
        if let Some(kept) = &mut self.kept {
            kept.extend_from_slice(bytes);
        }
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

/// Entries that the end of a zip file counts (APPNOTE.TXT, 4.3.16: from memory): the reader keeps one of those with one name.
fn entries(file: &mut File, size: u64) -> io::Result<usize> {
    const END: u64 = 22 + 65_535;
    let mut tail = Vec::new();
    file.seek(SeekFrom::Start(size.saturating_sub(END)))?;
    io::Read::by_ref(file).take(END).read_to_end(&mut tail)?;
    file.rewind()?;
    let end = memchr::memmem::rfind(&tail, b"PK\x05\x06").and_then(|at| tail.get(at + 10..at + 12));
    Ok(end.map_or(0, |count| count.iter().rev().fold(0, |sum, byte| sum << 8 | usize::from(*byte))))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_that_lead_out_are_refused() {
        for name in ["runs/1/run.yaml", "specs/a b.yaml", "runs/1/sub/ü.csv"] {
            assert!(is_inside(name), "{name}");
        }
        for name in
            ["", "/etc/passwd", "../a", "runs/../../a", "runs//a", "runs/", "./a", "runs/a\nb", "runs/\u{7}"]
        {
            assert!(!is_inside(name), "{name:?}");
        }
    }
}
