//! Reads and judges one run.

use super::baselines::Baselines;
use super::discover::RunPlace;
use super::files::{SWEEP_LIMIT, YAML_LIMIT, label, name_text, read_inside, read_regular};
use super::missing::gather;
use super::specs::{Loaded, NO_SPEC, Specs};
use crate::baseline::Accepted;
use crate::check::{Options, RunOutcome, UnreadableRun, Workspace, judge_run};
use crate::diagnostic::Diagnostic;
use crate::provenance::{FileDigest, Provenance};
use crate::run::{self, RawRun, Run, SORT, SweepEntry};
use crate::spec::{LoadedSpec, Spec};
use crate::sweep::{self, Reading, Samples, Scratch};
use std::fs;
use std::path::Path;
use std::sync::Arc;

/// Memory of one thread, used from run to run.
#[derive(Default)]
pub struct Bench {
    run_file: Vec<u8>,
    sweeps: SweepReader,
    workspace: Workspace,
}

#[cfg(feature = "harness")]
impl Bench {
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
        self.sweeps.read_of_run(place, name, reading, samples)
    }
}

/// A buffer larger than this, bytes, is given back after the file that needed it.
const KEEP: usize = 4 << 20;

/// Why a run was not judged.
pub struct Trouble {
    /// The spec of its product, where that cannot be used, and what is wrong with it: the same for all runs of the product.
    pub spec: Option<(String, Vec<Diagnostic>)>,
    /// What is wrong with the run itself.
    pub problems: Vec<Diagnostic>,
    /// What is known of the run all the same; `None` when not even whose it is.
    pub known: Option<Box<UnreadableRun>>,
    /// Its product, where its run file tells that.
    #[cfg_attr(not(feature = "cli"), expect(dead_code, reason = "archives alone ask for it"))]
    pub product: Option<String>,
    /// What was read of it, when that is asked for: first its run file, then sweeps. A run file that does not begin as one does is left out.
    #[cfg_attr(not(feature = "cli"), expect(dead_code, reason = "archives alone ask for it"))]
    pub files: Vec<FileDigest>,
}

impl Trouble {
    /// Problems of a run of which nothing is known.
    pub const fn unknown(problems: Vec<Diagnostic>) -> Self {
        Self { spec: None, problems, known: None, product: None, files: Vec::new() }
    }

    /// Problems of a run whose run file tells whose it is.
    fn of_run(raw: &RawRun, spec: Option<&Spec>, problems: Vec<Diagnostic>) -> Self {
        let known = UnreadableRun::of_run_file(raw, spec, problems.clone()).map(Box::new);
        Self { known, product: Some(raw.product().to_owned()), ..Self::unknown(problems) }
    }

    /// Every problem, those of the spec first.
    #[cfg(feature = "cli")]
    pub fn each(&self) -> impl Iterator<Item = &Diagnostic> {
        self.spec.iter().flat_map(|(_, problems)| problems).chain(&self.problems)
    }

    /// Everything that is wrong, with the spec and with the run.
    pub fn all(self) -> Vec<Diagnostic> {
        let mut all = self.spec.map(|(_, problems)| problems).unwrap_or_default();
        all.extend(self.problems);
        all
    }
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
    #[cfg(feature = "cli")]
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
        self.parse(&label, reading, samples).map_err(|mut problems| {
            if let Some(problem) = problems.iter_mut().find(|problem| sweep::shows_no_reading(problem)) {
                let help = problem.help.take().unwrap_or_default();
                problem.help = Some(format!(
                    "{help}; `loopgauge inspect --critical-point=-1 {label}` (or +1) proposes a `reading` where one makes sense of all rows"
                ));
            }
            problems
        })
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
pub fn load(place: &RunPlace, specs: &Specs, bytes: &mut Vec<u8>) -> Result<(Run, Arc<Loaded>), Trouble> {
    let file: Arc<str> = label(&place.file).into();
    let raw = read_regular(&place.file, &file, YAML_LIMIT, bytes)
        .map_err(|problem| {
            bytes.clear();
            vec![problem]
        })
        .and_then(|()| run::parse(bytes, &file, &place.label))
        .map_err(|problems| Trouble::unknown(sweep_given(&place.file, &file, bytes).unwrap_or(problems)))?;
    let loaded = specs.of(raw.product());
    let spec = match loaded.as_ref() {
        Ok(spec) => spec,
        Err(problems) => return Err(without_spec(&raw, specs, problems)),
    };
    if spec.spec.product != raw.product() {
        let message =
            format!("is of the product `{}`, the spec given is of `{}`", raw.product(), spec.spec.product);
        let problem =
            Diagnostic::error("run-product", message).with_help("name the folder of all specs with --specs");
        return Err(Trouble::of_run(&raw, None, vec![raw.at("product", problem)]));
    }
    let run = resolve(&raw, spec, place.folder(), &file)
        .map_err(|problems| Trouble::of_run(&raw, Some(&spec.spec), problems))?;
    Ok((run, loaded))
}

fn resolve(raw: &RawRun, spec: &LoadedSpec, folder: &Path, file: &Arc<str>) -> Result<Run, Vec<Diagnostic>> {
    let names = if raw.needs_listing() { list(folder, file)? } else { Vec::new() };
    raw.resolve(spec, &names)
}

/// What is said of a run whose product has no spec, or one that cannot be used.
fn without_spec(raw: &RawRun, specs: &Specs, problems: &[Diagnostic]) -> Trouble {
    if let [missing] = problems
        && missing.code == NO_SPEC
    {
        return Trouble::of_run(raw, None, vec![raw.at("product", missing.clone())]);
    }
    let file = specs.file(raw.product());
    let of_run = Diagnostic::error("run-spec", format!("is not judged: its spec {file} cannot be used"))
        .with_help("mend the spec first");
    let of_run = raw.at("product", of_run);
    let all = problems.iter().cloned().chain([of_run.clone()]).collect();
    Trouble {
        spec: Some((file, problems.to_vec())),
        problems: vec![of_run],
        ..Trouble::of_run(raw, None, all)
    }
}

/// What is said of a file that by its name and its text is rather a sweep than a run file.
fn sweep_given(path: &Path, file: &Arc<str>, bytes: &[u8]) -> Option<Vec<Diagnostic>> {
    let is_yaml = path
        .extension()
        .is_some_and(|end| end.eq_ignore_ascii_case("yaml") || end.eq_ignore_ascii_case("yml"));
    let is_run = |line: &[u8]| line.starts_with(b"run:") || line.starts_with(b"product:");
    // Nothing was read of a file that is too large, and of one that cannot be read.
    let is_large = fs::metadata(path).is_ok_and(|found| found.is_file() && found.len() > YAML_LIMIT);
    if is_yaml || bytes.is_empty() && !is_large || bytes.split(|&b| b == b'\n').any(is_run) {
        return None;
    }
    let help = format!(
        "to see what one sweep shows, `loopgauge inspect --critical-point=-1 {file}` (or +1); to judge it, name the run.yaml \
         that lists it"
    );
    let message = "is no run file; if it is a sweep, it is judged as a part of a run";
    Some(vec![Diagnostic::error("no-run-file", message).in_file(file).with_help(help)])
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
            names.push(name_text(&entry.file_name()));
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
    baselines: Option<&Baselines>,
    options: &Options<'_>,
    trace: bool,
    bench: &mut Bench,
) -> Result<Option<RunOutcome>, Trouble> {
    let mut run_file = std::mem::take(&mut bench.run_file);
    let loaded = load(place, specs, &mut run_file);
    let digest = || {
        let name = name_text(place.file.file_name().unwrap_or_default());
        vec![FileDigest::of(&name, &run_file)]
    };
    let (run, loaded) = loaded.map_err(|trouble| {
        let known = trouble.known.map(|known| Box::new(known.selected(options)));
        // A link to something else could stand there.
        let is_kept = trace && !run_file.is_empty() && SORT.is_of(&run_file);
        Trouble { known, files: if is_kept { digest() } else { Vec::new() }, ..trouble }
    })?;
    bench.sweeps.digests = trace.then(digest);
    let Ok(spec) = loaded.as_ref() else { return Ok(None) };
    let judged = judge_loaded(place, (&run, &run_file), baselines, options, bench);
    let mut outcome = judged.map_err(|trouble| {
        let files = bench.sweeps.digests.take().unwrap_or_default();
        Trouble { files, ..trouble }
    })?;
    if let (Some(outcome), Some(files)) = (&mut outcome, bench.sweeps.digests.take()) {
        outcome.provenance = Some(Provenance { spec: spec.resolved.clone(), files });
    }
    bench.run_file = run_file;
    Ok(outcome)
}

/// Reads the sweeps of a run and judges it; the run comes with the text of its file.
///
/// # Errors
/// Why it was not judged.
pub fn judge_loaded(
    place: &RunPlace,
    (run, run_file): (&Run, &[u8]),
    baselines: Option<&Baselines>,
    options: &Options<'_>,
    bench: &mut Bench,
) -> Result<Option<RunOutcome>, Trouble> {
    let baseline = baselines.map(|baselines| baselines.of(run.product()));
    let accepted: Option<&Accepted> = baseline.as_ref().map(|loaded| &loaded.accepted);
    let Bench { sweeps, workspace, .. } = bench;
    let mut read = |entry: &SweepEntry, reading: &Reading, samples: &mut Samples| {
        sweeps.read_of_run(place, &entry.name(), reading, samples)
    };
    judge_run(run, accepted, options, workspace, &mut read).map_err(|known| {
        let problems = gather(known.all_problems().cloned().collect(), run, place, run_file);
        Trouble { known: Some(known), product: Some(run.product().to_owned()), ..Trouble::unknown(problems) }
    })
}
