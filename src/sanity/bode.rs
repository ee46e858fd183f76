//! Phase against gain: what the gain of a minimum-phase system makes of its phase.
//!
//! phase(x0) = 1/pi * integral of (d ln|T| / dx) ln coth(|x - x0|/2) dx over x = ln f (H. W. Bode, Network Analysis and
//! Feedback Amplifier Design, 1945, chapter XIV: from memory). Delays and right-half-plane zeros add lag, which is
//! small well below the crossover. A phase that is far from it there has the wrong sign or a wrong unit, or the gain has.

use super::{Refusal, Subject};
use crate::curve::{Curve, Span, wrap};
use crate::quantity::with_unit;
use crate::spec::CriticalPoint;
use std::f64::consts::{LN_10, PI};

/// Nodes of the even grid that the gain is read on: some 20 per decade on usual bands.
const NODES: usize = 64;
/// Distance from the ends of the band, in ln f, that keeps the unknown gain outside from mattering: half a decade
/// leaves at most 12 deg for 20 dB/decade of wrong slope beyond.
const AWAY: f64 = 0.5 * LN_10;
/// Least number of nodes that can contradict.
const LEAST: usize = 3;
/// Most nodes that are looked at: a contradiction shows everywhere.
const MOST: usize = 9;
/// A contradiction, rad.
const TOLERANCE: f64 = PI / 3.0;
/// Lags at the crossover, rad, that a stable loop's delay may well have.
const DELAY_LAGS: [f64; 5] = [0.0, PI / 4.0, PI / 2.0, 3.0 * PI / 4.0, PI];
/// Right-half-plane zeros that a stable loop may have, as multiples of the crossover; infinite: none.
const ZEROS: [f64; 4] = [f64::INFINITY, 3.0, 1.0, 0.5];

/// Integrals of ln coth(t/2) over a grid, kept from sweep to sweep while the grid's step stays the same.
#[derive(Debug, Clone, Default)]
pub struct Kernel {
    step: f64,
    /// Integral from 0 to k steps.
    to_node: Vec<f64>,
    gain: Vec<f64>,
    angle: Vec<f64>,
    deviation: Vec<(f64, f64)>,
    residual: Vec<f64>,
}

/// Integral of ln coth(t/2) from 0 to `u`; pi^2/4 for u to infinity.
fn integral(u: f64) -> f64 {
    if u < 0.7 {
        // ln coth(t/2) = -ln(t/2) + t^2/12 - 7 t^4/1440 + 31 t^6/90720 - ..., integrated term by term.
        if u == 0.0 {
            return 0.0;
        }
        return u * (1.0 - (0.5 * u).ln()) + u.powi(3) / 36.0 - 7.0 * u.powi(5) / 7200.0
            + 31.0 * u.powi(7) / 635_040.0;
    }
    // ln coth(t/2) = 2 sum over odd k of exp(-k t)/k.
    let tail: f64 = (0..16).map(|i| f64::from(2 * i + 1)).map(|k| (-k * u).exp() / (k * k)).sum();
    PI * PI / 4.0 - 2.0 * tail
}

impl Kernel {
    fn prepare(&mut self, step: f64) {
        if self.step != step {
            self.step = step;
            self.to_node.clear();
            self.to_node.extend((0..NODES).map(|k| integral(k as f64 * step)));
        }
    }

    /// Reads the curve at the nodes, on straight lines between the samples: plenty for a tolerance of 60 deg.
    fn read(&mut self, curve: &Curve, node: impl Fn(usize) -> f64) {
        self.gain.clear();
        self.angle.clear();
        let (x, a, p) = (curve.ln_f(), curve.ln_mag(), curve.angle());
        let mut i = curve.interval(node(0));
        for k in 0..NODES {
            let at = node(k);
            while i + 2 < x.len() && x.get(i + 1).is_some_and(|next| *next <= at) {
                i += 1;
            }
            let pair = |v: &[f64]| v.get(i..).and_then(|v| v.first_chunk()).copied().unwrap_or([0.0, 0.0]);
            let ([x0, x1], [a0, a1], [p0, p1]) = (pair(x), pair(a), pair(p));
            let part = if x1 > x0 { (at - x0) / (x1 - x0) } else { 0.0 };
            self.gain.push(a0 + part * (a1 - a0));
            self.angle.push(p0 + part * (p1 - p0));
        }
    }

    /// The phase at node `at` that the gain at the nodes makes, rad.
    fn phase(&self, at: usize) -> f64 {
        let beyond = |k: usize| PI * PI / 4.0 - self.to_node.get(k).copied().unwrap_or(0.0);
        let slope = |w: &[f64]| match w {
            [a, .., b] => (b - a) / ((w.len() - 1) as f64 * self.step),
            _ => 0.0,
        };
        // Outside the band the gain is taken to go on as it does over its first and last eight nodes.
        let (low, high) =
            (self.gain.get(..8).map_or(0.0, slope), self.gain.get(NODES - 8..).map_or(0.0, slope));
        let mut sum = low * beyond(at) + high * beyond(NODES - 1 - at);
        for (k, pair) in self.gain.windows(2).enumerate() {
            // Cell k reaches from node k to node k + 1.
            let (near, far) = if k >= at { (k - at, k + 1 - at) } else { (at - k - 1, at - k) };
            let weight = self.to_node.get(far).unwrap_or(&0.0) - self.to_node.get(near).unwrap_or(&0.0);
            sum += slope(pair) * weight;
        }
        sum / PI
    }
}

impl Kernel {
    /// At the nodes of a part of a span: ln f, the textbook phase as measured, and as the gain over the span makes it, rad.
    pub(super) fn phases(&mut self, curve: &Curve, span: Span, part: Span) -> Vec<(f64, f64, f64)> {
        let step = (span.to - span.from) / (NODES - 1) as f64;
        let node = |k: usize| span.from + k as f64 * step;
        let nodes: Vec<usize> = (0..NODES).filter(|&k| part.holds(node(k))).collect();
        self.prepare(step);
        self.read(curve, |k| node(k).clamp(span.from, span.to));
        let nodes = nodes.iter().copied().step_by(nodes.len().div_ceil(2 * MOST).max(1));
        nodes.map(|k| (node(k), self.angle.get(k).copied().unwrap_or(PI) - PI, self.phase(k))).collect()
    }
}

/// Phase that contradicts the gain by more than 60 deg below a third of the crossover.
#[must_use]
pub fn contradiction(subject: &Subject<'_>, kernel: &mut Kernel) -> Option<Refusal> {
    // A right-half-plane pole turns the phase by half a turn that the gain does not show.
    if subject.open_loop_poles > 0 {
        return None;
    }
    let crossover = crate::margins::crossover(&subject.sweep.crossings, subject.span)?.point;
    let span = subject.span;
    let step = (span.to - span.from) / (NODES - 1) as f64;
    let node = |k: usize| span.from + k as f64 * step;
    let (first, last) = (span.from + AWAY, (crossover.ln_f - 3f64.ln()).min(span.to - AWAY));
    let nodes: Vec<usize> = (0..NODES).filter(|&k| node(k) >= first && node(k) <= last).collect();
    if nodes.len() < LEAST {
        return None;
    }
    let nodes = nodes.iter().copied().step_by(nodes.len().div_ceil(MOST));
    kernel.prepare(step);
    kernel.read(&subject.sweep.curve, |k| node(k).clamp(span.from, span.to));
    kernel.deviation.clear();
    for k in nodes {
        // The textbook loop gain is minus the curve: half a turn away.
        let measured = kernel.angle.get(k).copied().unwrap_or(PI) - PI;
        let deviation = measured - kernel.phase(k);
        kernel.deviation.push(((node(k) - crossover.ln_f).exp(), deviation));
    }
    let mut least: Option<(f64, f64)> = None;
    for lag in DELAY_LAGS {
        for zero in ZEROS {
            kernel.residual.clear();
            kernel
                .residual
                .extend(kernel.deviation.iter().map(|&(f, d)| wrap(d + lag * f + 2.0 * (f / zero).atan())));
            kernel.residual.sort_by(|a, b| a.abs().total_cmp(&b.abs()));
            let median = kernel.residual.get(kernel.residual.len() / 2).copied().unwrap_or(0.0);
            if least.is_none_or(|(size, _)| median.abs() < size) {
                least = Some((median.abs(), median));
            }
            if median.abs() <= TOLERANCE {
                return None;
            }
        }
    }
    let (size, median) = least?;
    Some(explain(subject, size, median, node_range(first, last)))
}

fn node_range(first: f64, last: f64) -> String {
    format!("{} to {}", with_unit(first.exp(), "Hz"), with_unit(last.exp(), "Hz"))
}

fn explain(subject: &Subject<'_>, size: f64, median: f64, range: String) -> Refusal {
    let message = format!(
        "from {range} the phase lies {:.0} deg from what the gain makes it (Bode's gain-phase relation)",
        median.to_degrees()
    );
    let raw = match subject.critical_point {
        CriticalPoint::PlusOne => 0.0,
        CriticalPoint::MinusOne => PI,
    };
    // A whole sweep within pi degrees of 0, as the file has it, is radians in a column of degrees.
    let as_radians = subject.sweep.curve.angle().iter().all(|&a| wrap(a + raw).abs() <= PI.to_radians());
    let remedy = if as_radians {
        "the phase column looks like radians declared as degrees: declare its unit in `reading`".to_owned()
    } else if PI - size < TOLERANCE {
        let (declared, other) = match subject.critical_point {
            CriticalPoint::PlusOne => ("+1", "-1"),
            CriticalPoint::MinusOne => ("-1", "+1"),
        };
        format!(
            "about half a turn off is a mistaken sign: the sweep seems to be taken for the critical point {other}, declared is \
             {declared}; check the convention of the analyzer, an inverted probe, or correct the critical point"
        )
    } else {
        "check the units of the gain and phase columns (dB or ratio, deg or rad) and the polarity of both probes".to_owned()
    };
    Refusal { message, remedy }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The whole integral is pi^2/4 (Bode 1945, from memory): a slope of -1 gives -90 deg.
    #[test]
    fn kernel_integrates_to_a_quarter_of_pi_squared() {
        assert!((integral(40.0) - PI * PI / 4.0).abs() < 1e-15);
        assert!((integral(0.699_999) - integral(0.7)).abs() < 2e-6);
        let mut kernel = Kernel::default();
        kernel.prepare(0.1);
        kernel.gain.extend((0..NODES).map(|k| -(k as f64) * 0.1));
        for at in [0, 10, 32, NODES - 1] {
            assert!((kernel.phase(at) + PI / 2.0).abs() < 1e-12);
        }
    }

    /// First-order lag 1/(1 + jf): phase -atan(f) (any textbook).
    #[test]
    fn a_first_order_lag_has_the_phase_of_its_gain() {
        let mut kernel = Kernel::default();
        let step = 0.12;
        kernel.prepare(step);
        let x = |k: usize| (k as f64 - 31.5) * step;
        kernel.gain.extend((0..NODES).map(|k| -0.5 * (2.0 * x(k)).exp().ln_1p()));
        for at in [16, 24, 32, 40] {
            let exact = -x(at).exp().atan();
            assert!((kernel.phase(at) - exact).abs() < 0.02, "{at}: {} {exact}", kernel.phase(at));
        }
    }
}
