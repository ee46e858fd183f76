//! The library as anybody uses it: a spec and a run as texts, sweeps by a reader.

use super::loops::Loop;
use super::noise::Declared;
use loopgauge::baseline::AcceptedValue;
use loopgauge::check::{CornerOutcome, Measured, Options, Verdict, Workspace, judge_run};
use loopgauge::measurand::Measurand;
use loopgauge::run::{self, Run, SweepEntry};
use loopgauge::spec;
use loopgauge::sweep::{Reading, Samples};
use std::fmt::Write;

/// Wanted by every spec here; sweeps have 25 and more.
const PER_DECADE: u32 = 20;

/// Levels are this far apart, dB.
pub const STEP_DB: f64 = 3.0;

/// A limit on one side.
#[derive(Clone, Copy, Debug)]
pub struct OneSided {
    pub quantity: Measurand,
    pub is_max: bool,
    pub at: f64,
}

/// How linearity is treated.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Levels {
    /// One sweep, linearity waived.
    One,
    /// So many sweeps.
    Many(usize),
}

/// A product with one corner, ready to judge sweeps.
pub struct Bench {
    run: Run,
    workspace: Workspace,
}

fn texts(the_loop: &Loop, declared: &Declared, limits: &[OneSided], levels: Levels) -> (String, String) {
    let mut spec = format!(
        "spec: 1\nproduct: simulated-loop\ncritical_point: -1\nband: {{from: {} Hz, to: {} Hz}}\ndensity: {PER_DECADE}\n\
         accuracy: {{gain: {} dB, phase: {} deg, delay: {} s}}\ndecision: {{rule: guarded, coverage: 2}}\n\
         injection_point: {{impedance_ratio: {}}}\nlimits:\n",
        the_loop.from_hz,
        the_loop.to_hz,
        declared.gain_db,
        declared.phase_deg,
        declared.delay_s,
        declared.impedance_ratio,
    );
    for OneSided { quantity, is_max, at } in limits {
        let side = if *is_max { "max" } else { "min" };
        let _ = writeln!(spec, "  {}: {{{side}: {at:e} {}}}", quantity.name(), quantity.unit().symbol());
    }
    if limits.is_empty() {
        spec.push_str("  stability_margin: {min: 0.01}\n");
    }
    spec.push_str(match levels {
        Levels::One => "linearity: {waived: simulated}\n",
        Levels::Many(_) => {
            "linearity: {step: 3 dB, crossover: 2 %, phase_margin: 2 deg, gain: 1 dB, phase: 5 deg, band: [0.1, 10]}\n"
        }
    });
    spec.push_str("corners: [{name: only}]\n");
    let mut run = "run: 1\nproduct: simulated-loop\nserial: S-1\nrevision: A\nsweeps:\n".to_owned();
    let count = match levels {
        Levels::One => 1,
        Levels::Many(count) => count,
    };
    for k in 0..count {
        let _ =
            writeln!(run, "  - {{file: {k}.csv, corner: only, level: {} dBm}}", -40.0 + STEP_DB * k as f64);
    }
    (spec, run)
}

impl Bench {
    pub fn new(the_loop: &Loop, declared: &Declared, limits: &[OneSided], levels: Levels) -> Self {
        let (spec_text, run_text) = texts(the_loop, declared, limits, levels);
        let files = |_: &str| Ok(spec_text.clone().into_bytes());
        let spec = spec::load("simulated-loop.yaml", &files)
            .unwrap_or_else(|problems| panic!("{}\n{spec_text}", problems[0].one_line()));
        let run = run::parse(run_text.as_bytes(), &std::sync::Arc::from("run.yaml"), ".")
            .and_then(|raw| raw.resolve(&spec, &[]))
            .unwrap_or_else(|problems| panic!("{}\n{run_text}", problems[0].one_line()));
        Self { run, workspace: Workspace::default() }
    }

    /// Judges sweeps, the weakest level first.
    pub fn judge(&mut self, sweeps: &[Samples]) -> CornerOutcome {
        self.judge_with(sweeps, false)
    }

    /// Judges one sweep; the values as accepting would store them.
    pub fn values(&mut self, sweep: Samples) -> Option<Vec<(Measurand, AcceptedValue)>> {
        self.judge_with(&[sweep], true).keepsake.map(|kept| kept.values)
    }

    fn judge_with(&mut self, sweeps: &[Samples], keep: bool) -> CornerOutcome {
        let mut options = Options::new(time::macros::date!(2026 - 01 - 01));
        options.keep = keep;
        let mut read = |entry: &SweepEntry, _: &Reading, samples: &mut Samples| {
            let index: usize = entry.name().trim_end_matches(".csv").parse().unwrap_or(0);
            samples.clone_from(&sweeps[index]);
            Ok(())
        };
        let outcome = judge_run(&self.run, None, &options, &mut self.workspace, &mut read).ok().flatten();
        outcome
            .and_then(|run| run.corners.into_iter().next())
            .expect("the run has one corner and no bad sweep")
    }
}

/// A quantity as it was measured; a bound is no measured value.
pub fn measured(corner: &CornerOutcome, quantity: Measurand) -> Option<Measured> {
    corner.measured?.get(quantity).filter(|m| m.at_least != Some(true))
}

/// Checks that came out invalid: name and message.
pub fn invalid(corner: &CornerOutcome) -> impl Iterator<Item = (&str, &str)> {
    let bad = corner.checks.iter().filter(|c| c.verdict == Verdict::Invalid);
    bad.map(|c| (c.check.as_str(), c.message.as_str()))
}

/// Verdict of a check.
pub fn verdict(corner: &CornerOutcome, check: &str) -> Option<Verdict> {
    corner.checks.iter().find(|c| c.check == check).map(|c| c.verdict)
}
