//! Single samples that stand out of their neighbourhood: interference that hit one point of the sweep.
//!
//! A sample is a spike when the cubic through its neighbours misses it by far more than the noise and passes all the
//! neighbours within the noise. A resonance, however sharp, lifts its neighbours too. What another sweep of the same loop shows as
//! well is none, even if it stands on one sample alone.
//!
//! **Why are spikes left out and not refused?** One sample hit by interference says nothing of the loop, and its
//! neighbours carry the curve. It is named. Only a limit that stands on such a sample (`gain@`) is invalid.

use super::gain_phase::Columns;
use super::grid::DIFFERENCE;
use super::residuals::{BLOCK, Power};
use crate::curve::Curve;

/// One sample that stands out.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Spike {
    /// Index of the sample.
    pub index: usize,
    /// Frequency, Hz.
    pub at_hz: f64,
    /// How far ln of the magnitude lies from its neighbours' curve, neper.
    pub ln_mag: f64,
    /// How far the phase lies from it, rad.
    pub angle: f64,
    /// The multiple of a mains frequency that it lies on: (mains frequency, multiple).
    pub mains: Option<(u32, u32)>,
}

/// Squared residual over its expectation that makes a sample worth a look; exp(-10) by chance.
const LOOK: f64 = 10.0;
/// That makes it a spike; exp(-18), some 1e-8, by chance.
const SPIKE: f64 = 18.0;
/// Smaller than this, neper or rad (0.17 dB, 1.1 deg), no verdict turns on it.
const LEAST: f64 = 0.02;
/// What the neighbours may leave their own curve by: this many standard deviations of the noise …
const NEIGHBOURS: f64 = 2.0;
/// … and this part of the spike, for the bend of the curve.
const BEND: f64 = 0.02;
/// Neighbours to each side.
const SIDE: usize = 3;
/// The other sweep shows the same when its sample stands out alike but for this part: at least a third of it, so that a resonance that has moved
/// a little is none. On a multiple of the mains, interference hits every sweep alike.
const SHOWN: f64 = 0.67;
/// Mains frequencies, Hz (common practice, no source: 50 Hz or 60 Hz, all over the world).
const MAINS_HZ: [u32; 2] = [50, 60];
/// Highest multiple that is named.
const MULTIPLES: u32 = 20;

/// Finds spikes; `powers` are the squared residuals, `sigma` the noise of their blocks, `y` is mended in place.
pub(crate) fn mend(
    raw: &Curve,
    powers: &[Power],
    sigma: impl Fn(usize) -> f64,
    other: Option<&Columns>,
    y: &mut Columns,
    spikes: &mut Vec<Spike>,
) {
    spikes.clear();
    let half = DIFFERENCE / 2;
    let stands_out = |start: usize| -> bool {
        let (Some(power), sigma) = (powers.get(start), sigma(start / BLOCK)) else { return false };
        let size = power.ln_mag + power.angle;
        // The residual has 0.66 of a spike at its centre.
        size > LOOK * 2.0 * sigma * sigma && size > 0.4 * LEAST * LEAST
    };
    let largest_about = |start: usize| {
        let size = |k: usize| powers.get(k).map_or(0.0, |p| p.ln_mag + p.angle);
        (start.saturating_sub(SIDE)..=start + SIDE).all(|k| size(k) <= size(start))
    };
    for start in 0..powers.len() {
        if !stands_out(start) || !largest_about(start) {
            continue;
        }
        let i = start + half;
        let Some((offset, scatter)) = without(raw.ln_f(), y, i) else { continue };
        let sigma = sigma(start / BLOCK);
        let size2 = offset[0] * offset[0] + offset[1] * offset[1];
        // Predicting from six neighbours adds half of their variance.
        let chance = size2 / (2.0 * 1.5 * sigma * sigma);
        if chance < SPIKE || size2 < LEAST * LEAST || scatter > NEIGHBOURS * sigma + BEND * size2.sqrt() {
            continue;
        }
        let at_hz = raw.frequency_hz().get(i).copied().unwrap_or(0.0);
        let mains = mains(raw.frequency_hz(), i);
        let alike =
            other.filter(|_| mains.is_none()).and_then(|other| without(raw.ln_f(), other, i)).is_some_and(
                |(shown, _)| (shown[0] - offset[0]).hypot(shown[1] - offset[1]) < SHOWN * size2.sqrt(),
            );
        if alike {
            continue;
        }
        spikes.push(Spike { index: i, at_hz, ln_mag: offset[0], angle: offset[1], mains });
        let [gain, phase] = y.get(i);
        y.set(i, [gain - offset[0], phase - offset[1]]);
    }
}

/// How far sample `i` lies from the cubic through its six neighbours, and their rms distance from it per component.
fn without(x: &[f64], y: &Columns, i: usize) -> Option<([f64; 2], f64)> {
    let from = i.checked_sub(SIDE)?;
    let x = x.get(from..=i + SIDE)?;
    let origin = *x.get(SIDE)?;
    // Normal equations in s, scaled to the window; four unknowns, two right-hand sides.
    let scale = x.first().zip(x.last()).map(|(a, b)| 0.5 * (b - a))?;
    let mut m = [[0.0; 6]; 4];
    let neighbours = || x.iter().enumerate().filter(|(k, _)| *k != SIDE).map(|(k, x)| (x, y.get(from + k)));
    let powers = |x: f64| {
        let s = (x - origin) / scale;
        [1.0, s, s * s, s * s * s]
    };
    for (x, y) in neighbours() {
        let p = powers(*x);
        for (row, a) in m.iter_mut().zip(p) {
            let terms = [p[0], p[1], p[2], p[3], y[0], y[1]];
            row.iter_mut().zip(terms).for_each(|(cell, b)| *cell += a * b);
        }
    }
    let [c, d] = solve(m)?;
    let value = |c: &[f64; 4], x: f64| c.iter().zip(powers(x)).map(|(c, p)| c * p).sum::<f64>();
    let rest: f64 =
        neighbours().map(|(x, y)| (y[0] - value(&c, *x)).powi(2) + (y[1] - value(&d, *x)).powi(2)).sum();
    let own = y.get(i);
    // Six points, four unknowns: two are left for each component.
    Some(([own[0] - c[0], own[1] - d[0]], (rest / 4.0).sqrt()))
}

/// Gaussian elimination with pivots (any numerical handbook) of a 4 by 4 system with two right-hand sides.
fn solve(mut m: [[f64; 6]; 4]) -> Option<[[f64; 4]; 2]> {
    for k in 0..4 {
        let pivot = (k..4).max_by(|a, b| {
            let size = |r: usize| m.get(r).and_then(|row| row.get(k)).map_or(0.0, |v: &f64| v.abs());
            size(*a).total_cmp(&size(*b))
        })?;
        m.swap(k, pivot);
        let row = *m.get(k)?;
        let lead = *row.get(k)?;
        if lead.abs() < 1e-12 {
            return None;
        }
        for (r, other) in m.iter_mut().enumerate() {
            if r != k {
                let factor = other.get(k).copied().unwrap_or(0.0) / lead;
                other.iter_mut().zip(row).for_each(|(cell, v)| *cell -= factor * v);
            }
        }
    }
    let mut out = [[0.0; 4]; 2];
    for (k, row) in m.iter().enumerate() {
        let lead = row.get(k)?;
        for (side, part) in out.iter_mut().enumerate() {
            *part.get_mut(k)? = row.get(4 + side)? / lead;
        }
    }
    Some(out)
}

/// The multiple of a mains frequency nearest to sample `i`, when it lies closer to it than its neighbours do.
pub(crate) fn mains(frequency_hz: &[f64], i: usize) -> Option<(u32, u32)> {
    let own = *frequency_hz.get(i)?;
    let below = frequency_hz.get(i.checked_sub(1)?)?;
    let above = frequency_hz.get(i + 1)?;
    MAINS_HZ
        .into_iter()
        .flat_map(|mains| (1..=MULTIPLES).map(move |multiple| (mains, multiple)))
        .map(|(mains, multiple)| (mains, multiple, f64::from(mains * multiple)))
        .filter(|(_, _, hz)| *hz > 0.5 * (below + own) && *hz < 0.5 * (own + above))
        // Of two that fit, the closer one; a multiple of both is called one of 50 Hz.
        .min_by(|a, b| (a.2 - own).abs().total_cmp(&(b.2 - own).abs()))
        .map(|(mains, multiple, _)| (mains, multiple))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::noise::simulated_noise::{analysed, grid, line, resonance, samples, sweep};

    /// 40 points per decade from 10 Hz: the nearest to 150 Hz is 149.6 Hz.
    #[test]
    fn one_spike_is_found_with_its_mains_multiple() {
        let hz = grid(40);
        let at = hz.iter().position(|f| (f - 150.0).abs() < 3.0).unwrap();
        for seed in 0..20 {
            let mut hit = samples(&hz, &line, &|_| [0.002; 2], seed);
            hit.planted().0[at] += 0.06;
            hit.planted().1[at] -= 0.04;
            let own = analysed(&hit);
            let [spike] = own.noise.spikes() else { panic!("{:?}", own.noise.spikes()) };
            assert_eq!((spike.index, spike.at_hz, spike.mains), (at, hz[at], Some((50, 3))));
            // Six neighbours predict the sample to half of their variance: five standard deviations of 0.0024.
            assert!((spike.ln_mag - 0.06).abs() < 0.012 && (spike.angle + 0.04).abs() < 0.012, "{spike:?}");
            // The curve does not follow it.
            assert!((own.curve.ln_mag()[at] - line((hz[at] / 1e3).ln())[0]).abs() < 0.012);
        }
    }

    #[test]
    fn spikes_off_the_mains_have_no_multiple() {
        let hz = grid(40);
        let at = hz.iter().position(|f| *f > 7e3).unwrap();
        let mut hit = samples(&hz, &line, &|_| [0.002; 2], 1);
        hit.planted().1[at] += 0.1;
        let own = analysed(&hit);
        assert_eq!(own.noise.spikes().iter().map(|s| (s.index, s.mains)).collect::<Vec<_>>(), [(at, None)]);
    }

    #[test]
    fn a_sharp_resonance_is_no_spike() {
        for per_decade in [25, 40, 60, 100] {
            let hz = grid(per_decade);
            for q in [2.0, 5.0, 10.0, 20.0, 50.0] {
                for sigma in [0.0, 1e-4, 0.003] {
                    let own = sweep(&hz, &|x| resonance(x, q), &|_| [sigma; 2], 1);
                    assert_eq!(own.noise.spikes(), [], "q {q}, {per_decade} per decade, {sigma}");
                }
            }
        }
    }

    #[test]
    fn noise_makes_no_spike() {
        let hz = grid(50);
        for seed in 0..300 {
            for sigma in [0.01, 0.1] {
                let own = sweep(&hz, &line, &|_| [sigma; 2], seed);
                assert_eq!(own.noise.spikes(), [], "{seed} {sigma}");
            }
        }
    }

    /// Halfway to the neighbours is as far as a multiple may lie.
    #[test]
    fn the_nearest_multiple_is_named() {
        assert_eq!(mains(&[90.0, 101.0, 112.0], 1), Some((50, 2)));
        assert_eq!(mains(&[110.0, 118.0, 126.0], 1), Some((60, 2)));
        assert_eq!(mains(&[290.0, 300.0, 310.0], 1), Some((50, 6)), "of both");
        assert_eq!(mains(&[70.0, 76.0, 82.0], 1), None);
        assert_eq!(mains(&[9e3, 10e3, 11e3], 1), None, "beyond the multiples that are named");
        assert_eq!(mains(&[50.0, 60.0], 0), None, "an end has no neighbour");
    }
}
