//! What the levels show at one frequency.

use super::level_pair::{COVERAGE, Reading};
use super::strongest_level::Break;
use crate::curve::db;
use serde::Serialize;

/// Expanded noise (coverage factor 2) of the smoothed curve.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct NoiseAt {
    /// Of the gain, dB.
    pub gain_db: f64,
    /// Of the phase, deg.
    pub phase_deg: f64,
}

impl NoiseAt {
    pub(super) fn of(reading: &Reading) -> Self {
        Self {
            gain_db: db(COVERAGE * reading.u_ln_mag),
            phase_deg: (COVERAGE * reading.u_angle).to_degrees(),
        }
    }

    /// The larger of each part.
    pub(super) fn worst(self, other: Self) -> Self {
        Self { gain_db: self.gain_db.max(other.gain_db), phase_deg: self.phase_deg.max(other.phase_deg) }
    }

    /// The same with the excitation lowered by so many dB: the receiver's noise stays, so its share grows in proportion.
    pub(super) fn lowered(self, by_db: f64) -> Self {
        let factor = 10f64.powf(by_db / 20.0);
        Self { gain_db: self.gain_db * factor, phase_deg: self.phase_deg * factor }
    }
}

/// What the levels show at one frequency.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SurveyPoint {
    /// Frequency, Hz.
    pub frequency_hz: f64,
    /// Index of the strongest unchanged level; `None` where none is shown to be.
    pub strongest: Option<usize>,
    /// Index of the weakest level that agrees with it: above 0 only where weaker ones lie in a dead zone.
    pub weakest: usize,
    /// The weakest changed level; `None` where no level is.
    pub breaks: Option<Break>,
    /// The profile, dBm; `None` where no level is shown to be unchanged.
    pub level_dbm: Option<f64>,
    /// Noise at the profile's level, scaled from the nearest level tried.
    pub noise: Option<NoiseAt>,
    /// Noise at the strongest unchanged level; where there is none, at the strongest tried.
    pub noise_at_strongest: Option<NoiseAt>,
}
