//! Uncertainties that have a closed form.

use super::{COVERAGE, analysed, grid, integrator, near, sweep};
use loopgauge::analysed::Analysed;
use loopgauge::curve::{Curve, Span};
use loopgauge::margins::{self, Crossings};
use loopgauge::monte_carlo::Trials;
use loopgauge::uncertainty::Chain;
use num_complex::Complex64;
use std::f64::consts::TAU;

/// A line that falls by 20 dB per decade through 0 dB at 10 kHz, -120 deg everywhere; samples every 1/100 of a decade.
pub fn straight(sigma: f64, seed: u64) -> Analysed {
    let of = |f: f64| Complex64::from_polar(1e4 / f, -120f64.to_radians());
    analysed(&sweep(&grid(1e3, 2.0, 100.0), of, sigma, seed))
}

pub fn ln_crossover(sweep: &Analysed, chain: &Chain, coverage: f64) -> f64 {
    let span = sweep.curve.span();
    let own = margins::crossover(&sweep.crossings, span).unwrap();
    let read = |_: &Curve, c: &Crossings, span: Span| Some(margins::crossover(c, span)?.value.ln());
    Trials::default().half_width(sweep, chain, span, own.value.ln(), coverage, &read).unwrap()
}

/// Half width of the interval that holds the share `p` of a sum of n rectangular distributions of half width 1, from the
/// outermost piece of its distribution (Irwin and Hall: the tail is (n - x)^n / (2^n n!)).
fn sum_of_rectangular(n: i32, p: f64) -> f64 {
    let factorial: f64 = (1..=n).map(f64::from).product();
    f64::from(n) - (0.5 * (1.0 - p) * 2f64.powi(n) * factorial).powf(1.0 / f64::from(n))
}

/// JCGM 101:2008, 9.2.3: four of standard uncertainty 1 (half width sqrt 3) have +-3.88, more exactly 3.879407.
#[test]
fn the_closed_form_is_that_of_the_guide() {
    near(3f64.sqrt() * sum_of_rectangular(4, 0.95), 3.879_407, 1e-6);
    near(sum_of_rectangular(1, 0.9545), 0.9545, 1e-12);
}

/// The interval comes from 2000 trials, which leave its ends some 3 % open; the larger of the two sides, which is taken, lies
/// some 2 % outward in the mean.
const OPEN: f64 = 0.035;

/// JCGM 101:2008, 6.4.2: a rectangular distribution. Twice the standard deviation of a normal one covers 0.9545.
#[test]
fn rectangular_sources_give_the_intervals_of_closed_forms() {
    // Sweeps that differ in their last digits have draws of their own: their mean is nearer.
    let sweeps: Vec<Analysed> = (0..8).map(|seed| straight(1e-9, seed)).collect();
    let mean = |of: &dyn Fn(&Analysed) -> f64| sweeps.iter().map(of).sum::<f64>() / 8.0;
    // One: an offset of the gain, through a slope of -1.
    let gain = Chain { gain_np: 0.02, ..Chain::default() };
    near(mean(&|own| ln_crossover(own, &gain, COVERAGE)), 0.9545 * 0.02, 0.01);
    near(mean(&|own| ln_crossover(own, &gain, 1.959_964)), 0.95 * 0.02, 0.01);
    let at = 5e3_f64.ln();
    let sum = |curve: &Curve| curve.at(at).ln_mag + curve.at(at).angle;
    let simulate = |chain: &Chain, coverage: f64| {
        mean(&|own| {
            let read = |curve: &Curve, _: &Crossings, _: Span| Some(sum(curve));
            let (span, value) = (own.curve.span(), sum(&own.curve));
            Trials::default().half_width(own, chain, span, value, coverage, &read).unwrap()
        })
    };
    let phase = Chain { phase_rad: 0.01, ..Chain::default() };
    near(simulate(&phase, COVERAGE), 0.9545 * 0.01, 0.01);
    // Two and three alike: gain, phase and the delay's phase at 5 kHz.
    let delay_s = 0.01 / (TAU * 5e3);
    let two = Chain { gain_np: 0.01, phase_rad: 0.01, ..Chain::default() };
    near(simulate(&two, 1.959_964), 0.01 * sum_of_rectangular(2, 0.95), OPEN);
    let three = Chain { gain_np: 0.01, phase_rad: 0.01, delay_s, ..Chain::default() };
    near(simulate(&three, 1.959_964), 0.01 * sum_of_rectangular(3, 0.95), OPEN);
    // JCGM 101:2008, 9.2.4 with one of the three small ones less: standard uncertainties 1, 1 and 10. With c = x - 10 sqrt 3
    // the tail of the sum is the mean of (triangle - c)+ over 20 sqrt 3, which is 0.025 at x = 16.815; the guide's 17.0 has a
    // third small one. The law of propagation with a normal distribution says 1.96 sqrt 102 = 19.8.
    let u = 0.001 * 3f64.sqrt();
    let wide = Chain { gain_np: u, phase_rad: u, delay_s: 10.0 * u / (TAU * 5e3), ..Chain::default() };
    near(simulate(&wide, 1.959_964), 0.016_815, 0.01);
}

/// JCGM 101:2008, 9.2.2: the sum of four normal distributions with u 1 has u 2 and the 95 % interval +-3.92 (3.919928).
#[test]
fn a_sum_of_four_normal_sources_has_the_interval_of_the_guide() {
    // Far apart, so that no two share a window.
    let hz = grid(1e2, 4.0, 60.0);
    let places = [30, 90, 150, 210].map(|i| hz[i].ln());
    let mut ratios = Vec::new();
    for seed in 0..6 {
        let own = analysed(&sweep(&hz, |f| integrator(f, 9e3), 0.01, seed));
        let sum = |curve: &Curve| places.iter().map(|x| curve.at(*x).ln_mag).sum::<f64>();
        let read = |curve: &Curve, _: &Crossings, _: Span| Some(sum(curve));
        let half = Trials::default()
            .half_width(&own, &Chain::default(), own.curve.span(), sum(&own.curve), 1.959_964, &read)
            .unwrap();
        let u2: f64 = places.iter().map(|x| own.noise.at(&own.curve, *x).ln_mag.powi(2)).sum();
        ratios.push(half / (u2.sqrt() / 2.0));
    }
    let mean = ratios.iter().sum::<f64>() / ratios.len() as f64;
    near(mean, 3.919_928, OPEN);
    ratios.iter().for_each(|ratio| near(*ratio, 3.919_928, 0.1));
}
