//! Limits.

use serde::Serialize;

/// A limit in the unit of its value. JSON leaves out a side that is open.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Limit {
    /// Smallest allowed value.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub min: Option<f64>,
    /// Largest allowed value.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub max: Option<f64>,
}
