//! dB and degrees of a whole file to complex numbers, in loops that the compiler turns into vector code.
//!
//! Polynomials after reduction to half an octave and an eighth of a turn (Taylor's series, as in any handbook), good to a
//! few units of the last digit.

use std::f64::consts::{LN_2, LOG2_10, PI};

/// Columns of one file, filled again and again.
#[derive(Default)]
pub struct Columns {
    magnitude: Vec<f64>,
    degrees: Vec<f64>,
    re: Vec<f64>,
    im: Vec<f64>,
}

/// One sample.
#[derive(Debug, Clone, Copy)]
pub struct Point {
    /// |T|.
    pub magnitude: f64,
    /// Real part of T.
    pub re: f64,
    /// Imaginary part of T.
    pub im: f64,
}

impl Columns {
    /// Empties the columns and keeps their memory.
    pub fn clear(&mut self) {
        self.magnitude.clear();
        self.degrees.clear();
    }

    /// Adds a sample.
    pub fn push(&mut self, db: f64, degrees: f64) {
        self.magnitude.push(db);
        self.degrees.push(degrees);
    }

    /// Turns dB and degrees of all samples into complex numbers.
    pub fn make_complex(&mut self) {
        self.re.resize(self.magnitude.len(), 0.0);
        self.im.resize(self.magnitude.len(), 0.0);
        let parts = self.re.iter_mut().zip(&mut self.im);
        for ((magnitude, degrees), (re, im)) in self.magnitude.iter_mut().zip(&self.degrees).zip(parts) {
            let ratio = exp2(*magnitude * (LOG2_10 / 20.0));
            let (sin, cos) = sin_cos(*degrees);
            *magnitude = ratio;
            *re = ratio * cos;
            *im = ratio * sin;
        }
    }

    /// The samples, once they are complex.
    pub fn points(&self) -> impl Iterator<Item = Point> {
        let parts = self.re.iter().zip(&self.im);
        self.magnitude.iter().zip(parts).map(|(&magnitude, (&re, &im))| Point { magnitude, re, im })
    }
}

/// 1.5 * 2^52: added and taken away again it rounds to a whole number, which stays in the lowest bits of the sum.
const ROUND: f64 = 6_755_399_441_055_744.0;

/// 1/n!, exact to rounding.
const fn inverse_factorial(n: u32) -> f64 {
    let mut product = 1.0;
    let mut k = 2;
    while k <= n {
        product *= k as f64;
        k += 1;
    }
    1.0 / product
}

#[inline(always)]
fn exp2(x: f64) -> f64 {
    const C: [f64; 12] = [
        inverse_factorial(12),
        inverse_factorial(11),
        inverse_factorial(10),
        inverse_factorial(9),
        inverse_factorial(8),
        inverse_factorial(7),
        inverse_factorial(6),
        inverse_factorial(5),
        inverse_factorial(4),
        inverse_factorial(3),
        0.5,
        1.0,
    ];
    let rounded = x + ROUND;
    let r = (x - (rounded - ROUND)) * LN_2;
    let fraction = C.iter().fold(inverse_factorial(13), |sum, c| sum * r + c) * r + 1.0;
    // The whole part goes straight into the exponent.
    fraction * f64::from_bits((rounded.to_bits() << 52).wrapping_add(1023 << 52))
}

#[inline(always)]
fn sin_cos(degrees: f64) -> (f64, f64) {
    const S: [f64; 7] = [
        inverse_factorial(13),
        -inverse_factorial(11),
        inverse_factorial(9),
        -inverse_factorial(7),
        inverse_factorial(5),
        -inverse_factorial(3),
        1.0,
    ];
    const C: [f64; 8] = [
        -inverse_factorial(14),
        inverse_factorial(12),
        -inverse_factorial(10),
        inverse_factorial(8),
        -inverse_factorial(6),
        inverse_factorial(4),
        -0.5,
        1.0,
    ];
    let rounded = degrees * (1.0 / 90.0) + ROUND;
    let quarter = rounded.to_bits();
    let r = (degrees - (rounded - ROUND) * 90.0) * (PI / 180.0);
    let square = r * r;
    let sin = (S.iter().fold(-inverse_factorial(15), |sum, c| sum * square + c) * r).to_bits();
    let cos = C.iter().fold(inverse_factorial(16), |sum, c| sum * square + c).to_bits();
    // Odd quarters swap the two; the signs follow from the quarter. Bits instead of branches, for the vector code.
    let odd = (quarter & 1).wrapping_neg();
    let (y, x) = ((sin & !odd) | (cos & odd), (cos & !odd) | (sin & odd));
    let (y_sign, x_sign) = ((quarter & 2) << 62, (quarter.wrapping_add(1) & 2) << 62);
    (f64::from_bits(y ^ y_sign), f64::from_bits(x ^ x_sign))
}

/// Whether the polynomials agree with the standard library, so that the floor does the whole work.
pub fn agree_with_std() -> bool {
    let close = |a: f64, b: f64| (a - b).abs() <= 1e-14 * b.abs().max(1.0);
    (-7200..=7200).map(|k| f64::from(k) * 0.0501).all(|x| {
        let (sin, cos) = sin_cos(x);
        let (sin_std, cos_std) = x.to_radians().sin_cos();
        let ratio = 10f64.powf(0.05 * x);
        close(sin, sin_std)
            && close(cos, cos_std)
            && (exp2(x * (LOG2_10 / 20.0)) / ratio - 1.0).abs() <= 2e-14
    })
}
