//! Errors over their expanded uncertainties.

use super::super::table::Share;

/// A normal error is inside half of all times within this part of its U at k = 2.
const MEDIAN: f64 = 0.337_245;

/// Errors over U of one quantity.
#[derive(Clone, Default)]
pub struct Ratios {
    pub inside: Share,
    pub beyond_two: usize,
    ratios: Vec<f64>,
}

impl Ratios {
    pub fn count(&mut self, error: f64, u: f64) {
        let ratio = if error == 0.0 { 0.0 } else { (error / u).abs() };
        self.inside.count(ratio <= 1.0);
        self.beyond_two += usize::from(ratio > 2.0);
        self.ratios.push(ratio);
    }

    /// U over twice the rms error, and the same from the middle of the errors, which stray ones do not move.
    pub fn wide(&self) -> (f64, f64) {
        let mut sorted = self.ratios.clone();
        sorted.sort_by(f64::total_cmp);
        let squares = sorted.iter().map(|r| r * r).sum::<f64>() / sorted.len() as f64;
        let middle = sorted.get(sorted.len() / 2).copied().unwrap_or(f64::NAN);
        (0.5 / squares.sqrt(), MEDIAN / middle)
    }

    pub fn largest(&self) -> f64 {
        self.ratios.iter().copied().fold(0.0, f64::max)
    }

    /// Share inside, % / U over twice the error by the middle / largest.
    pub fn short(&self) -> String {
        if self.ratios.is_empty() {
            return "-".to_owned();
        }
        format!("{} / {:.2} / {}", self.inside.text(), self.wide().1, times(self.largest()))
    }
}

/// A ratio that may be huge.
pub fn times(ratio: f64) -> String {
    if ratio < 1e4 { format!("{ratio:.1}") } else { format!("{ratio:.0e}") }
}
