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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::noise::simulated_noise::samples;
    use crate::spec::CriticalPoint;

    /// ln of the magnitude over places k h, k from 0 to 12, and twice as much as angle.
    fn curve(h: f64, shape: impl Fn(f64) -> f64) -> Curve {
        let hz: Vec<f64> = (0..=12).map(|k| (h * f64::from(k)).exp()).collect();
        let shape = |x: f64| [1.0, 2.0].map(|part| part * shape(x + 1e3_f64.ln()));
        let mut curve = Curve::new();
        curve.fill(&samples(&hz, &shape, &|_| [0.0; 2], 0), CriticalPoint::PlusOne);
        curve
    }

    /// x^4 is missed by h^4 / 6 times 24 where samples lie h apart, by 16 times as much at 2 h.
    #[test]
    fn a_sample_left_out_is_missed_by_the_fourth_derivative() {
        let h = 0.1;
        let own = curve(h, |x| (x - 0.6).powi(4));
        for k in 4..=8 {
            let (near, far) = (own.left_out(k, 1).unwrap(), own.left_out(k, 2).unwrap());
            assert!((near.ln_mag / (4.0 * h.powi(4)) - 1.0).abs() < 1e-6, "{near:?}");
            assert!((far.ln_mag / near.ln_mag - 16.0).abs() < 1e-6);
            assert!((near.angle / near.ln_mag - 2.0).abs() < 1e-6);
        }
        assert_eq!(
            [own.left_out(1, 1), own.left_out(3, 2), own.left_out(11, 1), own.left_out(9, 2)],
            [None; 4]
        );
        assert!(own.left_out(2, 1).is_some() && own.left_out(10, 1).is_some());
    }

    /// In the middle between two samples the cubic misses x^4 by 9/16 h^4: 9/24 of the difference to its neighbours, and 9/64 of what a
    /// sample left out is missed by.
    #[test]
    fn the_error_of_a_smooth_curve_is_known_in_the_middle_of_a_step() {
        let h = 0.1;
        let own = curve(h, |x| (x - 0.6).powi(4));
        let at = 5.5 * h;
        let missed = (own.at(at).ln_mag - (at - 0.6).powi(4)).abs();
        let told = own.interpolation_error(at);
        assert!((missed / (9.0 / 16.0 * h.powi(4)) - 1.0).abs() < 1e-6, "{missed}");
        assert!((told.ln_mag / missed - 1.0).abs() < 1e-6, "{told:?} {missed}");
        assert!((told.angle / told.ln_mag - 2.0).abs() < 1e-6);
        // Noise of each sample is taken off what a sample left out tells, not off the difference of cubics.
        let noise = LocalError { ln_mag: 1.0, angle: 1.0 };
        assert_eq!(own.interpolation_error_beside(at, |_| noise), told);
    }

    /// A spike of one sample does not fall with the step: all of it may be left between the samples.
    #[test]
    fn misses_that_do_not_fall_count_in_full() {
        let own = curve(0.1, |x| if (x - 0.6).abs() < 1e-6 { 0.5 } else { 0.0 });
        let told = own.interpolation_error(0.62);
        assert!((told.ln_mag - 0.5).abs() < 1e-9 && (told.angle - 1.0).abs() < 1e-9, "{told:?}");
        // As large as its noise it says nothing but by the difference of cubics, which noise makes, too.
        let noise = LocalError { ln_mag: 0.5, angle: 1.0 };
        let told = own.interpolation_error_beside(0.62, |_| noise);
        assert!(told.ln_mag < 0.1 && told.angle < 0.2, "{told:?}");
    }

    /// Two steps from an end nothing is known of how misses fall: as the square, 3/8 of the miss.
    #[test]
    fn near_the_ends_a_miss_falls_as_the_square() {
        let h = 0.1;
        let own = curve(h, |x| (x - 0.6).powi(4));
        let told = own.interpolation_error(1.5 * h);
        assert!((told.ln_mag / (3.0 / 8.0 * 4.0 * h.powi(4)) - 1.0).abs() < 1e-6, "{told:?}");
        assert_eq!(told.scaled(2.0).angle, 2.0 * told.angle);
    }
}
