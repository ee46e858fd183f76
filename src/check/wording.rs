//! How values, limits and checks read in messages and reports.

use crate::decision::Limit;
use crate::quantity::{Unit, number, si};
use std::cmp::Ordering;

/// Significant digits of a value whose uncertainty is not known.
const DIGITS: i32 = 5;
/// Digits that a very small uncertainty may add to those.
const MORE_DIGITS: i32 = 3;
/// Digits that may be added so that a rounded value stays on its side of a limit.
const SIDE_DIGITS: i32 = 6;
/// Digits of a limit: enough for everything that people write, few enough to hide binary fractions.
const LIMIT_DIGITS: usize = 10;

/// `44.1 deg ± 0.7 deg`: the value rounded to the second digit of its uncertainty, both with one SI prefix.
///
/// `value` and `uncertainty` (expanded, same unit) are finite. `at_least` marks a lower bound:
/// `at least 12.6 dB ± 0.2 dB`.
///
/// ```
/// use loopgauge::check::{Unit, value_text};
/// assert_eq!(value_text(9310.4, Some(120.0), Unit::Hz, false), "9.31 kHz ± 0.12 kHz");
/// ```
#[must_use]
pub fn value_text(value: f64, uncertainty: Option<f64>, unit: Unit, at_least: bool) -> String {
    let scaled = Scaled::new(value, uncertainty, unit);
    scaled.write(scaled.decimals, unit, at_least)
}

/// The value as [`value_text`] rounds it, without its uncertainty.
#[must_use]
pub fn value_alone(value: f64, uncertainty: Option<f64>, unit: Unit, at_least: bool) -> String {
    let mut text = value_text(value, uncertainty, unit, at_least);
    text.truncate(text.find(" ± ").unwrap_or(text.len()));
    text
}

/// Like [`value_text`], with more digits where the rounded value, or an end of its interval, would stand on the
/// other side of a bound: 49.998 deg against 50 deg is not written `50 deg`.
#[must_use]
pub fn value_against(
    value: f64,
    uncertainty: Option<f64>,
    unit: Unit,
    at_least: bool,
    limit: &Limit,
) -> String {
    let scaled = Scaled::new(value, uncertainty, unit);
    let shown = (0..=SIDE_DIGITS)
        .map(|more| scaled.decimals + more)
        .find(|decimals| scaled.keeps_sides(*decimals, limit))
        .unwrap_or(scaled.decimals);
    scaled.write(shown, unit, at_least)
}

/// `at least 50 deg`, `at most 1`, `8 kHz to 30 kHz`, `exactly 1`.
#[must_use]
pub fn limit_text(limit: &Limit, unit: Unit) -> String {
    match (limit.min, limit.max) {
        (Some(min), Some(max)) if min == max => format!("exactly {}", bound_text(min, unit)),
        (Some(min), Some(max)) => format!("{} to {}", bound_text(min, unit), bound_text(max, unit)),
        (Some(min), None) => format!("at least {}", bound_text(min, unit)),
        (None, Some(max)) => format!("at most {}", bound_text(max, unit)),
        (None, None) => "no limit".to_owned(),
    }
}

/// A frequency as it stands beside a value: `9.3104 kHz`.
#[must_use]
pub fn frequency_text(hz: f64) -> String {
    value_text(hz, None, Unit::Hz, false)
}

fn bound_text(bound: f64, unit: Unit) -> String {
    let (scale, prefix) = prefix(bound, unit);
    let digits = number(bound / scale, LIMIT_DIGITS);
    if unit == Unit::One { digits } else { format!("{digits} {prefix}{}", unit.symbol()) }
}

/// The SI prefix, for the units that take one.
fn prefix(value: f64, unit: Unit) -> (f64, &'static str) {
    match unit {
        Unit::Hz | Unit::S => si(value),
        Unit::Deg | Unit::Db | Unit::PointsPerDecade | Unit::One => (1.0, ""),
    }
}

/// A value and its uncertainty in the prefix they are written in.
struct Scaled {
    value: f64,
    uncertainty: Option<f64>,
    scale: f64,
    prefix: &'static str,
    /// Decimals to round to; negative: tens, hundreds.
    decimals: i32,
}

impl Scaled {
    fn new(value: f64, uncertainty: Option<f64>, unit: Unit) -> Self {
        let (scale, prefix) = prefix(value.abs().max(uncertainty.unwrap_or(0.0)), unit);
        let value = value / scale;
        let uncertainty = uncertainty.map(|u| u / scale);
        let own = DIGITS - 1 - leading_digit(value, DIGITS);
        let decimals = match uncertainty {
            Some(u) if u > 0.0 => (1 - leading_digit(u, 2)).min(own + MORE_DIGITS),
            _ => own,
        };
        Self { value, uncertainty, scale, prefix, decimals }
    }

    /// Whether value and interval, once rounded, stand on their true sides of every bound.
    fn keeps_sides(&self, decimals: i32, limit: &Limit) -> bool {
        let shift = 10f64.powi(decimals);
        let (value, uncertainty) = (self.value, self.uncertainty.unwrap_or(0.0));
        let (shown, shown_uncertainty) = ((value * shift).round(), (uncertainty * shift).round());
        [limit.min, limit.max].into_iter().flatten().map(|bound| bound / self.scale).all(|bound| {
            [-1.0, 0.0, 1.0].into_iter().all(|sign| {
                side(value + sign * uncertainty, bound)
                    == side(shown + sign * shown_uncertainty, bound * shift)
            })
        })
    }

    fn write(&self, decimals: i32, unit: Unit, at_least: bool) -> String {
        let mut value = rounded(self.value, decimals);
        let uncertainty = self.uncertainty.map(|u| {
            // Smaller than the last digit shown: two digits of its own.
            if u > 0.0 && 1 - leading_digit(u, 2) > decimals {
                return number(u, 2);
            }
            let mut uncertainty = rounded(u, decimals);
            if u > 0.0 {
                trim_together(&mut value, &mut uncertainty);
            }
            uncertainty
        });
        if self.uncertainty.is_none_or(|u| u == 0.0) {
            trim_zeros(&mut value);
        }
        let mut text = String::with_capacity(40);
        if at_least {
            text.push_str("at least ");
        }
        text.push_str(&value);
        self.push_unit(&mut text, unit);
        if let Some(uncertainty) = uncertainty {
            text.push_str(" ± ");
            text.push_str(if self.uncertainty == Some(0.0) { "0" } else { &uncertainty });
            self.push_unit(&mut text, unit);
        }
        text
    }

    fn push_unit(&self, text: &mut String, unit: Unit) {
        if unit != Unit::One {
            text.push(' ');
            text.push_str(self.prefix);
            text.push_str(unit.symbol());
        }
    }
}

/// Which side of the bound, equal within the rounding of binary fractions.
fn side(value: f64, bound: f64) -> Ordering {
    if (value - bound).abs() <= 1e-12 * bound.abs().max(value.abs()) {
        Ordering::Equal
    } else {
        value.total_cmp(&bound)
    }
}

/// Power of ten of the leading digit once the value is rounded to `digits` digits; 0 for 0.
fn leading_digit(value: f64, digits: i32) -> i32 {
    let magnitude = value.abs();
    if magnitude == 0.0 || !magnitude.is_finite() {
        return 0;
    }
    // 9.96 rounds to 10 in two digits: its leading digit is the tens.
    let carried = magnitude * (1.0 + 0.5 * 10f64.powi(-digits));
    // A finite f64 lies within 1e-324 … 1e309.
    carried.log10().floor() as i32
}

fn rounded(value: f64, decimals: i32) -> String {
    // More than 15 decimals say nothing about an f64 near 1.
    let places = usize::try_from(decimals.clamp(0, 15)).unwrap_or(0);
    let shown = if decimals < 0 {
        let step = 10f64.powi(-decimals);
        (value / step).round() * step
    } else {
        value
    };
    let text = format!("{shown:.places$}");
    // No minus sign before a zero.
    match text.strip_prefix('-') {
        Some(zero) if zero.bytes().all(|b| matches!(b, b'0' | b'.')) => zero.to_owned(),
        _ => text,
    }
}

fn trim_zeros(text: &mut String) {
    if text.contains('.') {
        text.truncate(text.trim_end_matches('0').trim_end_matches('.').len());
    }
}

/// Drops the zeros at the end that both have, so that both keep the same decimals.
fn trim_together(a: &mut String, b: &mut String) {
    while (a.contains('.') && a.ends_with('0') && b.ends_with('0')) || (a.ends_with('.') && b.ends_with('.'))
    {
        let dot = a.ends_with('.');
        a.pop();
        b.pop();
        if dot {
            break;
        }
    }
}

/// Ends of a range, Hz, to nine digits, from their natural logarithms.
#[must_use]
pub(crate) fn hertz([from, to]: [f64; 2]) -> [f64; 2] {
    [from, to].map(|ln_f| {
        let hz = ln_f.exp();
        let scale = 10f64.powf(8.0 - hz.log10().floor());
        (hz * scale).round() / scale
    })
}

/// A range of frequencies in words; one frequency where both ends are the same.
#[must_use]
pub fn range_text([from, to]: [f64; 2]) -> String {
    if from == to {
        frequency_text(from)
    } else {
        format!("{} to {}", frequency_text(from), frequency_text(to))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_are_rounded_to_their_uncertainty() {
        for (value, uncertainty, unit, text) in [
            (44.1, Some(0.7), Unit::Deg, "44.1 deg ± 0.7 deg"),
            (44.1234, Some(0.71), Unit::Deg, "44.12 deg ± 0.71 deg"),
            (50.0, Some(0.7), Unit::Deg, "50.0 deg ± 0.7 deg"),
            (50.0, Some(2.0), Unit::Deg, "50 deg ± 2 deg"),
            (9310.4, Some(120.0), Unit::Hz, "9.31 kHz ± 0.12 kHz"),
            (1.3157e-5, Some(2.2e-7), Unit::S, "13.16 us ± 0.22 us"),
            (0.69, Some(0.01), Unit::One, "0.69 ± 0.01"),
            (12.6, Some(0.0996), Unit::Db, "12.6 dB ± 0.1 dB"),
            (-0.001, Some(0.5), Unit::Db, "0.0 dB ± 0.5 dB"),
            (1.0, None, Unit::One, "1"),
            (99.99999, None, Unit::Deg, "100 deg"),
            (17.3, None, Unit::PointsPerDecade, "17.3 points/decade"),
            (44.123_456_789, Some(1e-9), Unit::Deg, "44.123457 deg ± 1e-9 deg"),
            (44.125, Some(0.0), Unit::Deg, "44.125 deg ± 0 deg"),
            (3.0, Some(250.0), Unit::Db, "0 dB ± 250 dB"),
            (0.0, None, Unit::Hz, "0 Hz"),
            (999.9999, None, Unit::Hz, "1 kHz"),
        ] {
            assert_eq!(value_text(value, uncertainty, unit, false), text);
        }
        assert_eq!(value_text(12.6, Some(0.2), Unit::Db, true), "at least 12.6 dB ± 0.2 dB");
        assert_eq!(value_alone(12.6, Some(0.2), Unit::Db, true), "at least 12.6 dB");
        assert_eq!(value_alone(52.3456, None, Unit::Deg, false), "52.346 deg");
    }

    #[test]
    fn a_value_is_not_rounded_across_its_limit() {
        let limit = Limit { min: Some(50.0), max: None };
        assert_eq!(value_against(49.9996, Some(0.7), Unit::Deg, false, &limit), "49.9996 deg ± 0.7000 deg");
        assert_eq!(value_against(52.0, Some(0.7), Unit::Deg, false, &limit), "52.0 deg ± 0.7 deg");
        // The lower end lies at 49.9994.
        assert_eq!(value_against(50.7034, Some(0.704), Unit::Deg, false, &limit), "50.703 deg ± 0.704 deg");
        let window = Limit { min: Some(8e3), max: Some(30e3) };
        assert_eq!(value_against(30_000.2, None, Unit::Hz, false, &window), "30.0002 kHz");
        assert_eq!(value_against(50.0, None, Unit::Deg, false, &limit), "50 deg");
    }

    #[test]
    fn limits_read_as_written() {
        let limit = |min, max| Limit { min, max };
        assert_eq!(limit_text(&limit(Some(50.0), None), Unit::Deg), "at least 50 deg");
        assert_eq!(limit_text(&limit(Some(8e3), Some(30e3)), Unit::Hz), "8 kHz to 30 kHz");
        assert_eq!(limit_text(&limit(None, Some(1.0)), Unit::One), "at most 1");
        assert_eq!(limit_text(&limit(Some(1.0), Some(1.0)), Unit::One), "exactly 1");
        assert_eq!(limit_text(&limit(Some(2e-6), None), Unit::S), "at least 2 us");
        assert_eq!(limit_text(&limit(Some(123_456.7), None), Unit::Hz), "at least 123.4567 kHz");
    }
}
