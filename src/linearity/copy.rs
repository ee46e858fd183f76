//! Whether a sweep is a copy of another one: the same numbers wherever both have any, though rows be missing, frequencies be printed in
//! fewer digits, or one file be rounded more coarsely than the other.
//!
//! Equal digits are a copy only where chance cannot make them. Two sweeps whose samples scatter by `sigma` differ by 1.13 sigma on average
//! (mean of a normal difference, 2 sigma / sqrt pi), so that rounding to a step tells them apart in so many steps' parts of the samples
//! (the coarser of both steps counts). What a sweep's own samples scatter by is seen in their differences of a high order, of which a
//! smooth curve leaves next to nothing; between two copies a comparison would see none.

use crate::analysed::Analysed;
use crate::curve::{Curve, wrap};
use crate::noise::is_coarse;
use std::f64::consts::PI;

/// Rounding that is left of equal numbers, neper and rad.
const ROUNDING: f64 = 1e-12;
/// Largest distance, ln f, of a frequency from the same in 5 digits, which is at most 5e-5.
const SAME_PLACE: f64 = 5.1e-5;
/// Fewest common samples, and the least part of those of the shorter sweep (conventions, no source, as all below without one).
const FEWEST: usize = 8;
const LEAST_PART: f64 = 0.5;
/// A step that is this much finer than the other one was there before the values were rounded to the other.
const FINER: f64 = 0.2;
/// Scatter of a sample that any receiver has, neper and rad (common practice, no source: -100 dB of the signal).
const LEAST_SCATTER: f64 = 1e-5;
/// What chance must not make, as an exponent of e. More than enough, because the scatter is read up to some three times too large where
/// few points carry a resonance, and is at a part of the samples less than its median.
const CHANCE: f64 = 24.0;
/// Part of the samples that may have been edited where all others are equal although they scatter by a step of their digits and more.
const EDITED: usize = 20;
/// Fewest common samples by which that is told, and the digits up to which a difference is that of the last one.
const TELLING: usize = 40;
const DIGIT: f64 = 1.1;
/// Change of neighbouring steps up to which they are even, as a part of both: that of frequencies in 5 digits.
const EVEN: f64 = 1e-3;
/// Orders of the differences that show the scatter, and the median of a normal deviation over its standard deviation (a table's value).
const ORDERS: std::ops::RangeInclusive<usize> = 4..=7;
const MEDIAN: f64 = 0.6745;

/// Whether one of two sweeps is a copy of the other.
pub(super) fn is_copy(weak: &Analysed, strong: &Analysed) -> bool {
    let ([a, p], [b, q]) = (weak.steps, strong.steps);
    let (weak, strong) = (&weak.raw, &strong.raw);
    let (shorter, longer) = (weak.len().min(strong.len()), weak.len().max(strong.len()));
    let most = [tolerance(a, b), tolerance(p, q)];
    let (mut common, mut unequal, mut all_digits) = (0, 0, true);
    let digit = [most[0] + DIGIT * a.max(b), most[1] + DIGIT * p.max(q)];
    for [gain, phase] in differences(weak, strong) {
        common += 1;
        all_digits &= gain.abs() < ROUNDING && phase.abs() < ROUNDING;
        let is_unequal = gain.abs() > most[0] || phase.abs() > most[1];
        unequal += usize::from(is_unequal);
        // Two quiet sweeps of a loop differ here and there by their last digit, as nobody edits.
        let is_by_a_digit = is_unequal && gain.abs() <= digit[0] && phase.abs() <= digit[1];
        // Most sweeps are no copies, and a few samples show it.
        if is_by_a_digit || unequal > shorter / EDITED {
            return false;
        }
    }
    let too_few = common < FEWEST.min(shorter) || (common as f64) < LEAST_PART * shorter as f64;
    if too_few || unequal > common / EDITED || [weak, strong].iter().any(|c| is_coarse(c.ln_mag(), c.angle()))
    {
        return false;
    }
    if common == longer && all_digits {
        return true;
    }
    let gain = (a.max(b), scatter(weak, Curve::ln_mag, a).max(scatter(strong, Curve::ln_mag, b)));
    let phase = (p.max(q), scatter(weak, Curve::angle, p).max(scatter(strong, Curve::angle, q)));
    if unequal > 0 {
        return common >= TELLING
            && [gain, phase].iter().all(|(step, scatter)| *scatter > step.max(LEAST_SCATTER));
    }
    let told_apart = |(step, scatter): (f64, f64)| {
        (2.0 / PI.sqrt() * scatter.max(LEAST_SCATTER) / step.max(ROUNDING)).ln_1p()
    };
    common as f64 * (told_apart(gain) + told_apart(phase)) > CHANCE
}

/// Differences of the samples at frequencies that both have: ln of the magnitude, and phase, rad.
fn differences<'a>(weak: &'a Curve, strong: &'a Curve) -> impl Iterator<Item = [f64; 2]> + 'a {
    let mut others = strong.ln_f().iter().zip(strong.ln_mag()).zip(strong.angle()).peekable();
    let own = weak.ln_f().iter().zip(weak.ln_mag()).zip(weak.angle());
    let mut nearest = others.next();
    own.filter_map(move |((x, a), p)| {
        // The nearest one, not the first that is near: on a dense grid neighbours are nearer than five digits tell.
        let ((mut y, mut b), mut q) = nearest?;
        while let Some(((z, _), _)) = others.peek()
            && (*z - x).abs() <= (y - x).abs()
        {
            nearest = others.next();
            ((y, b), q) = nearest?;
        }
        ((y - x).abs() <= SAME_PLACE).then_some([b - a, wrap(q - p)])
    })
}

/// What equal values differ by where files have these steps.
fn tolerance(one: f64, other: f64) -> f64 {
    let (fine, coarse) = (one.min(other), one.max(other));
    if fine <= FINER * coarse { ROUNDING + 0.5 * (fine + 1.000_001 * coarse) } else { ROUNDING }
}

/// Standard deviation of a sample's own noise beyond twice what rounding to `step` leaves, step / sqrt 12: the least that differences of several orders make of
/// it, from stretches of even steps; 0 where there are too few.
fn scatter(curve: &Curve, values: impl Fn(&Curve) -> &[f64], step: f64) -> f64 {
    let of_order = |order: usize| {
        let windows = curve.ln_f().windows(order + 1).zip(values(curve).windows(order + 1));
        let even = windows.filter(|(x, _)| {
            x.windows(3).all(|x| matches!(x, [a, b, c] if (a - 2.0 * b + c).abs() < EVEN * (c - a)))
        });
        let mut sizes: Vec<f64> = even.map(|(_, y)| high_difference(y).abs()).collect();
        sizes.sort_by(f64::total_cmp);
        let median = sizes.get(sizes.len() / 2).filter(|_| sizes.len() >= FEWEST)?;
        Some(median / MEDIAN)
    };
    let least = ORDERS.filter_map(of_order).reduce(f64::min).unwrap_or(0.0);
    (least * least - step * step / 3.0).max(0.0).sqrt()
}

/// The difference of the highest order of values at even steps, scaled so that it scatters as one of them does.
fn high_difference(values: &[f64]) -> f64 {
    let order = values.len().saturating_sub(1);
    let (mut weight, mut sum, mut squares) = (1.0, 0.0, 0.0);
    for (k, value) in values.iter().enumerate() {
        sum += weight * value;
        squares += weight * weight;
        weight *= -((order - k) as f64) / (k + 1) as f64;
    }
    sum / squares.sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::noise::simulated_noise::{line, resonance, samples};
    use crate::spec::CriticalPoint;
    use crate::sweep::Samples;
    use std::f64::consts::LN_10;

    /// A sweep as rows: Hz, dB, deg.
    type Rows = Vec<[f64; 3]>;

    fn digits(value: f64, step: f64) -> f64 {
        if step == 0.0 { value } else { (value / step).round() * step }
    }

    fn rounded(rows: &Rows, gain: f64, phase: f64) -> Rows {
        rows.iter().map(|&[hz, db, deg]| [hz, digits(db, gain), digits(deg, phase)]).collect()
    }

    fn sweep(rows: &Rows) -> Analysed {
        let mut samples = Samples::default();
        for [hz, db, deg] in rows {
            samples.push(*hz, db * LN_10 / 20.0, deg.to_radians());
        }
        Analysed::of(&samples, CriticalPoint::PlusOne)
    }

    /// A resonance on a line from 100 Hz to 100 kHz, with noise that neighbours share by `shared`.
    fn measured(per_decade: u32, sigma: f64, shared: f64, seed: u64) -> Rows {
        let hz: Vec<f64> =
            (0..=3 * per_decade).map(|k| 100.0 * 10f64.powf(f64::from(k) / f64::from(per_decade))).collect();
        let noise = samples(&hz, &|_| [0.0; 2], &|_| [1.0; 2], seed);
        let (mut a, mut p) = (0.0, 0.0);
        let rows = hz.iter().zip(noise.ln_magnitude()).zip(noise.phase_rad()).enumerate();
        rows.map(|(k, ((hz, own_a), own_p))| {
            let own = if k == 0 { 1.0 } else { (1.0 - shared * shared).sqrt() };
            (a, p) = (shared * a + own * own_a, shared * p + own * own_p);
            let x = (hz / 1e3).ln();
            let ([line_a, line_p], [peak_a, peak_p]) = (line(x), resonance(x - 1.0, 4.0));
            let (ln_mag, angle) = (line_a + peak_a + sigma * a, line_p + peak_p + sigma * p);
            [*hz, ln_mag * 20.0 / LN_10, angle.to_degrees()]
        })
        .collect()
    }

    fn five_digits(hz: f64) -> f64 {
        format!("{hz:.4e}").parse().unwrap()
    }

    #[test]
    fn a_copy_is_told_whatever_was_done_to_its_rows() {
        for (per_decade, sigma) in [(20, 3e-4), (40, 3e-4), (40, 3e-3), (100, 1e-4)] {
            let original = rounded(&measured(per_decade, sigma, 0.0, 5), 1e-4, 1e-3);
            let mut dropped = original.clone();
            dropped.remove(30);
            let half: Rows = original.iter().copied().step_by(2).collect();
            let printed: Rows = original.iter().map(|&[hz, a, p]| [five_digits(hz), a, p]).collect();
            let mut edited = original.clone();
            edited[30][1] += 0.02;
            let cut: Rows = original[5..original.len() - 5].to_vec();
            let coarser = rounded(&original, 0.01, 0.01);
            let coarser_half: Rows = coarser.iter().copied().step_by(2).collect();
            let copies = [&original, &dropped, &half, &printed, &edited, &cut, &coarser, &coarser_half];
            for (which, copy) in copies.into_iter().enumerate() {
                for (weak, strong) in [(&original, copy), (copy, &original)] {
                    assert!(is_copy(&sweep(weak), &sweep(strong)), "{which}: {per_decade} {sigma}");
                }
            }
            // Fewer common rows than eight tell nothing.
            let moved =
                |(k, &[hz, a, p]): (usize, &[f64; 3])| if k < 7 { [hz, a, p] } else { [1.01 * hz, a, p] };
            let few: Rows = original.iter().enumerate().map(moved).collect();
            assert!(!is_copy(&sweep(&original), &sweep(&few)));
        }
    }

    /// Of 60 rows three may be edited, by more than a digit; of fewer than 40 none; half of the frequencies at least must be common.
    #[test]
    fn how_much_may_differ() {
        let rows =
            |count: usize| -> Rows { rounded(&measured(40, 3e-3, 0.0, 5), 0.01, 0.01)[..count].to_vec() };
        let edited = |count: usize, edits: usize, db: f64, deg: f64| {
            let (original, mut other) = (rows(count), rows(count));
            for row in other.iter_mut().skip(5).step_by(7).take(edits) {
                row[1] += db;
                row[2] += deg;
            }
            let (original, other) = (sweep(&original), sweep(&other));
            assert_eq!(is_copy(&original, &other), is_copy(&other, &original));
            is_copy(&original, &other)
        };
        assert!(edited(60, 3, 0.03, 0.0) && !edited(60, 4, 0.03, 0.0));
        assert!(edited(60, 3, 0.0, 0.03) && !edited(60, 4, 0.0, 0.03));
        assert!(edited(40, 1, 0.03, 0.0) && !edited(39, 1, 0.03, 0.0));
        assert!(edited(39, 0, 0.0, 0.0));
        // A last digit, of either.
        assert!(!edited(60, 1, 0.01, 0.0) && !edited(60, 1, 0.0, 0.01) && !edited(60, 1, 0.01, 0.01));
        let common = |count: usize| {
            let (original, mut other) = (rows(40), rows(40));
            other.iter_mut().skip(count).for_each(|row| row[0] *= 1.01);
            is_copy(&sweep(&original), &sweep(&other))
        };
        assert!(common(20) && !common(19));
    }

    #[test]
    fn steps_tell_what_equal_values_differ_by() {
        for (one, other, wanted) in [
            (0.001, 0.01, 0.0055),
            (0.01, 0.001, 0.0055),
            (0.0, 0.01, 0.005),
            (0.002, 0.01, 0.006),
            (0.003, 0.01, 0.0),
            (0.01, 0.01, 0.0),
        ] {
            assert!((tolerance(one, other) - wanted).abs() < 2e-8, "{one} {other}");
        }
        // 1 - 2 * 2 + 4, over the root of 1 + 4 + 1.
        assert!((high_difference(&[1.0, 2.0, 4.0]) - 1.0 / 6f64.sqrt()).abs() < 1e-15);
        assert!((high_difference(&[1.0, 2.0, 4.0, 9.0]) + 2.0 / 20f64.sqrt()).abs() < 1e-15);
    }

    /// The nearest frequency counts, in five digits.
    #[test]
    fn frequencies_meet_in_five_digits() {
        let of = |weak: &[f64], strong: &[f64]| -> Vec<f64> {
            let rows = |hz: &[f64]| -> Rows {
                hz.iter().map(|hz| [*hz, 20.0 / LN_10 * (hz - 100.0), 0.0]).collect()
            };
            let (weak, strong) = (sweep(&rows(weak)).raw, sweep(&rows(strong)).raw);
            differences(&weak, &strong).map(|[gain, _]| gain).collect()
        };
        let is = |found: Vec<f64>, wanted: &[f64]| {
            assert_eq!(found.len(), wanted.len(), "{found:?}");
            found.iter().zip(wanted).for_each(|(a, b)| assert!((a - b).abs() < 1e-9, "{found:?}"));
        };
        is(of(&[100.0, 200.0, 300.0], &[100.0, 200.009, 300.0]), &[0.0, 0.009, 0.0]);
        is(of(&[100.0, 200.0, 300.0], &[100.0, 200.02, 300.0]), &[0.0, 0.0]);
        is(of(&[100.0, 200.0], &[50.0, 99.9, 200.0, 300.0]), &[0.0]);
        // A grid denser than five digits: the one that is missing takes its neighbour, and the others their own.
        is(of(&[100.0, 100.004, 100.008], &[100.004, 100.008]), &[0.004, 0.0, 0.0]);
    }

    /// Steps of gain and phase, dB and deg, of the one and the other file of a pair.
    const DIGITS: [[[f64; 2]; 2]; 5] =
        [[[0.01, 0.01]; 2], [[0.1, 0.1]; 2], [[0.01, 0.01], [1e-4, 1e-3]], [[0.01, 0.1]; 2], [[0.0; 2]; 2]];

    /// Twelve hundred pairs of sound sweeps, each with all rows and with every second one of the stronger: no chance makes one a copy.
    /// Where a quiet loop gives the same digits in all rows, nothing tells it from a copy: few of the quietest do.
    #[test]
    fn sound_pairs_are_no_copies() {
        let (mut count, mut same) = (0, 0);
        for sigma in [1e-5, 1e-4, 1e-3, 1e-2] {
            for (shared, per_decade) in [(0.0, 20), (0.0, 40), (0.8, 20), (0.8, 40)] {
                for [own, others] in DIGITS {
                    for seed in (0..30).step_by(2) {
                        let one = rounded(&measured(per_decade, sigma, shared, seed), own[0], own[1]);
                        let other =
                            rounded(&measured(per_decade, sigma, shared, seed + 1), others[0], others[1]);
                        let half: Rows = other.iter().copied().step_by(2).collect();
                        let case = format!("{sigma} {shared} {per_decade} {own:?} {others:?} {seed}");
                        let (weak, digits_alike) = (sweep(&one), one == other);
                        assert!(!is_copy(&weak, &sweep(&half)), "half of {case}");
                        assert!(digits_alike || !is_copy(&weak, &sweep(&other)), "{case}");
                        assert!(!digits_alike || sigma < 1e-4 || own[1] > 0.05, "{case}");
                        same += usize::from(digits_alike);
                        count += 1;
                    }
                }
            }
        }
        assert!(count == 1_200 && same < 120, "{count} {same}");
    }

    /// White noise of a known size on a smooth curve is read as that; digits are no scatter.
    #[test]
    fn scatter_is_that_of_the_samples() {
        for sigma in [1e-4, 1e-3] {
            let read = scatter(&sweep(&measured(40, sigma, 0.0, 3)).raw, Curve::ln_mag, 0.0);
            assert!((read / sigma - 1.0).abs() < 0.35, "{read} {sigma}");
        }
        let quiet = rounded(&measured(40, 0.0, 0.0, 3), 0.01, 0.01);
        let step = 0.01 * LN_10 / 20.0;
        assert!(scatter(&sweep(&quiet).raw, Curve::ln_mag, step) < 0.3 * step);
    }
}
