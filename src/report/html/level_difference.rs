//! How the other levels differ from the judged one: on a scale where the tolerance can be seen.

use super::axis::{step_of, widened};
use super::plot_panel::{Across, Strip};
use super::svg_path::{across, down, line};
use super::text::role_class;
use crate::check::{CornerPlot, LevelPlot, PlotPoint, Role};
use crate::quantity::number;

/// Steps of small differences.
const STEPS: [f64; 9] = [0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 30.0];
/// Differences beyond so many tolerances are cut: how far beyond does not matter.
const SHOWN: f64 = 4.0;

/// What a strip shows of the curves.
pub(crate) struct Shown {
    /// Gain or angle of a point.
    pub of: fn(&PlotPoint) -> f64,
    /// What stands beside its axis.
    pub title: &'static str,
    /// What it shows, in words.
    pub what: &'static str,
    /// The tolerance, in the unit of `of`.
    pub tolerance: Option<f64>,
}

/// The strip; `None` with a single level.
pub(crate) fn change(plot: &CornerPlot, main: &LevelPlot, axis: &Across, shown: &Shown) -> Option<Strip> {
    let others: Vec<&LevelPlot> =
        plot.levels.iter().filter(|l| !std::ptr::eq(*l, main) && l.role != Role::Accepted).collect();
    let lines: Vec<(Role, Vec<(f64, f64)>)> =
        others.iter().map(|level| (level.role, differences(main, level, shown.of))).collect();
    let values = || lines.iter().flat_map(|(_, points)| points.iter().map(|(_, v)| v.abs()));
    let largest = values().reduce(f64::max)?;
    let reach =
        shown.tolerance.map_or(largest, |t| largest.clamp(1.3 * t, SHOWN * t)).max(STEPS.first().copied()?);
    let step = step_of(&STEPS, 2.0 * reach, 4.0);
    let (low, high) = widened(-reach, reach, 0.5 * step);
    let what = format!("change of the {} at the other levels against the judged one", shown.what);
    let mut strip = Strip::new(92, (low, high), step, shown.title, what);
    if let Some(tolerance) = shown.tolerance {
        let (from, to) = plot.linearity.and_then(|l| l.band_hz).map_or((axis.from, axis.to), |(from, to)| {
            (across(from).clamp(axis.from, axis.to), across(to).clamp(axis.from, axis.to))
        });
        strip.fill("forbidden", from, to, tolerance, high);
        strip.fill("forbidden", from, to, low, -tolerance);
        for bound in [tolerance, -tolerance] {
            strip.draw("limit", &line([(from, down(bound)), (to, down(bound))]));
        }
        strip.say(tolerance, true, &format!("allowed ±{}", number(tolerance, 4)));
    }
    strip.draw("zero", &line([(axis.from, 0), (axis.to, 0)]));
    for (role, points) in lines {
        strip.draw(role_class(role), &line(points.into_iter().map(|(hz, v)| (across(hz), down(v)))));
    }
    Some(strip)
}

/// Differences of `other` from `main` at the points of both, where both are known.
fn differences(main: &LevelPlot, other: &LevelPlot, of: fn(&PlotPoint) -> f64) -> Vec<(f64, f64)> {
    let mut hz: Vec<f64> = main.curve.iter().chain(&other.curve).map(|p| p.hz).collect();
    hz.sort_by(f64::total_cmp);
    hz.dedup();
    hz.into_iter()
        .filter_map(|hz| Some((hz, value(&other.curve, hz, of)? - value(&main.curve, hz, of)?)))
        .collect()
}

/// A curve's value at a frequency, straight between its points over log frequency; `None` beyond its ends.
fn value(curve: &[PlotPoint], hz: f64, of: fn(&PlotPoint) -> f64) -> Option<f64> {
    let above = curve.partition_point(|p| p.hz < hz);
    let right = curve.get(above)?;
    if right.hz <= hz {
        return Some(of(right));
    }
    let left = curve.get(above.checked_sub(1)?)?;
    let share = (hz / left.hz).ln() / (right.hz / left.hz).ln();
    Some(of(left) + share * (of(right) - of(left)))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn level(gains: &[(f64, f64)]) -> LevelPlot {
        LevelPlot {
            role: Role::Other,
            level: None,
            files: Vec::new(),
            samples: Vec::new(),
            curve: gains.iter().map(|&(hz, gain_db)| PlotPoint { hz, gain_db, angle_deg: 0.0 }).collect(),
            spread: Vec::new(),
        }
    }

    #[test]
    fn differences_are_taken_where_both_are_known() {
        let (main, other) = (level(&[(1.0, 0.0), (100.0, 40.0)]), level(&[(10.0, 21.0), (1000.0, 61.0)]));
        let found = differences(&main, &other, |p| p.gain_db);
        assert_eq!(found.len(), 2);
        assert!(found.iter().all(|(_, d)| (d - 1.0).abs() < 1e-9), "{found:?}");
    }
}
