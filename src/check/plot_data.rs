//! What a corner's plots are drawn from: its curves, thinned to what a page can show, with their uncertainty.

use super::SweepInput;
use super::compared::Compared;
use super::levels::{Level, files};
use crate::analysed::Analysed;
use crate::curve::{Span, db};
use crate::spec::{Corner, CriticalPoint, GainAt, GainLimit, Linearity};
use crate::uncertainty::Chain;
use std::f64::consts::TAU;

/// The part that a level had in the verdict.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Role {
    /// It was judged, or would have been had a check not refused it.
    Judged,
    /// It confirms the judged one.
    Confirms,
    /// Neither.
    Other,
    /// The accepted curve that the judged one is compared with.
    Accepted,
}

/// The curve at a frequency.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(not(feature = "cli"), non_exhaustive)]
pub struct PlotPoint {
    /// Frequency, Hz.
    pub hz: f64,
    /// Gain, dB.
    pub gain_db: f64,
    /// Angle above the direction of the critical point, deg: at a crossover it is the phase margin.
    pub angle_deg: f64,
}

/// Expanded uncertainty of the curve at a point, from the measuring chain and the noise.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Spread {
    /// Of the gain, dB.
    pub gain_db: f64,
    /// Of the angle, deg.
    pub angle_deg: f64,
}

/// The curve of one level.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(not(feature = "cli"), non_exhaustive)]
pub struct LevelPlot {
    /// Its part in the verdict.
    pub role: Role,
    /// The level as shown; `None` when the run does not say.
    pub level: Option<String>,
    /// Its sweep files, as the run names them.
    pub files: Vec<String>,
    /// Samples as measured, thinned.
    pub samples: Vec<PlotPoint>,
    /// The curve that margins are read from. Between neighbours a straight line over the logarithm of the frequency stays
    /// within 0.03 dB and 0.1 deg of it, unless it has more detail than 360 points carry.
    pub curve: Vec<PlotPoint>,
    /// Expanded uncertainty at the points of `curve`; empty where the noise is not known.
    pub spread: Vec<Spread>,
}

/// A limit on the gain of the loop.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GainLine {
    /// Lower end, Hz.
    pub from_hz: f64,
    /// Upper end, Hz; equal to the lower one where it holds at one frequency.
    pub to_hz: f64,
    /// Smallest allowed gain, dB.
    pub min_db: Option<f64>,
    /// Largest allowed gain, dB.
    pub max_db: Option<f64>,
}

/// How far the levels may differ.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Agreement {
    /// Largest difference of the gain, dB; `None`: not held.
    pub gain_db: Option<f64>,
    /// Largest difference of the phase, deg; `None`: not held.
    pub phase_deg: Option<f64>,
    /// Where it is held, Hz; `None`: over the whole band, because there is no crossover.
    pub band_hz: Option<(f64, f64)>,
}

/// Everything that a corner's plots show.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(not(feature = "cli"), non_exhaustive)]
pub struct CornerPlot {
    /// Where the loop gain must never be.
    pub critical_point: CriticalPoint,
    /// The band that is judged, Hz; `None`: the whole sweep.
    pub band_hz: Option<(f64, f64)>,
    /// The levels, weakest first.
    pub levels: Vec<LevelPlot>,
    /// Limits on the gain, in the spec's order.
    pub gain_limits: Vec<GainLine>,
    /// How far the levels may differ; `None` where the spec waives it.
    pub linearity: Option<Agreement>,
}

/// Most points of a curve: half of what a plot is wide in pixels.
pub(crate) const MOST_POINTS: usize = 360;
/// How far a drawn curve may leave the true one, dB: less than a pixel's tenth where 100 dB are 250 pixels high.
pub(crate) const GAIN_SLACK_DB: f64 = 0.03;
/// The same for the angle, deg, where 270 deg are 190 pixels high.
pub(crate) const ANGLE_SLACK_DEG: f64 = 0.1;
/// Most samples that are drawn one by one.
const MOST_SAMPLES_DRAWN: usize = 240;

/// What the plots of a corner are made of. `bound` are the indices of the level that is judged and of the one that confirms it.
pub(super) fn corner_plot(
    levels: &[Level],
    prepared: &[Analysed],
    sweeps: &[SweepInput<'_>],
    bound: (usize, Option<usize>),
    setup: &Setup<'_>,
) -> CornerPlot {
    let drawn = levels.iter().zip(prepared).enumerate().map(|(index, (level, sweep))| {
        let role = if index == bound.0 {
            Role::Judged
        } else if Some(index) == bound.1 {
            Role::Confirms
        } else {
            Role::Other
        };
        level_plot(role, level, sweep, sweeps, setup)
    });
    CornerPlot {
        critical_point: setup.critical_point,
        band_hz: setup.corner.band.map(|band| (band.from.hz(), band.to.hz())),
        levels: drawn.collect(),
        linearity: prepared.get(bound.0).and_then(|sweep| agreement(setup, sweep)),
        gain_limits: setup.corner.limits.gain.iter().map(gain_line).collect(),
    }
}

/// The accepted curve beside the levels, by whole turns as near to the judged one as it comes.
pub(super) fn accepted_plot(compared: &Compared, levels: &[LevelPlot]) -> LevelPlot {
    let curve = compared.curve.curve();
    let span = curve.span();
    let step = (span.to - span.from) / MOST_POINTS as f64;
    let mut whole: Vec<PlotPoint> = (0..=MOST_POINTS)
        .map(|k| {
            let point = curve.at(span.from + step * k as f64);
            PlotPoint { hz: point.hz(), gain_db: point.db(), angle_deg: point.angle.to_degrees() }
        })
        .collect();
    let beside = levels.iter().find(|level| level.role == Role::Judged).and_then(|level| {
        let own = whole.get(MOST_POINTS / 2)?;
        let off = |point: &&PlotPoint| (point.hz / own.hz).ln().abs();
        let near = level.curve.iter().min_by(|a, b| off(a).total_cmp(&off(b)))?;
        Some(360.0 * ((near.angle_deg - own.angle_deg) / 360.0).round())
    });
    whole.iter_mut().for_each(|point| point.angle_deg += beside.unwrap_or(0.0));
    LevelPlot {
        role: Role::Accepted,
        level: Some(compared.with.join(", ")),
        files: Vec::new(),
        samples: Vec::new(),
        curve: keep(&whole).into_iter().filter_map(|i| whole.get(i)).copied().collect(),
        spread: Vec::new(),
    }
}

/// What the plots need of the spec.
pub(super) struct Setup<'a> {
    pub(super) critical_point: CriticalPoint,
    pub(super) corner: &'a Corner,
    pub(super) chain: Chain,
    pub(super) coverage: f64,
    pub(super) band: Option<Span>,
}

fn agreement(setup: &Setup<'_>, sweep: &Analysed) -> Option<Agreement> {
    let Linearity::Required(tolerances) = &setup.corner.linearity else { return None };
    let span = judged(sweep, setup.band);
    let clipped = |(low, high): (f64, f64), crossover: f64| {
        ((low * crossover).max(span.from.exp()), (high * crossover).min(span.to.exp()))
    };
    let crossover = crate::margins::crossover(&sweep.crossings, span);
    Some(Agreement {
        gain_db: tolerances.gain.map(|t| t.db()),
        phase_deg: tolerances.phase.map(|t| t.deg()),
        band_hz: crossover.map(|found| clipped(tolerances.band, found.value)),
    })
}

/// The band as far as the sweep covers it, else the whole sweep.
fn judged(sweep: &Analysed, band: Option<Span>) -> Span {
    band.and_then(|band| sweep.curve.clip(band)).unwrap_or_else(|| sweep.curve.span())
}

fn gain_line(limit: &GainLimit) -> GainLine {
    let (from_hz, to_hz) = match &limit.at {
        GainAt::Frequency(at) => (at.hz(), at.hz()),
        GainAt::Band(band) => (band.from.hz(), band.to.hz()),
    };
    let (min_db, max_db) = (limit.window.min.map(|d| d.db()), limit.window.max.map(|d| d.db()));
    GainLine { from_hz, to_hz, min_db, max_db }
}

fn level_plot(
    role: Role,
    level: &Level,
    sweep: &Analysed,
    sweeps: &[SweepInput<'_>],
    setup: &Setup<'_>,
) -> LevelPlot {
    let turn = turn(sweep, setup.band);
    let point = |ln_f: f64, ln_mag: f64, angle: f64| PlotPoint {
        hz: ln_f.exp(),
        gain_db: db(ln_mag),
        angle_deg: (angle - turn).to_degrees(),
    };
    let columns = |curve: &crate::curve::Curve| -> Vec<PlotPoint> {
        let parts = curve.ln_f().iter().zip(curve.ln_mag()).zip(curve.angle());
        parts.map(|((&x, &a), &p)| point(x, a, p)).collect()
    };
    let whole = columns(&sweep.curve);
    let kept = keep(&whole);
    let spread = if role == Role::Judged && sweep.noise.is_known() {
        kept.iter().filter_map(|&i| sweep.curve.ln_f().get(i)).map(|&x| spread(sweep, x, setup)).collect()
    } else {
        Vec::new()
    };
    let samples = if role == Role::Judged { columns(&sweep.raw) } else { Vec::new() };
    LevelPlot {
        role,
        level: level.text.clone(),
        files: files(level, sweeps),
        samples: extremes(&samples, MOST_SAMPLES_DRAWN).filter_map(|i| samples.get(i)).copied().collect(),
        curve: kept.iter().filter_map(|&i| whole.get(i)).copied().collect(),
        spread,
    }
}

fn spread(sweep: &Analysed, ln_f: f64, setup: &Setup<'_>) -> Spread {
    let noise = sweep.noise.at(&sweep.curve, ln_f);
    let [gain, angle] = setup.chain.errors(&sweep.curve.at(ln_f));
    Spread {
        gain_db: setup.coverage * db(gain.hypot(noise.ln_mag)),
        angle_deg: setup.coverage * angle.hypot(noise.angle).to_degrees(),
    }
}

/// Whole turns, rad, to take off so that the phase margin at the crossover lies within half a turn; of a curve without one the
/// middle of the sweep.
fn turn(sweep: &Analysed, band: Option<Span>) -> f64 {
    let curve = &sweep.curve;
    let span = judged(sweep, band);
    let crossover = crate::margins::crossover(&sweep.crossings, span);
    let angle = crossover.map_or_else(|| curve.at(0.5 * (span.from + span.to)).angle, |c| c.point.angle);
    (angle / TAU).round() * TAU
}

/// Indices of the points that carry the curve.
fn keep(points: &[PlotPoint]) -> Vec<usize> {
    let candidates: Vec<usize> = extremes(points, MOST_POINTS).collect();
    let found = candidates.iter().filter_map(|&i| points.get(i));
    let places: Vec<(f64, &PlotPoint)> = found.map(|point| (point.hz.ln(), point)).collect();
    let last = candidates.len().saturating_sub(1);
    let mut kept = vec![false; candidates.len()];
    for end in [0, last] {
        if let Some(flag) = kept.get_mut(end) {
            *flag = true;
        }
    }
    // The farthest point from the chord is kept, and both sides are looked at again (Ramer 1972; Douglas and Peucker 1973: from
    // memory).
    let mut open = vec![(0, last)];
    while let Some((from, to)) = open.pop() {
        let (Some(a), Some(b)) = (places.get(from), places.get(to)) else { continue };
        let between = places.iter().enumerate().take(to).skip(from + 1);
        let farthest = between.map(|(c, p)| (distance(a, b, p), c)).max_by(|x, y| x.0.total_cmp(&y.0));
        let Some((_, middle)) = farthest.filter(|(off, _)| *off > 1.0) else { continue };
        if let Some(flag) = kept.get_mut(middle) {
            *flag = true;
        }
        open.extend([(from, middle), (middle, to)]);
    }
    candidates.into_iter().zip(kept).filter_map(|(i, kept)| kept.then_some(i)).collect()
}

/// How far `p` lies from the straight line between `a` and `b`, over log frequency, in units of the slack. Each comes with its log
/// frequency.
fn distance(
    (ln_a, a): &(f64, &PlotPoint),
    (ln_b, b): &(f64, &PlotPoint),
    (ln_p, p): &(f64, &PlotPoint),
) -> f64 {
    let share = (ln_p - ln_a) / (ln_b - ln_a);
    let off = |of: fn(&PlotPoint) -> f64| (of(p) - of(a) - share * (of(b) - of(a))).abs();
    (off(|p| p.gain_db) / GAIN_SLACK_DB).max(off(|p| p.angle_deg) / ANGLE_SLACK_DEG)
}

/// At most about `most` indices, rising: all of them, or of every stretch of points the ends of gain and of angle.
fn extremes(points: &[PlotPoint], most: usize) -> impl Iterator<Item = usize> + use<> {
    let last = points.len().saturating_sub(1);
    let mut picked: Vec<usize> = if points.len() <= most {
        (0..points.len()).collect()
    } else {
        let stretch = points.len().div_ceil(most / 4);
        let mut picked = vec![0, last];
        for (block, part) in points.chunks(stretch).enumerate() {
            let mut ends = |of: fn(&PlotPoint) -> f64| {
                let by = |x: &(usize, &PlotPoint), y: &(usize, &PlotPoint)| of(x.1).total_cmp(&of(y.1));
                let (low, high) = (part.iter().enumerate().min_by(by), part.iter().enumerate().max_by(by));
                picked.extend([low, high].into_iter().flatten().map(|(i, _)| block * stretch + i));
            };
            ends(|p| p.gain_db);
            ends(|p| p.angle_deg);
        }
        picked
    };
    picked.sort_unstable();
    picked.dedup();
    picked.into_iter()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn points(count: usize, of: impl Fn(f64) -> (f64, f64)) -> Vec<PlotPoint> {
        let last = (count - 1) as f64;
        (0..count)
            .map(|i| {
                let decades = 4.0 * i as f64 / last;
                let (gain_db, angle_deg) = of(decades);
                PlotPoint { hz: 100.0 * 10f64.powf(decades), gain_db, angle_deg }
            })
            .collect()
    }

    #[test]
    fn a_straight_line_needs_two_points_and_a_resonance_is_kept() {
        let line = points(401, |d| (60.0 - 20.0 * d, 90.0));
        assert_eq!(keep(&line), [0, 400]);
        let peak = points(401, |d| (60.0 - 20.0 * d + 12.0 / (1.0 + ((d - 2.0) / 0.01).powi(2)), 90.0));
        let kept = keep(&peak);
        assert!(kept.contains(&200) && kept.len() < 100, "{kept:?}");
    }

    #[test]
    fn the_drawn_line_stays_within_the_slack() {
        let all = points(351, |d| ((3.0 * d).sin() * 20.0, (2.0 * d).cos() * 90.0));
        let kept = keep(&all);
        assert!(kept.len() < all.len());
        for pair in kept.windows(2) {
            let placed = |k: usize| (all[k].hz.ln(), &all[k]);
            for k in pair[0]..=pair[1] {
                assert!(distance(&placed(pair[0]), &placed(pair[1]), &placed(k)) <= 1.0 + 1e-9);
            }
        }
    }

    #[test]
    fn long_sweeps_keep_their_ends_and_their_extremes() {
        let all = points(8000, |d| (if (d - 1.0).abs() < 2e-4 { 40.0 } else { 0.0 }, d));
        let picked: Vec<usize> = extremes(&all, MOST_POINTS).collect();
        assert!(picked.len() <= MOST_POINTS + 2, "{}", picked.len());
        assert_eq!((picked[0], *picked.last().unwrap()), (0, 7999));
        assert!(picked.iter().any(|&i| all[i].gain_db == 40.0));
        assert!(picked.windows(2).all(|w| w[0] < w[1]));
    }
}
