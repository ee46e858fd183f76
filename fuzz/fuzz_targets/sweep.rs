//! Bytes of a sweep file, under readings of several kinds: an answer for all of them, and samples that are finite.
#![no_main]

use libfuzzer_sys::fuzz_target;
use loopgauge::spec::{CriticalPoint, load_reading};
use loopgauge::sweep::{Reading, Samples, Scratch, read};
use std::sync::{Arc, LazyLock};

static READINGS: LazyLock<Vec<Reading>> = LazyLock::new(|| {
    let texts = [
        "{columns: {frequency: {column: 1, unit: kHz}, gain: {column: 2, unit: dB}, phase: {column: 3, unit: rad}}}",
        "{delimiter: \";\", decimal: \",\", units_row: true, columns: {frequency: {column: 1, unit: rad/s}, real: 2, imag: 3}}",
        "{delimiter: tab, skip_rows: 1, footer_rows: 1, header: false, columns: {frequency: {column: 1, unit: Hz}, real: 2, imag: 3}}",
        "{frequency_unit: MHz, columns: {input_magnitude: 2, input_phase: 3, output_magnitude: 4, output_phase: 5}}",
        "format: jsonl",
        "format: touchstone",
        "{format: npy, columns: {frequency: {column: 1, unit: Hz}, real: 2, imag: 3}}",
        "format: npz",
    ];
    let read = |text: &&str| load_reading(text.as_bytes(), "reading.yaml").expect("the readings are sound");
    std::iter::once(Reading::default()).chain(texts.iter().map(read)).collect()
});

fuzz_target!(|data: &[u8]| {
    let Some((kind, bytes)) = data.split_first() else { return };
    let reading = &READINGS[usize::from(*kind) % READINGS.len()];
    let file: Arc<str> = "sweep.csv".into();
    let mut samples = Samples::default();
    match read(bytes, &file, reading, &mut Scratch::default(), &mut samples) {
        Ok(()) => {
            let columns = [samples.frequency_hz(), samples.ln_magnitude(), samples.phase_rad()];
            assert!(columns.iter().all(|column| column.iter().all(|value| value.is_finite())));
            assert!(samples.frequency_hz().windows(2).all(|pair| pair[0] < pair[1]));
            if samples.len() < 400 {
                let _ = loopgauge::inspect::inspect("sweep.csv", &samples, CriticalPoint::PlusOne);
            }
        }
        Err(problems) => assert!(!problems.is_empty()),
    }
});
