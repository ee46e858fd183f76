//! A plot whose lines stretch with the page while its text keeps its size: lines in the plot's own units, text in pixels down and
//! in percent across.

use super::axis::{Tick, linear_ticks};
use super::svg_path::{PER_UNIT, whole};
use maud::{Markup, PreEscaped, html};
use std::fmt::Write;

/// Width of the column of labels on the left, pixels.
const LABELS: u32 = 58;
/// Width of a letter and height of a line, pixels, a little more than they take.
const LETTER: f64 = 6.6;
const LINE: f64 = 14.0;
/// Widths of a plot on a telephone and on a desk, pixels.
const NARROW_AND_WIDE: [f64; 2] = [290.0, 780.0];
/// Places of a curve that are looked at between two of its points.
const BETWEEN: i32 = 4;

/// The horizontal axis that strips have in common, in its own whole units.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Across {
    /// Left end.
    pub from: i32,
    /// Right end.
    pub to: i32,
    /// Ticks: place and label; lesser ones have none.
    pub ticks: Vec<(i32, String)>,
}

impl Across {
    /// Where a place lies, percent of the width.
    #[must_use]
    pub(crate) fn percent(&self, place: i32) -> f64 {
        100.0 * f64::from(place - self.from) / f64::from((self.to - self.from).max(1))
    }

    /// Whether a place is drawn.
    #[must_use]
    pub(crate) fn holds(&self, place: i32) -> bool {
        (self.from..=self.to).contains(&place)
    }

    /// The labels below the last strip.
    #[must_use]
    pub(crate) fn labels(&self, title: &str) -> Markup {
        let named = self.ticks.iter().filter(|(_, label)| !label.is_empty());
        html! {
            svg.xlab height="36" aria-hidden="true" {
                @for (at, label) in named {
                    @let percent = self.percent(*at);
                    text x={ (round(percent)) "%" } y="14" text-anchor=(anchor(percent)) { (label) }
                }
                text.axis-title x="50%" y="31" text-anchor="middle" { (title) }
            }
        }
    }
}

/// Text near an end must not leave the plot.
fn anchor(percent: f64) -> &'static str {
    match percent {
        p if p < 6.0 => "start",
        p if p > 94.0 => "end",
        _ => "middle",
    }
}

/// One plot of a figure.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Strip {
    /// Height, pixels.
    pub height: u32,
    /// Units of the lines in one of the values: enough that a step of 1 cannot be seen.
    pub per_one: f64,
    /// The value at unit 0.
    pub origin: f64,
    /// Lowest value.
    pub low: f64,
    /// Highest value.
    pub high: f64,
    /// Ticks of the vertical axis.
    pub ticks: Vec<Tick>,
    /// What stands beside the axis.
    pub title: &'static str,
    /// What the lines show, for those who do not see them.
    pub description: String,
    /// Lines and areas, SVG in the plot's units.
    pub lines: String,
    /// Marks and words over them, SVG in pixels and percent.
    pub notes: String,
    /// Where curves run, in the units of the axis and in values: words keep clear of them.
    pub taken: Vec<(i32, f64)>,
}

impl Strip {
    /// A plot without lines, of `height` pixels and between these values, its unit 0 at the value 0.
    #[must_use]
    pub(crate) fn new(
        height: u32,
        (low, high): (f64, f64),
        step: f64,
        title: &'static str,
        description: String,
    ) -> Self {
        Self {
            height,
            per_one: PER_UNIT,
            origin: 0.0,
            low,
            high,
            ticks: linear_ticks(low, high, step),
            title,
            description,
            lines: String::new(),
            notes: String::new(),
            taken: Vec::new(),
        }
    }

    /// A value in units of the lines, downwards.
    #[must_use]
    pub(crate) fn down(&self, value: f64) -> i32 {
        whole(self.per_one * (self.origin - value))
    }

    /// Pixels from the top of a value, kept inside the plot.
    #[must_use]
    pub(crate) fn pixels(&self, value: f64) -> f64 {
        let share = (self.high - value) / (self.high - self.low);
        (share * f64::from(self.height)).clamp(0.0, f64::from(self.height))
    }

    /// A path of a class; nothing when it is empty.
    pub(crate) fn draw(&mut self, class: &str, d: &str) {
        if !d.is_empty() {
            // Writing to a string does not fail.
            let _ = write!(self.lines, "<path class=\"{class}\" d=\"{d}\"/>");
        }
    }

    /// A rectangle of a class, in values.
    pub(crate) fn fill(&mut self, class: &str, from: i32, to: i32, low: f64, high: f64) {
        let (top, bottom) = (self.down(high.min(self.high)), self.down(low.max(self.low)));
        if to > from && bottom > top {
            let (width, height) = (to - from, bottom - top);
            let _ = write!(
                self.lines,
                "<rect class=\"{class}\" x=\"{from}\" y=\"{top}\" width=\"{width}\" height=\"{height}\"/>"
            );
        }
    }

    /// A ring at a place.
    pub(crate) fn ring(&mut self, across: &Across, at: i32, value: f64) {
        if across.holds(at) && (self.low..=self.high).contains(&value) {
            let (x, y) = (round(across.percent(at)), round(self.pixels(value)));
            let _ = write!(self.notes, "<circle class=\"ring\" cx=\"{x}%\" cy=\"{y}\" r=\"4.5\"/>");
        }
    }

    /// A measured distance: an upright line between two values with feet at its ends, and words beside it.
    pub(crate) fn bracket(&mut self, across: &Across, at: i32, values: (f64, f64), words: &str) {
        if !across.holds(at) {
            return;
        }
        let percent = across.percent(at);
        let x = round(percent);
        let (a, b) = (self.pixels(values.0), self.pixels(values.1));
        for y in [a, b] {
            let _ = write!(
                self.notes,
                "<svg class=\"foot\" x=\"{x}%\" y=\"{}\"><path class=\"span\" d=\"M-5 0h10\"/></svg>",
                round(y)
            );
        }
        let _ = write!(
            self.notes,
            "<line class=\"span\" x1=\"{x}%\" x2=\"{x}%\" y1=\"{}\" y2=\"{}\"/>",
            round(a),
            round(b)
        );
        let (is_left, base) = self.clear_place(across, at, 0.5 * (a + b) + 4.0, words);
        let (anchor, shift) = if is_left { ("end", -9) } else { ("start", 9) };
        let _ = write!(
            self.notes,
            "<svg class=\"foot\" x=\"{x}%\" y=\"{}\"><text x=\"{shift}\" text-anchor=\"{anchor}\">{words}</text></svg>",
            round(base)
        );
    }

    /// The place beside an upright line where words hide the least of the curves, the nearest to `wanted` of several alike: whether
    /// they stand to the left, and their base line, pixels.
    fn clear_place(&self, across: &Across, at: i32, wanted: f64, words: &str) -> (bool, f64) {
        let (top, bottom) = (12.0, f64::from(self.height) - 5.0);
        let wanted = wanted.clamp(top, bottom);
        let prefers_left = across.percent(at) > 50.0;
        let steps = (bottom - top) / LINE;
        let rows = (0..).map(f64::from).take_while(|k| *k <= steps).map(|k| top + k * LINE);
        let places =
            [wanted].into_iter().chain(rows).flat_map(|base| [(prefers_left, base), (!prefers_left, base)]);
        let beside = [false, true]
            .map(|is_left| NARROW_AND_WIDE.map(|width| self.beside(across, at, is_left, words, width)));
        let cost = |(is_left, base): (bool, f64)| {
            let [right, left] = &beside;
            let hidden = if is_left { left } else { right }.iter().map(|own| own.hidden(base)).sum::<f64>();
            hidden + 0.01 * (base - wanted).abs() + if is_left == prefers_left { 0.0 } else { 0.3 }
        };
        let places = places.map(|place| (cost(place), place));
        places.min_by(|a, b| a.0.total_cmp(&b.0)).map_or((prefers_left, wanted), |(_, place)| place)
    }

    /// What stands beside an upright line of a plot of this width, pixels, over the length of words.
    fn beside(&self, across: &Across, at: i32, is_left: bool, words: &str, width: f64) -> Beside {
        let x = |at: i32| width * across.percent(at) / 100.0;
        // Text is short: it fits an f64.
        let length = LETTER * words.chars().count() as f64;
        let (from, to) =
            if is_left { (x(at) - 9.0 - length, x(at) - 9.0) } else { (x(at) + 9.0, x(at) + 9.0 + length) };
        let inside = self.taken.iter().filter(|(at, _)| (from - 3.0..=to + 3.0).contains(&x(*at)));
        Beside {
            beyond: (-from).max(to - width).max(0.0),
            curves: inside.map(|(_, value)| self.pixels(*value)).collect(),
        }
    }

    /// Notes where a curve runs, with places between its points, so that no stretch of it is overlooked.
    pub(crate) fn take(&mut self, points: &[(i32, f64)]) {
        for pair in points.windows(2) {
            let [(from, a), (to, b)] = pair else { continue };
            let share = |k: i32| f64::from(k) / f64::from(BETWEEN);
            let between = (0..BETWEEN).map(|k| (from + (to - from) * k / BETWEEN, a + share(k) * (b - a)));
            self.taken.extend(between);
        }
        self.taken.extend(points.last());
    }

    /// Words at a value: above its line at the right edge, below it at the left one.
    pub(crate) fn say(&mut self, value: f64, at_right: bool, words: &str) {
        let (x, anchor) = if at_right { ("99%", "end") } else { ("1%", "start") };
        // Above a line at the right edge, below it at the left one.
        let off = if at_right { -5.0 } else { 13.0 };
        let y = round((self.pixels(value) + off).clamp(11.0, f64::from(self.height) - 4.0));
        let _ = write!(
            self.notes,
            "<text x=\"{x}\" y=\"{y}\" text-anchor=\"{anchor}\" class=\"say\">{words}</text>"
        );
    }

    fn grid(&self, across: &Across) -> String {
        let (top, height) = (self.down(self.high), self.down(self.low) - self.down(self.high));
        let upright = |at: &i32| format!("M{at} {top}v{height}");
        let lesser: String =
            across.ticks.iter().filter(|(_, label)| label.is_empty()).map(|(at, _)| upright(at)).collect();
        let mut major: String =
            across.ticks.iter().filter(|(_, label)| !label.is_empty()).map(|(at, _)| upright(at)).collect();
        for tick in &self.ticks {
            let _ = write!(major, "M{} {}H{}", across.from, self.down(tick.at), across.to);
        }
        format!("<path class=\"grid lesser\" d=\"{lesser}\"/><path class=\"grid\" d=\"{major}\"/>")
    }

    /// The plot with its labels.
    #[must_use]
    pub(crate) fn markup(&self, across: &Across, name: &str) -> Markup {
        let (width, top) = (across.to - across.from, self.down(self.high));
        let tall = self.down(self.low) - top;
        let view = format!("{} {top} {width} {tall}", across.from);
        let step = round(self.per_one);
        html! {
            svg.ylab width=(LABELS) height=(self.height) aria-hidden="true" {
                text.axis-title transform={ "translate(11 " (self.height / 2) ") rotate(-90)" } text-anchor="middle" {
                    (self.title)
                }
                @for tick in &self.ticks {
                    @let y = (self.pixels(tick.at) + 4.0).clamp(10.0, f64::from(self.height) - 1.0);
                    text x=(LABELS - 6) y=(round(y)) text-anchor="end" { (tick.label) }
                }
            }
            div.area data-strip=(name) data-units=(step) {
                svg.lines height=(self.height) viewBox=(view) preserveAspectRatio="none" role="img" {
                    title { (self.description) }
                    (PreEscaped(self.grid(across)))
                    (PreEscaped(&self.lines))
                }
                svg.notes height=(self.height) aria-hidden="true" { (PreEscaped(&self.notes)) }
            }
        }
    }
}

/// Two decimals at most.
#[must_use]
pub(crate) fn round(value: f64) -> String {
    let text = format!("{value:.2}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// The room on one side of an upright line.
struct Beside {
    /// How far words would leave the plot, pixels.
    beyond: f64,
    /// Heights of the curves there, pixels.
    curves: Vec<f64>,
}

impl Beside {
    /// How many places of curves words on this base line would hide; what leaves the plot counts the most.
    fn hidden(&self, base: f64) -> f64 {
        let is_hidden = |y: &&f64| (base - 13.0..=base + 4.0).contains(*y);
        100.0 * self.beyond + self.curves.iter().filter(is_hidden).count() as f64
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn strip() -> Strip {
        Strip::new(200, (-40.0, 60.0), 20.0, "gain", "gain <of> the loop".to_owned())
    }

    /// A curve through the middle of the plot, and a bracket there.
    #[test]
    fn words_do_not_stand_on_a_curve() {
        let across = Across { from: 0, to: 4000, ticks: Vec::new() };
        let mut strip = strip();
        strip.take(&[(0, 10.0), (2000, 10.0), (4000, 10.0)]);
        let (_, base) = strip.clear_place(&across, 2000, strip.pixels(10.0) + 4.0, "gain margin 12.34 dB");
        assert!((base - strip.pixels(10.0)).abs() > 4.0, "{base}");
        // Without a curve they stand where they are wanted; near an end they stay inside.
        strip.taken.clear();
        assert_eq!(strip.clear_place(&across, 1000, 50.0, "words"), (false, 50.0));
        assert!(strip.clear_place(&across, 3900, 50.0, "gain margin").0);
    }

    #[test]
    fn values_outside_are_kept_at_the_edge_and_marks_outside_are_left_out() {
        let across = Across { from: 0, to: 4000, ticks: vec![(0, "1 Hz".to_owned()), (1204, String::new())] };
        let mut strip = strip();
        assert_eq!(strip.pixels(60.0), 0.0);
        assert_eq!(strip.pixels(1e9), 0.0);
        assert_eq!(strip.pixels(-1e9), 200.0);
        strip.ring(&across, 5000, 0.0);
        strip.ring(&across, 100, 90.0);
        strip.bracket(&across, -1, (0.0, 10.0), "words");
        strip.fill("no", 10, 10, 0.0, 10.0);
        strip.fill("no", 10, 20, 70.0, 80.0);
        assert!(strip.notes.is_empty() && strip.lines.is_empty());
        strip.fill("yes", 10, 20, -100.0, 0.0);
        assert_eq!(strip.lines, "<rect class=\"yes\" x=\"10\" y=\"0\" width=\"10\" height=\"4000\"/>");
        let text = strip.markup(&across, "gain").into_string();
        assert!(text.contains("viewBox=\"0 -6000 4000 10000\"") && text.contains("gain &lt;of&gt; the loop"));
    }
}
