//! Where the law of propagation fails for a value, and which part of the sweep then matters.
//!
//! | failure | seen by |
//! | --- | --- |
//! | the curve bends within reach of its errors | the curve two standard uncertainties of the crossing to each side, against its tangent |
//! | noise merges several crossings | the crossings that were merged |
//! | another crossing is about to take over | its value within the uncertainty of both |
//! | a worst value over the whole curve is flat | samples beyond the reach of one window that are as bad, within their noise |

use crate::analysed::Analysed;
use crate::curve::{Point, Span, wrap};
use crate::margins::{Crossing, Everywhere, Line, Located, Place, Sensitivity};
use crate::measurand::Unwelcome;
use crate::uncertainty::Chain;

/// Reach of the errors that is looked at, in standard uncertainties.
const REACH: f64 = 2.0;
/// Part of the expanded uncertainty by which the curve may leave its tangent there.
const BEND: f64 = 0.3;
/// How far the part that matters reaches, in standard uncertainties: what lies beyond is met once in 10^9.
const FAR: f64 = 6.0;

/// What the law is checked with.
pub(super) struct Law<'a> {
    pub(super) sweep: &'a Analysed,
    pub(super) chain: &'a Chain,
    pub(super) span: Span,
}

impl Law<'_> {
    /// Whether a value moves along straight lines as far as its errors reach; else the part of the sweep to simulate. `u` and `noise`
    /// are its standard uncertainty and the part of noise in it, in the unit of what is read.
    pub(super) fn fails(
        &self,
        place: Place,
        located: &Located,
        unwelcome: Unwelcome,
        u: Option<f64>,
        noise: f64,
    ) -> Option<Span> {
        match place {
            Place::Crossing(line) => self.fails_at_crossing(line, located, None, &[]),
            Place::SmallestCrossing(line, of) => {
                let rivals = u.map_or_else(Vec::new, |u| self.rivals(line, located, u, of));
                let there = u.map(|u| u / line.read_there(located.sensitivity).abs());
                self.fails_at_crossing(line, located, there, &rivals)
            }
            Place::Worst(everywhere) => self.fails_at_worst(everywhere, located, unwelcome, noise, u?),
        }
    }

    /// The same of a value read at a crossing. `u` is the standard uncertainty of what is read there, neper or rad, where anything but
    /// the place is read; `rivals` are the places, ln f, of other crossings that may have the smallest value.
    fn fails_at_crossing(
        &self,
        line: Line,
        located: &Located,
        u: Option<f64>,
        rivals: &[f64],
    ) -> Option<Span> {
        let point = located.point;
        let [gain_error, phase_error] = self.errors(point.ln_f);
        let own = if line == Line::Gain { gain_error } else { phase_error };
        if own == 0.0 {
            return None;
        }
        let merged = self.sweep.crossings.merged.iter().any(|m| {
            m.of_gain == (line == Line::Gain)
                && m.ln_f.1 >= point.ln_f - REACH * own
                && m.ln_f.0 <= point.ln_f + REACH * own
        });
        if !merged && rivals.is_empty() && !self.bends(line, &point, own, u) {
            return None;
        }
        let mut part = self.near_line(line, point.ln_f);
        for rival in rivals {
            let other = self.near_line(line, *rival);
            part = Span { from: part.from.min(other.from), to: part.to.max(other.to) };
        }
        Some(part)
    }

    /// Whether the curve, or what is read of it, leaves its tangent as far as the errors of the place reach.
    fn bends(&self, line: Line, point: &Point, own: f64, u: Option<f64>) -> bool {
        let (slope, read_slope) = match line {
            Line::Gain => (point.mag_slope, point.angle_slope),
            Line::Phase => (point.angle_slope, point.mag_slope),
        };
        let dx = REACH * own / slope.abs();
        [-dx, dx].into_iter().any(|d| {
            let x = point.ln_f + d;
            if !self.sweep.curve.span().holds(x) {
                return true;
            }
            let there = self.sweep.curve.at(x);
            let (y, z) = match line {
                Line::Gain => (there.ln_mag, there.angle - point.angle),
                Line::Phase => (wrap(there.angle), there.ln_mag - point.ln_mag),
            };
            (y - slope * d).abs() > BEND * REACH * own
                || u.is_some_and(|u| (z - read_slope * d).abs() > BEND * REACH * u)
        })
    }

    /// Other crossings whose value may be the smallest: their places, ln f.
    fn rivals(
        &self,
        line: Line,
        located: &Located,
        u: f64,
        of: fn(&Crossing) -> Option<Located>,
    ) -> Vec<f64> {
        let list = line.crossings(&self.sweep.crossings);
        let may_be_less = |other: &Located| {
            let [gain, phase] = self.errors(other.point.ln_f);
            let Sensitivity { ln_gain, phase: of_phase } = other.sensitivity;
            let own = (gain * ln_gain).hypot(phase * of_phase);
            // A rival that the law tells nothing of may be anywhere.
            let clear = other.value.abs() - located.value.abs() >= REACH * own.hypot(u);
            !clear
        };
        list.iter()
            .filter(|_| list.len() > 1)
            .filter(|c| c.point.ln_f != located.point.ln_f && self.span.holds(c.point.ln_f))
            .filter(|c| of(c).is_some_and(|other| may_be_less(&other)))
            .map(|c| c.point.ln_f)
            .collect()
    }

    /// Whether samples out of reach of the window at the worst value are as bad within their noise; then the part to simulate.
    fn fails_at_worst(
        &self,
        everywhere: &Everywhere,
        located: &Located,
        unwelcome: Unwelcome,
        noise: f64,
        u: f64,
    ) -> Option<Span> {
        if noise == 0.0 || u == 0.0 {
            return None;
        }
        let curve = &self.sweep.curve;
        let own = curve.interval(located.point.ln_f);
        let window = self.sweep.noise.half_width(own) + 1;
        let samples = || curve.ln_f().iter().zip(curve.ln_mag()).zip(curve.angle()).enumerate();
        let better = if unwelcome == Unwelcome::Rise { -1.0 } else { 1.0 };
        let reach = located.value + better * FAR * u;
        let [low, high] = (everywhere.range)(reach);
        let as_bad = |limit: f64| {
            samples()
                .filter(move |(_, ((x, a), p))| {
                    **a > low
                        && **a < high
                        && self.span.holds(**x)
                        && unwelcome.is_worse((everywhere.value)(**a, **p), limit)
                })
                .map(|(i, _)| i)
        };
        // Both have noise: the worst of several is bad because its own error made it so.
        let flat = as_bad(located.value + better * REACH * 2f64.sqrt() * noise)
            .any(|i| i + window < own || i > own + 1 + window);
        if !flat {
            return None;
        }
        let (first, last) = (as_bad(reach).min()?, as_bad(reach).max()?);
        let at = |i: usize| curve.ln_f().get(i).copied();
        Some(Span { from: at(first)?, to: at(last)? })
    }

    /// Standard uncertainties of the curve at a place from all sources: ln of the magnitude, neper, and phase, rad.
    fn errors(&self, ln_f: f64) -> [f64; 2] {
        let noise = self.sweep.noise.at(&self.sweep.curve, ln_f);
        let point = self.sweep.curve.at(ln_f);
        let [gain, phase] = self.chain.errors(&point);
        [gain.hypot(noise.ln_mag), phase.hypot(noise.angle)]
    }

    /// The stretch about a crossing that lies within far reach of the line.
    fn near_line(&self, line: Line, ln_f: f64) -> Span {
        let curve = &self.sweep.curve;
        let [gain_share, phase_share] = self.sweep.noise.shares();
        let within = |i: usize| {
            let (Some(&a), Some(&p)) = (curve.ln_mag().get(i), curve.angle().get(i)) else { return false };
            let fit = self.sweep.noise.fit().get(i).copied().unwrap_or(0.0);
            let (value, share, chain) = match line {
                Line::Gain => (a, gain_share, self.chain.gain_np),
                Line::Phase => (wrap(p), phase_share, self.chain.phase_rad),
            };
            value.abs() < FAR * (fit * share).hypot(chain + self.chain.impedance_ratio)
        };
        let own = curve.interval(ln_f);
        let mut first = own;
        while first > 0 && within(first) {
            first -= 1;
        }
        let top = curve.len().saturating_sub(1);
        let mut last = (own + 1).min(top);
        while last < top && within(last) {
            last += 1;
        }
        // A few samples more: a part is read by the same interpolation.
        let at = |i: usize| curve.ln_f().get(i).copied().unwrap_or(ln_f);
        let part = Span { from: at(first.saturating_sub(2)), to: at((last + 2).min(top)) };
        Span { from: part.from.max(self.span.from), to: part.to.min(self.span.to) }
    }
}
