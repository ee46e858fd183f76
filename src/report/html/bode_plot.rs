//! Gain and angle over log frequency, one above the other. The angle is counted from the direction of the critical point: where
//! the gain crosses 0 dB its height is the phase margin.

use super::axis::{ANGLE_STEPS, GAIN_STEPS, frequency_ticks, step_of, widened};
use super::level_difference::{Shown, change, line_class};
use super::plot_panel::{Across, Strip};
use super::svg_path::{Place, across, area, dots, down, line};
use crate::check::{
    CornerOutcome, CornerPlot, LevelPlot, Limit, Measured, PlotPoint, Role, Unit, value_alone,
};
use crate::measurand::Measurand;
use maud::{Markup, html};

/// Gains beyond these, dB, are not drawn: a flat line there says as much.
const GAIN_RANGE: (f64, f64) = (-120.0, 160.0);
/// Angles beyond these, deg, are not drawn.
const ANGLE_RANGE: (f64, f64) = (-540.0, 540.0);

/// The level that the plot is about: the judged one, else the first.
pub(crate) fn main_level(plot: &CornerPlot) -> Option<&LevelPlot> {
    plot.levels.iter().find(|l| l.role == Role::Judged).or(plot.levels.first())
}

/// The figure of a corner; nothing without a level.
pub(crate) fn bode(corner: &CornerOutcome, plot: &CornerPlot) -> Option<Markup> {
    let level = main_level(plot)?;
    let (first, last) = (level.curve.first()?, level.curve.last()?);
    let ticks = frequency_ticks(first.hz, last.hz).into_iter().map(|t| (across(t.at), t.label)).collect();
    let axis = Across { from: across(first.hz), to: across(last.hz), ticks };
    if axis.to <= axis.from {
        return None;
    }
    let drawing = Drawing { corner, plot, level, axis: &axis };
    let (gain, angle) = (drawing.gain(), drawing.angle());
    let agreed = plot.linearity;
    let shown = [
        Shown {
            of: |p| p.gain_db,
            title: "Δ gain, dB",
            what: "gain",
            tolerance: agreed.and_then(|a| a.gain_db),
        },
        Shown {
            of: |p| p.angle_deg,
            title: "Δ angle, deg",
            what: "angle",
            tolerance: agreed.and_then(|a| a.phase_deg),
        },
    ];
    let changes: Vec<Strip> = shown.iter().filter_map(|shown| change(plot, level, &axis, shown)).collect();
    Some(html! {
        figure.bode {
            div.strips {
                (gain.markup(&axis, "gain"))
                (angle.markup(&axis, "angle"))
                @for strip in &changes { (strip.markup(&axis, "change")) }
                span {}
                (axis.labels("frequency"))
            }
            figcaption { "Gain of the loop, and its phase as angle above the critical point’s direction: at a crossover that angle is the phase margin."
                @if !changes.is_empty() { " Δ: the other levels against the one in front." } }
        }
    })
}

struct Drawing<'a> {
    corner: &'a CornerOutcome,
    plot: &'a CornerPlot,
    level: &'a LevelPlot,
    axis: &'a Across,
}

impl Drawing<'_> {
    /// Lowest and highest value inside the band.
    fn range(&self, of: fn(&PlotPoint) -> f64) -> (f64, f64) {
        let inside = |p: &&PlotPoint| {
            self.plot.band_hz.is_none_or(|(from, to)| p.hz >= from * 0.999 && p.hz <= to * 1.001)
        };
        let values = || self.level.curve.iter().filter(inside).map(of);
        let (low, high) =
            (values().fold(f64::INFINITY, f64::min), values().fold(f64::NEG_INFINITY, f64::max));
        if low <= high { (low, high) } else { (-1.0, 1.0) }
    }

    fn limit(&self, check: &str) -> Option<Limit> {
        self.corner.checks.iter().find(|c| c.check == check).and_then(|c| c.limit)
    }

    fn gain(&self) -> Strip {
        let (low, high) = self.range(|p| p.gain_db);
        let (low, high) = ((low - 4.0).max(GAIN_RANGE.0), (high + 4.0).min(GAIN_RANGE.1));
        let (low, high) = (low.min(-10.0), high.max(10.0));
        let step = step_of(&GAIN_STEPS, high - low, 7.0);
        let ends = widened(low, high, step.min(10.0));
        let mut strip = Strip::new(236, ends, step, "gain, dB", self.describe("gain in dB"));
        self.outside(&mut strip);
        self.gain_limits(&mut strip);
        strip.draw("zero", &line([(self.axis.from, 0), (self.axis.to, 0)]));
        if let Some(window) = self.limit("crossover") {
            let ends = [window.min.map_or(self.axis.from, across), window.max.map_or(self.axis.to, across)];
            strip.draw("window", &line(ends.map(|x| (x.clamp(self.axis.from, self.axis.to), 0))));
        }
        self.curves(&mut strip, |p| p.gain_db, |s| s.gain_db);
        let measured = self.corner.measured.as_ref();
        if let Some(found) = measured.and_then(|m| m.get(Measurand::Crossover)) {
            strip.ring(self.axis, across(found.value), 0.0);
        }
        for (found, words) in [
            (measured.and_then(|m| m.get(Measurand::GainMargin)), "gain margin"),
            (measured.and_then(|m| m.get(Measurand::GainReductionMargin)), "reduction margin"),
        ] {
            let Some(found) = found else { continue };
            let sign = if words == "gain margin" { -1.0 } else { 1.0 };
            let ends = (0.0, sign * found.value);
            let check = if words == "gain margin" { "gain_margin" } else { "gain_reduction_margin" };
            if let Some(min) = self.limit(check).and_then(|limit| limit.min) {
                self.limit_mark(&mut strip, across(found.at_hz), sign * min);
            }
            strip.bracket(self.axis, across(found.at_hz), ends, &words_of(words, &found, Unit::Db));
        }
        strip
    }

    fn angle(&self) -> Strip {
        let (low, high) = self.range(|p| p.angle_deg);
        let (low, high) = ((low - 5.0).max(ANGLE_RANGE.0), (high + 5.0).min(ANGLE_RANGE.1));
        let (low, high) = (low.min(-10.0), high.max(30.0));
        let step = step_of(&ANGLE_STEPS, high - low, 6.0);
        let (low, high) = widened(low, high, step.min(45.0));
        let what = self.describe("angle above the critical point's direction in deg");
        let mut strip = Strip::new(196, (low, high), step, "angle, deg", what);
        self.outside(&mut strip);
        for turn in [-360.0, 0.0, 360.0] {
            if (low..=high).contains(&turn) {
                strip.draw("ray", &line([(self.axis.from, down(turn)), (self.axis.to, down(turn))]));
            }
        }
        strip.say(0.0, false, "critical point’s direction");
        self.curves(&mut strip, |p| p.angle_deg, |s| s.angle_deg);
        if let Some(found) = self.corner.measured.and_then(|m| m.get(Measurand::PhaseMargin)) {
            // The margin counts from the nearest whole turn.
            let base =
                self.at(found.at_hz).map_or(0.0, |p| ((p.angle_deg - found.value) / 360.0).round() * 360.0);
            let at = across(found.at_hz);
            if let Some(min) = self.limit("phase_margin").and_then(|limit| limit.min) {
                self.limit_mark(&mut strip, at, base + min.copysign(found.value));
            }
            let ends = (base, base + found.value);
            strip.bracket(self.axis, at, ends, &words_of("phase margin", &found, Unit::Deg));
            strip.ring(self.axis, at, base + found.value);
        }
        strip
    }

    /// A limit that holds at one frequency: a short line at its height.
    fn limit_mark(&self, strip: &mut Strip, at: i32, value: f64) {
        let reach = (self.axis.to - self.axis.from) / 16;
        let (from, to) = ((at - reach).max(self.axis.from), (at + reach).min(self.axis.to));
        strip.draw("limit", &line([(from, down(value)), (to, down(value))]));
    }

    /// The curve's point nearest to a frequency.
    fn at(&self, hz: f64) -> Option<&PlotPoint> {
        let off = |p: &&PlotPoint| (p.hz / hz).ln().abs();
        self.level.curve.iter().min_by(|a, b| off(a).total_cmp(&off(b)))
    }

    fn describe(&self, what: &str) -> String {
        let (from, to) = (self.level.curve.first(), self.level.curve.last());
        let hz = |p: Option<&PlotPoint>| p.map_or_else(String::new, |p| crate::check::frequency_text(p.hz));
        format!("{what} from {} to {}", hz(from), hz(to))
    }

    /// What lies outside the judged band.
    fn outside(&self, strip: &mut Strip) {
        let Some((from, to)) = self.plot.band_hz else { return };
        let (low, high) = (strip.low, strip.high);
        strip.fill("outside", self.axis.from, across(from).min(self.axis.to), low, high);
        strip.fill("outside", across(to).max(self.axis.from), self.axis.to, low, high);
    }

    fn gain_limits(&self, strip: &mut Strip) {
        // A limit at one frequency is drawn a fiftieth of a decade wide to each side.
        let (low, high) = (strip.low, strip.high);
        for limit in &self.plot.gain_limits {
            let (from, to) = (across(limit.from_hz), across(limit.to_hz));
            let (from, to) = if from == to { (from - 80, to + 80) } else { (from, to) };
            let (from, to) = (from.max(self.axis.from), to.min(self.axis.to));
            for (bound, below) in [(limit.min_db, true), (limit.max_db, false)] {
                let Some(bound) = bound else { continue };
                let (a, b) = if below { (low, bound) } else { (bound, high) };
                strip.fill("forbidden", from, to, a, b);
                strip.draw("limit", &line([(from, down(bound)), (to, down(bound))]));
            }
        }
    }

    fn curves(&self, strip: &mut Strip, of: fn(&PlotPoint) -> f64, spread: fn(&crate::check::Spread) -> f64) {
        let place = |p: &PlotPoint| (across(p.hz), down(of(p)));
        let edge = |sign: f64| -> Vec<Place> {
            let both = self.level.curve.iter().zip(&self.level.spread);
            both.map(|(p, s)| (across(p.hz), down(of(p) + sign * spread(s)))).collect()
        };
        strip.draw("band", &area(&edge(1.0), &edge(-1.0)));
        strip.draw("samples", &dots(self.level.samples.iter().map(place)));
        let others = self.plot.levels.iter().filter(|l| !std::ptr::eq(*l, self.level));
        // The front one is a whole line; the others are broken ones that let it be seen.
        for level in [self.level].into_iter().chain(others) {
            strip.draw(&line_class(self.plot, level), &line(level.curve.iter().map(place)));
            let points: Vec<(i32, f64)> = level.curve.iter().map(|p| (across(p.hz), of(p))).collect();
            strip.take(&points);
        }
    }
}

fn words_of(name: &str, found: &Measured, unit: Unit) -> String {
    // Its uncertainty stands in the table.
    let at_least = found.at_least == Some(true);
    format!("{name} {}", value_alone(found.value, found.uncertainty, unit, at_least))
}

/// What the lines are.
pub(crate) fn legend(corner: &CornerOutcome, plot: &CornerPlot) -> Markup {
    html! {
        ul.legend {
            @for level in &plot.levels {
                li {
                    svg width="34" height="10" aria-hidden="true" { path class=(line_class(plot, level)) d="M1 5h32" {} }
                    (level.level.as_deref().map_or_else(|| "level not said".to_owned(), super::text::safe))
                    ", " (role_word(level.role, corner))
                }
            }
            @if plot.levels.iter().any(|l| !l.spread.is_empty()) {
                li { svg width="34" height="10" aria-hidden="true" { rect.band x="1" width="32" height="10" {} } "expanded uncertainty" }
            }
            @if plot.levels.iter().any(|l| !l.samples.is_empty()) {
                li { svg width="34" height="10" aria-hidden="true" { path.samples d="M6 5h0m11 0h0m11 0h0" {} } "samples" }
            }
            li { svg width="34" height="10" aria-hidden="true" { path.limit d="M1 5h32" {} } "limit" }
            @if plot.band_hz.is_some() {
                li { svg width="34" height="10" aria-hidden="true" { rect.outside x="1" width="32" height="10" {} } "outside the judged band" }
            }
        }
    }
}

/// A role as it reads.
pub(crate) const fn role_word(role: Role, corner: &CornerOutcome) -> &'static str {
    match role {
        Role::Judged if corner.judged.is_none() => "not judged",
        Role::Judged => "judged",
        Role::Confirms => "confirms it",
        Role::Other => "also swept",
        Role::Accepted => "accepted before",
    }
}
