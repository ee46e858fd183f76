//! What the unit under test does from sweep to sweep: it answers to the level, and it warms up.

use super::draw::Draw;
use num_complex::Complex64;

/// A change of the loop gain with the level of the injection, smooth over frequency: T (1 + size g(f) r^power) with r the
/// amplitude above the weakest level. The exact values are those without it, at no injection at all.
#[derive(Clone, Copy, Debug)]
pub struct LevelEffect {
    pub size: Complex64,
    /// 2 as for a smooth curve's third-order term (describing function), 1 as for a kink at the working point.
    pub power: f64,
    pub centre_hz: f64,
    /// Half width in ln f.
    pub width: f64,
}

impl LevelEffect {
    pub const NONE: Self = Self { size: Complex64::new(0.0, 0.0), power: 2.0, centre_hz: 1.0, width: 1.0 };

    /// One of 0.1 %, to be scaled.
    pub fn draw(d: &mut Draw, crossover_hz: f64) -> Self {
        Self {
            size: Complex64::from_polar(1e-3, d.between(0.0, std::f64::consts::TAU)),
            power: d.pick(&[1.0, 2.0, 2.0]),
            centre_hz: crossover_hz * d.log(0.2, 5.0),
            width: d.between(1.0, 3.0),
        }
    }

    pub fn is_any(&self) -> bool {
        self.size.norm() > 0.0
    }

    /// What it makes of the loop gain at a level above the weakest, dB.
    pub fn factor(&self, hz: f64, level_db: f64) -> Complex64 {
        let near = 1.0 / (1.0 + ((hz / self.centre_hz).ln() / self.width).powi(2));
        1.0 + self.size * near * 10f64.powf(level_db / 20.0 * self.power)
    }
}

/// A drift from the first sweep to the last. The exact values are those of a moment in between.
#[derive(Clone, Copy, Debug)]
pub struct Drift {
    /// Change of the gain, dB.
    pub gain_db: f64,
    /// Shift of the whole curve over frequency, relative.
    pub shift: f64,
    /// The moment of the exact values: 0 at the first sweep, 1 at the last.
    pub moment: f64,
}

impl Drift {
    pub const NONE: Self = Self { gain_db: 0.0, shift: 0.0, moment: 0.0 };

    pub fn draw(d: &mut Draw) -> Self {
        let sign = d.pick(&[-1.0, 1.0]);
        let (gain, shift) = (d.log(0.01, 0.5), d.log(0.001, 0.01));
        let by_gain = d.chance(0.5);
        Self {
            gain_db: if by_gain { sign * gain } else { 0.0 },
            shift: if by_gain { 0.0 } else { sign * shift },
            moment: d.between(0.0, 1.0),
        }
    }

    pub fn is_any(&self) -> bool {
        self.gain_db != 0.0 || self.shift != 0.0
    }

    /// Factor of the gain, and of the frequency, at a time from 0 to 1.
    pub fn at(&self, when: f64) -> (f64, f64) {
        let part = when - self.moment;
        (10f64.powf(part * self.gain_db / 20.0), 1.0 + part * self.shift)
    }
}

/// Interference at one frequency: it falls on one sample of every sweep, with a phase of its own each time.
#[derive(Clone, Copy, Debug)]
pub struct Spur {
    /// The sample.
    pub index: usize,
    /// Relative to the loop gain at the weakest level; 0: none.
    pub size: f64,
}

impl Spur {
    pub const NONE: Self = Self { index: 0, size: 0.0 };

    pub fn draw(d: &mut Draw, points: usize) -> Self {
        let index = (d.between(0.0, 1.0) * points as f64) as usize;
        Self { index: index.min(points - 1), size: d.log(0.002, 0.05) }
    }

    pub fn is_any(&self) -> bool {
        self.size > 0.0
    }

    /// Adds it to a sweep of a level above the weakest, dB.
    pub fn add(&self, sweep: &mut [Complex64], level_db: f64, d: &mut Draw) {
        if let Some(t) = sweep.get_mut(self.index).filter(|_| self.is_any()) {
            let size = self.size / 10f64.powf(level_db / 20.0);
            *t *= 1.0 + Complex64::from_polar(size, d.between(0.0, std::f64::consts::TAU));
        }
    }
}
