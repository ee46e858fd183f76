//! Broken inputs.
