//! The library as anybody uses it: a spec and a run as texts, sweeps by a reader.

use super::plants::Plant;
use loopgauge::check::{CornerOutcome, Options, Verdict, Workspace, judge_run};
use loopgauge::run::{self, SweepEntry};
use loopgauge::spec;
use loopgauge::sweep::{Reading, Samples};
use std::fmt::Write;

/// What a corner is judged with beside its sweeps.
#[derive(Clone, Debug)]
pub struct Setup {
    /// The sweeps are taken around the closed loop.
    pub closed: bool,
    /// Levels of the sweeps, dBm; rising.
    pub levels: Vec<f64>,
    /// A limit of the gain at 120 Hz.
    pub gain_at_120_hz: bool,
}

impl Setup {
    pub fn new(closed: bool, count: usize) -> Self {
        Self { closed, levels: (0..count).map(|k| -40.0 + 3.0 * k as f64).collect(), gain_at_120_hz: true }
    }
}

/// Judges sweeps of the plant, as the analyzer wrote them. The limits leave the sound loop much room.
pub fn judge(plant: &Plant, setup: &Setup, sweeps: &[Samples]) -> CornerOutcome {
    let mut text = format!(
        "spec: 1\nproduct: planted-loop\ncritical_point: {}\nband: {{from: {} Hz, to: {} Hz}}\ndensity: 20\n\
         accuracy: {{gain: 0.1 dB, phase: 0.5 deg}}\nlimits:\n  crossover: {{min: {} Hz, max: {} Hz}}\n  phase_margin: {{min: {} deg}}\n\
         ",
        if setup.closed { "+1" } else { "-1" },
        plant.from_hz,
        plant.to_hz,
        0.6 * plant.crossover_hz,
        1.6 * plant.crossover_hz,
        0.5 * plant.margin_deg,
    );
    if setup.gain_at_120_hz {
        let _ = writeln!(
            text,
            "  gain: [{{at: 120 Hz, min: {} dB}}]",
            20.0 * plant.at(120.0).norm().log10() - 6.0
        );
    }
    text.push_str(
        "linearity: {step: 3 dB, crossover: 2 %, phase_margin: 2 deg, gain: 1 dB, phase: 5 deg, band: [0.1, 10]}\n\
         corners: [{name: only}]\n",
    );
    let files = |_: &str| Ok(text.clone().into_bytes());
    let loaded =
        spec::load("planted-loop.yaml", &files).unwrap_or_else(|e| panic!("{}\n{text}", e[0].one_line()));
    let mut run_text = "run: 1\nproduct: planted-loop\nserial: S-1\nrevision: A\nsweeps:\n".to_owned();
    for (k, level) in setup.levels.iter().enumerate() {
        let _ = writeln!(run_text, "  - {{file: {k}.csv, corner: only, level: {level} dBm}}");
    }
    let run = run::parse(run_text.as_bytes(), "run.yaml", ".")
        .and_then(|raw| raw.resolve(&loaded, &[]))
        .unwrap_or_else(|e| panic!("{}", e[0].one_line()));
    let options = Options::new(time::macros::date!(2026 - 01 - 01));
    let mut read = |entry: &SweepEntry, _: &Reading, samples: &mut Samples| {
        let index: usize = entry.name().trim_end_matches(".csv").parse().unwrap_or(0);
        samples.clone_from(&sweeps[index]);
        Ok(())
    };
    let outcome = judge_run(&run, None, &options, &mut Workspace::default(), &mut read);
    let corners = outcome.ok().flatten().map(|run| run.corners);
    corners.and_then(|corners| corners.into_iter().next()).expect("the run has one corner and no bad sweep")
}

/// Checks that came out invalid: name, message, remedy.
pub fn invalid(corner: &CornerOutcome) -> impl Iterator<Item = (&str, &str, &str)> {
    let bad = corner.checks.iter().filter(|c| c.verdict == Verdict::Invalid);
    bad.map(|c| (c.check.as_str(), c.message.as_str(), c.remedy.as_deref().unwrap_or("")))
}
