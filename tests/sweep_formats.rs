//! One loop written in many legal ways, many broken files, and bytes of all kinds.

#![allow(clippy::unwrap_used, clippy::panic, clippy::indexing_slicing, reason = "a test fails by panicking")]

use loopgauge::diagnostic::{Diagnostic, Severity, has_errors};
use loopgauge::sweep::{
    AngleUnit, Column, ColumnRef, Columns, Encoding, FrequencyUnit, GainUnit, Reading, Samples, Scratch, read,
};
use proptest::prelude::*;
use proptest::test_runner::RngSeed;
use std::f64::consts::{LN_10, PI, TAU};
use std::fmt::Write;

fn try_read(bytes: &[u8], reading: &Reading) -> Result<Samples, Vec<Diagnostic>> {
    let mut samples = Samples::default();
    read(bytes, &"loop.csv".into(), reading, &mut Scratch::default(), &mut samples).map(|()| samples)
}

/// One point of the loop: frequency in Hz, ln magnitude, unwrapped phase in rad.
type Point = (f64, f64, f64);

/// An integrator with a pole and a delay; the phase passes -180 and -360 degrees.
fn points() -> Vec<Point> {
    (0..61)
        .map(|index| {
            let hertz = 100.0 * 10f64.powf(f64::from(index) / 15.0);
            let (integrator, pole) = (9e3 / hertz, hertz / 60e3);
            let ln_magnitude = integrator.ln() - pole.hypot(1.0).ln();
            (hertz, ln_magnitude, -PI / 2.0 - pole.atan() - TAU * hertz * 8e-7)
        })
        .collect()
}

fn decibel(point: &Point) -> f64 {
    point.1 * 20.0 / LN_10
}

fn wrapped(rad: f64) -> f64 {
    rad - TAU * (rad / TAU).round()
}

/// Rows of numbers with all their digits, parted by commas.
fn table(row: impl Fn(&Point) -> Vec<f64>) -> String {
    let mut text = String::new();
    for point in points() {
        let fields: Vec<String> = row(&point).iter().map(f64::to_string).collect();
        writeln!(text, "{}", fields.join(",")).unwrap();
    }
    text
}

fn polar_row(point: &Point) -> Vec<f64> {
    vec![point.0, decibel(point), point.2.to_degrees()]
}

fn complex_row(point: &Point) -> Vec<f64> {
    let magnitude = point.1.exp();
    vec![point.0, magnitude * point.2.cos(), magnitude * point.2.sin()]
}

/// The two sides for an input of this size that turns with the frequency.
fn sides_row(point: &Point, size: f64) -> Vec<f64> {
    let (magnitude, input) = (point.1.exp() * size, point.0.ln());
    let output = input + point.2;
    vec![point.0, size * input.cos(), size * input.sin(), magnitude * output.cos(), magnitude * output.sin()]
}

const HEADER: &str = "frequency_hz,gain_db,phase_deg\n";

fn plain() -> String {
    format!("{HEADER}{}", table(polar_row))
}

fn utf16(text: &str, unit: fn(u16) -> [u8; 2]) -> Vec<u8> {
    format!("\u{feff}{text}").encode_utf16().flat_map(unit).collect()
}

/// The text with every line changed; lines count from 0, the header.
fn each_line(text: &str, change: impl Fn(usize, &str) -> String) -> String {
    text.lines().enumerate().map(|(index, line)| change(index, line) + "\n").collect()
}

fn each_row(text: &str, change: impl Fn(&str) -> String) -> String {
    each_line(text, |index, line| if index == 0 { line.to_owned() } else { change(line) })
}

fn quote_all(text: &str, delimiter: char) -> String {
    let quoted =
        |line: &str| -> Vec<String> { line.split(delimiter).map(|field| format!("\"{field}\"")).collect() };
    each_line(text, |_, line| quoted(line).join(&delimiter.to_string()))
}

fn standard() -> Reading {
    Reading::default()
}

fn parted_by(delimiter: char) -> Reading {
    Reading { delimiter, ..standard() }
}

fn with(columns: Columns) -> Reading {
    Reading { columns, ..standard() }
}

fn named(name: &str) -> ColumnRef {
    ColumnRef::Name(name.to_owned())
}

fn at(position: usize) -> ColumnRef {
    ColumnRef::Position(position)
}

fn column<U>(column: ColumnRef, unit: U) -> Option<Column<U>> {
    Some(Column { column, unit })
}

fn polar_at(frequency: usize, gain: usize, phase: usize) -> Columns {
    Columns {
        frequency: column(at(frequency), FrequencyUnit(1.0)),
        gain: column(at(gain), GainUnit::Decibel),
        phase: column(at(phase), AngleUnit::Degree),
        ..Columns::default()
    }
}

/// Checks that a file holds the loop.
///
/// Tolerances: frequencies are written with all their digits, and a unit costs one rounding of the writer and one of
/// the reader. Magnitude and phase take some ten roundings of numbers up to 60, thus about 1e-13; the two sides of
/// extreme size go through logarithms of 700.
#[track_caller]
fn same(name: &str, bytes: impl AsRef<[u8]>, reading: &Reading) {
    const FREQUENCY_RELATIVE: f64 = 5e-16;
    const NEPER_AND_RADIAN: f64 = 2e-13;
    let samples = try_read(bytes.as_ref(), reading).unwrap_or_else(|errors| panic!("{name}: {errors:#?}"));
    let expected = points();
    assert_eq!(samples.len(), expected.len(), "{name}");
    let lengths = (samples.ln_magnitude().len(), samples.phase_rad().len());
    assert_eq!(lengths, (expected.len(), expected.len()), "{name}");
    for (index, (hertz, ln_magnitude, phase)) in expected.into_iter().enumerate() {
        let frequency = samples.frequency_hz()[index] / hertz - 1.0;
        assert!(frequency.abs() < FREQUENCY_RELATIVE, "{name}, {index}: {frequency:e}");
        let magnitude = samples.ln_magnitude()[index] - ln_magnitude;
        assert!(magnitude.abs() < NEPER_AND_RADIAN, "{name}, {index}: {magnitude:e}");
        let phase = wrapped(samples.phase_rad()[index] - phase);
        assert!(phase.abs() < NEPER_AND_RADIAN, "{name}, {index}: {phase:e}");
    }
}

#[test]
fn encodings_and_line_ends() {
    let text = plain();
    let crlf = text.replace('\n', "\r\n");
    same("UTF-8", &text, &standard());
    same("UTF-8 with BOM", format!("\u{feff}{text}"), &standard());
    same("UTF-8 with BOM, quoted", format!("\u{feff}{}", quote_all(&text, ',')), &standard());
    same("UTF-16 LE", utf16(&text, u16::to_le_bytes), &standard());
    same("UTF-16 BE", utf16(&text, u16::to_be_bytes), &standard());
    same("UTF-16 LE, CRLF", utf16(&crlf, u16::to_le_bytes), &standard());
    same("UTF-16, quoted", utf16(&quote_all(&text, ','), u16::to_be_bytes), &standard());
    same("CRLF", &crlf, &standard());
    same("CRLF, quoted", quote_all(&text, ',').replace('\n', "\r\n"), &standard());
    same("last line without an end", text.trim_end(), &standard());
    same("last line ends in CR", format!("{}\r", text.trim_end()), &standard());
    same("last line, quoted, without an end", quote_all(&text, ',').trim_end(), &standard());
    same("mixed line ends", text.replacen('\n', "\r\n", 9), &standard());
    same("blank lines", format!("\n \r\n{}\n\t\n", text.replace('\n', "\n\n")), &standard());
    same("blank lines, CRLF", text.replace('\n', "\r\n\r\n"), &standard());
}

fn encoded(label: &str) -> Reading {
    Reading { encoding: Encoding::for_label(label.as_bytes()).unwrap(), ..standard() }
}

#[test]
fn declared_encodings() {
    let text = plain();
    let unmarked = |unit: fn(u16) -> [u8; 2]| -> Vec<u8> { text.encode_utf16().flat_map(unit).collect() };
    same("UTF-16 LE without BOM", unmarked(u16::to_le_bytes), &encoded("utf-16le"));
    same("UTF-16 without BOM", unmarked(u16::to_le_bytes), &encoded("utf-16"));
    same("UTF-16 BE without BOM", unmarked(u16::to_be_bytes), &encoded("utf-16be"));
    same("the mark goes first", utf16(&text, u16::to_be_bytes), &encoded("utf-16le"));
    same("ASCII", &text, &encoded("windows-1252"));
    // Names, comments and skipped rows in Latin-1: 0xB0 is a degree sign, 0xB5 a micro sign.
    let latin =
        [&b"taken at 23 \xB0C\nf/\xB5Hz,gain_db,\"\xB0\"\n\xB5 a comment\n"[..], table(polar_row).as_bytes()]
            .concat();
    let columns = Columns {
        frequency: column(named("f/µHz"), FrequencyUnit(1.0)),
        phase: column(named("°"), AngleUnit::Degree),
        gain: column(named("gain_db"), GainUnit::Decibel),
        ..Columns::default()
    };
    let reading = Reading { columns, skip_rows: 1, comment: "µ".to_owned(), ..encoded("latin1") };
    same("Latin-1", &latin, &reading);
    let undeclared = Reading { encoding: standard().encoding, ..reading };
    broken(&latin, &undeclared, Some(2), Some(1), &["byte 0xB5 is not valid UTF-8"]);
}

#[test]
fn forms_of_the_loop_gain() {
    let ratio = |point: &Point| vec![point.0, point.1.exp(), point.2.to_degrees()];
    same("gain as a ratio", format!("frequency_hz,gain,phase_deg\n{}", table(ratio)), &standard());
    same("real, imag", format!("frequency_hz,real,imag\n{}", table(complex_row)), &standard());
    let wrap = |point: &Point| vec![point.0, decibel(point), wrapped(point.2).to_degrees()];
    same("wrapped phase", format!("{HEADER}{}", table(wrap)), &standard());
    let turned = |point: &Point| vec![point.0, decibel(point), point.2.to_degrees() + 1080.0];
    same("phase three turns up", format!("{HEADER}{}", table(turned)), &standard());
    let header = "frequency_hz,input_real,input_imag,output_real,output_imag\n";
    for size in [1.0, 1e-3, 1e-290, 1e300] {
        let text = format!("{header}{}", table(|point| sides_row(point, size)));
        same(&format!("two sides of size {size:e}"), text, &standard());
    }
}

#[test]
fn delimiters_and_blanks() {
    let text = plain();
    for (delimiter, name) in [(';', "semicolon"), ('\t', "tab"), (' ', "space")] {
        let text = text.replace(',', &delimiter.to_string());
        same(name, &text, &parted_by(delimiter));
        same(&format!("{name}, quoted"), quote_all(&text, delimiter), &parted_by(delimiter));
        same(&format!("{name}, CRLF"), text.replace('\n', "\r\n"), &parted_by(delimiter));
    }
    same("runs of blanks", text.replace(',', "  \t "), &parted_by(' '));
    let spaced = text.replace(',', "  ");
    same("blanks at both ends", each_line(&spaced, |_, line| format!("  {line} ")), &parted_by(' '));
    same("blanks at both ends, CRLF", each_line(&spaced, |_, line| format!(" {line} \r")), &parted_by(' '));
    same("blanks around fields", text.replace(',', " ,\t").replace('\n', " \n "), &standard());
    same("blanks after quotes", quote_all(&text, ',').replace(',', " \t,").replace('\n', " \n"), &standard());
    same("runs of blanks, quoted", quote_all(&text, ',').replace(',', "  \t "), &parted_by(' '));
    same("blanks within quotes", quote_all(&text, ',').replace("\",\"", " \",\" "), &standard());
    same("blanks around fields, tab", text.replace(',', " \t "), &parted_by('\t'));
}

#[test]
fn numbers() {
    let german = plain().replace(',', ";").replace('.', ",");
    let comma = |delimiter| Reading { decimal: ',', ..parted_by(delimiter) };
    same("decimal comma", &german, &comma(';'));
    same("decimal comma, tab", german.replace(';', "\t"), &comma('\t'));
    same("decimal comma, space", german.replace(';', " "), &comma(' '));
    same("decimal comma, quoted", quote_all(&german, ';'), &comma(';'));
    same("decimal comma and delimiter comma", quote_all(&german, ';').replace(';', ","), &comma(','));
    let exponent = |line: &str| {
        let fields: Vec<String> =
            line.split(',').map(|field| format!("{:+e}", field.parse::<f64>().unwrap())).collect();
        fields.join(",")
    };
    same("signs and exponents", each_row(&plain(), exponent), &standard());
    same("capital exponents", each_row(&plain(), |line| exponent(line).to_uppercase()), &standard());
    same("leading zeros", each_row(&plain(), |line| format!("000{line}")), &standard());
}

#[test]
fn declared_columns_and_units() {
    for (factor, unit) in [(1e-3, "mHz"), (1.0, "Hz"), (1e3, "kHz"), (1e6, "MHz"), (1e9, "GHz")] {
        let row = |point: &Point| vec![point.0 / factor, decibel(point), point.2.to_degrees()];
        let text = format!("f [{unit}],gain_db,phase_deg\n{}", table(row));
        let frequency = column(named(&format!("f [{unit}]")), FrequencyUnit(factor));
        same(unit, text, &with(Columns { frequency, ..Columns::default() }));
    }
    let columns = Columns {
        gain: column(named("Magn."), GainUnit::Ratio),
        phase: column(at(1), AngleUnit::Radian),
        ..Columns::default()
    };
    let text = format!("φ,Magn.,frequency_hz\n{}", table(|point| vec![point.2, point.1.exp(), point.0]));
    same("ratio, radian, another order", text, &with(columns));
    let columns = Columns { real: Some(named("re, \"raw\"")), ..Columns::default() };
    let text = format!("frequency_hz,\"re, \"\"raw\"\"\",imag\n{}", table(complex_row));
    same("a name with delimiter and quotes", text, &with(columns));
    let columns = Columns {
        input_real: Some(at(2)),
        input_imag: Some(at(3)),
        output_real: Some(named("B.re")),
        output_imag: Some(named(" B.im ")),
        ..Columns::default()
    };
    let text = format!("frequency_hz,,,B.re,B.im\n{}", table(|point| sides_row(point, 0.02)));
    same("two sides, by name and position", text, &with(columns));
    let columns = Columns { phase: column(named("phase_deg"), AngleUnit::Degree), ..Columns::default() };
    same("a standard name, declared", plain(), &with(columns));
}

#[test]
fn rows_before_the_header_and_without_one() {
    let skipping = |skip_rows| Reading { skip_rows, ..standard() };
    let bare = |columns| Reading { header: false, ..with(columns) };
    let rows = table(polar_row);
    same("no header", &rows, &bare(polar_at(1, 2, 3)));
    same("no header, quoted", quote_all(&rows, ','), &bare(polar_at(1, 2, 3)));
    let swapped = table(|point| vec![point.2.to_degrees(), 7.0, point.0, decibel(point)]);
    same("no header, another order", swapped, &bare(polar_at(3, 4, 1)));
    same("skipped header", plain(), &Reading { skip_rows: 1, ..bare(polar_at(1, 2, 3)) });
    same("skipped rows", format!("bench 3,\"\nx\n{}", plain()), &skipping(2));
    let odd = [b"\xB5V, \xFF\r\n\0\r\n", plain().as_bytes()].concat();
    same("skipped rows are not read", odd, &skipping(2));
    same("skipped rows, UTF-16", utf16(&format!("x\ny\n{}", plain()), u16::to_le_bytes), &skipping(2));
    same("skipped, then comments", format!("x\n#y\n\n{}", plain()), &skipping(1));
}

#[test]
fn comments() {
    let text = plain();
    let commented = each_line(&text, |index, line| format!("# point {index}, \"°\n{line}"));
    let marked = |comment: &str| Reading { comment: comment.to_owned(), ..standard() };
    same("comments", &commented, &standard());
    same("comments and quotes", format!("# \"unit\"\n{}# \"", quote_all(&text, ',')), &standard());
    same("another mark", commented.replace('#', "!"), &marked("!"));
    same("a long mark", commented.replace('#', "//"), &marked("//"));
    same("a mark beyond ASCII", commented.replace('#', "§"), &marked("§"));
    same("no comments", &text, &marked(""));
}

#[test]
fn further_columns() {
    let text = plain();
    let extra = each_line(&text, |index, line| format!("t{index},{line},note {index}"));
    same("further columns", &extra, &standard());
    same("further columns, space", extra.replace("note ", "n").replace(',', " "), &parted_by(' '));
    let lines =
        each_line(&quote_all(&text, ','), |index, line| format!("{line},\"note {index},\n#2 \"\"x\"\"\""));
    same("a further column over two lines", lines, &standard());
    same("empty further columns", each_line(&text, |_, line| format!("{line},,")), &standard());
    let probe = each_line(&text, |index, line| format!("{line},{index} 5\" probe"));
    same("a stray quote in a further column", probe, &standard());
    let both =
        each_line(&text, |index, line| format!("{line},{}", ["real,imag,gain", "1,2,3"][index.min(1)]));
    same("gain_db and phase_deg come first", both, &standard());
}

#[test]
fn order_of_the_rows() {
    let mut rows: Vec<String> = table(polar_row).lines().map(str::to_owned).collect();
    rows.reverse();
    let falling = format!("{HEADER}{}\n", rows.join("\n"));
    same("falling", &falling, &standard());
    same("falling, quoted", quote_all(&falling, ','), &standard());
}

#[test]
fn ordinary_numbers_are_taken_exactly() {
    let samples =
        try_read(b"frequency_hz,gain,phase_deg\n1.5,1,0\n2.5,2,180\n1e3,.5,-90\n", &standard()).unwrap();
    assert_eq!(samples.frequency_hz(), [1.5, 2.5, 1000.0]);
    assert_eq!(samples.ln_magnitude(), [0.0, 2f64.ln(), 0.5f64.ln()]);
    assert_eq!(samples.phase_rad(), [0.0, PI, -PI / 2.0]);
}

/// A broken file: line and field of its first error, and pieces of that error's message or help.
#[track_caller]
fn broken(
    bytes: impl AsRef<[u8]>,
    reading: &Reading,
    line: Option<u64>,
    field: Option<u64>,
    pieces: &[&str],
) {
    let errors = try_read(bytes.as_ref(), reading).unwrap_err();
    let first = &errors[0];
    let place = first.place.as_ref().unwrap();
    assert_eq!((place.line, place.column), (line, field), "{first:#?}");
    assert_eq!(&*place.file, "loop.csv");
    assert_eq!(first.severity, Severity::Error);
    let told = format!("{} | {}", first.message, first.help.as_deref().unwrap_or(""));
    for piece in pieces {
        assert!(told.contains(piece), "no {piece:?} in {told:?}");
    }
    assert_eq!(first.excerpt.is_some(), line.is_some());
    if let Some(excerpt) = &first.excerpt {
        assert!(excerpt.text.get(excerpt.mark.clone()).is_some(), "{first:#?}");
    }
}

/// As [`broken`], with rows below the standard header in line 1.
#[track_caller]
fn broken_rows(rows: &str, line: u64, field: Option<u64>, pieces: &[&str]) {
    broken(format!("{HEADER}{rows}"), &standard(), Some(line), field, pieces);
}

#[test]
fn broken_text() {
    broken(b"", &standard(), None, None, &["the file is empty"]);
    broken(b"\xEF\xBB\xBF", &standard(), None, None, &["the file is empty"]);
    broken(b"\xFF\xFE", &standard(), None, None, &["the file is empty"]);
    broken(b"\n \n\r\n# x\n", &standard(), None, None, &["only blank lines and comments"]);
    broken(b"a\nb\n", &Reading { skip_rows: 9, ..standard() }, None, None, &["`skip_rows: 9`", "2 lines"]);
    broken(b"a\nb\n", &Reading { skip_rows: 2, ..standard() }, None, None, &["`skip_rows` passes over"]);
    broken(HEADER, &standard(), None, None, &["0 points", "at least 3"]);
    broken(format!("{HEADER}1,2,3\n2,3,4\n"), &standard(), None, None, &["2 points"]);
    let picture = b"\x89PNG\r\n\x1a\n\0\0";
    if cfg!(feature = "formats") {
        broken(picture, &standard(), None, None, &["is a picture"]);
    } else {
        broken(picture, &standard(), Some(1), Some(1), &["byte 0x89"]);
    }
    let latin = [HEADER.as_bytes(), b"1,2,3\n2,3\xB0,4\n"].concat();
    broken(latin, &standard(), Some(3), Some(2), &["byte 0xB0", "UTF-8"]);
    broken(format!("{HEADER}1,2,3\n2,3,4\0\n"), &standard(), Some(3), Some(3), &["NUL"]);
    let unmarked: Vec<u8> = plain().encode_utf16().flat_map(u16::to_le_bytes).collect();
    broken(unmarked, &standard(), Some(1), Some(1), &["NUL"]);
    let good = utf16(&format!("{HEADER}1,2,3\n2,3,"), u16::to_be_bytes);
    let cut = [&good[..], b"\0"].concat();
    broken(cut, &standard(), Some(3), Some(3), &["byte 0x00 is not valid UTF-16BE"]);
    let half = [&good[..], b"\xD8\0\0,"].concat();
    broken(half, &standard(), Some(3), Some(3), &["bytes 0xD8 0x00 are not valid UTF-16BE"]);
}

#[test]
fn broken_headers() {
    let first =
        |bytes: &str, reading: &Reading, pieces: &[&str]| broken(bytes, reading, Some(1), None, pieces);
    let plain = plain();
    let semicolons = plain.replace(',', ";");
    first(&semicolons, &standard(), &["`frequency_hz;gain_db;phase_deg`", "`reading: {delimiter: \";\"}`"]);
    first(&plain.replace(',', "\t"), &standard(), &["`reading: {delimiter: tab}`"]);
    first(&plain.replace(',', " "), &standard(), &["`reading: {delimiter: space}`"]);
    first(&plain, &parted_by(';'), &["`reading: {delimiter: \",\"}`"]);
    let german = semicolons.replace('.', ",");
    first(&german, &standard(), &["`reading: {delimiter: \";\", decimal: \",\"}`"]);
    let capital = plain.replace("frequency_hz", "Frequency_Hz");
    first(&capital, &standard(), &["no column `frequency_hz`", "column: \"Frequency_Hz\""]);
    let phase = plain.replace("phase_deg", "phase");
    first(&phase, &standard(), &["no column for `phase`", "`gain_db`", "`phase`"]);
    let others = plain.replace("gain_db,phase_deg", "a,b");
    first(&others, &standard(), &["no columns of the loop gain", "`a`, `b`"]);
    first(&plain.replace('\n', "\r"), &standard(), &["carriage return alone"]);
    first("100,1,2\n200,1,2\n300,1,2\n", &standard(), &["header: false"]);
    broken(format!("#\n\n{}", plain.replace("phase", "fase")), &standard(), Some(3), None, &["`fase_deg`"]);
    let doubled = plain.replace("phase_deg", "phase_deg, phase_deg ");
    broken(doubled, &standard(), Some(1), Some(4), &["column 4 `phase_deg`", "column 3"]);
    let doubled = each_line(&plain, |_, line| format!("x,{line},x"));
    broken(doubled, &standard(), Some(1), Some(5), &["column 5 `x`", "column 1"]);
    first("a,\"b\nc", &standard(), &["never closed"]);
    first("a,\"b\"c\n", &standard(), &["follows the closing quote"]);
    let commented = format!("#{plain}");
    broken(&commented, &standard(), Some(2), None, &["stands in a comment", "remove the `#`"]);
    let commented = format!("// {}", quote_all(&plain, ','));
    let marked = Reading { comment: "//".to_owned(), ..standard() };
    broken(&commented, &marked, Some(2), None, &["stands in a comment", "remove the `//`"]);
}

#[test]
fn broken_declarations() {
    let first = |reading: Reading, pieces: &[&str]| broken(plain(), &reading, Some(1), None, pieces);
    let bare = |columns| Reading { header: false, ..with(columns) };
    let gain = |name: &str| Columns { gain: column(named(name), GainUnit::Decibel), ..Columns::default() };
    let names = "`frequency_hz`, `gain_db`, `phase_deg`";
    first(with(gain("gain_dB")), &["names `gain_dB`", names, "did you mean `gain_db`?"]);
    first(with(gain("zzz")), &["names `zzz`", "as it stands in the header"]);
    first(with(polar_at(1, 2, 4)), &["`reading.columns.phase` is column 4", "3 fields"]);
    first(with(polar_at(0, 2, 3)), &["`reading.columns.frequency` is column 0", "count from 1"]);
    first(with(polar_at(1, 2, 1)), &["`frequency` and `phase` are both taken from column 1"]);
    first(bare(gain("gain_db")), &["names `gain_db`", "`header: false`", "position"]);
    first(bare(Columns::default()), &["`frequency` is not declared", "column: 1"]);
    first(with(Columns { imag: Some(named("gain_db")), ..Columns::default() }), &["no column for `real`"]);
    broken(plain(), &parted_by('|'), None, None, &["`reading.delimiter`"]);
    broken(plain(), &Reading { decimal: ',', ..standard() }, None, None, &["comma", "delimiter: \";\""]);
}

#[test]
fn broken_rows_and_numbers() {
    broken_rows("1,2,3\n2,3\n", 3, None, &["2 fields", "first row has 3"]);
    broken_rows("1,2,3\n\n# x\n2,3,4,5\n", 5, None, &["4 fields"]);
    broken_rows("1,2,3\n2,5,3,5,4,5\n", 3, None, &["6 fields", "decimal mark"]);
    broken_rows("1,2,3\n2,,4\n", 3, Some(2), &["nothing stands where the gain", "`-12.5`"]);
    broken_rows("1,2,3\n2,3,\n", 3, Some(3), &["nothing stands where the phase"]);
    let words =
        ["nan", "NaN", "inf", "-Infinity", "0x1F", "1_000", "1e", "--1", "1.2.3", "OVLD", "3 dB", "٣"];
    for text in words.into_iter().chain(["1\u{a0}", "1\u{2212}"]) {
        let rows = format!("1,2,3\n2,{text},4\n3,4,5\n");
        broken_rows(&rows, 3, Some(2), &[&format!("`{text}` is no number"), "the gain"]);
    }
    broken_rows("1,2,3\n2,\"1,000.5\",4\n", 3, Some(2), &["`1,000.5`", "thousands"]);
    broken_rows("1,2,3\n2,1e999,4\n", 3, Some(2), &["`1e999` is too large"]);
    broken_rows("1,2,3\n2,\"x\ny\",\"z\"\n", 3, Some(2), &["no number"]);
    broken_rows("1,2,3\n2,3,\"4\n", 3, None, &["never closed"]);
    broken_rows("1,2,3\n2,\"3\"4,5\n", 3, None, &["follows the closing quote"]);
    broken_rows("1,2,3\n2,\"3\"\"4\",5\n", 3, Some(2), &["`3\"4` is no number"]);
    broken_rows("1,2,3\n2, \"3\",5\n", 3, None, &["blanks stand before the quote", "remove the blanks"]);
    let semicolon = "frequency_hz;gain_db;phase_deg\n1;2,5;3\n";
    broken(semicolon, &parted_by(';'), Some(2), Some(2), &["`2,5`", "`reading: {decimal: \",\"}`"]);
    let comma = Reading { decimal: ',', ..parted_by(';') };
    let mixed = semicolon.replace("3\n", "1.5\n");
    broken(mixed, &comma, Some(2), Some(3), &["`1.5`", "decimal comma", "`-12,5`", "point"]);
    let spaced = "frequency_hz gain_db  phase_deg\n1 2\n";
    broken(spaced, &parted_by(' '), Some(2), None, &["2 fields"]);
    // The error after a field over two lines lies in the second line.
    let two_lines = "note,frequency_hz,gain_db,phase_deg\n\"a\nb\",1,x,3\n";
    broken(two_lines, &standard(), Some(3), Some(3), &["`x` is no number"]);
}

#[test]
fn broken_values() {
    broken_rows("0,2,3\n1,2,3\n", 2, Some(1), &["the frequency is `0`", "above 0"]);
    broken_rows("-1,2,3\n1,2,3\n", 2, Some(1), &["the frequency is `-1`"]);
    broken_rows("1,2,3\n2,99999,4\n", 3, Some(2), &["`99999`", "6000 dB", "unit: ratio"]);
    broken_rows("1,2,3\n2,2,1e300\n", 3, Some(3), &["`1e300`", "turns"]);
    let ratio = "frequency_hz,gain,phase_deg\n1,1,3\n";
    broken(format!("{ratio}2,0,3\n"), &standard(), Some(3), Some(2), &["gain is `0`", "above 0", "gain_db"]);
    broken(format!("{ratio}2,-2,3\n"), &standard(), Some(3), Some(2), &["gain is `-2`"]);
    let complex = "frequency_hz,imag,real\n1,1,1\n2,0,0\n";
    broken(complex, &standard(), Some(3), Some(3), &["the loop gain is 0"]);
    let sides = "frequency_hz,input_real,input_imag,output_real,output_imag\n1,1,1,1,1\n";
    broken(format!("{sides}2,0,0,1,1\n"), &standard(), Some(3), Some(2), &["the input side is 0"]);
    broken(format!("{sides}2,1,1,0,0\n"), &standard(), Some(3), Some(4), &["the output side is 0"]);
    broken(format!("{sides}2,1e-300,0,1e300,0\n"), &standard(), Some(3), Some(4), &["6000 dB"]);
    let frequency = column(named("frequency_hz"), FrequencyUnit(1e9));
    let giga = with(Columns { frequency, ..Columns::default() });
    broken(format!("{HEADER}1e308,2,3\n"), &giga, Some(2), Some(1), &["`1e308` is too large"]);
}

#[test]
fn broken_order() {
    broken_rows("1,2,3\n# x\n2,3,4\n2,4,5\n3,4,5\n", 5, Some(1), &["2 Hz stands twice", "line 4"]);
    let rising = "10,2,3\n30,3,4\n20.5,4,5\n40,4,5\n";
    broken_rows(rising, 4, Some(1), &["20.5 Hz follows 30 Hz in line 3", "rises", "above"]);
    let falling = "40,2,3\n30,3,4\n35,4,5\n20,1,1\n10,1,1\n";
    broken_rows(falling, 4, Some(1), &["35 Hz follows 30 Hz in line 3", "falls", "below"]);
    broken_rows("99,2,3\n1,2,3\n2,3,4\n3,4,5\n", 3, Some(1), &["1 Hz follows 99 Hz in line 2"]);
    let last = "gain_db,phase_deg,frequency_hz\n1,2,3\n1,2,3\n1,2,4\n";
    broken(last, &standard(), Some(3), Some(3), &["stands twice"]);
}

#[test]
fn excerpts_show_the_field() {
    let errors = try_read(format!("{HEADER}1,2,3\r\n2,\"µ\" ,4\r\n").as_bytes(), &standard()).unwrap_err();
    let excerpt = errors[0].excerpt.clone().unwrap();
    assert_eq!(excerpt.text, "2,\"µ\" ,4");
    assert_eq!(&excerpt.text[excerpt.mark], "µ");
}

#[test]
fn all_errors_of_a_file_are_told_up_to_a_point() {
    let errors = |rows: &str| try_read(format!("{HEADER}{rows}").as_bytes(), &standard()).unwrap_err();
    let found = errors("x,2,y\n3,0x,1\n2\n2,1,1\n1,1,1\n3,1,1\n4,1,1\n");
    let places: Vec<_> =
        found.iter().map(|e| e.place.as_ref().map(|p| (p.line, p.column)).unwrap()).collect();
    let expected =
        [(Some(2), Some(1)), (Some(2), Some(3)), (Some(3), Some(2)), (Some(4), None), (Some(6), Some(1))];
    assert_eq!(places, expected);

    let found = errors(&"1,x,1\n".repeat(50));
    assert_eq!(found.len(), 21);
    assert_eq!(found[20].severity, Severity::Warning);
    assert!(found[20].message.contains("30 more lines were not read"), "{}", found[20].message);
    assert_eq!(errors(&"1,x,1\n".repeat(20)).len(), 20);
    let found = errors(&"1,1,1\n".repeat(50));
    assert_eq!((found.len(), found[20].severity), (21, Severity::Warning));
}

#[test]
fn endless_lines_end_quickly_and_in_little_memory() {
    // Enough to see quadratic time or memory per byte, little enough for a build without optimisation.
    let long = 8 << 20;
    let started = std::time::Instant::now();
    broken("x".repeat(long), &standard(), Some(1), None, &["`xxxx", "…`"]);
    broken(",".repeat(long), &standard(), Some(1), None, &["more than 4096 fields"]);
    broken_rows(&format!("1,2,3\n2,{},4\n", "9".repeat(long)), 3, Some(2), &["too large"]);
    broken_rows(&format!("1,2,3\n2,{},4\n", "µ".repeat(long / 2)), 3, Some(2), &["no number"]);
    broken_rows(&",".repeat(long), 2, None, &["more than 4096 fields"]);
    broken_rows(&format!("1,2,3\n\"{}", "\n".repeat(long)), 3, None, &["never closed"]);
    let errors = try_read(format!("{HEADER}{}", "x\n".repeat(long / 2)).as_bytes(), &standard()).unwrap_err();
    let size: usize =
        errors.iter().map(|e| e.message.len() + e.excerpt.as_ref().map_or(0, |x| x.text.len())).sum();
    assert!(size < 20_000, "{size}");
    // Seconds at most, even unoptimised on a busy machine; quadratic time would take days.
    assert!(started.elapsed().as_secs() < 120);
}

fn any_reading() -> impl Strategy<Value = Reading> {
    let columns = prop::sample::select(vec![Columns::default(), polar_at(1, 2, 3), polar_at(3, 1, 9)]);
    let marks = (prop::sample::select(vec![',', ';', '\t', ' ', '|']), prop::sample::select(vec!['.', ',']));
    let labels = vec![
        "utf-8",
        "utf-8",
        "windows-1252",
        "utf-16le",
        "shift_jis",
        "gb18030",
        "iso-2022-jp",
        "x-user-defined",
    ];
    let encoding = prop::sample::select(labels).prop_map(|label| encoded(label).encoding);
    let marks = (marks, encoding);
    (marks, columns, any::<bool>(), 0usize..3, prop::sample::select(vec!["", "#", "1", "µ"])).prop_map(
        |(((delimiter, decimal), encoding), columns, header, skip_rows, comment)| {
            let comment = comment.to_owned();
            Reading {
                encoding,
                delimiter,
                decimal,
                comment,
                skip_rows,
                header,
                columns,
                ..Reading::default()
            }
        },
    )
}

/// Whatever was read keeps what [`Samples`] promises; whatever was not says why.
fn sound(bytes: &[u8], reading: &Reading) {
    match try_read(bytes, reading) {
        Ok(samples) => {
            assert!(samples.len() >= 3);
            assert_eq!(samples.ln_magnitude().len(), samples.len());
            assert_eq!(samples.phase_rad().len(), samples.len());
            assert!(samples.frequency_hz()[0] > 0.0);
            assert!(samples.frequency_hz().is_sorted_by(|a, b| a < b));
            let all = samples.frequency_hz().iter().chain(samples.ln_magnitude()).chain(samples.phase_rad());
            assert!(all.copied().all(f64::is_finite));
        }
        Err(errors) => {
            assert!(has_errors(&errors));
            assert!(errors.len() <= 21);
            for excerpt in errors.iter().filter_map(|error| error.excerpt.as_ref()) {
                assert!(excerpt.text.get(excerpt.mark.clone()).is_some());
            }
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { rng_seed: RngSeed::Fixed(1), ..ProptestConfig::with_cases(1000) })]

    #[test]
    fn any_bytes_are_read_or_refused(
        bytes in prop::collection::vec(any::<u8>(), 0..300),
        mark in prop::sample::select(vec![&b""[..], b"\xFF\xFE", b"\xFE\xFF", b"\xEF\xBB\xBF"]),
        reading in any_reading(),
    ) {
        sound(&[mark, &bytes].concat(), &reading);
    }

    #[test]
    fn any_text_of_the_trade_is_read_or_refused(
        text in "[0-9,;.\t \"\r\n#e+µ-]{0,200}",
        reading in any_reading(),
    ) {
        sound(text.as_bytes(), &reading);
        sound(format!("{HEADER}{text}").as_bytes(), &standard());
        sound(&utf16(&text, u16::to_le_bytes), &reading);
    }

    #[test]
    fn a_damaged_file_is_read_or_refused(at in 0usize..3000, byte in any::<u8>(), cut in any::<bool>()) {
        let mut bytes = plain().into_bytes();
        let at = at.min(bytes.len() - 1);
        if cut {
            bytes.truncate(at);
        } else {
            bytes[at] = byte;
        }
        sound(&bytes, &standard());
    }
}
