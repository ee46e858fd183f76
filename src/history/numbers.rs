//! What numbers a history may hold. The same ranges hold for what is recorded and for what is read: a number that cannot be what was
//! measured is refused with its place, and never judged.

use super::database::Row;
use super::error::Fault;
use super::error_kind::HistoryErrorKind;
use super::model::Settings;
use crate::quantity::number;
use crate::spec::Drift;
use std::fmt::Display;

/// From the least to the most, both allowed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Range {
    least: f64,
    most: f64,
    /// Whether 0 is none of them.
    above_0: bool,
}

const fn range(least: f64, most: f64) -> Range {
    Range { least, most, above_0: false }
}

/// No loop is swept near it.
const FREQUENCY_HZ: Range = Range { above_0: true, ..range(0.0, 1e12) };
/// A margin is a magnitude of at most half a turn; the slack is for rounding.
const PHASE_DEG: Range = range(0.0, 180.0 + 1e-9);
/// All ratios that a double-precision number can hold lie inside.
const GAIN_DB: Range = range(-7000.0, 7000.0);
/// A turn at the lowest frequency that anybody sweeps.
const DELAY_S: Range = range(0.0, 1e12);
/// A distance from the critical point: 180 dB of gain all over the band.
const RATIO: Range = range(0.0, 1e9);
/// Of anything else; squares of it are far from the largest number.
const ANY: Range = range(-1e30, 1e30);
const UNCERTAINTY: Range = range(0.0, 1e30);
const FACTOR: Range = Range { above_0: true, ..range(0.0, 1e6) };
/// The years 0 to 9999, a day more on both sides for the zones, microseconds.
const TAKEN_US: [i64; 2] = [-62_167_305_600_000_000, 253_402_387_200_000_000];
/// A spread needs two groups.
const FEWEST_SETUP_GROUPS: u32 = 2;

impl Range {
    /// Of a series' unit.
    pub(super) fn of_unit(unit: &str) -> Self {
        match unit {
            "Hz" => FREQUENCY_HZ,
            "deg" => PHASE_DEG,
            "dB" => GAIN_DB,
            "s" => DELAY_S,
            "" => RATIO,
            _ => ANY,
        }
    }

    /// # Errors
    /// What was found and what is wanted.
    fn hold(self, value: f64, unit: &str) -> Result<f64, String> {
        let is_inside = value >= self.least && value <= self.most && !(self.above_0 && value == 0.0);
        if is_inside {
            return Ok(value);
        }
        let found = if value.is_finite() { number(value, 6) } else { value.to_string() };
        let from = if self.above_0 { "above " } else { "" };
        let blank = if unit.is_empty() { "" } else { " " };
        let wanted = format!("{from}{} to {}", number(self.least, 6), number(self.most, 6));
        Err(format!("{found}{blank}{unit}, a number from {wanted}{blank}{unit} is wanted"))
    }
}

/// Holds a value with its uncertainties to what they can be.
///
/// # Errors
/// Which of them is wrong, what was found and what is wanted.
pub(super) fn hold(
    unit: &str,
    value: f64,
    uncertainty: Option<f64>,
    chain: Option<f64>,
) -> Result<(), (&'static str, String)> {
    let named = |column| move |what| (column, what);
    Range::of_unit(unit).hold(value, unit).map_err(named("value"))?;
    for (column, found) in [("uncertainty", uncertainty), ("chain", chain)] {
        found.map(|found| UNCERTAINTY.hold(found, unit)).transpose().map_err(named(column))?;
    }
    Ok(())
}

/// Holds what a check was decided by to what it can be: value, uncertainty, smallest and largest allowed value. A change may be negative.
///
/// # Errors
/// As [`hold`].
pub(super) fn hold_checked(unit: &str, numbers: [Option<f64>; 4]) -> Result<(), (&'static str, String)> {
    let columns = [("value", ANY), ("uncertainty", UNCERTAINTY), ("limit_min", ANY), ("limit_max", ANY)];
    for ((column, range), found) in columns.into_iter().zip(numbers) {
        found.map(|found| range.hold(found, unit)).transpose().map_err(|what| (column, what))?;
    }
    Ok(())
}

/// Holds what a spec brings to what it can be.
///
/// # Errors
/// Which of it is wrong, what was found and what is wanted.
pub(super) fn hold_settings(settings: &Settings) -> Result<(), String> {
    FACTOR.hold(settings.coverage, "").map_err(|what| format!("`coverage` is {what}"))?;
    if let Some(drift) = &settings.drift {
        let capability = drift.capability_min.map(|least| FACTOR.hold(least, "")).transpose();
        capability.map_err(|what| format!("`capability_min` is {what}"))?;
        for (key, count, least) in
            [("setup", drift.setup, FEWEST_SETUP_GROUPS), ("forecast_groups", drift.forecast_groups, 1)]
        {
            if let Some(count) = count.filter(|count| *count < least) {
                return Err(format!("`{key}` is {count}, at least {least} is wanted"));
            }
        }
        hold_relevant(drift)?;
    }
    for limit in &settings.limits {
        let of = |what: String| format!("the limit of {} {}: {what}", limit.corner, limit.quantity);
        for (key, bound) in [("min", limit.min), ("max", limit.max)] {
            let held = bound.map(|bound| ANY.hold(bound, &limit.unit)).transpose();
            held.map_err(|what| of(format!("`{key}` is {what}")))?;
        }
        if limit.min.zip(limit.max).is_some_and(|(min, max)| min > max) {
            return Err(of("`min` is above `max`".to_owned()));
        }
    }
    Ok(())
}

/// Holds the smallest movements that matter to what a spec may name.
fn hold_relevant(drift: &Drift) -> Result<(), String> {
    let relevant = drift.relevant.unwrap_or_default();
    let singles = relevant.movements.iter().map(|(measurand, most)| {
        let unit = if measurand.is_relative() { "" } else { measurand.unit().symbol() };
        (measurand.name(), unit, most)
    });
    let gain = relevant.gain.map(|most| ("gain", "dB", most.db()));
    for (key, unit, found) in singles.chain(gain) {
        FACTOR.hold(found, unit).map_err(|what| format!("`relevant.{key}` is {what}"))?;
    }
    Ok(())
}

/// A number in the database, and its place for the error.
pub(super) struct Cell<'a, 'r, P> {
    pub(super) row: &'a Row<'r>,
    pub(super) table: &'static str,
    /// What the row belongs to: `record 12, 24V-3A phase_margin_deg`.
    pub(super) of: P,
}

impl<P: Display> Cell<'_, '_, P> {
    /// What is in a column and must not be.
    pub(super) fn wrong(&self, column: &str, what: &str) -> Fault {
        let what = format!("{}: column `{column}` of table `{}` holds {what}", self.of, self.table);
        let help = "this is not what was recorded: go back to a backup, or take the record out of all results with \
                    `loopgauge history mark`";
        Fault::Kind(HistoryErrorKind::Damaged, what, help.to_owned())
    }

    /// A number with a fraction, where there is one.
    pub(super) fn real(&self, index: usize, column: &str) -> Result<Option<f64>, Fault> {
        self.row.real(index).map_err(|kind| self.wrong(column, &format!("{kind}, a number is wanted")))
    }

    /// A whole number between two others.
    pub(super) fn whole(
        &self,
        index: usize,
        column: &str,
        least: i64,
        most: i64,
    ) -> Result<Option<i64>, Fault> {
        let wanted = |found: &str| {
            self.wrong(column, &format!("{found}, a whole number from {least} to {most} is wanted"))
        };
        let found = self.row.whole(index).map_err(&wanted)?;
        match found.filter(|found| !(least..=most).contains(found)) {
            Some(found) => Err(wanted(&found.to_string())),
            None => Ok(found),
        }
    }

    /// Yes or no, as 1 or 0.
    pub(super) fn is(&self, index: usize, column: &str) -> Result<bool, Fault> {
        let found = self.whole(index, column, 0, 1)?;
        found.map(|found| found == 1).ok_or_else(|| self.wrong(column, "nothing, 0 or 1 is wanted"))
    }

    /// When sweeps were taken.
    pub(super) fn taken_us(&self, index: usize) -> Result<Option<i64>, Fault> {
        let [least, most] = TAKEN_US;
        self.whole(index, "taken_us", least, most)
    }

    /// Value, uncertainty and limits of a check, side by side from `index` on.
    pub(super) fn checked(&self, index: usize, unit: &str) -> Result<[Option<f64>; 4], Fault> {
        let numbers = [
            self.real(index, "value")?,
            self.real(index + 1, "uncertainty")?,
            self.real(index + 2, "limit_min")?,
            self.real(index + 3, "limit_max")?,
        ];
        hold_checked(unit, numbers).map_err(|(column, what)| self.wrong(column, &what))?;
        Ok(numbers)
    }

    /// Value, uncertainty and chain, side by side from `index` on.
    pub(super) fn measured(
        &self,
        index: usize,
        unit: &str,
    ) -> Result<(f64, Option<f64>, Option<f64>), Fault> {
        let value =
            self.real(index, "value")?.ok_or_else(|| self.wrong("value", "nothing, a number is wanted"))?;
        let (uncertainty, chain) = (self.real(index + 1, "uncertainty")?, self.real(index + 2, "chain")?);
        hold(unit, value, uncertainty, chain).map_err(|(column, what)| self.wrong(column, &what))?;
        Ok((value, uncertainty, chain))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::history::CornerLimit;
    use crate::measurand::{Measurand, PerMeasurand};
    use crate::spec::Relevant;

    #[test]
    fn what_was_measured_is_inside() {
        for (unit, value) in [
            ("Hz", 1e-3),
            ("Hz", 1e10),
            ("deg", 0.0),
            ("deg", std::f64::consts::PI.to_degrees()),
            ("dB", -300.0),
            ("dB", 20.0 * f64::MAX.log10()),
            ("s", 0.0),
            ("s", 1e-15),
            ("", 0.0),
            ("", 1e6),
        ] {
            assert_eq!(hold(unit, value, Some(0.0), Some(1e9)), Ok(()), "{value} {unit}");
        }
    }

    #[test]
    fn what_nothing_can_be_is_outside() {
        for (unit, value, uncertainty, chain, column, words) in [
            ("Hz", f64::NAN, None, None, "value", "NaN Hz, a number from above 0 to 1e12 Hz is wanted"),
            ("Hz", 0.0, None, None, "value", "0 Hz"),
            ("Hz", 1e300, None, None, "value", "1e300 Hz"),
            ("deg", -0.5, None, None, "value", "-0.5 deg, a number from 0 to 180 deg is wanted"),
            ("deg", 181.0, None, None, "value", "181 deg"),
            ("dB", f64::NEG_INFINITY, None, None, "value", "-inf dB"),
            ("s", -1e-9, None, None, "value", "-1e-9 s"),
            ("", 1e10, None, None, "value", "1e10, a number from 0 to 1e9 is wanted"),
            ("deg", 50.0, Some(f64::INFINITY), None, "uncertainty", "inf deg"),
            ("deg", 50.0, Some(-0.1), None, "uncertainty", "-0.1 deg"),
            ("deg", 50.0, Some(0.1), Some(1e31), "chain", "1e31 deg"),
            ("m", 1e31, None, None, "value", "1e31 m"),
        ] {
            let (found, what) = hold(unit, value, uncertainty, chain).unwrap_err();
            assert!(found == column && what.contains(words), "{found} {what}");
        }
    }

    #[test]
    fn settings_are_held_as_well() {
        let drift = Drift {
            over: None,
            setup: Some(8),
            chart: None,
            capability_min: Some(1.33),
            forecast_groups: Some(6),
            relevant: None,
        };
        let movements = PerMeasurand::default().with(Measurand::PhaseMargin, Some(-1.0));
        let limit = CornerLimit {
            corner: "24V-3A".to_owned(),
            quantity: "phase_margin_deg".to_owned(),
            unit: "deg".to_owned(),
            min: Some(50.0),
            max: Some(90.0),
        };
        let sound = Settings { coverage: 2.0, drift: Some(drift), limits: vec![limit.clone()] };
        assert_eq!(hold_settings(&sound), Ok(()));
        let with = |drift| Settings { drift: Some(drift), ..sound.clone() };
        let limited =
            |min, max| Settings { limits: vec![CornerLimit { min, max, ..limit.clone() }], ..sound.clone() };
        for (bad, words) in [
            (Settings { coverage: 0.0, ..sound.clone() }, "`coverage` is 0"),
            (Settings { coverage: f64::NAN, ..sound.clone() }, "`coverage` is NaN"),
            (with(Drift { capability_min: Some(-1.0), ..drift }), "`capability_min` is -1"),
            (with(Drift { setup: Some(1), ..drift }), "`setup` is 1, at least 2"),
            (with(Drift { forecast_groups: Some(0), ..drift }), "`forecast_groups` is 0"),
            (
                with(Drift { relevant: Some(Relevant { movements, gain: None }), ..drift }),
                "`relevant.phase_margin` is -1 deg",
            ),
            (limited(Some(1e300), None), "24V-3A phase_margin_deg: `min` is 1e300 deg"),
            (limited(Some(91.0), Some(90.0)), "`min` is above `max`"),
        ] {
            let what = hold_settings(&bad).unwrap_err();
            assert!(what.contains(words), "{what}");
        }
    }
}
