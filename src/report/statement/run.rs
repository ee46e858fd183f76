//! Whose run it is.

use crate::check::RunOutcome;

/// What a run says of itself.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::report) enum Fact {
    Product,
    Serial,
    Revision,
    Firmware,
    Build,
    Station,
    Taken,
    Run,
    Spec,
    Title,
    Operator,
    Instrument,
    CalibratedUntil,
    Injection,
    Notes,
}

/// What a run says of the unit and of when and where it was swept.
pub(in crate::report) const UNIT: [Fact; 4] = [Fact::Firmware, Fact::Build, Fact::Taken, Fact::Station];
/// What a run says of the bench.
pub(in crate::report) const BENCH: [Fact; 5] =
    [Fact::Operator, Fact::Instrument, Fact::CalibratedUntil, Fact::Injection, Fact::Notes];

impl Fact {
    const fn name(self) -> &'static str {
        match self {
            Self::Product => "product",
            Self::Serial => "serial",
            Self::Revision => "revision",
            Self::Firmware => "firmware",
            Self::Build => "build",
            Self::Station => "station",
            Self::Taken => "taken",
            Self::Run => "run",
            Self::Spec => "spec",
            Self::Title => "title",
            Self::Operator => "operator",
            Self::Instrument => "instrument",
            Self::CalibratedUntil => "calibrated_until",
            Self::Injection => "injection",
            Self::Notes => "notes",
        }
    }

    fn of(self, run: &RunOutcome) -> Option<&str> {
        match self {
            Self::Product => Some(&run.product),
            Self::Serial => Some(&run.serial),
            Self::Revision => Some(&run.revision),
            Self::Firmware => run.firmware.as_deref(),
            Self::Build => run.build.as_deref(),
            Self::Station => run.station.as_deref(),
            Self::Taken => run.taken.as_deref(),
            Self::Run => Some(&run.run),
            Self::Spec => Some(&run.spec_file),
            Self::Title => run.title.as_deref(),
            Self::Operator => run.bench.operator.as_deref(),
            Self::Instrument => run.bench.instrument.as_deref(),
            Self::CalibratedUntil => run.bench.calibrated_until.as_deref(),
            Self::Injection => run.bench.injection.as_deref(),
            Self::Notes => run.bench.notes.as_deref(),
        }
    }
}

/// These by name, in this order; `None` for what the run does not say.
pub(in crate::report) fn asked(
    run: &RunOutcome,
    wanted: impl IntoIterator<Item = Fact>,
) -> impl Iterator<Item = (&'static str, Option<&str>)> {
    wanted.into_iter().map(|fact| (fact.name(), fact.of(run)))
}

/// What the run says of these, by name, in this order.
pub(in crate::report) fn facts(
    run: &RunOutcome,
    wanted: impl IntoIterator<Item = Fact>,
) -> impl Iterator<Item = (&'static str, &str)> {
    asked(run, wanted).filter_map(|(name, text)| Some((name, text?)))
}

/// `RG-00042, river-gauge-5v, revision C`
pub(in crate::report) fn title(run: &RunOutcome) -> String {
    format!("{}, {}, revision {}", run.serial, run.product, run.revision)
}
