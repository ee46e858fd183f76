//! Simulation: where the law of propagation holds, and where it fails.

use super::closed_forms::{ln_crossover, straight};
use super::{COVERAGE, SMOOTH, analysed, grid, named, near, quantities, sweep};
use loopgauge::analysed::Analysed;
use loopgauge::check::{Errors, Estimate, Quantities};
use loopgauge::curve::{Curve, Span};
use loopgauge::margins::{self, Crossings, Method};
use loopgauge::measurand::Measurand;
use loopgauge::monte_carlo::Trials;
use loopgauge::sanity::Usable;
use loopgauge::uncertainty::Chain;
use num_complex::Complex64;

/// JCGM 101:2008, clause 8: simulation checks the law of propagation. Normal sources alone, noise and the impedance ratio: a
/// rectangular one has an interval of its own.
#[test]
fn simulation_agrees_with_the_law_of_propagation() {
    let span_of = |own: &Analysed| own.curve.span();
    let mut crossing = Vec::new();
    for seed in 0..8 {
        let own = straight(0.01, seed);
        let located = margins::crossover(&own.crossings, span_of(&own)).unwrap();
        crossing.push(
            ln_crossover(&own, &Chain::default(), COVERAGE) / (2.0 * own.noise_of(&located) / located.value),
        );
    }
    near(crossing.iter().sum::<f64>() / 8.0, 1.0, 0.05);

    let chain = Chain { impedance_ratio: 0.002, ..Chain::default() };
    let hz = grid(100.0, 3.3, 100.0);
    let mut ratios: Vec<(&str, Vec<f64>)> = Vec::new();
    for (k, of) in SMOOTH.into_iter().enumerate() {
        for seed in 0..2 {
            let own = analysed(&sweep(&hz, of, 0.004, 10 * k as u64 + seed));
            let q = quantities(&own, &chain);
            for (name, estimate) in named(&q) {
                assert!(!estimate.simulated, "{name} of loop {k}");
                let method = Method::of(Measurand::named(name).unwrap());
                let read = |curve: &Curve, c: &Crossings, span: Span| {
                    Some((method.read)(curve, c, span)?.exact()?.value)
                };
                let half = Trials::default()
                    .half_width(&own, &chain, span_of(&own), estimate.value / method.scale, COVERAGE, &read)
                    .unwrap();
                let ratio = half / (COVERAGE * estimate.u.unwrap() / method.scale);
                near(ratio, 1.0, 0.12);
                match ratios.iter_mut().find(|(other, _)| *other == name) {
                    Some((_, list)) => list.push(ratio),
                    None => ratios.push((name, vec![ratio])),
                }
            }
        }
    }
    assert_eq!(ratios.len(), Measurand::ALL.len() - 1);
    for (name, list) in &ratios {
        let mean = list.iter().sum::<f64>() / list.len() as f64;
        assert!((mean - 1.0).abs() < 0.05, "{name}: {mean} of {list:?}");
    }
}

const CENTRE: f64 = 10e3;

/// A curve given by its magnitude, neper, and its phase margin, rad, over ln(f / 10 kHz).
fn drawn(ln_mag: impl Fn(f64) -> f64, margin: impl Fn(f64) -> f64) -> impl Fn(f64) -> Complex64 {
    move |f| {
        let x = (f / CENTRE).ln();
        Complex64::from_polar(ln_mag(x).exp(), margin(x) - std::f64::consts::PI)
    }
}

/// 200 noisy sweeps: of them at least so many values are simulated, the same sweep gives the same value twice, and at least so
/// many per cent of the intervals hold the truth.
fn covered(
    of: impl Fn(f64) -> Complex64,
    sigma: f64,
    value: impl Fn(&Quantities) -> Option<Estimate>,
    truth: f64,
    (least_simulated, least_held): (usize, usize),
) {
    const SWEEPS: u64 = 200;
    let hz = grid(CENTRE * 0.2, 1.4, 60.0);
    let mut trials = Trials::default();
    let (mut simulated, mut open, mut held) = (0, 0, 0);
    for seed in 0..SWEEPS {
        let own = analysed(&sweep(&hz, &of, sigma, 5_000 + seed));
        let mut again = || {
            value(&Quantities::of(
                &own,
                &Usable::whole(own.curve.span()),
                &Errors::of_chain(&Chain::default()),
                COVERAGE,
                &mut trials,
            ))
        };
        // A value that was not found covers nothing.
        let Some(estimate) = again() else { continue };
        if seed < 3 {
            assert_eq!(again(), Some(estimate));
        }
        simulated += usize::from(estimate.simulated);
        match estimate.u {
            None => open += 1,
            Some(u) => held += usize::from((estimate.value - truth).abs() <= COVERAGE * u),
        }
    }
    assert!(simulated >= least_simulated, "{simulated} simulated");
    // An open uncertainty gives no verdict, but is none of the intervals either.
    assert!(open <= 10, "{open} without an uncertainty");
    assert!(100 * held >= least_held * (SWEEPS as usize - open), "{held} of {SWEEPS}, {open} open");
}

/// Coverage of a simulated interval: at least 93 % where 95.45 % are aimed at (200 sweeps leave 1.5 % open).
#[test]
fn a_crossing_that_is_nearly_a_touch_is_covered() {
    let of = drawn(|x| -0.05 * x - 2.0 * x * x * x, |x| 1.0 - 0.3 * x);
    covered(of, 0.02, |q| q.estimate(Measurand::Crossover), CENTRE, (180, 93));
}

/// The smallest of several noisy distances is too small by about one standard deviation, which the interval holds but does
/// not centre on: nine in ten.
#[test]
fn a_flat_smallest_distance_is_covered() {
    let of = |f: f64| {
        let x = (f / CENTRE).ln();
        Complex64::from_polar(0.5 + 0.3 * x.powi(4), 1.2 + 0.6 * x) - 1.0
    };
    covered(of, 0.02, |q| q.estimate(Measurand::StabilityMargin), 0.5, (150, 90));
}

#[test]
fn two_rival_crossovers_are_covered() {
    let degrees = |x: f64| (70.0 - 30.0 * x * x).to_radians();
    let of = drawn(|x| -0.5 * (x * x * x - x), degrees);
    covered(of, 0.02, |q| q.estimate(Measurand::PhaseMargin), 40.0, (180, 93));
}
