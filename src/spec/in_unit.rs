//! A value of a measurand, or a change of one, as a bare number in the measurand's unit. What can be meant is bounded by the unit.

use super::plausible::{
    CHANGE, DELAY, DELAY_CHANGE, DISTANCE, FREQUENCY, GAIN, GAIN_CHANGE, PHASE, PHASE_CHANGE,
};
use crate::measurand::Measurand;
use crate::quantity::{Decibel, Degrees, Hertz, Ratio, Seconds, Unit};
use crate::yaml::{Sign, Value};

/// Reads a value to hold a measurand against.
pub(super) fn limit(measurand: Measurand, value: &Value<'_>) -> Option<f64> {
    match measurand.unit() {
        Unit::Hz => value.quantity_in(Sign::Positive, &FREQUENCY).map(Hertz::hz),
        Unit::Deg => value.quantity_in(Sign::Any, &PHASE).map(Degrees::deg),
        Unit::Db => value.quantity_in(Sign::Any, &GAIN).map(Decibel::db),
        Unit::S => value.quantity_in(Sign::Any, &DELAY).map(Seconds::s),
        Unit::One | Unit::PointsPerDecade => value.number_in(Sign::NotNegative, "0.5", &DISTANCE),
    }
}

/// Reads how far a measurand may move; `example`: such a movement, for messages.
pub(super) fn change(measurand: Measurand, value: &Value<'_>, example: &str) -> Option<f64> {
    if measurand.is_relative() {
        return value.quantity_in(Sign::Positive, &CHANGE).map(Ratio::ratio);
    }
    match measurand.unit() {
        Unit::Hz => value.quantity_in(Sign::Positive, &FREQUENCY).map(Hertz::hz),
        Unit::Deg => value.quantity_in(Sign::Positive, &PHASE_CHANGE).map(Degrees::deg),
        Unit::Db => value.quantity_in(Sign::Positive, &GAIN_CHANGE).map(Decibel::db),
        Unit::S => value.quantity_in(Sign::Positive, &DELAY_CHANGE).map(Seconds::s),
        Unit::One | Unit::PointsPerDecade => value.number_in(Sign::Positive, example, &DISTANCE),
    }
}
