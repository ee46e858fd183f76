//! The `reading` that is proposed for a file which is not understood: one when one makes sense, none when two do.

#![cfg(feature = "formats")]
#![allow(clippy::unwrap_used, clippy::panic, clippy::indexing_slicing, reason = "a test fails by panicking")]

use loopgauge::spec::load_reading;
use loopgauge::sweep::{Complex64, Proposal, Reading, Samples, Scratch, propose, read};
use std::f64::consts::TAU;

/// An integrator with a pole, from 100 Hz to 1 MHz.
fn points() -> Vec<(f64, Complex64)> {
    let hz = (0..61).map(|k| 100.0 * 10f64.powf(f64::from(k) / 15.0));
    hz.map(|hz| (hz, Complex64::new(0.0, -9e3 / hz) / Complex64::new(1.0, hz / 6e4))).collect()
}

fn wanted() -> Samples {
    let (hz, gain): (Vec<f64>, Vec<Complex64>) = points().into_iter().unzip();
    Samples::from_complex(&hz, &gain).unwrap()
}

fn rows(delimiter: &str, row: impl Fn(f64, Complex64) -> Vec<f64>) -> String {
    let lines = points().into_iter().map(|(hz, gain)| {
        let fields: Vec<String> = row(hz, gain).iter().map(|number| format!("{number:?}")).collect();
        fields.join(delimiter) + "\r\n"
    });
    lines.collect()
}

fn decibels(hz: f64, t: Complex64) -> Vec<f64> {
    vec![hz, 20.0 * t.norm().log10(), t.arg().to_degrees()]
}

fn parts(hz: f64, t: Complex64) -> Vec<f64> {
    vec![hz, t.re, t.im]
}

fn read_by(bytes: &[u8], reading: &Reading) -> Option<Samples> {
    let mut samples = Samples::default();
    read(bytes, &"loop".into(), reading, &mut Scratch::default(), &mut samples).ok().map(|()| samples)
}

/// The file is not read as it is, and by what is proposed it is the loop.
#[track_caller]
fn proposes(bytes: &[u8], words: &[&str]) {
    assert!(read_by(bytes, &Reading::default()).is_none(), "it is read without any reading");
    let Proposal::One(text) = propose(bytes) else { panic!("{:?}", propose(bytes)) };
    words.iter().for_each(|word| assert!(text.contains(word), "{word} in\n{text}"));
    let reading =
        load_reading(text.as_bytes(), "reading.yaml").unwrap_or_else(|errors| panic!("{errors:#?}\n{text}"));
    let (found, wanted) = (read_by(bytes, &reading).unwrap(), wanted());
    assert_eq!(found.len(), wanted.len());
    for k in 0..wanted.len() {
        let gain = found.ln_magnitude()[k] - wanted.ln_magnitude()[k];
        let turns = (found.phase_rad()[k] - wanted.phase_rad()[k]) / TAU;
        assert!((found.frequency_hz()[k] / wanted.frequency_hz()[k] - 1.0).abs() < 1e-9, "{text}");
        assert!(gain.abs() < 1e-9 && (turns - turns.round()).abs() < 1e-9, "{text}");
    }
}

fn latin_1(text: &str) -> Vec<u8> {
    text.chars().map(|c| u8::try_from(u32::from(c)).unwrap()).collect()
}

#[test]
fn what_labs_write_is_proposed() {
    let with = |head: &str, rows: &str| format!("{head}{rows}").into_bytes();
    let comma = |text: String| text.replace('.', ",");
    let table = rows(";", decibels);
    proposes(
        &with("f [Hz];Gain [dB];Phase [deg]\r\n", &table),
        &["delimiter: \";\"", "unit: Hz", "unit: dB", "unit: deg"],
    );
    proposes(
        &latin_1(&format!(
            "Bericht der Pr\u{fc}fung\r\nTemperatur 21 \u{b0}C\r\n\r\nFrequenz (Hz);Betrag (dB);Phase (\u{b0})\r\n{}",
            comma(table.clone())
        )),
        &["encoding: windows-1252", "decimal: \",\"", "skip_rows: 3"],
    );
    proposes(
        &with("Frequency (Hz)\tMagnitude (dB)\tPhase (deg)\r\n", &rows("\t", decibels)),
        &["delimiter: tab"],
    );
    proposes(&with("", &rows(" ", decibels)), &["header: false", "column: 1"]);
    proposes(&with("", &rows(",", parts)), &["header: false", "real: 2", "imag: 3"]);
    proposes(
        &with("! a bench\r\n! freq re im\r\n", &rows("  ", parts)),
        &["comment: \"!\"", "delimiter: space"],
    );
    proposes(&with("Freq,Gain,Phase\r\nHz,dB,deg\r\n", &rows(",", decibels)), &["units_row: true"]);
    proposes(&with("freq/Hz,real,imag\r\n", &(rows(",", parts) + "End of sweep\r\n")), &["footer_rows: 1"]);
    let radians = rows(",", |hz, t| vec![hz / 1e3, t.norm(), t.arg()]);
    proposes(&with("f/kHz,|T|,phi/rad\r\n", &radians), &["unit: kHz", "unit: ratio", "unit: rad"]);
    proposes(
        &with("w (rad/s),Re(T),Im(T)\r\n", &rows(",", |hz, t| vec![TAU * hz, t.re, t.im])),
        &["unit: rad/s"],
    );
    let swapped = rows(",", |hz, t| vec![t.arg().to_degrees(), 20.0 * t.norm().log10(), hz]);
    proposes(
        &with("Phase (deg),Gain (dB),Frequency (Hz)\r\n", &swapped),
        &["frequency: {column: \"Frequency (Hz)\""],
    );
    // What is beside the loop gain is passed over.
    let more = rows(",", |hz, t| vec![7.0, hz, 20.0 * t.norm().log10(), t.arg().to_degrees(), 23.5]);
    proposes(&with("Point,Frequency (Hz),Gain (dB),Phase (deg),Temperature\r\n", &more), &[]);
    let wide: Vec<u8> = format!("\u{feff}f (Hz);a (dB);p (deg)\r\n{table}")
        .encode_utf16()
        .flat_map(u16::to_le_bytes)
        .collect();
    proposes(&wide, &["delimiter: \";\""]);
}

#[test]
fn of_two_that_make_sense_none_is_proposed() {
    let several = |text: String, words: [&str; 2]| {
        let Proposal::Several(both) = propose(text.as_bytes()) else {
            panic!("{:?}", propose(text.as_bytes()))
        };
        for (text, word) in both.iter().zip(words) {
            assert!(text.contains(word), "{word} in\n{text}");
        }
    };
    let two = rows(",", |hz, t| {
        vec![hz, 20.0 * t.norm().log10(), 20.0 * t.norm().log10() - 3.0, t.arg().to_degrees()]
    });
    several(format!("f (Hz),Gain A (dB),Gain B (dB),Phase (deg)\r\n{two}"), ["Gain A", "Gain B"]);
    // From 10 Hz to 10 kHz, or all of it in kHz.
    let low = rows(",", |hz, t| [vec![hz / 100.0], decibels(hz, t)[1..].to_vec()].concat());
    several(format!("f,Gain (dB),Phase (deg)\r\n{low}"), ["unit: Hz", "unit: kHz"]);
}

#[test]
fn what_is_no_loop_gain_is_not_proposed() {
    let nothing = |text: &str| assert_eq!(propose(text.as_bytes()), Proposal::Nothing, "{text}");
    nothing("");
    nothing("a text\nof two lines\n");
    nothing(&rows(";", |hz, _| vec![hz, 21.0, 22.0]));
    // A gain that only rises, one that never reaches 0 dB, a phase that has nothing to do with it.
    nothing(&format!(
        "f (Hz);g (dB);p (deg)\n{}",
        rows(";", |hz, t| vec![hz, -20.0 * t.norm().log10(), 30.0 - 0.0 * t.re])
    ));
    nothing(&format!(
        "f (Hz);g (dB);p (deg)\n{}",
        rows(";", |hz, t| vec![hz, 200.0 + 20.0 * t.norm().log10(), t.arg().to_degrees()])
    ));
    let wild = rows(";", |hz, t| vec![hz, 20.0 * t.norm().log10(), (hz.ln() * 1e4).sin() * 180.0]);
    nothing(&format!("f (Hz);g (dB);p (deg)\n{wild}"));
    // A row that cannot be read.
    let broken = rows(";", decibels).replacen("100.0;", "100.0;x", 1) + "7;8\n";
    nothing(&format!("f (Hz);g (dB);p (deg)\n{broken}"));
    nothing(&format!("time (s);temperature;humidity\n{}", rows(";", decibels)));
    // Hostile files end soon.
    for text in ["1;2;3\n".repeat(200_000), ";".repeat(100_000), "1,".repeat(300_000)] {
        nothing(&text);
    }
}

/// Names that do what no name should are given by position.
#[test]
fn names_in_a_proposal_are_harmless() {
    let text = format!("f\u{202e} (Hz);\"g\\x (dB)\";p (deg)\n{}", rows(";", decibels));
    let Proposal::One(block) = propose(text.as_bytes()) else { panic!("{:?}", propose(text.as_bytes())) };
    assert!(!block.contains('\u{202e}') && block.contains("column: 1"), "{block}");
    assert!(read_by(text.as_bytes(), &load_reading(block.as_bytes(), "r.yaml").unwrap()).is_some());
}
