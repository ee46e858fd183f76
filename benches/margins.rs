//! What one sweep costs once it is read: curve, crossings, each margin, sanity, comparison of two levels.

#![allow(
    missing_docs,
    clippy::unwrap_used,
    reason = "the macros of criterion make public functions; a bench fails by panicking"
)]

#[path = "corpus/model.rs"]
#[expect(dead_code, reason = "the corners belong to the corpus on disk")]
mod model;

use criterion::{Criterion, criterion_group, criterion_main};
use loopgauge::analysed::Analysed;
use loopgauge::check::{Errors, Quantities};
use loopgauge::coverage::gap;
use loopgauge::curve::{Curve, Span};
use loopgauge::linearity::{Difference, compare};
use loopgauge::margins::{
    Crossings, Extreme, delay_margin, gain_extreme, gain_margin, phase_margin, stability_margin,
};
use loopgauge::monte_carlo::Trials;
use loopgauge::noise::Smoother;
use loopgauge::quantity::{Decibel, Degrees, Ratio};
use loopgauge::sanity::{Kernel, Subject, Usable, refusal, turned, usable};
use loopgauge::spec::{CriticalPoint, Tolerances};
use loopgauge::sweep::Samples;
use loopgauge::uncertainty::Chain;
use model::{Loop, Random, grid, reading};
use std::hint::black_box;

/// A noisy sweep of 401 points; `take` tells repeated sweeps of one unit apart.
fn sweep(take: u64) -> Samples {
    let unit = Loop::drawn(&mut Random::seeded(1), 2);
    let mut random = Random::seeded(take);
    let hz: Vec<f64> = grid(401, 100.0, 1e6).collect();
    let read = hz.iter().map(|hz| reading(unit.measured(*hz), &mut random));
    let (gain_db, phase_deg): (Vec<f64>, Vec<f64>) = read.unzip();
    Samples::from_db_deg(&hz, &gain_db, &phase_deg).unwrap()
}

fn analysed(take: u64) -> Analysed {
    Analysed::of(&sweep(take), CriticalPoint::PlusOne)
}

fn span() -> Span {
    Span { from: 100f64.ln(), to: 300e3_f64.ln() }
}

fn preparation(c: &mut Criterion) {
    let samples = sweep(2);
    let mut curve = Curve::new();
    c.bench_function("Samples::fingerprint", |b| b.iter(|| black_box(&samples).fingerprint()));
    c.bench_function("Curve::fill, same grid", |b| {
        b.iter(|| curve.fill(black_box(&samples), CriticalPoint::PlusOne));
    });
    let hz: Vec<f64> = samples.frequency_hz().iter().map(|hz| hz * 1.01).collect();
    let other_grid = Samples::from_ln_rad(&hz, samples.ln_magnitude(), samples.phase_rad()).unwrap();
    let mut turn = false;
    c.bench_function("Curve::fill, new grid", |b| {
        b.iter(|| {
            turn = !turn;
            curve.fill(black_box(if turn { &other_grid } else { &samples }), CriticalPoint::PlusOne);
        });
    });
    let (mut sweep, mut smoother) = (Analysed::default(), Smoother::default());
    c.bench_function("Analysed::fill, same grid", |b| {
        b.iter(|| {
            sweep.take(black_box(&samples), CriticalPoint::PlusOne);
            sweep.smooth(None, &mut smoother)
        });
    });
    curve.fill(&samples, CriticalPoint::PlusOne);
    let mut crossings = Crossings::default();
    c.bench_function("Crossings::find", |b| b.iter(|| crossings.find(black_box(&curve))));
}

fn margins(c: &mut Criterion) {
    let sweep = analysed(2);
    let Analysed { curve, crossings, .. } = &sweep;
    let span = span();
    c.bench_function("Curve::at", |b| b.iter(|| curve.at(black_box(9.7))));
    c.bench_function("phase_margin", |b| b.iter(|| phase_margin(black_box(crossings), span)));
    c.bench_function("gain_margin", |b| b.iter(|| gain_margin(curve, black_box(crossings), span)));
    c.bench_function("delay_margin", |b| b.iter(|| delay_margin(black_box(crossings), span)));
    c.bench_function("stability_margin", |b| b.iter(|| stability_margin(curve, black_box(crossings), span)));
    let top = Span { from: 250e3_f64.ln(), to: 300e3_f64.ln() };
    c.bench_function("gain_extreme, 8 samples", |b| {
        b.iter(|| gain_extreme(black_box(curve), top, Extreme::Largest));
    });
    let chain = Chain { gain_np: 0.01, phase_rad: 0.009, delay_s: 2e-9, impedance_ratio: 1e-3 };
    let mut trials = Trials::default();
    c.bench_function("Quantities::of", |b| {
        b.iter(|| {
            Quantities::of(
                black_box(&sweep),
                &Usable::whole(span),
                &Errors::of_chain(&chain),
                2.0,
                &mut trials,
            )
        })
    });
}

fn validity(c: &mut Criterion) {
    let (weak, strong) = (analysed(2), analysed(3));
    let span = span();
    let subject = Subject {
        begins_late: false,
        sweep: &weak,
        second: Some(&strong),
        span,
        open_loop_poles: 0,
        critical_point: CriticalPoint::PlusOne,
        chain: Chain::default(),
    };
    let mut difference = Difference::default();
    let mut kernel = Kernel::default();
    c.bench_function("coverage::gap", |b| b.iter(|| gap(black_box(&weak.curve), span, Some(15.0))));
    c.bench_function("sanity::refusal", |b| {
        b.iter(|| refusal(black_box(&subject), &usable(&subject), &mut kernel))
    });
    c.bench_function("sanity::turned", |b| b.iter(|| turned(black_box(&weak.curve), &strong.curve, span)));
    let (Some(step), Some(crossover)) = (Decibel::new(3.0), Ratio::new(0.02)) else { return };
    let tolerances = Tolerances {
        step,
        crossover: Some(crossover),
        phase_margin: Degrees::new(2.0),
        gain: Decibel::new(1.0),
        phase: Degrees::new(5.0),
        band: (0.1, 10.0),
    };
    c.bench_function("linearity::compare", |b| {
        b.iter(|| compare(black_box(&weak), &strong, span, &tolerances, &mut difference));
    });
}

criterion_group!(benches, preparation, margins, validity);
criterion_main!(benches);
