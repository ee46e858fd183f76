//! Small-signal averaged model of the power stage: buck and boost, with an optional input filter.
//!
//! Sources, all from memory: R. W. Erickson, D. Maksimovic, *Fundamentals of Power Electronics*,
//! chapters 7 (averaging, canonical circuit), 8 (converter transfer functions, right-half-plane
//! zero of the boost) and 10 (input filter design, extra element theorem). Losses in the switches are lumped
//! into the series resistance of the inductor.

use num_complex::Complex64;

/// A capacitor with its equivalent series resistance.
#[derive(Clone, Copy)]
pub struct Capacitor {
    /// Capacitance, farad.
    pub farad: f64,
    /// Equivalent series resistance, ohm.
    pub esr_ohm: f64,
}

impl Capacitor {
    /// Impedance at the complex frequency `s`, ohm.
    pub fn impedance(self, s: Complex64) -> Complex64 {
        self.esr_ohm + 1.0 / (s * self.farad)
    }
}

/// An inductor with its winding resistance.
#[derive(Clone, Copy)]
pub struct Inductor {
    /// Inductance, henry.
    pub henry: f64,
    /// Series resistance, ohm.
    pub series_ohm: f64,
}

impl Inductor {
    /// Impedance at the complex frequency `s`, ohm.
    pub fn impedance(self, s: Complex64) -> Complex64 {
        self.series_ohm + s * self.henry
    }
}

/// A single-section input filter between the source and a buck stage.
#[derive(Clone, Copy)]
pub struct InputFilter {
    /// Series inductor.
    pub inductor: Inductor,
    /// Shunt capacitor at the converter's input.
    pub capacitor: Capacitor,
    /// Series R-C leg across the shunt capacitor that damps the resonance.
    pub damper: Capacitor,
}

impl InputFilter {
    /// Output impedance seen by the converter (the source itself taken as stiff), ohm.
    fn output_impedance(&self, s: Complex64) -> Complex64 {
        let branches = [self.inductor.impedance(s), self.capacitor.impedance(s), self.damper.impedance(s)];
        1.0 / branches.map(|branch| 1.0 / branch).iter().sum::<Complex64>()
    }
}

/// How the switch and the inductor are connected.
#[derive(Clone, Copy, PartialEq, Eq)]
pub enum Topology {
    /// Step-down.
    Buck,
    /// Step-up.
    Boost,
}

/// A power stage at one operating point, synchronous, hence always in continuous conduction.
#[derive(Clone, Copy)]
pub struct PowerStage {
    /// Buck or boost.
    pub topology: Topology,
    /// Input voltage, volt.
    pub input_volt: f64,
    /// Output voltage, volt.
    pub output_volt: f64,
    /// Load, taken as a resistor, ohm.
    pub load_ohm: f64,
    /// Inductor, switches lumped into its resistance.
    pub inductor: Inductor,
    /// Bulk output capacitor.
    pub bulk: Capacitor,
    /// Ceramic output capacitor beside it.
    pub ceramic: Capacitor,
    /// Input filter, buck only.
    pub filter: Option<InputFilter>,
}

impl PowerStage {
    /// Steady-state duty cycle, losses neglected.
    pub fn duty(&self) -> f64 {
        match self.topology {
            Topology::Buck => self.output_volt / self.input_volt,
            Topology::Boost => 1.0 - self.input_volt / self.output_volt,
        }
    }

    /// Load in parallel with the output capacitors, ohm.
    fn output_network(&self, s: Complex64) -> Complex64 {
        1.0 / (1.0 / self.load_ohm + 1.0 / self.bulk.impedance(s) + 1.0 / self.ceramic.impedance(s))
    }

    /// Transfer function from duty cycle to output voltage, volt.
    pub fn duty_to_output(&self, s: Complex64) -> Complex64 {
        match self.topology {
            Topology::Buck => self.buck(s),
            Topology::Boost => self.boost(s),
        }
    }

    /// `Vin Zp / (Zp + Zl)`, times the correction for the input filter.
    fn buck(&self, s: Complex64) -> Complex64 {
        let parallel = self.output_network(s);
        let series = self.inductor.impedance(s);
        let plain = self.input_volt * parallel / (parallel + series);
        self.filter.as_ref().map_or(plain, |filter| {
            plain * self.filter_correction(filter.output_impedance(s), parallel + series)
        })
    }

    /// `(1 + Zo/ZN) / (1 + Zo/ZD)`: extra element theorem (R. D. Middlebrook), with
    /// `ZN = -R/D^2` (output held at null) and `ZD = (Zl + Zp)/D^2` (duty held).
    fn filter_correction(&self, source: Complex64, output_filter: Complex64) -> Complex64 {
        let duty_squared = self.duty() * self.duty();
        let null = -self.load_ohm / duty_squared;
        let driving = output_filter / duty_squared;
        (1.0 + source / null) / (1.0 + source / driving)
    }

    /// Canonical model of the boost: `V/D' (1 - s L/(D'^2 R)) Zp / (Zp + Zl/D'^2)`.
    fn boost(&self, s: Complex64) -> Complex64 {
        let off_duty = 1.0 - self.duty();
        let parallel = self.output_network(s);
        let series = self.inductor.impedance(s) / (off_duty * off_duty);
        let zero = 1.0 - s * self.inductor.henry / (off_duty * off_duty * self.load_ohm);
        self.output_volt / off_duty * zero * parallel / (parallel + series)
    }
}
