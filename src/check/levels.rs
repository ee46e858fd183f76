//! Sweeps of a corner, sorted into levels; repeats of a level are averaged.

use super::SweepInput;
use crate::analysed::Analysed;
use crate::curve::{Curve, wrap};
use crate::noise::{Repeats, Smoother};
use crate::quantity::number;
use crate::run::Excitation;
use crate::spec::CriticalPoint;
use crate::sweep::Samples;
use std::collections::HashSet;

/// Levels closer than this, dB, are one level written in two ways.
pub(crate) const SAME_LEVEL_DB: f64 = 1e-6;

/// One level of a corner.
#[derive(Debug, Clone, PartialEq)]
pub struct Level {
    /// Position on the corner's dB scale; 0 when the run does not say.
    pub db: f64,
    /// As it is shown: `-26 dBm`, `gentle +3 dB`.
    pub text: Option<String>,
    /// Indices of its sweeps, in the run's order.
    pub members: Vec<usize>,
    /// A weaker level with the same numbers, to the last digit.
    pub copy_of: Option<usize>,
    /// Its numbers stand in another corner too.
    pub shared: bool,
}

/// Files of a level, as the run names them.
pub(crate) fn files(level: &Level, sweeps: &[SweepInput<'_>]) -> Vec<String> {
    level.members.iter().filter_map(|&m| sweeps.get(m)).map(|s| s.entry.file.clone()).collect()
}

/// Sorts sweeps into levels, weakest first.
#[must_use]
pub fn group(sweeps: &[SweepInput<'_>], shared: &HashSet<u64>) -> Vec<Level> {
    let mut levels: Vec<Level> = Vec::new();
    for (index, sweep) in sweeps.iter().enumerate() {
        let db = sweep.entry.excitation.as_ref().map_or(0.0, Excitation::db);
        match levels.iter_mut().find(|level| (level.db - db).abs() <= SAME_LEVEL_DB) {
            Some(level) => level.members.push(index),
            None => levels.push(Level {
                db,
                text: sweep.entry.excitation.as_ref().map(excitation_text),
                members: vec![index],
                copy_of: None,
                shared: false,
            }),
        }
    }
    levels.sort_by(|a, b| a.db.total_cmp(&b.db));
    let prints = |level: &Level| -> Vec<u64> {
        level.members.iter().filter_map(|&m| sweeps.get(m)).map(|s| s.fingerprint).collect()
    };
    for i in 0..levels.len() {
        let Some(own) = levels.get(i).map(prints) else { continue };
        let copy_of = levels.iter().take(i).position(|weaker| prints(weaker).iter().any(|p| own.contains(p)));
        if let Some(level) = levels.get_mut(i) {
            level.copy_of = copy_of;
            level.shared = own.iter().any(|p| shared.contains(p));
        }
    }
    levels
}

fn excitation_text(excitation: &Excitation) -> String {
    match excitation {
        Excitation::Level(level) => level.text().to_owned(),
        Excitation::Profile { name, offset, .. } => {
            let sign = if offset.db() < 0.0 { "-" } else { "+" };
            format!("{name} {sign}{} dB", number(offset.db().abs(), 6))
        }
    }
}

/// Prepares the curve of a level: its sweep, or the mean of its repeats. A repeat that is a copy counts once.
pub fn prepare(
    level: &Level,
    sweeps: &[SweepInput<'_>],
    critical_point: CriticalPoint,
    mean: &mut Samples,
    smoother: &mut Smoother,
    into: &mut Analysed,
) {
    let mut seen = HashSet::new();
    let members: Vec<&SweepInput<'_>> =
        level.members.iter().filter_map(|&m| sweeps.get(m)).filter(|s| seen.insert(s.fingerprint)).collect();
    match members.as_slice() {
        [] => {}
        [only] => into.fill(only.samples, critical_point, None, smoother),
        [first, others @ ..] => {
            let repeats = average(first.samples, others, critical_point, mean);
            into.fill(mean, critical_point, repeats.as_ref(), smoother);
        }
    }
}

/// Mean of ln magnitude and of phase (unwrapped to the first), on the first one's points inside the range of all. Gives the
/// scatter about it, unless the repeats do not overlap.
fn average(
    first: &Samples,
    others: &[&SweepInput<'_>],
    critical_point: CriticalPoint,
    mean: &mut Samples,
) -> Option<Repeats> {
    mean.clear();
    let mut curves: Vec<Curve> = Vec::new();
    for other in others {
        let mut curve = Curve::new();
        curve.fill(other.samples, critical_point);
        curves.push(curve);
    }
    let mut base = Curve::new();
    base.fill(first, critical_point);
    let count = (others.len() + 1) as f64;
    let mut repeats = Repeats::default();
    repeats.clear(others.len() + 1);
    let columns = first.frequency_hz.iter().zip(&first.ln_magnitude).zip(&first.phase_rad);
    for (i, ((&hz, &ln_mag), &phase)) in columns.enumerate() {
        let (Some(&x), Some(&angle)) = (base.ln_f().get(i), base.angle().get(i)) else { break };
        if !curves.iter().all(|curve| curve.span().holds(x)) {
            continue;
        }
        let (mut more, mut turn) = (0.0, 0.0);
        let (mut more2, mut turn2) = (0.0, 0.0);
        for curve in &curves {
            let (other_mag, other_angle) = if curve.frequency_hz() == first.frequency_hz {
                (
                    curve.ln_mag().get(i).copied().unwrap_or(ln_mag),
                    curve.angle().get(i).copied().unwrap_or(angle),
                )
            } else {
                let point = curve.at(x);
                (point.ln_mag, point.angle)
            };
            let (d, e) = (other_mag - ln_mag, wrap(other_angle - angle));
            (more, turn) = (more + d, turn + e);
            (more2, turn2) = (more2 + d * d, turn2 + e * e);
        }
        mean.frequency_hz.push(hz);
        mean.ln_magnitude.push(ln_mag + more / count);
        mean.phase_rad.push(phase + turn / count);
        // Squared standard error of the mean: squares about it over n (n - 1).
        let squared =
            |sum: f64, squares: f64| (squares - sum * sum / count).max(0.0) / (count * (count - 1.0));
        repeats.push(squared(more, more2), squared(turn, turn2));
    }
    if mean.len() < 3 {
        // Repeats that do not overlap: the first one stands alone, and coverage judges it.
        mean.clone_from(first);
        return None;
    }
    Some(repeats)
}
