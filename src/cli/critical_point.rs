//! How the critical point is typed: an option of more than one command.

use crate::spec::CriticalPoint;

/// Reads `+1` or `-1`.
pub fn critical_point(text: &str) -> Result<CriticalPoint, String> {
    match text {
        "+1" | "1" => Ok(CriticalPoint::PlusOne),
        "-1" => Ok(CriticalPoint::MinusOne),
        _ => Err("wanted +1 (swept around the closed loop) or -1 (textbook convention)".to_owned()),
    }
}
