//! Cubic fits by least squares over windows of a few neighbouring samples, whose sums of powers follow from one window to the next.
//!
//! The weight of sample j in the fit at a place t is c0 + c1 t_j + c2 t_j^2 + c3 t_j^3, where c solves the normal equations with
//! (1, t, t^2, t^3) on the right (any text on least squares). They are parted as L D L' without roots; that a pivot is small beside
//! its diagonal tells how many digits are lost.

/// Most samples that neighbouring windows reach over.
const MOST: usize = 96;
/// Part of its diagonal that a pivot must have, so that weights are good to 1e-12: even samples leave 0.16 of the last, at the side of the
/// samples that are looked at together 0.03.
const LEAST_PIVOT: f64 = 2e-3;

/// Neighbouring samples, on a scale from -1 to 1, and the sums over one window of them.
#[derive(Debug)]
pub(crate) struct NearCubic {
    t: [f64; MOST],
    width: usize,
    start: usize,
    /// Of the powers 0 to 6.
    sums: [f64; 7],
}

/// Powers 0 to 6.
fn powers(t: f64) -> [f64; 7] {
    let (t2, t3) = (t * t, t * t * t);
    [1.0, t, t2, t3, t2 * t2, t2 * t3, t3 * t3]
}

impl NearCubic {
    /// Of samples at `x`, with the window of the first `width` of them; `None` where there are too many.
    pub(crate) fn new(x: &[f64], width: usize) -> Option<Self> {
        let (first, last) = (x.first()?, x.last()?);
        let (middle, per_half) = (0.5 * (first + last), 2.0 / (last - first));
        let mut t = [0.0; MOST];
        for (t, x) in t.get_mut(..x.len())?.iter_mut().zip(x) {
            *t = (x - middle) * per_half;
        }
        let mut near = Self { t, width, start: 0, sums: [0.0; 7] };
        for t in t.get(..width)? {
            near.sums.iter_mut().zip(powers(*t)).for_each(|(sum, power)| *sum += power);
        }
        Some(near)
    }

    /// Moves the window on.
    pub(crate) fn slide_to(&mut self, start: usize) {
        for out in self.start..start {
            let at = |i: usize| powers(self.t.get(i).copied().unwrap_or(0.0));
            let pairs = at(out + self.width).into_iter().zip(at(out));
            self.sums.iter_mut().zip(pairs).for_each(|(sum, (enters, leaves))| *sum += enters - leaves);
        }
        self.start = self.start.max(start);
    }

    /// Writes the weights of the fit over the window at sample `own`; gives the sum of their squares. `None` where too many digits are
    /// lost.
    pub(crate) fn row(&self, own: usize, weights: &mut [f64]) -> Option<f64> {
        let [s0, s1, s2, s3, s4, s5, s6] = self.sums;
        let per_d0 = 1.0 / s0;
        let (l10, l20, l30) = (s1 * per_d0, s2 * per_d0, s3 * per_d0);
        let d1 = s2 - l10 * s1;
        let per_d1 = 1.0 / d1;
        let (m21, m31) = (s3 - l20 * s1, s4 - l30 * s1);
        let (l21, l31) = (m21 * per_d1, m31 * per_d1);
        let d2 = s4 - l20 * s2 - l21 * m21;
        let per_d2 = 1.0 / d2;
        let m32 = s5 - l30 * s2 - l31 * m21;
        let l32 = m32 * per_d2;
        let d3 = s6 - l30 * s3 - l31 * m31 - l32 * m32;
        // Not so for numbers that are none, too.
        if !(d1 > LEAST_PIVOT * s2 && d2 > LEAST_PIVOT * s4 && d3 > LEAST_PIVOT * s6) {
            return None;
        }
        let [_, t, t2, t3, ..] = powers(*self.t.get(own)?);
        let z1 = t - l10;
        let z2 = t2 - l20 - l21 * z1;
        let z3 = t3 - l30 - l31 * z1 - l32 * z2;
        let (y1, y2, c3) = (z1 * per_d1, z2 * per_d2, z3 / d3);
        let c2 = y2 - l32 * c3;
        let c1 = y1 - l21 * c2 - l31 * c3;
        let c0 = per_d0 - l10 * c1 - l20 * c2 - l30 * c3;
        for (weight, t) in weights.iter_mut().zip(self.t.get(self.start..self.start + self.width)?) {
            *weight = ((c3 * t + c2) * t + c1) * t + c0;
        }
        Some(per_d0 + z1 * y1 + z2 * y2 + z3 * c3)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn row(near: &NearCubic, own: usize) -> Option<Vec<f64>> {
        let mut weights = vec![0.0; near.width];
        near.row(own, &mut weights)?;
        Some(weights)
    }

    #[test]
    fn a_window_that_was_moved_is_as_one_that_begins_there() {
        let x: Vec<f64> = (0..89).map(|k| 0.02 * f64::from(k) + 0.005 * f64::from(k * k % 7)).collect();
        let mut moved = NearCubic::new(&x, 65).unwrap();
        for start in [0, 3, 8, 24] {
            moved.slide_to(start);
            let fresh = NearCubic::new(&x[start..start + 65], 65).unwrap();
            for own in [0, 30, 64] {
                let (a, b) = (row(&moved, start + own).unwrap(), row(&fresh, own).unwrap());
                assert!(a.iter().zip(&b).all(|(a, b)| (a - b).abs() < 1e-13), "{start} {own}");
            }
        }
    }

    /// Seven samples, four of which are nearly one.
    #[test]
    fn where_digits_are_lost_nothing_is_told() {
        let x = [0.0, 1e-4, 2e-4, 3e-4, 1.0, 1.0001, 1.0002];
        assert_eq!(row(&NearCubic::new(&x, 7).unwrap(), 3), None);
        assert!(NearCubic::new(&[1.0; 97], 7).is_none(), "too many");
    }
}
