//! The kinds of files that labs write, one after the other as the manual lists them: read as declared there, or told what to do.

#![cfg(feature = "formats")]
#![allow(clippy::unwrap_used, clippy::panic, clippy::indexing_slicing, reason = "a test fails by panicking")]

use loopgauge::manual::chapter;
use loopgauge::spec::load_reading;
use loopgauge::sweep::{Complex64, Reading, Samples, Scratch, read};
use std::f64::consts::TAU;
use std::io::Write as _;

/// What comes of a file.
enum Comes {
    /// The loop.
    Read,
    /// An error with this in its message or help.
    Told(&'static str),
}
use Comes::{Read, Told};

fn points() -> Vec<(f64, Complex64)> {
    let hz = (0..31).map(|k| 100.0 * 10f64.powf(f64::from(k) / 10.0));
    hz.map(|hz| (hz, Complex64::new(0.0, -9e3 / hz) / Complex64::new(1.0, hz / 6e4))).collect()
}

/// Rows of fields with `between`, a line each.
fn rows(between: &str, row: impl Fn(f64, Complex64) -> Vec<String>) -> String {
    points().into_iter().map(|(hz, gain)| row(hz, gain).join(between) + "\n").collect()
}

fn all(numbers: &[f64]) -> Vec<String> {
    numbers.iter().map(|number| format!("{number:?}")).collect()
}

fn polar(hz: f64, t: Complex64) -> Vec<String> {
    all(&[hz, 20.0 * t.norm().log10(), t.arg().to_degrees()])
}

fn parts(hz: f64, t: Complex64) -> Vec<String> {
    all(&[hz, t.re, t.im])
}

/// Both sides, 20 mV at the input.
fn sides(t: Complex64) -> [Complex64; 2] {
    let input = Complex64::from_polar(0.02, 0.7);
    [input, input * t]
}

fn records() -> String {
    let mut text = "frequency_hz,time_s,input_v,output_v\n".to_owned();
    for (hz, gain) in points() {
        let [input, output] = sides(gain);
        for k in 0..100 {
            let time = f64::from(k) * 0.05 / hz;
            let turned = Complex64::from_polar(1.0, TAU * hz * time);
            text += &(all(&[hz, time, (input * turned).re, (output * turned).re]).join(",") + "\n");
        }
    }
    text
}

/// An array of NumPy (NumPy Enhancement Proposal 1; from memory).
fn npy(descr: &str, numbers: &[f64]) -> Vec<u8> {
    let mut header = format!("{{'descr': {descr}, 'fortran_order': False, 'shape': (31,), }}");
    header.push_str(&" ".repeat(63 - (header.len() + 10) % 64));
    header.push('\n');
    let length = u16::try_from(header.len()).unwrap().to_le_bytes();
    let data: Vec<u8> = numbers.iter().flat_map(|n| n.to_le_bytes()).collect();
    [b"\x93NUMPY\x01\x00".as_slice(), &length, header.as_bytes(), &data].concat()
}

fn archive(files: &[(&str, Vec<u8>)]) -> Vec<u8> {
    let mut writer = zip::ZipWriter::new(std::io::Cursor::new(Vec::new()));
    for (name, bytes) in files {
        writer.start_file(*name, zip::write::SimpleFileOptions::default()).unwrap();
        writer.write_all(bytes).unwrap();
    }
    writer.finish().unwrap().into_inner()
}

fn packed(bytes: &[u8]) -> Vec<u8> {
    let mut encoder = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::default());
    encoder.write_all(bytes).unwrap();
    encoder.finish().unwrap()
}

fn wide(text: &str) -> Vec<u8> {
    format!("\u{feff}{text}").encode_utf16().flat_map(u16::to_le_bytes).collect()
}

fn latin(text: &str) -> Vec<u8> {
    text.chars().map(|c| u8::try_from(u32::from(c)).unwrap()).collect()
}

/// Kind as the manual names it, the file, its reading, what comes of it.
type Case = (&'static str, Vec<u8>, &'static str, Comes);

fn texts() -> Vec<Case> {
    let plain = format!("frequency_hz,gain_db,phase_deg\n{}", rows(",", polar));
    let complex = format!("frequency_hz,real,imag\n{}", rows(",", parts));
    let ratio = rows(",", |hz, t| all(&[hz, t.norm(), t.arg().to_degrees()]));
    let comma = plain.replace(',', ";").replace('.', ",");
    let of_parts = rows(",", |hz, t| {
        let [a, b] = sides(t);
        all(&[hz, a.re, a.im, b.re, b.im])
    });
    let of_sides = rows(",", |hz, t| {
        let [a, b] = sides(t);
        all(&[hz, a.norm(), a.arg().to_degrees(), b.norm(), b.arg().to_degrees()])
    });
    let radians = rows(",", |hz, t| all(&[TAU * hz, t.re, t.im]));
    let micro = format!("Dämpfung µ\nfrequency_hz,gain_db,phase_deg\n{}", rows(",", polar));
    let complex_fields =
        |field: fn(Complex64) -> String| rows("\t", |hz, t| vec![format!("{hz:?}"), field(t)]);
    vec![
        ("CSV, dB and deg", plain.clone().into_bytes(), "", Read),
        ("CSV, ratio and deg", format!("frequency_hz,gain,phase_deg\n{ratio}").into_bytes(), "", Read),
        ("CSV, real and imaginary part", complex.clone().into_bytes(), "", Read),
        ("semicolons and decimal commas", comma.into_bytes(), "{delimiter: ';', decimal: ','}", Read),
        (
            "blanks or tabs, no header",
            rows("  ", polar).into_bytes(),
            "{delimiter: space, header: false, columns: {frequency: {column: 1, unit: Hz}, gain: {column: 2, unit: dB}, \
             phase: {column: 3, unit: deg}}}",
            Read,
        ),
        ("lines above the header", format!("station 3\n;;\n{plain}").into_bytes(), "skip_rows: 2", Read),
        ("a row of units", plain.replacen('\n', "\nHz,dB,deg\n", 1).into_bytes(), "units_row: true", Read),
        ("a footer", format!("{plain}End of sweep\n").into_bytes(), "footer_rows: 1", Read),
        ("UTF-16 with its mark", wide(&plain), "", Read),
        ("Latin-1 and others", latin(&micro), "{encoding: windows-1252, skip_rows: 1}", Read),
        ("rad/s", format!("frequency_hz,real,imag\n{radians}").into_bytes(), "frequency_unit: rad/s", Read),
        (
            "both sides, parts",
            format!("frequency_hz,input_real,input_imag,output_real,output_imag\n{of_parts}").into_bytes(),
            "",
            Read,
        ),
        (
            "both sides, magnitude and phase",
            format!("frequency_hz,input_magnitude,input_phase,output_magnitude,output_phase\n{of_sides}")
                .into_bytes(),
            "",
            Read,
        ),
        (
            "complex numbers `1+2i`, `1+2j`, `(1,2)`",
            format!("frequency_hz\tT\n{}", complex_fields(|t| format!("{:?}{:+?}j", t.re, t.im)))
                .into_bytes(),
            "{delimiter: tab, columns: {real: T, imag: T}}",
            Read,
        ),
        (
            "pairs `(40dB,170deg)`",
            format!(
                "frequency_hz\tT\n{}",
                complex_fields(|t| format!(
                    "({:?}dB,{:?}deg)",
                    20.0 * t.norm().log10(),
                    t.arg().to_degrees()
                ))
            )
            .into_bytes(),
            "{delimiter: tab, columns: {gain: {column: T, unit: dB}, phase: {column: T, unit: deg}}}",
            Read,
        ),
        ("packed by gzip", packed(plain.as_bytes()), "", Read),
    ]
}

fn formats() -> Vec<Case> {
    let lines = rows("", |hz, t| {
        vec![format!("{{\"frequency_hz\": {hz:?}, \"loop_gain\": [{:?}, {:?}]}}", t.re, t.im)]
    });
    let touchstone = format!("# Hz S RI R 50\n{}", rows(" ", parts));
    let numbers: Vec<f64> = points().iter().flat_map(|(hz, t)| [*hz, t.re, t.im]).collect();
    let frequencies: Vec<f64> = points().iter().map(|(hz, _)| *hz).collect();
    let gains: Vec<f64> = points().iter().flat_map(|(_, t)| [t.re, t.im]).collect();
    let npz = archive(&[
        ("frequency_hz.npy", npy("'<f8'", &frequencies)),
        ("loop_gain.npy", npy("'<c16'", &gains)),
    ]);
    let spreadsheet = archive(&[("xl/workbook.xml", b"<workbook/>".to_vec())]);
    let of_xlsx =
        if cfg!(feature = "xlsx") { "no spreadsheet that can be read" } else { "without the feature `xlsx`" };
    vec![
        ("JSON Lines", lines.into_bytes(), "format: jsonl", Read),
        ("Touchstone", touchstone.into_bytes(), "format: touchstone", Read),
        (
            "NumPy, one array",
            npy("[('frequency_hz', '<f8'), ('loop_gain', '<c16')]", &numbers),
            "format: npy",
            Read,
        ),
        ("NumPy, an archive", npz.clone(), "format: npz", Read),
        ("records over time", records().into_bytes(), "format: time", Read),
        ("a spreadsheet", spreadsheet, "format: xlsx", Told(of_xlsx)),
        ("HDF5", b"\x89HDF\r\n\x1a\n\0".to_vec(), "", Told("an HDF5 file")),
        ("a MAT-file", b"MATLAB 5.0 MAT-file, Platform: \0".to_vec(), "", Told("a MAT-file")),
        ("a picture or a PDF", b"\x89PNG\r\n\x1a\n".to_vec(), "", Told("not the picture")),
    ]
}

#[test]
fn every_kind_of_the_manual_is_read_or_told_what_to_do() {
    let (hz, gain): (Vec<f64>, Vec<Complex64>) = points().into_iter().unzip();
    let wanted = Samples::from_complex(&hz, &gain).unwrap();
    for (kind, bytes, reading, comes) in texts().into_iter().chain(formats()) {
        let reading = match reading {
            "" => Reading::default(),
            declared => {
                load_reading(declared.as_bytes(), "reading.yaml").unwrap_or_else(|e| panic!("{kind}: {e:#?}"))
            }
        };
        let mut found = Samples::default();
        let outcome = read(&bytes, &"lab".into(), &reading, &mut Scratch::default(), &mut found);
        match (outcome, comes) {
            (Ok(()), Read) => {
                assert_eq!(found.len(), wanted.len(), "{kind}");
                for k in 0..found.len() {
                    let off = [
                        found.frequency_hz()[k] / wanted.frequency_hz()[k] - 1.0,
                        found.ln_magnitude()[k] - wanted.ln_magnitude()[k],
                        ((found.phase_rad()[k] - wanted.phase_rad()[k]) / TAU + 0.25).rem_euclid(1.0) - 0.25,
                    ];
                    // Fits of records round a little more.
                    assert!(off.iter().all(|off| off.abs() < 1e-9), "{kind}: {off:?}");
                }
            }
            (Err(errors), Told(piece)) => {
                let text = format!("{} {}", errors[0].message, errors[0].help.clone().unwrap_or_default());
                assert!(text.contains(piece), "{kind}: {text}");
            }
            (Ok(()), Told(_)) => panic!("{kind} is read"),
            (Err(errors), Read) => panic!("{kind}: {errors:#?}"),
        }
    }
}

#[test]
fn the_manual_lists_these_kinds_and_how_they_are_declared() {
    let text = chapter("lab").unwrap().text;
    let (_, table) = text.split_once("## Kinds of files").unwrap();
    let rows: Vec<&str> = table.lines().filter(|line| line.starts_with("| ")).skip(2).collect();
    let cases: Vec<Case> = texts().into_iter().chain(formats()).collect();
    assert_eq!(cases.len(), 25);
    assert_eq!(rows.len(), cases.len());
    for (row, (kind, _, reading, _)) in rows.into_iter().zip(cases) {
        assert!(row.starts_with(&format!("| {kind} | ")), "{row}\n{kind}");
        // Each key that it needs is named in its row.
        for key in [
            "delimiter",
            "decimal",
            "header: false",
            "skip_rows",
            "units_row",
            "footer_rows",
            "encoding",
            "frequency_unit",
        ] {
            assert!(
                !reading.contains(key) || row.contains(key) || row.contains("Latin-1"),
                "{row} lacks {key}"
            );
        }
    }
}
