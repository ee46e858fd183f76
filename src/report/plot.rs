//! A sweep drawn as text: gain above, phase below, over the logarithm of the frequency.
//!
//! A cell of text holds three heights, `'` above, `-` in the middle, `.` below; `|` where the curve runs through a whole
//! cell. Marks stand on the curve where it crosses, so that they are read in both panels.

use super::terminal::Style;
use super::terminal::palette::{self, paint};
use crate::check::frequency_text;
use crate::curve::db;
use crate::inspect::{Inspected, Way};
use crate::quantity::number;
use crate::spec::CriticalPoint;
use crate::sweep::Samples;
use unicode_width::UnicodeWidthStr;

/// Columns where no terminal tells its own.
const WIDTH: usize = 80;
/// Fewer columns show no curve, more spread it too thin for the rows.
const COLUMNS: (usize, usize) = (40, 110);
/// Columns of the labels on the left.
const GUTTER: usize = 8;
/// Rows of a panel: both and their axis fit a terminal of 24 rows, the lowest that is common.
const ROWS: usize = 8;
/// Heights that a cell tells apart.
const HEIGHTS: usize = 3;
const SIGNS: [char; HEIGHTS] = ['\'', '-', '.'];
/// The line of 0.
const ZERO: char = '·';
/// A change between neighbours beyond half a turn is where the angle begins anew, deg.
const HALF_TURN: f64 = 180.0;
/// Steps of labels, dB and deg.
const GAIN_STEPS: [f64; 5] = [5.0, 10.0, 20.0, 40.0, 80.0];
const PHASE_STEPS: [f64; 4] = [15.0, 30.0, 45.0, 90.0];

/// What a mark stands for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Mark {
    Falling,
    Rising,
    Phase,
}

impl Mark {
    const ALL: [Self; 3] = [Self::Falling, Self::Rising, Self::Phase];

    const fn sign(self) -> char {
        match self {
            Self::Falling => 'V',
            Self::Rising => 'A',
            Self::Phase => 'O',
        }
    }

    const fn words(self) -> &'static str {
        match self {
            Self::Falling => "V falling crossover",
            Self::Rising => "A rising crossover",
            Self::Phase => "O phase crossover",
        }
    }
}

/// Where something stands: frequency in Hz, gain in dB, angle from the critical point in deg.
#[derive(Debug, Clone, Copy)]
struct Place {
    hz: f64,
    gain: f64,
    angle: f64,
    mark: Mark,
}

/// The curve of a sweep with its crossovers, at most as wide as the terminal (80 columns without one). `samples` are those
/// that `sweep` was found from.
#[must_use]
pub fn render_plot(samples: &Samples, sweep: &Inspected, point: CriticalPoint, style: Style) -> String {
    let columns = style.width.unwrap_or(WIDTH).saturating_sub(GUTTER + 3).clamp(COLUMNS.0, COLUMNS.1);
    let gain: Vec<f64> = samples.ln_magnitude().iter().map(|ln| db(*ln)).collect();
    let angle: Vec<f64> = samples.phase_rad().iter().map(|phase| angle(*phase, point)).collect();
    let x = Axis::of(sweep.band_hz, columns);
    let places = places(sweep);
    let mut text = String::from("\n");
    let panels = [
        (
            "gain, dB",
            &gain,
            &GAIN_STEPS[..],
            places.iter().map(|p| (p.hz, p.gain, p.mark)).collect::<Vec<_>>(),
        ),
        (
            "phase from the critical point, deg",
            &angle,
            &PHASE_STEPS[..],
            places.iter().map(|p| (p.hz, p.angle, p.mark)).collect(),
        ),
    ];
    for (title, values, steps, marks) in panels {
        let mut panel = Panel::new(values, steps, columns);
        panel.zero();
        panel.curve(&x, samples.frequency_hz(), values);
        marks.into_iter().for_each(|(hz, value, mark)| panel.mark(x.column(hz), value, mark));
        text.push_str(&format!("  {}\n{}", paint(title, palette::STRONG, style), panel.text()));
    }
    text.push_str(&x.text());
    let known = Mark::ALL.into_iter().filter(|mark| places.iter().any(|place| place.mark == *mark));
    let legend: Vec<&str> = known.map(Mark::words).collect();
    if !legend.is_empty() {
        text.push_str(&format!("{}{}\n", " ".repeat(GUTTER + 3), legend.join("   ")));
    }
    text.push('\n');
    text
}

/// The angle of the loop gain from the ray through the critical point, deg, in (-180, 180]: at a crossover it is the phase
/// margin.
fn angle(phase_rad: f64, point: CriticalPoint) -> f64 {
    let from = match point {
        CriticalPoint::PlusOne => phase_rad.to_degrees(),
        CriticalPoint::MinusOne => phase_rad.to_degrees() + HALF_TURN,
    };
    let turned = from.rem_euclid(2.0 * HALF_TURN);
    if turned > HALF_TURN { turned - 2.0 * HALF_TURN } else { turned }
}

fn places(sweep: &Inspected) -> Vec<Place> {
    let phase = sweep.phase_crossovers.iter().map(|crossing| Place {
        hz: crossing.frequency_hz,
        gain: -crossing.gain_margin_db,
        angle: 0.0,
        mark: Mark::Phase,
    });
    let gain = sweep.crossovers.iter().map(|crossing| Place {
        hz: crossing.frequency_hz,
        gain: 0.0,
        angle: crossing.phase_margin_deg,
        mark: match crossing.direction {
            Way::Falling => Mark::Falling,
            Way::Rising => Mark::Rising,
        },
    });
    // A crossover is worth more than a phase crossover where they meet in one cell.
    phase.chain(gain).collect()
}

/// Frequencies over columns.
struct Axis {
    low: f64,
    high: f64,
    columns: usize,
}

impl Axis {
    fn of([low, high]: [f64; 2], columns: usize) -> Self {
        Self { low: low.ln(), high: high.ln(), columns }
    }

    fn column(&self, hz: f64) -> usize {
        let share = (hz.ln() - self.low) / (self.high - self.low);
        to_index(share * (self.columns - 1) as f64, self.columns)
    }

    /// The line of ticks and the line of their frequencies: both ends, and decades that have room.
    fn text(&self) -> String {
        let mut ticks = vec!['-'; self.columns];
        let mut labels = vec![' '; self.columns];
        let [low, high] = [self.low.exp(), self.high.exp()];
        let powers =
            (low.log10().floor() as i32..=high.log10().ceil() as i32).map(|power| 10_f64.powi(power));
        let decades: Vec<f64> = powers.filter(|hz| *hz > low && *hz < high).collect();
        for hz in [low, high].into_iter().chain(decades) {
            let at = self.column(hz);
            if let Some(tick) = ticks.get_mut(at) {
                *tick = '+';
            }
            let label = frequency_text(hz);
            let start = at.min(self.columns.saturating_sub(label.width()));
            // A blank before and behind.
            let around = start.saturating_sub(1)..(start + label.width() + 1).min(labels.len());
            if labels.get(around).is_some_and(|room| room.iter().all(|c| *c == ' ')) {
                for (place, c) in labels.iter_mut().skip(start).zip(label.chars()) {
                    *place = c;
                }
            }
        }
        let [ticks, labels] = [ticks, labels].map(|line| line.into_iter().collect::<String>());
        let margin = " ".repeat(GUTTER);
        format!("{margin}  +{ticks}\n{margin}   {}\n", labels.trim_end())
    }
}

/// A place among `count`.
fn to_index(place: f64, count: usize) -> usize {
    (place.round().max(0.0) as usize).min(count.saturating_sub(1))
}

/// One curve with its labels.
struct Panel {
    low: f64,
    high: f64,
    step: f64,
    cells: Vec<Vec<char>>,
}

impl Panel {
    fn new(values: &[f64], steps: &[f64], columns: usize) -> Self {
        let low = values.iter().copied().fold(0.0, f64::min);
        let high = values.iter().copied().fold(0.0, f64::max);
        // A label every second row at most.
        let most = (ROWS / 2) as f64;
        let step = steps.iter().copied().find(|step| (high - low) / step <= most);
        let step = step.unwrap_or_else(|| ((high - low) / most / 100.0).ceil() * 100.0);
        let (low, high) = ((low / step).floor() * step, (high / step).ceil() * step);
        let high = if high > low { high } else { low + step };
        Self { low, high, step, cells: vec![vec![' '; columns]; ROWS] }
    }

    /// Height of a value, from the top, in thirds of a row.
    fn height(&self, value: f64) -> usize {
        let heights = ROWS * HEIGHTS;
        to_index((self.high - value) / (self.high - self.low) * (heights - 1) as f64, heights)
    }

    fn put(&mut self, row: usize, column: usize, sign: char) {
        if let Some(cell) = self.cells.get_mut(row).and_then(|row| row.get_mut(column)) {
            *cell = sign;
        }
    }

    fn zero(&mut self) {
        let row = self.height(0.0) / HEIGHTS;
        if let Some(row) = self.cells.get_mut(row) {
            row.fill(ZERO);
        }
    }

    fn mark(&mut self, column: usize, value: f64, mark: Mark) {
        self.put(self.height(value) / HEIGHTS, column, mark.sign());
    }

    /// Between samples the curve is a straight line over the logarithm of the frequency.
    fn curve(&mut self, x: &Axis, hz: &[f64], values: &[f64]) {
        let columns = x.columns;
        let mut spans: Vec<Option<(usize, usize)>> = vec![None; columns];
        let mut see = |column: usize, height: usize| {
            if let Some(span) = spans.get_mut(column) {
                let (top, bottom) = span.unwrap_or((height, height));
                *span = Some((top.min(height), bottom.max(height)));
            }
        };
        let points: Vec<(f64, f64)> = hz.iter().copied().zip(values.iter().copied()).collect();
        for pair in points.windows(2) {
            let [(from_hz, from), (to_hz, to)] = pair else { continue };
            let (first, last) = (x.column(*from_hz), x.column(*to_hz));
            see(first, self.height(*from));
            if (to - from).abs() < HALF_TURN {
                for column in first + 1..last {
                    let share = (column - first) as f64 / (last - first) as f64;
                    see(column, self.height(from + share * (to - from)));
                }
            }
            see(last, self.height(*to));
        }
        for (column, span) in spans.into_iter().enumerate() {
            let Some((top, bottom)) = span else { continue };
            let (first, last) = (top / HEIGHTS, bottom / HEIGHTS);
            // Less than a row is one sign, in the middle of it.
            if bottom - top < HEIGHTS {
                let height = (top + bottom) / 2;
                let sign = SIGNS.get(height % HEIGHTS).copied().unwrap_or('-');
                self.put(height / HEIGHTS, column, sign);
            } else {
                (first..=last).for_each(|row| self.put(row, column, '|'));
            }
        }
    }

    fn text(&self) -> String {
        let mut labels = vec![String::new(); ROWS];
        let steps = ((self.high - self.low) / self.step).round() as usize;
        for count in 0..=steps {
            let value = self.low + count as f64 * self.step;
            if let Some(label) = labels.get_mut(self.height(value) / HEIGHTS) {
                *label = number(value, 6);
            }
        }
        let rows = labels.iter().zip(&self.cells).map(|(label, cells)| {
            let line = format!(
                "{label:>GUTTER$}  {}{}",
                if label.is_empty() { '|' } else { '+' },
                String::from_iter(cells)
            );
            line.trim_end().to_owned() + "\n"
        });
        rows.collect()
    }
}
