//! Waivers: an accepted shortfall, until a date.

use super::outcome::CheckOutcome;
use crate::decision::Verdict;
use crate::spec::Waiver;

/// Applies the waiver of a check, if there is one and it is needed.
pub(super) fn waive(check: &mut CheckOutcome, waivers: &[Waiver], today: time::Date) {
    let waivable =
        matches!(check.verdict, Verdict::Fail | Verdict::Undecided | Verdict::Invalid | Verdict::Missing);
    let Some(waiver) = waivers.iter().find(|w| waivable && w.check == check.check) else { return };
    if today <= waiver.until {
        check.message =
            format!("waived until {}: {}; {}: {}", waiver.until, waiver.reason, check.verdict, check.message);
        check.verdict = Verdict::Waived;
    } else {
        check.message =
            format!("{} (its waiver ended on {}: {})", check.message, waiver.until, waiver.reason);
    }
}
