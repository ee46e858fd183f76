//! A circuit at the corners of a spec.

use super::fit::LoopModel;
use super::{Model, Solver};
use num_complex::Complex64;

/// A solver for each corner.
#[derive(Debug, Clone)]
pub struct CornerLoops {
    parts: usize,
    corners: Vec<Solver>,
}

impl CornerLoops {
    /// The loops of the models of a spec's corners, in the spec's order; all of them vary the same parts.
    #[must_use]
    pub fn new(models: &[Model]) -> Self {
        let parts = models.first().map_or(0, |model| model.nominal().len());
        Self { parts, corners: models.iter().map(Model::solver).collect() }
    }
}

impl LoopModel for CornerLoops {
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
