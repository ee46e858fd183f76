//! What another station makes of the same units, beside what moved: one offset from the group on that it measured first.
//!
//! Nobody can tell which of the two stations is right. The level is that of the newest station, which measures on; a forecast counts
//! both alike.

use super::regression_rows::{Row, Rows};

/// Columns that hang together more closely than this are one.
const COLLINEAR: f64 = 1e-9;

/// A column of the regression: 0 before a group, from it on 1, or the place less where it starts.
#[derive(Debug, Clone, Copy)]
pub(super) struct Column {
    /// First group.
    pub(super) since: usize,
    /// Place at which a ramp is 0; `None` of a step.
    pub(super) start: Option<f64>,
}

/// Least squares of a level, an offset and a movement: values, and their covariance but for the variance of a row.
#[derive(Debug, Clone, Copy)]
pub(super) struct Fit {
    pub(super) values: [f64; 3],
    pub(super) covariance: [[f64; 3]; 3],
}

impl Column {
    fn own(&self, row: &Row) -> f64 {
        row.own * self.start.map_or(1.0, |start| row.x - start)
    }

    fn later(&self, row: &Row) -> f64 {
        self.start.map_or(row.level, |start| row.place - start * row.level)
    }
}

/// Product of the column of a station, a step, with another one.
pub(super) fn product(rows: &Rows, station: usize, other: &Column) -> f64 {
    let (from, moved) = (rows.next(station), rows.next(other.since));
    let (rest, first) = rows.since(station.max(other.since));
    let rest = other.start.map_or(rest.bb, |start| rest.ba - start * rest.bb);
    let at_first = first.map_or(0.0, |row| match from.cmp(&moved) {
        std::cmp::Ordering::Greater => row.own * other.later(row),
        std::cmp::Ordering::Equal => row.own * other.own(row),
        std::cmp::Ordering::Less => row.level * other.own(row),
    });
    rest + at_first
}

/// Solves for three columns: `gram` their products with each other, `value` with the values. `None` where they hang together.
pub(super) fn fit(gram: [[f64; 3]; 3], value: [f64; 3]) -> Option<Fit> {
    let [[a, b, c], [_, d, e], [_, _, f]] = gram;
    let minors = [d * f - e * e, c * e - b * f, b * e - c * d];
    let determinant = a * minors[0] + b * minors[1] + c * minors[2];
    if determinant.is_nan() || determinant <= COLLINEAR * a * d * f {
        return None;
    }
    let [p, q, r] = minors.map(|minor| minor / determinant);
    let (s, t, u) =
        ((a * f - c * c) / determinant, (b * c - a * e) / determinant, (a * d - b * b) / determinant);
    let covariance = [[p, q, r], [q, s, t], [r, t, u]];
    let values = covariance.map(|row| row.iter().zip(value).map(|(own, value)| own * value).sum());
    Some(Fit { values, covariance })
}

impl Fit {
    /// Value of a sum of the three with these factors.
    pub(super) fn value(&self, factors: [f64; 3]) -> f64 {
        self.values.iter().zip(factors).map(|(value, factor)| value * factor).sum()
    }

    /// Covariance of two such sums.
    pub(super) fn covariance(&self, one: [f64; 3], other: [f64; 3]) -> f64 {
        let row = |row: &[f64; 3]| row.iter().zip(other).map(|(own, factor)| own * factor).sum::<f64>();
        self.covariance.iter().zip(one).map(|(own, factor)| factor * row(own)).sum()
    }
}

#[cfg(test)]
mod tests {
    use super::super::hypotheses::{Given, explain};
    use super::super::outcome::Kind;
    use super::super::regression_rows::Mean;
    use super::super::segmentation::Past;
    use super::*;

    /// What is put in without scatter comes out, whichever of the station and the movement comes first, correlated or not, beside a
    /// bad lot or not.
    #[test]
    fn level_offset_and_movement_come_out_as_put_in() {
        for (correlation, station, since, kind) in [
            (0.0, 9, 5, Kind::Ramp),
            (0.6, 9, 5, Kind::Ramp),
            (0.6, 5, 9, Kind::Ramp),
            (0.6, 9, 9, Kind::Ramp),
            (0.0, 5, 9, Kind::Step),
            (0.6, 9, 5, Kind::Step),
        ] {
            let means: Vec<Mean> = (0..16)
                .map(|k: usize| {
                    let moved = match kind {
                        Kind::Ramp => 0.7 * (k + 1).saturating_sub(since) as f64,
                        _ => {
                            if k >= since {
                                0.7
                            } else {
                                0.0
                            }
                        }
                    };
                    let y = 2.0 + moved + if k >= station { -1.5 } else { 0.0 };
                    Mean {
                        x: k as f64 - 15.0,
                        y: if k == 12 { 40.0 } else { y },
                        weight: 1.0 + 0.1 * (k % 3) as f64,
                    }
                })
                .collect();
            let is_bad: Vec<bool> = (0..16).map(|k| k == 12).collect();
            let rows = Rows::new(&means, &is_bad, correlation);
            let given = Given {
                correlation,
                set: 0,
                bad_lots: 1.0,
                prior: 0.0,
                rounding: 1e-12,
                station: Some(station),
            };
            let mut all = Vec::new();
            explain(&rows, &[Past::none()], &given, &mut all);
            let found =
                all.iter().find(|e| e.kind == kind && e.since == since && e.beside.is_some()).unwrap();
            let size = if kind == Kind::Ramp { 0.7 * (16 - since) as f64 } else { 0.7 };
            let before = found.beside.unwrap();
            assert!((found.size - size).abs() < 1e-6, "{found:?}");
            assert!(
                (found.level - (0.5 + size)).abs() < 1e-6 && (before.level - (2.0 + size)).abs() < 1e-6,
                "{found:?}"
            );
            assert!((found.at(0, -15.0) - 2.0).abs() < 1e-6 && found.size_variance < 1e-9, "{found:?}");
        }
    }
}
