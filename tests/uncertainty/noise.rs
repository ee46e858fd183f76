//! Noise of the samples: followed, or refused.

use super::{analysed, grid, near};
use loopgauge::analysed::Analysed;
use loopgauge::curve::wrap;
use loopgauge::sanity::{Subject, drowned};
use loopgauge::spec::CriticalPoint;
use loopgauge::sweep::Samples;
use loopgauge::uncertainty::Chain;
use num_complex::Complex64;
use rand_distr::{Distribution, StandardNormal};
use rand_pcg::Pcg64;
use rand_pcg::rand_core::SeedableRng;

/// A constant of magnitude 1 and phase -120 deg with independent normal errors of `noise` in both components.
fn constant(noise: f64, seed: u64) -> Analysed {
    let mut random = Pcg64::seed_from_u64(seed);
    let hz = grid(1e3, 2.0, 60.0);
    let gain = hz.iter().map(|_| {
        let [re, im] = [(); 2].map(|()| StandardNormal.sample(&mut random));
        Complex64::from_polar(1.0, -120f64.to_radians()) * (1.0 + noise * Complex64::new(re, im))
    });
    let gain: Vec<Complex64> = gain.collect();
    analysed(&Samples::from_complex(&hz, &gain).unwrap())
}

fn is_drowned(own: &Analysed) -> bool {
    let subject = Subject {
        begins_late: false,
        sweep: own,
        span: own.curve.span(),
        open_loop_poles: 0,
        second: None,
        critical_point: CriticalPoint::MinusOne,
        chain: Chain::default(),
    };
    drowned(&subject).is_some()
}

/// JCGM 102:2011, 9.3: with an uncertainty of a tenth of the value, magnitude and phase have the uncertainties 0.0100 of 0.1005 and
/// 0.1005 rad; there the linear law holds, and the logarithm of the magnitude has no bias. With one as large as the value the
/// phase's is 1.118 rad instead of 1.0 and the magnitude is off by half.
#[test]
fn noise_of_a_tenth_is_followed_and_noise_like_the_signal_is_refused() {
    const SWEEPS: u64 = 60;
    let at = 1e4_f64.ln();
    let (mut sum, mut squares, mut stated, mut sigma) = ([0.0; 2], [0.0; 2], [0.0; 2], 0.0);
    for seed in 0..SWEEPS {
        let own = constant(0.1, seed);
        assert!(!is_drowned(&own));
        let (point, noise) = (own.curve.at(at), own.noise.at(&own.curve, at));
        let errors = [point.ln_mag, wrap(point.angle - 60f64.to_radians())];
        for (k, error) in errors.into_iter().enumerate() {
            sum[k] += error;
            squares[k] += error * error;
        }
        stated[0] += noise.ln_mag.powi(2);
        stated[1] += noise.angle.powi(2);
        let samples = own.noise.sigma();
        sigma += samples.iter().sum::<f64>() / samples.len() as f64 / SWEEPS as f64;
        assert!(is_drowned(&constant(1.0, seed)), "{seed}");
    }
    near(sigma, 0.1005, 0.02);
    for k in 0..2 {
        let mean = sum[k] / SWEEPS as f64;
        let u = (stated[k] / SWEEPS as f64).sqrt();
        // Two standard deviations of the mean of 60.
        assert!(mean.abs() < 2.0 * u / (SWEEPS as f64).sqrt(), "{k}: {mean}, {u}");
        // A standard deviation of 60 is itself known to 9 %.
        near((squares[k] / SWEEPS as f64).sqrt(), u, 0.2);
    }
}
