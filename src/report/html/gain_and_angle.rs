//! Strips for the gain and the angle of several curves, before anything is drawn on them.

use super::axis::{ANGLE_STEPS, GAIN_STEPS, step_of, widened};
use super::plot_panel::{Across, Strip};
use super::svg_path::{down, line};

/// A strip for gains from `low` to `high`, dB, with its line at 0 dB.
pub(super) fn gain_strip(axis: &Across, height: u32, (low, high): (f64, f64), what: &str) -> Strip {
    let (low, high) = ((low - 4.0).min(-10.0), (high + 4.0).max(10.0));
    let step = step_of(&GAIN_STEPS, high - low, 7.0);
    let mut strip = Strip::new(height, widened(low, high, step.min(10.0)), step, "gain, dB", what.to_owned());
    strip.draw("zero", &line([(axis.from, 0), (axis.to, 0)]));
    strip
}

/// A strip for angles from `low` to `high`, deg, with the critical point's direction at every turn.
pub(super) fn angle_strip(axis: &Across, height: u32, (low, high): (f64, f64), what: &str) -> Strip {
    let (low, high) = ((low - 5.0).min(-10.0), (high + 5.0).max(30.0));
    let step = step_of(&ANGLE_STEPS, high - low, 6.0);
    let mut strip =
        Strip::new(height, widened(low, high, step.min(45.0)), step, "angle, deg", what.to_owned());
    for turn in [-360.0, 0.0, 360.0] {
        if (strip.low..=strip.high).contains(&turn) {
            strip.draw("ray", &line([(axis.from, down(turn)), (axis.to, down(turn))]));
        }
    }
    strip
}
