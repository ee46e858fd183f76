//! Where the ticks of an axis stand and what they say.

use super::text::minus;
use crate::quantity::{number, si};

/// A tick.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Tick {
    /// Where, in the unit of the axis.
    pub at: f64,
    /// What stands beside it; empty for a lesser one.
    pub label: String,
}

/// Ticks of a logarithmic frequency axis: every decade with its name, 2 to 9 without; on less than a decade and a half 2 and 5 are
/// named too.
#[must_use]
pub(crate) fn frequency_ticks(from_hz: f64, to_hz: f64) -> Vec<Tick> {
    let mut ticks = Vec::new();
    if !(from_hz > 0.0 && to_hz > from_hz && to_hz.is_finite()) {
        return ticks;
    }
    let few = (to_hz / from_hz).log10() < 1.5;
    // A finite f64 has an exponent that an i32 holds.
    let decades = from_hz.log10().floor() as i32..=to_hz.log10().ceil() as i32;
    for decade in decades {
        for digit in 1..10_u32 {
            // Dividing by a power of ten keeps 0.1 what it is written as; multiplying does not.
            let power = 10f64.powi(decade.abs());
            let at = if decade < 0 { f64::from(digit) / power } else { f64::from(digit) * power };
            // A hair of slack, so that a sweep from 100 Hz has its tick there.
            if at < from_hz * (1.0 - 1e-9) || at > to_hz * (1.0 + 1e-9) {
                continue;
            }
            let named = digit == 1 || (few && matches!(digit, 2 | 5));
            ticks.push(Tick { at, label: if named { hertz(at) } else { String::new() } });
        }
    }
    ticks
}

fn hertz(at: f64) -> String {
    let (scale, prefix) = si(at);
    format!("{} {prefix}Hz", number(at / scale, 4))
}

/// Steps of angles, deg, which divide a turn.
pub(crate) const ANGLE_STEPS: [f64; 6] = [15.0, 30.0, 45.0, 90.0, 180.0, 360.0];
/// Steps of gains, dB.
pub(crate) const GAIN_STEPS: [f64; 6] = [1.0, 2.0, 5.0, 10.0, 20.0, 40.0];

/// The smallest of the steps that makes at most `most` intervals of `width`; the last one if none does.
#[must_use]
pub(crate) fn step_of(steps: &[f64], width: f64, most: f64) -> f64 {
    let fits = steps.iter().find(|step| width / **step <= most);
    fits.or(steps.last()).copied().unwrap_or(1.0)
}

/// The smallest of 1, 2 and 5 times a power of ten that makes at most `most` intervals of `width`, above 0.
#[must_use]
pub(crate) fn round_step(width: f64, most: f64) -> f64 {
    let least = (width / most).max(f64::MIN_POSITIVE);
    let power = 10f64.powf(least.log10().floor());
    [1.0, 2.0, 5.0]
        .into_iter()
        .map(|digit| digit * power)
        .find(|step| *step >= least * (1.0 - 1e-9))
        .unwrap_or(10.0 * power)
}

/// Ticks at whole multiples of `step` from `low` to `high`.
#[must_use]
pub(crate) fn linear_ticks(low: f64, high: f64, step: f64) -> Vec<Tick> {
    let (first, last) = ((low / step - 1e-9).ceil(), (high / step + 1e-9).floor());
    // Bounded by who chose the step; an axis of more ticks than this helps nobody.
    let count = (last - first).clamp(-1.0, 200.0);
    (0..)
        .map_while(|k: u32| (f64::from(k) <= count).then_some(first + f64::from(k)))
        .map(|k| Tick { at: k * step, label: minus(&number(k * step, 6)) })
        .collect()
}

/// A range widened to whole multiples of `step`.
#[must_use]
pub(crate) fn widened(low: f64, high: f64, step: f64) -> (f64, f64) {
    let (low, high) = ((low / step + 1e-9).floor() * step, (high / step - 1e-9).ceil() * step);
    if high > low { (low, high) } else { (low - step, low + step) }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn named(ticks: &[Tick]) -> Vec<&str> {
        ticks.iter().map(|t| t.label.as_str()).filter(|l| !l.is_empty()).collect()
    }

    #[test]
    fn decades_are_named_and_the_digits_between_are_not() {
        let ticks = frequency_ticks(100.0, 200e3);
        assert_eq!(named(&ticks), ["100 Hz", "1 kHz", "10 kHz", "100 kHz"]);
        assert_eq!(ticks.len(), 9 * 3 + 2);
        assert_eq!(named(&frequency_ticks(1e3, 2e4)), ["1 kHz", "2 kHz", "5 kHz", "10 kHz", "20 kHz"]);
        assert_eq!(named(&frequency_ticks(0.1, 1e7)).len(), 9);
        assert_eq!(named(&frequency_ticks(0.1, 20.0)), ["100 mHz", "1 Hz", "10 Hz"]);
        assert_eq!(frequency_ticks(100.0, 100.0), []);
        assert_eq!(frequency_ticks(0.0, 100.0), []);
    }

    #[test]
    fn linear_ticks_are_round_and_inside() {
        let at = |ticks: Vec<Tick>| ticks.iter().map(|t| t.at).collect::<Vec<_>>();
        assert_eq!(at(linear_ticks(-41.0, 60.0, 20.0)), [-40.0, -20.0, 0.0, 20.0, 40.0, 60.0]);
        assert_eq!(named(&linear_ticks(-20.0, 0.0, 20.0)), ["\u{2212}20", "0"]);
        assert_eq!(step_of(&GAIN_STEPS, 95.0, 6.0), 20.0);
        assert_eq!(step_of(&ANGLE_STEPS, 1e6, 6.0), 360.0);
        assert_eq!((round_step(95.0, 6.0), round_step(3e-6, 3.0)), (20.0, 1e-6));
        assert_eq!(widened(-41.0, 60.0, 20.0), (-60.0, 60.0));
        assert_eq!(widened(5.0, 5.0, 10.0), (0.0, 10.0));
    }
}
