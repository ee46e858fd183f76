//! How long the pieces of one run take: 6 corners of 12 checks.

#![allow(missing_docs, reason = "a bench")]

use criterion::{Criterion, criterion_group, criterion_main};
use loopgauge::report::terminal::{Style, render_run};
use loopgauge::report::{junit, run_json};
use std::hint::black_box;

#[path = "../src/report/sample.rs"]
mod sample;

fn pieces(c: &mut Criterion) {
    let passing = sample::passing("RG-00042", 6);
    let mixed = sample::run();
    c.bench_function("junit/6x12 passing", |b| b.iter(|| junit::suite(black_box(&passing))));
    c.bench_function("junit/mixed", |b| b.iter(|| junit::suite(black_box(&mixed))));
    c.bench_function("json/6x12 passing", |b| b.iter(|| run_json(black_box(&passing))));
    c.bench_function("terminal/6x12 passing", |b| b.iter(|| render_run(black_box(&passing), Style::plain())));
    c.bench_function("terminal/mixed", |b| b.iter(|| render_run(black_box(&mixed), Style::plain())));
}

criterion_group!(benches, pieces);
criterion_main!(benches);
