//! Squared residuals, which noise is estimated from block by block.

/// Residuals in a block.
pub(crate) const BLOCK: usize = 8;

/// Squared residuals of gain and phase in one place.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(crate) struct Power {
    pub(crate) ln_mag: f64,
    pub(crate) angle: f64,
}
