//! Numbers as people read them.

/// A number with `digits` significant digits, without an exponent between 1e-4 and 1e7, trailing zeros dropped.
#[must_use]
pub fn number(value: f64, digits: usize) -> String {
    if value == 0.0 {
        return "0".to_owned();
    }
    let last = i32::try_from(digits.max(1)).unwrap_or(17) - 1;
    // Half a unit of the last digit: 9.996 in three digits is 10.0, its leading digit is the tens.
    let exponent = (value.abs() * (1.0 + 0.5 * 10f64.powi(-last - 1))).log10().floor() as i32;
    if !(-4..7).contains(&exponent) {
        let text = format!("{value:.*e}", digits.max(1) - 1);
        let (mantissa, exponent) = text.split_once('e').unwrap_or((&text, "0"));
        return format!("{}e{exponent}", trim_zeros(mantissa));
    }
    let decimals = last - exponent;
    let text = if decimals < 0 {
        let step = 10f64.powi(-decimals);
        format!("{:.0}", (value / step).round() * step)
    } else {
        format!("{value:.*}", usize::try_from(decimals).unwrap_or(0))
    };
    trim_zeros(&text).to_owned()
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
        assert_eq!(number(9.9996, 4), "10");
        assert_eq!(number(0.099_996, 4), "0.1");
        assert_eq!(number(9_999_999.0, 2), "1e7");
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
