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
    let lines: Vec<(String, Vec<(f64, f64)>)> =
        others.iter().map(|level| (line_class(plot, level), differences(main, level, shown.of))).collect();
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
    // What lies beyond the frame runs along its edge, and is told.
    let inside = |v: f64| v.clamp(0.96 * low, 0.96 * high);
    for (class, points) in lines {
        strip.draw(&class, &line(points.into_iter().map(|(hz, v)| (across(hz), down(inside(v))))));
    }
    if largest > high {
        strip.say(low, false, &format!("up to {}, beyond this frame", number(largest, 3)));
    }
    Some(strip)
}

/// The class of a level's line: of several with one role each has a style of its own.
pub(crate) fn line_class(plot: &CornerPlot, level: &LevelPlot) -> String {
    let before = plot.levels.iter().take_while(|other| !std::ptr::eq(*other, level));
    let nth = before.filter(|other| other.role == level.role).count();
    let own = role_class(level.role);
    if nth == 0 { own.to_owned() } else { format!("{own} n{}", 1 + (nth - 1) % 3) }
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

    fn plot(levels: Vec<LevelPlot>) -> CornerPlot {
        CornerPlot {
            critical_point: crate::spec::CriticalPoint::PlusOne,
            band_hz: None,
            levels,
            gain_limits: Vec::new(),
            linearity: None,
        }
    }

    #[test]
    fn two_levels_of_one_role_have_lines_of_their_own() {
        let plot = plot(vec![level(&[(1.0, 0.0)]), level(&[(1.0, 0.0)]), level(&[(1.0, 0.0)])]);
        let classes: Vec<String> = plot.levels.iter().map(|level| line_class(&plot, level)).collect();
        assert_eq!(classes, ["curve other", "curve other n1", "curve other n2"]);
    }

    #[test]
    fn a_difference_stays_in_its_frame_and_is_told() {
        let plot = CornerPlot {
            linearity: Some(crate::check::Agreement { gain_db: Some(1.0), phase_deg: None, band_hz: None }),
            ..plot(vec![level(&[(1.0, 0.0), (10.0, 0.0)]), level(&[(1.0, 0.0), (10.0, 30.0)])])
        };
        let axis = Across { from: 0, to: 4000, ticks: Vec::new() };
        let shown = Shown { of: |p| p.gain_db, title: "gain", what: "gain", tolerance: Some(1.0) };
        let strip = change(&plot, &plot.levels[0], &axis, &shown).unwrap();
        assert!(strip.notes.contains("up to 30, beyond this frame"), "{}", strip.notes);
        let drawn = strip.lines.split("curve other n1").nth(1).unwrap();
        let drop: i32 = drawn.split(['-', '\"']).nth(3).unwrap().parse().unwrap();
        assert!(f64::from(drop) < 100.0 * strip.high, "{drawn}");
    }

    #[test]
    fn differences_are_taken_where_both_are_known() {
        let (main, other) = (level(&[(1.0, 0.0), (100.0, 40.0)]), level(&[(10.0, 21.0), (1000.0, 61.0)]));
        let found = differences(&main, &other, |p| p.gain_db);
        assert_eq!(found.len(), 2);
        assert!(found.iter().all(|(_, d)| (d - 1.0).abs() < 1e-9), "{found:?}");
    }
}
