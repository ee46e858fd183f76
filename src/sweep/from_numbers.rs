//! Samples from numbers in memory: every number is looked at, as the reader does with those of a file.

use super::convert::{Form, MOST_NUMBERS, NoGain, Numbers, convert, natural};
use super::fast_reader::{LEAST_HZ, MOST_HZ, is_frequency};
use super::order::is_above;
use super::reading::{AngleUnit, GainUnit};
use super::samples::Samples;
use num_complex::Complex64;
use thiserror::Error;

/// Fewest points of a sweep.
pub(super) const FEWEST_POINTS: usize = 3;

/// Why numbers are no samples of a sweep. Indices count from 0; texts name the row, which counts from 1, too.
#[derive(Debug, Clone, Copy, PartialEq, Error)]
#[non_exhaustive]
pub enum BadSamples {
    /// Too short a sweep.
    #[error("the sweep has {points} points; at least {FEWEST_POINTS} are wanted")]
    TooFew {
        /// Points that there are.
        points: usize,
    },
    /// A column is shorter or longer than that of the frequencies.
    #[error(
        "`{column}` has {found} values, `frequency_hz` has {wanted}; every row needs one value of each column"
    )]
    Length {
        /// The column.
        column: &'static str,
        /// Its values.
        found: usize,
        /// Frequencies.
        wanted: usize,
    },
    /// NaN or infinite.
    #[error(
        "`{column}`, row {} (index {index}): {value} is not finite; measure the point again, or leave its row out",
        index + 1
    )]
    NotFinite {
        /// Index of the row.
        index: usize,
        /// The column.
        column: &'static str,
        /// The number.
        value: f64,
    },
    /// A frequency that no loop is measured at: 0 or less, or out of all range.
    #[error(
        "`frequency_hz`, row {} (index {index}): {value} Hz is not from {LEAST_HZ} Hz to {MOST_HZ} Hz; leave the row out, or check the \
         unit",
        index + 1
    )]
    NotPositive {
        /// Index of the row.
        index: usize,
        /// The frequency, Hz.
        value: f64,
    },
    /// A frequency that does not lie above the one before it.
    #[error(
        "`frequency_hz`, row {} (index {index}): {value} Hz follows {before} Hz; frequencies must rise strictly: sort the \
         rows, and keep one sweep at a time",
        index + 1
    )]
    NotRising {
        /// Index of the row.
        index: usize,
        /// The frequency, Hz.
        value: f64,
        /// The frequency before it, Hz.
        before: f64,
    },
    /// A complex number of magnitude 0: it has no decibels and no phase.
    #[error(
        "`{column}`, row {} (index {index}): 0 has no phase, the magnitude must be above 0; measure the point again, or \
         leave its row out",
        index + 1
    )]
    NoMagnitude {
        /// Index of the row.
        index: usize,
        /// The column.
        column: &'static str,
    },
    /// A loop gain or a phase that no loop has.
    #[error(
        "`{column}`, row {} (index {index}): {value} is out of range, a loop gain beyond 6000 dB either way or a phase beyond a \
         hundred million turns; check the unit",
        index + 1
    )]
    OutOfRange {
        /// Index of the row.
        index: usize,
        /// The column.
        column: &'static str,
        /// The number; of complex numbers the magnitude.
        value: f64,
    },
}

/// Names of the numbers of a row, the frequency left out.
type Names = [&'static str; MOST_NUMBERS - 1];

const DB_DEG: Names = ["gain_db", "phase_deg", "", ""];
const LN_RAD: Names = ["ln_magnitude", "phase_rad", "", ""];
const COMPLEX: Names = ["loop_gain.re", "loop_gain.im", "", ""];
const SIDES: Names = ["input.re", "input.im", "output.re", "output.im"];

impl Samples {
    /// Samples from frequency, Hz, gain, dB, and phase, degrees.
    ///
    /// # Errors
    /// The first thing that breaks the invariant, with its place.
    pub fn from_db_deg(frequency_hz: &[f64], gain_db: &[f64], phase_deg: &[f64]) -> Result<Self, BadSamples> {
        let form = Form::Polar(GainUnit::Decibel, AngleUnit::Degree);
        polar(frequency_hz, gain_db, phase_deg, DB_DEG, |numbers| convert(form, numbers))
    }

    /// Samples from frequency, Hz, the natural logarithm of the magnitude, and phase, rad.
    ///
    /// # Errors
    /// The first thing that breaks the invariant, with its place.
    pub fn from_ln_rad(
        frequency_hz: &[f64],
        ln_magnitude: &[f64],
        phase_rad: &[f64],
    ) -> Result<Self, BadSamples> {
        polar(frequency_hz, ln_magnitude, phase_rad, LN_RAD, natural)
    }

    /// Samples from frequency, Hz, and the complex loop gain.
    ///
    /// # Errors
    /// The first thing that breaks the invariant, with its place.
    pub fn from_complex(frequency_hz: &[f64], loop_gain: &[Complex64]) -> Result<Self, BadSamples> {
        same_length(frequency_hz, "loop_gain", loop_gain)?;
        let rows = frequency_hz.iter().zip(loop_gain).map(|(hz, gain)| [*hz, gain.re, gain.im, 0.0, 0.0]);
        checked(
            rows,
            COMPLEX,
            |numbers| convert(Form::Complex, numbers),
            |index, why| match why {
                NoGain::Zero(_) => BadSamples::NoMagnitude { index, column: "loop_gain" },
                _ => {
                    let value = loop_gain.get(index).map_or(0.0, |gain| gain.norm());
                    BadSamples::OutOfRange { index, column: "loop_gain", value }
                }
            },
        )
    }

    /// Samples from frequency, Hz, and the signals at the input and at the output side of the injection point, both in one
    /// unit: the loop gain is output over input.
    ///
    /// # Errors
    /// The first thing that breaks the invariant, with its place.
    pub fn from_sides(
        frequency_hz: &[f64],
        input: &[Complex64],
        output: &[Complex64],
    ) -> Result<Self, BadSamples> {
        same_length(frequency_hz, "input", input)?;
        same_length(frequency_hz, "output", output)?;
        let sides = || input.iter().zip(output);
        let rows = frequency_hz.iter().zip(sides()).map(|(hz, (i, o))| [*hz, i.re, i.im, o.re, o.im]);
        checked(
            rows,
            SIDES,
            |numbers| convert(Form::Sides, numbers),
            |index, why| match why {
                NoGain::Zero(1) => BadSamples::NoMagnitude { index, column: "input" },
                NoGain::Zero(_) => BadSamples::NoMagnitude { index, column: "output" },
                _ => {
                    let value = sides().nth(index).map_or(0.0, |(i, o)| o.norm() / i.norm());
                    BadSamples::OutOfRange { index, column: "output/input", value }
                }
            },
        )
    }
}

fn same_length<T>(frequency_hz: &[f64], column: &'static str, values: &[T]) -> Result<(), BadSamples> {
    let (found, wanted) = (values.len(), frequency_hz.len());
    if found == wanted { Ok(()) } else { Err(BadSamples::Length { column, found, wanted }) }
}

fn polar(
    frequency_hz: &[f64],
    gain: &[f64],
    phase: &[f64],
    names: Names,
    convert: impl Fn(&Numbers) -> Result<(f64, f64), NoGain>,
) -> Result<Samples, BadSamples> {
    let [gain_name, phase_name, ..] = names;
    same_length(frequency_hz, gain_name, gain)?;
    same_length(frequency_hz, phase_name, phase)?;
    let columns = || frequency_hz.iter().zip(gain).zip(phase);
    let rows = columns().map(|((hz, gain), phase)| [*hz, *gain, *phase, 0.0, 0.0]);
    checked(rows, names, convert, |index, why| {
        let (gain, phase) = columns().nth(index).map_or((0.0, 0.0), |((_, gain), phase)| (*gain, *phase));
        let (column, value) =
            if matches!(why, NoGain::Phase(_)) { (phase_name, phase) } else { (gain_name, gain) };
        BadSamples::OutOfRange { index, column, value }
    })
}

/// Samples of rows that are all right; `bad` words why a row (its index) makes no loop gain.
fn checked(
    rows: impl Iterator<Item = Numbers>,
    names: Names,
    convert: impl Fn(&Numbers) -> Result<(f64, f64), NoGain>,
    bad: impl Fn(usize, NoGain) -> BadSamples,
) -> Result<Samples, BadSamples> {
    let mut samples = Samples::default();
    for (index, numbers) in rows.enumerate() {
        let columns = ["frequency_hz"].into_iter().chain(names).zip(numbers);
        if let Some((column, value)) = columns.into_iter().find(|(_, value)| !value.is_finite()) {
            return Err(BadSamples::NotFinite { index, column, value });
        }
        let [value, ..] = numbers;
        if !is_frequency(value) {
            return Err(BadSamples::NotPositive { index, value });
        }
        if let Some(before) = samples.frequency_hz.last().copied().filter(|before| !is_above(value, *before))
        {
            return Err(BadSamples::NotRising { index, value, before });
        }
        let (ln_magnitude, phase_rad) = convert(&numbers).map_err(|why| bad(index, why))?;
        samples.push(value, ln_magnitude, phase_rad);
    }
    if samples.len() < FEWEST_POINTS {
        return Err(BadSamples::TooFew { points: samples.len() });
    }
    Ok(samples)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sweep::{Reading, Scratch, read};
    use std::f64::consts::{LN_10, PI};

    const HZ: [f64; 4] = [100.0, 1e3, 1e4, 1e5];
    const DB: [f64; 4] = [40.0, 20.0, 0.0, -20.0];
    const DEG: [f64; 4] = [90.0, 80.0, 45.0, -180.0];

    /// `values` with another one at `index`.
    fn with<T: Copy>(values: [T; 4], index: usize, value: T) -> [T; 4] {
        let mut values = values;
        values[index] = value;
        values
    }

    fn gains() -> [Complex64; 4] {
        std::array::from_fn(|i| Complex64::from_polar(10f64.powf(DB[i] / 20.0), DEG[i].to_radians()))
    }

    #[test]
    fn all_constructors_agree_with_the_reader() {
        let text: String =
            HZ.iter().zip(DB).zip(DEG).map(|((hz, db), deg)| format!("{hz},{db},{deg}\n")).collect();
        let text = format!("frequency_hz,gain_db,phase_deg\n{text}");
        let mut of_file = Samples::default();
        read(text.as_bytes(), &"f.csv".into(), &Reading::default(), &mut Scratch::default(), &mut of_file)
            .unwrap();
        assert_eq!(Samples::from_db_deg(&HZ, &DB, &DEG).unwrap(), of_file);
        let (ln, rad) = (DB.map(|db| db * (LN_10 / 20.0)), DEG.map(f64::to_radians));
        assert_eq!(Samples::from_ln_rad(&HZ, &ln, &rad).unwrap(), of_file);
        let input: [Complex64; 4] =
            std::array::from_fn(|i| Complex64::from_polar(0.01 * (i + 1) as f64, i as f64));
        let output: [Complex64; 4] = std::array::from_fn(|i| gains()[i] * input[i]);
        for own in [Samples::from_complex(&HZ, &gains()), Samples::from_sides(&HZ, &input, &output)] {
            let own = own.unwrap();
            assert_eq!(own.frequency_hz(), HZ);
            for i in 0..4 {
                assert!((own.ln_magnitude()[i] - ln[i]).abs() < 1e-14, "{own:?}");
                let turn = (own.phase_rad()[i] - rad[i]).rem_euclid(2.0 * PI);
                assert!(turn.min(2.0 * PI - turn) < 1e-14, "{own:?}");
            }
        }
    }

    #[test]
    fn numbers_that_are_not_finite_are_refused_wherever_they_stand() {
        let refused = |column, index, value: f64, outcome: Result<Samples, BadSamples>| {
            // NaN equals nothing: the texts are compared.
            let wanted = BadSamples::NotFinite { index, column, value }.to_string();
            assert_eq!(outcome.unwrap_err().to_string(), wanted);
        };
        let gain = gains();
        for bad in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
            for i in 0..4 {
                refused("frequency_hz", i, bad, Samples::from_db_deg(&with(HZ, i, bad), &DB, &DEG));
                refused("gain_db", i, bad, Samples::from_db_deg(&HZ, &with(DB, i, bad), &DEG));
                refused("phase_deg", i, bad, Samples::from_db_deg(&HZ, &DB, &with(DEG, i, bad)));
                refused("ln_magnitude", i, bad, Samples::from_ln_rad(&HZ, &with(DB, i, bad), &DEG));
                refused("phase_rad", i, bad, Samples::from_ln_rad(&HZ, &DB, &with(DEG, i, bad)));
                let (re, im) = (Complex64::new(bad, 1.0), Complex64::new(1.0, bad));
                refused("loop_gain.re", i, bad, Samples::from_complex(&HZ, &with(gain, i, re)));
                refused("loop_gain.im", i, bad, Samples::from_complex(&HZ, &with(gain, i, im)));
                refused("input.re", i, bad, Samples::from_sides(&HZ, &with(gain, i, re), &gain));
                refused("input.im", i, bad, Samples::from_sides(&HZ, &with(gain, i, im), &gain));
                refused("output.re", i, bad, Samples::from_sides(&HZ, &gain, &with(gain, i, re)));
                refused("output.im", i, bad, Samples::from_sides(&HZ, &gain, &with(gain, i, im)));
            }
        }
    }

    #[test]
    fn frequencies_must_be_positive_and_rise() {
        let of = |hz: [f64; 4]| {
            let outcomes = [
                Samples::from_db_deg(&hz, &DB, &DEG),
                Samples::from_ln_rad(&hz, &DB, &DEG),
                Samples::from_complex(&hz, &gains()),
                Samples::from_sides(&hz, &gains(), &gains()),
            ];
            let [first, others @ ..] = outcomes.map(Result::unwrap_err);
            assert!(others.iter().all(|other| *other == first), "{others:?}");
            first
        };
        for value in [0.0, -0.0, -5.0] {
            assert_eq!(of(with(HZ, 0, value)), BadSamples::NotPositive { index: 0, value });
        }
        let twice = of(with(HZ, 2, 1e3));
        assert_eq!(twice, BadSamples::NotRising { index: 2, value: 1e3, before: 1e3 });
        let text = "`frequency_hz`, row 3 (index 2): 1000 Hz follows 1000 Hz; frequencies must rise strictly: sort the rows, \
                    and keep one sweep at a time";
        assert_eq!(twice.to_string(), text);
        let falling = [4.0, 3.0, 2.0, 1.0];
        assert_eq!(of(falling), BadSamples::NotRising { index: 1, value: 3.0, before: 4.0 });
    }

    #[test]
    fn columns_must_have_one_length() {
        let length = |column, found| BadSamples::Length { column, found, wanted: 4 };
        assert_eq!(Samples::from_db_deg(&HZ, &DB[1..], &DEG), Err(length("gain_db", 3)));
        assert_eq!(Samples::from_db_deg(&HZ, &DB, &[]), Err(length("phase_deg", 0)));
        assert_eq!(Samples::from_ln_rad(&HZ, &DB[1..], &DEG), Err(length("ln_magnitude", 3)));
        assert_eq!(Samples::from_ln_rad(&HZ, &DB, &DEG[1..]), Err(length("phase_rad", 3)));
        let (gain, longer) = (gains(), [Complex64::ONE; 5]);
        assert_eq!(Samples::from_complex(&HZ, &longer), Err(length("loop_gain", 5)));
        assert_eq!(Samples::from_sides(&HZ, &longer, &gain), Err(length("input", 5)));
        assert_eq!(Samples::from_sides(&HZ, &gain, &longer), Err(length("output", 5)));
        let text = "`output` has 5 values, `frequency_hz` has 4; every row needs one value of each column";
        assert_eq!(length("output", 5).to_string(), text);
    }

    #[test]
    fn two_points_are_no_sweep() {
        for points in 0..3 {
            let short = Samples::from_db_deg(&HZ[..points], &DB[..points], &DEG[..points]);
            assert_eq!(short, Err(BadSamples::TooFew { points }));
            let short = Samples::from_complex(&HZ[..points], &gains()[..points]);
            assert_eq!(short, Err(BadSamples::TooFew { points }));
        }
        assert!(Samples::from_db_deg(&HZ[..3], &DB[..3], &DEG[..3]).is_ok());
    }

    #[test]
    fn a_magnitude_of_zero_is_refused() {
        let none = with(gains(), 1, Complex64::ZERO);
        let no = |column| Err(BadSamples::NoMagnitude { index: 1, column });
        assert_eq!(Samples::from_complex(&HZ, &none), no("loop_gain"));
        assert_eq!(Samples::from_sides(&HZ, &none, &gains()), no("input"));
        assert_eq!(Samples::from_sides(&HZ, &gains(), &none), no("output"));
    }

    #[test]
    fn what_no_loop_has_is_refused() {
        let out = |column, value| Err(BadSamples::OutOfRange { index: 3, column, value });
        assert_eq!(Samples::from_db_deg(&HZ, &with(DB, 3, 1e5), &DEG), out("gain_db", 1e5));
        assert_eq!(Samples::from_db_deg(&HZ, &DB, &with(DEG, 3, 1e12)), out("phase_deg", 1e12));
        assert_eq!(Samples::from_ln_rad(&HZ, &with(DB, 3, -701.0), &DEG), out("ln_magnitude", -701.0));
        assert_eq!(Samples::from_ln_rad(&HZ, &DB, &with(DEG, 3, -1e10)), out("phase_rad", -1e10));
        let huge = Complex64::new(1e307, 0.0);
        let (tall, one) = (with(gains(), 3, huge), with(gains(), 3, Complex64::ONE));
        assert_eq!(Samples::from_complex(&HZ, &tall), out("loop_gain", 1e307));
        assert_eq!(Samples::from_sides(&HZ, &one, &tall), out("output/input", 1e307));
    }
}
