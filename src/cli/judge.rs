//! Reads and judges one run.

use super::discover::RunPlace;
use super::files::{SWEEP_LIMIT, YAML_LIMIT, label, read_inside, read_regular};
use super::missing::gather;
use super::specs::Specs;
use crate::baseline::Accepted;
use crate::check::{Options, RunOutcome, Workspace, judge_run};
use crate::diagnostic::Diagnostic;
use crate::provenance::{FileDigest, Provenance};
use crate::run::{self, Run, SweepEntry};
use crate::sweep::{self, Reading, Samples, Scratch};
use std::fs;
use std::path::Path;
use std::sync::Arc;

/// Memory of one thread, used from run to run.
#[derive(Default)]
pub struct Bench {
    bytes: Vec<u8>,
    sweeps: SweepReader,
    workspace: Workspace,
}

/// A buffer larger than this, bytes, is given back after the file that needed it.
const KEEP: usize = 4 << 20;

/// Why a run was not judged.
pub enum Trouble {
    /// Its files could not be read; all their problems.
    Run(Vec<Diagnostic>),
    /// The spec of its product cannot be used; the problems of the spec, and what to say of the run.
    Spec { spec_file: String, problems: Vec<Diagnostic>, of_run: Box<Diagnostic> },
}

/// Where the bytes of sweeps go, used from file to file.
#[derive(Default)]
pub struct SweepReader {
    bytes: Vec<u8>,
    scratch: Scratch,
    /// Digests of the files read so far; `None` when nobody wants them.
    digests: Option<Vec<FileDigest>>,
}

impl SweepReader {
    /// Reads a sweep file.
    ///
    /// # Errors
    /// What is wrong with it.
    pub fn read(
        &mut self,
        path: &Path,
        label: &Arc<str>,
        reading: &Reading,
        samples: &mut Samples,
    ) -> Result<(), Vec<Diagnostic>> {
        read_regular(path, label, SWEEP_LIMIT, &mut self.bytes).map_err(|problem| vec![problem])?;
        self.parse(label, reading, samples)
    }

    /// Reads a sweep of a run.
    ///
    /// # Errors
    /// What is wrong with it.
    pub fn read_of_run(
        &mut self,
        place: &RunPlace,
        name: &str,
        reading: &Reading,
        samples: &mut Samples,
    ) -> Result<(), Vec<Diagnostic>> {
        let label: Arc<str> = format!("{}/{name}", place.label).into();
        read_inside(place.folder(), name, &label, SWEEP_LIMIT, &mut self.bytes)
            .map_err(|problem| vec![problem])?;
        if let Some(digests) = &mut self.digests
            && digests.iter().all(|known| known.file != name)
        {
            digests.push(FileDigest::of(name, &self.bytes));
        }
        self.parse(&label, reading, samples)
    }

    fn parse(
        &mut self,
        label: &Arc<str>,
        reading: &Reading,
        samples: &mut Samples,
    ) -> Result<(), Vec<Diagnostic>> {
        let result = sweep::read(&self.bytes, label, reading, &mut self.scratch, samples)
            .map_err(|errors| sweep::veiled(&self.bytes, label, errors));
        if self.bytes.capacity() > KEEP {
            self.bytes.clear();
            self.bytes.shrink_to(KEEP);
        }
        result
    }
}

/// Reads a run and its spec.
///
/// # Errors
/// What is wrong with them.
pub fn load(
    place: &RunPlace,
    specs: &Specs,
    bytes: &mut Vec<u8>,
) -> Result<(Run, Arc<super::specs::Loaded>), Trouble> {
    let file: Arc<str> = label(&place.file).into();
    read_regular(&place.file, &file, YAML_LIMIT, bytes).map_err(|problem| Trouble::Run(vec![problem]))?;
    let raw = run::parse(bytes, &file, &place.label).map_err(Trouble::Run)?;
    let loaded = specs.of(raw.product());
    let spec = match loaded.as_ref() {
        Ok(spec) => spec,
        Err(problems) => {
            let spec_file = specs.file(raw.product());
            let of_run =
                Diagnostic::error("run-spec", format!("is not judged: its spec {spec_file} cannot be used"))
                    .in_file(&file)
                    .with_help("mend the spec first");
            return Err(Trouble::Spec { spec_file, problems: problems.clone(), of_run: Box::new(of_run) });
        }
    };
    if spec.spec.product != raw.product() {
        let message =
            format!("is of the product `{}`, the spec given is of `{}`", raw.product(), spec.spec.product);
        return Err(Trouble::Run(vec![
            Diagnostic::error("run-product", message)
                .in_file(&file)
                .with_help("name the folder of all specs with --specs"),
        ]));
    }
    let names =
        if raw.needs_listing() { list(place.folder(), &file).map_err(Trouble::Run)? } else { Vec::new() };
    let run = raw.resolve(spec, &names).map_err(Trouble::Run)?;
    Ok((run, loaded))
}

/// Names of the files in a run's folder, sorted.
fn list(folder: &Path, file: &Arc<str>) -> Result<Vec<String>, Vec<Diagnostic>> {
    let failed = |error: std::io::Error| {
        vec![
            Diagnostic::error("folder-unreadable", format!("its folder cannot be listed: {error}"))
                .in_file(file),
        ]
    };
    let mut names = Vec::new();
    for entry in fs::read_dir(folder).map_err(failed)? {
        let entry = entry.map_err(failed)?;
        if !entry.file_type().is_ok_and(|kind| kind.is_dir()) {
            names.push(entry.file_name().to_string_lossy().into_owned());
        }
    }
    names.sort();
    Ok(names)
}

/// Reads and judges a run, against the baseline where there is one. `None` when `only` meets none of its checks. With `trace` the outcome tells what it rests on.
///
/// # Errors
/// Why it was not judged.
pub fn judge(
    place: &RunPlace,
    specs: &Specs,
    baselines: Option<&super::baselines::Baselines>,
    options: &Options<'_>,
    trace: bool,
    bench: &mut Bench,
) -> Result<Option<RunOutcome>, Trouble> {
    let (run, loaded) = load(place, specs, &mut bench.bytes)?;
    bench.sweeps.digests = trace.then(|| {
        let name = place.file.file_name().unwrap_or_default().to_string_lossy();
        vec![FileDigest::of(&name, &bench.bytes)]
    });
    let Ok(spec) = loaded.as_ref() else { return Ok(None) };
    let baseline = baselines.map(|baselines| baselines.of(&run.product));
    let accepted: Option<&Accepted> = baseline.as_ref().map(|loaded| &loaded.accepted);
    let Bench { sweeps, workspace, .. } = bench;
    let mut read = |entry: &SweepEntry, reading: &Reading, samples: &mut Samples| {
        sweeps.read_of_run(place, &entry.file, reading, samples)
    };
    let mut outcome = judge_run(&run, &spec.spec, accepted, options, workspace, &mut read)
        .map_err(|problems| Trouble::Run(gather(problems, &run, place)))?;
    if let (Some(outcome), Some(files)) = (&mut outcome, sweeps.digests.take()) {
        outcome.provenance = Some(Provenance { spec: spec.resolved.clone(), files });
    }
    Ok(outcome)
}
