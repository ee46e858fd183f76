//! The 5 V rail against the unit that was accepted, one test per corner: a failure tells all checks of its corner.

use std::process::ExitCode;

fn main() -> ExitCode {
    loopgauge::harness::new("../../demo-data/rev-c/RG-00021/river-gauge-5v")
        .specs("../../specs")
        .baseline("../../demo-data/baseline")
        .by_corner()
        .main()
}
