//! Stored curves give back what was measured on the whole ones.

use super::common::loops;
use crate::tool::{Room, demo};
use loopgauge::analysed::Analysed;
use loopgauge::baseline::Points;
use loopgauge::curve::{Curve, Span};
use loopgauge::margins::{Crossings, Method};
use loopgauge::measurand::{Measurand, PerMeasurand};
use loopgauge::quantity::Unit;
use loopgauge::spec::CriticalPoint;
use loopgauge::sweep::Samples;

/// The quantities of a bare curve, in the units of a baseline.
fn measured(curve: &Curve, span: Span) -> PerMeasurand<f64> {
    let mut crossings = Crossings::default();
    crossings.find(curve);
    PerMeasurand::of(|measurand| {
        let method = Method::of(measurand);
        let (located, _) = (method.read)(curve, &crossings, span)?.parts();
        Some(method.scale * located.value)
    })
}

/// A value of the stored curve may differ from the stored value by this part of its standard uncertainty: two corners judged
/// apart by that are the same.
const PART: f64 = 0.2;

/// Through the program and its files: the demo's good boards of every rail.
#[test]
fn stored_curves_of_the_demo_give_their_values_back() {
    let room = Room::empty();
    let base = room.path("base");
    let runs = ["rev-c/RG-00021", "rev-a/RG-00003/river-gauge-5v", "rev-a/RG-00005"]
        .map(|run| format!("demo-data/{run}"));
    demo(&format!("accept {} --baseline {}", runs[..1].join(" "), base.display())).ends(0);
    demo(&format!("accept {} --baseline {}", runs[1..].join(" "), base.display())).ends(0);
    let mut seen = 0;
    for product in room.names("base") {
        for name in room.names(&format!("base/{product}")) {
            let file = format!("base/{product}/{name}");
            let unit =
                loopgauge::baseline::parse(room.read(&file).as_bytes(), &file.as_str().into()).unwrap();
            for corner in &unit.corners {
                let [from, to] = corner.band_hz.unwrap().map(f64::ln);
                let own = measured(&corner.curve.curve(), Span { from, to });
                for measurand in Measurand::ALL {
                    let value = own.get(measurand);
                    let stored = corner.value(measurand);
                    assert_eq!(value.is_some(), stored.is_some(), "{file} {} {measurand:?}", corner.name);
                    let Some((value, stored)) = value.zip(stored) else { continue };
                    seen += 1;
                    let off = (value - stored.value).abs() / stored.u.unwrap();
                    assert!(
                        off < PART,
                        "{file} {} {measurand:?}: {value} {}, {off}",
                        corner.name,
                        stored.value
                    );
                }
            }
        }
    }
    assert!(seen > 150, "{seen}");
}

/// Loops of textbooks and handbooks (sources in `tests/published/margin-cases.json`), without noise: the stored curve tells
/// margins to a fifth of what a good chain leaves open (0.1 dB, 0.5 deg).
#[test]
fn stored_curves_of_published_loops_give_their_values_back() {
    for own in loops() {
        let hz = own.grid(own.least_density().max(40.0), 0.3);
        let gain: Vec<_> = hz.iter().map(|hz| own.gain(*hz)).collect();
        let samples = Samples::from_complex(&hz, &gain).unwrap();
        let sweep = Analysed::of(&samples, CriticalPoint::MinusOne);
        let span = sweep.curve.span();
        let points = Points::of(&sweep, span);
        let curve = points.curve();
        for (x, (a, p)) in sweep.curve.ln_f().iter().zip(sweep.curve.ln_mag().iter().zip(sweep.curve.angle()))
        {
            let point = curve.at(*x);
            let noise = sweep.noise.at(&sweep.curve, *x);
            let db = loopgauge::curve::db(point.ln_mag - a).abs();
            assert!(db <= 0.002_01 + loopgauge::curve::db(noise.ln_mag), "{}: {db} dB", own.id);
            assert!((point.angle - p).abs() <= 0.010_1_f64.to_radians() + noise.angle, "{}", own.id);
        }
        let (full, thin) = (measured(&sweep.curve, span), measured(&curve, span));
        for measurand in Measurand::ALL {
            let (full, thin) = (full.get(measurand), thin.get(measurand));
            assert_eq!(full.is_some(), thin.is_some(), "{} {measurand:?}", own.id);
            let Some((full, thin)) = full.zip(thin) else { continue };
            // Frequencies and times in proportion, the others in their units.
            let (off, most) = match measurand.unit() {
                Unit::Hz => (thin / full - 1.0, 1e-3),
                Unit::S => (thin / full - 1.0, 2e-3),
                Unit::Deg => (thin - full, 0.05),
                Unit::Db => (thin - full, 0.02),
                _ => (thin - full, 1e-3),
            };
            assert!(off.abs() < most, "{} {measurand:?}: {full} {thin}", own.id);
        }
        assert!(
            points.rows.len() < sweep.curve.len(),
            "{}: {} of {}",
            own.id,
            points.rows.len(),
            sweep.curve.len()
        );
    }
}
