//! A bench with two receivers, one on each side of the injection point.
//!
//! An ideal source of strength A lies between the sides. The loop gain T makes the output side -T times the input side, and the
//! source is their difference: the input side is A / (1 + T), the output side -T A / (1 + T). Each receiver adds noise of its
//! own to what it sees; the instrument writes the ratio of the two, or its negative in the textbook convention.

use super::draw::Draw;
use num_complex::Complex64;

/// What the noise of the receivers is made of. Parts are rms of each component, as a share of the weakest injection.
#[derive(Clone, Debug)]
pub struct Receivers {
    /// Constant floor of the input side's and the output side's receiver.
    pub floor: [f64; 2],
    /// Below this frequency, Hz, the floor rises as 1/f in power; 0: nowhere.
    pub corner_hz: f64,
    /// Floor of the range in use, as a share of its full scale; 0: one range for all.
    pub range: f64,
    /// Below this frequency, Hz, more is averaged, in proportion to 1/f; 0: the same everywhere.
    pub averaged_below_hz: f64,
    /// Correlation of the noise from point to point.
    pub correlation: f64,
}

/// Ranges are 10 dB apart.
const RANGE_DB: f64 = 10.0;
/// Largest floor of a range, as a share of its full scale.
const MOST_RANGE: f64 = 3e-3;
/// Most averages.
const MOST_AVERAGES: f64 = 64.0;

/// Full scale of the smallest range that holds a signal.
fn full_scale(signal: f64) -> f64 {
    let db = 20.0 * signal.log10();
    10f64.powf((db / RANGE_DB).ceil() * RANGE_DB / 20.0)
}

/// What the two sides see of a source of strength `a`: input, output.
pub fn sides(t: Complex64, a: f64) -> [Complex64; 2] {
    let input = a / (1.0 + t);
    [input, -t * input]
}

impl Receivers {
    /// A bench whose floor lies between two shares of the injection.
    pub fn draw(d: &mut Draw, floor: (f64, f64), crossover_hz: f64) -> Self {
        let first = d.log(floor.0, floor.1);
        let second = (first * d.log(0.3, 3.0)).clamp(floor.0, floor.1);
        let corner = crossover_hz * d.log(0.02, 1.0);
        let range = (first * d.log(0.1, 3.0)).min(MOST_RANGE);
        let averaged = crossover_hz * d.log(0.05, 1.0);
        Self {
            floor: [first, second],
            corner_hz: if d.chance(0.3) { corner } else { 0.0 },
            range: if d.chance(0.3) { range } else { 0.0 },
            averaged_below_hz: if d.chance(0.3) { averaged } else { 0.0 },
            correlation: d.pick(&[0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.5, 0.8, 0.95]),
        }
    }

    /// rms of each component of the noise of receiver `k` that sees a signal of that magnitude.
    fn sigma(&self, k: usize, hz: f64, signal: f64) -> f64 {
        let floor = self.floor[k] * (1.0 + self.corner_hz / hz).sqrt();
        let averages = (self.averaged_below_hz / hz).clamp(1.0, MOST_AVERAGES).floor();
        let range = if self.range > 0.0 { self.range * full_scale(signal) } else { 0.0 };
        floor.hypot(range) / averages.sqrt()
    }

    /// rms of each component of the noise of a sample, relative to the loop gain, at a level of strength `a`.
    pub fn relative(&self, hz: f64, t: Complex64, a: f64) -> f64 {
        let [input, output] = sides(t, a).map(|side| side.norm());
        (self.sigma(0, hz, input) / input).hypot(self.sigma(1, hz, output) / output)
    }

    /// Measures: the ratio of output to input side with the textbook's sign, point by point.
    pub fn measure(&self, hz: &[f64], t: &[Complex64], a: f64, d: &mut Draw) -> Vec<Complex64> {
        let fresh = (1.0 - self.correlation.powi(2)).sqrt();
        let mut noise = [d.complex(), d.complex()];
        let measure = |(&hz, &t): (&f64, &Complex64)| {
            let mut sides = sides(t, a);
            for (k, (side, noise)) in sides.iter_mut().zip(&mut noise).enumerate() {
                *noise = self.correlation * *noise + fresh * d.complex();
                *side += self.sigma(k, hz, side.norm()) * *noise;
            }
            -sides[1] / sides[0]
        };
        hz.iter().zip(t).map(measure).collect()
    }
}

/// How the instrument writes a sample.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Digits {
    /// All that a number has.
    All,
    /// dB and degrees with so many decimals.
    Decimals(i32),
    /// Real and imaginary part with six digits.
    Ratio,
}

impl Digits {
    pub const ALL: [Self; 5] =
        [Self::All, Self::Decimals(3), Self::Decimals(2), Self::Decimals(1), Self::Ratio];

    pub const fn label(self) -> &'static str {
        match self {
            Self::All => "all digits",
            Self::Decimals(1) => "0.1 dB, 0.1 deg",
            Self::Decimals(2) => "0.01 dB, 0.01 deg",
            Self::Decimals(_) => "0.001 dB, 0.001 deg",
            Self::Ratio => "ratio, 6 digits",
        }
    }

    /// The header of the two columns beside the frequency.
    pub const fn header(self) -> &'static str {
        match self {
            Self::Ratio => "frequency_hz,real,imag",
            _ => "frequency_hz,gain_db,phase_deg",
        }
    }

    /// The two numbers of a sample as they stand in the file.
    pub fn numbers(self, t: Complex64) -> [f64; 2] {
        let polar = [20.0 * t.norm().log10(), t.arg().to_degrees()];
        match self {
            Self::All => polar,
            Self::Decimals(n) => {
                let scale = 10f64.powi(n);
                polar.map(|v| (v * scale).round() / scale)
            }
            Self::Ratio => [t.re, t.im].map(|v| format!("{v:.5e}").parse().unwrap_or(v)),
        }
    }

    /// What a reader makes of those two numbers.
    pub fn read(self, [a, b]: [f64; 2]) -> Complex64 {
        match self {
            Self::Ratio => Complex64::new(a, b),
            _ => Complex64::from_polar(10f64.powf(a / 20.0), b.to_radians()),
        }
    }
}
