//! The cubic through four neighbouring samples.

use super::point::Point;

/// The cubic through four samples (fewer on a shorter curve), in s = ln f - `origin`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Cubic {
    pub(crate) c: [f64; 4],
}

impl Cubic {
    pub(crate) fn value(&self, s: f64) -> f64 {
        let [c0, c1, c2, c3] = self.c;
        c0 + s * (c1 + s * (c2 + s * c3))
    }

    pub(crate) fn slope(&self, s: f64) -> f64 {
        let [_, c1, c2, c3] = self.c;
        c1 + s * (2.0 * c2 + s * (3.0 * c3))
    }

    /// Where the slope is 0 inside (0, `h`), rising; up to two places.
    pub(crate) fn extrema(&self, h: f64) -> [Option<f64>; 2] {
        let [_, c1, c2, c3] = self.c;
        // 3 c3 s^2 + 2 c2 s + c1 = 0, by the form that does not cancel.
        let inside = |s: f64| (s > 0.0 && s < h && s.is_finite()).then_some(s);
        let discriminant = c2 * c2 - 3.0 * c3 * c1;
        if discriminant < 0.0 {
            return [None, None];
        }
        let q = -(c2 + discriminant.sqrt().copysign(c2));
        let (a, b) = (inside(q / (3.0 * c3)), inside(c1 / q));
        match (a, b) {
            (Some(x), Some(y)) if x > y => [Some(y), Some(x)],
            (Some(x), Some(y)) if x == y => [Some(x), None],
            (None, y) => [y, None],
            pair => [pair.0, pair.1],
        }
    }
}

/// The cubics of both parts over one interval between neighbouring samples.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Piece {
    /// ln f at the left sample.
    pub(crate) origin: f64,
    /// Width in ln f.
    pub(crate) width: f64,
    pub(crate) ln_mag: Cubic,
    pub(crate) angle: Cubic,
}

impl Piece {
    pub(crate) fn at(&self, s: f64) -> Point {
        Point {
            ln_f: self.origin + s,
            ln_mag: self.ln_mag.value(s),
            angle: self.angle.value(s),
            mag_slope: self.ln_mag.slope(s),
            angle_slope: self.angle.slope(s),
        }
    }
}

/// The value at a place of the cubic through four nodes, as [`newton`] about it has it.
#[inline]
pub(super) fn newton_value([x0, x1, x2, x3]: &[f64; 4], [y0, y1, y2, y3]: &[f64; 4], at: f64) -> f64 {
    let (d01, d12, d23) = ((y1 - y0) / (x1 - x0), (y2 - y1) / (x2 - x1), (y3 - y2) / (x3 - x2));
    let (d012, d123) = ((d12 - d01) / (x2 - x0), (d23 - d12) / (x3 - x1));
    let d0123 = (d123 - d012) / (x3 - x0);
    y0 + (at - x0) * (d01 + (at - x1) * (d012 + (at - x2) * d0123))
}

/// Newton's divided differences through up to four nodes, expanded about `origin`.
pub(super) fn newton(x: &[f64], y: &[f64], origin: f64) -> Cubic {
    let mut c = [0.0; 4];
    match (x, y) {
        ([x0, x1, x2, x3], [y0, y1, y2, y3]) => {
            let (d01, d12, d23) = ((y1 - y0) / (x1 - x0), (y2 - y1) / (x2 - x1), (y3 - y2) / (x3 - x2));
            let (d012, d123) = ((d12 - d01) / (x2 - x0), (d23 - d12) / (x3 - x1));
            let d0123 = (d123 - d012) / (x3 - x0);
            let (e0, e1, e2) = (origin - x0, origin - x1, origin - x2);
            c[0] = y0 + e0 * (d01 + e1 * (d012 + e2 * d0123));
            c[1] = d01 + (e0 + e1) * d012 + (e0 * e1 + e0 * e2 + e1 * e2) * d0123;
            c[2] = d012 + (e0 + e1 + e2) * d0123;
            c[3] = d0123;
        }
        ([x0, x1, x2], [y0, y1, y2]) => {
            let (d01, d12) = ((y1 - y0) / (x1 - x0), (y2 - y1) / (x2 - x1));
            let d012 = (d12 - d01) / (x2 - x0);
            let (e0, e1) = (origin - x0, origin - x1);
            c[0] = y0 + e0 * (d01 + e1 * d012);
            c[1] = d01 + (e0 + e1) * d012;
            c[2] = d012;
        }
        _ => {}
    }
    Cubic { c }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn extrema_are_found_in_order() {
        // (s-1)(s-2) as slope.
        let cubic = Cubic { c: [0.0, 2.0, -1.5, 1.0 / 3.0] };
        let [a, b] = cubic.extrema(3.0);
        assert!((a.unwrap() - 1.0).abs() < 1e-12 && (b.unwrap() - 2.0).abs() < 1e-12);
        assert_eq!(Cubic { c: [0.0, 1.0, 0.0, 0.0] }.extrema(3.0), [None, None]);
        let parabola = Cubic { c: [0.0, -2.0, 1.0, 0.0] };
        assert_eq!(parabola.extrema(3.0)[0], Some(1.0));
    }

    /// The value through four nodes as the cubic about any origin has it, and each node met.
    #[test]
    fn both_ways_to_a_value_agree() {
        let (x, y) = ([0.1, 0.4, 1.0, 1.7], [2.0, -1.0, 0.5, 0.3]);
        for origin in [0.0, 0.4, 1.2] {
            let cubic = newton(&x, &y, origin);
            for (place, value) in x.iter().zip(y) {
                assert!((cubic.value(place - origin) - value).abs() < 1e-12);
            }
            assert!((cubic.value(0.7 - origin) - newton_value(&x, &y, 0.7)).abs() < 1e-12);
        }
    }

    #[test]
    fn extrema_beyond_the_interval_are_none() {
        let cubic = Cubic { c: [0.0, 2.0, -1.5, 1.0 / 3.0] };
        assert_eq!(cubic.extrema(0.9), [None, None]);
        assert!((cubic.extrema(1.5)[0].unwrap() - 1.0).abs() < 1e-12 && cubic.extrema(1.5)[1].is_none());
        // The other way up, and with slopes at which the larger root comes first.
        let turned = Cubic { c: [0.0, -2.0, 1.5, -1.0 / 3.0] };
        let [a, b] = turned.extrema(3.0);
        assert!((a.unwrap() - 1.0).abs() < 1e-12 && (b.unwrap() - 2.0).abs() < 1e-12);
        // A flat place is one: (s - 1)^2 as slope.
        let [a, b] = Cubic { c: [0.0, 1.0, -1.0, 1.0 / 3.0] }.extrema(3.0);
        assert!((a.unwrap() - 1.0).abs() < 1e-6 && b.is_none_or(|b| (b - 1.0).abs() < 1e-6));
        // Moved by 1.5 to the left only the second root is beyond 0.
        let moved = Cubic { c: [0.0, -0.25, 0.0, 1.0 / 3.0] };
        assert!((moved.extrema(3.0)[0].unwrap() - 0.5).abs() < 1e-12 && moved.extrema(3.0)[1].is_none());
    }
}
