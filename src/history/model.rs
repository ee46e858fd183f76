//! The rows that go into a history and come out of it.

use crate::check::{RunOutcome, Verdict};
use crate::spec::Drift;
use flate2::{Compress, Compression, FlushCompress, Status};
use serde::{Deserialize, Serialize};
use std::cell::RefCell;

/// Number of a record in its history; a later record has a larger one.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
pub struct RecordId(pub i64);

impl std::fmt::Display for RecordId {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        self.0.fmt(f)
    }
}

/// The JSON result of a run as a history stores it: a zlib stream (RFC 1950), whose checksum tells damage. Packing costs as much as judging a
/// corner, so it can be done where runs are judged side by side.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct PackedJson(pub(super) Vec<u8>);

/// How hard to pack: a text of results takes an eighth more room than at the usual 6, in half of its time.
const LEVEL: u32 = 2;

thread_local! {
    /// Its tables are larger than what it packs.
    static PACKER: RefCell<Compress> = RefCell::new(Compress::new(Compression::new(LEVEL), true));
}

impl PackedJson {
    /// Packs an object of the JSON result.
    #[must_use]
    pub fn of(json: &[u8]) -> Self {
        let mut packed = Vec::with_capacity(json.len() / 4 + 64);
        PACKER.with_borrow_mut(|packer| {
            packer.reset();
            loop {
                let rest = usize::try_from(packer.total_in()).ok().and_then(|done| json.get(done..));
                match packer.compress_vec(rest.unwrap_or_default(), &mut packed, FlushCompress::Finish) {
                    Ok(Status::StreamEnd) | Err(_) => break,
                    Ok(Status::Ok | Status::BufError) => packed.reserve(packed.capacity()),
                }
            }
        });
        Self(packed)
    }
}

/// A run to record.
#[derive(Debug, Clone, Copy)]
pub struct NewRecord<'a> {
    /// The judged run, with its provenance.
    pub outcome: &'a RunOutcome,
    /// The run's object in the JSON result of `check`, packed.
    pub json: &'a PackedJson,
    /// The spec's drift settings.
    pub drift: Option<&'a Drift>,
    /// The tool and its version, as in the JSON result.
    pub tool: &'a str,
    /// Now.
    pub recorded: time::UtcDateTime,
}

/// A record without its values.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RecordHead {
    /// Its number.
    pub id: RecordId,
    /// Product.
    pub product: String,
    /// Serial number.
    pub serial: String,
    /// Board revision.
    pub revision: String,
    /// Firmware.
    pub firmware: Option<String>,
    /// Build label.
    pub build: Option<String>,
    /// When the sweeps were taken, RFC 3339, as written.
    pub taken: Option<String>,
    /// The same instant, microseconds since 1970-01-01T00:00:00Z.
    pub taken_us: Option<i64>,
    /// Station.
    pub station: Option<String>,
    /// Whether the unit is a reference, measured again and again to watch the station.
    pub is_reference: bool,
    /// The run's folder as reached when it was recorded.
    pub run: String,
    /// The run's verdict.
    pub verdict: Verdict,
    /// The tool and its version.
    pub tool: String,
    /// SHA-256 of the resolved spec, 64 hexadecimal digits.
    pub spec_sha256: String,
    /// When it was recorded, UTC, RFC 3339.
    pub recorded: String,
    /// When it was marked as removed, UTC, RFC 3339; a marked record stays but does not count.
    pub removed: Option<String>,
    /// Why it was marked.
    pub reason: Option<String>,
}

/// Which quantity of which corner.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct SeriesKey {
    /// Corner.
    pub corner: String,
    /// `phase_margin_deg` and the other keys of `measured`, or a gain limit's check, `gain@120Hz`.
    pub quantity: String,
    /// Its unit; empty for a bare number.
    pub unit: String,
}

/// One value of one record.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ValueRow<'a> {
    /// Number of its series in this history.
    pub series_id: i64,
    /// The series.
    pub series: &'a SeriesKey,
    /// Its record.
    pub record: RecordId,
    /// The value in the series' unit; the magnitude of a phase margin, as it is held against the limit.
    pub value: f64,
    /// Expanded uncertainty at the record's coverage factor.
    pub uncertainty: Option<f64>,
    /// The part of the expanded uncertainty that all sweeps of a run share: gain, phase and delay of the chain and the
    /// impedance ratio, root of the sum of squares; `None` where no budget is known.
    pub chain: Option<f64>,
    /// Whether the value is a lower bound.
    pub at_least: bool,
}

/// A limit of a corner.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CornerLimit {
    /// Corner.
    pub corner: String,
    /// Quantity, as in [`SeriesKey`].
    pub quantity: String,
    /// Unit.
    pub unit: String,
    /// Smallest allowed value.
    pub min: Option<f64>,
    /// Largest allowed value.
    pub max: Option<f64>,
}

/// What the spec of a record says that drift needs.
#[derive(Debug, Clone, PartialEq)]
pub struct Settings {
    /// Coverage factor of the uncertainties.
    pub coverage: f64,
    /// How drift is judged.
    pub drift: Option<Drift>,
    /// The limits, corner by corner, in the spec's order.
    pub limits: Vec<CornerLimit>,
}

/// Which records to list. What is `None` does not choose.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Filter {
    /// Of this product.
    pub product: Option<String>,
    /// Of this serial number.
    pub serial: Option<String>,
    /// Of this build.
    pub build: Option<String>,
    /// From this station.
    pub station: Option<String>,
    /// With this verdict.
    pub verdict: Option<Verdict>,
    /// Only marked ones, or only those that are not.
    pub is_marked: Option<bool>,
}

/// A unit that was recorded more than once, reference units left out.
#[derive(Debug, Clone, PartialEq, Eq)]
#[non_exhaustive]
pub struct Retested {
    /// Product.
    pub product: String,
    /// Serial number.
    pub serial: String,
    /// Its records, oldest first; those marked as removed among them.
    pub records: Vec<RecordHead>,
}

/// What a look at the whole history found.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct CheckReport {
    /// Number of records, marked ones included.
    pub records: u64,
    /// Of them, how many are marked as removed.
    pub marked: u64,
    /// Of them, how many hold no digests, since an earlier version recorded them: a changed number in them is not noticed.
    pub without_digests: u64,
    /// Number of corners.
    pub corners: u64,
    /// Number of values.
    pub values: u64,
    /// What is wrong, a sentence each; empty when nothing is.
    pub problems: Vec<String>,
}

#[cfg(test)]
mod tests {
    use super::PackedJson;
    use std::io::Read;

    /// Also what hardly gets smaller, one after the other by the same thread.
    #[test]
    fn what_is_packed_comes_out_again() {
        let mut state = 1_u32;
        let mut noise = |length: usize| -> Vec<u8> {
            let next = |_| {
                state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                (state >> 24) as u8
            };
            (0..length).map(next).collect()
        };
        for text in [Vec::new(), b"{}".to_vec(), noise(200_000), b"[0.5,".repeat(50_000), noise(3)] {
            let PackedJson(packed) = PackedJson::of(&text);
            let mut out = Vec::new();
            flate2::read::ZlibDecoder::new(packed.as_slice()).read_to_end(&mut out).unwrap();
            assert!(out == text, "{} bytes", text.len());
        }
    }
}
