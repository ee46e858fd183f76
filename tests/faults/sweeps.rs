//! Faults of a sweep.

use super::{Fault, fault};

/// Each replaces a text that stands once in one of the small project's sweeps. Its rows stand on lines 2 to 104.
pub const FAULTS: &[Fault] = &[
    fault("frequency_hz,gain_db,phase_deg", "f,gain_db,phase_deg", "1", &["frequency_hz"]),
    fault("frequency_hz,gain_db,phase_deg", "frequency_hz,gain_db,phase_rad", "1", &["unit: rad"]),
    fault("frequency_hz,gain_db,phase_deg", "frequency_hz,gain_db,gain_db,phase_deg", "1:3", &["gain_db"]),
    fault("frequency_hz,gain_db,phase_deg", "frequency_hz;gain_db;phase_deg", "1", &["delimiter"]),
    fault("frequency_hz,gain_db,phase_deg", "", "2", &["frequency_hz", "header: false"]),
    fault("frequency_hz,gain_db,phase_deg", "frequency_hz,gain_db,phase_deg,note", "2", &["3 fields", "4"]),
    fault("frequency_hz,gain_db,phase_deg", "frequency_hz,gain,phase_deg", "68:2", &["ratio"]),
    fault("\n90.000,", "\nninety,", "2:1", &["ninety"]),
    fault("\n90.000,", "\n0,", "2:1", &["0"]),
    fault("\n90.000,", "\n-90,", "2:1", &["-90"]),
    fault("\n90.000,", "\nNaN,", "2:1", &["NaN"]),
    fault("\n90.000,", "\ninf,", "2:1", &["inf"]),
    fault("\n90.000,", "\n1e400,", "2:1", &["1e400"]),
    fault("\n90.000,", "\n0x5a,", "2:1", &["0x5a"]),
    fault("\n90.000,", "\n,", "2:1", &["nothing stands"]),
    fault("\n90.000,", "\n90.000,1,", "2", &["4", "3"]),
    fault("\n90.000,", "\n", "2", &["2", "3"]),
    fault("\n90.000,", "\n\"90.000,", "2", &["quot"]),
    fault("\n90.000,", "\n90.000\0,", "2:1", &["90.000"]),
    fault("\n90.000,", "\n90.000 Hz,", "2:1", &["90.000 Hz"]),
    fault("\n90.000,", "\n\u{661}\u{662},", "2:1", &["number"]),
    fault("\n90.000,", "\n190.000,", "3:1", &["follows 190 Hz"]),
];
