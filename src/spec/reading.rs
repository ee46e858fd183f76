//! `reading`: how sweep files are laid out.

use crate::diagnostic::{Diagnostic, nearest};
use crate::quantity::{Hertz, Parsable};
use crate::sweep::{
    AngleUnit, Column, ColumnRef, Columns, Encoding, Format, FrequencyUnit, GainUnit, Reading,
};
use crate::yaml::{Fields, Findings, Kind, Sort, Value, parse_as};
use std::sync::Arc;

/// How files are known that hold the map of `reading`.
const SORT: Sort = Sort {
    what: "a file with the map of `reading`",
    keys: &[
        "reading",
        "format",
        "encoding",
        "delimiter",
        "decimal",
        "comment",
        "skip_rows",
        "footer_rows",
        "header",
        "units_row",
        "frequency_unit",
        "columns",
    ],
    written_by: None,
};

/// Reads a file that holds the map of `reading`, with or without that key on top.
///
/// # Errors
/// Everything that is wrong with it.
pub fn load_reading(bytes: &[u8], file: &str) -> Result<Reading, Vec<Diagnostic>> {
    let top: Arc<str> = Arc::from(file);
    let findings = Findings::default();
    let root = parse_as(&SORT, bytes, &top, 0, &findings);
    let reading = root.as_ref().and_then(|root| {
        let value = Value::root(root, &findings);
        if root.get("reading").is_none() {
            return read(&value, true);
        }
        let fields = value.fields("a map")?;
        let reading = fields.get("reading").and_then(|value| read(&value, true));
        fields.finish();
        reading
    });
    findings.into_result(reading, &top).map(|(reading, _)| reading)
}

/// Reads `reading`; in a part (not `whole`) columns may be missing.
pub(crate) fn read(value: &Value<'_>, whole: bool) -> Option<Reading> {
    let fields = value.fields("a map such as `{delimiter: \";\", decimal: \",\"}`")?;
    let mut reading = Reading::default();
    let formats = [
        ("text", Format::Text),
        ("jsonl", Format::JsonLines),
        ("touchstone", Format::Touchstone),
        ("npy", Format::Npy),
        ("npz", Format::Npz),
        ("xlsx", Format::Xlsx),
        ("time", Format::Time),
    ];
    if let Some(format) = fields.get("format").and_then(|value| value.word(&formats)) {
        reading.format = format;
    }
    if let Some(encoding) = fields.get("encoding").and_then(|value| encoding(&value)) {
        reading.encoding = encoding;
    }
    let delimiters = [(",", ','), (";", ';'), ("tab", '\t'), ("space", ' '), ("\t", '\t'), (" ", ' ')];
    let delimiter = fields.get("delimiter");
    if let Some(delimiter) = delimiter.as_ref().and_then(|value| value.word(&delimiters)) {
        reading.delimiter = delimiter;
    }
    let decimal = fields.get("decimal");
    if let Some(mark) = decimal.as_ref().and_then(|value| value.word(&[(".", '.'), (",", ',')])) {
        reading.decimal = mark;
    }
    if let Some(comment) =
        fields.get("comment").and_then(|value| value.label("a comment mark such as `\"!\"`"))
    {
        comment.clone_into(&mut reading.comment);
    }
    if let Some(rows) = fields.get("skip_rows").and_then(|value| value.count(0)) {
        reading.skip_rows = rows as usize;
    }
    if let Some(header) =
        fields.get("header").and_then(|value| value.word(&[("true", true), ("false", false)]))
    {
        reading.header = header;
    }
    if let Some(rows) = fields.get("footer_rows").and_then(|value| value.count(0)) {
        reading.footer_rows = rows as usize;
    }
    let units_row = fields.get("units_row");
    let is_or_not = [("true", true), ("false", false)];
    if let Some(is_there) = units_row.as_ref().and_then(|value| value.word(&is_or_not)) {
        reading.units_row = is_there;
    }
    let unit = fields.get("frequency_unit");
    if let Some(unit) = unit.as_ref().and_then(|value| frequency_unit(value)) {
        reading.frequency_unit = unit;
    }
    let columns = fields.get("columns");
    if let Some(columns) = columns.as_ref().and_then(|value| read_columns(value)) {
        reading.columns = columns;
    }
    fields.finish();
    if let (Some(unit), Some(_)) = (&unit, &reading.columns.frequency) {
        let help = "leave `frequency_unit` out, or declare the frequencies by it alone and name their column `frequency_hz`";
        unit.error("repeated-unit", "`columns.frequency` has a unit of its own", help);
    }
    if let Some(units_row) = units_row.filter(|_| reading.units_row && !reading.header) {
        units_row.error(
            "units-without-header",
            "without a header there is no row of units after it",
            "pass over it with `skip_rows`",
        );
    }
    if reading.format == Format::Time {
        check_records(columns.as_ref().unwrap_or(&fields.value), &reading);
    }
    if reading.delimiter == reading.decimal {
        let at = decimal.as_ref().or(delimiter.as_ref()).unwrap_or(&fields.value);
        let message = format!("`{}` is the delimiter and the decimal mark", reading.decimal);
        at.error("delimiter-is-decimal", message, "declare another `delimiter`, such as `\";\"`");
    }
    check_columns(columns.as_ref().unwrap_or(&fields.value), &reading, whole);
    Some(reading)
}

/// Records over time have columns of their own names.
fn check_records(at: &Value<'_>, reading: &Reading) {
    let own = Columns { frequency: reading.columns.frequency.clone(), ..Columns::default() };
    if !reading.header || own != reading.columns {
        at.error(
            "record-columns",
            "records over time have no columns of a loop gain to declare, and a header",
            "name their columns `frequency_hz`, `time_s`, `input_v` and `output_v`; of these `frequency` may be declared",
        );
    }
}

/// Names of the WHATWG Encoding Standard that are proposed for a misspelt one; its other labels are known, too.
const ENCODINGS: [&str; 42] = [
    "utf-8",
    "utf-16",
    "utf-16le",
    "utf-16be",
    "us-ascii",
    "latin1",
    "windows-1250",
    "windows-1251",
    "windows-1252",
    "windows-1253",
    "windows-1254",
    "windows-1255",
    "windows-1256",
    "windows-1257",
    "windows-1258",
    "windows-874",
    "iso-8859-1",
    "iso-8859-2",
    "iso-8859-3",
    "iso-8859-4",
    "iso-8859-5",
    "iso-8859-6",
    "iso-8859-7",
    "iso-8859-8",
    "iso-8859-8-i",
    "iso-8859-10",
    "iso-8859-13",
    "iso-8859-14",
    "iso-8859-15",
    "iso-8859-16",
    "ibm866",
    "koi8-r",
    "koi8-u",
    "macintosh",
    "x-mac-cyrillic",
    "gbk",
    "gb18030",
    "big5",
    "euc-jp",
    "iso-2022-jp",
    "shift_jis",
    "euc-kr",
];

fn encoding(value: &Value<'_>) -> Option<&'static Encoding> {
    let text = value.text("an encoding such as `windows-1252`")?;
    let found = Encoding::for_label_no_replacement(text.as_bytes());
    if found.is_none() {
        let list = "the names are those of the WHATWG Encoding Standard, such as `windows-1252`, `iso-8859-15`, `shift_jis` or \
                    `utf-16le`";
        let help = match nearest(text, ENCODINGS) {
            Some(near) => format!("did you mean `{near}`? {list}"),
            None => list.to_owned(),
        };
        value.error("unknown-encoding", format!("`{text}` is not the name of an encoding"), help);
    }
    found
}

fn read_columns(value: &Value<'_>) -> Option<Columns> {
    let fields = value.fields("a map such as `{frequency: {column: f, unit: kHz}}`")?;
    let angles = [("deg", AngleUnit::Degree), ("rad", AngleUnit::Radian)];
    let gains = [("dB", GainUnit::Decibel), ("ratio", GainUnit::Ratio)];
    // Both sides are in one unit, which goes from their ratio.
    let magnitudes = [("V", GainUnit::Ratio), ("ratio", GainUnit::Ratio), ("dB", GainUnit::Decibel)];
    let columns = Columns {
        frequency: with_unit(&fields, "frequency", "kHz", frequency_unit),
        gain: with_unit(&fields, "gain", "dB", |value| value.word(&gains)),
        phase: with_unit(&fields, "phase", "deg", |value| value.word(&angles)),
        real: bare(&fields, "real"),
        imag: bare(&fields, "imag"),
        input_real: bare(&fields, "input_real"),
        input_imag: bare(&fields, "input_imag"),
        output_real: bare(&fields, "output_real"),
        output_imag: bare(&fields, "output_imag"),
        input_magnitude: of_side(&fields, "input_magnitude", &magnitudes, GainUnit::Ratio),
        input_phase: of_side(&fields, "input_phase", &angles, AngleUnit::Degree),
        output_magnitude: of_side(&fields, "output_magnitude", &magnitudes, GainUnit::Ratio),
        output_phase: of_side(&fields, "output_phase", &angles, AngleUnit::Degree),
    };
    fields.finish();
    Some(columns)
}

fn with_unit<U>(
    fields: &Fields<'_>,
    key: &'static str,
    unit: &str,
    read: impl Fn(&Value<'_>) -> Option<U>,
) -> Option<Column<U>> {
    let value = fields.get(key)?;
    let inner = value.fields(&format!("a map such as `{{column: 1, unit: {unit}}}`"))?;
    let column = inner.required("column", "column: 1").and_then(|value| column(&value));
    let unit = inner.required("unit", &format!("unit: {unit}")).and_then(|value| read(&value));
    inner.finish();
    Some(Column { column: column?, unit: unit? })
}

/// A column of a bare number: `real: re` or `real: {column: re}`.
fn bare(fields: &Fields<'_>, key: &'static str) -> Option<ColumnRef> {
    let value = fields.get(key)?;
    if !matches!(value.node.kind, Kind::Map(_)) {
        return column(&value);
    }
    let inner = value.fields("a map such as `{column: 1}`")?;
    let column = inner.required("column", "column: 1").and_then(|value| column(&value));
    inner.finish();
    column
}

/// A column of one side: `input_phase: ph1` in the usual unit, or `input_phase: {column: ph1, unit: rad}`.
fn of_side<U: Copy>(
    fields: &Fields<'_>,
    key: &'static str,
    units: &[(&'static str, U)],
    usual: U,
) -> Option<Column<U>> {
    let value = fields.get(key)?;
    if !matches!(value.node.kind, Kind::Map(_)) {
        return column(&value).map(|column| Column { column, unit: usual });
    }
    let inner = value.fields("a map such as `{column: 1, unit: dB}`")?;
    let column = inner.required("column", "column: 1").and_then(|value| column(&value));
    let unit = inner.get("unit").map_or(Some(usual), |value| value.word(units));
    inner.finish();
    Some(Column { column: column?, unit: unit? })
}

fn column(value: &Value<'_>) -> Option<ColumnRef> {
    if let Kind::Scalar { text, plain: true } = &value.node.kind
        && text.bytes().all(|b| b.is_ascii_digit() || b == b'-' || b == b'+')
        && text.bytes().any(|b| b.is_ascii_digit())
    {
        return value.count(1).map(|position| ColumnRef::Position(position as usize));
    }
    value.label("a column's name or its position from 1").map(|name| ColumnRef::Name(name.to_owned()))
}

fn frequency_unit(value: &Value<'_>) -> Option<FrequencyUnit> {
    let text = value.text("a unit such as `kHz`")?;
    if text == "rad/s" {
        return Some(FrequencyUnit::RADIANS_PER_SECOND);
    }
    let factor = Hertz::SYMBOLS.iter().find_map(|symbol| symbol.factor_of(text));
    if factor.is_none() {
        let help = "write `Hz`, `kHz`, `MHz`, `GHz` or `rad/s`";
        value.error("wrong-unit", format!("`{text}` is not a unit of frequency"), help);
    }
    factor.map(FrequencyUnit)
}

/// Whether the declared columns go together.
fn check_columns(at: &Value<'_>, reading: &Reading, whole: bool) {
    let columns = &reading.columns;
    let gain = columns.gain.as_ref().map(|c| &c.column);
    let phase = columns.phase.as_ref().map(|c| &c.column);
    let frequency = columns.frequency.as_ref().map(|c| &c.column);
    let sides = [&columns.input_magnitude, &columns.output_magnitude];
    let [input, output] = sides.map(|side| side.as_ref());
    let angles = [&columns.input_phase, &columns.output_phase].map(|side| side.as_ref().map(|c| &c.column));
    if let (Some(input), Some(output)) = (input, output)
        && input.unit != output.unit
    {
        let help = "declare both sides in decibels, or both in volts: their ratio is the loop gain";
        at.error("mixed-units", "the magnitudes of the two sides have different units", help);
    }
    let groups: [&[Option<&ColumnRef>]; 4] = [
        &[gain, phase],
        &[columns.real.as_ref(), columns.imag.as_ref()],
        &[
            columns.input_real.as_ref(),
            columns.input_imag.as_ref(),
            columns.output_real.as_ref(),
            columns.output_imag.as_ref(),
        ],
        &[input.map(|c| &c.column), angles[0], output.map(|c| &c.column), angles[1]],
    ];
    let mut given: Vec<&ColumnRef> =
        groups.iter().flat_map(|group| group.iter().flatten().copied()).collect();
    given.extend(frequency);
    let started = groups.iter().filter(|group| group.iter().any(Option::is_some)).count();
    if started > 1 {
        let help = "declare gain and phase, or real and imag, or the two sides of the injection point";
        at.error("mixed-columns", "columns of more than one form of the loop gain are declared", help);
    }
    // Both numbers of a pair may stand in one field.
    let paired: Vec<&ColumnRef> = groups
        .iter()
        .flat_map(|group| group.chunks(2))
        .filter_map(|pair| match pair {
            [Some(a), Some(b)] if a == b => Some(*b),
            _ => None,
        })
        .collect();
    for column in paired {
        if let Some(at) = given.iter().position(|own| *own == column) {
            given.remove(at);
        }
    }
    for (index, column) in given.iter().enumerate() {
        if given.iter().skip(index + 1).any(|other| other == column) {
            let what = match column {
                ColumnRef::Name(name) => format!("`{name}`"),
                ColumnRef::Position(position) => position.to_string(),
            };
            at.error(
                "repeated-column",
                format!("the column {what} is declared twice"),
                "name another column",
            );
            break;
        }
    }
    if reading.header {
        return;
    }
    if given.iter().any(|column| matches!(column, ColumnRef::Name(_))) {
        let help = "give positions from 1, such as `column: 3`";
        at.error("column-name-without-header", "without a header columns have no names", help);
    }
    let full = frequency.is_some() && groups.iter().any(|group| group.iter().all(Option::is_some));
    if whole && !full {
        let help = "declare `frequency` and for example `gain` and `phase`, each with `column` and `unit`";
        at.error("missing-columns", "without a header all columns must be declared", help);
    }
}
