//! Stands for the firmware of the river gauge's telemetry board: a digital compensator and the rest of the program.

/// Gain of the 5 V rail's compensator at its lowest setting, steps per volt.
pub const LOWEST_GAIN: i32 = 12;
