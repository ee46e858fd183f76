//! What one frequency of a circuit costs: its loop gain with the derivatives to all its parts. What the fit of a unit costs.

#![allow(
    missing_docs,
    clippy::unwrap_used,
    reason = "the macros of criterion make public functions; a bench fails by panicking"
)]

use criterion::{Criterion, criterion_group, criterion_main};
use loopgauge::Complex64;
use loopgauge::analysed::Analysed;
use loopgauge::circuit::fit::{CornerPoints, LoopModel};
use loopgauge::circuit::{CornerLoops, Includes, Model, Netlist, Setting, Subject, UnitFit};
use loopgauge::spec::CriticalPoint;
use loopgauge::sweep::Samples;
use loopgauge::uncertainty::Chain;
use rand_distr::{Distribution, StandardNormal};
use rand_pcg::Pcg64;
use rand_pcg::rand_core::SeedableRng;
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
                // Above, so many sections pass nothing that double precision could tell.
                hz = if hz > 1e5 { 10.0 } else { hz * 1.03 };
                solver.with_slopes(hz, &mut slopes).unwrap()
            });
        });
    }
}

/// The specs' circuits.
struct Folder;

impl Includes for Folder {
    fn open(&mut self, _: &str, path: &str) -> Result<(String, String), String> {
        let file = format!("{}/specs/circuits/{path}", env!("CARGO_MANIFEST_DIR"));
        std::fs::read_to_string(&file).map(|text| (file.clone(), text)).map_err(|error| error.to_string())
    }
}

/// What varies in the 5 V rail, and the conditions of its corners: input, load, ambient.
const PARTS: [(&str, f64); 10] = [
    ("L1", 0.2),
    ("Rl", 0.3),
    ("Cout", 0.2),
    ("Resr", 0.5),
    ("Cceramic", 0.2),
    ("Cc", 0.05),
    ("Cp", 0.05),
    ("Clead", 0.05),
    ("RAMP", 0.05),
    ("COMPUTE", 0.5),
];
const CORNERS: [[f64; 3]; 6] = [
    [10.0, 0.5, 25.0],
    [10.0, 3.0, 25.0],
    [24.0, 0.5, 25.0],
    [24.0, 3.0, 25.0],
    [32.0, 0.5, 25.0],
    [24.0, 3.0, -30.0],
];
const CHAIN: Chain = Chain { gain_np: 0.0115, phase_rad: 0.0087, delay_s: 2e-9, impedance_ratio: 0.0 };

fn rail() -> CornerLoops {
    let (_, text) = Folder.open("", "river-gauge-5v.cir").unwrap();
    let netlist = Netlist::parse("river-gauge-5v.cir", &text, &mut Folder).0.unwrap();
    let vary = PARTS.map(|(name, _)| name.to_owned());
    let models = CORNERS.map(|conditions| {
        let names = ["VIN", "ILOAD", "TEMP"].map(str::to_owned);
        let parameters: Vec<_> = names.into_iter().zip(conditions).collect();
        Model::new(&netlist, &Setting { injection: "Vinj", parameters: &parameters, vary: &vary }).unwrap()
    });
    CornerLoops::new(&models)
}

/// A unit with parts inside their tolerances, 401 points at each corner with a noise of 0.5 %.
fn unit(loops: &mut CornerLoops) -> Vec<CornerPoints> {
    let shares = [0.5, -0.3, -0.6, 0.4, 0.2, -0.5, 0.7, -0.1, 0.3, 0.6];
    let changes: Vec<f64> =
        PARTS.iter().zip(shares).map(|((_, most), share)| (most * share).ln_1p()).collect();
    assert!(loops.set(&changes));
    let mut random = Pcg64::seed_from_u64(1);
    let mut normal = || -> f64 { StandardNormal.sample(&mut random) };
    let mut sweep = |corner: usize| {
        let hz: Vec<f64> = (0..401).map(|k| 100.0 * 2e3_f64.powf(f64::from(k) / 400.0)).collect();
        let seen = hz.iter().map(|&hz| {
            let noise = Complex64::new(1.0 + 0.005 * normal(), 0.005 * normal());
            loops.at(corner, hz, &mut []).unwrap() * noise
        });
        let samples = Samples::from_complex(&hz, &seen.collect::<Vec<_>>()).unwrap();
        let sweep = Analysed::of(&samples, CriticalPoint::PlusOne);
        CornerPoints::of(corner, &sweep, sweep.raw.span(), CriticalPoint::PlusOne)
    };
    (0..CORNERS.len()).map(&mut sweep).collect()
}

/// Counts what a fit asks of a circuit: loop gains with derivatives, and without.
struct Counted<'a> {
    loops: &'a mut CornerLoops,
    with_slopes: usize,
    alone: usize,
}

impl LoopModel for Counted<'_> {
    fn parts(&self) -> usize {
        self.loops.parts()
    }

    fn set(&mut self, changes: &[f64]) -> bool {
        self.loops.set(changes)
    }

    fn at(&mut self, corner: usize, hz: f64, slopes: &mut [Complex64]) -> Option<Complex64> {
        *(if slopes.is_empty() { &mut self.alone } else { &mut self.with_slopes }) += 1;
        self.loops.at(corner, hz, slopes)
    }
}

fn fits(c: &mut Criterion) {
    let mut loops = rail();
    let corners = unit(&mut loops);
    let tolerances = PARTS.map(|(_, most)| most);
    let fit = |model: &mut dyn LoopModel| {
        UnitFit::of(&mut Subject { model, tolerances: &tolerances, chain: &CHAIN }, &corners).unwrap()
    };
    let mut counted = Counted { loops: &mut loops, with_slopes: 0, alone: 0 };
    fit(&mut counted);
    println!("a fit: {} loop gains with slopes, {} without", counted.with_slopes, counted.alone);
    c.bench_function("UnitFit::of, 6 corners of 401 points, 10 parts", |b| b.iter(|| fit(&mut loops)));
    let mut slopes = vec![Complex64::default(); PARTS.len()];
    let mut hz = 10.0;
    c.bench_function("CornerLoops::at, 5 V rail, 10 parts", |b| {
        b.iter(|| {
            hz = if hz > 1e6 { 10.0 } else { hz * 1.03 };
            loops.at(0, hz, &mut slopes).unwrap()
        });
    });
}

criterion_group!(benches, frequencies, fits);
criterion_main!(benches);
