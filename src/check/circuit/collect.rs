//! What a corner keeps of its sweep for the fit over all corners.

use crate::analysed::Analysed;
use crate::baseline::{Choice, Points, Reference, Station, choose, mean_curve};
use crate::check::context::Context;
use crate::circuit::fit::{CornerPoints, LoopPoint};
use crate::circuit::places::{Place, places};
use crate::circuit::{CornerChange, Earlier};
use crate::curve::{Curve, LocalError, Span};
use crate::quantity::Condition;
use crate::spec::CriticalPoint;
use std::f64::consts::PI;

/// A corner for the fit.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct CornerLoop {
    /// Conditions as they were, where the run tells them.
    pub actual: Vec<(String, Condition)>,
    /// What its sweep gives.
    pub sweep: LoopSweep,
}

/// What the sweep of a corner gives for the fit.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(not(feature = "cli"), non_exhaustive)]
pub enum LoopSweep {
    /// Its sweep carries a verdict.
    Valid {
        /// The samples.
        points: CornerPoints,
        /// Where its margins were read.
        places: Vec<Place>,
        /// What it is compared with, where there is a baseline: the curve then and now, and whose it was.
        change: Option<(CornerChange, Earlier, String)>,
    },
    /// Its sweep was refused.
    Refused(CornerPoints),
}

impl CornerLoop {
    /// What a judged corner keeps; nothing where the spec has no circuit.
    pub(in crate::check) fn valid(context: &Context<'_>, sweep: &Analysed, span: Span) -> Option<Box<Self>> {
        context.spec.circuit.as_ref()?;
        let critical_point = context.spec.critical_point;
        let sweep = LoopSweep::Valid {
            points: CornerPoints::of(0, sweep, span, critical_point),
            places: places(&sweep.curve, &sweep.crossings, span),
            change: change(context, sweep, span),
        };
        Some(Box::new(Self { actual: Vec::new(), sweep }))
    }

    /// What a corner keeps whose sweep was refused.
    pub(in crate::check) fn refused(context: &Context<'_>, sweep: &Analysed) -> Option<Box<Self>> {
        context.spec.circuit.as_ref()?;
        let points = CornerPoints::of(0, sweep, sweep.raw.span(), context.spec.critical_point);
        Some(Box::new(Self { actual: Vec::new(), sweep: LoopSweep::Refused(points) }))
    }
}

fn change(context: &Context<'_>, sweep: &Analysed, span: Span) -> Option<(CornerChange, Earlier, String)> {
    let accepted = context.baseline.filter(|accepted| accepted.unreadable.is_empty())?;
    let Choice::Found(reference) = choose(accepted, context.serial, context.spec, context.corner) else {
        return None;
    };
    let units = reference.units();
    let here = Station { name: context.station, accuracy: context.spec.accuracy };
    let (earlier, whose) = match &reference {
        Reference::Itself(unit, _) => {
            let there = Station { name: unit.station.as_deref(), accuracy: unit.accuracy };
            (Earlier::Own { same_chain: here.is_shared_with(&there) }, unit.serial.clone())
        }
        Reference::Others(others) => match others.as_slice() {
            [(unit, _)] => (Earlier::Others(1), unit.serial.clone()),
            _ => (Earlier::Others(others.len()), format!("mean of {} units", others.len())),
        },
    };
    let noises: Vec<&Points> = units.iter().map(|(_, corner)| &corner.curve).collect();
    let rows = mean_curve(&units);
    let mut pairs = CornerChange::default();
    let turned = turn(context.spec.critical_point);
    for row in rows.rows.iter().filter(|row| span.holds(row.hz.ln())) {
        let ln_f = row.hz.ln();
        let (now, own) = (sweep.curve.at(ln_f), sweep.noise.at(&sweep.curve, ln_f));
        pairs.now.points.push(point(row.hz, [now.ln_mag, now.angle + turned], own));
        let then = [row.db / crate::curve::db(1.0), row.deg.to_radians() + turned];
        pairs.then.points.push(point(row.hz, then, mean_noise(&noises, ln_f)));
    }
    (!pairs.now.points.is_empty()).then_some((pairs, earlier, whose))
}

fn turn(critical_point: CriticalPoint) -> f64 {
    match critical_point {
        CriticalPoint::PlusOne => 0.0,
        CriticalPoint::MinusOne => PI,
    }
}

/// What thinning and the digits of a baseline leave open: neper and rad.
const THINNED: f64 = 3e-4;

fn point(hz: f64, [ln_mag, phase]: [f64; 2], noise: LocalError) -> LoopPoint {
    LoopPoint { hz, ln_mag, phase, sigma: [noise.ln_mag.hypot(THINNED), noise.angle.hypot(THINNED)] }
}

/// Noise of the mean of several curves; of what is not known, none.
fn mean_noise(curves: &[&Points], ln_f: f64) -> LocalError {
    let mut sum = [0.0_f64; 2];
    for noise in curves.iter().filter_map(|curve| curve.noise_at(ln_f)) {
        sum = [sum[0].hypot(noise.ln_mag), sum[1].hypot(noise.angle)];
    }
    let n = curves.len().max(1) as f64;
    LocalError { ln_mag: sum[0] / n, angle: sum[1] / n }
}

/// The margins of a curve of points.
pub(super) fn of_points(points: &[LoopPoint], critical_point: CriticalPoint) -> Option<Vec<Place>> {
    if points.len() < 3 {
        return None;
    }
    let mut samples = crate::sweep::Samples::default();
    points.iter().for_each(|point| samples.push(point.hz, point.ln_mag, point.phase));
    let (mut curve, mut crossings) = (Curve::new(), crate::margins::Crossings::default());
    curve.fill(&samples, critical_point);
    crossings.find(&curve);
    Some(places(&curve, &crossings, curve.span()))
}
