//! Phase crossovers that the curve does not show and that there may be: the gain margin is then no more than a bound.

use crate::analysed::Analysed;
use crate::curve::{Point, Span, wrap};
use crate::margins::{Located, attenuation};
use crate::uncertainty::Chain;
use std::f64::consts::LN_10;

/// Standard deviations by which a sample must lie beyond the ray to have crossed it.
const CROSSED: f64 = 3.0;
/// Coverage factor of the noise and of the interpolation's error.
const COVERED: f64 = 2.0;
/// Phase from point to point, rad, beyond which the curve between them is a guess.
const GUESS: f64 = std::f64::consts::FRAC_PI_2;
/// Noise of a sample, rad, from which on such a step may be noise.
const NOISY: f64 = 0.1;

/// A place below 0 dB where the phase may meet the ray although the curve does not: ln f.
pub(super) fn hidden_by_points(sweep: &Analysed, span: Span) -> Option<f64> {
    let Analysed { curve, raw, noise, .. } = sweep;
    let share = noise.shares()[1];
    let at = |values: &[f64], i: usize| values.get(i).copied().unwrap_or(0.0);
    let off = |angle: f64| wrap(angle).abs();
    for (i, &x) in curve.ln_f().iter().enumerate() {
        if !span.holds(x) || at(curve.ln_mag(), i) >= 0.0 {
            continue;
        }
        let (smooth, own) = (at(curve.angle(), i), at(raw.angle(), i));
        let (fit, sigma) = (share * at(noise.fit(), i), share * at(noise.sigma(), i));
        let beyond = (wrap(own) > 0.0) != (wrap(smooth) > 0.0) && off(own) < GUESS;
        let crossed = beyond && off(own) > CROSSED * sigma;
        let within_noise = fit > 0.0 && off(smooth) < COVERED * fit;
        let between = curve.ln_f().get(i + 1).filter(|next| span.holds(**next)).is_some_and(|next| {
            let middle = 0.5 * (x + next);
            let error = COVERED * curve.interpolation_error(middle).angle;
            let step = (at(raw.angle(), i + 1) - own).abs();
            (step > GUESS && sigma < NOISY) || off(curve.at(middle).angle) < error
        });
        if crossed || within_noise || between {
            return Some(x);
        }
    }
    let mut between = sweep.sharp_in(span).filter(|sharp| sharp.ln_mag < 0.0 && off(sharp.angle) < GUESS);
    between
        .find(|sharp| (wrap(sharp.angle) > 0.0) != (wrap(curve.at(sharp.ln_f).angle) > 0.0))
        .map(|sharp| sharp.ln_f)
}

/// Where the chain's errors (coverage factor 2) let the phase meet the ray and the curve does not meet it: the smallest attenuation, dB,
/// that a gain margin may have there, where it is less than `than`.
pub(super) fn hidden_by_chain(sweep: &Analysed, chain: &Chain, span: Span, than: f64) -> Option<Located> {
    if *chain == Chain::default() {
        return None;
    }
    let (curve, phase) = (&sweep.curve, &sweep.crossings.phase);
    let least = -than / 20.0 * LN_10;
    let room = |point: &Point| wrap(point.angle).abs() - COVERED * chain.errors(point)[1];
    // No error is larger than that of the least gain at the highest frequency: most samples need no closer look.
    let farthest =
        Point { ln_f: span.to, ln_mag: least, angle: std::f64::consts::PI, mag_slope: 0.0, angle_slope: 0.0 };
    let most = COVERED * chain.errors(&farthest)[1];
    let (x, ln_mag, angle) = (curve.ln_f(), curve.ln_mag(), curve.angle());
    let is_near = |i: usize| -> bool {
        let (Some(x), Some(a), Some(p)) = (x.get(i), ln_mag.get(i), angle.get(i)) else { return false };
        *a < 0.0 && *a > least && span.holds(*x) && wrap(*p).abs() < most && room(&curve.sample(i)) < 0.0
    };
    let mut found: Option<Located> = None;
    let mut i = 0;
    while i < curve.len() {
        let count = (i..curve.len()).take_while(|k| is_near(*k)).count();
        if count == 0 {
            i += 1;
            continue;
        }
        // The curve beside the stretch, as far as it is judged.
        let from = i.checked_sub(1).and_then(|k| x.get(k)).map_or(span.from, |x| x.max(span.from));
        let to = x.get(i + count).map_or(span.to, |x| x.min(span.to));
        if !phase.iter().any(|c| (from..=to).contains(&c.point.ln_f)) {
            let edges = [(from, i), (to, i + count - 1)]
                .map(|(outside, k)| edge(&curve.at(outside), &curve.sample(k), &room));
            let inside = (i..i + count).map(|k| curve.sample(k));
            let places = inside.chain(edges.into_iter().flatten().map(|ln_f| curve.at(ln_f)));
            let nearest = places.filter(|p| p.ln_mag < 0.0).max_by(|a, b| a.ln_mag.total_cmp(&b.ln_mag));
            found =
                found.into_iter().chain(nearest.map(attenuation)).min_by(|a, b| a.value.total_cmp(&b.value));
        }
        i += count;
    }
    found.filter(|found| found.value < than)
}

/// Where the room between two places is used up, on the straight line: ln f.
fn edge(outside: &Point, inside: &Point, room: &impl Fn(&Point) -> f64) -> Option<f64> {
    let (out, own) = (room(outside), room(inside));
    (out > 0.0 && own < 0.0).then(|| outside.ln_f + (inside.ln_f - outside.ln_f) * out / (out - own))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::noise::simulated_noise::sweep as simulated;
    use crate::spec::CriticalPoint;
    use crate::sweep::Samples;

    /// 20 dB a decade through 0 dB at 1 kHz; the angle from the critical point falls on a straight line over ln f to `end` degrees at
    /// 1 MHz, by 20 degrees a decade. 40 points a decade.
    fn sweep(end: f64) -> Analysed {
        let mut samples = Samples::default();
        for k in 0..=160 {
            let hz = 100.0 * 10f64.powf(f64::from(k) / 40.0);
            samples.push(hz, (1e3 / hz).ln(), (end + 20.0 * (1e6 / hz).log10()).to_radians());
        }
        Analysed::of(&samples, CriticalPoint::PlusOne)
    }

    fn bound(end: f64, chain: &Chain, than: f64) -> Option<f64> {
        let sweep = sweep(end);
        hidden_by_chain(&sweep, chain, sweep.curve.span(), than).map(|located| located.value)
    }

    /// At `end` degrees above the ray, 20 degrees a decade, the phase comes within 2 u (1.1547 times the half-width) of the ray at
    /// (1.1547 - end) / 20 decades before the end, where the attenuation is that many times 20 dB less than 60 dB.
    #[test]
    fn the_bound_is_where_the_chain_may_bring_the_phase_to_the_ray() {
        let chain = Chain { phase_rad: 1f64.to_radians(), ..Chain::default() };
        let wanted = 60.0 - (2.0 / 3f64.sqrt() - 0.5);
        assert!((bound(0.5, &chain, 60.0).unwrap() - wanted).abs() < 0.01);
        assert_eq!(bound(2.0, &chain, 60.0), None);
        assert_eq!(bound(0.5, &Chain::default(), 60.0), None);
        assert_eq!(bound(0.5, &chain, 30.0), None);
        // 1 us is 2 pi rad at 1 MHz; a tenth of a nanosecond 0.036 deg.
        let delay = |delay_s: f64| bound(1.0, &Chain { delay_s, ..Chain::default() }, 60.0);
        assert!(delay(1e-8).unwrap() < 58.0 && delay(1e-10).is_none());
    }

    #[test]
    fn about_a_crossover_that_is_seen_nothing_is_hidden() {
        let chain = Chain { phase_rad: 1f64.to_radians(), ..Chain::default() };
        // The ray is met half a decade before the end, at 50 dB.
        assert_eq!(bound(-10.0, &chain, 50.0), None);
        assert_eq!(bound(-10.0, &chain, 60.0), None);
    }

    /// 20 dB a decade through 0 dB at 1 kHz with an angle of its own, and normal noise of this standard deviation in both parts.
    fn with_angle(angle: &dyn Fn(f64) -> f64, noise: f64) -> Analysed {
        let hz: Vec<f64> = (0..=160).map(|k| 100.0 * 10f64.powf(f64::from(k) / 40.0)).collect();
        simulated(&hz, &|x| [-x, angle(x)], &|_| [noise; 2], 3)
    }

    #[test]
    fn a_phase_within_its_noise_of_the_ray_leaves_room() {
        // 0.04 rad above the ray from 10 kHz on, 1 rad below 1 kHz; x is ln(f / 1 kHz).
        let near = |x: f64| 0.04 + 0.96 * (-3.0 * x.max(0.0)).exp();
        let place = |noise: f64| {
            let sweep = with_angle(&near, noise);
            hidden_by_points(&sweep, sweep.curve.span())
        };
        assert!(place(0.1).is_some_and(|ln_f| ln_f > 1e3f64.ln() + 0.5), "{:?}", place(0.1));
        assert_eq!(place(0.001), None);
        let clear = with_angle(&|_| 1.0, 0.1);
        assert_eq!(hidden_by_points(&clear, clear.curve.span()), None);
    }

    #[test]
    fn a_phase_that_turns_too_far_between_two_points_leaves_room_below_0_db_only() {
        // From 2.9 to 1.2 rad between two points: where the gain is below 0 dB a crossover may lie between.
        let turn = |at: f64| {
            let sweep = with_angle(&|x| if x < at { 2.9 } else { 1.2 }, 0.0);
            hidden_by_points(&sweep, sweep.curve.span())
        };
        let place = turn(2.3).map(f64::exp).unwrap();
        assert!((9e3..1e4).contains(&place), "{place}");
        assert_eq!(turn(-1.0), None);
        // A smaller step, 1.0 rad, tells its way.
        let sweep = with_angle(&|x| if x < 2.3 { 2.9 } else { 1.9 }, 0.0);
        assert_eq!(hidden_by_points(&sweep, sweep.curve.span()), None);
    }
}
