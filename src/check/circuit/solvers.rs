//! The circuit of a spec at its corners.

use crate::circuit::fit::LoopModel;
use crate::circuit::{Model, Solver};
use num_complex::Complex64;

/// A solver for each corner of the spec.
pub(super) struct Solvers {
    parts: usize,
    corners: Vec<Solver>,
}

impl Solvers {
    pub(super) fn new(models: &[Model]) -> Self {
        let parts = models.first().map_or(0, |model| model.nominal().len());
        Self { parts, corners: models.iter().map(Model::solver).collect() }
    }
}

impl LoopModel for Solvers {
    fn parts(&self) -> usize {
        self.parts
    }

    fn set(&mut self, changes: &[f64]) -> bool {
        self.corners.iter_mut().all(|solver| solver.set(changes).is_ok())
    }

    fn at(&mut self, corner: usize, hz: f64, slopes: &mut [Complex64]) -> Option<Complex64> {
        let solver = self.corners.get_mut(corner)?;
        if slopes.is_empty() { solver.loop_gain(hz).ok() } else { solver.with_slopes(hz, slopes).ok() }
    }
}
