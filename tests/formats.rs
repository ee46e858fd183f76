//! Formats.
