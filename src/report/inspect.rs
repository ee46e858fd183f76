//! The JSON result of `inspect`.

use crate::check::Measured;
use serde::Serialize;
use std::io::{self, Write};

/// All sweeps inspected.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct InspectResult {
    format: u32,
    /// One per sweep file, in the order of the command line.
    pub sweeps: Vec<InspectSweep>,
}

/// What one sweep shows.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct InspectSweep {
    /// The file as given.
    pub file: String,
    /// Number of points.
    pub points: usize,
    /// Lowest and highest frequency, Hz.
    pub band_hz: [f64; 2],
    /// Every crossover, rising in frequency.
    pub crossovers: Vec<InspectCrossover>,
    /// Every phase crossover, rising in frequency.
    pub phase_crossovers: Vec<InspectPhaseCrossover>,
    /// The highest falling crossover, Hz.
    pub crossover_hz: Option<Measured>,
    /// The phase margin nearest to 0, deg.
    pub phase_margin_deg: Option<Measured>,
    /// Gain margin, dB.
    pub gain_margin_db: Option<Measured>,
    /// Gain reduction margin, dB.
    pub gain_reduction_margin_db: Option<Measured>,
    /// Smallest distance to the critical point.
    pub stability_margin: Option<Measured>,
    /// Delay margin, s.
    pub delay_margin_s: Option<Measured>,
    /// Scatter of the magnitude about a smooth curve, %; `None` when it is not known.
    pub noise_percent: Option<f64>,
    /// Observations, one sentence each.
    pub findings: Vec<String>,
}

/// A frequency where the magnitude is 1.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct InspectCrossover {
    /// The frequency, Hz.
    pub frequency_hz: f64,
    /// The phase margin there, deg, in (-180, 180].
    pub phase_margin_deg: f64,
    /// Which way the magnitude goes.
    pub direction: Direction,
}

/// Which way the magnitude goes through 1.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Direction {
    /// From above 1 to below.
    Falling,
    /// From below 1 to above.
    Rising,
}

/// A frequency where the loop gain lies on the ray through the critical point.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct InspectPhaseCrossover {
    /// The frequency, Hz.
    pub frequency_hz: f64,
    /// Factor by which the gain may rise before the critical point is reached, dB; negative above magnitude 1.
    pub gain_margin_db: f64,
}

impl InspectResult {
    /// A result of these sweeps.
    #[must_use]
    pub const fn new(sweeps: Vec<InspectSweep>) -> Self {
        Self { format: 1, sweeps }
    }

    /// Writes it, a line per entry.
    ///
    /// # Errors
    /// When the sink cannot be written.
    pub fn write_json(&self, mut sink: impl Write) -> io::Result<()> {
        serde_json::to_writer_pretty(&mut sink, self)?;
        sink.write_all(b"\n")?;
        sink.flush()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::{Value, json};

    #[test]
    fn keys_are_those_of_the_format() {
        let measured = |value, at_hz| Some(Measured { value, uncertainty: None, at_hz, at_least: None });
        let sweep = InspectSweep {
            file: "24v-3a.csv".to_owned(),
            points: 401,
            band_hz: [100.0, 5e5],
            crossovers: vec![InspectCrossover {
                frequency_hz: 9310.4,
                phase_margin_deg: 44.1,
                direction: Direction::Falling,
            }],
            phase_crossovers: vec![InspectPhaseCrossover { frequency_hz: 61_750.0, gain_margin_db: 12.6 }],
            crossover_hz: measured(9310.4, 9310.4),
            phase_margin_deg: measured(44.1, 9310.4),
            gain_margin_db: None,
            gain_reduction_margin_db: None,
            stability_margin: measured(0.69, 18_200.0),
            delay_margin_s: None,
            noise_percent: None,
            findings: vec!["one sentence".to_owned()],
        };
        let mut bytes = Vec::new();
        InspectResult::new(vec![sweep]).write_json(&mut bytes).unwrap();
        let value: Value = serde_json::from_slice(&bytes).unwrap();
        assert_eq!(
            value,
            json!({"format": 1, "sweeps": [{"file": "24v-3a.csv", "points": 401, "band_hz": [100.0, 5e5],
                "crossovers": [{"frequency_hz": 9310.4, "phase_margin_deg": 44.1, "direction": "falling"}],
                "phase_crossovers": [{"frequency_hz": 61750.0, "gain_margin_db": 12.6}],
                "crossover_hz": {"value": 9310.4, "uncertainty": null, "at_hz": 9310.4},
                "phase_margin_deg": {"value": 44.1, "uncertainty": null, "at_hz": 9310.4},
                "gain_margin_db": null, "gain_reduction_margin_db": null,
                "stability_margin": {"value": 0.69, "uncertainty": null, "at_hz": 18200.0},
                "delay_margin_s": null, "noise_percent": null, "findings": ["one sentence"]}]})
        );
    }
}
