//! A prediction and what it is of.

use crate::circuit::predict::{CornerOutcome, Prediction, by_urgency};

/// A prediction and what it is of.
#[derive(Debug, Clone, Copy)]
pub struct Predicted<'a> {
    /// The product, where there is a spec.
    pub product: Option<&'a str>,
    /// The file of the netlist.
    pub netlist: &'a str,
    /// For each corner its conditions: name and value.
    pub conditions: &'a [Vec<(String, String)>],
    /// What is predicted.
    pub prediction: &'a Prediction,
}

impl<'a> Predicted<'a> {
    /// The corners, the most urgent first.
    #[must_use]
    pub fn worst_first(&self) -> Vec<&'a CornerOutcome> {
        let corners = &self.prediction.corners;
        by_urgency(corners).into_iter().filter_map(|at| corners.get(at)).collect()
    }

    /// The name of a corner by its position.
    #[must_use]
    pub fn name(&self, corner: usize) -> &'a str {
        self.prediction.corners.get(corner).map_or("", |corner| &corner.corner)
    }
}
