//! The rational function with one pole through four neighbouring samples: what the curve does beside a resonance that is as
//! narrow as a step.
//!
//! Beside a simple resonance a loop gain is smooth but for one term r/(x - p) over x = ln f, with a complex pole p (the
//! partial fractions of a rational transfer function; the other pole of the pair lies far away). (x - p) T is then smooth, and
//! the quadratic through it has four unknowns with p: as many as there are samples. The divided difference of order three of
//! (x - p) T vanishes, so that p = x3 + T\[0, 1, 2\] / T\[0, 1, 2, 3\] (rational interpolation: any numerical handbook, e.g. J. Stoer and
//! R. Bulirsch, Introduction to Numerical Analysis, 2.2: from memory).
//!
//! Where the curve is smooth this agrees with the cubic to the order of the cubic's own error; beside a sharp resonance it tells
//! what a cubic cannot. It is no better against noise, and says how large its noise is: R D and N being what they are at the four samples,
//! dR(s) = sum of `l_i(s) (D(x_i) / D(s))^2 dT_i`, with the weights l_i of Lagrange's interpolation, exactly.

use super::Curve;
use num_complex::Complex64;

/// The function through four samples, over s = ln f - `nodes[0]`, of T over its value at the second of them.
#[derive(Debug, Clone, Copy)]
pub(crate) struct OnePole {
    origin: f64,
    nodes: [f64; 4],
    /// ln of the magnitude and angle of the second sample.
    scale: [f64; 2],
    /// Relative magnitudes of the samples.
    sizes: [f64; 4],
    /// D(s) = lead s - rest.
    lead: Complex64,
    rest: Complex64,
    /// N in Newton's form.
    above: [Complex64; 3],
}

/// Its value at a place: ln of the magnitude, angle less that of the sample it is referred to, and what noise makes of both.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Told {
    pub(crate) ln_mag: f64,
    pub(crate) angle: f64,
    /// Squared weight of each of the four samples' relative noise in the relative noise here.
    pub(crate) weights: [f64; 4],
}

impl OnePole {
    /// Through the four samples from `first` on; `None` where there are fewer, or they lie on a straight line through which there is
    /// none.
    pub(crate) fn through(curve: &Curve, first: usize) -> Option<Self> {
        let four = |values: &[f64]| -> Option<[f64; 4]> { values.get(first..first + 4)?.try_into().ok() };
        let (x, a, p) = (four(&curve.ln_f)?, four(&curve.ln_mag)?, four(&curve.angle)?);
        let (origin, scale) = (x[0], [a[1], p[1]]);
        let nodes = x.map(|x| x - origin);
        let sizes = a.map(|a| (a - scale[0]).exp());
        let mut t = [Complex64::ZERO; 4];
        for ((slot, size), angle) in t.iter_mut().zip(sizes).zip(p) {
            *slot = Complex64::from_polar(size, angle - scale[1]);
        }
        let [_, _, second, third] = divided(&nodes, t);
        let (lead, rest) = (third, third * nodes[3] + second);
        let mut smooth = t;
        smooth.iter_mut().zip(nodes).for_each(|(value, x)| *value *= lead * x - rest);
        let [n0, n1, n2, _] = divided(&nodes, smooth);
        let own = Self { origin, nodes, scale, sizes, lead, rest, above: [n0, n1, n2] };
        (lead.is_finite() && rest.is_finite() && n2.is_finite()).then_some(own)
    }

    /// Frequency of the pole, ln f; what lies far from the samples means nothing.
    pub(crate) fn at(&self) -> f64 {
        self.origin + (self.rest / self.lead).re
    }

    /// The value at `ln_f`; `None` at a pole or at a zero on the axis.
    pub(crate) fn told(&self, ln_f: f64) -> Option<Told> {
        let s = ln_f - self.origin;
        let [x0, x1, x2, x3] = self.nodes;
        let [n0, n1, n2] = self.above;
        let below = self.lead * s - self.rest;
        let value = (n0 + (n1 + n2 * (s - x1)) * (s - x0)) / below;
        let size = value.norm_sqr();
        let others = [[x1, x2, x3], [x0, x2, x3], [x0, x1, x3], [x0, x1, x2]];
        let mut weights = [0.0; 4];
        for (((weight, x), others), own) in weights.iter_mut().zip(self.nodes).zip(others).zip(self.sizes) {
            let lagrange: f64 = others.iter().map(|other| (s - other) / (x - other)).product();
            let ratio = (self.lead * x - self.rest).norm_sqr() / below.norm_sqr();
            *weight = (lagrange * ratio * own).powi(2) / size;
        }
        let told =
            Told { ln_mag: self.scale[0] + 0.5 * size.ln(), angle: self.scale[1] + value.arg(), weights };
        (told.ln_mag.is_finite() && weights.iter().all(|w| w.is_finite())).then_some(told)
    }
}

/// Divided differences of four values.
fn divided([x0, x1, x2, x3]: &[f64; 4], [y0, y1, y2, y3]: [Complex64; 4]) -> [Complex64; 4] {
    let (d01, d12, d23) = ((y1 - y0) / (x1 - x0), (y2 - y1) / (x2 - x1), (y3 - y2) / (x3 - x2));
    let (d012, d123) = ((d12 - d01) / (x2 - x0), (d23 - d12) / (x3 - x1));
    [y0, d01, d012, (d123 - d012) / (x3 - x0)]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::spec::CriticalPoint;
    use crate::sweep::Samples;

    /// 1 + 2 s + r / (s - p) over s = ln f - 7, at uneven places.
    fn value(s: f64) -> Complex64 {
        let pole = Complex64::new(0.13, -0.03);
        Complex64::new(1.0, 0.2) + 2.0 * s + Complex64::new(0.02, 0.05) / (s - pole)
    }

    fn samples(at: &[f64], value: impl Fn(f64) -> Complex64) -> Curve {
        let mut samples = Samples::default();
        for s in at {
            let t = value(*s);
            samples.push((7.0 + s).exp(), 0.5 * t.norm_sqr().ln(), t.arg());
        }
        let mut curve = Curve::new();
        curve.fill(&samples, CriticalPoint::PlusOne);
        curve
    }

    #[test]
    fn a_resonance_on_a_straight_background_is_met_exactly() {
        let curve = samples(&[0.0, 0.11, 0.17, 0.3], value);
        let own = OnePole::through(&curve, 0).unwrap();
        assert!((own.at() - 7.13).abs() < 1e-9);
        for s in [0.05, 0.12, 0.13, 0.15, 0.25] {
            let (told, exact) = (own.told(7.0 + s).unwrap(), value(s));
            assert!((told.ln_mag - 0.5 * exact.norm_sqr().ln()).abs() < 1e-9, "{s}");
            assert!(crate::curve::wrap(told.angle - exact.arg()).abs() < 1e-9, "{s}");
            // The cubic through the same four samples is off by 1.9 dB at the peak.
            let cubic = curve.at(7.0 + s).ln_mag;
            assert!(s != 0.13 || (cubic - told.ln_mag).abs() > 0.2, "{cubic} {}", told.ln_mag);
        }
        assert!(OnePole::through(&curve, 1).is_none());
    }

    /// The weights of the noise against differences: a small change of each sample in turn.
    #[test]
    fn noise_is_carried_as_small_changes_show() {
        const STEP: f64 = 1e-6;
        let at = [0.0, 0.11, 0.17, 0.3];
        let own = OnePole::through(&samples(&at, value), 0).unwrap();
        for s in [0.05, 0.14, 0.2] {
            let told = own.told(7.0 + s).unwrap();
            for (changed, weight) in at.iter().zip(told.weights) {
                let other = samples(&at, |x| if x == *changed { value(x) * (1.0 + STEP) } else { value(x) });
                let other = OnePole::through(&other, 0).unwrap().told(7.0 + s).unwrap();
                let moved = (other.ln_mag - told.ln_mag).hypot(other.angle - told.angle) / STEP;
                assert!((moved / weight.sqrt() - 1.0).abs() < 1e-3, "{s} {changed}: {moved} {weight}");
            }
        }
    }

    #[test]
    fn on_a_smooth_curve_it_says_what_the_cubic_says() {
        let at: Vec<f64> = (0..4).map(|k| 0.05 * f64::from(k)).collect();
        let smooth = |s: f64| 1.0 / (Complex64::new(0.0, s.exp()) * Complex64::new(1.0, 0.3 * s.exp()));
        let curve = samples(&at, smooth);
        let told = OnePole::through(&curve, 0).unwrap().told(7.08).unwrap();
        let cubic = curve.at(7.08);
        assert!((told.ln_mag - cubic.ln_mag).abs() < 1e-6 && (told.angle - cubic.angle).abs() < 1e-6);
    }
}
