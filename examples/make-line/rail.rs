//! Units of the 5 V rail, swept as the netlist of its spec says and judged as `check` would.

use loopgauge::baseline::Accepted;
use loopgauge::check::{Options, RunOutcome, Workspace, judge_run};
use loopgauge::circuit::CornerLoops;
use loopgauge::circuit::fit::LoopModel;
use loopgauge::run::{self, SweepEntry};
use loopgauge::spec::{self, LoadedSpec};
use loopgauge::sweep::{Complex64, Reading, Samples};
use rand_distr::{Distribution, StandardNormal, Uniform};
use rand_pcg::{Pcg64, rand_core::SeedableRng};
use std::fmt::Write as _;
use std::path::Path;

const POINTS: u32 = 101;
const FROM_HZ: f64 = 100.0;
const TO_HZ: f64 = 200e3;
/// Relative noise of each component of a sample.
const NOISE: f64 = 0.003;

/// The rail, and what its units are drawn with.
pub struct Rail {
    /// Its spec.
    pub loaded: LoadedSpec,
    /// The loops that its sweeps are taken of.
    pub loops: CornerLoops,
    /// What its runs tell of the conditions at each corner, such as `{input: 23.9 V}`; empty where they tell nothing.
    pub actual: Vec<String>,
    random: Pcg64,
}

/// A unit at the bench.
pub struct Bench<'a> {
    /// Serial number of the unit.
    pub serial: String,
    /// Build label.
    pub build: String,
    /// When it was taken, RFC 3339.
    pub taken: String,
    /// Logarithm of each part over nominal, in the order of `vary`.
    pub changes: Vec<f64>,
    /// What the bench makes of the loop gain at a corner.
    pub makes: &'a dyn Fn(usize, Complex64) -> Complex64,
    /// What it is compared with.
    pub baseline: Option<&'a Accepted>,
}

impl Rail {
    /// The rail with the spec in this checkout, after a change of the spec's text.
    pub fn new(seed: u64, change: &dyn Fn(String) -> String) -> Self {
        let root = Path::new(env!("CARGO_MANIFEST_DIR"));
        let files = |name: &str| {
            let text = std::fs::read_to_string(root.join(name)).map_err(|error| error.to_string())?;
            Ok(if name.ends_with("5v.yaml") { change(text) } else { text }.into_bytes())
        };
        let loaded = spec::load("specs/river-gauge-5v.yaml", &files).expect("the demo's spec is sound");
        let circuit = loaded.spec.circuit.as_ref().expect("the rail has a circuit");
        let models = circuit.models(&loaded.spec).expect("it has one at every corner");
        let loops = CornerLoops::new(&models);
        Self { loaded, loops, actual: Vec::new(), random: Pcg64::seed_from_u64(seed) }
    }

    /// The rail as it stands.
    pub fn as_it_stands(seed: u64) -> Self {
        Self::new(seed, &|text| text)
    }

    /// Parts within a share of their tolerances.
    pub fn parts(&mut self, share: f64) -> Vec<f64> {
        let even = Uniform::new_inclusive(-share, share).expect("a range");
        let vary = self.loaded.spec.circuit.iter().flat_map(|circuit| &circuit.vary);
        vary.map(|(_, tolerance)| (tolerance * even.sample(&mut self.random)).ln_1p()).collect()
    }

    /// Place of a part in `vary`.
    pub fn place(&self, part: &str) -> usize {
        let mut vary = self.loaded.spec.circuit.iter().flat_map(|circuit| &circuit.vary);
        vary.position(|(own, _)| own == part).expect("a part of the rail")
    }

    /// Sweeps a unit and judges it.
    pub fn judged(&mut self, bench: &Bench<'_>) -> RunOutcome {
        assert!(self.loops.set(&bench.changes), "parts that give a circuit");
        let Bench { serial, build, taken, .. } = bench;
        let mut text = format!(
            "run: 1\nproduct: river-gauge-5v\nserial: {serial}\nrevision: C\nbuild: {build}\ntaken: {taken}\nstation: bench-1\nsweeps:\n"
        );
        let spec = std::sync::Arc::clone(&self.loaded.spec);
        for (i, corner) in spec.corners.iter().enumerate() {
            let told = self.actual.get(i).map_or_else(String::new, |actual| format!(", actual: {actual}"));
            for level in [-26, -23] {
                let name = &corner.name;
                let _ = writeln!(
                    text,
                    "  - {{file: {name}{level}.csv, corner: {name}, level: {level} dBm{told}}}"
                );
            }
        }
        let folder = format!("runs/{build}/{serial}");
        let run = run::parse(text.as_bytes(), &format!("{folder}/run.yaml"), &folder)
            .and_then(|run| run.resolve(&self.loaded, &[]))
            .expect("a sound run");
        let mut read = |entry: &SweepEntry, _: &Reading, samples: &mut Samples| {
            let corner = spec.corners.iter().position(|corner| entry.name().starts_with(&corner.name));
            *samples = self.sweep(corner.expect("a corner of the spec"), bench.makes);
            Ok(())
        };
        let today = time::Date::from_calendar_date(2026, time::Month::January, 5).expect("a day");
        let mut options = Options::new(today);
        options.keep = true;
        let outcome = judge_run(&run, bench.baseline, &options, &mut Workspace::default(), &mut read);
        outcome.expect("sweeps that can be read").expect("all checks are asked for")
    }

    fn sweep(&mut self, corner: usize, makes: &dyn Fn(usize, Complex64) -> Complex64) -> Samples {
        let step = |k: u32| f64::from(k) / f64::from(POINTS - 1);
        let hz: Vec<f64> = (0..POINTS).map(|k| FROM_HZ * (TO_HZ / FROM_HZ).powf(step(k))).collect();
        let mut normal = || StandardNormal.sample(&mut self.random);
        let seen: Vec<Complex64> = hz
            .iter()
            .map(|&hz| {
                let gain = self.loops.at(corner, hz, &mut []).expect("the rail has a loop gain");
                makes(corner, gain) * (1.0 + NOISE * Complex64::new(normal(), normal()))
            })
            .collect();
        Samples::from_complex(&hz, &seen).expect("frequencies that rise and no gain of 0")
    }
}
