//! What several test files share: the published loops, evaluated from their printed coefficients.

#![expect(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    reason = "a test that cannot read its own data must stop"
)]
#![allow(dead_code, reason = "each test file uses a part of this module")]

use num_complex::Complex64;
use serde_json::Value;

/// One published loop of `tests/published/margin-cases.json`.
pub struct Loop {
    pub id: String,
    pub num: Vec<f64>,
    pub den: Vec<f64>,
    pub dead_time_s: f64,
    /// Variable of the polynomials: p = j f instead of s = j omega.
    pub in_hertz: bool,
    pub case: Value,
}

/// A decimal or a fraction `a/b`.
fn exact(text: &str) -> f64 {
    match text.split_once('/') {
        Some((a, b)) => a.parse::<f64>().unwrap() / b.parse::<f64>().unwrap(),
        None => text.parse().unwrap(),
    }
}

/// All published loops.
pub fn loops() -> Vec<Loop> {
    let text = include_str!("../published/margin-cases.json");
    let all: Value = serde_json::from_str(text).unwrap();
    let coefficients =
        |v: &Value| v.as_array().unwrap().iter().map(|c| exact(c.as_str().unwrap())).collect::<Vec<_>>();
    let list = all["cases"].as_array().unwrap();
    assert_eq!(list.len(), 18);
    list.iter()
        .map(|case| Loop {
            id: case["id"].as_str().unwrap().to_owned(),
            num: coefficients(&case["num"]),
            den: coefficients(&case["den"]),
            dead_time_s: exact(case["dead_time_s"].as_str().unwrap()),
            in_hertz: case["frequency_unit"] == "Hz",
            case: case.clone(),
        })
        .collect()
}

impl Loop {
    /// The textbook loop gain at a frequency in Hz.
    pub fn gain(&self, hz: f64) -> Complex64 {
        let omega = std::f64::consts::TAU * hz;
        let x = Complex64::new(0.0, if self.in_hertz { hz } else { omega });
        let poly = |c: &[f64]| c.iter().fold(Complex64::new(0.0, 0.0), |sum, &k| sum * x + k);
        poly(&self.num) / poly(&self.den) * Complex64::new(0.0, -omega * self.dead_time_s).exp()
    }

    /// Ends of the sweep that the file gives, Hz.
    pub fn band_hz(&self) -> (f64, f64) {
        let sweep = &self.case["sweep"];
        let scale = if sweep["unit"] == "Hz" { 1.0 } else { 1.0 / std::f64::consts::TAU };
        (exact(sweep["from"].as_str().unwrap()) * scale, exact(sweep["to"].as_str().unwrap()) * scale)
    }

    /// Log-spaced frequencies, Hz; `offset` in [0, 1) shifts the grid by a part of its step. Both ends are kept.
    pub fn grid(&self, per_decade: f64, offset: f64) -> Vec<f64> {
        let (from, to) = self.band_hz();
        let steps = ((to / from).log10() * per_decade).floor();
        let mut grid: Vec<f64> = (0..=steps as usize)
            .map(|k| from * 10f64.powf((k as f64 + offset) / per_decade))
            .filter(|&f| f < to * (1.0 - 1e-9))
            .collect();
        if offset > 0.0 {
            grid.insert(0, from);
        }
        grid.push(to);
        grid
    }

    /// Density at which the listed values come back, points per decade.
    pub fn least_density(&self) -> f64 {
        self.case["sweep"]["points_per_decade_min"].as_f64().unwrap()
    }

    pub fn is_smooth(&self) -> bool {
        self.case["sweep"]["class"] == "smooth"
    }

    /// A sweep file of the loop in the textbook convention, or around the closed loop (`turned`).
    pub fn csv(&self, grid: &[f64], turned: bool) -> String {
        let mut text = String::from("frequency_hz,gain_db,phase_deg\n");
        for &hz in grid {
            let gain = if turned { -self.gain(hz) } else { self.gain(hz) };
            text.push_str(&format!("{hz},{},{}\n", 20.0 * gain.norm().log10(), gain.arg().to_degrees()));
        }
        text
    }
}
