//! Numbers as people read them.

/// A number with `digits` significant digits, without an exponent between 1e-4 and 1e7, trailing zeros dropped.
#[must_use]
pub fn number(value: f64, digits: usize) -> String {
    if value == 0.0 {
        return "0".to_owned();
    }
    let digits = digits.max(1);
    let rounded = format!("{value:.*e}", digits - 1);
    let (mantissa, exponent) = rounded.split_once('e').unwrap_or((&rounded, "0"));
    let exponent: i32 = exponent.parse().unwrap_or(0);
    if !(-4..7).contains(&exponent) {
        return format!("{}e{exponent}", trim_zeros(mantissa));
    }
    let decimals = usize::try_from(digits as i32 - 1 - exponent).unwrap_or(0);
    let rounded: f64 = rounded.parse().unwrap_or(value);
    trim_zeros(&format!("{rounded:.decimals$}")).to_owned()
}

fn trim_zeros(text: &str) -> &str {
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.') } else { text }
}

/// A value in its unit, with the SI prefix that keeps the number between 1 and 1000 for `Hz` and `s`; five digits.
#[must_use]
pub fn with_unit(value: f64, unit: &str) -> String {
    match unit {
        "" => number(value, 5),
        "Hz" | "s" => {
            let (scale, prefix) = si(value);
            format!("{} {prefix}{unit}", number(value / scale, 5))
        }
        _ => format!("{} {unit}", number(value, 5)),
    }
}

/// The SI prefix for a value, with its factor: 12 345 gives (1000, "k").
#[must_use]
pub fn si(value: f64) -> (f64, &'static str) {
    // Half a unit of the fifth digit: 999.996 Hz is printed as 1 kHz, not as 1000 Hz.
    let magnitude = value.abs() * (1.0 + 5e-6);
    match magnitude {
        0.0 => (1.0, ""),
        m if m >= 1e9 => (1e9, "G"),
        m if m >= 1e6 => (1e6, "M"),
        m if m >= 1e3 => (1e3, "k"),
        m if m >= 1.0 => (1.0, ""),
        m if m >= 1e-3 => (1e-3, "m"),
        m if m >= 1e-6 => (1e-6, "u"),
        m if m >= 1e-9 => (1e-9, "n"),
        _ => (1e-12, "p"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_read_well() {
        assert_eq!(number(0.0, 3), "0");
        assert_eq!(number(44.1234, 3), "44.1");
        assert_eq!(number(50.0, 5), "50");
        assert_eq!(number(99.996, 4), "100");
        assert_eq!(number(123_456.0, 2), "120000");
        assert_eq!(number(1.5e-7, 3), "1.5e-7");
        assert_eq!(number(-0.691, 2), "-0.69");
    }

    #[test]
    fn prefixes_follow_the_value() {
        assert_eq!(with_unit(9310.4, "Hz"), "9.3104 kHz");
        assert_eq!(with_unit(1.3157e-5, "s"), "13.157 us");
        assert_eq!(with_unit(44.1, "deg"), "44.1 deg");
        assert_eq!(with_unit(999.9999, "Hz"), "1 kHz");
    }
}
