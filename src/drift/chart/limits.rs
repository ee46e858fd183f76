//! Limits of the change-point chart: ln of the odds of a change beyond which it signals.
//!
//! Found by simulation of independent normal means, so that at every monitored group the same share of the charts in control
//! that have not signalled yet signals: a constant hazard, over 20 groups as over 200. Rare signals are simulated where they
//! are frequent, with a change, and weighed by the exact likelihood ratio of what the chart sees (importance sampling; D.
//! Siegmund, Annals of Statistics 4, 1976; from memory). One entry's standard error is some 0.05, at 1e-5 and below 0.1.
//! Between setups, groups and targets the logarithm is interpolated. Odds are bounded where groups are few: what two setup
//! groups cannot tell apart never signals. `simulate learning` holds the rates that come out to what is asked for. The say of
//! later groups in the correlation adds to them: 5 to 6 % instead of 5 from eight setup groups on, 7 to 8 % of two or three.

use super::HORIZON;

/// Setup groups of the table's blocks; more than the last change the limits less than their own error.
const SETUPS: [f64; 8] = [2.0, 3.0, 4.0, 5.0, 8.0, 12.0, 20.0, 40.0];
/// Monitored groups of the rows of a block; there are no more after the last, where the limit hardly moves.
const MONITORED: [f64; 11] = [1.0, 2.0, 3.0, 4.0, 6.0, 8.0, 12.0, 16.0, 24.0, 40.0, 60.0];
/// Chances of a signal within [`HORIZON`] groups, of the columns.
const TARGETS: [f64; 7] = [0.2, 0.05, 0.01, 1e-3, 1e-4, 1e-5, 1e-6];
/// Smallest chance that is told apart.
pub(super) const LEAST_CHANCE: f64 = 1e-6;

/// ln of the chance of a signal at one group that gives a chance over [`HORIZON`].
fn ln_hazard(target: f64) -> f64 {
    (-((-target).ln_1p() / HORIZON as f64).exp_m1()).ln()
}

/// Place in a rising list: index below, and the share of the way to the next.
fn place(list: &[f64], value: f64) -> (usize, f64) {
    let above = list.iter().position(|own| *own > value).unwrap_or(list.len());
    let below = above.saturating_sub(1).min(list.len().saturating_sub(2));
    let (Some(a), Some(b)) = (list.get(below), list.get(below + 1)) else { return (0, 0.0) };
    (below, ((value / a).ln() / (b / a).ln()).clamp(0.0, 1.0))
}

/// The limits of a setup and a monitored group, column by column.
fn row(setup: usize, monitored: usize) -> [f64; 7] {
    let (block, right) = place(&SETUPS, setup as f64);
    let (line, down) = place(&MONITORED, monitored as f64);
    let at = |block: usize, line: usize, column: usize| {
        LIMITS.get(block).and_then(|block| block.get(line)?.get(column)).copied().unwrap_or(f64::INFINITY)
    };
    std::array::from_fn(|column| {
        let in_block = |block| (1.0 - down) * at(block, line, column) + down * at(block, line + 1, column);
        (1.0 - right) * in_block(block) + right * in_block(block + 1)
    })
}

/// ln of the odds beyond which the chart signals at a monitored group, counted from 1, for a chance `target` of any signal within
/// [`HORIZON`] groups in control.
pub(super) fn ln_limit(setup: usize, monitored: usize, target: f64) -> f64 {
    let (row, hazard) = (row(setup, monitored), ln_hazard(target.max(LEAST_CHANCE)));
    let columns: Vec<(f64, f64)> = TARGETS.iter().map(|target| ln_hazard(*target)).zip(row).collect();
    interpolated(&columns, hazard)
}

/// Chance that a chart in control comes as far within [`HORIZON`] groups; at least [`LEAST_CHANCE`].
pub(super) fn chance(setup: usize, monitored: usize, ln_odds: f64) -> f64 {
    let row = row(setup, monitored);
    let columns: Vec<(f64, f64)> =
        row.into_iter().zip(TARGETS.iter().map(|target| ln_hazard(*target))).collect();
    let hazard = interpolated(&columns, ln_odds).min(-1e-9).exp();
    (-(HORIZON as f64 * (-hazard).ln_1p()).exp_m1()).max(LEAST_CHANCE)
}

/// Through points in a falling or rising order, straight between and beyond them.
fn interpolated(points: &[(f64, f64)], x: f64) -> f64 {
    let is_rising = points.first().zip(points.last()).is_some_and(|(first, last)| first.0 < last.0);
    let before = |own: f64| if is_rising { own <= x } else { own >= x };
    let passed = points.iter().take_while(|(own, _)| before(*own)).count();
    let from = passed.saturating_sub(1).min(points.len().saturating_sub(2));
    match (points.get(from), points.get(from + 1)) {
        (Some((x0, y0)), Some((x1, y1))) => y0 + (y1 - y0) * (x - x0) / (x1 - x0),
        _ => f64::INFINITY,
    }
}

/// By setup, monitored group and target.
#[rustfmt::skip]
#[expect(clippy::approx_constant, reason = "numbers that came out, no constants")]
const LIMITS: [[[f64; 7]; 11]; 8] = [
    [
        [0.27437, 0.27537, 0.27637, 0.27737, 0.27837, 0.27937, 0.28037],
        [1.07970, 1.10594, 1.11244, 1.11385, 1.11485, 1.11585, 1.11685],
        [1.61382, 1.68371, 1.72237, 1.74524, 1.75139, 1.75239, 1.75339],
        [1.99441, 2.11900, 2.22051, 2.31758, 2.35998, 2.37619, 2.38072],
        [2.54761, 2.75475, 2.95634, 3.19583, 3.39228, 3.52446, 3.61772],
        [2.92240, 3.24415, 3.50911, 3.85618, 4.17306, 4.42933, 4.64843],
        [3.30461, 3.84758, 4.30579, 4.80636, 5.28497, 5.66737, 6.00832],
        [3.60476, 4.32526, 5.02282, 5.76466, 6.43775, 7.09673, 7.55604],
        [3.85080, 4.75968, 5.72256, 6.92295, 7.92485, 8.84670, 9.46647],
        [4.08609, 5.09697, 6.29660, 8.04171, 9.55949, 11.05750, 12.25651],
        [4.14218, 5.26402, 6.56401, 8.49175, 10.39695, 11.97255, 13.64341],
    ],
    [
        [0.57461, 0.59838, 0.60430, 0.60558, 0.60658, 0.60758, 0.60858],
        [1.31883, 1.42681, 1.49062, 1.52232, 1.52841, 1.52941, 1.53041],
        [1.80517, 1.95544, 2.08231, 2.18115, 2.22234, 2.24752, 2.25197],
        [2.16211, 2.34544, 2.52726, 2.72308, 2.85141, 2.91495, 2.94302],
        [2.65193, 2.93098, 3.18134, 3.51155, 3.78298, 4.00103, 4.15579],
        [2.98208, 3.40392, 3.72635, 4.15183, 4.48357, 4.77265, 5.01991],
        [3.33157, 3.94767, 4.49241, 5.05009, 5.58025, 6.00430, 6.42181],
        [3.59546, 4.39044, 5.17212, 6.02519, 6.67575, 7.26380, 7.98703],
        [3.83301, 4.78281, 5.76853, 6.98073, 8.06175, 8.96905, 9.77909],
        [4.09887, 5.11538, 6.36133, 8.06373, 9.64932, 11.05291, 12.14351],
        [4.12436, 5.24967, 6.54358, 8.46793, 10.36105, 12.07262, 13.64800],
    ],
    [
        [0.78667, 0.89534, 0.94231, 0.96184, 0.96632, 0.96732, 0.96832],
        [1.48739, 1.66274, 1.82810, 1.94772, 1.99760, 2.01536, 2.02025],
        [1.93393, 2.16505, 2.36323, 2.58031, 2.72328, 2.80466, 2.84015],
        [2.24219, 2.52584, 2.76731, 3.05139, 3.29402, 3.45345, 3.53119],
        [2.72931, 3.09762, 3.39191, 3.77584, 4.13270, 4.38276, 4.62967],
        [3.03915, 3.52490, 3.92786, 4.38674, 4.78547, 5.14973, 5.43808],
        [3.34942, 4.02261, 4.62131, 5.28028, 5.83431, 6.29537, 6.64894],
        [3.59436, 4.44743, 5.25073, 6.14502, 6.95888, 7.61108, 8.07243],
        [3.83006, 4.81954, 5.86158, 7.13877, 8.26034, 9.10184, 9.96654],
        [4.06687, 5.14032, 6.40895, 8.11814, 9.73499, 11.08284, 12.47559],
        [4.15544, 5.22490, 6.58593, 8.54364, 10.40140, 11.95234, 13.83306],
    ],
    [
        [0.93, 1.12, 1.24, 1.32, 1.35, 1.35, 1.36],
        [1.59, 1.84, 2.07, 2.32, 2.48, 2.54, 2.57],
        [2.01, 2.31, 2.60, 2.91, 3.15, 3.32, 3.42],
        [2.32, 2.67, 2.98, 3.34, 3.66, 3.89, 4.08],
        [2.78, 3.21, 3.59, 4.01, 4.44, 4.74, 5.00],
        [3.07, 3.61, 4.10, 4.61, 5.05, 5.56, 5.76],
        [3.38, 4.11, 4.78, 5.48, 6.05, 6.62, 7.05],
        [3.62, 4.48, 5.33, 6.32, 7.12, 7.78, 8.31],
        [3.81, 4.79, 5.86, 7.21, 8.39, 9.30, 10.09],
        [4.07, 5.13, 6.34, 8.11, 9.75, 11.30, 12.54],
        [4.09, 5.16, 6.57, 8.47, 10.42, 12.11, 13.74],
    ],
    [
        [1.08, 1.47, 1.79, 2.14, 2.40, 2.59, 2.67],
        [1.75, 2.18, 2.53, 3.05, 3.46, 3.85, 4.17],
        [2.18, 2.63, 3.02, 3.58, 4.03, 4.40, 4.76],
        [2.47, 2.97, 3.41, 3.98, 4.44, 4.87, 5.21],
        [2.87, 3.49, 4.04, 4.62, 5.26, 5.64, 6.03],
        [3.12, 3.81, 4.48, 5.24, 5.86, 6.33, 6.75],
        [3.40, 4.24, 5.03, 6.01, 6.76, 7.38, 7.96],
        [3.63, 4.55, 5.49, 6.68, 7.62, 8.48, 9.26],
        [3.83, 4.82, 5.97, 7.43, 8.77, 9.84, 10.79],
        [4.08, 5.13, 6.41, 8.22, 9.90, 11.39, 12.89],
        [4.14, 5.24, 6.59, 8.52, 10.46, 12.28, 13.97],
    ],
    [
        [1.16, 1.64, 2.12, 2.65, 3.21, 3.81, 4.21],
        [1.85, 2.36, 2.87, 3.55, 4.15, 4.87, 5.27],
        [2.26, 2.82, 3.41, 4.09, 4.73, 5.28, 5.81],
        [2.53, 3.18, 3.81, 4.54, 5.17, 5.73, 6.32],
        [2.93, 3.63, 4.40, 5.24, 5.92, 6.65, 7.14],
        [3.14, 3.94, 4.79, 5.77, 6.56, 7.42, 7.90],
        [3.40, 4.29, 5.28, 6.43, 7.33, 8.14, 8.80],
        [3.61, 4.57, 5.69, 7.02, 8.17, 9.12, 9.98],
        [3.82, 4.85, 6.06, 7.62, 9.08, 10.36, 11.30],
        [4.07, 5.14, 6.42, 8.25, 10.05, 11.68, 13.21],
        [4.13, 5.22, 6.58, 8.56, 10.50, 12.40, 14.22],
    ],
    [
        [1.23, 1.77, 2.34, 3.08, 3.79, 4.62, 5.20],
        [1.90, 2.56, 3.23, 4.16, 4.99, 5.83, 6.85],
        [2.33, 3.11, 3.77, 4.78, 5.71, 6.45, 7.27],
        [2.61, 3.37, 4.17, 5.28, 6.13, 7.04, 7.72],
        [2.96, 3.81, 4.76, 6.00, 6.96, 7.87, 8.64],
        [3.18, 4.10, 5.10, 6.43, 7.42, 8.47, 9.27],
        [3.45, 4.41, 5.48, 6.93, 8.17, 9.36, 10.24],
        [3.64, 4.68, 5.80, 7.37, 8.83, 10.15, 11.18],
        [3.85, 4.92, 6.16, 7.84, 9.51, 10.86, 12.19],
        [4.06, 5.13, 6.47, 8.33, 10.26, 12.05, 13.65],
        [4.12, 5.28, 6.58, 8.65, 10.57, 12.49, 14.39],
    ],
    [
        [1.25, 1.88, 2.51, 3.38, 4.29, 5.09, 5.84],
        [2.00, 2.68, 3.45, 4.61, 5.78, 6.93, 7.97],
        [2.36, 3.16, 4.05, 5.41, 6.56, 7.80, 8.83],
        [2.66, 3.53, 4.50, 6.00, 7.15, 8.42, 9.67],
        [3.01, 3.87, 5.01, 6.51, 7.90, 9.34, 10.52],
        [3.23, 4.24, 5.36, 6.96, 8.50, 9.89, 11.11],
        [3.44, 4.49, 5.70, 7.46, 9.07, 10.65, 11.94],
        [3.66, 4.71, 6.01, 7.79, 9.46, 11.17, 12.63],
        [3.84, 4.92, 6.27, 8.04, 9.93, 11.74, 13.40],
        [4.08, 5.19, 6.54, 8.49, 10.55, 12.46, 14.34],
        [4.13, 5.23, 6.64, 8.68, 10.74, 12.80, 14.80],
    ],
];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn limits_rise_as_signals_get_rarer_and_chances_come_back() {
        for setup in [2, 3, 6, 8, 30, 100, 1000] {
            for monitored in [1, 2, 5, 20, 60, 5000] {
                let mut before = f64::NEG_INFINITY;
                for target in [0.15, 0.05, 0.02, 1e-3, 3e-4, 1e-5, 1e-6] {
                    let limit = ln_limit(setup, monitored, target);
                    assert!(limit.is_finite() && limit > before, "{setup} {monitored} {target}: {limit}");
                    let back = chance(setup, monitored, limit);
                    assert!((back / target - 1.0).abs() < 1e-6, "{setup} {monitored} {target}: {back}");
                    before = limit;
                }
                assert_eq!(chance(setup, monitored, 1e6), LEAST_CHANCE);
                assert!(chance(setup, monitored, -1e6) <= 1.0);
            }
        }
    }

    /// With a single place of a change the odds are those of one mean against n others, exactly Student's t (any textbook): of
    /// 8 setup groups, chance 0.05 in 20, the two-sided point of t with 7 degrees of freedom at 0.002561 is 4.574 (recomputed).
    #[test]
    fn the_first_limit_is_students_t() {
        let (t, known): (f64, f64) = (4.574, 8.0 / 9.0);
        let shrunk = known / (1.0 + known);
        let squares = t * t / 7.0;
        let odds = 4.0 * ((1.0 + squares) / (1.0 + squares * (1.0 - shrunk))).ln() - 0.5 * (1.0 + known).ln();
        let own = ln_limit(8, 1, 0.05);
        println!("{own} {odds}");
        assert!((own - odds).abs() < 0.1, "{own} {odds}");
    }
}
