//! What one frequency of a circuit costs: its loop gain with the derivatives to all its parts.

#![allow(
    missing_docs,
    clippy::unwrap_used,
    reason = "the macros of criterion make public functions; a bench fails by panicking"
)]

use criterion::{Criterion, criterion_group, criterion_main};
use loopgauge::Complex64;
use loopgauge::circuit::{Includes, Model, Netlist, Setting};
use std::fmt::Write;

struct NoFiles;

impl Includes for NoFiles {
    fn open(&mut self, _: &str, path: &str) -> Result<(String, String), String> {
        Err(format!("there is no `{path}`"))
    }
}

/// An amplifier behind so many sections of a filter.
fn filter(sections: usize) -> (Model, usize) {
    let mut text = "filter\nVinj out in AC 1\nEamp n0 0 in 0 -100\n".to_owned();
    for at in 0..sections {
        writeln!(text, "L{at} n{at} n{0} 10u\nC{at} n{0} 0 {at}.1u\nR{at} n{0} 0 100", at + 1).unwrap();
    }
    writeln!(text, "Rend n{sections} out 10").unwrap();
    let netlist = Netlist::parse("filter.cir", &text, &mut NoFiles).0.unwrap();
    let vary: Vec<String> = netlist.parts().map(str::to_owned).collect();
    let setting = Setting { injection: "Vinj", parameters: &[], vary: &vary };
    (Model::new(&netlist, &setting).unwrap(), vary.len())
}

fn frequencies(c: &mut Criterion) {
    // Unknowns: five, and two a section.
    for (unknowns, sections) in [(9, 2), (15, 5), (31, 13)] {
        let (model, parts) = filter(sections);
        let mut solver = model.solver();
        let mut slopes = vec![Complex64::default(); parts];
        let mut hz = 10.0;
        c.bench_function(&format!("Solver::with_slopes, {unknowns} unknowns, {parts} parts"), |b| {
            b.iter(|| {
                hz = if hz > 1e6 { 10.0 } else { hz * 1.03 };
                solver.with_slopes(hz, &mut slopes).unwrap()
            });
        });
    }
}

criterion_group!(benches, frequencies);
criterion_main!(benches);
