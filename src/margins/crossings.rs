//! Every crossover (magnitude 1) and every phase crossover (loop gain on the ray through the critical point).
//!
//! The roots of the local cubics are sought in every interval between samples. A sample exactly on the line is one
//! crossing, and so is a run of such samples.

use crate::curve::{Cubic, Curve, Piece, Point, Span};
use std::f64::consts::{PI, TAU};

/// Which way the curve goes through the line as frequency rises.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Direction {
    /// Magnitude or phase falls.
    Falling,
    /// It rises.
    Rising,
    /// It touches the line at a sample and turns back.
    Touching,
}

/// One crossing.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Crossing {
    /// The curve there.
    pub point: Point,
    /// Which way.
    pub direction: Direction,
}

/// Several crossings that noise cannot tell apart.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Merged {
    /// ln(f/Hz) of the first and the last of them.
    pub ln_f: (f64, f64),
    /// How many there were.
    pub count: usize,
    /// Crossings of 0 dB; else of the ray through the critical point.
    pub of_gain: bool,
}

impl Merged {
    /// Whether one crossing was kept.
    #[must_use]
    pub fn is_one(&self) -> bool {
        self.count % 2 == 1
    }
}

/// All crossings of a curve, by rising frequency. The memory is reused from curve to curve.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Crossings {
    /// Crossovers: magnitude 1.
    pub gain: Vec<Crossing>,
    /// Phase crossovers: on the ray, at any magnitude.
    pub phase: Vec<Crossing>,
    /// Those that noise cannot tell apart; `gain` and `phase` hold them as one or not at all.
    pub merged: Vec<Merged>,
}

/// Values closer to the line than this count as on it: rounding of a decimal file in radians or nepers.
const ON_THE_LINE: f64 = 1e-12;

/// How far the interpolation of the angle is followed beyond its two samples, rad: an unwrapped step is at most half a turn.
const FARTHEST: f64 = 8.0 * TAU;
/// Most lines sought between two samples: more than lie in that reach.
const MOST_LINES: usize = 64;

impl Crossings {
    /// Finds all crossings of a curve over its whole sweep.
    pub fn find(&mut self, curve: &Curve) {
        self.merged.clear();
        find(curve, curve.ln_mag(), |piece| piece.ln_mag, Line::Zero, &mut self.gain);
        find(curve, curve.angle(), |piece| piece.angle, Line::EveryTurn, &mut self.phase);
    }

    /// Crossovers inside a span.
    pub fn gain_in(&self, span: Span) -> impl Iterator<Item = &Crossing> + Clone {
        self.gain.iter().filter(move |c| span.holds(c.point.ln_f))
    }

    /// Phase crossovers inside a span.
    pub fn phase_in(&self, span: Span) -> impl Iterator<Item = &Crossing> + Clone {
        self.phase.iter().filter(move |c| span.holds(c.point.ln_f))
    }
}

/// The lines a value may cross: 0 alone, or every multiple of 2 pi.
#[derive(Clone, Copy, PartialEq)]
enum Line {
    Zero,
    EveryTurn,
}

impl Line {
    /// The lines between two values, as a range of multiples of 2 pi.
    fn between(self, low: f64, high: f64) -> std::ops::Range<i64> {
        match self {
            Self::Zero => 0..i64::from(low <= 0.0 && high >= 0.0),
            // A phase of more turns than there are whole numbers has none of them.
            Self::EveryTurn => (low / TAU).ceil() as i64..((high / TAU).floor() as i64).saturating_add(1),
        }
    }
}

fn find(curve: &Curve, values: &[f64], cubic: fn(&Piece) -> Cubic, line: Line, found: &mut Vec<Crossing>) {
    found.clear();
    let n = values.len();
    let mut before = 0.0_f64;
    // The line nearest to the last value, known from sample to sample.
    let mut near = 0.0_f64;
    for (i, pair) in values.windows(2).enumerate() {
        let &[left, right] = pair else { break };
        let step = right - left;
        let after = values.get(i + 2).map_or(0.0, |next| next - right);
        // How far the cubic may leave the range of its two samples. With steps in frequency that differ by up to a
        // factor of 3, four times the largest neighbouring change is a safe bound.
        let reach = 4.0 * step.abs().max(before.abs()).max(after.abs()) + ON_THE_LINE;
        before = step;
        if line == Line::EveryTurn && (left - near).abs() > PI {
            near = (left / TAU).round() * TAU;
        }
        let off = (left - near).abs();
        let next_line = if line == Line::EveryTurn { TAU - off } else { f64::INFINITY };
        if off.min(next_line) > reach + step.abs() && !curve.is_uneven() {
            continue;
        }
        let (mut low, mut high) = (left.min(right) - reach, left.max(right) + reach);
        if curve.is_uneven() {
            let piece = curve.piece(i);
            let f = cubic(&piece);
            for value in f.extrema(piece.width).into_iter().flatten().map(|s| f.value(s)) {
                (low, high) = (low.min(value), high.max(value));
            }
        }
        if line == Line::EveryTurn {
            // Between uneven steps a cubic may leave its samples by millions of turns. It tells nothing there.
            (low, high) = (low.max(left.min(right) - FARTHEST), high.min(left.max(right) + FARTHEST));
        }
        for turn in line.between(low, high).take(MOST_LINES) {
            let level = turn as f64 * TAU;
            cross_interval(curve, i, cubic, level, values, found);
        }
    }
    // A sample on the line belongs to the interval on its left; the first sample has none.
    if let (Some(&first), true) = (values.first(), n > 1) {
        let turn = if line == Line::Zero { 0.0 } else { (first / TAU).round() };
        if (first - turn * TAU).abs() <= ON_THE_LINE {
            sample_on_line(curve, 0, cubic, turn * TAU, values, found);
        }
    }
    found.sort_by(|a, b| a.point.ln_f.total_cmp(&b.point.ln_f));
}

/// Side of the line: -1, 0, +1.
fn side(value: f64, level: f64) -> i8 {
    let over = value - level;
    if over.abs() <= ON_THE_LINE {
        0
    } else if over > 0.0 {
        1
    } else {
        -1
    }
}

fn direction(before: i8, after: i8) -> Direction {
    match (before, after) {
        (1, -1) | (0, -1) | (1, 0) => Direction::Falling,
        (-1, 1) | (0, 1) | (-1, 0) => Direction::Rising,
        _ => Direction::Touching,
    }
}

/// The crossings of one line inside interval `i` and at its right sample.
fn cross_interval(
    curve: &Curve,
    i: usize,
    cubic: fn(&Piece) -> Cubic,
    level: f64,
    values: &[f64],
    found: &mut Vec<Crossing>,
) {
    let (Some(&left), Some(&right)) = (values.get(i), values.get(i + 1)) else { return };
    let (width, f) = curve.cubic(i, values);
    let [first, second] = f.extrema(width);
    // The ends carry the samples themselves, so that neighbouring intervals agree about the side of a sample.
    let stations = [
        Some((0.0, left)),
        first.map(|s| (s, f.value(s))),
        second.map(|s| (s, f.value(s))),
        Some((width, right)),
    ];
    // Most intervals have no crossing, and need no more of the curve.
    let mut piece = None;
    let mut last: Option<(f64, i8)> = None;
    // Between two samples on the line the curve is taken to stay on it.
    let inside_run = side(left, level) == 0 && side(right, level) == 0;
    for (s, value) in stations.into_iter().flatten().filter(|_| !inside_run) {
        let now = side(value, level);
        if now == 0 {
            continue;
        }
        if let Some((from, before)) = last
            && before != now
        {
            let root = bracketed_root(&f, level, from, s, before);
            let point = piece.get_or_insert_with(|| curve.piece(i)).at(root);
            found.push(Crossing { point, direction: direction(before, now) });
        }
        last = Some((s, now));
    }
    // A crossing whose end is a sample on the line is reported at the sample, once.
    if side(right, level) == 0 {
        sample_on_line(curve, i + 1, cubic, level, values, found);
    }
}

/// Reports the run of samples on the line that begins at sample `i`, unless `i` is inside a run.
fn sample_on_line(
    curve: &Curve,
    i: usize,
    cubic: fn(&Piece) -> Cubic,
    level: f64,
    values: &[f64],
    found: &mut Vec<Crossing>,
) {
    let on_line = |i: usize| values.get(i).is_some_and(|&v| side(v, level) == 0);
    if i.checked_sub(1).is_some_and(on_line) {
        return;
    }
    let run = (i..values.len()).take_while(|&k| on_line(k)).count();
    // The sides are those of the interpolated curve beside the run: it may bulge before it reaches the next sample.
    let sides = |interval: usize| {
        let piece = curve.piece(interval);
        let f = cubic(&piece);
        let ends = [values.get(interval), values.get(interval + 1)].map(|v| v.map_or(0, |&v| side(v, level)));
        let [left, right] = ends;
        let [first, second] = f.extrema(piece.width).map(|s| s.map_or(0, |s| side(f.value(s), level)));
        [left, first, second, right]
    };
    let before = i.checked_sub(1).map_or(0, |k| sides(k).into_iter().rev().find(|&s| s != 0).unwrap_or(0));
    let after = if i + run < values.len() {
        sides(i + run - 1).into_iter().find(|&s| s != 0).unwrap_or(0)
    } else {
        0
    };
    found.push(Crossing { point: curve.sample(i + run / 2), direction: direction(before, after) });
}

/// The root of a monotone stretch by Newton steps inside a shrinking bracket.
fn bracketed_root(f: &Cubic, level: f64, from: f64, to: f64, side_at_from: i8) -> f64 {
    let (mut low, mut high) = (from, to);
    let mut s = 0.5 * (low + high);
    // Bisection alone needs 53 halvings to reach the last bit; Newton makes it a handful.
    for _ in 0..64 {
        let value = f.value(s) - level;
        if value == 0.0 {
            return s;
        }
        if (value > 0.0) == (side_at_from > 0) {
            low = s
        } else {
            high = s
        }
        let newton = s - value / f.slope(s);
        let next = if newton > low && newton < high { newton } else { 0.5 * (low + high) };
        if (next - s).abs() <= f64::EPSILON * (to - from) {
            return next;
        }
        s = next;
    }
    s
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::margins::rough_curves::{Steps, rough_curve};

    #[test]
    fn lines_are_counted_for_any_phase() {
        let between = |low, high| Line::EveryTurn.between(low, high);
        assert_eq!(between(-7.0, 13.0), -1..3);
        assert!(between(1e300, 2e300).count() <= 1 && between(-2e300, -1e300).count() <= 1);
        for (low, high, is_there) in
            [(-1.0, 1.0, true), (0.0, 1.0, true), (-1.0, 0.0, true), (1.0, 2.0, false)]
        {
            assert_eq!(Line::Zero.between(low, high).count() == 1, is_there, "{low} {high}");
            assert_eq!(Line::Zero.between(-high, -low).count() == 1, is_there, "{low} {high}");
        }
    }

    /// Between two close stations of the interpolated curve the number of crossings is odd exactly when the line lies between
    /// their values; every crossing lies on its line, and goes the way of the slope.
    fn are_those_of_a_scan(
        curve: &Curve,
        found: &[Crossing],
        read: fn(&Point) -> f64,
        slope: fn(&Point) -> f64,
        turns: bool,
    ) -> usize {
        const STATIONS: u32 = 40;
        let lines = |value: f64| if turns { (value / TAU).floor() } else { f64::from(value >= 0.0) };
        let mut seen = 0;
        for i in 0..curve.len() - 1 {
            let piece = curve.piece(i);
            let place = |k: u32| piece.width * f64::from(k) / f64::from(STATIONS);
            for k in 0..STATIONS {
                let (from, to) = (place(k), place(k + 1));
                let [a, b] = [from, to].map(|s| read(&piece.at(s)));
                let between = (lines(b) - lines(a)).abs() as usize;
                let inside = |c: &&Crossing| (from..to).contains(&(c.point.ln_f - piece.origin));
                let number = found.iter().filter(inside).count();
                assert!(
                    number >= between && (number - between).is_multiple_of(2),
                    "{i} {k}: {a} {b}, {number}"
                );
                seen += number;
            }
        }
        for crossing in found {
            let value = read(&crossing.point);
            let off = if turns { crate::curve::wrap(value) } else { value };
            assert!(off.abs() < 1e-9, "{crossing:?}");
            let wanted = if slope(&crossing.point) > 0.0 { Direction::Rising } else { Direction::Falling };
            assert_eq!(crossing.direction, wanted, "{crossing:?}");
        }
        assert_eq!(seen, found.len());
        seen
    }

    /// Three turns on, and level but for one sample: the first sample lies on the line, or beside it.
    #[test]
    fn the_first_sample_may_lie_on_the_line() {
        let phase_crossings = |first: f64| {
            let values: Vec<f64> = (0..6).map(|k| 3.0 * TAU + if k == 0 { first } else { 0.5 }).collect();
            let mut curve = rough_curve(1, Steps::Alike, 1.0);
            let hz: Vec<f64> = (0..6).map(|k| 100.0 * 1.1f64.powi(k)).collect();
            let mut samples = crate::sweep::Samples::default();
            hz.iter().zip(&values).for_each(|(hz, angle)| samples.push(*hz, -1.0, *angle));
            curve.fill(&samples, crate::spec::CriticalPoint::PlusOne);
            let mut crossings = Crossings::default();
            crossings.find(&curve);
            crossings.phase.iter().map(|c| (c.point.hz(), c.direction)).collect::<Vec<_>>()
        };
        let [(hz, direction)] = phase_crossings(0.0)[..] else { panic!("{:?}", phase_crossings(0.0)) };
        assert!((hz - 100.0).abs() < 1e-9 && direction == Direction::Rising);
        assert_eq!(phase_crossings(0.3), []);
    }

    #[test]
    fn no_crossing_of_a_rough_curve_is_overlooked() {
        let (mut crossings, mut seen) = (Crossings::default(), [0; 2]);
        for seed in 0..400 {
            let curve = rough_curve(seed, if seed % 2 == 0 { Steps::Alike } else { Steps::Uneven }, 2.0);
            crossings.find(&curve);
            let (of_gain, of_phase) = (&crossings.gain, &crossings.phase);
            seen[0] += are_those_of_a_scan(&curve, of_gain, |p| p.ln_mag, |p| p.mag_slope, false);
            seen[1] += are_those_of_a_scan(&curve, of_phase, |p| p.angle, |p| p.angle_slope, true);
        }
        assert!(seen.iter().all(|number| *number > 300), "{seen:?}");
    }
}
