//! What a run is made of: its corners, levels, files and the one thing planted in it.

use super::products::{Board, Condition, Firmware, Product, Revision};

/// Strength of the injection.
#[derive(Clone, Copy, PartialEq)]
pub enum Level {
    /// dBm into 50 ohm.
    Dbm(f64),
    /// Millivolt rms.
    MilliVoltRms(f64),
    /// A profile, shifted by so many dB.
    Profile(&'static Profile, f64),
}

/// Load resistance that dBm refer to, ohm.
const REFERENCE_OHM: f64 = 50.0;

/// An injection that is strong where the loop gain is high and weak where the modulator would clamp: constant up to one
/// frequency and from another on, straight over the logarithm of the frequency between.
#[derive(PartialEq)]
pub struct Profile {
    /// Name in run files.
    name: &'static str,
    /// Up to this frequency, hertz, this level, dBm.
    strong: (f64, f64),
    /// From this frequency on, hertz, this level, dBm.
    weak: (f64, f64),
}

/// Profile of the 5 V rail.
pub const GENTLE: &Profile = &Profile { name: "gentle", strong: (1e3, -14.0), weak: (30e3, -29.0) };
/// Profile of the 1.8 V rail.
pub const STEEP: &Profile = &Profile { name: "steep", strong: (8e3, -11.0), weak: (60e3, -37.0) };

impl Level {
    /// Injected voltage at `frequency_hz`, volt rms.
    pub fn volt_rms(self, frequency_hz: f64) -> f64 {
        let from_dbm = |dbm: f64| (REFERENCE_OHM * 1e-3 * 10f64.powf(dbm / 10.0)).sqrt();
        match self {
            Self::Dbm(dbm) => from_dbm(dbm),
            Self::MilliVoltRms(milli) => 1e-3 * milli,
            Self::Profile(profile, offset) => {
                let ((from_hz, strong), (to_hz, weak)) = (profile.strong, profile.weak);
                let part = ((frequency_hz / from_hz).ln() / (to_hz / from_hz).ln()).clamp(0.0, 1.0);
                from_dbm(strong + part * (weak - strong) + offset)
            }
        }
    }

    /// As a run file writes it.
    pub fn yaml(self) -> String {
        match self {
            Self::Dbm(dbm) => format!("{dbm} dBm"),
            Self::MilliVoltRms(milli) => format!("{milli} mVrms"),
            Self::Profile(profile, offset) => format!("{{profile: {}, offset: {offset} dB}}", profile.name),
        }
    }

    /// For people.
    pub fn text(self) -> String {
        match self {
            Self::Profile(profile, offset) => format!("{} {offset:+} dB", profile.name),
            Self::Dbm(_) | Self::MilliVoltRms(_) => self.yaml(),
        }
    }

    /// As a file name bears it: without a blank.
    pub fn in_file_name(self) -> String {
        self.text().replace(' ', "")
    }
}

/// A corner as the spec declares it.
#[derive(Clone, Copy)]
pub struct Corner {
    /// Name in the spec.
    pub name: &'static str,
    /// Nominal condition.
    pub condition: Condition,
}

/// How the sweep files are laid out.
#[derive(Clone, Copy, PartialEq, Eq)]
pub enum Form {
    /// `frequency_hz,gain_db,phase_deg`.
    DbDegrees,
    /// `frequency_hz,gain,phase_deg`.
    RatioDegrees,
    /// `frequency_hz,real,imag`.
    RealImaginary,
    /// Both sides of the injection point.
    TwoSides,
    /// Semicolons, decimal commas, kilohertz, radians, two rows before the header.
    Declared,
}

/// The one thing that is wrong with the way a run was taken.
#[derive(Clone, Copy, PartialEq)]
pub enum Fault {
    /// Nothing.
    None,
    /// This corner was driven into the modulator's clamp at every level.
    OverDriven(&'static str),
    /// Probes exchanged at this corner.
    SwappedSides(&'static str),
    /// All sweeps of the run turned to the textbook sign.
    TextbookSign,
    /// The check sweep of this corner is a copy of the first one.
    CopiedCheck(&'static str),
    /// This corner was not measured.
    MissingCorner(&'static str),
    /// The sweeps of this corner end at so many hertz.
    Truncated(&'static str, f64),
    /// A row of this corner's first sweep has no number.
    Unreadable(&'static str),
}

/// What a reader should expect of a run.
#[derive(Clone, Copy)]
pub struct Expectation {
    /// What the run is.
    pub what: &'static str,
    /// Verdict.
    pub verdict: &'static str,
    /// The check, with its corner, that shows it.
    pub shown_by: &'static str,
}

/// A run to be made.
#[derive(Clone, Copy)]
pub struct RunPlan {
    /// The board.
    pub board: Board<'static>,
    /// The rail measured.
    pub product: Product,
    /// Build label.
    pub build: &'static str,
    /// When, RFC 3339.
    pub taken: &'static str,
    /// Where.
    pub station: &'static str,
    /// Remark for `notes`.
    pub notes: Option<&'static str>,
    /// Layout of the files.
    pub form: Form,
    /// Files named by a pattern instead of a list.
    pub pattern: bool,
    /// Whether the conditions met were noted for every sweep.
    pub actual: bool,
    /// Planted fault.
    pub fault: Fault,
    /// Levels of corners that are not taken at the ordinary two.
    pub levels: &'static [(&'static str, &'static [Level])],
    /// Expected verdict.
    pub expected: Expectation,
}

/// Ordinary levels: one to be judged and one 3 dB above that confirms it.
const ORDINARY: &[Level] = &[Level::Dbm(-26.0), Level::Dbm(-23.0)];
/// Levels of the rail that needs a profile.
const PROFILED: &[Level] = &[Level::Profile(STEEP, 0.0), Level::Profile(STEEP, 3.0)];
/// Levels of an over-driven corner.
const TOO_STRONG: &[Level] = &[Level::Dbm(1.0), Level::Dbm(4.0), Level::Dbm(7.0)];

impl RunPlan {
    /// Levels at which `corner` is swept.
    pub fn levels_of(&self, corner: &str) -> &'static [Level] {
        if matches!(self.fault, Fault::OverDriven(name) if name == corner) {
            return TOO_STRONG;
        }
        let ordinary = self.product.ordinary_levels();
        self.levels.iter().find(|(name, _)| *name == corner).map_or(ordinary, |(_, levels)| levels)
    }

    /// Folder of the run below `demo-data`, with `/`.
    pub fn folder(&self) -> String {
        format!("rev-{}/{}/{}", self.board.revision.lower_case(), self.board.serial, self.product.name())
    }
}

impl Revision {
    /// Letter as in folder names.
    pub fn lower_case(self) -> &'static str {
        match self {
            Self::A => "a",
            Self::B => "b",
            Self::C => "c",
        }
    }
}

impl Firmware {
    /// Version as written.
    pub fn label(self) -> &'static str {
        match self {
            Self::V230 => "2.3.0",
            Self::V231 => "2.3.1",
        }
    }
}

/// Ordinary ambient temperature, degree Celsius.
const ROOM: f64 = 25.0;

const fn corner(name: &'static str, input_volt: f64, load_ampere: f64, ambient_celsius: f64) -> Corner {
    Corner { name, condition: Condition { input_volt, load_ampere, ambient_celsius } }
}

const CORNERS_5V: &[Corner] = &[
    corner("10V-0.5A", 10.0, 0.5, ROOM),
    corner("10V-3A", 10.0, 3.0, ROOM),
    corner("24V-0.5A", 24.0, 0.5, ROOM),
    corner("24V-3A", 24.0, 3.0, ROOM),
    corner("32V-0.5A", 32.0, 0.5, ROOM),
    corner("32V-3A", 32.0, 3.0, ROOM),
    corner("cold-start", 24.0, 3.0, -30.0),
];
const CORNERS_3V3: &[Corner] = &[
    corner("8V-0.5A", 8.0, 0.5, ROOM),
    corner("8V-4A", 8.0, 4.0, ROOM),
    corner("24V-0.5A", 24.0, 0.5, ROOM),
    corner("24V-4A", 24.0, 4.0, ROOM),
    corner("cold-start", 12.0, 4.0, -30.0),
    corner("hot", 12.0, 4.0, 70.0),
];
const CORNERS_12V: &[Corner] = &[
    corner("6V-0.2A", 6.0, 0.2, ROOM),
    corner("6V-1A", 6.0, 1.0, ROOM),
    corner("9V-0.2A", 9.0, 0.2, ROOM),
    corner("9V-1A", 9.0, 1.0, ROOM),
    corner("cold-start", 7.5, 1.0, -30.0),
];
const CORNERS_1V8: &[Corner] = &[
    corner("4.5V-0.3A", 4.5, 0.3, ROOM),
    corner("4.5V-3A", 4.5, 3.0, ROOM),
    corner("5.5V-0.3A", 5.5, 0.3, ROOM),
    corner("5.5V-3A", 5.5, 3.0, ROOM),
    corner("hot", 5.0, 3.0, 70.0),
];

impl Product {
    /// Corners, as the specs declare them.
    pub fn corners(self) -> &'static [Corner] {
        match self {
            Self::Rail5V => CORNERS_5V,
            Self::Rail3V3 => CORNERS_3V3,
            Self::Rail12V => CORNERS_12V,
            Self::Rail1V8 => CORNERS_1V8,
        }
    }

    /// Levels at which a corner is swept if the run says nothing else. The compensator of the 1.8 V rail has so
    /// much gain at the top that a constant level is either too weak at the bottom or clamps at the top.
    fn ordinary_levels(self) -> &'static [Level] {
        match self {
            Self::Rail5V | Self::Rail3V3 | Self::Rail12V => ORDINARY,
            Self::Rail1V8 => PROFILED,
        }
    }

    /// Range of a sweep, a little wider than the band of the spec, hertz.
    pub fn sweep_hz(self) -> (f64, f64) {
        match self {
            Self::Rail5V | Self::Rail3V3 => (90.0, 220e3),
            Self::Rail12V => (90.0, 165e3),
            Self::Rail1V8 => (270.0, 440e3),
        }
    }
}
