//! Which samples of a curve are enough.
//!
//! Samples are added where the interpolation is worst until it gives every sample back, then each one is left out again
//! that the others give back. The least set would need a search over all sets; this one comes near it.

use crate::curve::{Curve, LocalError, db};
use std::ops::Range;

/// What the interpolation may be off at a sample that was left out, dB: a fiftieth of a good chain's accuracy, and as
/// little beside the drops that specs ask for.
const GAIN_DB: f64 = 0.002;
/// The same for the phase, deg.
const PHASE_DEG: f64 = 0.01;
/// Of the noise's standard uncertainty, where that is more: what is lost is then far less than what two sweeps of one unit
/// differ by.
const OF_NOISE: f64 = 0.5;
/// The interpolation takes four points.
const LEAST: usize = 4;

/// Indices of the samples in `range` to keep, rising; all of them where there are few. `noise` is the standard uncertainty from
/// noise of each sample of the curve; empty where it is not known.
pub fn thin(curve: &Curve, range: Range<usize>, noise: &[LocalError]) -> Vec<usize> {
    let (from, count) = (range.start, range.len());
    if count <= LEAST {
        return range.collect();
    }
    let thinner = Thinner { curve, noise };
    let mut kept: Vec<usize> = (0..LEAST).map(|k| from + k * (count - 1) / (LEAST - 1)).collect();
    loop {
        let more: Vec<usize> = (0..kept.len() - 1)
            .filter_map(|gap| thinner.worst(&kept, gap))
            .filter(|(_, off)| *off > 1.0)
            .map(|(sample, _)| sample)
            .collect();
        if more.is_empty() {
            break;
        }
        kept.extend(more);
        kept.sort_unstable();
    }
    let mut k = 1;
    while k + 1 < kept.len() && kept.len() > LEAST {
        let sample = kept.remove(k);
        // A sample is a node of the interpolation up to three gaps away.
        let gaps = k.saturating_sub(3)..(k + 3).min(kept.len() - 1);
        if gaps.filter_map(|gap| thinner.worst(&kept, gap)).any(|(_, off)| off > 1.0) {
            kept.insert(k, sample);
            k += 1;
        }
    }
    kept
}

struct Thinner<'a> {
    curve: &'a Curve,
    noise: &'a [LocalError],
}

impl Thinner<'_> {
    /// The sample inside a gap between kept ones that the interpolation is furthest off, and how far in units of what it may be.
    fn worst(&self, kept: &[usize], gap: usize) -> Option<(usize, f64)> {
        let first = gap.saturating_sub(1).min(kept.len().saturating_sub(LEAST));
        let nodes = kept.get(first..(first + LEAST).min(kept.len()))?;
        let inside = kept.get(gap)? + 1..*kept.get(gap + 1)?;
        inside.filter_map(|at| Some((at, self.off(nodes, at)?))).max_by(|a, b| a.1.total_cmp(&b.1))
    }

    /// How far the interpolation through `nodes` is off at a sample, in units of what it may be.
    fn off(&self, nodes: &[usize], sample: usize) -> Option<f64> {
        let (x, a, p) = (self.curve.ln_f(), self.curve.ln_mag(), self.curve.angle());
        let at = *x.get(sample)?;
        let (mut gain, mut angle) = (-a.get(sample)?, -p.get(sample)?);
        for own in nodes {
            let place = *x.get(*own)?;
            let others = nodes.iter().filter(|other| *other != own).filter_map(|other| x.get(*other));
            let weight: f64 = others.map(|other| (at - other) / (place - other)).product();
            gain += weight * a.get(*own)?;
            angle += weight * p.get(*own)?;
        }
        let noise = self.noise.get(sample).copied().unwrap_or_default();
        let gain_db = GAIN_DB.max(OF_NOISE * db(noise.ln_mag));
        let phase_deg = PHASE_DEG.max(OF_NOISE * noise.angle.to_degrees());
        Some((db(gain).abs() / gain_db).max(angle.to_degrees().abs() / phase_deg))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::spec::CriticalPoint;
    use crate::sweep::Samples;

    fn curve(count: u32, shape: impl Fn(f64) -> [f64; 2]) -> Curve {
        let mut samples = Samples::default();
        for k in 0..count {
            let x = 7.0 * f64::from(k) / f64::from(count - 1);
            let [ln_mag, angle] = shape(x);
            samples.push(100.0 * x.exp(), ln_mag, angle);
        }
        let mut curve = Curve::new();
        curve.fill(&samples, CriticalPoint::PlusOne);
        curve
    }

    /// A cubic is given back by any four of its points.
    #[test]
    fn a_cubic_takes_four_points() {
        let cubic = curve(300, |x| [5.0 - x - 0.01 * x * x * x, 1.0 - 0.1 * x * x]);
        assert_eq!(thin(&cubic, 0..300, &[]).len(), 4);
    }

    #[test]
    fn every_sample_left_out_is_given_back() {
        let resonance = |x: f64| {
            let (u, v) = (1.0 - (2.0 * (x - 3.0)).exp(), 0.1 * (x - 3.0).exp());
            [3.0 - x - 0.5 * (u * u + v * v).ln(), -v.atan2(u)]
        };
        for (count, most) in [(100, 70), (300, 70), (3000, 110)] {
            let own = curve(count, resonance);
            let kept = thin(&own, 0..count as usize, &[]);
            assert!(kept.len() <= most, "{count}: {}", kept.len());
            assert_eq!((kept[0], *kept.last().unwrap()), (0, count as usize - 1));
            let thinner = Thinner { curve: &own, noise: &[] };
            let worst = (0..kept.len() - 1).filter_map(|gap| thinner.worst(&kept, gap)).map(|(_, off)| off);
            assert!(worst.fold(0.0, f64::max) <= 1.0, "{count}");
        }
    }

    #[test]
    fn few_samples_stay() {
        let own = curve(5, |x| [x.sin(), x.cos()]);
        assert_eq!(thin(&own, 1..4, &[]), [1, 2, 3]);
        assert_eq!(thin(&own, 0..5, &[]), [0, 1, 2, 3, 4]);
    }
}
