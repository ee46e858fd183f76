//! The comparison and the choice together.

use super::*;
use crate::analysed::Analysed;
use crate::quantity::{Decibel, Degrees, Ratio};
use crate::spec::CriticalPoint;
use crate::spec::Tolerances;
use crate::sweep::Samples;

fn tolerances() -> Tolerances {
    Tolerances {
        step: Decibel::new(3.0).unwrap(),
        crossover: Ratio::new(0.02),
        phase_margin: Degrees::new(2.0),
        gain: Decibel::new(1.0),
        phase: Degrees::new(5.0),
        band: (0.1, 10.0),
    }
}

/// An integrator with a lag, crossing near 1 kHz; `gain` and `turn_deg` distort it.
fn sweep(gain: f64, turn_deg: f64, offset: f64) -> Analysed {
    let mut samples = Samples::default();
    for k in 0..=120 {
        let hz = 10.0 * 10f64.powf((f64::from(k) + offset) / 30.0);
        samples.push(
            hz,
            (gain * 1e3 / hz / (hz / 2e4).hypot(1.0)).ln(),
            (90.0 - turn_deg - (hz / 2e4).atan().to_degrees()).to_radians(),
        );
    }
    Analysed::of(&samples, CriticalPoint::PlusOne)
}

fn between(weak: &Analysed, strong: &Analysed) -> Comparison {
    let span = strong.curve.clip(weak.curve.span()).unwrap();
    compare(weak, strong, span, &tolerances(), &mut Difference::default())
}

#[test]
fn changes_are_measured_on_equal_and_on_other_grids() {
    for offset in [0.0, 0.4] {
        let c = between(&sweep(1.0, 0.0, 0.0), &sweep(1.05, 1.0, offset));
        // To first order in the difference.
        assert!((c.crossover.unwrap().value - 0.05).abs() < 2e-3, "{c:?}");
        assert!((c.gain_db.unwrap().change.value - 20.0 * 1.05f64.log10()).abs() < 1e-4);
        assert!((c.phase_deg.unwrap().change.value + 1.0).abs() < 1e-4);
        assert!(!c.agrees(&tolerances()) && !c.identical);
    }
    let same = between(&sweep(1.0, 0.0, 0.0), &sweep(1.0, 0.0, 0.0));
    assert!(same.identical && same.agrees(&tolerances()));
    assert!(between(&sweep(1.0, 0.0, 0.0), &sweep(1.001, 0.1, 0.4)).agrees(&tolerances()));
}

/// Equal numbers in the compared part, a decade to each side of the crossover, are no copy where the sweeps differ elsewhere.
#[test]
fn what_differs_elsewhere_is_no_copy() {
    let one = sweep(1.0, 0.0, 0.0);
    for index in [0, 120] {
        let mut samples = Samples::default();
        for (k, ((hz, ln), angle)) in
            one.raw.frequency_hz().iter().zip(one.raw.ln_mag()).zip(one.raw.angle()).enumerate()
        {
            samples.push(*hz, ln + if k == index { 1e-3 } else { 0.0 }, *angle);
        }
        // The angle of a curve is that from the critical point, here that of the loop gain itself.
        let other = Analysed::of(&samples, CriticalPoint::PlusOne);
        let c = between(&one, &other);
        assert!(!c.identical && c.agrees(&tolerances()), "{index}: {c:?}");
        assert!(between(&other, &other.clone()).identical);
    }
    // Every second row of a copy is a copy still.
    let mut half = Samples::default();
    for k in (0..=120).step_by(2) {
        half.push(one.raw.frequency_hz()[k], one.raw.ln_mag()[k], one.raw.angle()[k]);
    }
    let half = Analysed::of(&half, CriticalPoint::PlusOne);
    assert!(between(&half, &one).identical && between(&one, &half).identical);
    // So is one with a row left out of either, or its frequencies in five digits.
    let changed = |dropped: usize, round: &dyn Fn(f64) -> f64| {
        let mut samples = Samples::default();
        for k in (0..=120).filter(|k| *k != dropped) {
            samples.push(round(one.raw.frequency_hz()[k]), one.raw.ln_mag()[k], one.raw.angle()[k]);
        }
        Analysed::of(&samples, CriticalPoint::PlusOne)
    };
    let digits = |hz: f64| format!("{hz:.4e}").parse().unwrap();
    for other in [changed(60, &|hz| hz), changed(999, &digits), changed(0, &digits)] {
        assert!(between(&other, &one).identical && between(&one, &other).identical);
    }
    // Sweeps of one loop between whose samples the others lie share no number.
    assert!(!between(&sweep(1.0, 0.0, 0.5), &one).identical);
}

#[test]
fn a_crossover_that_only_one_has_is_no_agreement() {
    let c = between(&sweep(1.0, 0.0, 0.0), &sweep(1e-6, 0.0, 0.0));
    assert!(c.crossover_lost && !c.agrees(&tolerances()));
    let neither = between(&sweep(1e-6, 0.0, 0.0), &sweep(1.001e-6, 0.0, 0.0));
    assert!(neither.crossover.is_none() && neither.agrees(&tolerances()));
    let only_crossover = Tolerances { gain: None, phase: None, ..tolerances() };
    assert!(!neither.agrees(&only_crossover), "nothing is left to compare");
}

/// Levels by their true change of gain: equal numbers agree, others do not.
fn choose(levels_db: &[f64], truth: &[u8], copies: &[bool]) -> Option<(usize, usize)> {
    let change = |value: f64| Change { value, noise: 0.0 };
    let compare = |a: usize, b: usize| Comparison {
        crossover: Some(change(if truth[a] == truth[b] { 0.0 } else { 0.1 })),
        phase_margin_deg: Some(change(0.0)),
        gain_db: Some(Deviation { change: change(0.01), at_hz: 1e3, most_noise: (0.0, 1e3) }),
        phase_deg: Some(Deviation { change: change(0.01), at_hz: 1e3, most_noise: (0.0, 1e3) }),
        compared: 10,
        ..Comparison::default()
    };
    select(levels_db, copies, &tolerances(), compare).confirmed
}

#[test]
fn the_strongest_confirmed_level_is_chosen() {
    let no = [false; 5];
    assert_eq!(choose(&[-26.0, -23.0], &[0, 0], &no), Some((0, 1)));
    assert_eq!(choose(&[-26.0, -23.0, -20.0, -17.0], &[0, 0, 0, 1], &no), Some((1, 2)));
    assert_eq!(choose(&[-26.0, -23.0, -20.0], &[0, 1, 2], &no), None);
    // Two strong levels that clamp alike are contradicted by the weaker ones.
    assert_eq!(choose(&[-26.0, -23.0, -20.0, -17.0], &[0, 0, 1, 1], &no), Some((0, 1)));
    assert_eq!(choose(&[-26.0, -20.0, -17.0], &[0, 1, 1], &no), None);
    // 2.9 dB are 3 dB with the slack of a source; 2 dB are no step, the next level counts.
    assert_eq!(choose(&[-26.0, -23.1], &[0, 0], &no), Some((0, 1)));
    assert_eq!(choose(&[-26.0, -24.0], &[0, 0], &no), None);
    assert_eq!(choose(&[-26.0, -24.0, -22.0], &[0, 1, 0], &no), Some((0, 2)));
    assert_eq!(choose(&[-26.0], &[0], &no), None);
    assert_eq!(choose(&[], &[], &no), None);
}

#[test]
fn a_copy_confirms_nothing() {
    assert_eq!(choose(&[-26.0, -23.0], &[0, 0], &[false, true]), None);
    assert_eq!(choose(&[-26.0, -23.0, -20.0], &[0, 0, 0], &[false, true, false]), Some((1, 2)));
}

use crate::noise::simulated_noise;

/// Change and expanded noise, as parts of the tolerance, and what follows.
const RULES: [(f64, f64, Relation); 7] = [
    (0.0, 0.0, Relation::Agrees),
    (1.0, 0.0, Relation::Agrees),
    (1.01, 0.0, Relation::Differs),
    (1.5, 0.6, Relation::Agrees),
    (-1.7, 0.6, Relation::Differs),
    (0.1, 1.1, Relation::Unclear),
    (-2.5, 1.4, Relation::Differs),
];

#[test]
fn noise_decides_what_a_change_tells() {
    let t = tolerances();
    let still = Change::default();
    let flat = Deviation { change: still, at_hz: 1e3, most_noise: (0.0, 1e3) };
    let quiet = Comparison {
        crossover: Some(still),
        phase_margin_deg: Some(still),
        gain_db: Some(flat),
        phase_deg: Some(flat),
        compared: 10,
        ..Comparison::default()
    };
    assert_eq!(quiet.relation(&t), Relation::Agrees);
    for (value, noise, relation) in RULES {
        let change = |tolerance: f64| Change { value: value * tolerance, noise: noise * tolerance };
        let deviation = |tolerance: f64| {
            let change = change(tolerance);
            Some(Deviation { change, at_hz: 1e3, most_noise: (change.noise, 1e3) })
        };
        for one in [
            Comparison { crossover: Some(change(0.02)), ..quiet },
            Comparison { phase_margin_deg: Some(change(2.0)), ..quiet },
            Comparison { gain_db: deviation(1.0), ..quiet },
            Comparison { phase_deg: deviation(5.0), ..quiet },
        ] {
            assert_eq!(one.relation(&t), relation, "{value} {noise}: {one:?}");
        }
        // One that differs outweighs one that tells nothing.
        let both = Comparison {
            gain_db: deviation(1.0),
            crossover: Some(Change { value: 0.0, noise: 0.03 }),
            ..quiet
        };
        let expected = if relation == Relation::Differs { relation } else { Relation::Unclear };
        assert_eq!(both.relation(&t), expected);
    }
    // The noise anywhere in the band counts, not only where the deviation is largest.
    let loud = Deviation { most_noise: (1.2, 10.0), ..flat };
    assert_eq!(Comparison { gain_db: Some(loud), ..quiet }.relation(&t), Relation::Unclear);
    assert_eq!(Comparison { compared: 0, ..quiet }.relation(&t), Relation::Unclear);
}

/// Pairs of noisy sweeps, the stronger one with `gain` and turned by `degrees`: how many agree, differ, are unclear.
fn pairs(sigma: f64, gain: f64, degrees: f64) -> [usize; 3] {
    let hz = simulated_noise::grid(50);
    let mut counts = [0; 3];
    let mut difference = Difference::default();
    for seed in 0..40 {
        let shape = |x: f64| simulated_noise::line(x);
        let other = |x: f64| {
            let [a, p] = simulated_noise::line(x);
            [a + gain.ln(), p + degrees.to_radians()]
        };
        let weak = simulated_noise::sweep(&hz, &shape, &|_| [sigma; 2], 2 * seed);
        let strong = simulated_noise::sweep(&hz, &other, &|_| [sigma; 2], 2 * seed + 1);
        let t = tolerances();
        let c = compare(&weak, &strong, weak.curve.span(), &t, &mut difference);
        assert!(!c.identical);
        counts[match c.relation(&t) {
            Relation::Agrees => 0,
            Relation::Differs => 1,
            Relation::Unclear => 2,
        }] += 1;
    }
    counts
}

#[test]
fn noisy_pairs_agree_differ_or_tell_nothing() {
    // Of one loop: all agree.
    assert_eq!(pairs(0.003, 1.0, 0.0), [40, 0, 0]);
    assert_eq!(pairs(0.01, 1.0, 0.0), [40, 0, 0]);
    // A crossover that moves by 5 % and a phase that turns by 4 deg leave 2 % and 2 deg.
    assert_eq!(pairs(0.003, 1.05, 0.0), [0, 40, 0]);
    assert_eq!(pairs(0.003, 1.0, 4.0), [0, 40, 0]);
    // Noise beyond the tolerances: nothing is confirmed, and nothing is blamed on the loop.
    let [agree, differ, unclear] = pairs(0.1, 1.0, 0.0);
    assert!(agree == 0 && differ <= 2 && unclear >= 38, "{agree} {differ} {unclear}");
}
