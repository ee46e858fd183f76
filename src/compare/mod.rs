//! Two sets of runs side by side: the differences corner by corner, and what is common to all of them. Nothing is accepted, nothing judged.
//!
//! | file | what |
//! | --- | --- |
//! | `taken` | a run as it is compared, and what one side alone has |
//! | `pairs` | which unit of one side belongs to which of the other |
//! | `corner` | the differences at one corner |
//! | `curves` | the curves of a corner on both sides, and their difference over frequency |
//! | `effect` | gain and delay that one corner shows, and their mean over corners |
//! | `resonance` | a resonance that moved |
//! | `common` | what is common to the corners of a product, and what remains |

mod common;
mod corner;
mod curves;
mod effect;
mod pairs;
mod resonance;
mod taken;

pub use common::{Common, Effect, Remains, Said};
pub use corner::{CornerComparison, ValueChange};
pub use curves::{CurvePair, DifferencePoint};
pub use resonance::Moved;
pub use taken::{Alone, OneSide, Taken};

use common::common;
use curves::{Curves, Of, drawn};
use serde::Serialize;
use std::collections::BTreeSet;

/// Corners of a product that keep their curves, those that differ the most: twice as many as a page bears.
const DRAWN: usize = 400;

/// The comparison of a product.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[non_exhaustive]
pub struct ProductComparison {
    /// The product.
    pub product: String,
    /// Coverage factor of every uncertainty here.
    pub coverage: f64,
    /// The corners that both sides have, unit by unit.
    pub corners: Vec<CornerComparison>,
    /// What is common to them; `None` where no corner shows it.
    pub common: Option<Common>,
    /// What one side alone has.
    pub alone: Vec<Alone>,
}

/// Compares two sets of runs, product by product; a difference is the second less the first.
#[must_use]
pub fn compare(a: &[Taken], b: &[Taken]) -> Vec<ProductComparison> {
    let products: BTreeSet<&str> = a.iter().chain(b).map(|taken| taken.unit.product.as_str()).collect();
    products.into_iter().map(|product| of_product(product, a, b)).collect()
}

fn of_product(product: &str, a: &[Taken], b: &[Taken]) -> ProductComparison {
    let own = |side: &'_ [Taken]| -> Vec<usize> {
        (0..side.len()).filter(|i| side.get(*i).is_some_and(|t| t.unit.product == product)).collect()
    };
    let pick = |side: &'_ [Taken], list: &[usize]| -> Vec<Taken> {
        list.iter().filter_map(|i| side.get(*i)).cloned().collect()
    };
    let (a, b) = (pick(a, &own(a)), pick(b, &own(b)));
    let coverage = a.iter().chain(&b).map(|taken| taken.unit.coverage).fold(1.0, f64::max);
    let (pairs, mut alone) = pairs::pairs(&a, &b);
    let (mut corners, mut curves, mut sides) = (Vec::new(), Vec::new(), Vec::new());
    for (one, other) in pairs {
        for corner in &one.unit.corners {
            match other.unit.corners.iter().find(|own| own.name == corner.name) {
                Some(then) => {
                    let pair = Curves::new((one, corner), (other, then));
                    corners.push(corner::compared((one, corner), (other, then), coverage));
                    curves.extend(pair);
                    sides.push(((one, corner), (other, then)));
                }
                None => alone.push(pairs::corner_alone(OneSide::A, one, other, &corner.name)),
            }
        }
        let lacks = |name: &str| one.unit.corners.iter().all(|own| own.name != name);
        let more = other.unit.corners.iter().filter(|own| lacks(&own.name));
        alone.extend(more.map(|own| pairs::corner_alone(OneSide::B, other, one, &own.name)));
    }
    let common = common(&curves, coverage);
    draw(&mut corners, &sides, coverage);
    ProductComparison { product: product.to_owned(), coverage, corners, common, alone }
}

/// Gives the corners that differ the most the curves of their two sides.
fn draw(corners: &mut [CornerComparison], sides: &[(Of<'_>, Of<'_>)], coverage: f64) {
    let mut order: Vec<(&mut CornerComparison, &(Of<'_>, Of<'_>))> = corners.iter_mut().zip(sides).collect();
    order.sort_by(|(one, _), (other, _)| other.most().total_cmp(&one.most()));
    for (corner, (a, b)) in order.into_iter().take(DRAWN) {
        corner.curves = drawn(*a, *b, coverage);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::baseline::{AcceptedCorner, AcceptedUnit, Points, Row};
    use crate::quantity::{Decibel, Degrees, Seconds};
    use crate::spec::{Accuracy, CriticalPoint};
    use crate::sweep::Complex64;
    use crate::uncertainty::Chain;
    use std::f64::consts::TAU;

    /// Resonance of an output filter, Hz, and its quality.
    const FILTER: (f64, f64) = (3e3, 2.5);

    /// Gain, as a factor, delay, s, part by which the filter moves, and a bump of the gain about 20 kHz, dB.
    type Made = (f64, f64, f64, f64);

    fn taken(corners: usize, (factor, delay, moved, bump): Made) -> Taken {
        let row = |crossover: f64, k: u32| {
            let hz = 100.0 * 10f64.powf(f64::from(k) / 60.0);
            let (f0, q) = (FILTER.0 * (1.0 + moved), FILTER.1);
            let x = hz / f0;
            let filter = 1.0 / Complex64::new(1.0 - x * x, x / q);
            // Curves alone are compared: whether this loop is stable does not matter.
            let gain = filter * Complex64::new(0.0, -crossover / hz) * factor;
            let more = bump * (-((hz / 20e3).ln() / 0.3).powi(2)).exp();
            Row {
                hz,
                db: 20.0 * gain.norm().log10() + more,
                deg: 180.0 - (TAU * hz * delay).to_degrees() + gain.arg().to_degrees(),
                noise: Some([0.01, 0.05]),
            }
        };
        let corner = |n: usize| AcceptedCorner {
            name: format!("corner-{n}"),
            conditions: Vec::new(),
            band_hz: None,
            level: None,
            files: Vec::new(),
            crossings: 1,
            values: Vec::new(),
            curve: Points { rows: (0..=180).map(|k| row(10e3 + 2e3 * n as f64, k)).collect() },
        };
        let unit = AcceptedUnit {
            product: "gauge".to_owned(),
            serial: "RG-00042".to_owned(),
            revision: "C".to_owned(),
            firmware: None,
            build: None,
            station: Some("bench-1".to_owned()),
            taken: None,
            tool: String::new(),
            verdict: "pass".to_owned(),
            anyway: None,
            spec_sha256: String::new(),
            critical_point: CriticalPoint::PlusOne,
            open_loop_poles: 0,
            coverage: 2.0,
            accuracy: Accuracy { gain: Decibel::ZERO, phase: Degrees::ZERO, delay: Seconds::ZERO },
            corners: (0..corners).map(corner).collect(),
        };
        Taken { run: "runs/one".to_owned(), unit, without: Vec::new(), chain: Chain::default() }
    }

    fn common_of(made: Made) -> Common {
        let found = compare(&[taken(3, (1.0, 0.0, 0.0, 0.0))], &[taken(3, made)]);
        assert_eq!(found.len(), 1);
        found[0].common.clone().unwrap()
    }

    #[test]
    fn a_flat_gain_and_a_delay_leave_nothing() {
        let found = common_of((1.1, 0.3e-6, 0.0, 0.0));
        let (gain, delay) = (found.gain_db.unwrap(), found.delay_s.unwrap());
        assert_eq!((gain.said, delay.said), (Said::Common, Said::Common));
        assert!((gain.value - 20.0 * 1.1_f64.log10()).abs() < gain.uncertainty.min(0.02), "{gain:?}");
        assert!((delay.value - 0.3e-6).abs() < delay.uncertainty.min(0.02e-6), "{delay:?}");
        assert_eq!((found.resonance, found.remaining_gain_db, found.remaining_phase_deg), (None, None, None));
    }

    #[test]
    fn a_filter_that_moves_is_named_where_it_is() {
        for (by, gain) in [(0.04, 1.0), (-0.03, 1.0), (0.03, 1.12)] {
            let found = common_of((gain, 0.0, by, 0.0));
            let moved = found.resonance.unwrap();
            assert!((moved.at_hz / FILTER.0 - 1.0).abs() < 0.08, "{moved:?}");
            assert!((moved.by / by - 1.0).abs() < 0.15, "{moved:?}");
            assert!((found.gain_db.unwrap().value - 20.0 * gain.log10()).abs() < 0.1, "{found:?}");
        }
    }

    #[test]
    fn what_no_resonance_explains_is_told_by_its_place() {
        let found = common_of((1.0, 0.0, 0.0, 1.5));
        assert_eq!(found.resonance, None);
        let rest = found.remaining_gain_db.unwrap();
        assert!((rest.at_hz / 20e3 - 1.0).abs() < 0.1 && (rest.value - 1.5).abs() < 0.3, "{rest:?}");
        assert_ne!(found.gain_db.unwrap().said, Said::Common);
    }

    #[test]
    fn units_are_matched_by_serial_or_where_each_side_has_one() {
        let named = |serial: &str| {
            let mut own = taken(1, (1.0, 0.0, 0.0, 0.0));
            serial.clone_into(&mut own.unit.serial);
            own
        };
        let of = |a: &[&str], b: &[&str]| {
            let sides = [a, b].map(|list| list.iter().map(|serial| named(serial)).collect::<Vec<_>>());
            let found = compare(&sides[0], &sides[1]).remove(0);
            (found.corners.iter().map(|own| own.serials.concat()).collect::<Vec<_>>(), found.alone.len())
        };
        assert_eq!(of(&["1"], &["2"]), (vec!["12".to_owned()], 0));
        assert_eq!(of(&["1", "2"], &["3", "2"]), (vec!["22".to_owned(), "13".to_owned()], 0));
        assert_eq!(of(&["1", "2"], &["2"]), (vec!["22".to_owned()], 1));
        assert_eq!(of(&["1", "2"], &["3"]), (Vec::new(), 3));
    }
}
