//! The `loopgauge` command.

fn main() {}
