//! Reading an ordinary sweep, against the fastest safe loop over the same bytes that checks nothing.

#![allow(missing_docs, clippy::unwrap_used, clippy::indexing_slicing, reason = "a bench fails by panicking")]

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use loopgauge::sweep::{Reading, Samples, Scratch, read};
use std::fmt::Write;
use std::hint::black_box;

/// 401 points of an integrator with a pole, four decades.
fn sweep(write_row: impl Fn(&mut String, f64, f64, f64), header: &str) -> String {
    let mut text = format!("{header}\n");
    for point in 0..401 {
        let frequency = 100.0 * 10f64.powf(f64::from(point) / 100.0);
        let gain = 40.0 - f64::from(point) / 5.0;
        let phase = -90.0 - (frequency / 60e3).atan().to_degrees();
        write_row(&mut text, frequency, gain, phase);
    }
    text
}

/// No header, no checks, no comments: lines by memchr, three fields each, three pushes.
fn fastest_loop(text: &[u8], columns: &mut [Vec<f64>; 3]) {
    columns.iter_mut().for_each(Vec::clear);
    let mut start = 0;
    for end in memchr::memchr_iter(b'\n', text) {
        let mut fields = text[start..end].split(|byte| *byte == b',');
        let mut next = || fields.next().and_then(|field| fast_float2::parse::<f64, _>(field).ok());
        if let (Some(frequency), Some(gain), Some(phase)) = (next(), next(), next()) {
            columns[0].push(frequency);
            columns[1].push(gain);
            columns[2].push(phase);
        }
        start = end + 1;
    }
}

/// As above, with the numbers found one after the other instead of by lines and fields.
fn fastest_run(text: &[u8], columns: &mut [Vec<f64>; 3]) {
    columns.iter_mut().for_each(Vec::clear);
    let mut rest = &text[memchr::memchr(b'\n', text).map_or(0, |at| at + 1)..];
    while !rest.is_empty() {
        let mut row = [0.0; 3];
        for number in &mut row {
            let Ok((value, length)) = fast_float2::parse_partial::<f64, _>(rest) else { return };
            *number = value;
            rest = rest.get(length + 1..).unwrap_or_default();
        }
        columns[0].push(row[0]);
        columns[1].push(row[1]);
        columns[2].push(row[2]);
    }
}

fn bench(criterion: &mut Criterion) {
    let header = "frequency_hz,gain_db,phase_deg";
    let plain = sweep(|text, f, g, p| writeln!(text, "{f:.4},{g:.4},{p:.3}").unwrap(), header);
    let quoted = sweep(|text, f, g, p| writeln!(text, "\"{f:.4}\",\"{g:.4}\",\"{p:.3}\"").unwrap(), header);
    let comma = plain.replace(',', ";").replace('.', ",");
    let comma_reading = Reading { delimiter: ';', decimal: ',', ..Reading::default() };
    let utf16: Vec<u8> = format!("\u{feff}{plain}").encode_utf16().flat_map(u16::to_le_bytes).collect();

    let mut group = criterion.benchmark_group("read 401 points");
    group.throughput(Throughput::Bytes(plain.len() as u64));
    let (mut samples, mut columns) = (Samples::default(), [const { Vec::new() }; 3]);
    group.bench_function("fastest safe loop, by lines", |b| {
        b.iter(|| fastest_loop(black_box(plain.as_bytes()), &mut columns));
    });
    group.bench_function("fastest safe loop, by numbers", |b| {
        b.iter(|| fastest_run(black_box(plain.as_bytes()), &mut columns));
    });
    let file = "bench.csv".into();
    let mut scratch = Scratch::default();
    let standard = Reading::default();
    for (name, bytes, reading) in [
        ("read", plain.as_bytes(), &standard),
        ("read, quoted", quoted.as_bytes(), &standard),
        ("read, decimal comma", comma.as_bytes(), &comma_reading),
        ("read, UTF-16", &utf16, &standard),
    ] {
        group.bench_function(name, |b| {
            b.iter(|| read(black_box(bytes), &file, reading, &mut scratch, &mut samples).unwrap());
        });
        assert_eq!(samples.len(), 401);
    }
    group.finish();
}

criterion_group!(benches, bench);
criterion_main!(benches);
