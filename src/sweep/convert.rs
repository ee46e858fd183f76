//! The numbers of a row to ln magnitude and phase.

use super::reading::{AngleUnit, GainUnit};
use std::f64::consts::LN_10;

/// Most numbers taken from a row: the frequency and the two parts of two sides.
pub(super) const MOST_NUMBERS: usize = 5;

/// The numbers taken from a row; the first is the frequency, the others in the order of the [`Form`].
pub(super) type Numbers = [f64; MOST_NUMBERS];

/// ln magnitude for one decibel: dB = 20 log10 of an amplitude ratio (ISO 80000-3, from memory).
const LN_PER_DECIBEL: f64 = LN_10 / 20.0;

/// Largest |ln magnitude|, about 6000 dB: the magnitude itself, and 1 over it, must still be a normal double.
const MOST_LN_MAGNITUDE: f64 = 700.0;

/// Largest |phase| in rad. Beyond, a double no longer tells angles 1e-7 rad apart, and modulo a turn it means nothing.
const MOST_PHASE_RAD: f64 = 1e9;

/// In which form a file gives the loop gain.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Form {
    /// Gain, phase.
    Polar(GainUnit, AngleUnit),
    /// Real and imaginary part of the loop gain.
    Complex,
    /// Real and imaginary part of the input side, then of the output side.
    Sides,
    /// Magnitude and phase of the input side, then of the output side, each with its units.
    PolarSides([(GainUnit, AngleUnit); 2]),
}

/// Why numbers make no loop gain. The place is an index into [`Numbers`].
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum NoGain {
    /// A ratio or a magnitude of 0 or less.
    RatioNotPositive(usize),
    /// Both parts are 0: no magnitude in decibels, no phase.
    Zero(usize),
    /// A magnitude beyond any measurement.
    Magnitude(usize),
    /// A phase beyond any measurement.
    Phase(usize),
}

impl NoGain {
    /// Index of the number that is meant.
    pub fn number(self) -> usize {
        match self {
            Self::RatioNotPositive(at) | Self::Zero(at) | Self::Magnitude(at) | Self::Phase(at) => at,
        }
    }
}

/// Ln magnitude and phase (rad) of a row.
///
/// # Errors
/// Why the numbers make no loop gain.
#[inline]
pub(super) fn convert(form: Form, numbers: &Numbers) -> Result<(f64, f64), NoGain> {
    match form {
        Form::Polar(gain, phase) => polar(gain, phase, numbers),
        Form::Complex => complex(numbers),
        Form::Sides => sides(numbers),
        Form::PolarSides(units) => polar_sides(units, numbers),
    }
}

#[inline]
fn polar(gain: GainUnit, phase: AngleUnit, numbers: &Numbers) -> Result<(f64, f64), NoGain> {
    let [_, gain_value, phase_value, ..] = *numbers;
    let (ln_magnitude, phase_rad) = part((gain, phase), gain_value, phase_value, 1)?;
    natural(&[0.0, ln_magnitude, phase_rad, 0.0, 0.0])
}

/// Ln magnitude and phase (rad) of one magnitude and phase; `number` is the index of the magnitude.
#[inline]
fn part(
    (gain, phase): (GainUnit, AngleUnit),
    gain_value: f64,
    phase_value: f64,
    number: usize,
) -> Result<(f64, f64), NoGain> {
    let ln_magnitude = match gain {
        GainUnit::Decibel => gain_value * LN_PER_DECIBEL,
        GainUnit::Ratio if gain_value > 0.0 => gain_value.ln(),
        GainUnit::Ratio => return Err(NoGain::RatioNotPositive(number)),
    };
    let phase_rad = match phase {
        AngleUnit::Degree => phase_value.to_radians(),
        AngleUnit::Radian => phase_value,
    };
    if phase_rad.abs() > MOST_PHASE_RAD {
        return Err(NoGain::Phase(number + 1));
    }
    Ok((ln_magnitude, phase_rad))
}

/// Output over input.
#[inline(never)]
fn polar_sides(units: [(GainUnit, AngleUnit); 2], numbers: &Numbers) -> Result<(f64, f64), NoGain> {
    let [_, input, input_phase, output, output_phase] = *numbers;
    let (of_input, of_output) =
        (part(units[0], input, input_phase, 1)?, part(units[1], output, output_phase, 3)?);
    bounded(of_output.0 - of_input.0, of_output.1 - of_input.1, 3)
}

/// As [`convert`], of numbers that are ln magnitude and phase (rad) already.
///
/// # Errors
/// Which of them is beyond any measurement.
#[inline]
pub(super) fn natural(numbers: &Numbers) -> Result<(f64, f64), NoGain> {
    let [_, ln_magnitude, phase_rad, ..] = *numbers;
    if phase_rad.abs() > MOST_PHASE_RAD { Err(NoGain::Phase(2)) } else { bounded(ln_magnitude, phase_rad, 1) }
}

// Out of line, as `sides` is: their logarithms would crowd the loop over polar rows, which most files have.
#[inline(never)]
fn complex(numbers: &Numbers) -> Result<(f64, f64), NoGain> {
    let [_, re, im, ..] = *numbers;
    let whole = Scaled::new(re, im).ok_or(NoGain::Zero(1))?;
    bounded(whole.ln_magnitude(), im.atan2(re), 1)
}

#[inline(never)]
fn sides(numbers: &Numbers) -> Result<(f64, f64), NoGain> {
    let [_, input_re, input_im, output_re, output_im] = *numbers;
    let input = Scaled::new(input_re, input_im).ok_or(NoGain::Zero(1))?;
    let output = Scaled::new(output_re, output_im).ok_or(NoGain::Zero(3))?;
    let (ln_magnitude, phase_rad) = output.over(input);
    bounded(ln_magnitude, phase_rad, 3)
}

#[inline]
fn bounded(ln_magnitude: f64, phase_rad: f64, number: usize) -> Result<(f64, f64), NoGain> {
    if ln_magnitude.abs() > MOST_LN_MAGNITUDE {
        Err(NoGain::Magnitude(number))
    } else {
        Ok((ln_magnitude, phase_rad))
    }
}

/// A complex number as `scale * (re + j im)` with the larger part of size 1, so that no product overflows.
#[derive(Debug, Clone, Copy)]
struct Scaled {
    scale: f64,
    re: f64,
    im: f64,
}

impl Scaled {
    /// `None` for 0.
    fn new(re: f64, im: f64) -> Option<Self> {
        let scale = re.abs().max(im.abs());
        (scale > 0.0).then(|| Self { scale, re: re / scale, im: im / scale })
    }

    /// Square of the magnitude less the scale: from 1 to 2.
    fn square(self) -> f64 {
        self.re * self.re + self.im * self.im
    }

    fn ln_magnitude(self) -> f64 {
        self.scale.ln() + 0.5 * self.square().ln()
    }

    /// Ln magnitude and phase of the quotient.
    fn over(self, below: Self) -> (f64, f64) {
        let ratio = self.scale / below.scale;
        // The logarithm of one ratio loses less than the difference of two, but the ratio may leave the doubles.
        let ln_scale = if ratio.is_normal() { ratio.ln() } else { self.scale.ln() - below.scale.ln() };
        let ln_magnitude = ln_scale + 0.5 * (self.square() / below.square()).ln();
        let re = self.re * below.re + self.im * below.im;
        let im = self.im * below.re - self.re * below.im;
        (ln_magnitude, im.atan2(re))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use num_complex::Complex64;
    use std::f64::consts::PI;

    // A few roundings of numbers of size 1 to 10.
    const CLOSE: f64 = 4e-15;

    fn close(found: Result<(f64, f64), NoGain>, ln_magnitude: f64, phase_rad: f64) {
        let (l, p) = found.unwrap();
        assert!((l - ln_magnitude).abs() < CLOSE && (p - phase_rad).abs() < CLOSE, "{l} {p}");
    }

    #[test]
    fn all_forms_of_one_number_agree() {
        // 10 at -90 degrees.
        let (l, p) = (LN_10, -PI / 2.0);
        close(
            convert(Form::Polar(GainUnit::Decibel, AngleUnit::Degree), &[1.0, 20.0, -90.0, 0.0, 0.0]),
            l,
            p,
        );
        close(convert(Form::Polar(GainUnit::Ratio, AngleUnit::Radian), &[1.0, 10.0, p, 0.0, 0.0]), l, p);
        close(convert(Form::Complex, &[1.0, 0.0, -10.0, 0.0, 0.0]), l, p);
        close(convert(Form::Sides, &[1.0, 0.3, 0.4, 4.0, -3.0]), l, p);
    }

    #[test]
    fn quotients_agree_with_complex_division() {
        for (a, b, c, d) in [(1.0, 2.0, 3.0, -4.0), (-0.02, 0.5, 7.0, 0.1), (-1.0, -1e-3, 1.0, 1e-3)] {
            let quotient = Complex64::new(c, d) / Complex64::new(a, b);
            close(convert(Form::Sides, &[1.0, a, b, c, d]), quotient.norm().ln(), quotient.arg());
        }
    }

    #[test]
    fn extreme_numbers_neither_overflow_nor_vanish() {
        close(convert(Form::Sides, &[1.0, 3e307, 4e307, 1.5e308, 0.0]), 3f64.ln(), -(4f64.atan2(3.0)));
        close(convert(Form::Sides, &[1.0, 0.0, 1e-300, 0.0, 1e-300]), 0.0, 0.0);
        assert_eq!(convert(Form::Sides, &[1.0, 1e-300, 0.0, 1e300, 0.0]), Err(NoGain::Magnitude(3)));
        assert_eq!(convert(Form::Complex, &[1.0, 1e308, 1e308, 0.0, 0.0]), Err(NoGain::Magnitude(1)));
        close(
            convert(Form::Complex, &[1.0, 1e-200, 0.0, 0.0, 0.0]).map(|(l, p)| (l / -200.0, p)),
            LN_10,
            0.0,
        );
    }

    #[test]
    fn zero_has_no_phase() {
        let polar = Form::Polar(GainUnit::Ratio, AngleUnit::Degree);
        for ratio in [0.0, -0.0, -2.0] {
            assert_eq!(convert(polar, &[1.0, ratio, 0.0, 0.0, 0.0]), Err(NoGain::RatioNotPositive(1)));
        }
        assert_eq!(convert(Form::Complex, &[1.0, 0.0, -0.0, 0.0, 0.0]), Err(NoGain::Zero(1)));
        assert_eq!(convert(Form::Sides, &[1.0, 0.0, 0.0, 1.0, 0.0]), Err(NoGain::Zero(1)));
        assert_eq!(convert(Form::Sides, &[1.0, 1.0, 0.0, 0.0, 0.0]), Err(NoGain::Zero(3)));
        assert_eq!(convert(polar, &[1.0, 1.0, 1e12, 0.0, 0.0]), Err(NoGain::Phase(2)));
        let decibel = Form::Polar(GainUnit::Decibel, AngleUnit::Degree);
        assert_eq!(convert(decibel, &[1.0, 1e5, 0.0, 0.0, 0.0]), Err(NoGain::Magnitude(1)));
    }
}
