//! A whole run: every corner of its spec, in the spec's order.

use super::circuit::{self, CircuitOutcome};
use super::context::Context;
use super::corner::{judge, not_judged};
use super::options::{NOT_THERE, Options, select};
use super::outcome::{CornerOutcome, RunOutcome};
use super::unreadable::{UnreadCorner, UnreadableRun};
use super::{SweepInput, Workspace};
use crate::baseline::Accepted;
use crate::decision::Verdict;
use crate::diagnostic::Diagnostic;
use crate::pieces::{Disagreement, read_entry};
use crate::run::{Run, SweepEntry};
use crate::sweep::{Reading, Samples};
use std::collections::{BTreeMap, HashMap, HashSet};

/// Fills samples from the sweep file of an entry: the only way in which judging reaches outside. They come empty, and are filled by
/// [`crate::sweep::read`] or replaced by what a constructor of [`Samples`] gives.
pub type ReadSweep<'a> = dyn FnMut(&SweepEntry, &Reading, &mut Samples) -> Result<(), Vec<Diagnostic>> + 'a;

/// Judges a run against the spec that it was resolved against. `None` when `only` meets none of its checks. `baseline` holds the
/// accepted units of its product; without one the comparisons with it are not judged.
///
/// ```
/// use loopgauge::check::{Options, Verdict, Workspace, judge_run};
/// use loopgauge::sweep::{Complex64, Reading, Samples};
/// use loopgauge::{run, run::SweepEntry, spec};
///
/// let text = "spec: 1
/// product: river-gauge-5v
/// critical_point: -1
/// density: 20
/// limits: {phase_margin: {min: 50 deg}}
/// linearity: {waived: a calculated loop}
/// corners: [{name: 24V-3A}]
/// ";
/// let spec = spec::load("river-gauge-5v.yaml", &|_: &str| Ok(text.as_bytes().to_vec()))?;
/// let text = "run: 1
/// product: river-gauge-5v
/// serial: RG-00042
/// revision: C
/// sweeps: [{file: calculated, corner: 24V-3A}]
/// ";
/// let run = run::parse(text.as_bytes(), "run.yaml", ".")?.resolve(&spec, &[])?;
///
/// // An integrator that crosses 0 dB at 10 kHz, and a pole at 60 kHz.
/// let hz: Vec<f64> = (0..=120).map(|k| 100.0 * 10f64.powf(f64::from(k) / 40.0)).collect();
/// let gain: Vec<_> = hz.iter().map(|f| Complex64::new(0.0, -1e4 / f) / Complex64::new(1.0, f / 60e3)).collect();
/// let calculated = Samples::from_complex(&hz, &gain).unwrap();
/// let mut read = |_: &SweepEntry, _: &Reading, samples: &mut Samples| {
///     samples.clone_from(&calculated);
///     Ok(())
/// };
/// let today = time::Date::from_calendar_date(2026, time::Month::April, 2).unwrap();
/// let options = Options::new(today);
/// let outcome = judge_run(&run, None, &options, &mut Workspace::default(), &mut read)
///     .map_err(|unreadable| unreadable.all_problems().cloned().collect::<Vec<_>>())?
///     .unwrap();
/// // The phase margin is 80 deg; linearity was waived.
/// assert_eq!(outcome.verdict, Verdict::Waived);
/// # Ok::<(), Vec<loopgauge::diagnostic::Diagnostic>>(())
/// ```
///
/// Another spec cannot be handed over: its corners would be paired with the sweeps of this run's.
///
/// ```compile_fail,E0061
/// # use loopgauge::check::{Options, ReadSweep, Workspace, judge_run};
/// # use loopgauge::{run::Run, spec::LoadedSpec};
/// fn wrong(run: &Run, other: &LoadedSpec, options: &Options<'_>, read: &mut ReadSweep<'_>) {
///     let _ = judge_run(run, &other.spec, None, options, &mut Workspace::default(), read);
/// }
/// ```
///
/// # Errors
/// What is wrong with its sweep files, all of them: a run with an unreadable sweep has no verdict. The corners that could be
/// read stand beside, judged.
pub fn judge_run(
    run: &Run,
    baseline: Option<&Accepted>,
    options: &Options<'_>,
    workspace: &mut Workspace,
    read: &mut ReadSweep<'_>,
) -> Result<Option<RunOutcome>, Box<UnreadableRun>> {
    let mut judging = Judging {
        run,
        baseline,
        options,
        workspace,
        read,
        unread: BTreeMap::new(),
        seen: HashMap::new(),
        shared: HashSet::new(),
    };
    let mut corners = judging.corners();
    let mut findings = Vec::new();
    let circuit = if options.wants_circuit(run.spec()) {
        circuit::judge(run.spec(), &mut corners, options.today, &mut findings)
    } else {
        None
    };
    if !judging.unread.is_empty() {
        let unread = judging.unread.into_values().collect();
        let outcome = with_circuit(outcome(run, corners), circuit, findings);
        return Err(Box::new(UnreadableRun::of_sweeps(outcome, unread, options)));
    }
    let corners: Vec<CornerOutcome> = corners.into_iter().filter_map(|c| select(c, options)).collect();
    Ok((!corners.is_empty()).then(|| with_circuit(outcome(run, corners), circuit, findings)))
}

/// A run on its way through its corners.
struct Judging<'a, 'r> {
    run: &'a Run,
    baseline: Option<&'a Accepted>,
    options: &'a Options<'a>,
    workspace: &'a mut Workspace,
    read: &'a mut ReadSweep<'r>,
    /// Corners of which a sweep cannot be read, by their place.
    unread: BTreeMap<usize, UnreadCorner>,
    /// Where each sweep's numbers were seen: corner, and whether in more than one.
    seen: HashMap<u64, (usize, bool)>,
    /// Those of more than one corner.
    shared: HashSet<u64>,
}

impl Judging<'_, '_> {
    fn corners(&mut self) -> Vec<CornerOutcome> {
        let count = self.run.spec().corners.len();
        let mut corners: Vec<_> = (0..count).map(|index| self.corner(index)).collect();
        let shared = self.seen.iter().filter(|(_, (_, again))| *again).map(|(print, _)| *print);
        self.shared.extend(shared);
        if !self.shared.is_empty() {
            // Rare: numbers of one corner stand in another one. Which is the copy nobody knows: all are judged again.
            for (index, corner) in corners.iter_mut().enumerate() {
                if !self.unread.contains_key(&index) {
                    *corner = self.corner(index);
                }
            }
        }
        corners.into_iter().flatten().collect()
    }

    fn corner(&mut self, index: usize) -> Option<CornerOutcome> {
        let Self { run, options, .. } = *self;
        let corner = run.spec().corners.get(index).filter(|corner| options.meets(corner))?;
        let sweeps = run.corners().get(index)?;
        let mut failed = UnreadCorner::new(&corner.name);
        let mut absent = options.so_far.then(Vec::new);
        let entries: Vec<&SweepEntry> = sweeps.entries.iter().collect();
        let load =
            Load { workspace: self.workspace, read: self.read, failed: &mut failed, absent: &mut absent };
        let (entries, prints) = load.all(&entries, &run.reading);
        for (print, _) in &prints {
            let seen = self.seen.entry(*print).or_insert((index, false));
            seen.1 |= seen.0 != index;
        }
        if !failed.files.is_empty() {
            let outcome = not_judged(corner, &failed.reason());
            self.unread.insert(index, failed);
            return Some(outcome);
        }
        let samples = std::mem::take(&mut self.workspace.samples);
        let inputs: Vec<SweepInput<'_>> = entries
            .into_iter()
            .zip(&samples)
            .zip(prints)
            .map(|((entry, samples), (fingerprint, disagreement))| SweepInput {
                entry,
                samples,
                fingerprint,
                disagreement,
            })
            .collect();
        let context = Context {
            spec: run.spec(),
            corner,
            today: options.today,
            shared: &self.shared,
            serial: &run.serial,
            station: run.station.as_deref(),
            baseline: self.baseline,
            keep: options.keep,
            plots: options.plots,
            absent: absent.as_deref().unwrap_or_default(),
        };
        let outcome = judge(&context, &inputs, self.workspace);
        self.workspace.samples = samples;
        Some(outcome)
    }
}

/// Reading the sweeps of a corner.
struct Load<'a, 'r> {
    workspace: &'a mut Workspace,
    read: &'a mut ReadSweep<'r>,
    failed: &'a mut UnreadCorner,
    /// Files that are not there yet, where that is no failure.
    absent: &'a mut Option<Vec<String>>,
}

impl Load<'_, '_> {
    /// Reads sweeps into the workspace, one after the other; the entries that are there, with the fingerprint of each and where its pieces
    /// disagree.
    fn all<'e>(
        self,
        entries: &[&'e SweepEntry],
        reading: &Reading,
    ) -> (Vec<&'e SweepEntry>, Vec<(u64, Option<Disagreement>)>) {
        let Self { workspace, read, failed, absent } = self;
        if workspace.samples.len() < entries.len() {
            workspace.samples.resize_with(entries.len(), Samples::default);
        }
        let (mut there, mut prints) = (Vec::with_capacity(entries.len()), Vec::with_capacity(entries.len()));
        for entry in entries {
            let Some(samples) = workspace.samples.get_mut(there.len()) else { break };
            let mut one = |piece: &SweepEntry, samples: &mut Samples| {
                read(piece, reading, samples)?;
                if samples.is_empty() {
                    let message = "whoever reads sweeps gave no samples of it";
                    let file = piece.name().into();
                    return Err(vec![Diagnostic::error("sweep-empty", message).in_file(&file)]);
                }
                Ok(())
            };
            match read_entry(entry, samples, &mut one) {
                Ok(disagreement) => {
                    prints.push((samples.fingerprint(), disagreement));
                    there.push(*entry);
                }
                Err(all) => match absent {
                    Some(absent) if all.iter().all(|(_, found)| is_absent(found)) => {
                        absent.extend(all.into_iter().map(|(file, _)| file));
                    }
                    _ => all.into_iter().for_each(|(file, found)| failed.add(&file, found)),
                },
            }
        }
        (there, prints)
    }
}

/// Whether nothing else is wrong with a file than that it is not there.
fn is_absent(problems: &[Diagnostic]) -> bool {
    !problems.is_empty() && problems.iter().all(|problem| problem.code == NOT_THERE)
}

fn with_circuit(
    mut outcome: RunOutcome,
    circuit: Option<Box<CircuitOutcome>>,
    findings: Vec<String>,
) -> RunOutcome {
    outcome.circuit = circuit;
    outcome.findings.extend(findings);
    outcome
}

fn outcome(run: &Run, corners: Vec<CornerOutcome>) -> RunOutcome {
    let spec = run.spec();
    RunOutcome {
        run: run.folder.clone(),
        run_file: run.file.clone(),
        spec_file: spec.file.clone(),
        product: run.product().to_owned(),
        serial: run.serial.clone(),
        revision: run.revision.clone(),
        firmware: run.firmware.clone(),
        build: run.build.clone(),
        taken: run.taken.clone(),
        station: run.station.clone(),
        is_reference: run.is_reference,
        title: spec.title.clone(),
        bench: run.bench.clone(),
        findings: run.bench.expired(run.taken.as_deref()).into_iter().collect(),
        coverage: spec.decision.coverage,
        verdict: Verdict::worst(corners.iter().map(|c| c.verdict)).unwrap_or(Verdict::NotJudged),
        corners,
        circuit: None,
        provenance: None,
    }
}
