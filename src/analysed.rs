//! A sweep made ready to be judged: its samples, its noise, the smooth curve under it and all crossings of that.

use crate::curve::Curve;
use crate::margins::{Crossings, Located};
use crate::noise::{Noise, Repeats, Smoother};
use crate::spec::CriticalPoint;
use crate::sweep::Samples;

/// A sweep with all that is read from it. The memory is reused from sweep to sweep.
#[derive(Debug, Clone, Default)]
pub struct Analysed {
    /// The samples as measured.
    pub raw: Curve,
    /// The curve that margins are read from: the samples where noise does not matter, local fits where it does.
    pub curve: Curve,
    /// The noise.
    pub noise: Noise,
    /// All crossings of the curve.
    pub crossings: Crossings,
}

impl Analysed {
    /// Takes over samples. `repeats` is the scatter of the sweeps that they are the mean of, if they are one.
    pub fn fill(
        &mut self,
        samples: &Samples,
        critical_point: CriticalPoint,
        repeats: Option<&Repeats>,
        smoother: &mut Smoother,
    ) {
        self.raw.fill(samples, critical_point);
        smoother.smooth(&self.raw, repeats, &mut self.noise, &mut self.curve);
        self.crossings.find(&self.curve);
        self.crossings.merge(&self.curve, &self.noise);
    }

    /// Standard uncertainty from noise of a value that was found on the curve, in the value's unit.
    #[must_use]
    pub fn noise_of(&self, located: &Located) -> f64 {
        let noise = self.noise.at(&self.curve, located.point.ln_f);
        let part = |noise: f64, sensitivity: f64| if noise == 0.0 { 0.0 } else { noise * sensitivity };
        part(noise.ln_mag, located.sensitivity.ln_gain).hypot(part(noise.angle, located.sensitivity.phase))
    }

    /// A single sweep, analysed.
    #[must_use]
    pub fn of(samples: &Samples, critical_point: CriticalPoint) -> Self {
        let mut sweep = Self::default();
        sweep.fill(samples, critical_point, None, &mut Smoother::default());
        sweep
    }
}
