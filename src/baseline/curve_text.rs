//! A curve as few points.

use super::decimation::thin;
use crate::analysed::Analysed;
use crate::curve::{Curve, LocalError, Span, db};
use crate::spec::CriticalPoint;
use crate::sweep::Samples;
use std::f64::consts::LN_10;

/// One point of a curve.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Row {
    /// Frequency, Hz.
    pub hz: f64,
    /// Magnitude, dB.
    pub db: f64,
    /// Angle from the critical point, deg, unwrapped.
    pub deg: f64,
    /// Standard uncertainty from noise: magnitude, dB, and angle, deg. `None` where the noise is not known.
    pub noise: Option<[f64; 2]>,
}

/// The points of a curve, enough of them for the four-point interpolation to give the curve back. Frequencies rise.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Points {
    /// The points.
    pub rows: Vec<Row>,
}

/// Samples kept past each end of the judged part: the interpolation in its last interval hangs on them.
const PAST_THE_ENDS: usize = 2;

impl Points {
    /// The judged part of a sweep, thinned.
    #[must_use]
    pub fn of(sweep: &Analysed, span: Span) -> Self {
        let x = sweep.curve.ln_f();
        let from = x.partition_point(|x| *x < span.from).saturating_sub(PAST_THE_ENDS);
        let to = (x.partition_point(|x| *x <= span.to) + PAST_THE_ENDS).min(x.len());
        let of = |x: &f64| sweep.noise.at(&sweep.curve, *x);
        let noise: Vec<LocalError> =
            if sweep.noise.is_known() { x.iter().map(of).collect() } else { Vec::new() };
        let kept = thin(&sweep.curve, from..to, &noise);
        let (hz, a, p) = (sweep.curve.frequency_hz(), sweep.curve.ln_mag(), sweep.curve.angle());
        let row = |i: usize| {
            let hz = *hz.get(i)?;
            Some(Row {
                hz,
                db: db(*a.get(i)?),
                deg: p.get(i)?.to_degrees(),
                noise: noise.get(i).map(|LocalError { ln_mag, angle }| [db(*ln_mag), angle.to_degrees()]),
            })
        };
        Self { rows: kept.into_iter().filter_map(row).collect() }
    }

    /// The curve that the points stand for.
    #[must_use]
    pub fn curve(&self) -> Curve {
        let mut samples = Samples::default();
        for row in &self.rows {
            samples.push(row.hz, row.db * (LN_10 / 20.0), row.deg.to_radians());
        }
        let mut curve = Curve::new();
        // Angles here are counted from the critical point: no other turn is wanted.
        curve.fill(&samples, CriticalPoint::PlusOne);
        curve
    }

    /// Standard uncertainty from noise at a frequency: the larger one of its two neighbours.
    #[must_use]
    pub fn noise_at(&self, ln_f: f64) -> Option<LocalError> {
        let after = self.rows.partition_point(|row| row.hz.ln() < ln_f);
        let near = self.rows.get(after.saturating_sub(1)..(after + 1).min(self.rows.len()))?;
        near.iter().try_fold(LocalError::default(), |most, row| {
            let [gain, angle] = row.noise?;
            Some(LocalError {
                ln_mag: most.ln_mag.max(gain * (LN_10 / 20.0)),
                angle: most.angle.max(angle.to_radians()),
            })
        })
    }
}
