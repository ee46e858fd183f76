//! A baseline file: from bytes to an accepted unit.

use super::write::COLUMNS;
use super::{AcceptedCorner, AcceptedUnit, AcceptedValue, Points, Row};
use crate::diagnostic::Diagnostic;
use crate::measurand::Measurand;
use crate::quantity::{Decibel, Degrees, Seconds, Unit};
use crate::spec::plausible::{
    COVERAGE, DELAY_ACCURACY, FREQUENCY, GAIN_ACCURACY, MOST_POLES, PHASE_ACCURACY,
};
use crate::spec::{Accuracy, CriticalPoint, product, version};
use crate::uncertainty::Budget;
use crate::yaml::{Bounds, Fields, Findings, Sign, Sort, Value, parse_as};
use std::collections::HashSet;
use std::sync::Arc;

/// Points that a sweep has at least, and the curve of one.
const LEAST_POINTS: usize = 3;
/// Most crossovers of a curve: more than a sweep has points.
const MOST_CROSSINGS: u32 = 10_000_000;

/// What `accept` can have written of each quantity: as much as sweeps and specs are read with. Anything beyond was put there by
/// another hand.
const DISTANCE: Bounds = Bounds { least: (0.0, "0"), most: (1e6, "1e6"), usual: "accepted ones lie below 1" };
const MARGIN_DB: Bounds =
    Bounds { least: (-6100.0, "-6100"), most: (6100.0, "6100"), usual: "no sweep has more decibels" };
const MARGIN_DEG: Bounds =
    Bounds { least: (-180.0, "-180"), most: (180.0, "180"), usual: "a phase margin is at most half a turn" };
const MARGIN_S: Bounds =
    Bounds { least: (-1e7, "-1e7"), most: (1e7, "1e7"), usual: "a delay margin is at most a period" };
const UNCERTAINTY: Bounds =
    Bounds { least: (-1e30, "-1e30"), most: (1e30, "1e30"), usual: "an uncertainty is a part of its value" };
/// Angles of a curve are not wrapped: as far as sweeps may have them.
const MOST_DEG: f64 = 1e11;
const MOST_DB: f64 = 6100.0;

/// How baseline files are known.
const SORT: Sort = Sort {
    what: "an accepted unit",
    keys: &[
        "baseline",
        "product",
        "serial",
        "revision",
        "firmware",
        "build",
        "station",
        "taken",
        "tool",
        "verdict",
        "anyway",
        "spec_sha256",
        "critical_point",
        "open_loop_poles",
        "coverage",
        "accuracy",
        "corners",
    ],
    written_by: Some("accept"),
};

/// Reads a baseline file.
///
/// # Errors
/// Everything that is wrong with it.
pub fn parse(bytes: &[u8], file: &Arc<str>) -> Result<AcceptedUnit, Vec<Diagnostic>> {
    let findings = Findings::default();
    let root = parse_as(&SORT, bytes, file, 0, &findings);
    let unit = root.as_ref().and_then(|root| unit(&Value::root(root, &findings)));
    findings.into_result(unit, file).map(|(unit, _)| unit)
}

/// Puts a diagnostic about a key of a baseline file's top level where the key stands.
#[cfg(feature = "files")]
pub(crate) fn at(bytes: &[u8], file: &Arc<str>, key: &str, diagnostic: Diagnostic) -> Diagnostic {
    match parse_as(&SORT, bytes, file, 0, &Findings::default()) {
        Some(root) => crate::yaml::at_key(&root, key, diagnostic),
        None => diagnostic.in_file(file),
    }
}

fn unit(value: &Value<'_>) -> Option<AcceptedUnit> {
    let fields = value.fields("a map of keys")?;
    if let Some(value) = fields.required("baseline", "baseline: 1") {
        version(&value, "baseline");
    }
    let product = fields.required("product", "product: river-gauge-5v").as_ref().and_then(product);
    let serial = label(&fields, "serial", Some("serial: RG-00042"));
    let revision = label(&fields, "revision", Some("revision: C"));
    let [firmware, build, station, taken] =
        ["firmware", "build", "station", "taken"].map(|key| label(&fields, key, None));
    let tool = label(&fields, "tool", Some("tool: loopgauge 0.1.0"));
    let verdict = label(&fields, "verdict", Some("verdict: pass"));
    let anyway = label(&fields, "anyway", None);
    let spec_sha256 = fields.required("spec_sha256", "spec_sha256: …").as_ref().and_then(digest);
    let points =
        [("+1", CriticalPoint::PlusOne), ("1", CriticalPoint::PlusOne), ("-1", CriticalPoint::MinusOne)];
    let critical_point =
        fields.required("critical_point", "critical_point: +1").and_then(|value| value.word(&points));
    let open_loop_poles =
        fields.required("open_loop_poles", "open_loop_poles: 0").and_then(|v| v.count_in(0, MOST_POLES));
    let coverage =
        fields.required("coverage", "coverage: 2").and_then(|v| v.number_in(Sign::Positive, "2", &COVERAGE));
    let accuracy = fields
        .required("accuracy", "accuracy: {gain_db: 0.1, phase_deg: 0.5, delay_s: 0}")
        .as_ref()
        .and_then(accuracy);
    let corners = fields.required("corners", "corners: []").as_ref().and_then(corners);
    fields.finish();
    Some(AcceptedUnit {
        product: product?,
        serial: serial?,
        revision: revision?,
        firmware,
        build,
        station,
        taken,
        tool: tool?,
        verdict: verdict?,
        anyway,
        spec_sha256: spec_sha256?,
        critical_point: critical_point?,
        open_loop_poles: open_loop_poles?,
        coverage: coverage?,
        accuracy: accuracy?,
        corners: corners?,
    })
}

/// A label as written; with an `example` it is required.
fn label(fields: &Fields<'_>, key: &'static str, example: Option<&str>) -> Option<String> {
    let value = match example {
        Some(example) => fields.required(key, example),
        None => fields.get(key),
    };
    value.and_then(|value| value.label("a label").map(str::to_owned))
}

/// A SHA-256.
fn digest(value: &Value<'_>) -> Option<String> {
    let text = value.text("a SHA-256, 64 hexadecimal digits")?;
    if text.len() == 64 && text.bytes().all(|b| b.is_ascii_digit() || (b'a'..=b'f').contains(&b)) {
        return Some(text.to_owned());
    }
    value.error(
        "bad-digest",
        format!("`{text}` is no SHA-256"),
        "64 digits of 0 to 9 and a to f are wanted; accept the unit anew",
    );
    None
}

fn accuracy(value: &Value<'_>) -> Option<Accuracy> {
    let fields = value.fields("a map such as `{gain_db: 0.1, phase_deg: 0.5, delay_s: 0}`")?;
    let read = |key: &'static str, bounds: &Bounds| {
        let value = fields.required(key, &format!("{key}: 0.1"));
        value.and_then(|value| value.number_in(Sign::NotNegative, "0.1", bounds))
    };
    let gain = read("gain_db", &GAIN_ACCURACY);
    let phase = read("phase_deg", &PHASE_ACCURACY);
    let delay = read("delay_s", &DELAY_ACCURACY);
    fields.finish();
    Some(Accuracy { gain: Decibel::new(gain?)?, phase: Degrees::new(phase?)?, delay: Seconds::new(delay?)? })
}

fn corners(value: &Value<'_>) -> Option<Vec<AcceptedCorner>> {
    let mut names = HashSet::new();
    let mut corners = Vec::new();
    let mut sound = true;
    for item in value.items("a list of corners")? {
        let Some(corner) = corner(&item) else {
            sound = false;
            continue;
        };
        if !names.insert(corner.name.clone()) {
            item.error(
                "duplicate-corner",
                format!("the corner `{}` stands here twice", corner.name),
                "keep one of the two",
            );
        }
        corners.push(corner);
    }
    sound.then_some(corners)
}

fn corner(value: &Value<'_>) -> Option<AcceptedCorner> {
    let fields = value.fields("a map that begins with `corner: 24V-3A`")?;
    let name = label(&fields, "corner", Some("corner: 24V-3A"));
    let conditions = fields.required("conditions", "conditions: {input: 24 V}").as_ref().and_then(conditions);
    let band = fields.get("band_hz");
    let band_hz = band.as_ref().map(|value| ends(value));
    let level = label(&fields, "level", None);
    let files = fields.required("files", "files: [{file: a.csv, sha256: …}]").as_ref().and_then(files);
    let crossings = fields.required("crossings", "crossings: 1").and_then(|v| v.count_in(0, MOST_CROSSINGS));
    let values = fields.required("values", "values: {phase_margin_deg: {value: 52.3, u: 0.3, at_hz: 9310}}");
    let values = values.as_ref().and_then(values_of);
    let curve = fields.required("curve", "curve: |").as_ref().and_then(curve);
    fields.finish();
    Some(AcceptedCorner {
        name: name?,
        conditions: conditions?,
        band_hz: match band_hz {
            None => None,
            Some(ends) => Some(ends?),
        },
        level,
        files: files?,
        crossings: crossings?,
        values: values?,
        curve: curve?,
    })
}

fn conditions(value: &Value<'_>) -> Option<Vec<(String, String)>> {
    let entries = value.entries("a map such as `{input: 24 V, load: 3 A}`")?;
    let read = |entry| {
        let condition = crate::spec::condition(&Value::at(entry, &value.path, value.findings))?;
        Some((entry.key.to_string(), condition.text().to_owned()))
    };
    entries.iter().map(read).collect()
}

fn ends(value: &Value<'_>) -> Option<[f64; 2]> {
    let mut ends = value.items("two frequencies in Hz such as `[100, 200000]`")?;
    let mut next = || ends.next().and_then(|item| item.number_in(Sign::Positive, "100", &FREQUENCY));
    match (next(), next(), ends.next()) {
        (Some(from), Some(to), None) if from < to => Some([from, to]),
        _ => {
            value.error(
                "bad-band",
                "two rising frequencies in Hz are wanted",
                "write for example `[100, 200000]`",
            );
            None
        }
    }
}

fn files(value: &Value<'_>) -> Option<Vec<(String, String)>> {
    let read = |item: Value<'_>| {
        let fields = item.fields("a map such as `{file: a.csv, sha256: …}`")?;
        let file = label(&fields, "file", Some("file: a.csv"));
        let sha256 = fields.required("sha256", "sha256: …").as_ref().and_then(digest);
        fields.finish();
        Some((file?, sha256?))
    };
    value.items("a list of files")?.map(read).collect()
}

fn values_of(value: &Value<'_>) -> Option<Vec<(Measurand, AcceptedValue)>> {
    let fields = value.fields("a map of the values")?;
    let mut values = Vec::new();
    let mut sound = true;
    for measurand in Measurand::ALL {
        let Some(value) = fields.get(measurand.key()) else { continue };
        match value_of(&value, measurand) {
            Some(read) => values.push((measurand, read)),
            None => sound = false,
        }
    }
    fields.finish();
    sound.then_some(values)
}

fn value_of(value: &Value<'_>, measurand: Measurand) -> Option<AcceptedValue> {
    let fields = value.fields("a map such as `{value: 52.3, u: 0.3, at_hz: 9310}`")?;
    let (sign, bounds) = match measurand.unit() {
        Unit::Hz => (Sign::Positive, &FREQUENCY),
        Unit::Deg => (Sign::Any, &MARGIN_DEG),
        Unit::Db => (Sign::Any, &MARGIN_DB),
        Unit::S => (Sign::Any, &MARGIN_S),
        Unit::One | Unit::PointsPerDecade => (Sign::NotNegative, &DISTANCE),
    };
    let own = fields.required("value", "value: 52.3").and_then(|value| value.number_in(sign, "52.3", bounds));
    let at_hz = fields
        .required("at_hz", "at_hz: 9310")
        .and_then(|value| value.number_in(Sign::Positive, "9310", &FREQUENCY));
    let u = fields.get("u").map(|value| value.number_in(Sign::NotNegative, "0.3", &UNCERTAINTY));
    let is = |key| {
        fields.get(key).is_some_and(|value| value.word(&[("true", true), ("false", false)]) == Some(true))
    };
    let (at_least, simulated) = (is("at_least"), is("simulated"));
    let part = |key| {
        fields.get(key).and_then(|value| value.number_in(Sign::Any, "0.1", &UNCERTAINTY)).unwrap_or(0.0)
    };
    let budget = Budget {
        gain: part("gain"),
        phase: part("phase"),
        delay: part("delay"),
        noise: part("noise"),
        density: part("density"),
        rounding: part("rounding"),
        level: part("level"),
        impedance_ratio: part("impedance_ratio"),
    };
    fields.finish();
    let u = match u {
        None => None,
        Some(u) => Some(u?),
    };
    Some(AcceptedValue { value: own?, u, at_hz: at_hz?, at_least, simulated, budget })
}

fn curve(value: &Value<'_>) -> Option<Points> {
    let wanted = format!("a block of rows under the line `{}`", COLUMNS.join("` or `"));
    let lines = value.lines(&wanted)?;
    let mut lines = lines.into_iter();
    let Some((head, at)) = lines.next() else {
        value.error("empty-curve", "the curve has no rows", "accept the unit anew");
        return None;
    };
    let columns = head.split_whitespace().count();
    if COLUMNS.iter().all(|known| !known.split(' ').eq(head.split_whitespace())) {
        at.error(
            "curve-columns",
            format!("`{head}` are no columns of a curve"),
            format!("{wanted} is wanted"),
        );
        return None;
    }
    let mut rows: Vec<Row> = Vec::new();
    for (line, at) in lines {
        let row = row(line, &at, columns)?;
        if rows.last().is_some_and(|before| row.hz <= before.hz) {
            at.error(
                "curve-order",
                format!("{} Hz does not lie above the row before", row.hz),
                "accept the unit anew",
            );
            return None;
        }
        rows.push(row);
    }
    if rows.len() < LEAST_POINTS {
        let message = format!("the curve has {} rows, at least {LEAST_POINTS} are wanted", rows.len());
        value.error("short-curve", message, "accept the unit anew");
        return None;
    }
    Some(Points { rows })
}

fn row(line: &str, at: &Value<'_>, columns: usize) -> Option<Row> {
    let numbers: Vec<f64> = line
        .split_whitespace()
        .filter_map(|word| word.parse().ok())
        .filter(|n: &f64| n.is_finite())
        .collect();
    let row = match numbers.as_slice() {
        [hz, db, deg] if columns == 3 => Some(Row { hz: *hz, db: *db, deg: *deg, noise: None }),
        [hz, db, deg, a, b] if columns == 5 && *a >= 0.0 && *b >= 0.0 => {
            Some(Row { hz: *hz, db: *db, deg: *deg, noise: Some([*a, *b]) })
        }
        _ => None,
    };
    let row = row.filter(|row| row.hz > 0.0 && line.split_whitespace().count() == columns);
    if let Some(row) = row {
        return in_range(row, at).then_some(row);
    }
    let message = format!("`{line}` is no row of {columns} numbers, the first above 0");
    at.error("curve-row", message, "accept the unit anew, or take the file as it was accepted");
    None
}

/// Whether the numbers of a row can be those of a sweep; says so where they cannot.
fn in_range(row: Row, at: &Value<'_>) -> bool {
    let noise = row.noise.unwrap_or_default();
    let (least_hz, most_hz) = (FREQUENCY.least.0, FREQUENCY.most.0);
    let beyond = [
        (row.hz, "Hz", least_hz..=most_hz),
        (row.db, "dB", -MOST_DB..=MOST_DB),
        (row.deg, "deg", -MOST_DEG..=MOST_DEG),
        (noise[0], "dB of noise", 0.0..=MOST_DB),
        (noise[1], "deg of noise", 0.0..=MOST_DEG),
    ]
    .into_iter()
    .find(|(value, _, range)| !range.contains(value));
    let Some((value, unit, range)) = beyond else { return true };
    let message = format!(
        "{value:e} {unit} lies outside of what a sweep can have, {:e} to {:e}",
        range.start(),
        range.end()
    );
    at.error("curve-range", message, "accept the unit anew, or take the file as it was accepted");
    false
}
