//! Families of loops: small-signal models from poles, zeros and delay, with parameters drawn anew for every corner.
//!
//! Models: R. W. Erickson and D. Maksimovic, Fundamentals of Power Electronics, 2nd ed., chapters 8 to 12 (from memory): second
//! order power stage of the buck, right-half-plane zero of boost and flyback, one pole in discontinuous conduction, double pole at
//! half the switching frequency in current mode, pole and zero pair of an input filter. Ranges: common practice, no source.

use super::draw::Draw;
use super::plant::Plant;

/// A family.
pub struct Class {
    pub name: &'static str,
    /// A loop of it and its nominal crossover, Hz; not each one is sound.
    pub draw: fn(&mut Draw) -> (Plant, f64),
}

const fn class(name: &'static str, draw: fn(&mut Draw) -> (Plant, f64)) -> Class {
    Class { name, draw }
}

/// All families.
pub const CLASSES: [Class; 18] = [
    class("buck-voltage", buck_voltage),
    class("buck-current", buck_current),
    class("buck-second-filter", second_filter),
    class("input-filter", input_filter),
    class("boost", boost),
    class("flyback", flyback),
    class("flyback-dcm", flyback_dcm),
    class("resonant", resonant),
    class("linear-regulator", linear_regulator),
    class("digital", digital),
    class("pfc", pfc),
    class("pfc-notch", pfc_notch),
    class("finite-gain", finite_gain),
    class("conditional", conditional),
    class("double-integrator", double_integrator),
    class("far-modes", far_modes),
    class("opto-slow", opto_slow),
    class("multiphase", multiphase),
];

/// Voltage mode: second-order power stage, type 3 compensation, delay of modulator and switch.
fn buck_voltage(d: &mut Draw) -> (Plant, f64) {
    let switching = d.log(150e3, 2e6);
    let fc = switching * d.log(0.04, 0.15);
    let resonance = fc / d.log(3.0, 15.0);
    let esr_zero = fc * d.log(0.7, 20.0);
    let plant = Plant::new(1)
        .pole_pair(resonance, d.log(0.8, 8.0))
        .zero(esr_zero)
        .zero(resonance * d.between(0.5, 0.9))
        .zero(resonance * d.between(0.8, 1.2))
        .pole(esr_zero.min(0.5 * switching))
        .pole(switching * d.between(0.4, 0.7))
        .delay(d.between(0.2, 0.7) / switching);
    (plant, fc)
}

/// Peak current mode: one slow pole, the sampling poles at half the switching frequency, type 2.
fn buck_current(d: &mut Draw) -> (Plant, f64) {
    let switching = d.log(150e3, 2e6);
    let fc = switching * d.log(0.03, 0.12);
    let esr_zero = fc * d.log(2.0, 20.0);
    let plant = Plant::new(1)
        .pole(fc / d.log(15.0, 300.0))
        .zero(esr_zero)
        .pole_pair(0.5 * switching, d.log(0.4, 1.3))
        .zero(fc / d.log(2.5, 12.0))
        .pole(esr_zero * d.between(0.8, 1.3))
        .delay(d.between(0.0, 0.15) / switching);
    (plant, fc)
}

/// A second filter behind the first, inside the loop.
fn second_filter(d: &mut Draw) -> (Plant, f64) {
    let (base, fc) = if d.chance(0.5) { buck_voltage(d) } else { buck_current(d) };
    let (times, q) = (d.log(2.0, 10.0), d.log(3.0, 40.0));
    (base.pole_pair(times * fc, q), fc)
}

/// What an input filter does to the power stage: a pair of zeros beside a pair of poles.
fn input_filter(d: &mut Draw) -> (Plant, f64) {
    let (base, fc) = if d.chance(0.6) { buck_voltage(d) } else { buck_current(d) };
    let hz = fc * d.log(0.15, 4.0);
    let apart = d.log(1.01, 1.2);
    let q = d.log(1.0, 20.0);
    let poles = if d.chance(0.5) { hz * apart } else { hz / apart };
    (base.zero_pair(hz, q * d.between(0.7, 1.3)).pole_pair(poles, q), fc)
}

/// Continuous conduction, current mode: right-half-plane zero, slow pole, sampling poles, type 2.
fn boost(d: &mut Draw) -> (Plant, f64) {
    let switching = d.log(80e3, 1.5e6);
    let fc = switching * d.log(0.008, 0.05);
    let esr_zero = fc * d.log(1.5, 20.0);
    let plant = Plant::new(1)
        .zero(-fc * d.log(3.0, 10.0))
        .zero(esr_zero)
        .pole(fc / d.log(15.0, 200.0))
        .pole_pair(0.5 * switching, d.log(0.4, 1.2))
        .zero(fc / d.log(3.0, 12.0))
        .pole(esr_zero * d.between(0.7, 1.4));
    (plant, fc)
}

/// Continuous conduction, voltage mode: second-order stage, right-half-plane zero, type 3, an opto-coupler's pole.
fn flyback(d: &mut Draw) -> (Plant, f64) {
    let switching = d.log(60e3, 400e3);
    let fc = switching * d.log(0.006, 0.04);
    let resonance = fc / d.log(3.5, 12.0);
    let esr_zero = fc * d.log(1.0, 10.0);
    let plant = Plant::new(1)
        .pole_pair(resonance, d.log(0.7, 5.0))
        .zero(-fc * d.log(4.0, 12.0))
        .zero(esr_zero)
        .zero(resonance * d.between(0.5, 0.9))
        .zero(resonance * d.between(0.8, 1.3))
        .pole(esr_zero * d.between(0.8, 1.5))
        .pole(fc * d.log(6.0, 25.0))
        .delay(d.between(0.1, 0.6) / switching);
    (plant, fc)
}

/// Discontinuous conduction: one pole, the capacitor's zero, an opto-coupler, type 2.
fn flyback_dcm(d: &mut Draw) -> (Plant, f64) {
    let switching = d.log(60e3, 300e3);
    let fc = switching * d.log(0.01, 0.06);
    let plant = Plant::new(1)
        .pole(fc / d.log(20.0, 400.0))
        .zero(fc * d.log(0.8, 10.0))
        .zero(-switching * d.between(0.4, 2.0))
        .zero(fc / d.log(3.0, 12.0))
        .pole(fc * d.log(2.0, 12.0))
        .pole(fc * d.log(3.0, 15.0))
        .delay(d.between(0.1, 0.5) / switching);
    (plant, fc)
}

/// A resonant converter: a slow pole or a double one that wanders with the load, and the beat of switching and resonance.
fn resonant(d: &mut Draw) -> (Plant, f64) {
    let switching = d.log(80e3, 500e3);
    let fc = switching * d.log(0.02, 0.08);
    let stage = if d.chance(0.5) {
        Plant::new(1).pole(fc / d.log(8.0, 100.0)).pole_pair(fc * d.log(2.5, 12.0), d.log(0.6, 3.0))
    } else {
        Plant::new(1)
            .pole_pair(fc / d.log(2.5, 10.0), d.log(0.5, 2.0))
            .zero(fc / d.log(2.0, 6.0))
            .pole(fc * d.log(5.0, 20.0))
    };
    let plant = stage
        .zero(fc * d.log(1.0, 10.0))
        .zero(fc / d.log(3.0, 10.0))
        .pole(fc * d.log(3.0, 12.0))
        .pole(fc * d.log(8.0, 30.0))
        .delay(d.between(0.3, 0.8) / switching);
    (plant, fc)
}

/// A linear regulator: output pole, amplifier's pole, pass device's gate, the capacitor's zero; no integrator.
fn linear_regulator(d: &mut Draw) -> (Plant, f64) {
    let fc = d.log(20e3, 1e6);
    let plant = Plant::new(0)
        .pole(fc / d.log(100.0, 3000.0))
        .pole(fc / d.log(2.0, 30.0))
        .zero(fc * d.log(0.3, 2.0))
        .pole(fc * d.log(2.5, 15.0))
        .pole(fc * d.log(6.0, 30.0));
    (plant, fc)
}

/// A digital controller: one to one and a half samples of delay.
fn digital(d: &mut Draw) -> (Plant, f64) {
    let sampling = d.log(50e3, 1e6);
    let fc = sampling * d.log(0.02, 0.08);
    let resonance = fc / d.log(3.0, 12.0);
    let plant = Plant::new(1)
        .pole_pair(resonance, d.log(0.8, 6.0))
        .zero(fc * d.log(3.0, 30.0))
        .zero(resonance * d.between(0.5, 0.95))
        .zero(resonance * d.between(0.8, 1.2))
        .pole(sampling * d.between(0.3, 1.0))
        .delay(d.between(1.0, 1.5) / sampling);
    (plant, fc)
}

/// The slow voltage loop of a power-factor stage.
fn pfc(d: &mut Draw) -> (Plant, f64) {
    let fc = d.log(4.0, 20.0);
    let plant = Plant::new(1)
        .pole(fc / d.log(4.0, 100.0))
        .zero(fc / d.log(1.5, 8.0))
        .pole(fc * d.log(1.5, 10.0))
        .pole(fc * d.log(20.0, 200.0))
        .delay(d.between(0.001, 0.004));
    (plant, fc)
}

/// The same with a notch at twice the line frequency.
fn pfc_notch(d: &mut Draw) -> (Plant, f64) {
    let (base, fc) = pfc(d);
    let ripple = d.pick(&[100.0, 120.0]);
    (base.zero_pair(ripple, d.log(3.0, 12.0)).pole_pair(ripple, d.between(0.4, 0.8)), fc)
}

/// An amplifier with little gain and no integrator: flat from 30 to 50 dB down.
fn finite_gain(d: &mut Draw) -> (Plant, f64) {
    let fc = d.log(500.0, 100e3);
    let flat = 10f64.powf(d.between(30.0, 50.0) / 20.0);
    let plant = Plant::new(0)
        .pole(fc / flat)
        .pole(fc * d.log(1.2, 8.0))
        .pole(fc * d.log(5.0, 30.0))
        .delay(d.between(0.0, 0.03) / fc);
    (plant, fc)
}

/// Two integrators and a lag, lifted by two zeros: stable only between two gains.
fn conditional(d: &mut Draw) -> (Plant, f64) {
    let fc = d.log(1e3, 100e3);
    let plant = Plant::new(2)
        .pole(fc / d.log(15.0, 80.0))
        .zero(fc / d.log(2.5, 7.0))
        .zero(fc / d.log(2.5, 7.0))
        .pole(fc * d.log(4.0, 15.0))
        .pole(fc * d.log(8.0, 30.0))
        .delay(d.between(0.0, 0.04) / fc);
    (plant, fc)
}

fn double_integrator(d: &mut Draw) -> (Plant, f64) {
    let fc = d.log(500.0, 100e3);
    let plant = Plant::new(2)
        .zero(fc / d.log(2.0, 8.0))
        .pole(fc * d.log(3.0, 12.0))
        .pole(fc * d.log(8.0, 40.0))
        .delay(d.between(0.0, 0.03) / fc);
    (plant, fc)
}

/// Modes far past the crossover that stand at -20 to -40 dB.
fn far_modes(d: &mut Draw) -> (Plant, f64) {
    let fc = d.log(500.0, 50e3);
    let mut plant = Plant::new(1).pole(fc * d.log(2.0, 12.0)).delay(d.between(0.0, 0.06) / fc);
    for _ in 0..d.pick(&[1, 1, 2]) {
        let hz = fc * d.log(4.0, 15.0);
        let there = plant.clone().crossing_at(fc).at(hz).norm();
        let q = 10f64.powf(-d.between(20.0, 40.0) / 20.0) / there;
        // With a pair of zeros beside it, or alone.
        plant = plant.pole_pair(hz, q.clamp(3.0, 60.0));
        if d.chance(0.6) {
            plant = plant.zero_pair(hz * d.log(0.7, 1.4), q.clamp(3.0, 60.0));
        }
    }
    (plant, fc)
}

/// Type 1 behind an opto-coupler.
fn opto_slow(d: &mut Draw) -> (Plant, f64) {
    let fc = d.log(20.0, 2e3);
    let plant = Plant::new(1)
        .pole(fc * d.log(1.5, 8.0))
        .pole(fc * d.log(4.0, 30.0))
        .zero(fc * d.log(5.0, 50.0))
        .delay(d.between(0.0, 0.02) / fc);
    (plant, fc)
}

/// A fast multiphase converter: crossover near a fifth of the phase frequency, long delay.
fn multiphase(d: &mut Draw) -> (Plant, f64) {
    let fc = d.log(60e3, 400e3);
    let resonance = fc / d.log(3.0, 10.0);
    let plant = Plant::new(1)
        .pole_pair(resonance, d.log(0.5, 2.0))
        .zero(resonance * d.between(0.5, 1.0))
        .zero(resonance * d.between(0.7, 1.3))
        .zero(fc * d.log(1.0, 10.0))
        .pole(fc * d.log(2.0, 10.0))
        .pole(fc * d.log(3.0, 12.0))
        .delay(d.between(0.04, 0.12) / fc);
    (plant, fc)
}
