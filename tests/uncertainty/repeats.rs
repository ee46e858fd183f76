//! The mean of repeats: values and uncertainties of the guide to the expression of uncertainty.

use super::{grid, judge, near};
use loopgauge::check::Verdict;
use loopgauge::measurand::Measurand;
use loopgauge::sweep::Samples;
use loopgauge::uncertainty::Source;
use rand_distr::{Distribution, StandardNormal};
use rand_pcg::Pcg64;
use rand_pcg::rand_core::SeedableRng;
use std::f64::consts::FRAC_PI_2;

/// JCGM 100:2008, H.2, table H.2: five observations of voltage / V, current / mA and phase / rad.
const H2: [(f64, f64, f64); 5] = [
    (5.007, 19.663, 1.0456),
    (4.994, 19.639, 1.0438),
    (5.005, 19.640, 1.0468),
    (4.990, 19.685, 1.0428),
    (4.999, 19.678, 1.0433),
];

/// The five observations as repeats of an integrator's loop gain, one in another order at every frequency so that neighbours
/// do not share their error. Their mean crosses 0 dB at the sample in the middle with -90 deg.
fn h2_repeats(hz: &[f64]) -> Vec<Samples> {
    let impedance = H2.map(|(v, i, phi)| ((v / (i * 1e-3)).ln(), phi));
    let mean = impedance.iter().fold((0.0, 0.0), |sum, z| (sum.0 + z.0 / 5.0, sum.1 + z.1 / 5.0));
    let middle = hz[hz.len() / 2];
    let mut random = Pcg64::seed_from_u64(2008);
    let mut repeats: [(Vec<f64>, Vec<f64>); 5] = Default::default();
    for &f in hz {
        let draw: f64 = StandardNormal.sample(&mut random);
        let turn = (draw.abs() * 1e3) as usize;
        for (k, columns) in repeats.iter_mut().enumerate() {
            let (ln_mag, phi) = impedance[(k + turn) % 5];
            columns.0.push((middle / f).ln() + ln_mag - mean.0);
            columns.1.push(phi - mean.1 - FRAC_PI_2);
        }
    }
    repeats.iter().map(|(ln_mag, phase)| Samples::from_ln_rad(hz, ln_mag, phase).unwrap()).collect()
}

/// The u of the mean of |Z| = 254.260050 ohm is 0.236248 ohm, that of the mean phase 0.00075 rad (JCGM 100:2008, H.2.3 and
/// H.2.4, approach 2: each observation evaluated by itself; more digits by computation). Crossover and phase margin are read
/// from a cubic through 49 even points, which keeps 3 (3 m^2 + 3 m - 1) / ((2 m - 1) (2 m + 1) (2 m + 3)) of the
/// variance at its middle, m = 24 (A. Savitzky and M. J. E. Golay, Analytical Chemistry 36, 1964: from memory).
#[test]
fn five_repeats_have_the_uncertainty_of_the_guide() {
    let hz = grid(100.0, 4.0, 59.75);
    assert_eq!(hz.len(), 240);
    let spec = "spec: 1\nproduct: gauge\ncritical_point: -1\nlinearity: {waived: one level}\n\
                limits: {phase_margin: {min: 30 deg}}\ncorners: [{name: only}]\n";
    let corner = judge(spec, &["-20 dBm"; 5], &h2_repeats(&hz));
    assert_eq!(corner.verdict, Verdict::Waived, "linearity alone: {:?}", corner.checks);
    let measured = corner.measured.unwrap();
    let (crossover, margin) = (Measurand::Crossover, Measurand::PhaseMargin);
    let (crossover, margin) = (measured.get(crossover).unwrap(), measured.get(margin).unwrap());
    near(crossover.value, hz[120], 1e-9);
    near(margin.value, 90.0, 1e-9);
    let m = 24.0;
    let kept: f64 =
        3.0 * (3.0 * m * m + 3.0 * m - 1.0) / ((2.0 * m - 1.0) * (2.0 * m + 1.0) * (2.0 * m + 3.0));
    // Two parts more: the logarithm's bias, 1/(2 dof) with 64 degrees of freedom in a block of eight samples of five
    // repeats, less than a per cent of what is stated; and Student's factor with the 177 of three blocks, 1.25/177.
    let more = (1.0 + 0.5 / 64.0) * (1.0 + 1.25 / 177.0);
    near(
        crossover.uncertainty.unwrap() / crossover.value,
        2.0 * 0.236248 / 254.260050 * kept.sqrt() * more,
        2e-3,
    );
    near(margin.uncertainty.unwrap().to_radians(), 2.0 * 0.00075 * kept.sqrt() * more, 4e-3);
    for value in [crossover, margin] {
        let budget = value.budget.unwrap();
        near(budget.noise, value.uncertainty.unwrap(), 1e-6);
        assert_eq!(budget.largest(), Some(Source::Noise));
        assert!(!value.simulated);
    }
}
