//! Places where noise leaves open whether the gain reaches 0 dB.
//!
//! The curve is followed with the hysteresis of its own noise (coverage factor 2). Between a stretch surely above 0 dB and one
//! surely below there is one crossover, however often the samples between them seem to cross. Between two stretches on one
//! side, and at an end of the band, there may be two more or none.

use super::{Refusal, Subject};
use crate::curve::db;
use crate::quantity::{number, with_unit};

/// Coverage factor of the noise.
const COVERAGE: f64 = 2.0;
/// On both sides of a place in doubt the gain must come away from it by this many times its expanded noise, else it is a wiggle of a
/// curve that passes 0 dB slowly.
const AWAY: f64 = 1.5;
/// Expanded noise below this, neper (0.001 dB), leaves nothing open: rounding.
const SILENT: f64 = 1e-4;

/// A place in doubt.
#[derive(Debug, Clone, Copy)]
struct Doubt {
    ln_f: f64,
    /// Distance from 0 dB towards the side that it belongs to, neper.
    height: f64,
    /// Expanded noise there, neper.
    noise: f64,
    at_end: bool,
}

/// The first place where the number of crossovers is open.
#[must_use]
pub fn undetermined(subject: &Subject<'_>) -> Option<Refusal> {
    doubt(subject).map(|doubt| explain(&doubt))
}

fn doubt(subject: &Subject<'_>) -> Option<Doubt> {
    let (curve, noise) = (&subject.sweep.curve, &subject.sweep.noise);
    if !noise.is_known() {
        return None;
    }
    let scale = COVERAGE * noise.shares()[0];
    let (mut side, mut peak) = (0.0, 0.0_f64);
    let mut open: Option<Doubt> = None;
    let mut before: Option<(f64, f64)> = None;
    let mut samples = curve.ln_f().iter().zip(curve.ln_mag()).zip(noise.fit()).peekable();
    while let Some(((&x, &value), fit)) = samples.next() {
        let expanded = scale * fit;
        let next = samples.peek().map(|((x, value), _)| (**x, **value));
        let neighbours = before.replace((x, value)).zip(next);
        if !subject.span.holds(x) {
            continue;
        }
        if value.abs() <= expanded {
            if expanded > SILENT {
                let height = if side == 0.0 { value.abs() } else { value * side };
                let at_end = side == 0.0;
                let here = Doubt { ln_f: x, height, noise: expanded, at_end };
                open = Some(open.filter(|known| known.height <= height).unwrap_or(here));
            }
            continue;
        }
        if side != value.signum() {
            if let Some(doubt) = open.filter(|doubt| doubt.at_end) {
                return Some(doubt);
            }
            (side, peak, open) = (value.signum(), value.abs(), None);
            continue;
        }
        let height = value.abs();
        match open {
            Some(doubt) if peak.min(height) > doubt.height + AWAY * doubt.noise => return Some(doubt),
            Some(_) => {}
            None => peak = peak.max(height),
        }
        let lowest = neighbours.and_then(|(a, b)| lowest_between(a, (x, value), b, side));
        if let Some((ln_f, height)) =
            lowest.filter(|(_, height)| height.abs() < expanded && expanded > SILENT)
        {
            let here = Doubt { ln_f, height, noise: expanded, at_end: false };
            open = Some(open.filter(|known| known.height <= height).unwrap_or(here));
        }
    }
    // Open to the end: what lies beyond decides.
    let last = curve.at(subject.span.to);
    let last_noise = noise.fit().get(curve.interval(subject.span.to)).map_or(0.0, |fit| scale * fit);
    open.filter(|_| last.ln_mag.abs() <= last_noise).map(|doubt| Doubt { at_end: true, ..doubt })
}

/// The vertex of the parabola through three samples where the middle one is nearest to 0 dB: ln f and height.
fn lowest_between(a: (f64, f64), b: (f64, f64), c: (f64, f64), side: f64) -> Option<(f64, f64)> {
    let [ha, hb, hc] = [a.1 * side, b.1 * side, c.1 * side];
    if !(hb <= ha && hb <= hc) {
        return None;
    }
    let (left, right) = ((hb - ha) / (b.0 - a.0), (hc - hb) / (c.0 - b.0));
    let bend = (right - left) / (c.0 - a.0);
    if bend <= 0.0 {
        return None;
    }
    let slope = left + bend * (b.0 - a.0);
    let s = -slope / (2.0 * bend);
    Some((b.0 + s, hb + s * (slope + bend * s)))
}

fn explain(doubt: &Doubt) -> Refusal {
    let place = with_unit(doubt.ln_f.exp(), "Hz");
    let (gain, noise) = (number(db(doubt.height.abs()), 2), number(db(doubt.noise), 2));
    let open = if doubt.at_end {
        "the band ends before that is decided, so noise leaves the number of crossovers open"
    } else {
        "noise leaves open whether it crosses, and with it the number of crossovers"
    };
    let beyond = if doubt.at_end { ", or move that end of the band" } else { "" };
    Refusal {
        message: format!(
            "at {place} the gain comes within {gain} dB of 0 dB, its noise is {noise} dB: {open}"
        ),
        remedy: format!(
            "inject more, measure more narrowly or average, and sweep more densely near {place}{beyond}"
        ),
    }
}
