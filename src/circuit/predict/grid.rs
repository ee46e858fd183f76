//! Frequencies that a loop is solved at: as many as the local cubic between them needs, where it needs them.

use crate::circuit::{Solver, Unfit};
use crate::curve::{Curve, wrap};
use crate::spec::CriticalPoint;
use crate::sweep::{Complex64, Samples};
use std::f64::consts::{LN_10, TAU};

/// Narrowest interval that is halved, ln f: a curve that still breaks there has a notch or a pole on the axis.
const NARROWEST: f64 = 1e-5;
/// Least magnitude: ln of 0 does not exist.
const LEAST: f64 = 1e-300;

/// ln f from one frequency to another, both included, with at least so many points per decade and at least 8.
pub(super) fn regular(from_hz: f64, to_hz: f64, per_decade: f64) -> Vec<f64> {
    let (from, to) = (from_hz.ln(), to_hz.ln());
    let steps = (((to - from) / LN_10 * per_decade).ceil() as usize).max(7);
    (0..=steps).map(|k| from + (to - from) * (k as f64 / steps as f64)).collect()
}

/// ln of the magnitude and phase, rad.
fn polar(gain: Complex64) -> (f64, f64) {
    (gain.norm().max(LEAST).ln(), gain.arg())
}

/// Solves a loop at every frequency. Whole turns are added to the phase, so that it begins next to that of another curve.
pub(super) fn solve(
    solver: &mut Solver,
    ln_f: &[f64],
    beside_rad: f64,
    samples: &mut Samples,
) -> Result<(), Unfit> {
    samples.clear();
    let mut turns = None;
    for x in ln_f {
        let hz = x.exp();
        let (ln_mag, phase) = polar(solver.loop_gain(hz)?);
        let turns = *turns.get_or_insert(((beside_rad - phase) / TAU).round() * TAU);
        samples.push(hz, ln_mag, phase + turns);
    }
    Ok(())
}

/// Halves every interval in whose middle the curve between the points is off by more than `tolerance`, neper or rad, until none is, or
/// there are `most` points.
pub(super) fn refine(
    solver: &mut Solver,
    ln_f: &mut Vec<f64>,
    tolerance: f64,
    most: usize,
) -> Result<(), Unfit> {
    let (mut samples, mut curve) = (Samples::default(), Curve::new());
    solve(solver, ln_f, 0.0, &mut samples)?;
    // Whether the interval that begins at a point is still to be looked at.
    let mut open = vec![true; ln_f.len()];
    while ln_f.len() < most {
        curve.fill(&samples, CriticalPoint::PlusOne);
        let (mut next, mut next_open, mut halved) = (Vec::new(), Vec::new(), Samples::default());
        let mut room = most - ln_f.len();
        let columns = ln_f.iter().zip(samples.ln_magnitude()).zip(samples.phase_rad()).zip(&open);
        for (i, (((&x, &ln_mag), &phase), &is_open)) in columns.enumerate() {
            next.push(x);
            halved.push(x.exp(), ln_mag, phase);
            let width = ln_f.get(i + 1).map_or(0.0, |to| to - x);
            if !is_open || width < NARROWEST || room == 0 {
                next_open.push(false);
                continue;
            }
            let middle = x + 0.5 * width;
            let (own_mag, own_phase) = polar(solver.loop_gain(middle.exp())?);
            let between = curve.at(middle);
            let error = (own_mag - between.ln_mag).abs().max(wrap(own_phase - between.angle).abs());
            let is_off = error > tolerance;
            next_open.push(is_off);
            if is_off {
                next.push(middle);
                next_open.push(true);
                halved.push(middle.exp(), own_mag, own_phase);
                room -= 1;
            }
        }
        let is_done = next.len() == ln_f.len();
        (*ln_f, open, samples) = (next, next_open, halved);
        if is_done {
            break;
        }
    }
    Ok(())
}
