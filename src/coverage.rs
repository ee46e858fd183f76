//! Whether a sweep covers its band densely enough, and where its points are too far apart to carry a resonance.

mod interpolation;

pub use interpolation::interpolated;

use crate::analysed::{Analysed, Sharp};
use crate::curve::{Curve, Span, db};
use crate::margins::Crossing;
use crate::quantity::with_unit;
use std::f64::consts::LN_10;

/// Slack of the band's ends, relative: rounding of a printed frequency.
const END_SLACK: f64 = 1e-6;
/// Slack of the density: a grid of round numbers.
const DENSITY_SLACK: f64 = 1.02;

/// Why a sweep does not cover its band; `None` when it does.
#[must_use]
pub fn gap(curve: &Curve, band: Span, density: Option<f64>) -> Option<String> {
    let own = curve.span();
    let range = || format!("it reaches from {} to {}", hz(own.from), hz(own.to));
    if own.from > band.from + END_SLACK {
        return Some(format!(
            "the sweep begins above the lower end of the band, {}: {}",
            hz(band.from),
            range()
        ));
    }
    if own.to < band.to - END_SLACK {
        return Some(format!("the sweep ends below the upper end of the band, {}: {}", hz(band.to), range()));
    }
    let density = density?;
    let (width, from, to) = widest(curve, band)?;
    (width > LN_10 / density * DENSITY_SLACK).then(|| {
        format!(
            "from {} to {} there is no point: {:.3} points per decade there, at least {} wanted",
            hz(from),
            hz(to),
            LN_10 / width,
            crate::quantity::number(density, 5)
        )
    })
}

/// Columns of frequency that are in another unit than declared: what they must be multiplied with, and what to say.
const UNITS: [(f64, &str); 6] = [
    (1e3, "the frequency column looks like kHz: declare its unit in `reading`"),
    (
        1e-3,
        "the frequency column is declared 1000 times too large (kHz for Hz, or MHz for kHz): correct its unit in `reading`",
    ),
    (1e6, "the frequency column looks like MHz: declare its unit in `reading`"),
    (
        1e-6,
        "the frequency column is declared a million times too large (MHz for Hz): correct its unit in `reading`",
    ),
    (1.0 / std::f64::consts::TAU, "the frequency column looks like rad/s: export it in Hz (divide by 2 pi)"),
    (std::f64::consts::TAU, "the frequency column looks divided by 2 pi: export it in Hz as measured"),
];

/// What the frequency column seems to be, when the sweep does not reach over the band as it stands but would in another unit.
#[must_use]
pub fn mistaken_unit(curve: &Curve, band: Span) -> Option<&'static str> {
    let own = curve.span();
    let covers = |factor: f64| {
        let shift = factor.ln();
        own.from + shift <= band.from + END_SLACK && own.to + shift >= band.to - END_SLACK
    };
    if covers(1.0) {
        return None;
    }
    // Of several that would do, the one whose ends come nearest to the band's.
    let far =
        |factor: f64| (own.from + factor.ln() - band.from).abs() + (own.to + factor.ln() - band.to).abs();
    let fitting = UNITS.into_iter().filter(|(factor, _)| covers(*factor));
    fitting.min_by(|a, b| far(a.0).total_cmp(&far(b.0))).map(|(_, text)| text)
}

fn hz(ln_f: f64) -> String {
    with_unit(ln_f.exp(), "Hz")
}

/// The widest gap between neighbours inside the band, in ln f, and its ends.
fn widest(curve: &Curve, band: Span) -> Option<(f64, f64, f64)> {
    curve
        .ln_f()
        .windows(2)
        .filter_map(|w| match w {
            [a, b] => Some((a.max(band.from), b.min(band.to))),
            _ => None,
        })
        .filter(|(a, b)| a < b)
        .map(|(a, b)| (b - a, a, b))
        .max_by(|x, y| x.0.total_cmp(&y.0))
}

/// Error of a sample predicted from its four neighbours beyond which the points do not carry the curve, dB.
/// The interpolation between the samples is about 16 times better than this prediction over twice the step.
const LOST_DB: f64 = 1.0;
/// The same for the phase, deg.
const LOST_DEG: f64 = 6.0;
/// Bend between three samples that makes it worth predicting, as a part of the two limits above.
const BEND: f64 = 0.25;
/// Only where the gain is this close to 0 dB do the points carry margins.
const NEAR_DB: f64 = 20.0;
/// What the interpolation may leave open of a phase margin, deg, before it is worth a word.
const OPEN_DEG: f64 = 0.5;

/// A place where the points are too far apart for the curve.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Undersampled {
    /// Frequency, Hz.
    pub at_hz: f64,
    /// Points per decade there.
    pub density: f64,
    /// What the points leave open: gain between neighbours, dB, and phase, deg.
    pub open: (f64, f64),
}

impl Undersampled {
    /// The finding in words.
    #[must_use]
    pub fn text(&self) -> String {
        format!(
            "near {} the points are too far apart for the curve: {:.0} points per decade leave {:.1} dB and {:.1} deg open \
             between neighbours; sweep this range at least 4 times as densely",
            with_unit(self.at_hz, "Hz"),
            self.density,
            self.open.0,
            self.open.1
        )
    }
}

/// The place where the points carry the margins least, when they do not carry them.
#[must_use]
pub fn undersampled(sweep: &Analysed, span: Span) -> Option<Undersampled> {
    lost_sample(&sweep.curve, span).or_else(|| sharp_place(sweep, span)).or_else(|| loose_margin(sweep, span))
}

/// Where a resonance as narrow as the steps leaves the curve most.
fn sharp_place(sweep: &Analysed, span: Span) -> Option<Undersampled> {
    let x = sweep.curve.ln_f();
    let place = |sharp: &Sharp| {
        let i = sweep.curve.interval(sharp.ln_f);
        let open = (db(sharp.open.ln_mag), sharp.open.angle.to_degrees());
        let density = LN_10 / (x.get(i + 1)? - x.get(i)?);
        let size = (open.0 / LOST_DB).max(open.1 / LOST_DEG);
        let near = db(sharp.ln_mag).abs() <= NEAR_DB;
        (near && size > 1.0).then_some((size, Undersampled { at_hz: sharp.ln_f.exp(), density, open }))
    };
    let places = sweep.sharp_in(span).filter_map(place);
    places.max_by(|a, b| a.0.total_cmp(&b.0)).map(|(_, place)| place)
}

/// Where leaving out a sample and predicting it from its neighbours fails most.
fn lost_sample(curve: &Curve, span: Span) -> Option<Undersampled> {
    let (x, a, p) = (curve.ln_f(), curve.ln_mag(), curve.angle());
    let mut worst: Option<(f64, Undersampled)> = None;
    let windows = x.windows(5).zip(a.windows(5)).zip(p.windows(5));
    for ((x, a), p) in windows {
        let (&[x0, x1, x2, x3, x4], &[a0, a1, a2, a3, a4], &[p0, p1, p2, p3, p4]) = (x, a, p) else {
            continue;
        };
        let bend = |u: f64, v: f64, w: f64| (u - 2.0 * v + w).abs();
        let bent = db(bend(a1, a2, a3)) > BEND * LOST_DB || bend(p1, p2, p3).to_degrees() > BEND * LOST_DEG;
        if !bent || db(a2).abs() > NEAR_DB || !span.holds(x2) {
            continue;
        }
        let weights = lagrange([x0, x1, x3, x4], x2);
        let predicted = |v: [f64; 4]| weights.iter().zip(v).map(|(w, v)| w * v).sum::<f64>();
        let gain_db = db(predicted([a0, a1, a3, a4]) - a2).abs();
        let phase_deg = (predicted([p0, p1, p3, p4]) - p2).to_degrees().abs();
        let size = (gain_db / LOST_DB).max(phase_deg / LOST_DEG);
        if size > 1.0 && worst.is_none_or(|(known, _)| size > known) {
            let density = 2.0 * LN_10 / (x3 - x1);
            worst = Some((size, Undersampled { at_hz: x2.exp(), density, open: (gain_db, phase_deg) }));
        }
    }
    worst.map(|(_, place)| place)
}

/// The crossover whose phase margin the interpolation leaves most open, when that is much.
fn loose_margin(sweep: &Analysed, span: Span) -> Option<Undersampled> {
    let curve = &sweep.curve;
    let open = |crossing: &Crossing| {
        let point = crossing.point;
        let error = curve.interpolation_error(point.ln_f);
        let margin = error.angle + (point.angle_slope / point.mag_slope * error.ln_mag).abs();
        let i = curve.interval(point.ln_f);
        let step = curve.ln_f().get(i + 1)? - curve.ln_f().get(i)?;
        let open = (db(error.ln_mag), margin.to_degrees());
        Some(Undersampled { at_hz: point.hz(), density: LN_10 / step, open })
    };
    sweep
        .crossings
        .gain_in(span)
        .filter_map(open)
        .filter(|place| place.open.1 > OPEN_DEG)
        .max_by(|a, b| a.open.1.total_cmp(&b.open.1))
}

/// Weights of Lagrange's interpolation at `x` through four nodes.
fn lagrange(nodes: [f64; 4], x: f64) -> [f64; 4] {
    nodes.map(|own| nodes.iter().filter(|&&n| n != own).map(|n| (x - n) / (own - n)).product())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::spec::CriticalPoint;
    use crate::sweep::Samples;

    fn curve(frequencies: &[f64]) -> Curve {
        let mut samples = Samples::default();
        for &hz in frequencies {
            samples.push(hz, -hz.ln(), 1.5);
        }
        let mut curve = Curve::new();
        curve.fill(&samples, CriticalPoint::PlusOne);
        curve
    }

    fn band(from: f64, to: f64) -> Span {
        Span { from: f64::ln(from), to: f64::ln(to) }
    }

    fn decades(per_decade: f64, count: u32) -> Vec<f64> {
        (0..=count).map(|k| 100.0 * 10f64.powf(f64::from(k) / per_decade)).collect()
    }

    #[test]
    fn ends_have_a_millionth_of_slack() {
        let sweep = curve(&decades(20.0, 60));
        assert_eq!(gap(&sweep, band(100.0, 1e5), None), None);
        assert_eq!(gap(&sweep, band(100.0 * (1.0 - 9e-7), 1e5 * (1.0 + 9e-7)), None), None);
        assert!(gap(&sweep, band(99.9, 1e5), None).unwrap().contains("lower end"));
        assert!(gap(&sweep, band(100.0, 1.001e5), None).unwrap().contains("upper end"));
    }

    #[test]
    fn a_column_in_another_unit_is_named() {
        let scaled = |factor: f64| {
            let frequencies: Vec<f64> = decades(20.0, 60).iter().map(|f| f * factor).collect();
            mistaken_unit(&curve(&frequencies), band(110.0, 0.9e5))
        };
        assert_eq!(scaled(1.0), None);
        assert!(scaled(1e-3).unwrap().contains("kHz"));
        assert!(scaled(1e-6).unwrap().contains("MHz"));
        assert!(scaled(std::f64::consts::TAU).unwrap().contains("rad/s"));
        assert!(scaled(1.0 / std::f64::consts::TAU).unwrap().contains("divided by 2 pi"));
        assert!(scaled(1e3).unwrap().contains("1000 times too large"));
        assert_eq!(scaled(30.0), None);
    }

    #[test]
    fn density_is_that_of_the_widest_gap_inside_the_band() {
        let mut frequencies = decades(15.0, 45);
        assert_eq!(gap(&curve(&frequencies), band(100.0, 1e5), Some(15.0)), None);
        // 2 % of slack: 14.7 points per decade pass for 15, 14.6 do not.
        assert_eq!(gap(&curve(&decades(14.75, 45)), band(100.0, 1e5), Some(15.0)), None);
        assert!(gap(&curve(&decades(14.6, 45)), band(100.0, 1e5), Some(15.0)).is_some());
        frequencies.remove(20);
        assert!(
            gap(&curve(&frequencies), band(100.0, 1e5), Some(15.0)).unwrap().contains("there is no point")
        );
        // The gap lies outside of this band.
        assert_eq!(gap(&curve(&frequencies), band(100.0, 1e3), Some(15.0)), None);
    }

    /// A gain that falls by 20 dB a decade through 0 dB at 10^3.5 Hz; the phase of each frequency, deg.
    fn falling(per_decade: f64, phase_deg: impl Fn(f64) -> f64) -> Samples {
        let mut samples = Samples::default();
        for hz in decades(per_decade, (3.0 * per_decade) as u32) {
            samples.push(hz, 3.5 * LN_10 - hz.ln(), phase_deg(hz).to_radians());
        }
        samples
    }

    #[test]
    fn a_phase_that_the_points_lose_is_told_where_the_gain_is_straight() {
        let crossover = 10f64.powf(3.5);
        let lost = |at: f64, size: f64| {
            let mut curve = Curve::new();
            let phase = |hz: f64| if (hz / at).ln().abs() < 1e-6 { -90.0 + size } else { -90.0 };
            curve.fill(&falling(20.0, phase), CriticalPoint::MinusOne);
            lost_sample(&curve, band(100.0, 1e5))
        };
        // By the definition of the limit: one sample off the line of its neighbours by 6 deg.
        assert_eq!((lost(crossover, 0.0), lost(crossover, 5.9)), (None, None));
        let place = lost(crossover, 6.1).unwrap();
        assert!(
            (place.at_hz / crossover - 1.0).abs() < 1e-9 && (place.density - 20.0).abs() < 1e-9,
            "{place:?}"
        );
        assert!(place.open.0 < 1e-9 && (place.open.1 - 6.1).abs() < 1e-9, "{place:?}");
        // 24 dB away from 0 dB no margin stands on it.
        assert_eq!(lost(100.0 * 10f64.powf(0.3), 20.0), None);
    }

    #[test]
    fn a_margin_is_loose_where_the_phase_turns_between_the_points() {
        let loose = |per_decade: f64, turn: f64| {
            let phase = |hz: f64| -90.0 - turn * (4.0 * (hz.ln() - 3.5 * LN_10 + 0.3)).tanh();
            let sweep = Analysed::of(&falling(per_decade, phase), CriticalPoint::MinusOne);
            loose_margin(&sweep, band(100.0, 1e5))
        };
        assert_eq!((loose(20.0, 0.0), loose(100.0, 40.0)), (None, None));
        let place = loose(7.0, 40.0).unwrap();
        assert!(place.open.1 > OPEN_DEG && (place.density - 7.0).abs() < 1e-9, "{place:?}");
    }

    #[test]
    fn a_gain_that_the_points_lose_is_told_near_0_db() {
        let lost = |at: usize, size: f64| {
            let (mut samples, mut curve) = (Samples::default(), Curve::new());
            for (k, hz) in decades(20.0, 60).into_iter().enumerate() {
                let bump = if k == at { size * LN_10 / 20.0 } else { 0.0 };
                samples.push(hz, 3.5 * LN_10 - hz.ln() + bump, 1.0);
            }
            curve.fill(&samples, CriticalPoint::MinusOne);
            lost_sample(&curve, band(100.0, 1e5))
        };
        // A sample off the line of its neighbours by 1 dB; one of 30 is at 0 dB, one a decade further at -20 dB.
        assert_eq!((lost(30, 0.95), lost(30, -0.95)), (None, None));
        for size in [1.05, -1.05] {
            let place = lost(30, size).unwrap();
            assert!((place.open.0 - 1.05).abs() < 1e-9 && place.open.1 < 1e-9, "{place:?}");
            assert!((place.at_hz / 100.0 / 10f64.powf(1.5) - 1.0).abs() < 1e-9);
        }
        assert!(lost(49, 1.5).is_some());
        assert_eq!(lost(51, -1.5), None);
        // The worst of two counts, whichever comes first.
        for (first, second) in [(7.0, 9.0), (9.0, 7.0)] {
            let mut curve = Curve::new();
            let phase = |hz: f64| {
                let k = (20.0 * (hz / 100.0).log10()).round();
                if k == 25.0 {
                    first
                } else if k == 35.0 {
                    second
                } else {
                    0.0
                }
            };
            curve.fill(&falling(20.0, phase), CriticalPoint::MinusOne);
            let place = lost_sample(&curve, band(100.0, 1e5)).unwrap();
            assert!((place.open.1 - 9.0).abs() < 1e-6, "{place:?}");
        }
    }

    /// A resonance in the middle between two of 30 points a decade, Q of 15: the curve through the points is 3 dB below its peak.
    #[test]
    fn a_peak_between_the_points_is_a_place_where_they_lie_too_far_apart() {
        use crate::noise::simulated_noise::{grid, resonance, sweep};
        let middle = 10f64.powf(1.0 / 60.0);
        let place = |quality: f64, offset_db: f64| {
            let shape = |x: f64| {
                let [gain, phase] = resonance(x - middle.ln(), quality);
                [gain - x + offset_db * LN_10 / 20.0, phase - 1.0]
            };
            sharp_place(&sweep(&grid(30), &shape, &|_| [1e-6; 2], 1), band(100.0, 1e4))
        };
        let found = place(15.0, -20.0).unwrap();
        assert!((found.at_hz / 1e3 / middle - 1.0).abs() < 0.03, "{found:?}");
        assert!((found.density - 30.0).abs() < 1e-6 && found.open.0 > 1.0, "{found:?}");
        // A wide one is carried; one 40 dB below carries no margin.
        assert_eq!((place(2.0, 0.0), place(15.0, -70.0)), (None, None));
    }
}
