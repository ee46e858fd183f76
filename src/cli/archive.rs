//! `check --archive`: everything that a result rests on, in one file that is checked again from itself alone (`archived`).
//!
//! | in it | what |
//! | --- | --- |
//! | `loopgauge-archive` | mark and version of the layout |
//! | `runs/N/` | run file and sweeps of each run, as far as they could be read, in the order of the result, under their own names |
//! | `specs/`, `baseline/` | the specs with all that they extend, and the accepted units |
//! | `result.json`, `junit.xml`, `report.html` | the result |
//! | `manifest.json` | the day judged at, `--only`, `--so-far`, the names that the result has for runs and specs, what could not be read |
//! | `SHA256SUMS` | a digest of every file above |
//!
//! The same runs, judged on the same day, give the same bytes: entries have no time, and an order. Files are copied as streams and held
//! against the digests of what was judged: one that changed in between makes no archive.

use super::check_args::CheckArgs;
use super::manifest::{Manifest, RunNames, Told};
use super::output_paths::{cannot_write, create};
use super::pieces::Pieces;
use crate::check::RunOutcome;
use crate::diagnostic::Diagnostic;
use crate::disk::baselines::Baselines;
use crate::disk::discover::{RUN_FILE, RunPlace};
use crate::disk::files::{Fence, YAML_LIMIT, label, name_text, path_of, read_regular};
use crate::disk::judge::Trouble;
use crate::disk::specs::Specs;
use crate::output::{Kind, OutputFile};
use crate::provenance::FileDigest;
use crate::report::html::{HtmlPlan, HtmlWriter};
use crate::report::junit::JunitWriter;
use crate::report::{JsonWriter, ShardNote, TOOL, Tally};
use crate::spec::SORT;
use sha2::{Digest, Sha256};
use std::collections::{BTreeSet, HashSet};
use std::fs::File;
use std::io::{self, BufReader, Read, Seek, Write};
use std::path::{Component, Path, PathBuf};
use std::sync::Arc;
use tempfile::SpooledTempFile;
use zip::ZipWriter;
use zip::write::{SimpleFileOptions, StreamWriter};

/// The first entry, by which an archive is known.
pub const MARK: &str = "loopgauge-archive";
/// What it holds.
pub const MARK_TEXT: &str = "1\n";
/// Names of the other entries that are no input.
pub const MANIFEST: &str = "manifest.json";
pub const SUMS: &str = "SHA256SUMS";
pub const RESULT: &str = "result.json";
pub const JUNIT: &str = "junit.xml";
pub const HTML: &str = "report.html";
/// Folders of what is read.
pub const RUNS: &str = "runs";
pub const SPECS: &str = "specs";
pub const BASELINE: &str = "baseline";

/// What is held in memory of a result before its spool becomes a file.
const SPOOL: usize = 1 << 20;

/// An archive on its way.
pub struct Archive {
    zip: ZipWriter<StreamWriter<OutputFile>>,
    json: JsonWriter<SpooledTempFile>,
    junit: Box<JunitWriter<SpooledTempFile>>,
    html: HtmlWriter<SpooledTempFile>,
    manifest: Manifest,
    sums: String,
    products: HashSet<String>,
    files: BTreeSet<String>,
}

/// What runs are judged with, as far as it goes into the archive.
#[derive(Clone, Copy)]
pub struct Judging<'a> {
    pub specs: &'a Specs,
    pub baseline: Option<(&'a Baselines, &'a Path)>,
}

fn failed(error: impl std::fmt::Display) -> io::Error {
    io::Error::other(error.to_string())
}

impl Archive {
    /// Begins an archive.
    ///
    /// # Errors
    /// Why it cannot be.
    pub fn open(path: &Path, plan: Arc<HtmlPlan>, day: String, args: &CheckArgs) -> Result<Self, String> {
        let zip = ZipWriter::new_stream(create(path, Kind::Archive)?);
        let spool = || SpooledTempFile::new(SPOOL);
        let begin = || -> io::Result<Self> {
            let manifest = Manifest {
                format: 1,
                tool: TOOL.to_owned(),
                day,
                only: args.only.clone(),
                so_far: args.so_far,
                specs: SPECS.to_owned(),
                ..Manifest::default()
            };
            let mut archive = Self {
                zip,
                json: JsonWriter::new(spool())?,
                junit: Box::new(JunitWriter::new(spool())),
                html: HtmlWriter::new(spool(), plan),
                manifest,
                sums: String::new(),
                products: HashSet::new(),
                files: BTreeSet::new(),
            };
            archive.put(MARK, &mut MARK_TEXT.as_bytes())?;
            Ok(archive)
        };
        begin().map_err(|error| cannot_write(path, error))
    }

    /// Adds a judged run with all that it was judged by.
    ///
    /// # Errors
    /// When a file cannot be read or is not the one that was judged, and when the archive cannot be written.
    pub fn add(
        &mut self,
        place: &RunPlace,
        run: &RunOutcome,
        pieces: &Pieces,
        judging: Judging<'_>,
    ) -> io::Result<()> {
        pieces.append_to_archive(&mut self.json, &mut self.junit, &mut self.html)?;
        let provenance = run.provenance.as_ref().ok_or_else(|| failed("its run does not tell its files"))?;
        let file = self.add_files(place, &provenance.files)?;
        self.manifest.runs.push(RunNames {
            file,
            run: run.run.clone(),
            run_file: run.run_file.clone(),
            spec_file: run.spec_file.clone(),
            unread: Vec::new(),
        });
        self.add_product(&run.product, judging)
    }

    /// Adds a run without a verdict: what was read of it, and why it has none. Its problems are added by themselves.
    ///
    /// # Errors
    /// As of [`Archive::add`].
    pub fn add_unread(
        &mut self,
        place: &RunPlace,
        trouble: &Trouble,
        suite: &io::Result<Vec<u8>>,
        judging: Judging<'_>,
    ) -> io::Result<()> {
        self.junit.append(suite.as_ref().map_err(failed)?)?;
        let file = self.add_files(place, &trouble.files)?;
        let spec_file = trouble.product.as_ref().map(|product| judging.specs.file(product));
        self.manifest.runs.push(RunNames {
            file,
            run: place.label.clone(),
            run_file: label(&place.file),
            spec_file: spec_file.unwrap_or_default(),
            unread: trouble.each().map(Told::of).collect(),
        });
        trouble.product.as_ref().map_or(Ok(()), |product| self.add_product(product, judging))
    }

    /// Adds problems to the results.
    ///
    /// # Errors
    /// When a spool cannot be written.
    pub fn add_problems(&mut self, run: Option<&str>, problems: &[Diagnostic]) -> io::Result<()> {
        self.html.append_problems(run, problems);
        problems.iter().try_for_each(|problem| self.json.append_error(problem))
    }

    /// Keeps that there was nothing to judge at some place, with its suite.
    ///
    /// # Errors
    /// When a spool cannot be written.
    pub fn add_nothing(&mut self, problem: &Diagnostic, suite: &io::Result<Vec<u8>>) -> io::Result<()> {
        self.manifest.problems.push(Told::of(problem));
        self.junit.append(suite.as_ref().map_err(failed)?)
    }

    /// Copies the files of the next run, the first of which is its run file; gives that one's name in the archive.
    fn add_files(&mut self, place: &RunPlace, files: &[FileDigest]) -> io::Result<String> {
        let folder = format!("{RUNS}/{}", self.manifest.runs.len() + 1);
        let mut run_file = None;
        for digest in files {
            let source = match run_file {
                None => place.file.clone(),
                Some(_) => place.folder().join(path_of(&digest.file)),
            };
            let name = format!("{folder}/{}", digest.file);
            let found = self.put_file(&name, &source)?;
            if found != digest.sha256 {
                return Err(failed(format_args!("{} was changed while it was judged", label(&source))));
            }
            run_file.get_or_insert(name);
        }
        Ok(run_file.unwrap_or_else(|| format!("{folder}/{RUN_FILE}")))
    }

    fn add_product(&mut self, product: &str, judging: Judging<'_>) -> io::Result<()> {
        if !self.products.insert(product.to_owned()) {
            return Ok(());
        }
        self.add_spec(product, judging.specs)?;
        if let Some((baselines, folder)) = judging.baseline {
            self.manifest.baseline = true;
            self.add_baseline(product, baselines, folder)?;
        }
        Ok(())
    }

    fn add_spec(&mut self, product: &str, specs: &Specs) -> io::Result<()> {
        let loaded = specs.of(product);
        let root = specs.folder();
        self.manifest.specs_folder = label(&root);
        let inside = |file: &str| {
            let within = lexical(&path_of(file)).strip_prefix(lexical(&root)).ok().map(label);
            within.map(|name| format!("{SPECS}/{name}")).ok_or_else(|| {
                failed(format_args!("{file} does not lie in the folder of specs, {}", label(&root)))
            })
        };
        let file = specs.file(product);
        let own = inside(&file)?;
        if !specs.is_folder() {
            self.manifest.specs.clone_from(&own);
        }
        let Ok(loaded) = loaded.as_ref() else {
            // As it was found, where it is a spec and no link to something else.
            let is_kept = is_spec(&path_of(&file)) && Fence::around(&root).holds(&path_of(&file));
            if is_kept && self.files.insert(own.clone()) {
                self.put_file(&own, &path_of(&file))?;
            }
            return Ok(());
        };
        let netlists = loaded.netlists.iter().map(|netlist| &netlist.file);
        for file in std::iter::once(&loaded.spec.file).chain(&loaded.extends).chain(netlists) {
            let name = inside(file)?;
            if self.files.insert(name.clone()) {
                self.put_file(&name, &path_of(file))?;
            }
        }
        Ok(())
    }

    fn add_baseline(&mut self, product: &str, baselines: &Baselines, root: &Path) -> io::Result<()> {
        // Those that are read are all there are.
        let _ = baselines.of(product);
        for file in crate::disk::baselines::files(&root.join(product))? {
            let name = name_text(file.file_name().unwrap_or_default());
            self.put_file(&format!("{BASELINE}/{product}/{name}"), &file)?;
        }
        Ok(())
    }

    fn put_file(&mut self, name: &str, source: &Path) -> io::Result<String> {
        let file = File::open(source).map_err(|error| failed(format_args!("{}: {error}", label(source))))?;
        self.put(name, &mut BufReader::new(file))
    }

    /// Copies into an entry; gives the digest.
    fn put(&mut self, name: &str, from: &mut dyn Read) -> io::Result<String> {
        // Neither the time of day nor that of the file, and a compression that does not hang on the size.
        let options = SimpleFileOptions::default()
            .last_modified_time(zip::DateTime::default())
            .unix_permissions(0o644)
            .large_file(true);
        self.zip.start_file(name, options).map_err(failed)?;
        let mut digest = Sha256::new();
        let mut piece = vec![0; 1 << 16];
        loop {
            let count = from.read(&mut piece)?;
            let Some(read) = piece.get(..count).filter(|read| !read.is_empty()) else { break };
            digest.update(read);
            self.zip.write_all(read)?;
        }
        let text: String = digest.finalize().iter().map(|byte| format!("{byte:02x}")).collect();
        self.sums.push_str(&format!("{text}  {name}\n"));
        Ok(text)
    }

    /// Writes the results and the end. `tally` is of all runs, `shard` which part of them this is, where it is not all.
    ///
    /// # Errors
    /// When a spool cannot be read or the archive cannot be written.
    pub fn finish(mut self, tally: &Tally, shard: Option<&ShardNote>) -> io::Result<OutputFile> {
        let spool = || SpooledTempFile::new(SPOOL);
        let json = std::mem::replace(&mut self.json, JsonWriter::new(spool())?);
        let junit = std::mem::replace(&mut self.junit, Box::new(JunitWriter::new(spool())));
        let html = std::mem::replace(&mut self.html, HtmlWriter::new(spool(), Arc::new(HtmlPlan::new())));
        self.put_spool(RESULT, json.finish(tally, shard)?)?;
        self.put_spool(JUNIT, junit.finish()?.0)?;
        self.put_spool(HTML, html.finish(tally)?.0)?;
        let mut manifest = serde_json::to_vec_pretty(&self.manifest)?;
        manifest.push(b'\n');
        self.put(MANIFEST, &mut manifest.as_slice())?;
        let sums = self.sums.clone();
        self.put(SUMS, &mut sums.as_bytes())?;
        Ok(self.zip.finish().map_err(failed)?.into_inner())
    }

    fn put_spool(&mut self, name: &str, mut spool: SpooledTempFile) -> io::Result<()> {
        spool.rewind()?;
        self.put(name, &mut spool).map(drop)
    }
}

/// Whether a file begins as a spec does.
fn is_spec(path: &Path) -> bool {
    let mut bytes = Vec::new();
    read_regular(path, &label(path).into(), YAML_LIMIT, &mut bytes).is_ok() && SORT.is_of(&bytes)
}

/// A path without `.` and, as far as it goes, without `..`.
fn lexical(path: &Path) -> PathBuf {
    let mut plain = PathBuf::new();
    for part in path.components() {
        match part {
            Component::CurDir => {}
            Component::ParentDir if matches!(plain.components().next_back(), Some(Component::Normal(_))) => {
                plain.pop();
            }
            part => plain.push(part),
        }
    }
    plain
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn paths_are_followed_as_they_are_written() {
        for (path, plain) in [
            ("specs/../common/a.yaml", "common/a.yaml"),
            ("./a", "a"),
            ("../a/./b", "../a/b"),
            ("/..", "/.."),
        ] {
            assert_eq!(lexical(Path::new(path)), Path::new(plain));
        }
    }
}
