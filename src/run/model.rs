//! A validated run: the sweeps collected from one unit.

use super::Bench;
use crate::quantity::{Condition, Decibel, Level};
use crate::spec::Spec;
use crate::sweep::Reading;
use std::sync::Arc;

/// How strongly the loop was excited in one sweep.
#[derive(Debug, Clone, PartialEq)]
pub enum Excitation {
    /// One level at all frequencies.
    Level(Level),
    /// A level that changes over frequency, known by name, and its offset.
    Profile {
        /// Name of the profile.
        name: String,
        /// Offset to the profile.
        offset: Decibel,
        /// The offset as written.
        text: String,
    },
}

impl Excitation {
    /// dB on a scale on which two excitations of one corner can be subtracted.
    #[must_use]
    pub fn db(&self) -> f64 {
        match self {
            Self::Level(level) => level.dbv(),
            Self::Profile { offset, .. } => offset.db(),
        }
    }
}

/// One sweep file of a run.
#[derive(Debug, Clone, PartialEq)]
pub struct SweepEntry {
    /// Files as written, relative to the run's folder, with `/`: one, or the pieces of the sweep. Never empty.
    pub files: Vec<String>,
    /// Excitation; `None` when the run does not say (then all such sweeps of a corner are repeats of one level).
    pub excitation: Option<Excitation>,
    /// Conditions as they were, where they were noted.
    pub actual: Vec<(String, Condition)>,
}

impl SweepEntry {
    /// Its files in words.
    #[must_use]
    pub fn name(&self) -> String {
        self.files.join(" + ")
    }
}

/// The sweeps of one corner of the spec; empty when nothing was collected.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct CornerSweeps {
    /// In the run's order (of file names for a `pattern`).
    pub entries: Vec<SweepEntry>,
}

/// A validated run. It owns the spec that it was resolved against, and is judged against no other: its sweeps stand in the
/// order of that spec's corners, and under another spec they would pass for those of other corners.
///
/// ```compile_fail,E0616
/// # use loopgauge::run::Run;
/// fn swap(mut run: Run, other: Run) -> Run {
///     run.corners = other.corners;
///     run
/// }
/// ```
#[derive(Debug, Clone, PartialEq)]
pub struct Run {
    pub(super) spec: Arc<Spec>,
    /// One for each corner of the spec, in the spec's order.
    pub(super) corners: Vec<CornerSweeps>,
    /// Folder as reached from the command line, with `/`.
    pub folder: String,
    /// The run file as reached, with `/`.
    pub file: String,
    /// Serial number.
    pub serial: String,
    /// Board revision.
    pub revision: String,
    /// Firmware.
    pub firmware: Option<String>,
    /// Lot or build label.
    pub build: Option<String>,
    /// When the sweeps were taken: the text of the file (RFC 3339).
    pub taken: Option<String>,
    /// Station.
    pub station: Option<String>,
    /// Whether the unit is a reference, measured again and again to watch the station.
    pub is_reference: bool,
    /// Who measured it, and with what.
    pub bench: Bench,
    /// Layout of the sweep files: the run's `reading` over the spec's.
    pub reading: Reading,
}

impl Run {
    /// The spec that it was resolved against.
    #[must_use]
    pub fn spec(&self) -> &Arc<Spec> {
        &self.spec
    }

    /// The product, of the run as of its spec.
    #[must_use]
    pub fn product(&self) -> &str {
        &self.spec.product
    }

    /// The sweeps of each corner of the spec, in the spec's order.
    #[must_use]
    pub fn corners(&self) -> &[CornerSweeps] {
        &self.corners
    }
}
