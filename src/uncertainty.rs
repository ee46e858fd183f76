//! From errors of the measurement to the uncertainty of a value, by the law of propagation (JCGM 100:2008, 5.1.2).
//!
//! Every value answers to a local error of the curve through its [`Sensitivity`]: g for ln of the magnitude and p for
//! the phase. The sources are independent of each other, so their contributions add in squares:
//!
//! | source | error of the curve | standard uncertainty |
//! | --- | --- | --- |
//! | gain accuracy | one offset of ln of the magnitude | half-width / sqrt 3 (rectangular, JCGM 100:2008, 4.3.7) |
//! | phase accuracy | one offset of the phase | half-width / sqrt 3 |
//! | delay between the probes | phase 2 pi f tau | half-width / sqrt 3 |
//! | density | error of the interpolation between samples, gain and phase in the worst sense | its estimate / sqrt 3 |
//! | noise | independent from sample to sample, carried through the local fit | see [`crate::noise`] |
//! | rounding | what the digits of the file leave in the local fit, beyond what acts like noise | see `src/noise/rounding.rs` |
//! | level | what was seen to change from the judged level to the one that confirms it | see [`LevelChange`] |
//! | impedance ratio | ln T' = ln T + (1 + 1/T) r in the textbook convention | radius / 2 for each component of r |
//!
//! The line of the impedance ratio follows from 1 + T' = (1 + T)(1 + r) (R. D. Middlebrook, "Measurement of loop gain in feedback
//! systems", Int. J. Electronics 38(4), 1975: from memory). For a value that answers by Re(conj(g + j p) w r), with
//! w = 1 + 1/T, the variance is (radius/2)^2 |g + j p|^2 |w|^2.

use crate::curve::{LocalError, Point};
use crate::margins::{Located, Sensitivity};
use crate::spec::Spec;
use std::f64::consts::TAU;

/// Errors of the measuring chain that all sweeps of a run share: half-widths of rectangular distributions.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Chain {
    /// Gain offset, neper.
    pub gain_np: f64,
    /// Phase offset, rad.
    pub phase_rad: f64,
    /// Difference of the probes' delays, s.
    pub delay_s: f64,
    /// Radius of the disc of the impedance ratio at the injection point.
    pub impedance_ratio: f64,
}

impl Chain {
    /// The chain that a spec declares.
    #[must_use]
    pub fn of(spec: &Spec) -> Self {
        Self {
            gain_np: spec.accuracy.gain.ln(),
            phase_rad: spec.accuracy.phase.rad(),
            delay_s: spec.accuracy.delay.s(),
            impedance_ratio: spec.impedance_ratio,
        }
    }

    /// What each source contributes to a value's standard uncertainty; the offsets of gain, phase and delay with the sign in which they
    /// move the value. `interpolation` is the curve's error there, `noise` and `rounding` its
    /// standard uncertainties from noise and from the digits of the file.
    #[must_use]
    pub fn budget(
        &self,
        located: &Located,
        interpolation: LocalError,
        noise: LocalError,
        rounding: LocalError,
    ) -> Budget {
        let Sensitivity { ln_gain, phase } = located.sensitivity;
        let rectangular =
            |half_width: f64, sensitivity: f64| contribution(half_width / 3f64.sqrt(), sensitivity);
        let omega = TAU * located.point.hz();
        Budget {
            gain: rectangular(self.gain_np, ln_gain).copysign(ln_gain),
            phase: rectangular(self.phase_rad, phase).copysign(phase),
            delay: rectangular(self.delay_s, phase * omega).copysign(phase),
            noise: contribution(noise.ln_mag, ln_gain).hypot(contribution(noise.angle, phase)),
            density: rectangular(interpolation.ln_mag, ln_gain) + rectangular(interpolation.angle, phase),
            rounding: contribution(rounding.ln_mag, ln_gain).hypot(contribution(rounding.angle, phase)),
            level: 0.0,
            impedance_ratio: contribution(
                0.5 * self.impedance_ratio,
                ln_gain.hypot(phase) * loading(&located.point),
            ),
        }
    }
}

impl Chain {
    /// Standard uncertainties that the chain brings to the curve at a point: ln of the magnitude, neper, and phase, rad.
    #[must_use]
    pub fn errors(&self, point: &Point) -> [f64; 2] {
        let ratio = 0.5 * self.impedance_ratio * loading(point);
        let rectangular = 1.0 / 3f64.sqrt();
        let delay = TAU * point.hz() * self.delay_s;
        let phase = self.phase_rad.hypot(delay);
        [(rectangular * self.gain_np).hypot(ratio), (rectangular * phase).hypot(ratio)]
    }
}

/// What was seen to change from the judged level to a stronger one.
///
/// A result that changes with the level has changed already at the weaker one. The slowest law of a gain that falls is a change in proportion to the level
/// (hysteresis of a core: Lord Rayleigh's law, from memory); an odd, smooth non-linearity changes the curve with its square (A. Gelb and
/// W. E. Vander Velde, Multiple-Input Describing Functions and Nonlinear System Design, 1968: from memory). Drawn in proportion down to no
/// level at all, the weaker of two levels that differ by a ratio r is off by the change over r - 1, which bounds the faster laws too. Slow
/// drift between the two sweeps may be off by all of the change. The larger of both is the half-width of a rectangular distribution
/// (JCGM 100:2008, 4.3.7). What noise makes of the change on average is taken off its square.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LevelChange {
    /// Distance of the two levels, dB, above 0.
    pub step_db: f64,
}

impl LevelChange {
    /// Standard uncertainty of a value that changes by `change` from the judged level to the stronger one, with `noise` the standard
    /// uncertainty of that change; in the value's unit.
    #[must_use]
    pub fn uncertainty(self, change: f64, noise: f64) -> f64 {
        let beyond = 10f64.powf(self.step_db / 20.0) - 1.0;
        clear(change, noise) * (1.0 / beyond.max(f64::MIN_POSITIVE)).max(1.0) / 3f64.sqrt()
    }

    /// The same where the gain surely rises with the level. A dead zone (slack, crossover distortion) lifts the gain towards that of the loop
    /// itself; by its describing function, 1 - 4 d/(pi A) for a dead zone d far below the amplitude A (Gelb and Vander Velde, as above: from
    /// memory), what is left to the loop itself falls as 1/A. From c/A at the weaker level to c/(rA) at the stronger one it changes
    /// by c/A (1 - 1/r), so that the weaker one is off by the change over 1 - 1/r: 3.4 times the change at 3 dB. That is also what the
    /// stronger of two levels is off by after a change in proportion, so that it holds for two levels with their labels exchanged.
    #[must_use]
    pub fn uncertainty_rising(self, change: f64, noise: f64) -> f64 {
        self.uncertainty_above(clear(change, noise))
    }

    /// The same of a value at the stronger of the two levels, by a change of at most `change` up to there: drawn in proportion, it is off by
    /// the change over 1 - 1/r.
    #[must_use]
    pub fn uncertainty_above(self, change: f64) -> f64 {
        let below = 1.0 - 10f64.powf(-self.step_db / 20.0);
        change.abs() / below.max(f64::MIN_POSITIVE) / 3f64.sqrt()
    }
}

/// A change with what noise makes of it on average taken off its square.
fn clear(change: f64, noise: f64) -> f64 {
    (change * change - noise * noise).max(0.0).sqrt()
}

/// |1 + 1/T| in the textbook convention, which is |1 - 1/T'| of the curve: how strongly the impedance ratio acts.
fn loading(point: &Point) -> f64 {
    point.distance() / point.ln_mag.exp()
}

/// A source that is 0 contributes 0, even where the value has no finite sensitivity.
fn contribution(standard_uncertainty: f64, sensitivity: f64) -> f64 {
    if standard_uncertainty == 0.0 { 0.0 } else { (standard_uncertainty * sensitivity).abs() }
}

/// Contributions to the standard uncertainty of one value, in the value's unit. Gain, phase and delay are offsets of the whole
/// curve: they carry the sign in which they move the value, so that what two values share can be told.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Budget {
    /// Gain accuracy of the chain.
    pub gain: f64,
    /// Phase accuracy of the chain.
    pub phase: f64,
    /// Delay between the probes.
    pub delay: f64,
    /// Noise.
    pub noise: f64,
    /// Interpolation between the samples.
    pub density: f64,
    /// Rounding of the file.
    pub rounding: f64,
    /// Change with the level of injection.
    pub level: f64,
    /// Impedance ratio at the injection point.
    pub impedance_ratio: f64,
}

/// A source of uncertainty.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Source {
    /// Gain accuracy of the chain.
    Gain,
    /// Phase accuracy of the chain.
    Phase,
    /// Delay between the probes.
    Delay,
    /// Noise.
    Noise,
    /// Interpolation between the samples.
    Density,
    /// Rounding of the file.
    Rounding,
    /// Change with the level of injection.
    Level,
    /// Impedance ratio at the injection point.
    ImpedanceRatio,
}

impl Source {
    /// Its name in results.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Gain => "gain",
            Self::Phase => "phase",
            Self::Delay => "delay",
            Self::Noise => "noise",
            Self::Density => "density",
            Self::Rounding => "rounding",
            Self::Level => "level",
            Self::ImpedanceRatio => "impedance_ratio",
        }
    }
}

impl serde::Serialize for Budget {
    /// A map of the sources that contribute, to four digits.
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_map(
            self.sources()
                .into_iter()
                .filter(|(_, part)| *part != 0.0)
                .map(|(source, part)| (source.name(), part.is_finite().then(|| four_digits(part.abs())))),
        )
    }
}

/// Rounded to four significant digits.
fn four_digits(value: f64) -> f64 {
    let magnitude = value.abs().log10().floor();
    // Beyond the range of a power of ten the value stays as it is.
    let scale = 10f64.powf(3.0 - magnitude);
    let rounded = (value * scale).round() / scale;
    if rounded.is_finite() { rounded } else { value }
}

impl Budget {
    /// Every source with what it contributes.
    #[must_use]
    pub const fn sources(&self) -> [(Source, f64); 8] {
        // Taken apart by name, so that no source can be left out.
        let Self { gain, phase, delay, noise, density, rounding, level, impedance_ratio } = *self;
        [
            (Source::Gain, gain),
            (Source::Phase, phase),
            (Source::Delay, delay),
            (Source::Noise, noise),
            (Source::Density, density),
            (Source::Rounding, rounding),
            (Source::Level, level),
            (Source::ImpedanceRatio, impedance_ratio),
        ]
    }

    /// The source that contributes most; `None` when none does.
    #[must_use]
    pub fn largest(&self) -> Option<Source> {
        let parts = self.sources().into_iter().filter(|(_, part)| *part != 0.0);
        parts.max_by(|a, b| a.1.abs().total_cmp(&b.1.abs())).map(|(source, _)| source)
    }

    /// The same contributions in another unit.
    #[must_use]
    pub fn scaled(&self, factor: f64) -> Self {
        let Self { gain, phase, delay, noise, density, rounding, level, impedance_ratio } = self;
        Self {
            gain: gain * factor,
            phase: phase * factor,
            delay: delay * factor,
            noise: noise * factor,
            density: density * factor,
            rounding: rounding * factor,
            level: level * factor,
            impedance_ratio: impedance_ratio * factor,
        }
    }

    /// Combined standard uncertainty; `None` where the linear law gives none (the curve runs along its line).
    #[must_use]
    pub fn combined(&self) -> Option<f64> {
        let sum = self.sources().iter().map(|(_, part)| part * part).sum::<f64>();
        Some(sum.sqrt()).filter(|u| u.is_finite())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn located(ln_mag: f64, angle: f64, ln_gain: f64, phase: f64) -> Located {
        let point = Point { ln_f: 1e4_f64.ln(), ln_mag, angle, mag_slope: -1.0, angle_slope: -0.5 };
        Located { value: 0.0, point, sensitivity: Sensitivity { ln_gain, phase } }
    }

    /// The textbook convention has T = -T', so T = 1 at -120 deg is angle +60 deg here. With r = 0.1 the published
    /// first-order shift is (1 + 1/T) r (Middlebrook 1975, from memory; exact figures of Tv = T (1 + r) + r:
    /// 0.45323 dB and 4.7150 deg for real r).
    #[test]
    fn the_impedance_ratio_acts_as_middlebrook_says() {
        let chain = Chain { impedance_ratio: 0.1, ..Chain::default() };
        let budget = chain.budget(
            &located(0.0, 60f64.to_radians(), 0.0, 1.0),
            LocalError::default(),
            LocalError::default(),
            LocalError::default(),
        );
        // |1 + 1/T| = 1 at |T| = 1 and -120 deg.
        assert!((budget.impedance_ratio - 0.05).abs() < 1e-12);
        let (w_re, w_im) = (1.0 + 120f64.to_radians().cos(), 120f64.to_radians().sin());
        assert!((20.0 * (w_re * 0.1) / std::f64::consts::LN_10 - 0.45323).abs() < 0.02);
        assert!(((w_im * 0.1).to_degrees() - 4.96).abs() < 0.01);
        assert!((w_re.hypot(w_im) - 1.0).abs() < 1e-12);
        // |1 + 1/T| = 1/2 at T = 2 and 180 deg of the textbook: 0.5 of the radius, of both parts of a value at once.
        let far = located(2f64.ln(), 0.0, 3.0, 4.0);
        let none = LocalError::default();
        assert!((chain.budget(&far, none, none, none).impedance_ratio - 0.05 * 0.5 * 5.0).abs() < 1e-12);
    }

    #[test]
    fn a_budget_is_written_with_four_digits_and_without_silent_sources() {
        let budget =
            Budget { gain: -0.012_345_678, noise: 1_234_567.0, density: 1e-300, ..Budget::default() };
        assert_eq!(
            serde_json::to_string(&budget).unwrap(),
            r#"{"gain":0.01235,"noise":1235000.0,"density":1e-300}"#
        );
    }

    #[test]
    fn sources_add_in_squares_and_silent_ones_stay_silent() {
        let chain = Chain { gain_np: 3f64.sqrt() * 0.03, phase_rad: 3f64.sqrt() * 0.04, ..Chain::default() };
        assert!(
            (chain
                .budget(
                    &located(0.0, 1.0, 1.0, 1.0),
                    LocalError::default(),
                    LocalError::default(),
                    LocalError::default()
                )
                .combined()
                .unwrap()
                - 0.05)
                .abs()
                < 1e-15
        );
        let along = located(0.0, 1.0, f64::INFINITY, 1.0);
        assert_eq!(
            chain
                .budget(&along, LocalError::default(), LocalError::default(), LocalError::default())
                .combined(),
            None
        );
        assert_eq!(
            Chain::default()
                .budget(&along, LocalError::default(), LocalError::default(), LocalError::default())
                .combined(),
            Some(0.0)
        );
    }

    #[test]
    fn coarse_samples_widen_the_uncertainty() {
        let interpolation = LocalError { ln_mag: 3f64.sqrt() * 0.03, angle: 3f64.sqrt() * 0.01 };
        let budget = Chain::default().budget(
            &located(0.0, 1.0, 1.0, 1.0),
            interpolation,
            LocalError::default(),
            LocalError::default(),
        );
        assert!((budget.combined().unwrap() - 0.04).abs() < 1e-15);
    }

    #[test]
    fn a_delay_acts_as_phase_that_grows_with_frequency() {
        let chain = Chain { delay_s: 3f64.sqrt() * 1e-9, ..Chain::default() };
        let budget = chain.budget(
            &located(0.0, 1.0, 0.0, 1.0),
            LocalError::default(),
            LocalError::default(),
            LocalError::default(),
        );
        assert!((budget.delay - TAU * 1e4 * 1e-9).abs() < 1e-15);
    }

    /// 3 dB more are a level 1.4125 times as strong: a change in proportion is off by the change over 0.4125 at the weaker
    /// level and over 1 - 1/1.4125 = 0.2921 at the stronger one. Beyond 6.02 dB, twice the level, the change itself is the bound.
    #[test]
    fn a_change_with_the_level_is_drawn_back_to_no_level() {
        let close = |got: f64, wanted: f64| assert!((got / wanted - 1.0).abs() < 1e-4, "{got} {wanted}");
        let three = LevelChange { step_db: 3.0 };
        close(three.uncertainty(0.5, 0.0), 0.5 / 0.412_54 / 3f64.sqrt());
        close(three.uncertainty(-0.5, 0.3), 0.4 / 0.412_54 / 3f64.sqrt());
        assert_eq!(three.uncertainty(0.3, 0.5), 0.0);
        close(three.uncertainty_above(-0.5), 0.5 / 0.292_05 / 3f64.sqrt());
        let twenty = LevelChange { step_db: 20.0 };
        close(twenty.uncertainty(0.5, 0.0), 0.5 / 3f64.sqrt());
        close(twenty.uncertainty_above(0.5), 0.5 / 0.9 / 3f64.sqrt());
    }

    /// The gain of a dead zone of 1 at amplitudes 20 and 3 dB more: its describing function, 1 - 2/pi (asin x + x sqrt(1 - x^2)) with x = 1/A,
    /// is 0.0636 below 1 at 20. The half-width holds that, where the change in proportion holds 70 % of it.
    #[test]
    fn what_a_dead_zone_takes_from_the_gain_is_held() {
        let missing = |amplitude: f64| {
            let x = 1.0 / amplitude;
            (x.asin() + x * (1.0 - x * x).sqrt()) * 2.0 / std::f64::consts::PI
        };
        let three = LevelChange { step_db: 3.0 };
        let change = missing(20.0) - missing(20.0 * 10f64.powf(3.0 / 20.0));
        let half_width = |u: f64| u * 3f64.sqrt() / missing(20.0);
        assert!((half_width(three.uncertainty_rising(change, 0.0)) - 1.0).abs() < 0.002);
        assert!((half_width(three.uncertainty(change, 0.0)) - 0.708).abs() < 0.002);
        assert_eq!(three.uncertainty_rising(0.3, 0.5), 0.0);
    }

    /// Half-widths of rectangular distributions over the square root of 3 (JCGM 100:2008, 4.3.7); 2 pi f is 62 832 rad/s.
    #[test]
    fn the_chain_brings_its_errors_to_a_point() {
        let at = located(2f64.ln(), 0.0, 1.0, 1.0).point;
        let close = |got: f64, wanted: f64| assert!((got / wanted - 1.0).abs() < 1e-9, "{got} {wanted}");
        let chain =
            Chain { gain_np: 0.03, phase_rad: 0.03, delay_s: 0.04 / (TAU * 1e4), impedance_ratio: 0.0 };
        let [ln_mag, angle] = chain.errors(&at);
        close(ln_mag, 0.03 / 3f64.sqrt());
        close(angle, 0.05 / 3f64.sqrt());
        // |1 - 1/T'| is a half at T' = 2: 0.5 of the disc's radius 0.2 makes 0.05 of both.
        let [ln_mag, angle] = Chain { impedance_ratio: 0.2, ..chain }.errors(&at);
        close(ln_mag, (0.03f64 / 3f64.sqrt()).hypot(0.05));
        close(angle, (0.05f64 / 3f64.sqrt()).hypot(0.05));
    }

    #[test]
    fn every_source_is_told_in_the_other_unit() {
        let budget = Budget {
            gain: 1.0,
            phase: 2.0,
            delay: 3.0,
            noise: 4.0,
            density: 5.0,
            rounding: 6.0,
            level: 7.0,
            impedance_ratio: 8.0,
        };
        let scaled = budget.scaled(3.0).sources();
        for ((source, scaled), (_, own)) in scaled.into_iter().zip(budget.sources()) {
            assert_eq!(scaled, 3.0 * own, "{source:?}");
        }
    }
}
