//! Error amplifier, modulator and dead time: the control half of the loop.

use num_complex::Complex64;
use std::f64::consts::{PI, TAU};

/// What a type-3 compensator is asked to do; [`Compensator::new`] turns it into parts.
#[derive(Clone, Copy)]
pub struct Compensation {
    /// Frequency at which the integrator alone has a gain of 1, hertz.
    pub integrator_hz: f64,
    /// The two zeros, hertz: feedback branch, input branch.
    pub zeros_hz: (f64, f64),
    /// The two poles, hertz: input branch, feedback branch.
    pub poles_hz: (f64, f64),
}

/// Type-3 error amplifier: input branch `R1 || (R3 + C3)`, feedback branch `(R2 + C1) || C2`.
///
/// Common practice; the algebra is that of an inverting amplifier with a finite open-loop gain.
#[derive(Clone, Copy)]
pub struct Compensator {
    /// Input resistor from the output voltage to the summing node, ohm.
    pub r1_ohm: f64,
    /// Resistor of the feedback branch, ohm.
    pub r2_ohm: f64,
    /// Resistor of the lead branch, ohm.
    pub r3_ohm: f64,
    /// Capacitor in series with `r2_ohm`, farad.
    pub c1_farad: f64,
    /// Capacitor across the feedback branch, farad.
    pub c2_farad: f64,
    /// Capacitor in series with `r3_ohm`, farad.
    pub c3_farad: f64,
    /// Resistor from the summing node to ground, ohm.
    pub bias_ohm: f64,
    /// Gain set by the firmware through the trimmer behind the amplifier.
    pub trim: f64,
}

/// Open-loop gain of the operational amplifier at direct current: 86 dB.
const AMPLIFIER_DC_GAIN: f64 = 2e4;
/// Gain-bandwidth product of the operational amplifier, hertz.
const AMPLIFIER_GAIN_BANDWIDTH_HZ: f64 = 40e6;

impl Compensator {
    /// Parts for the asked zeros and poles, with `r1_ohm` and `bias_ohm` given.
    ///
    /// From `1/fz2 = 2 pi (R1 + R3) C3`, `1/fp1 = 2 pi R3 C3`, `1/fi = 2 pi R1 (C1 + C2)`,
    /// `1/fz1 = 2 pi R2 C1` and `1/fp2 = 2 pi R2 C1 C2/(C1 + C2)`.
    pub fn new(asked: &Compensation, r1_ohm: f64, bias_ohm: f64) -> Self {
        let (zero_1, zero_2) = asked.zeros_hz;
        let (pole_1, pole_2) = asked.poles_hz;
        let c3_farad = (1.0 / zero_2 - 1.0 / pole_1) / (TAU * r1_ohm);
        let both = 1.0 / (TAU * r1_ohm * asked.integrator_hz);
        let c2_farad = both * zero_1 / pole_2;
        let c1_farad = both - c2_farad;
        Self {
            r1_ohm,
            r2_ohm: 1.0 / (TAU * zero_1 * c1_farad),
            r3_ohm: 1.0 / (TAU * pole_1 * c3_farad),
            c1_farad,
            c2_farad,
            c3_farad,
            bias_ohm,
            trim: 1.0,
        }
    }

    /// Gain from output voltage to control voltage, its inversion left out.
    pub fn gain(&self, s: Complex64) -> Complex64 {
        let input = 1.0 / (1.0 / self.r1_ohm + 1.0 / (self.r3_ohm + 1.0 / (s * self.c3_farad)));
        let feedback = 1.0 / (s * self.c2_farad + 1.0 / (self.r2_ohm + 1.0 / (s * self.c1_farad)));
        let pole = AMPLIFIER_DC_GAIN / (TAU * AMPLIFIER_GAIN_BANDWIDTH_HZ);
        let amplifier = AMPLIFIER_DC_GAIN / (1.0 + s * pole);
        let noise_gain = 1.0 + feedback / input + feedback / self.bias_ohm;
        self.trim * feedback / input / (1.0 + noise_gain / amplifier)
    }
}

/// Pulse-width modulator with a duty cycle that clamps.
#[derive(Clone, Copy)]
pub struct Modulator {
    /// Height of the ramp at this input voltage, volt.
    pub ramp_volt: f64,
    /// Duty cycle in the steady state.
    pub duty: f64,
    /// Smallest duty cycle it can make.
    pub duty_min: f64,
    /// Largest duty cycle it can make.
    pub duty_max: f64,
    /// Dead time of computation and modulator together, second.
    pub delay_s: f64,
}

impl Modulator {
    /// Gain from control voltage to duty cycle for small signals: `exp(-s T) / Vramp`.
    pub fn gain(&self, s: Complex64) -> Complex64 {
        (-s * self.delay_s).exp() / self.ramp_volt
    }

    /// Share of the small-signal gain that is left for a sine of duty cycle `amplitude` (peak).
    ///
    /// The two halves of the sine meet different clamps. The fundamental is the mean of what each
    /// half alone would give; the shift of the mean value is taken up by the integrator.
    pub fn clamped_share(&self, amplitude: f64) -> f64 {
        let below = saturation_share(amplitude, self.duty - self.duty_min);
        let above = saturation_share(amplitude, self.duty_max - self.duty);
        0.5 * (below + above)
    }
}

/// Describing function of a unity-gain saturation at `clamp`, for a sine of peak `amplitude`:
/// `2/pi (asin(r) + r sqrt(1 - r^2))` with `r = clamp/amplitude < 1`, else 1.
///
/// Source: A. Gelb, W. E. Vander Velde, *Multiple-Input Describing Functions and Nonlinear System
/// Design*, 1968, appendix of describing functions (from memory).
fn saturation_share(amplitude: f64, clamp: f64) -> f64 {
    if amplitude <= clamp {
        return 1.0;
    }
    let ratio = (clamp / amplitude).max(0.0);
    2.0 / PI * (ratio.asin() + ratio * (1.0 - ratio * ratio).sqrt())
}
