//! Noise and uncertainty against figures from outside: the guides on uncertainty, the relation for the injection point, closed
//! forms of sums of distributions, and seeded simulation. Every check names its source.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::indexing_slicing,
    reason = "a test that cannot set up its case must stop"
)]

#[path = "uncertainty/closed_forms.rs"]
mod closed_forms;
#[path = "uncertainty/injection_point.rs"]
mod injection_point;
#[path = "uncertainty/noise.rs"]
mod noise;
#[path = "uncertainty/repeats.rs"]
mod repeats;
#[path = "uncertainty/simulated.rs"]
mod simulated;

use loopgauge::analysed::Analysed;
use loopgauge::check::{CornerOutcome, Errors, Estimate, Options, Quantities, Workspace, judge_run};
use loopgauge::curve::{LocalError, db};
use loopgauge::margins::{self, Line, Method, Place};
use loopgauge::measurand::Measurand;
use loopgauge::monte_carlo::Trials;
use loopgauge::run::{self, SweepEntry};
use loopgauge::sanity::Usable;
use loopgauge::spec::{self, CriticalPoint};
use loopgauge::sweep::{Reading, Samples};
use loopgauge::uncertainty::{Budget, Chain, Source};
use num_complex::Complex64;
use rand_distr::{Distribution, StandardNormal};
use rand_pcg::Pcg64;
use rand_pcg::rand_core::SeedableRng;
use std::f64::consts::TAU;
use std::fmt::Write;

const COVERAGE: f64 = 2.0;

fn near(own: f64, expected: f64, relative: f64) {
    assert!((own / expected - 1.0).abs() < relative, "{own} is not {expected} within {relative}");
}

/// `per_decade` points in each decade from `from`, `decades` of them.
fn grid(from: f64, decades: f64, per_decade: f64) -> Vec<f64> {
    let count = (decades * per_decade).round() as usize;
    (0..=count).map(|k| from * 10f64.powf(k as f64 / per_decade)).collect()
}

/// A sweep in the textbook convention, with normal noise of `sigma` in ln of the magnitude and in the phase.
fn sweep(hz: &[f64], of: impl Fn(f64) -> Complex64, sigma: f64, seed: u64) -> Samples {
    let mut random = Pcg64::seed_from_u64(seed);
    let mut normal = || -> f64 { StandardNormal.sample(&mut random) };
    let noisy = hz.iter().map(|&f| {
        let value = of(f).ln();
        (value.re + sigma * normal(), value.im + sigma * normal())
    });
    let (ln_mag, phase): (Vec<f64>, Vec<f64>) = noisy.unzip();
    Samples::from_ln_rad(hz, &ln_mag, &phase).unwrap()
}

fn analysed(samples: &Samples) -> Analysed {
    Analysed::of(samples, CriticalPoint::MinusOne)
}

fn quantities(sweep: &Analysed, chain: &Chain) -> Quantities {
    Quantities::of(
        sweep,
        &Usable::whole(sweep.curve.span()),
        &Errors::of_chain(chain),
        COVERAGE,
        &mut Trials::default(),
    )
}

/// Factor 1 / (1 + j f/pole).
fn lag(f: f64, pole: f64) -> Complex64 {
    1.0 / Complex64::new(1.0, f / pole)
}

/// An integrator of magnitude 1 at `crossover`.
fn integrator(f: f64, crossover: f64) -> Complex64 {
    Complex64::new(0.0, -crossover / f)
}

/// A pure delay.
fn delay(f: f64, seconds: f64) -> Complex64 {
    Complex64::from_polar(1.0, -TAU * f * seconds)
}

/// R. W. Erickson and D. Maksimovic, Fundamentals of Power Electronics, 2nd ed., 9.6: the example's loop.
fn book(f: f64) -> Complex64 {
    1e4 * lag(f, 10.0) * lag(f, 100e3)
}

fn with_gain_margin(f: f64) -> Complex64 {
    integrator(f, 10e3) * lag(f, 15e3) * lag(f, 35e3)
}

fn with_dead_time(f: f64) -> Complex64 {
    integrator(f, 12e3) * delay(f, 9e-6)
}

fn with_lead(f: f64) -> Complex64 {
    integrator(f, 5e3) * Complex64::new(1.0, f / 2e3) * lag(f, 10e3) * lag(f, 30e3) * lag(f, 60e3)
}

type Loop = fn(f64) -> Complex64;

/// Loops that have all the margins; crossovers between 0.1 kHz and 20 kHz.
const SMOOTH: [Loop; 3] = [with_gain_margin, with_dead_time, with_lead];

/// All but the gain reduction margin, which these loops have not.
fn named(q: &Quantities) -> Vec<(&'static str, Estimate)> {
    let value = |measurand: Measurand| {
        let estimate = q.estimate(measurand).filter(|estimate| !estimate.at_least)?;
        Some((measurand.name(), estimate))
    };
    let asked = Measurand::ALL.into_iter().filter(|own| *own != Measurand::GainReductionMargin);
    asked.filter_map(value).collect()
}

fn judge(spec_text: &str, levels: &[&str], sweeps: &[Samples]) -> CornerOutcome {
    let files = |_: &str| Ok(spec_text.as_bytes().to_vec());
    let spec = spec::load("spec.yaml", &files).unwrap_or_else(|p| panic!("{}", p[0].one_line()));
    let mut text = "run: 1\nproduct: gauge\nserial: S-1\nrevision: A\nsweeps:\n".to_owned();
    for (k, level) in levels.iter().enumerate() {
        writeln!(text, "  - {{file: {k}.csv, corner: only, level: {level}}}").unwrap();
    }
    let run = run::parse(text.as_bytes(), &std::sync::Arc::from("run.yaml"), ".")
        .and_then(|raw| raw.resolve(&spec, &[]))
        .unwrap_or_else(|p| panic!("{}", p[0].one_line()));
    let options = Options::new(time::macros::date!(2026 - 01 - 01));
    let mut read = |entry: &SweepEntry, _: &Reading, samples: &mut Samples| {
        let index: usize = entry.name().trim_end_matches(".csv").parse().unwrap();
        samples.clone_from(&sweeps[index]);
        Ok(())
    };
    let run = judge_run(&run, None, &options, &mut Workspace::default(), &mut read);
    run.unwrap().unwrap().corners.remove(0)
}

/// JCGM 100:2008, 5.1.2: independent contributions add in squares.
#[test]
fn contributions_add_up_to_the_uncertainty() {
    let chain = Chain { gain_np: 0.01, phase_rad: 0.008, delay_s: 1e-8, impedance_ratio: 0.005 };
    let hz = grid(100.0, 3.3, 60.0);
    for (k, of) in SMOOTH.into_iter().enumerate() {
        let own = analysed(&sweep(&hz, of, 0.003, k as u64));
        let q = quantities(&own, &chain);
        for (name, estimate) in named(&q) {
            assert!(!estimate.simulated, "{name}");
            let parts = estimate.budget.sources();
            let sum: f64 = parts.iter().map(|(_, part)| part * part).sum();
            near(estimate.u.unwrap(), sum.sqrt(), 1e-12);
            let silent: Vec<Source> = parts.iter().filter(|p| p.1 == 0.0).map(|p| p.0).collect();
            // A place on the frequency axis answers to what crosses the line alone; every other value here to all sources; these files have
            // all digits, and one sweep shows no change with the level.
            let line = match Method::of(Measurand::named(name).unwrap()).place {
                Place::Crossing(line) => Some(line),
                _ => None,
            };
            let is_silent = |source: &Source| match source {
                Source::Gain => line == Some(Line::Phase),
                Source::Phase | Source::Delay => line == Some(Line::Gain),
                source => matches!(source, Source::Rounding | Source::Level),
            };
            let expected: Vec<Source> = parts.iter().map(|p| p.0).filter(is_silent).collect();
            assert_eq!(silent, expected, "{name}");
        }
    }
}

#[test]
fn every_source_alone_is_the_only_entry() {
    let located = margins::Located {
        value: 1.0,
        point: analysed(&sweep(&grid(1e3, 2.0, 60.0), book, 0.0, 0)).curve.at(2e4_f64.ln()),
        sensitivity: margins::Sensitivity { ln_gain: 0.7, phase: -0.4 },
    };
    let (none, some) = (LocalError::default(), LocalError { ln_mag: 0.01, angle: 0.02 });
    let chains = [
        (Source::Gain, Chain { gain_np: 0.01, ..Chain::default() }),
        (Source::Phase, Chain { phase_rad: 0.01, ..Chain::default() }),
        (Source::Delay, Chain { delay_s: 1e-8, ..Chain::default() }),
        (Source::ImpedanceRatio, Chain { impedance_ratio: 0.01, ..Chain::default() }),
    ];
    let mut budgets: Vec<(Source, Budget)> = chains
        .into_iter()
        .map(|(source, chain)| (source, chain.budget(&located, none, none, none)))
        .collect();
    budgets.push((Source::Noise, Chain::default().budget(&located, none, some, none)));
    budgets.push((Source::Rounding, Chain::default().budget(&located, none, none, some)));
    budgets.push((Source::Density, Chain::default().budget(&located, some, none, none)));
    for (source, budget) in budgets {
        let loud: Vec<Source> = budget.sources().iter().filter(|p| p.1 != 0.0).map(|p| p.0).collect();
        assert_eq!(loud, [source]);
        assert_eq!(budget.largest(), Some(source));
        let own = budget.sources().iter().map(|p| p.1.abs()).sum::<f64>();
        near(budget.combined().unwrap(), own, 1e-12);
        let json = serde_json::to_value(budget).unwrap();
        let keys: Vec<&String> = json.as_object().unwrap().keys().collect();
        assert_eq!(keys, [source.name()]);
        // Four digits.
        near(json[source.name()].as_f64().unwrap(), own, 5e-4);
    }
    assert_eq!(Budget::default().largest(), None);
    assert_eq!(serde_json::to_string(&Budget::default()).unwrap(), "{}");
}

/// An outcome as JSON gives it: what is declared appears, and nothing else.
#[test]
fn results_show_the_sources_that_contribute() {
    let hz = grid(100.0, 3.3, 60.0);
    let samples = [sweep(&hz, with_gain_margin, 0.003, 1)];
    let spec = |more: &str| {
        format!(
            "spec: 1\nproduct: gauge\ncritical_point: -1\nlinearity: {{waived: one level}}\n{more}\
             limits: {{phase_margin: {{min: 10 deg}}}}\ncorners: [{{name: only}}]\n"
        )
    };
    let keys = |more: &str, name: &str| -> Vec<String> {
        let measured = judge(&spec(more), &["-20 dBm"], &samples).measured.unwrap();
        let json = serde_json::to_value(measured).unwrap();
        let budget = json[name]["budget"].as_object().unwrap();
        // Half of the last of four digits for each.
        let sum: f64 = budget.values().map(|part| part.as_f64().unwrap().powi(2)).sum();
        near(sum.sqrt(), json[name]["uncertainty"].as_f64().unwrap(), 5e-4);
        budget.keys().cloned().collect()
    };
    assert_eq!(keys("", "phase_margin_deg"), ["density", "noise"]);
    let chain = "accuracy: {gain: 0.1 dB, phase: 0.5 deg, delay: 10 ns}\n";
    assert_eq!(keys(chain, "crossover_hz"), ["density", "gain", "noise"]);
    assert_eq!(keys(chain, "phase_margin_deg"), ["delay", "density", "gain", "noise", "phase"]);
    let point = "injection_point: {impedance_ratio: 0.01}\n";
    assert_eq!(keys(point, "gain_margin_db"), ["density", "impedance_ratio", "noise"]);
    // 0.1 dB through the slope: the declared half width over sqrt 3, expanded by 2.
    let measured =
        judge(&spec(chain), &["-20 dBm"], &samples).measured.unwrap().get(Measurand::Crossover).unwrap();
    let own = analysed(&samples[0]);
    let slope = own.curve.at(measured.at_hz.ln()).mag_slope;
    let gain_np = 0.1 / db(1.0);
    near(measured.budget.unwrap().gain, 2.0 * gain_np / 3f64.sqrt() * measured.at_hz / -slope, 1e-9);
}
