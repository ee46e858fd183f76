//! Sweeps of a corner, sorted into levels; repeats of a level are averaged.

use super::SweepInput;
use crate::analysed::{Analysed, averaged, groups, least_group};
use crate::curve::{Curve, wrap};
use crate::noise::{Evidence, Smoother, is_coarse};
use crate::quantity::{Condition, number};
use crate::run::Excitation;
use crate::spec::CriticalPoint;
use crate::sweep::Samples;
use std::cmp::Ordering;
use std::collections::HashSet;

/// Levels closer than this, dB, are one level written in two ways.
pub(crate) const SAME_LEVEL_DB: f64 = 1e-6;

/// One level of a corner.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Level {
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
    level.members.iter().filter_map(|&m| sweeps.get(m)).flat_map(|s| s.entry.files.clone()).collect()
}

/// Conditions as they were when a level was swept; of repeats those of the first that tells.
pub(crate) fn actual(level: &Level, sweeps: &[SweepInput<'_>]) -> Vec<(String, Condition)> {
    let mut told = level.members.iter().filter_map(|&m| Some(&sweeps.get(m)?.entry.actual));
    told.find(|actual| !actual.is_empty()).cloned().unwrap_or_default()
}

/// Sorts sweeps into levels, weakest first.
#[must_use]
pub(crate) fn group(sweeps: &[SweepInput<'_>], shared: &HashSet<u64>) -> Vec<Level> {
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
        // Where a file is rounded coarsely, equal numbers are no copy.
        let own = level.members.iter().filter_map(|&m| sweeps.get(m));
        let fine = |s: &&SweepInput<'_>| !is_coarse(s.samples.ln_magnitude(), s.samples.phase_rad());
        own.filter(fine).map(|s| s.fingerprint).collect()
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

/// Memory for preparing levels.
#[derive(Debug, Default)]
pub(crate) struct Scratch {
    mean: Samples,
    smoother: Smoother,
    evidence: Vec<Evidence>,
}

/// Prepares the curves of all levels (weakest first) together: each is the mean of its repeats, a repeat that is a copy counting once, and
/// its noise is what its repeats or the level next to it do not show alike. `density`: points per decade that must be left.
pub(crate) fn prepare(
    levels: &[Level],
    sweeps: &[SweepInput<'_>],
    critical_point: CriticalPoint,
    density: Option<f64>,
    scratch: &mut Scratch,
    into: &mut [Analysed],
) {
    let Scratch { mean, smoother, evidence } = scratch;
    evidence.resize_with(levels.len().max(evidence.len()), Evidence::default);
    let mut told = vec![false; levels.len()];
    // All in groups of one size, so that they keep their common frequencies.
    let members = levels.iter().flat_map(|level| &level.members).filter_map(|&m| sweeps.get(m));
    let group = members.map(|sweep| groups(sweep.samples, density.unwrap_or(0.0))).min().unwrap_or(1);
    for (((level, own), evidence), told) in levels.iter().zip(&mut *into).zip(&mut *evidence).zip(&mut told) {
        *told = take(level, sweeps, group, critical_point, mean, evidence, own);
        if *told {
            smoother.add_rounding(&own.raw, own.steps, evidence);
        }
    }
    for k in (0..levels.len().saturating_sub(1)).rev() {
        let (Some([a, b, ..]), Some([weak, strong, ..]), Some([of_weak, of_strong, ..])) =
            (levels.get(k..), into.get(k..), evidence.get_mut(k..))
        else {
            continue;
        };
        let wanted = [k, k + 1].map(|k| !told.get(k).copied().unwrap_or(true));
        if wanted == [false; 2] || [a, b].iter().any(|level| level.copy_of.is_some() || level.shared) {
            continue;
        }
        let mut spare = Evidence::default();
        let [of_weak, of_strong] = match wanted {
            [true, true] => [of_weak, of_strong],
            [true, false] => [of_weak, &mut spare],
            _ => [&mut spare, of_strong],
        };
        if smoother.compare(&weak.raw, &strong.raw, noise_shares(b.db - a.db), [of_weak, of_strong]) {
            told.iter_mut().skip(k).take(2).for_each(|told| *told = true);
        }
    }
    for ((own, evidence), told) in into.iter_mut().zip(evidence).zip(told).take(levels.len()) {
        own.smooth(told.then_some(&*evidence), smoother);
    }
}

/// Parts of the squared noise of the difference of two levels that belong to the weaker and to the stronger one. The noise of receivers
/// stays as it is when the level rises by `step_db`, so its relative part falls; or the ranges follow the level and it does not fall. For
/// each the less favourable is taken.
fn noise_shares(step_db: f64) -> [f64; 2] {
    [1.0 / (1.0 + 10f64.powf(-step_db / 10.0)), 0.5]
}

/// Takes over the samples of a level; whether its repeats tell its noise.
fn take(
    level: &Level,
    sweeps: &[SweepInput<'_>],
    group: usize,
    critical_point: CriticalPoint,
    mean: &mut Samples,
    evidence: &mut Evidence,
    into: &mut Analysed,
) -> bool {
    let mut seen = HashSet::new();
    let mut members: Vec<&SweepInput<'_>> =
        level.members.iter().filter_map(|&m| sweeps.get(m)).filter(|s| seen.insert(s.fingerprint)).collect();
    sparsest_first(&mut members);
    match members.as_slice() {
        [] => false,
        [only] => {
            into.take_in_groups(only.samples, group, critical_point);
            false
        }
        [first, ..] => {
            let several = &members;
            // Each in groups first: the scatter is then that of the samples that are looked at.
            let most = several.iter().map(|sweep| sweep.samples.len()).max().unwrap_or(0);
            let group = group.max(least_group(most));
            let in_groups = several.iter().map(|sweep| {
                let mut means = Samples::default();
                averaged(sweep.samples, group, &mut means);
                means
            });
            let means: Vec<Samples> = if group > 1 { in_groups.collect() } else { Vec::new() };
            let as_read = several.iter().map(|sweep| sweep.samples);
            let repeats: Vec<&Samples> = if group > 1 { means.iter().collect() } else { as_read.collect() };
            let scatter = average(&repeats, critical_point, mean, evidence);
            into.take_means(mean, first.samples, group, critical_point);
            scatter
        }
    }
}

/// Repeats in an order that does not hang on the order in which they were listed, as far as their frequencies differ: the one with the
/// fewest points where all overlap first, since the mean stands on the points of the first and has no more of them than each has measured.
fn sparsest_first(repeats: &mut [&SweepInput<'_>]) {
    fn hz<'a>(sweep: &SweepInput<'a>) -> &'a [f64] {
        sweep.samples.frequency_hz()
    }
    let [first, others @ ..] = &*repeats else { return };
    if others.iter().all(|other| hz(other) == hz(first)) {
        return;
    }
    let end = |of: fn(&[f64]) -> Option<&f64>, sweep: &SweepInput<'_>| of(hz(sweep)).copied().unwrap_or(0.0);
    let from = repeats.iter().map(|sweep| end(<[f64]>::first, sweep)).fold(0.0, f64::max);
    let to = repeats.iter().map(|sweep| end(<[f64]>::last, sweep)).fold(f64::INFINITY, f64::min);
    let inside = |sweep: &SweepInput<'_>| hz(sweep).iter().filter(|f| (from..=to).contains(*f)).count();
    repeats.sort_by(|a, b| {
        let by_grid = || hz(a).partial_cmp(hz(b)).unwrap_or(Ordering::Equal);
        inside(a).cmp(&inside(b)).then_with(by_grid)
    });
}

/// Mean of ln magnitude and of phase (unwrapped to the first), on the first one's points inside the range of all. Whether `scatter` holds
/// what they scatter by about it: not when the repeats do not overlap.
fn average(
    repeats: &[&Samples],
    critical_point: CriticalPoint,
    mean: &mut Samples,
    scatter: &mut Evidence,
) -> bool {
    mean.clear();
    let [first, others @ ..] = repeats else { return false };
    let mut curves: Vec<Curve> = Vec::new();
    for other in others {
        let mut curve = Curve::new();
        curve.fill(other, critical_point);
        curves.push(curve);
    }
    let mut base = Curve::new();
    base.fill(first, critical_point);
    let same_grid: Vec<bool> =
        curves.iter().map(|curve| curve.frequency_hz() == first.frequency_hz()).collect();
    let count = (others.len() + 1) as f64;
    scatter.clear(others.len() + 1);
    let mut of_means = Vec::new();
    let columns = first.frequency_hz().iter().zip(first.ln_magnitude()).zip(first.phase_rad());
    for (i, ((&hz, &ln_mag), &phase)) in columns.enumerate() {
        let (Some(&x), Some(&angle)) = (base.ln_f().get(i), base.angle().get(i)) else { break };
        if !curves.iter().all(|curve| curve.span().holds(x)) {
            continue;
        }
        let (mut more, mut turn) = (0.0, 0.0);
        let (mut more2, mut turn2) = (0.0, 0.0);
        for (curve, same_grid) in curves.iter().zip(&same_grid) {
            let (other_mag, other_angle) = if *same_grid {
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
        mean.push(hz, ln_mag + more / count, phase + turn / count);
        of_means.extend(uncertainty_of_mean(repeats, i).filter(|_| !same_grid.contains(&false)));
        // Squared standard error of the mean: squares about it over n (n - 1).
        let squared =
            |sum: f64, squares: f64| (squares - sum * sum / count).max(0.0) / (count * (count - 1.0));
        scatter.push(squared(more, more2), squared(turn, turn2));
    }
    if mean.len() < 3 {
        // Repeats that do not overlap: the first one stands alone, and coverage judges it.
        mean.clone_from(first);
        return false;
    }
    mean.set_uncertainty(of_means);
    true
}

/// Standard uncertainty of the mean of sample `i` of all repeats, where each tells of its own.
fn uncertainty_of_mean(repeats: &[&Samples], i: usize) -> Option<f64> {
    let squares: Option<f64> = repeats.iter().map(|repeat| repeat.uncertainty().get(i).map(|u| u * u)).sum();
    squares.map(|squares| squares.sqrt() / repeats.len() as f64)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::run::SweepEntry;

    /// JCGM 100:2008, H.2, table H.2: five observations of voltage / V, current / mA and phase / rad.
    const H2: [(f64, f64, f64); 5] = [
        (5.007, 19.663, 1.0456),
        (4.994, 19.639, 1.0438),
        (5.005, 19.640, 1.0468),
        (4.990, 19.685, 1.0428),
        (4.999, 19.678, 1.0433),
    ];

    /// Five repeats with the impedances of that example times a slope of -1, at `count` frequencies, 50 per decade. A sixth is
    /// a copy of the first.
    fn repeats(count: u32) -> Analysed {
        let all: Vec<Samples> = H2
            .iter()
            .map(|(volt, milliampere, phase_rad)| {
                let mut samples = Samples::default();
                for k in 0..count {
                    let hz = 100.0 * 10f64.powf(f64::from(k) / 50.0);
                    samples.push(hz, (volt / (milliampere * 1e-3) / hz).ln(), *phase_rad);
                }
                samples
            })
            .collect();
        one_level(all.iter().chain(all.first()))
    }

    fn one_level<'a>(repeats: impl Iterator<Item = &'a Samples>) -> Analysed {
        let entry = SweepEntry { files: vec!["a.csv".to_owned()], excitation: None, actual: Vec::new() };
        let inputs: Vec<SweepInput<'_>> = repeats
            .map(|samples| SweepInput {
                entry: &entry,
                samples,
                fingerprint: samples.fingerprint(),
                disagreement: None,
            })
            .collect();
        let levels = group(&inputs, &HashSet::new());
        assert_eq!(levels.len(), 1);
        let mut own = [Analysed::default()];
        prepare(&levels, &inputs, CriticalPoint::MinusOne, None, &mut Scratch::default(), &mut own);
        let [own] = own;
        own
    }

    #[test]
    fn the_order_of_repeats_says_nothing() {
        let sweep = |from: f64, per_decade: u32, count: u32, bump: f64| {
            let mut samples = Samples::default();
            for k in 0..count {
                let hz = from * 10f64.powf(f64::from(k) / f64::from(per_decade));
                samples.push(hz, (1e3 / hz).ln() + bump * (0.1 * f64::from(k)).sin(), 1.0 - 0.01 * hz.ln());
            }
            samples
        };
        // The second has fewer points, but more where both are; the third lies beside the first by a millionth.
        let all = [sweep(10.0, 20, 80, 0.01), sweep(90.0, 50, 60, 0.02), sweep(10.000_01, 20, 80, 0.03)];
        for [a, b] in [[0, 1], [0, 2], [1, 2]] {
            let [one, other] = [[a, b], [b, a]].map(|order| one_level(order.iter().map(|k| &all[*k])));
            assert_eq!((&one.raw, &one.curve), (&other.raw, &other.curve), "{a} {b}");
            let sparser = &all[if [a, b] == [1, 2] { 2 } else { 0 }];
            assert!(one.raw.frequency_hz().iter().all(|hz| sparser.frequency_hz().contains(hz)), "{a} {b}");
        }
    }

    fn near(own: f64, expected: f64, relative: f64) {
        assert!((own / expected - 1.0).abs() < relative, "{own} is not {expected} within {relative}");
    }

    /// Results of the example: u 0.236248 ohm of 254.260050 ohm (each observation evaluated by itself; more digits by
    /// computation) and 0.00075 rad.
    const U: [f64; 2] = [0.236_248 / 254.260_050, 0.000_75];

    /// A mean square's logarithm is freed of its bias, 1 / dof + 1 / (3 dof^2) with 4 degrees of freedom of gain and of phase
    /// for each of the 8 samples of a block; where all samples have one scatter that is what is left.
    fn unbiased() -> f64 {
        let dof: f64 = 64.0;
        (0.5 * (1.0 / dof + 1.0 / (3.0 * dof * dof))).exp()
    }

    #[test]
    fn repeats_have_the_noise_of_their_mean() {
        // 30 blocks tell gain from phase.
        let own = repeats(240);
        assert!(own.noise.is_known());
        let shares = own.noise.shares();
        for sigma in own.noise.sigma() {
            // ln and ratio differ in the second order.
            near(sigma * shares[0] / unbiased(), U[0], 1e-3);
            // The published 0.00075 rad has two digits.
            near(sigma * shares[1] / unbiased(), U[1], 5e-3);
        }
    }

    #[test]
    fn few_repeats_are_pooled_over_gain_and_phase() {
        let own = repeats(64);
        assert_eq!(own.noise.shares(), [1.0, 1.0]);
        let pooled = (0.5 * (U[0] * U[0] + U[1] * U[1])).sqrt();
        own.noise.sigma().iter().for_each(|sigma| near(sigma / unbiased(), pooled, 3e-3));
    }

    /// The mean of ln |Z| is that of 254.26 ohm, of the phase 1.04446 rad; angles are counted from the critical point.
    #[test]
    fn repeats_are_averaged() {
        let own = repeats(64);
        assert_eq!(own.raw.len(), 64);
        for ((x, a), p) in own.raw.ln_f().iter().zip(own.raw.ln_mag()).zip(own.raw.angle()) {
            near((a + x).exp(), 254.26, 1e-5);
            near(wrap(p + std::f64::consts::PI), 1.044_46, 1e-9);
        }
    }
}
