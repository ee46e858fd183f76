//! All frequencies of a corner.

use super::noisy::{Noisy, noisy};
use super::pair::{COVERAGE, Reading};
use super::profile::profile;
use super::unchanged::{Break, standing};
use crate::analysed::Analysed;
use crate::curve::db;
use crate::spec::Tolerances;
use serde::Serialize;

/// One level that was tried.
#[derive(Debug, Clone, Copy)]
pub struct Tried<'a> {
    /// The level, dB relative to 1 mW into 50 ohm.
    pub dbm: f64,
    /// Its sweep, or the mean of its repeats.
    pub sweep: &'a Analysed,
}

/// Expanded noise (coverage factor 2) of the smoothed curve.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct NoiseAt {
    /// Of the gain, dB.
    pub gain_db: f64,
    /// Of the phase, deg.
    pub phase_deg: f64,
}

impl NoiseAt {
    fn of(reading: &Reading) -> Self {
        Self {
            gain_db: db(COVERAGE * reading.u_ln_mag),
            phase_deg: (COVERAGE * reading.u_angle).to_degrees(),
        }
    }

    /// The same with the excitation lowered by so many dB: the receiver's noise stays, so its share grows in proportion.
    fn lowered(self, by_db: f64) -> Self {
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

/// What the levels of a corner show.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Survey {
    /// The grid, rising in frequency.
    pub points: Vec<SurveyPoint>,
    /// Ranges where noise hides more than the tolerances allow.
    pub noisy: Vec<Noisy>,
}

/// Fewest points that make a profile.
const FEWEST: usize = 3;

impl Survey {
    /// Points of the profile: frequency, Hz, and level, dBm. Fewer than three make none.
    #[must_use]
    pub fn profile(&self) -> Vec<(f64, f64)> {
        let points: Vec<(f64, f64)> =
            self.points.iter().filter_map(|p| Some((p.frequency_hz, p.level_dbm?))).collect();
        if points.len() < FEWEST { Vec::new() } else { points }
    }
}

/// Compares levels (rising) at frequencies (rising, Hz) under the tolerances of gain and phase, with the tolerances' step as
/// the distance kept from the strongest unchanged level.
#[must_use]
pub fn survey(frequencies_hz: &[f64], tried: &[Tried<'_>], tolerances: &Tolerances) -> Survey {
    let dbm: Vec<f64> = tried.iter().map(|level| level.dbm).collect();
    let ln_f: Vec<f64> = frequencies_hz.iter().map(|hz| hz.ln()).collect();
    let mut readings: Vec<Option<Reading>> = Vec::with_capacity(tried.len());
    let mut bounds = Vec::with_capacity(ln_f.len());
    let mut points = Vec::with_capacity(ln_f.len());
    let mut measured: Vec<Vec<(f64, NoiseAt)>> = Vec::with_capacity(ln_f.len());
    for (&frequency_hz, &x) in frequencies_hz.iter().zip(&ln_f) {
        readings.clear();
        readings.extend(tried.iter().map(|level| Reading::of(level.sweep, x)));
        let standing = standing(&dbm, &readings, tolerances);
        let level = |i: usize| dbm.get(i).copied();
        // Where even the weakest pair differs no level is good; what is given beside it must not lead there from above.
        let broken = standing.breaks.and_then(|_| level(0));
        bounds.push(standing.strongest.and_then(level).or(broken));
        let top = standing.strongest.unwrap_or(usize::MAX);
        let noise: Vec<(f64, NoiseAt)> = dbm
            .iter()
            .zip(&readings)
            .enumerate()
            .filter(|(i, _)| *i <= top)
            .filter_map(|(_, (dbm, reading))| Some((*dbm, NoiseAt::of(reading.as_ref()?))))
            .collect();
        points.push(SurveyPoint {
            frequency_hz,
            strongest: standing.strongest,
            weakest: standing.weakest,
            breaks: standing.breaks,
            level_dbm: None,
            noise: None,
            noise_at_strongest: noise.last().map(|(_, noise)| *noise),
        });
        measured.push(noise);
    }
    let levels = profile(&ln_f, &bounds, tolerances.step.db()).unwrap_or_default();
    for ((point, level), measured) in points.iter_mut().zip(levels).zip(&measured) {
        if point.strongest.is_none() {
            continue;
        }
        let nearest = measured.iter().min_by(|a, b| (a.0 - level).abs().total_cmp(&(b.0 - level).abs()));
        point.level_dbm = Some(level);
        point.noise = nearest.map(|(dbm, noise)| noise.lowered(dbm - level));
    }
    let noisy = noisy(&points, &dbm, tolerances);
    Survey { points, noisy }
}
