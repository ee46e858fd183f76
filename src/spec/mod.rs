//! Specs: what a product must show.

mod model;

pub use model::{
    Accuracy, Band, Chart, Corner, CriticalPoint, DecisionRule, Drift, DriftAxis, GainAt, GainLimit, Limits,
    Linearity, Regression, Rule, Spec, Tolerances, Waiver, Window,
};
