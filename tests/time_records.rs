//! Sweeps of records over time: what comes out is the loop gain of their sines, with what each record says of its own uncertainty.

#![cfg(feature = "formats")]
#![allow(clippy::unwrap_used, clippy::panic, clippy::indexing_slicing, reason = "a test fails by panicking")]

use loopgauge::diagnostic::Diagnostic;
use loopgauge::inspect::inspect;
use loopgauge::measurand::Measurand;
use loopgauge::spec::{CriticalPoint, load_reading};
use loopgauge::sweep::{Complex64, Reading, Samples, Scratch, read};
use std::f64::consts::TAU;
use std::fmt::Write as _;
use std::io::Write as _;

/// An integrator with a pole.
fn loop_gain(hz: f64) -> Complex64 {
    Complex64::new(0.0, -9e3 / hz) / Complex64::new(1.0, hz / 6e4)
}

/// 13 frequencies from 1 kHz to 100 kHz.
fn frequencies() -> Vec<f64> {
    (0..13).map(|k| (1e3 * 10f64.powf(f64::from(k) / 6.0)).round()).collect()
}

const SAMPLES: usize = 200;

/// Times, input and output of the record at a frequency: six periods; `noise` in volts, of a fixed sequence.
fn record(hz: f64, noise: f64) -> [Vec<f64>; 3] {
    let time: Vec<f64> = (0..SAMPLES).map(|k| k as f64 * 6.0 / hz / SAMPLES as f64).collect();
    let mut seed = hz.to_bits();
    let mut uniform = || {
        seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (seed >> 11) as f64 / (1_u64 << 53) as f64 - 0.5
    };
    let mut side = |amplitude: Complex64, offset: f64| -> Vec<f64> {
        let value = |t: &f64| (amplitude * Complex64::from_polar(1.0, TAU * hz * t)).re + offset;
        time.iter().map(|t| value(t) + noise * 12f64.sqrt() * uniform()).collect()
    };
    let input = side(Complex64::from_polar(0.02, 0.3), 2.5);
    let output = side(Complex64::from_polar(0.02, 0.3) * loop_gain(hz), 2.5);
    [time, input, output]
}

fn text(frequencies: &[f64], noise: f64) -> String {
    let mut text = "frequency_hz,time_s,input_v,output_v\n".to_owned();
    for hz in frequencies {
        let [time, input, output] = record(*hz, noise);
        for ((t, a), b) in time.iter().zip(&input).zip(&output) {
            writeln!(text, "{hz:?},{t:?},{a:?},{b:?}").unwrap();
        }
    }
    text
}

fn try_read(bytes: &[u8], reading: &str) -> Result<Samples, Vec<Diagnostic>> {
    let reading: Reading = load_reading(reading.as_bytes(), "reading.yaml")?;
    let mut samples = Samples::default();
    read(bytes, &"records".into(), &reading, &mut Scratch::default(), &mut samples).map(|()| samples)
}

#[track_caller]
fn is_the_loop(bytes: &[u8], reading: &str) {
    let found = try_read(bytes, reading).unwrap_or_else(|errors| panic!("{errors:#?}"));
    assert_eq!(found.frequency_hz(), frequencies());
    for (k, hz) in frequencies().into_iter().enumerate() {
        let own = Complex64::new(found.ln_magnitude()[k], found.phase_rad()[k]).exp();
        assert!((own / loop_gain(hz) - 1.0).norm() < 1e-9, "{hz}: {own}");
    }
}

#[test]
fn records_as_text_are_read_in_every_dialect() {
    let rising = text(&frequencies(), 0.0);
    is_the_loop(rising.as_bytes(), "format: time");
    let falling: Vec<f64> = frequencies().into_iter().rev().collect();
    is_the_loop(text(&falling, 0.0).as_bytes(), "format: time");
    let comma = rising.replace(',', ";").replace('.', ",").replace("_v\n", "_v\nHz;s;V;V\n");
    let comma = format!("station 3\n{comma}End of file\n");
    is_the_loop(
        comma.as_bytes(),
        "{format: time, delimiter: ';', decimal: ',', skip_rows: 1, units_row: true, footer_rows: 1}",
    );
    let other = rising.replace("frequency_hz", "f");
    is_the_loop(other.as_bytes(), "{format: time, columns: {frequency: {column: f, unit: Hz}}}");
    let mut packed = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::default());
    packed.write_all(rising.as_bytes()).unwrap();
    is_the_loop(&packed.finish().unwrap(), "format: time");
}

/// An array of version 1 as NumPy writes it (from memory).
fn npy(shape: &str, numbers: &[f64]) -> Vec<u8> {
    let mut header = format!("{{'descr': '<f8', 'fortran_order': False, 'shape': {shape}, }}");
    header.push_str(&" ".repeat(63 - (header.len() + 10) % 64));
    header.push('\n');
    let length = u16::try_from(header.len()).unwrap().to_le_bytes();
    let data: Vec<u8> = numbers.iter().flat_map(|n| n.to_le_bytes()).collect();
    [b"\x93NUMPY\x01\x00".as_slice(), &length, header.as_bytes(), &data].concat()
}

fn archive(parts: &[(&str, Vec<u8>)]) -> Vec<u8> {
    let mut writer = zip::ZipWriter::new(std::io::Cursor::new(Vec::new()));
    for (name, part) in parts {
        writer.start_file(format!("{name}.npy"), zip::write::SimpleFileOptions::default()).unwrap();
        writer.write_all(part).unwrap();
    }
    writer.finish().unwrap().into_inner()
}

#[test]
fn records_as_arrays_have_a_row_for_each_frequency() {
    let all: Vec<[Vec<f64>; 3]> = frequencies().iter().map(|hz| record(*hz, 0.0)).collect();
    let table = |side: usize| all.iter().flat_map(|record| record[side].clone()).collect::<Vec<f64>>();
    let shape = format!("(13, {SAMPLES})");
    let parts = |time: Vec<u8>| {
        vec![
            ("frequency_hz", npy("(13,)", &frequencies())),
            ("time_s", time),
            ("input_v", npy(&shape, &table(1))),
            ("output_v", npy(&shape, &table(2))),
        ]
    };
    is_the_loop(&archive(&parts(npy(&shape, &table(0)))), "format: time");
    let mut lacking = parts(npy(&shape, &table(0)));
    lacking.pop();
    let error = try_read(&archive(&lacking), "format: time").unwrap_err().remove(0);
    assert!(error.message.contains("`output_v`"), "{}", error.message);
    let uneven =
        try_read(&archive(&parts(npy("(3,)", &[0.0, 1.0, 2.0]))), "format: time").unwrap_err().remove(0);
    assert!(uneven.message.contains("no row of the same length"), "{}", uneven.message);
}

#[test]
fn what_is_wrong_with_a_record_has_its_line_and_a_remedy() {
    let rising = text(&frequencies(), 0.0);
    let lines: Vec<&str> = rising.lines().collect();
    let told = |text: String| try_read(text.as_bytes(), "format: time").unwrap_err().remove(0);
    let line = |error: &Diagnostic| error.place.as_ref().and_then(|place| place.line);
    // The second record is clipped.
    let [time, input, mut output] = record(1468.0, 0.0);
    output.iter_mut().for_each(|v| *v = v.min(2.55));
    let mut clipped = lines[..=SAMPLES].join("\n") + "\n";
    for ((t, a), b) in time.iter().zip(&input).zip(&output) {
        writeln!(clipped, "1468,{t:?},{a:?},{b:?}").unwrap();
    }
    let error = told(clipped);
    assert_eq!((error.code, line(&error)), ("sweep-record", Some(2 + SAMPLES as u64)));
    assert!(error.message.contains("the record at 1468 Hz is clipped"), "{}", error.message);
    assert!(error.help.unwrap().contains("range"));
    // A cut field, a record that returns, a header without names.
    let error = told(rising.replacen(lines[3], "1000,x,1,1", 1));
    assert_eq!((error.code, line(&error)), ("sweep-number", Some(4)));
    let error = told(rising.replacen(lines[3], "1000,1", 1));
    assert_eq!((error.code, line(&error)), ("sweep-row", Some(4)));
    let error = told(format!("{rising}{}\n", lines[1..=SAMPLES].join("\n")));
    assert!(
        error.message.contains("the record at 1000 Hz follows the one at 100000 Hz"),
        "{}",
        error.message
    );
    let error = told(rising.replacen("time_s", "t", 1));
    assert!(error.message.contains("no column `time_s`"), "{}", error.message);
    assert!(told(String::new()).message.contains("holds no record"));
    let two = text(&frequencies()[..2], 0.0);
    assert!(told(two).message.contains("at least 3"));
    let error = told(rising.replace("\n1000.0,", "\n-1000.0,"));
    assert!(error.message.contains("must be above 0"), "{}", error.message);
    for reading in ["{format: time, header: false}", "{format: time, columns: {real: re, imag: im}}"] {
        assert_eq!(load_reading(reading.as_bytes(), "r.yaml").unwrap_err()[0].code, "record-columns");
    }
}

/// Five points are too few to see their own noise in; the records know it.
#[test]
fn a_short_sweep_is_no_better_than_its_records() {
    let short: Vec<f64> = vec![3e3, 6e3, 9e3, 12e3, 18e3];
    let noisy = try_read(text(&short, 0.002).as_bytes(), "format: time").unwrap();
    let bare = Samples::from_ln_rad(noisy.frequency_hz(), noisy.ln_magnitude(), noisy.phase_rad()).unwrap();
    let seen = |samples: &Samples| inspect("records", samples, CriticalPoint::MinusOne);
    assert_eq!(seen(&bare).noise_percent, None);
    let percent = seen(&noisy).noise_percent.unwrap();
    // 2 mV on 20 mV over 200 samples, on both sides of a ratio near 1: 0.1 sqrt(2/200) sqrt 2.
    assert!((1.0..2.2).contains(&percent), "{percent}");
    let of = |samples: &Samples| seen(samples).measured.get(Measurand::PhaseMargin).unwrap().uncertainty;
    // Twice 0.014 rad and less; nothing is claimed of what no noise is known of.
    assert!(of(&bare).is_none() && (0.8..3.0).contains(&of(&noisy).unwrap()), "{:?}", of(&noisy));
}
