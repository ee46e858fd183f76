//! Simulated sweeps: the simulation itself is sound, and a small share of each of its modes meets its aim.

#![allow(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    reason = "a test that cannot set up its case must stop"
)]

#[expect(dead_code, reason = "the simulation's own entry, built as an example, is not called here")]
#[path = "../examples/simulate/main.rs"]
mod simulate;

use simulate::bench::{Bench, Levels, invalid, measured};
use simulate::loops::Kind;
use simulate::noise::{Chain, Declared, Grid, Model, Noise, Random};
use simulate::truth::{Quantity, Truth};
use simulate::work::Subjects;
use std::sync::LazyLock;

static SUBJECTS: LazyLock<Subjects> = LazyLock::new(Subjects::all);

fn missed(mode: &str, share: usize) -> Vec<String> {
    simulate::simulate(mode, share, &SUBJECTS).missed
}

fn truth(name: &str) -> &'static Truth {
    let index = SUBJECTS.loops.iter().position(|l| l.name == name).unwrap();
    &SUBJECTS.truths[index]
}

#[test]
fn the_loops_are_stable_and_leave_no_crossing_to_chance() {
    assert_eq!(missed("loops", 1), Vec::<String>::new());
    assert!(SUBJECTS.loops.len() >= 60);
    let with_gain_margin = SUBJECTS.truths.iter().filter(|t| t.get(Quantity::Gain).is_some()).count();
    assert!(10 * with_gain_margin >= 9 * SUBJECTS.loops.len());
    for (l, t) in SUBJECTS.loops.iter().zip(&SUBJECTS.truths) {
        let fc = t.get(Quantity::Crossover).unwrap();
        assert!((1.999e3..50.001e3).contains(&fc), "{}: {fc}", l.name);
        assert_eq!(l.kind == Kind::Conditional, t.get(Quantity::GainReduction).is_some(), "{}", l.name);
    }
}

/// Closed forms of two kinds: 90 deg - atan(1/5) - 360 deg f tau, and K / (s (1 + s/a) (1 + s/b)), which meets the ray at
/// sqrt(a b) with a magnitude of K / (a + b) (both by hand).
#[test]
fn exact_values_are_those_of_closed_forms() {
    let margin = truth("dead time 10k 8 us").get(Quantity::Phase).unwrap();
    assert!((margin - (90.0 - 0.2f64.atan().to_degrees() - 360.0 * 10e3 * 8e-6)).abs() < 1e-9);
    let delay = truth("dead time 10k 8 us").get(Quantity::Delay).unwrap();
    assert!((delay - margin / 360.0 / 10e3).abs() < 1e-15);
    let (fc, a, b) = (20e3_f64, 40e3_f64, 200e3_f64);
    let k = fc * (fc / a).hypot(1.0) * (fc / b).hypot(1.0);
    let lag = truth("lag 20k 40k");
    assert!((lag.get(Quantity::Gain).unwrap() - 20.0 * ((a + b) / k).log10()).abs() < 1e-9);
    assert!((lag.phase_crossovers[0].0 - (a * b).sqrt()).abs() < 1e-6);
}

/// What dense sweeps without noise may be off: interpolation and smoothing.
const WITHOUT_NOISE: f64 = 0.005;

#[test]
fn without_noise_the_library_finds_the_exact_values() {
    for (l, t) in SUBJECTS.loops.iter().zip(&SUBJECTS.truths) {
        let mut random = Random::of(99, 0, 0);
        let grid = Grid::new(l, 100.0, t.get(Quantity::Crossover).unwrap());
        let chain = Chain::draw(&Declared::NONE, &mut random);
        let sweep = grid.take(&chain, &Noise::new(Model::Constant, 0.0), &mut random);
        let corner = Bench::new(l, &Declared::NONE, &[], Levels::One).judge(&[sweep]);
        assert_eq!(invalid(&corner).next(), None, "{}", l.name);
        assert_eq!(corner.measured.unwrap().crossings, t.crossovers.len(), "{}", l.name);
        for quantity in Quantity::ALL {
            let (own, exact) = (measured(&corner, quantity).map(|m| m.value), t.get(quantity));
            assert_eq!(own.is_some(), exact.is_some(), "{} {quantity:?}", l.name);
            if let Some((own, exact)) = own.zip(exact) {
                assert!((own / exact - 1.0).abs() < WITHOUT_NOISE, "{} {quantity:?}: {own}, {exact}", l.name);
            }
        }
    }
}

#[test]
fn noise_has_the_size_that_it_says() {
    let l = &SUBJECTS.loops[0];
    let grid = Grid::new(l, 1000.0, SUBJECTS.truths[0].get(Quantity::Crossover).unwrap());
    let mut random = Random::of(99, 1, 0);
    let chain = Chain::draw(&Declared::NONE, &mut random);
    let sweep = grid.take(&chain, &Noise::new(Model::Constant, 0.01), &mut random);
    let (mut gain, mut phase) = (0.0, 0.0);
    for (k, t) in grid.t.iter().enumerate() {
        gain += (sweep.ln_magnitude()[k] - t.norm().ln()).powi(2);
        let turned = sweep.phase_rad()[k] - t.arg();
        phase += turned.sin().powi(2);
    }
    for sum in [gain, phase] {
        let rms = (sum / grid.t.len() as f64).sqrt();
        // 3700 points tell an rms to 1.2 %.
        assert!((rms / 0.01 - 1.0).abs() < 0.05, "{rms}");
    }
}

#[test]
fn the_same_numbers_come_out_again() {
    let text = || simulate::simulate("coverage", 400, &SUBJECTS).text;
    assert_eq!(text(), text());
}

#[test]
fn no_level_is_judged_that_is_not_linear() {
    let missed = missed("linearity", 20);
    assert!(missed.iter().all(|aim| !aim.contains("not linear")), "{missed:?}");
}

#[test]
fn the_truth_lies_inside_the_uncertainty() {
    assert_eq!(missed("coverage", 30), Vec::<String>::new());
}

#[test]
fn verdicts_at_the_limit_are_rarely_wrong() {
    assert_eq!(missed("acceptance", 40), Vec::<String>::new());
}

#[test]
fn a_ruler_is_beaten() {
    assert_eq!(missed("margins", 30), Vec::<String>::new());
}

#[test]
fn the_strongest_confirmable_level_is_judged() {
    assert_eq!(missed("linearity", 20), Vec::<String>::new());
}

#[test]
fn the_true_change_lies_inside_its_uncertainty() {
    assert_eq!(missed("regression", 10), Vec::<String>::new());
}

#[test]
fn sound_corners_raise_no_alarm() {
    assert_eq!(missed("clean", 20), Vec::<String>::new());
}

#[test]
fn charts_have_their_run_lengths_and_false_alarms() {
    assert_eq!(missed("charts", 20), Vec::<String>::new());
}

#[test]
fn the_true_trend_lies_inside_its_interval() {
    assert_eq!(missed("trend", 20), Vec::<String>::new());
}
