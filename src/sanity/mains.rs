//! Samples that mains interference hit.

use crate::curve::{Curve, Span};
use crate::noise::{Noise, Spike};

/// The sample that stands out on a mains multiple, nearest to the middle of a span, if the span comes within half a step of
/// it: a value read there is that of the hum, or of its neighbours.
///
/// For a value at one frequency the span has two equal ends.
#[must_use]
pub fn mains_under(noise: &Noise, raw: &Curve, span: Span) -> Option<Spike> {
    let middle = 0.5 * (span.from + span.to);
    let x = raw.ln_f();
    let reaches = |spike: &&Spike| {
        let Some(own) = x.get(spike.index) else { return false };
        let below = spike.index.checked_sub(1).and_then(|i| x.get(i)).unwrap_or(own);
        let above = x.get(spike.index + 1).unwrap_or(own);
        span.to >= 0.5 * (below + own) - 1e-12 && span.from <= 0.5 * (own + above) + 1e-12
    };
    let distance = |spike: &Spike| x.get(spike.index).map_or(f64::INFINITY, |own| (own - middle).abs());
    let hum = noise.spikes().iter().filter(|spike| spike.mains.is_some());
    hum.filter(reaches).min_by(|a, b| distance(a).total_cmp(&distance(b))).copied()
}
