//! Noise so large that neither gain nor phase can be followed.

use super::{Refusal, Subject};
use crate::analysed::Analysed;
use crate::curve::{Curve, Span};
use crate::quantity::{number, with_unit};

/// Standard deviation of a sample, relative, from which on it tells nothing: a ratio of signal to noise of 3. There the mean of
/// the phase is off by some 15 % (JCGM 102:2011, 9.3), and a sample in a hundred turns it by half a turn.
const DROWNED: f64 = 0.3;
/// Samples in a row that make it a stretch.
const STRETCH: usize = 5;
/// The same at an end of the sweep, where the noise goes on rising.
const AT_END: usize = 2;

/// Least scatter of the gain, neper, in such a stretch: between two sweeps of the same loop, or about a straight line from neighbour to
/// neighbour. A phase that turns by half a turn and more from sample to sample (a long dead time, too few points) looks like noise,
/// but its gain is smooth; ripple of what leaks past the loop is not, but two sweeps show it alike.
const ROUGH: f64 = 0.15;
/// With one sweep alone, a gain below this (-30 dB) is left alone: noise and ripple of a leak look alike, and no margin hangs on it.
const DEEP: f64 = -3.45;

/// Noise of the gain in samples `from` to `to`, neper, without the sweep's own estimate.
pub(super) fn scatter(subject: &Subject<'_>, from: usize, to: usize) -> Option<f64> {
    let own = subject.sweep.raw.ln_mag().get(from..to)?;
    let same_grid = |second: &&Analysed| second.raw.frequency_hz() == subject.sweep.raw.frequency_hz();
    if let Some(second) = subject.second.filter(same_grid) {
        let other = second.raw.ln_mag().get(from..to)?;
        let squares: f64 = own.iter().zip(other).map(|(a, b)| (a - b).powi(2)).sum();
        return Some((0.5 * squares / own.len() as f64).sqrt());
    }
    let mean = own.iter().sum::<f64>() / own.len() as f64;
    (mean > DEEP).then(|| roughness(own))
}

/// rms of the second differences of the gain, brought to the noise of a sample.
fn roughness(ln_mag: &[f64]) -> f64 {
    let squares = ln_mag.windows(3).map(|w| match w {
        [a, b, c] => (a - 2.0 * b + c).powi(2) / 6.0,
        _ => 0.0,
    });
    (squares.sum::<f64>() / ln_mag.len().saturating_sub(2).max(1) as f64).sqrt()
}

/// A stretch that is drowned in noise.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Run {
    /// Its first sample.
    pub(super) first: usize,
    /// The sample after its last one.
    pub(super) end: usize,
    /// Largest noise of a sample, relative.
    pub(super) largest: f64,
}

impl Run {
    pub(super) fn span(&self, curve: &Curve) -> Option<Span> {
        let (from, to) = (curve.ln_f().get(self.first)?, curve.ln_f().get(self.end.checked_sub(1)?)?);
        Some(Span { from: *from, to: *to })
    }

    pub(super) fn mean(&self, values: &[f64]) -> f64 {
        let own = values.get(self.first..self.end).unwrap_or(&[]);
        own.iter().sum::<f64>() / own.len().max(1) as f64
    }

    pub(super) fn explain(&self, subject: &Subject<'_>) -> Refusal {
        let span = self.span(&subject.sweep.curve).unwrap_or(subject.span);
        explain((span.from.exp(), span.to.exp()), self.largest, self.mean(subject.sweep.curve.ln_mag()) > 0.0)
    }
}

/// All stretches of the span that are drowned in noise. At an end of the sweep two samples make one.
pub(super) fn runs(subject: &Subject<'_>) -> Vec<Run> {
    let (curve, noise) = (&subject.sweep.curve, &subject.sweep.noise);
    let mut runs = Vec::new();
    if !noise.is_known() {
        return runs;
    }
    let from = curve.ln_f().partition_point(|&x| !subject.span.holds(x) && x < subject.span.from);
    let to = curve.ln_f().partition_point(|&x| x < subject.span.to || subject.span.holds(x));
    let sigma = noise.sigma().get(from..to).unwrap_or(&[]);
    let mut start = from;
    for stretch in sigma.chunk_by(|a, b| (*a >= DROWNED) == (*b >= DROWNED)) {
        let end = start + stretch.len();
        let least = if start == from || end == to { AT_END } else { STRETCH };
        if stretch.len() >= least
            && stretch.first().is_some_and(|s| *s >= DROWNED)
            && scatter(subject, start, end).is_some_and(|scatter| scatter >= ROUGH)
        {
            let largest = stretch.iter().fold(0.0_f64, |a, b| a.max(*b));
            runs.push(Run { first: start, end, largest });
        }
        start = end;
    }
    runs
}

/// The first stretch of the span that is drowned in noise.
#[must_use]
pub fn drowned(subject: &Subject<'_>) -> Option<Refusal> {
    runs(subject).first().map(|run| run.explain(subject))
}

fn explain((from, to): (f64, f64), largest: f64, is_high_gain: bool) -> Refusal {
    let size = if largest > 1.0 {
        "larger than the signal".to_owned()
    } else {
        format!("up to {} % of the signal", number(largest * 100.0, 2))
    };
    let (cause, remedy) = if is_high_gain {
        (
            "the loop leaves next to nothing of the injection on the input side",
            "inject more there (a profile that rises towards low frequencies), measure more narrowly or average, or start the \
             band higher",
        )
    } else {
        (
            "the gain lies below the noise floor",
            "stop the band lower, or inject more there, measure more narrowly or average",
        )
    };
    Refusal {
        message: format!(
            "from {} to {} the noise is {size}, and above 30 % neither gain nor phase can be followed: {cause}",
            with_unit(from, "Hz"),
            with_unit(to, "Hz")
        ),
        remedy: remedy.to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::super::testing::{hiss, subject, sweep};
    use super::*;
    use num_complex::Complex64;

    /// An integrator through 0 dB at 10 kHz with noise of its own on both sides of the injection.
    fn floors(input: f64, output: f64) -> Option<Refusal> {
        let sweep = sweep(40.0, |hz| {
            let t = Complex64::new(0.0, -1e4 / hz);
            let noise = |size: f64| size * Complex64::new(hiss(), hiss());
            let read = (t + noise(output)) / (1.0 + t * noise(input));
            [read.norm().ln(), read.arg()]
        });
        drowned(&subject(&sweep))
    }

    #[test]
    fn noise_at_either_end_is_named_with_its_remedy() {
        assert_eq!(floors(0.001, 0.0005), None);
        let low = floors(0.02, 0.0).unwrap();
        assert!(low.message.contains("input side") && low.remedy.contains("start"), "{low:?}");
        let top = floors(0.0, 0.05).unwrap();
        assert!(top.message.contains("noise floor") && top.remedy.contains("stop the band"), "{top:?}");
    }

    #[test]
    fn a_phase_that_turns_fast_is_no_noise() {
        for dead_us in [1.0, 10.0, 40.0] {
            let sweep = sweep(25.0, |hz| {
                let phase = -1.57 - std::f64::consts::TAU * hz * dead_us * 1e-6;
                [-(hz / 1e4).ln() + 0.003 * hiss(), crate::curve::wrap(phase + 0.003 * hiss())]
            });
            assert_eq!(drowned(&subject(&sweep)), None, "{dead_us}");
        }
    }
}
