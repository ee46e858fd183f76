//! Placeholder until filled.
fn main() {}
