//! From the sweeps of a corner to its levels.

use super::findings::findings;
use super::outcome::{LevelsOutcome, TriedLevel};
use super::survey::survey;
use super::tried::Tried;
use crate::analysed::Analysed;
use crate::check::{self, SweepInput};
use crate::linearity::STEP_SLACK_DB;
use crate::run::{Excitation, SweepEntry};
use crate::spec::{Band, Corner, CriticalPoint, Linearity};
use std::collections::HashSet;
use thiserror::Error;

/// Why nothing can be said of a corner's levels.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
#[non_exhaustive]
pub enum NoLevels {
    /// The spec gives no tolerance of the curve.
    #[error(
        "the spec of corner {corner} gives neither `linearity.gain` nor `linearity.phase`, so curves cannot be compared: \
         write for example `linearity: {{gain: 1 dB, phase: 5 deg}}`"
    )]
    Tolerances {
        /// The corner.
        corner: String,
    },
    /// The levels are offsets to a profile.
    #[error(
        "the levels of corner {corner} are offsets to the profile `{profile}`, and the run does not say how strong that is: \
         sweep at plain levels such as `-26 dBm`"
    )]
    Offsets {
        /// The corner.
        corner: String,
        /// The profile.
        profile: String,
    },
    /// Too few levels, or too close.
    #[error(
        "corner {corner} was swept at {found}: two levels at least {step} apart are needed, and five or more tell most; a \
         sweep that is a copy of another one does not count"
    )]
    Levels {
        /// The corner.
        corner: String,
        /// What was found.
        found: String,
        /// The step of the spec.
        step: String,
    },
}

impl NoLevels {
    /// Whether the spec is at fault, not the sweeps.
    #[must_use]
    pub fn is_of_spec(&self) -> bool {
        matches!(self, Self::Tolerances { .. })
    }
}

/// Number of levels at which a corner was swept.
#[must_use]
pub fn level_count(entries: &[SweepEntry]) -> usize {
    let mut levels: Vec<f64> =
        entries.iter().map(|e| e.excitation.as_ref().map_or(0.0, Excitation::db)).collect();
    levels.sort_by(f64::total_cmp);
    levels.dedup_by(|a, b| (*a - *b).abs() <= check::SAME_LEVEL_DB);
    levels.len()
}

/// Compares the levels of a corner. `sweeps` are all sweeps of the run at this corner, `shared` the fingerprints of sweeps
/// whose numbers stand in another corner too.
///
/// # Errors
/// When its sweeps or its spec allow no comparison.
pub fn levels(
    run: &str,
    critical_point: CriticalPoint,
    corner: &Corner,
    sweeps: &[SweepInput<'_>],
    shared: &HashSet<u64>,
) -> Result<LevelsOutcome, NoLevels> {
    let name = || corner.name.clone();
    let tolerances = match &corner.linearity {
        Linearity::Required(t) if t.gain.is_some() || t.phase.is_some() => *t,
        _ => return Err(NoLevels::Tolerances { corner: name() }),
    };
    let offsets = sweeps.iter().find_map(|sweep| match &sweep.entry.excitation {
        Some(Excitation::Profile { name, .. }) => Some(name.clone()),
        _ => None,
    });
    if let Some(profile) = offsets {
        return Err(NoLevels::Offsets { corner: name(), profile });
    }
    let dbm = |level: &check::Level| -> Option<f64> {
        let first = level.members.first().and_then(|&m| sweeps.get(m))?;
        match &first.entry.excitation {
            Some(Excitation::Level(level)) => Some(level.dbm()),
            _ => None,
        }
    };
    let (mut tried, mut kept, mut copies) = (Vec::new(), Vec::new(), Vec::new());
    for level in check::group(sweeps, shared) {
        let files = check::files(&level, sweeps);
        if level.copy_of.is_some() || level.shared {
            copies.push(files.join(", "));
        } else if let (Some(dbm), Some(text)) = (dbm(&level), level.text.clone()) {
            tried.push(TriedLevel { level: text, dbm, files });
            kept.push(level);
        }
    }
    let reach = tried.first().zip(tried.last()).map_or(0.0, |(a, b)| b.dbm - a.dbm);
    if reach < tolerances.step.db() - STEP_SLACK_DB - 1e-9 {
        let found = match tried.as_slice() {
            [] => "no level that the run tells".to_owned(),
            [one] => format!("one level, {}", one.level),
            all => all.iter().map(|level| level.level.as_str()).collect::<Vec<_>>().join(", "),
        };
        return Err(NoLevels::Levels { corner: name(), found, step: tolerances.step.to_string() });
    }
    let mut analysed = vec![Analysed::default(); kept.len()];
    check::prepare(&kept, sweeps, critical_point, None, &mut check::Scratch::default(), &mut analysed);
    let inputs: Vec<Tried<'_>> =
        tried.iter().zip(&analysed).map(|(level, sweep)| Tried { dbm: level.dbm, sweep }).collect();
    let grid = inputs.first().map_or_else(Vec::new, |w| grid(w.sweep.curve.frequency_hz(), corner.band));
    let survey = survey(&grid, &inputs, &tolerances);
    let mut outcome = LevelsOutcome {
        run: run.to_owned(),
        corner: name(),
        tolerances,
        levels: tried,
        survey,
        findings: Vec::new(),
    };
    outcome.findings = findings(&outcome, &inputs, corner.band, &copies);
    Ok(outcome)
}

/// Samples closer to an end of the band than this, relative, are that end.
const END_SLACK: f64 = 1e-6;

/// Frequencies of a sweep inside the band, with the ends of the band (as far as the sweep reaches), so that what follows
/// the profile covers the band.
fn grid(frequency_hz: &[f64], band: Option<Band>) -> Vec<f64> {
    let (Some(&first), Some(&last)) = (frequency_hz.first(), frequency_hz.last()) else { return Vec::new() };
    let (from, to) = band.map_or((first, last), |b| (b.from.hz().max(first), b.to.hz().min(last)));
    if from >= to {
        return Vec::new();
    }
    let inside = |hz: &f64| *hz > from * (1.0 + END_SLACK) && *hz < to * (1.0 - END_SLACK);
    let between = frequency_hz.iter().copied().filter(inside);
    std::iter::once(from).chain(between).chain(std::iter::once(to)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quantity::{Hertz, Level};

    #[test]
    fn the_grid_reaches_from_end_to_end_of_the_band() {
        let band = |from, to| Some(Band { from: Hertz::new(from).unwrap(), to: Hertz::new(to).unwrap() });
        let sweep = [90.0, 100.000_01, 110.0, 120.0, 130.0];
        assert_eq!(grid(&sweep, None), sweep);
        assert_eq!(grid(&sweep, band(100.0, 125.0)), [100.0, 110.0, 120.0, 125.0]);
        assert_eq!(grid(&sweep, band(50.0, 500.0)), sweep);
        assert!(grid(&sweep, band(200.0, 500.0)).is_empty());
        assert!(grid(&[], None).is_empty());
    }

    #[test]
    fn one_level_written_in_two_ways_counts_once() {
        let entry = |text: &str| SweepEntry {
            files: vec![String::new()],
            excitation: Some(Excitation::Level(Level::parse(text).unwrap())),
            actual: Vec::new(),
        };
        assert_eq!(level_count(&[entry("-20 dBm"), entry("22.360680 mVrms"), entry("-23 dBm")]), 2);
        assert_eq!(level_count(&[SweepEntry { excitation: None, ..entry("0 dBm") }]), 1);
        assert_eq!(level_count(&[]), 0);
    }
}
