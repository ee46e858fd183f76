//! A sweep made ready to be judged: its samples, its noise, the smooth curve under it and all crossings of that.

use crate::curve::Curve;
use crate::margins::Crossings;
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
    }

    /// A single sweep, analysed.
    #[must_use]
    pub fn of(samples: &Samples, critical_point: CriticalPoint) -> Self {
        let mut sweep = Self::default();
        sweep.fill(samples, critical_point, None, &mut Smoother::default());
        sweep
    }
}
