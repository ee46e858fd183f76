//! What lies before the newest change: cut into levels and lines, the most probable way.
//!
//! The cuts are found from the oldest to the newest place (optimal partitioning: B. Jackson and others, IEEE Signal Processing Letters 12,
//! 2005; from memory), with the spread that neighbours show. Only how it weighs and what it leaves of squares goes on.

use super::prior::{EARLIER, EARLIER_AT_STATION, LEVEL};
use super::regression_rows::Rows;

/// Groups of a level, at least: one alone is a bad lot.
const SHORTEST_LEVEL: usize = 2;
/// Groups of a line, at least: two degrees of freedom are left.
const SHORTEST_LINE: usize = 4;

/// The course of the groups before a place.
#[derive(Debug, Clone, Copy)]
pub(super) struct Past {
    /// The place: the first group that does not belong to it.
    pub(super) end: usize,
    /// Squares that it leaves.
    pub(super) squares: f64,
    /// Levels and slopes in it.
    pub(super) parameters: f64,
    /// Logarithm of what is held probable of it before.
    pub(super) prior: f64,
    /// Logarithms of its rows' scales.
    pub(super) scales: f64,
    /// Whether its last piece is a line.
    pub(super) is_line: bool,
    /// Start of its last piece: the place of another past, 0 the oldest.
    pub(super) start: usize,
    cost: f64,
}

impl Past {
    /// Before all groups.
    pub(super) const fn none() -> Self {
        Self {
            end: 0,
            squares: 0.0,
            parameters: 0.0,
            prior: 0.0,
            scales: 0.0,
            is_line: false,
            start: 0,
            cost: 0.0,
        }
    }
}

/// The most probable pasts that end before each of these places, and the one without any; in their order.
///
/// `variance`: that of a row; `at_station`: whether a place is the first of another station.
pub(super) fn pasts(rows: &Rows, places: &[usize], variance: f64, at_station: &[bool]) -> Vec<Past> {
    let groups = rows.len() as f64;
    let size = 0.5 * groups.ln_1p();
    let anywhere = EARLIER / (groups - 1.0);
    let mut found = vec![Past::none()];
    for &end in places {
        let odds = if at_station.get(end) == Some(&true) { EARLIER_AT_STATION } else { anywhere };
        let mut best: Option<Past> = None;
        for before in &found {
            let length = end.saturating_sub(before.end);
            if length < SHORTEST_LEVEL {
                continue;
            }
            let sums = rows.part(before.end, end);
            let mut take = |squares: f64, parameters: f64, share: f64, is_line: bool| {
                let prior = (odds * share).ln();
                let cost = before.cost + 0.5 * squares / variance + parameters * size - prior - sums.log;
                if best.is_none_or(|best| cost < best.cost) {
                    best = Some(Past {
                        end,
                        squares: before.squares + squares,
                        parameters: before.parameters + parameters,
                        prior: before.prior + prior,
                        scales: before.scales + sums.log,
                        is_line,
                        start: before.end,
                        cost,
                    });
                }
            };
            take(sums.about_level(), 1.0, LEVEL, false);
            if let Some((squares, ..)) = sums.about_line().filter(|_| length >= SHORTEST_LINE) {
                take(squares, 2.0, 1.0 - LEVEL, true);
            }
        }
        found.extend(best);
    }
    found
}

#[cfg(test)]
mod tests {
    use super::super::regression_rows::Mean;
    use super::*;

    fn found(values: &[f64]) -> Vec<Past> {
        let means: Vec<Mean> =
            values.iter().enumerate().map(|(k, y)| Mean { x: k as f64, y: *y, weight: 1.0 }).collect();
        let rows = Rows::new(&means, &vec![false; values.len()], 0.0);
        let places: Vec<usize> = (2..values.len() - 1).collect();
        pasts(&rows, &places, 1.0, &vec![false; values.len()])
    }

    fn wobble(k: usize) -> f64 {
        (k as f64 * 2.4).sin()
    }

    #[test]
    fn a_level_stays_whole_and_two_are_cut_where_they_meet() {
        let calm: Vec<f64> = (0..20).map(wobble).collect();
        let all = found(&calm);
        let last = all.iter().find(|past| past.end == 18).unwrap();
        assert_eq!((last.start, last.parameters, last.is_line), (0, 1.0, false));
        let stepped: Vec<f64> = (0..20).map(|k| wobble(k) + if k < 9 { 0.0 } else { 8.0 }).collect();
        let all = found(&stepped);
        let last = all.iter().find(|past| past.end == 18).unwrap();
        assert_eq!((last.start, last.parameters, last.is_line), (9, 2.0, false));
    }

    #[test]
    fn a_line_is_one_piece() {
        let line: Vec<f64> = (0..20).map(|k| wobble(k) + 1.5 * k as f64).collect();
        let all = found(&line);
        let last = all.iter().find(|past| past.end == 18).unwrap();
        assert_eq!((last.start, last.is_line), (0, true));
    }
}
