//! Each value against closed forms, and against its own sensitivity.

use super::*;
use crate::curve::{Curve, Span};
use crate::spec::CriticalPoint;
use crate::sweep::Samples;

/// A curve through ln of the magnitude and angle as functions of ln(f/Hz), 40 samples a decade from 1 Hz to 100 kHz.
fn curve(shape: impl Fn(f64) -> [f64; 2]) -> Curve {
    let mut samples = Samples::default();
    for k in 0..=200 {
        let ln_f = f64::from(k) / 40.0 * std::f64::consts::LN_10;
        let [ln_mag, angle] = shape(ln_f);
        samples.push(ln_f.exp(), ln_mag, angle);
    }
    let mut curve = Curve::new();
    curve.fill(&samples, CriticalPoint::PlusOne);
    curve
}

/// A loop that is stable for a range of gains only, K (1 + s/z)^2 / (s^3 (1 + s/p)^2): the angle from the critical point rises
/// through 0 with much gain and falls through 0 with little.
fn conditionally_stable(ln_f: f64) -> [f64; 2] {
    let (f, zero, pole) = (ln_f.exp(), 100.0, 4_000.0);
    let part = |corner: f64| [(f / corner).hypot(1.0).ln(), (f / corner).atan()];
    let ([up, lead], [down, lag]) = (part(zero), part(pole));
    // 0 dB at 1 kHz, but for the pole.
    let gain = 1e7f64.ln();
    [gain + 2.0 * up - 3.0 * ln_f - 2.0 * down, 2.0 * lead - 2.0 * lag - std::f64::consts::FRAC_PI_2]
}

fn read(measurand: Measurand, curve: &Curve) -> Located {
    let mut crossings = Crossings::default();
    crossings.find(curve);
    let value = (Method::of(measurand).read)(curve, &crossings, curve.span()).and_then(Value::exact);
    value.unwrap_or_else(|| panic!("no {measurand:?}"))
}

#[test]
fn every_value_moves_as_its_sensitivity_says() {
    for measurand in Measurand::ALL {
        let own = read(measurand, &curve(conditionally_stable)).sensitivity;
        let slope = |step: [f64; 2]| {
            let shifted = |sign: f64| {
                let shape = |x| std::array::from_fn(|i| conditionally_stable(x)[i] + sign * step[i]);
                read(measurand, &curve(shape)).value
            };
            (shifted(1.0) - shifted(-1.0)) / (2.0 * (step[0] + step[1]))
        };
        let largest = own.ln_gain.hypot(own.phase);
        for (stated, seen) in [(own.ln_gain, slope([1e-4, 0.0])), (own.phase, slope([0.0, 1e-4]))] {
            assert!((stated - seen).abs() < 1e-3 * largest, "{measurand:?}: {stated} stated, {seen} seen");
        }
    }
}

/// The two phase crossovers lie where 2 atan(f/z) - 2 atan(f/p) = 90 deg: f^2 - (p - z) f + p z = 0, p - z = 3.9 kHz.
#[test]
fn both_gain_margins_are_those_of_the_closed_form() {
    let root = (3_900f64.powi(2) - 1.6e6).sqrt();
    let curve = curve(conditionally_stable);
    for (measurand, hz, sign) in [
        (Measurand::GainReductionMargin, (3_900.0 - root) / 2.0, 1.0),
        (Measurand::GainMargin, (3_900.0 + root) / 2.0, -1.0),
    ] {
        let own = read(measurand, &curve);
        let wanted = sign * crate::curve::db(conditionally_stable(hz.ln())[0]);
        assert!((own.point.hz() / hz - 1.0).abs() < 1e-5, "{measurand:?}: {} {hz}", own.point.hz());
        assert!(wanted > 10.0 && (own.value - wanted).abs() < 1e-4, "{measurand:?}: {} {wanted}", own.value);
    }
}

#[test]
fn without_a_phase_crossover_the_margin_is_at_least_the_attenuation_at_the_end() {
    let margin = |end: f64| {
        let curve = curve(|_| [end, 1.0]);
        gain_margin(&curve, &Crossings::default(), curve.span())
    };
    let GainMargin::AtLeast(located) = margin(-1.0) else { panic!("{:?}", margin(-1.0)) };
    let decibels = 20.0 / std::f64::consts::LN_10;
    assert!((located.value - decibels).abs() < 1e-9);
    assert!((located.sensitivity.ln_gain + decibels).abs() < 1e-9 && located.sensitivity.phase == 0.0);
    assert_eq!((margin(0.0), margin(1.0)), (GainMargin::Unbounded, GainMargin::Unbounded));
}

/// A crossing at exactly 0 dB is through the critical point: neither a margin above nor one below.
#[test]
fn a_crossing_through_the_critical_point_has_no_gain_margin() {
    let mut crossings = Crossings::default();
    crossings.find(&curve(|x| [100f64.ln() - x, 0.3 * (100f64.ln() - x)]));
    let [crossing] = crossings.phase.as_slice() else { panic!("{crossings:?}") };
    let at = |ln_mag| Crossing { point: Point { ln_mag, ..crossing.point }, ..*crossing };
    assert_eq!((gain_margin_of(&at(0.0)), gain_reduction_margin_of(&at(0.0))), (None, None));
    assert!(gain_margin_of(&at(-0.1)).is_some() && gain_reduction_margin_of(&at(0.1)).is_some());
}

#[test]
fn the_extreme_gain_of_a_band_lies_inside_or_at_an_end() {
    // A wave of one period a decade: 1 at 10^0.25, -1 at 10^0.75 Hz, and again in each decade.
    let curve = curve(|x| [(std::f64::consts::TAU * x / std::f64::consts::LN_10).sin(), 1.0]);
    let of = |from: f64, to: f64, extreme| {
        let span = Span { from: from.ln(), to: to.ln() };
        gain_extreme(&curve, span, extreme)
    };
    let decibels = 20.0 / std::f64::consts::LN_10;
    let cases = [
        (Extreme::Largest, 100.0, 1_000.0, 1.0, 100.0 * 10f64.powf(0.25)),
        (Extreme::Smallest, 100.0, 1_000.0, -1.0, 100.0 * 10f64.powf(0.75)),
        (Extreme::Largest, 330.0, 1_000.0, 0.0, 1_000.0),
        (Extreme::Smallest, 100.0, 300.0, 0.0, 100.0),
    ];
    for (extreme, from, to, wanted, hz) in cases {
        let own = of(from, to, extreme);
        assert!((own.value - decibels * wanted).abs() < 5e-3, "{extreme:?} {from} {to}: {}", own.value);
        assert!((own.point.hz() / hz - 1.0).abs() < 5e-3, "{extreme:?} {from} {to}: {}", own.point.hz());
        assert!((own.sensitivity.ln_gain - decibels).abs() < 1e-9 && own.sensitivity.phase == 0.0);
    }
}
