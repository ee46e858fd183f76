//! The four rails of the river-gauge telemetry board: nominal parts, revisions, firmware, climate.

use super::control::{Compensation, Compensator, Modulator};
use super::measure::Bench;
use super::noise::Noise;
use super::stage::{Capacitor, Inductor, InputFilter, PowerStage, Topology};

/// A rail of the board, each with a spec of its own.
#[derive(Clone, Copy, PartialEq, Eq)]
pub enum Product {
    /// 5 V buck.
    Rail5V,
    /// 3.3 V buck behind an input filter.
    Rail3V3,
    /// 12 V boost for the gauge's sensor.
    Rail12V,
    /// 1.8 V buck, conditionally stable.
    Rail1V8,
}

/// Revision of the board.
#[derive(Clone, Copy, PartialEq, Eq)]
pub enum Revision {
    /// First boards, wet electrolytic capacitors on two rails.
    A,
    /// Polymer capacitors; other parts in the compensation of the 5 V rail.
    B,
    /// The compensation of revision A with the capacitors of revision B.
    C,
}

/// Firmware build on the board.
#[derive(Clone, Copy, PartialEq, Eq)]
pub enum Firmware {
    /// 2.3.0.
    V230,
    /// 2.3.1: faster interrupt, compensation 3 % stronger.
    V231,
}

/// Operating condition.
#[derive(Clone, Copy)]
pub struct Condition {
    /// Input voltage, volt.
    pub input_volt: f64,
    /// Load current, ampere.
    pub load_ampere: f64,
    /// Ambient temperature, degree Celsius.
    pub ambient_celsius: f64,
}

/// Output capacitor technology: what cold does to it.
#[derive(Clone, Copy)]
struct Technology {
    /// Temperature rise that divides the series resistance by e, kelvin.
    esr_kelvin: f64,
    /// Relative change of the capacitance per kelvin.
    capacitance_per_kelvin: f64,
}

/// Series resistance about 1.7 times at -30 degC (typical data-sheet curves, no single source).
const POLYMER: Technology = Technology { esr_kelvin: 100.0, capacitance_per_kelvin: 0.0012 };
/// Series resistance about 2.5 times, capacitance a fifth lower at -30 degC (likewise).
const WET: Technology = Technology { esr_kelvin: 60.0, capacitance_per_kelvin: 0.0036 };

/// Temperature at which nominal values hold, degree Celsius.
const REFERENCE_CELSIUS: f64 = 25.0;
/// Temperature coefficient of copper's resistance, per kelvin (handbook value).
const COPPER_PER_KELVIN: f64 = 0.0039;

/// Nominal design of one rail.
struct Design {
    topology: Topology,
    output_volt: f64,
    switching_hz: f64,
    inductor: Inductor,
    saturation_ampere: f64,
    bulk: Capacitor,
    technology: Technology,
    ceramic: Capacitor,
    filter: Option<InputFilter>,
    compensation: Compensation,
    ramp_volt: f64,
    /// Input voltage at which the ramp has its nominal height, and the share of the ramp that follows the input.
    feed_forward: (f64, f64),
    duty_range: (f64, f64),
}

/// One board, as far as its loops are concerned.
#[derive(Clone, Copy)]
pub struct Board<'a> {
    /// Serial number: seeds the tolerances of its parts.
    pub serial: &'a str,
    /// Revision.
    pub revision: Revision,
    /// Firmware.
    pub firmware: Firmware,
    /// Gain of the trimmer relative to what the firmware should set.
    pub trim: f64,
}

impl Product {
    /// Name of the product, as in its spec.
    pub fn name(self) -> &'static str {
        match self {
            Self::Rail5V => "river-gauge-5v",
            Self::Rail3V3 => "river-gauge-3v3",
            Self::Rail12V => "river-gauge-12v",
            Self::Rail1V8 => "river-gauge-1v8",
        }
    }

    fn design(self, revision: Revision) -> Design {
        match self {
            Self::Rail5V => rail_5v(revision),
            Self::Rail3V3 => rail_3v3(revision),
            Self::Rail12V => rail_12v(revision),
            Self::Rail1V8 => rail_1v8(),
        }
    }

    /// The rail on `board` at `condition`, ready to be measured.
    pub fn bench(self, board: &Board<'_>, condition: Condition) -> Bench {
        let design = self.design(board.revision);
        let mut parts = Noise::seeded(&format!("parts {} {}", board.serial, self.name()));
        let stage = stage(&design, condition, &mut parts);
        let compensator = compensator(&design, board, &mut parts);
        let modulator = modulator(&design, board.firmware, &stage, &mut parts);
        Bench { stage, compensator, modulator }
    }
}

fn stage(design: &Design, condition: Condition, parts: &mut Noise) -> PowerStage {
    let warmer = condition.ambient_celsius - REFERENCE_CELSIUS;
    let saturation = condition.load_ampere / design.saturation_ampere;
    let Technology { esr_kelvin, capacitance_per_kelvin } = design.technology;
    PowerStage {
        topology: design.topology,
        input_volt: condition.input_volt,
        output_volt: design.output_volt,
        load_ohm: design.output_volt / condition.load_ampere,
        inductor: Inductor {
            henry: design.inductor.henry * parts.factor(0.04) * (1.0 - 0.1 * saturation * saturation),
            series_ohm: design.inductor.series_ohm * parts.factor(0.05) * (1.0 + COPPER_PER_KELVIN * warmer),
        },
        bulk: Capacitor {
            farad: design.bulk.farad * parts.factor(0.04) * (1.0 + capacitance_per_kelvin * warmer),
            esr_ohm: design.bulk.esr_ohm * parts.factor(0.06) * (-warmer / esr_kelvin).exp(),
        },
        // Class 2 ceramics lose towards both ends of their temperature range.
        ceramic: Capacitor {
            farad: design.ceramic.farad * parts.factor(0.05) * (1.0 - 0.0012 * warmer.abs()),
            esr_ohm: design.ceramic.esr_ohm,
        },
        filter: design.filter,
    }
}

fn compensator(design: &Design, board: &Board<'_>, parts: &mut Noise) -> Compensator {
    let mut compensator = Compensator::new(&design.compensation, 10e3, 3.3e3);
    for resistor in [&mut compensator.r1_ohm, &mut compensator.r2_ohm, &mut compensator.r3_ohm] {
        *resistor *= parts.factor(0.005);
    }
    for capacitor in [&mut compensator.c1_farad, &mut compensator.c2_farad, &mut compensator.c3_farad] {
        *capacitor *= parts.factor(0.02);
    }
    let set_by_firmware = match board.firmware {
        Firmware::V230 => 1.0,
        Firmware::V231 => 1.03,
    };
    compensator.trim = set_by_firmware * board.trim;
    compensator
}

/// The dead time is that of the computation plus the share of the period after which the modulator
/// switches off (uniform sampling, trailing edge: L. Corradini, D. Maksimovic, P. Mattavelli, R. Zane, *Digital Control of
/// High-Frequency Switched-Mode Power Converters*, chapter 2, from memory).
fn modulator(design: &Design, firmware: Firmware, stage: &PowerStage, parts: &mut Noise) -> Modulator {
    let computation_s = match firmware {
        Firmware::V230 => 0.50e-6,
        Firmware::V231 => 0.35e-6,
    };
    let (nominal_volt, share) = design.feed_forward;
    let followed = 1.0 - share + share * stage.input_volt / nominal_volt;
    let (duty_min, duty_max) = design.duty_range;
    Modulator {
        ramp_volt: design.ramp_volt * followed * parts.factor(0.015),
        duty: stage.duty(),
        duty_min,
        duty_max,
        delay_s: computation_s + stage.duty() / design.switching_hz,
    }
}

fn rail_5v(revision: Revision) -> Design {
    // Revision B took a smaller capacitor for the lead branch and a faster integrator to keep the crossover: at low
    // input, where the crossover is lowest, the zeros then come too late.
    let (integrator_hz, zeros_hz) = match revision {
        Revision::A | Revision::C => (1000.0, (2.2e3, 3.5e3)),
        Revision::B => (2300.0, (2.8e3, 6.5e3)),
    };
    Design {
        topology: Topology::Buck,
        output_volt: 5.0,
        switching_hz: 600e3,
        inductor: Inductor { henry: 10e-6, series_ohm: 0.045 },
        saturation_ampere: 5.0,
        bulk: Capacitor { farad: 220e-6, esr_ohm: 0.014 },
        technology: POLYMER,
        ceramic: Capacitor { farad: 30e-6, esr_ohm: 0.003 },
        filter: None,
        compensation: Compensation { integrator_hz, zeros_hz, poles_hz: (60e3, 220e3) },
        ramp_volt: 2.0,
        feed_forward: (24.0, 0.5),
        duty_range: (0.06, 0.90),
    }
}

fn rail_3v3(revision: Revision) -> Design {
    let (bulk, technology) = match revision {
        Revision::A => (Capacitor { farad: 270e-6, esr_ohm: 0.020 }, WET),
        Revision::B | Revision::C => (Capacitor { farad: 270e-6, esr_ohm: 0.012 }, POLYMER),
    };
    Design {
        topology: Topology::Buck,
        output_volt: 3.3,
        switching_hz: 600e3,
        inductor: Inductor { henry: 6.8e-6, series_ohm: 0.03 },
        saturation_ampere: 7.0,
        bulk,
        technology,
        ceramic: Capacitor { farad: 44e-6, esr_ohm: 0.003 },
        filter: Some(InputFilter {
            inductor: Inductor { henry: 10e-6, series_ohm: 0.02 },
            capacitor: Capacitor { farad: 60e-6, esr_ohm: 0.02 },
            damper: Capacitor { farad: 220e-6, esr_ohm: 0.40 },
        }),
        compensation: Compensation {
            integrator_hz: 1200.0,
            zeros_hz: (2.2e3, 3.4e3),
            poles_hz: (60e3, 220e3),
        },
        ramp_volt: 2.0,
        feed_forward: (12.0, 0.6),
        duty_range: (0.05, 0.90),
    }
}

fn rail_12v(revision: Revision) -> Design {
    let (bulk, technology) = match revision {
        Revision::A => (Capacitor { farad: 270e-6, esr_ohm: 0.024 }, WET),
        Revision::B | Revision::C => (Capacitor { farad: 270e-6, esr_ohm: 0.018 }, POLYMER),
    };
    Design {
        topology: Topology::Boost,
        output_volt: 12.0,
        switching_hz: 400e3,
        inductor: Inductor { henry: 6.8e-6, series_ohm: 0.04 },
        saturation_ampere: 6.0,
        bulk,
        technology,
        ceramic: Capacitor { farad: 20e-6, esr_ohm: 0.003 },
        filter: None,
        compensation: Compensation {
            integrator_hz: 500.0,
            zeros_hz: (1.6e3, 2.6e3),
            poles_hz: (35e3, 100e3),
        },
        ramp_volt: 2.0,
        feed_forward: (9.0, 0.0),
        duty_range: (0.02, 0.85),
    }
}

/// The double pole of the output filter lies well below the zeros: between them the phase dips below -180 deg while the gain is
/// high, and it recovers before the crossover.
fn rail_1v8() -> Design {
    Design {
        topology: Topology::Buck,
        output_volt: 1.8,
        switching_hz: 1e6,
        inductor: Inductor { henry: 1.3e-6, series_ohm: 0.005 },
        saturation_ampere: 8.0,
        bulk: Capacitor { farad: 330e-6, esr_ohm: 0.0035 },
        technology: POLYMER,
        ceramic: Capacitor { farad: 30e-6, esr_ohm: 0.002 },
        filter: None,
        compensation: Compensation { integrator_hz: 36e3, zeros_hz: (15e3, 16e3), poles_hz: (350e3, 600e3) },
        ramp_volt: 1.0,
        feed_forward: (5.0, 0.0),
        duty_range: (0.02, 0.95),
    }
}
