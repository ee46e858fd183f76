//! What an export holds, a row per record, corner and quantity.

use super::model::RecordHead;

/// Names of the columns, in order.
pub(super) const COLUMNS: [&str; 38] = [
    "record",
    "product",
    "serial",
    "revision",
    "firmware",
    "build",
    "taken",
    "taken_us",
    "station",
    "reference",
    "run",
    "run_verdict",
    "tool",
    "spec_sha256",
    "recorded",
    "removed",
    "reason",
    "corner",
    "corner_verdict",
    "level",
    "quantity",
    "unit",
    "value",
    "uncertainty",
    "chain",
    "at_least",
    "min",
    "max",
    "conditions",
    "check",
    "check_verdict",
    "slack",
    "title",
    "operator",
    "instrument",
    "calibrated_until",
    "injection",
    "notes",
];

/// A row. A corner that gave no value has one without a quantity, so that its verdict is there.
pub(super) struct ExportRow {
    pub(super) head: RecordHead,
    pub(super) corner: String,
    pub(super) corner_verdict: String,
    pub(super) level: Option<String>,
    /// A JSON object; `None` where an earlier version recorded it.
    pub(super) conditions: Option<String>,
    /// What the spec calls the product, who measured, and with what, as [`super::schema::BENCH`].
    pub(super) bench: [Option<String>; 6],
    pub(super) quantity: Option<Quantity>,
}

/// What was measured.
pub(super) struct Quantity {
    pub(super) quantity: String,
    pub(super) unit: String,
    pub(super) value: f64,
    pub(super) uncertainty: Option<f64>,
    pub(super) chain: Option<f64>,
    pub(super) at_least: bool,
    pub(super) min: Option<f64>,
    pub(super) max: Option<f64>,
    /// The check that holds it against its limits, with its verdict; `None` without one, and where an earlier version recorded it.
    pub(super) check: Option<[String; 2]>,
}

impl Quantity {
    /// From the value to the nearer limit, negative beyond it; `None` without a limit.
    pub(super) fn slack(&self) -> Option<f64> {
        let rooms = [self.min.map(|min| self.value - min), self.max.map(|max| max - self.value)];
        rooms.into_iter().flatten().reduce(f64::min)
    }
}
