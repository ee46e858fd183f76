//! The samples of a corner that take part in a fit.

use crate::analysed::Analysed;
use crate::curve::Span;
use crate::spec::CriticalPoint;
use std::f64::consts::PI;

/// Standard deviation, neper and rad, that a sample is at least given: 0.001 dB, finer than any bench repeats itself.
const LEAST: f64 = 1e-4;

/// One sample.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LoopPoint {
    /// Frequency, Hz.
    pub hz: f64,
    /// ln of the magnitude as measured.
    pub ln_mag: f64,
    /// Phase as measured around the loop, rad.
    pub phase: f64,
    /// Standard deviations from noise: of ln of the magnitude, neper, and of the phase, rad; above 0.
    pub sigma: [f64; 2],
}

/// The samples of one corner.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct CornerPoints {
    /// Place of the corner in the spec.
    pub corner: usize,
    /// The samples, frequencies rising.
    pub points: Vec<LoopPoint>,
}

impl CornerPoints {
    /// The usable samples of a sweep.
    #[must_use]
    pub fn of(corner: usize, sweep: &Analysed, span: Span, critical_point: CriticalPoint) -> Self {
        let Analysed { raw, noise, .. } = sweep;
        let turned = match critical_point {
            CriticalPoint::PlusOne => 0.0,
            CriticalPoint::MinusOne => PI,
        };
        // Neighbours that share their noise say less: as many samples of an autoregressive process are worth one that is independent
        // (G. E. P. Box et al., Time Series Analysis, 2.1: from memory).
        let shared = noise.correlation().clamp(0.0, 0.9);
        let alike = ((1.0 + shared) / (1.0 - shared)).sqrt();
        let [gain_share, phase_share] = noise.shares();
        let point = |(i, &ln_f): (usize, &f64)| {
            let stands_out = noise.spikes().iter().any(|spike| spike.index == i);
            let sigma = noise.sigma().get(i).copied().unwrap_or(0.0) * alike;
            (span.holds(ln_f) && !stands_out).then_some(LoopPoint {
                hz: raw.frequency_hz().get(i).copied()?,
                ln_mag: raw.ln_mag().get(i).copied()?,
                phase: raw.angle().get(i).copied()? + turned,
                sigma: [(gain_share * sigma).max(LEAST), (phase_share * sigma).max(LEAST)],
            })
        };
        Self { corner, points: raw.ln_f().iter().enumerate().filter_map(point).collect() }
    }

    /// The same, each sample given at least a standard deviation, neper and rad.
    #[must_use]
    pub fn coarse(mut self, least: f64) -> Self {
        self.points.iter_mut().for_each(|point| point.sigma = point.sigma.map(|sigma| sigma.max(least)));
        self
    }

    /// At most `count` of its samples, evenly chosen.
    #[must_use]
    pub fn sparse(&self, count: usize) -> Self {
        let n = self.points.len();
        let step = n.div_ceil(count.max(1)).max(1);
        Self { corner: self.corner, points: self.points.iter().step_by(step).copied().collect() }
    }

    /// At most `count` of its samples, which together weigh as much as all.
    #[must_use]
    pub fn standing_for_all(&self, count: usize) -> Self {
        let mut few = self.sparse(count);
        let share = (few.points.len() as f64 / self.points.len().max(1) as f64).sqrt();
        few.points.iter_mut().for_each(|point| point.sigma = point.sigma.map(|sigma| sigma * share));
        few
    }
}
