//! Who measured a run, and with what.

use crate::quantity::calendar::day;
use crate::yaml::Fields;

/// Characters of a text, at most: a name, an instrument with its number, a sentence on the injection.
const LONGEST: usize = 1_000;

/// Who measured a run, with what and how it was injected: free text, as written.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Bench {
    /// Who measured.
    pub operator: Option<String>,
    /// With what.
    pub instrument: Option<String>,
    /// Until when its calibration holds. A day (`2027-03-31`) or an RFC 3339 time is held against `taken`; any other text is shown.
    pub calibrated_until: Option<String>,
    /// How the signal was injected: transformer, resistor, where.
    pub injection: Option<String>,
    /// Free text, also over several lines.
    pub notes: Option<String>,
}

impl Bench {
    pub(super) fn read(fields: &Fields<'_>) -> Self {
        let line = |key: &'static str| {
            let value = fields.get(key)?;
            let text = value.label("a line of text")?;
            if value.is_switch() {
                let message = format!("`{text}` is a switch, a line of text is wanted");
                value.error(
                    "no-text",
                    message,
                    format!("write the text, in quotes if `{text}` is meant, or remove the key"),
                );
                return None;
            }
            let count = text.chars().count();
            if count > LONGEST {
                let message = format!("the text has {count} characters, at most {LONGEST} are allowed");
                value.error("too-long", message, "shorten it, or write it into `notes`");
                return None;
            }
            Some(text.to_owned())
        };
        Self {
            operator: line("operator"),
            instrument: line("instrument"),
            calibrated_until: line("calibrated_until"),
            injection: line("injection"),
            notes: fields.get("notes").and_then(|value| value.text("free text").map(str::to_owned)),
        }
    }

    /// What is wrong with the calibration at the time of the run; `None` where it holds, and where one of both is not known or no date.
    /// The day named is the last one that it holds.
    #[must_use]
    pub fn expired(&self, taken: Option<&str>) -> Option<String> {
        let (until, taken) = (self.calibrated_until.as_deref()?, taken?);
        let of = |text: &str| day(text.get(..10)?);
        // A text that only begins like a date, such as `2027-03-31 or earlier`, is none.
        let is_date = until.len() == 10 || until.get(10..11).is_some_and(|next| matches!(next, "T" | "t"));
        let (last, day) = (of(until).filter(|_| is_date)?, of(taken)?);
        (last < day).then(|| {
            format!(
                "the calibration held until {last} and the sweeps were taken on {day}: their values are not traceable; measure \
                 again with a calibrated instrument, or have it calibrated and its drift assessed"
            )
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_calibration_is_over_the_day_after() {
        let expired = |until: &str, taken: Option<&str>| {
            let bench = Bench { calibrated_until: Some(until.to_owned()), ..Bench::default() };
            bench.expired(taken).is_some()
        };
        let taken = Some("2026-04-02T09:15:00Z");
        assert!(expired("2026-04-01", taken) && expired("2025-12-31T23:59:59Z", taken));
        assert!(!expired("2026-04-02", taken) && !expired("2027-04-02", taken));
        // What is no date, and no date to hold it against.
        for text in ["March 2026", "2026-04", "2026-02-30", "2026-04-01 or so", "", "\u{b5}26-04-0100000"] {
            assert!(!expired(text, taken), "{text}");
        }
        assert!(!expired("2026-04-01", None));
        assert_eq!(Bench::default().expired(taken), None);
    }
}
