//! The library as anybody uses it: a spec and a run as texts, sweeps in memory or as files.

use super::scene::Scene;
use loopgauge::check::{CornerOutcome, Options, Verdict, Workspace, judge_run};
use loopgauge::measurand::Measurand;
use loopgauge::run::{self, Run, SweepEntry};
use loopgauge::spec;
use loopgauge::sweep::{Reading as FileReading, Samples};
use num_complex::Complex64;
use std::cell::RefCell;
use std::fmt::Write;

thread_local! {
    static WORKSPACE: RefCell<Workspace> = RefCell::default();
}

/// What is judged, in the order of the checks.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Asked {
    Crossover,
    Phase,
    Gain,
    GainReduction,
    Stability,
    Delay,
    GainAt,
}

impl Asked {
    pub const ALL: [Self; 7] = [
        Self::Crossover,
        Self::Phase,
        Self::Gain,
        Self::GainReduction,
        Self::Stability,
        Self::Delay,
        Self::GainAt,
    ];

    /// Name of its check; `gain@` is followed by the frequency.
    pub const fn check(self) -> &'static str {
        match self {
            Self::Crossover => "crossover",
            Self::Phase => "phase_margin",
            Self::Gain => "gain_margin",
            Self::GainReduction => "gain_reduction_margin",
            Self::Stability => "stability_margin",
            Self::Delay => "delay_margin",
            Self::GainAt => "gain@",
        }
    }

    const fn unit(self) -> &'static str {
        match self {
            Self::Crossover => "Hz",
            Self::Phase => "deg",
            Self::Gain | Self::GainReduction | Self::GainAt => "dB",
            Self::Stability => "",
            Self::Delay => "s",
        }
    }
}

/// A limit on one side, in the unit of what is asked.
#[derive(Clone, Copy, Debug)]
pub struct Bound {
    pub asked: Asked,
    pub is_max: bool,
    pub at: f64,
}

/// What came out for one quantity.
#[derive(Clone, Copy, Debug)]
pub struct Stated {
    pub value: f64,
    pub u: Option<f64>,
    pub verdict: Verdict,
    pub at_least: bool,
}

/// What came out for a corner.
#[derive(Clone, Debug)]
pub struct Judged {
    pub verdict: Verdict,
    /// The first of the checks of validity that is not passed, with its message.
    pub broken: Option<(String, String)>,
    pub sanity: Verdict,
    /// What has a verdict of its own: pass, fail or undecided.
    pub stated: [Option<Stated>; 7],
    /// Checks of limits that are invalid: which, and why.
    pub invalid: Vec<(String, String)>,
    /// Crossovers that were found.
    pub crossings: Option<usize>,
}

impl Judged {
    pub fn get(&self, asked: Asked) -> Option<Stated> {
        self.stated[asked as usize]
    }
}

/// Limits that any measured loop meets.
pub fn lenient(scene: &Scene) -> Vec<Bound> {
    let mut list: Vec<Bound> = Asked::ALL
        .into_iter()
        .filter(|&asked| asked != Asked::GainReduction || scene.exact(Asked::GainReduction).is_some())
        .map(|asked| {
            // The least that a spec may say.
            let at = match asked {
                Asked::Crossover => 1e-6,
                Asked::Stability => 1e-4,
                _ => 1e-9,
            };
            Bound { asked, is_max: false, at }
        })
        .collect();
    list.iter_mut().filter(|b| b.asked == Asked::GainAt).for_each(|b| b.at = -300.0);
    list
}

/// Spec and run as texts.
pub fn texts(scene: &Scene, limits: &[Bound]) -> (String, String) {
    let accuracy = &scene.accuracy;
    let mut spec = format!(
        "spec: 1\nproduct: simulated-loop\ncritical_point: {}\nband: {{from: {} Hz, to: {} Hz}}\ndensity: {}\n\
         accuracy: {{gain: {} dB, phase: {} deg}}\ndecision: {{rule: guarded, coverage: 2}}\nlimits:\n  crossings: {{max: 99}}\n",
        if scene.closed { "+1" } else { "-1" },
        scene.from_hz,
        scene.to_hz,
        scene.declared_density(),
        accuracy.gain_db,
        accuracy.phase_deg,
    );
    for Bound { asked, is_max, at } in limits {
        let side = if *is_max { "max" } else { "min" };
        let _ = if *asked == Asked::GainAt {
            writeln!(spec, "  gain: [{{at: {} Hz, {side}: {at:e} dB}}]", scene.gain_at_hz)
        } else {
            writeln!(spec, "  {}: {{{side}: {at:e} {}}}", asked.check(), asked.unit())
        };
    }
    spec.push_str(
        "linearity: {step: 3 dB, crossover: 2 %, phase_margin: 2 deg, gain: 1 dB, phase: 5 deg, band: [0.1, 10]}\n\
         corners: [{name: only}]\n",
    );
    let mut run = "run: 1\nproduct: simulated-loop\nserial: S-1\nrevision: A\nsweeps:\n".to_owned();
    for (k, level) in scene.levels_db.iter().enumerate() {
        let _ = writeln!(run, "  - {{file: {k}.csv, corner: only, level: {} dBm}}", level - 40.0);
    }
    (spec, run)
}

/// A product with one corner, ready to judge sweeps.
pub struct Bench {
    run: Run,
}

impl Bench {
    pub fn new(scene: &Scene, limits: &[Bound]) -> Self {
        let (spec_text, run_text) = texts(scene, limits);
        let files = |_: &str| Ok(spec_text.clone().into_bytes());
        let spec = spec::load("simulated-loop.yaml", &files)
            .unwrap_or_else(|problems| panic!("{}\n{spec_text}", problems[0].one_line()));
        let run = run::parse(run_text.as_bytes(), &std::sync::Arc::from("run.yaml"), ".")
            .and_then(|raw| raw.resolve(&spec, &[]))
            .unwrap_or_else(|problems| panic!("{}\n{run_text}", problems[0].one_line()));
        Self { run }
    }

    /// Judges sweeps in the order of the scene's levels, as the file's ratios.
    pub fn judge(&self, hz: &[f64], sweeps: &[Vec<Complex64>]) -> Judged {
        let mut read = |entry: &SweepEntry, _: &FileReading, own: &mut Samples| {
            let index: usize = entry.name().trim_end_matches(".csv").parse().unwrap_or(0);
            *own = samples(hz, &sweeps[index]);
            Ok(())
        };
        let corner = WORKSPACE.with_borrow_mut(|workspace| self.corner(workspace, &mut read));
        told(&corner)
    }

    /// The one call into the library that judges.
    fn corner(&self, workspace: &mut Workspace, read: &mut loopgauge::check::ReadSweep<'_>) -> CornerOutcome {
        let options = Options::new(time::macros::date!(2026 - 01 - 01));
        let outcome = judge_run(&self.run, None, &options, workspace, read).ok().flatten();
        let corner = outcome.and_then(|run| run.corners.into_iter().next());
        corner.expect("the run has one corner and no bad sweep")
    }
}

/// The one place where samples are made.
fn samples(hz: &[f64], t: &[Complex64]) -> Samples {
    Samples::from_complex(hz, t).expect("simulated sweeps are sound")
}

/// The checks that say whether a measurement can carry a verdict.
const VALIDITY: [&str; 4] = ["collected", "coverage", "sanity", "linearity"];

fn told(corner: &CornerOutcome) -> Judged {
    let bad = |verdict: Verdict| matches!(verdict, Verdict::Invalid | Verdict::Missing);
    let is_validity = |check: &str| VALIDITY.contains(&check);
    let broken = corner.checks.iter().find(|c| is_validity(&c.check) && bad(c.verdict));
    let at_least = corner.measured.and_then(|m| m.get(Measurand::GainMargin)?.at_least) == Some(true);
    let stated = Asked::ALL.map(|asked| {
        let own = |check: &str| {
            check.strip_prefix(asked.check()).is_some_and(|rest| rest.is_empty() || asked == Asked::GainAt)
        };
        let check = corner.checks.iter().find(|c| own(&c.check))?;
        let given = matches!(check.verdict, Verdict::Pass | Verdict::Fail | Verdict::Undecided);
        let value = check.value.filter(|_| given)?;
        Some(Stated {
            value,
            u: check.uncertainty,
            verdict: check.verdict,
            at_least: at_least && asked == Asked::Gain,
        })
    });
    Judged {
        verdict: corner.verdict,
        broken: broken.map(|c| (c.check.clone(), c.message.clone())),
        sanity: corner.checks.iter().find(|c| c.check == "sanity").map_or(Verdict::NotJudged, |c| c.verdict),
        stated,
        invalid: corner
            .checks
            .iter()
            .filter(|c| !is_validity(&c.check) && bad(c.verdict))
            .map(|c| (c.check.clone(), c.message.clone()))
            .collect(),
        crossings: corner.measured.map(|m| m.crossings),
    }
}
