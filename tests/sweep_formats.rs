//! One loop written in many legal ways, many broken files, and bytes of all kinds.

#![allow(clippy::unwrap_used, clippy::panic, clippy::indexing_slicing, reason = "a test fails by panicking")]

#[path = "sweep_formats/any_bytes.rs"]
mod any_bytes;
#[path = "sweep_formats/broken.rs"]
mod broken;

use broken::broken;
use loopgauge::diagnostic::Diagnostic;
use loopgauge::sweep::{
    AngleUnit, Column, ColumnRef, Columns, Encoding, FrequencyUnit, GainUnit, Reading, Samples, Scratch, read,
};
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
