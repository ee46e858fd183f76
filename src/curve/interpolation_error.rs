//! How far the curve between its samples may be off.

use super::Curve;
use super::cubic::{newton, newton_value};

/// Error of the interpolation at one frequency.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct LocalError {
    /// Of ln of the magnitude, neper.
    pub ln_mag: f64,
    /// Of the angle, rad.
    pub angle: f64,
}

impl LocalError {
    /// So many times as much.
    #[must_use]
    pub fn scaled(self, factor: f64) -> Self {
        Self { ln_mag: factor * self.ln_mag, angle: factor * self.angle }
    }

    /// The larger of both, part by part.
    #[must_use]
    pub fn max(self, other: Self) -> Self {
        Self { ln_mag: self.ln_mag.max(other.ln_mag), angle: self.angle.max(other.angle) }
    }
}

impl Curve {
    /// How far sample `k` lies from the cubic through the four samples that are one and two times `step` away, without it; `None` near the
    /// ends.
    pub(crate) fn left_out(&self, k: usize, step: usize) -> Option<LocalError> {
        let nodes = [k.checked_sub(2 * step)?, k - step, k + step, k + 2 * step];
        let own = *self.ln_f.get(k)?;
        let at = |values: &[f64]| {
            let mut found = [0.0; 4];
            for (slot, i) in found.iter_mut().zip(nodes) {
                *slot = *values.get(i)?;
            }
            Some(found)
        };
        let (x, a, p) = (at(&self.ln_f)?, at(&self.ln_mag)?, at(&self.angle)?);
        let miss = |y: &[f64; 4], own_y: f64| (newton_value(&x, y, own) - own_y).abs();
        Some(LocalError { ln_mag: miss(&a, *self.ln_mag.get(k)?), angle: miss(&p, *self.angle.get(k)?) })
    }

    /// What a sample that was left out says of the interpolation beside it. A smooth curve is missed by h^4/6 times its fourth derivative
    /// where samples lie h apart and by 16 times as much where they lie 2 h apart, and in the middle between samples its interpolation is off
    /// by 9/64 of the former. The slower the misses fall with h, the more of them may be left between the samples: all of
    /// it when they do not fall.
    ///
    /// `noise` is what the samples have of their own, independent of each other: the misses hold it too, and it is taken off their squares.
    fn told_by_sample(&self, k: usize, noise: LocalError) -> LocalError {
        // Variance of a miss per variance of a sample: 1 for the sample, squares of -1/6, 4/6, 4/6, -1/6 for its neighbours.
        const OF_A_MISS: f64 = 1.0 + 34.0 / 36.0;
        let without = |miss: f64, noise: f64| (miss * miss - OF_A_MISS * noise * noise).max(0.0).sqrt();
        let clear = |miss: LocalError| LocalError {
            ln_mag: without(miss.ln_mag, noise.ln_mag),
            angle: without(miss.angle, noise.angle),
        };
        let Some(near) = self.left_out(k, 1).map(clear) else { return LocalError::default() };
        let far = self.left_out(k, 2).map(clear);
        let part = |near: f64, far: Option<f64>| {
            // Near the ends nothing is known of how the misses fall: as h^2.
            let ratio = far.map_or(4.0, |far| far / near.max(f64::MIN_POSITIVE));
            let order = ratio.max(1.0).log2().min(4.0);
            near * (9.0_f64 / 64.0).powf(order / 4.0)
        };
        LocalError {
            ln_mag: part(near.ln_mag, far.map(|far| far.ln_mag)),
            angle: part(near.angle, far.map(|far| far.angle)),
        }
    }

    /// How far the interpolation at a frequency may be off, from how much the cubics through the four samples one step to
    /// the left and one to the right differ from it; at an end of the sweep the one further inside alone.
    ///
    /// The two samples beside it, each left out, tell as well; the largest counts.
    ///
    /// In the middle of an even grid the error term of the middle cubic is 9/24 of its difference to either neighbour
    /// (remainder of the interpolation: fourth derivative / 4! times the product of the distances to the nodes).
    #[must_use]
    pub fn interpolation_error(&self, ln_f: f64) -> LocalError {
        self.interpolation_error_beside(ln_f, |_| LocalError::default())
    }

    /// The same, with the noise that each sample has of its own.
    #[must_use]
    pub fn interpolation_error_beside(&self, ln_f: f64, noise: impl Fn(usize) -> LocalError) -> LocalError {
        let i = self.interval(ln_f);
        let n = self.len();
        let point = self.at(ln_f);
        let mut error = LocalError::default();
        let own = self.first_node(i);
        for first in [own.checked_sub(1), Some(own + 1)].into_iter().flatten().filter(|first| first + 4 <= n)
        {
            let nodes = first..first + 4;
            let (x, a, p) =
                (self.ln_f.get(nodes.clone()), self.ln_mag.get(nodes.clone()), self.angle.get(nodes));
            let (Some(x), Some(a), Some(p)) = (x, a, p) else { continue };
            let other = |y: &[f64]| newton(x, y, ln_f).value(0.0);
            error.ln_mag = error.ln_mag.max(9.0 / 24.0 * (other(a) - point.ln_mag).abs());
            error.angle = error.angle.max(9.0 / 24.0 * (other(p) - point.angle).abs());
        }
        for told in [i, i + 1].map(|k| self.told_by_sample(k, noise(k))) {
            error = error.max(told);
        }
        error
    }
}
