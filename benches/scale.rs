//! Whether the cost of a sweep grows with its points alone: over points, frequency grids, levels, and for the sweep that costs most; and that
//! of a series with its groups.
//!
//! `cargo bench --bench scale` prints the smallest of several times, ms, and the exponent from line to line.

#![allow(clippy::unwrap_used, reason = "a bench fails by panicking")]

#[path = "corpus/model.rs"]
#[expect(dead_code, reason = "corners and readings belong to the corpus on disk")]
mod model;

use loopgauge::analysed::Analysed;
use loopgauge::check::{Limit, Options, Unit, Verdict, Workspace, judge_run};
use loopgauge::drift::{
    PopulationBuilder, RecordHead, RecordValue, SeriesBuilder, SeriesKey, Settings, judge as judge_drift,
};
use loopgauge::excitation::{Tried, survey};
use loopgauge::inspect::inspect;
use loopgauge::quantity::{Decibel, Degrees};
use loopgauge::run::{Run, SweepEntry};
use loopgauge::spec::{Chart, CriticalPoint, Drift, DriftAxis, Tolerances};
use loopgauge::sweep::{Reading, Samples};
use loopgauge::{run, spec};
use model::{Loop, Random, grid};
use std::hint::black_box;
use std::time::{Duration, Instant};

const SPEC: &str = "spec: 1
product: river-gauge-5v
critical_point: +1
density: 15
limits:
  phase_margin: {min: 40 deg}
  gain_margin: {min: 6 dB}
  stability_margin: {min: 0.3}
linearity: {step: 3 dB, gain: 1 dB, phase: 5 deg}
corners: [{name: warm}]
";

const RUN: &str = "run: 1
product: river-gauge-5v
serial: RG-00042
revision: C
sweeps:
  - {file: weak, corner: warm, level: -29 dBm}
  - {file: strong, corner: warm, level: -26 dBm}
";

fn bench_run() -> Run {
    let spec = spec::load("river-gauge-5v.yaml", &|_: &str| Ok(SPEC.as_bytes().to_vec())).unwrap();
    run::parse(RUN.as_bytes(), "run.yaml", ".").unwrap().resolve(&spec, &[]).unwrap()
}

/// A loop at two levels, `points` from 100 Hz times `shift` to 1 MHz; noise of `noise` relative.
fn pair(points: usize, shift: f64, noise: f64, seed: u64) -> [Samples; 2] {
    let unit = Loop::drawn(&mut Random::seeded(1), 2);
    let hz: Vec<f64> = grid(points, 100.0 * shift, 1e6 * shift).collect();
    [0, 1].map(|level| {
        let mut random = Random::seeded(2 * seed + level + 1);
        let part = |random: &mut Random| noise * random.bell();
        let read = hz.iter().map(|hz| {
            let t = unit.measured(*hz);
            (t.norm().ln() + part(&mut random), t.arg() + part(&mut random))
        });
        let (ln_mag, phase): (Vec<f64>, Vec<f64>) = read.unzip();
        Samples::from_ln_rad(&hz, &ln_mag, &phase).unwrap()
    })
}

/// Smallest time of a few repeats, some 2 s in all.
fn least(mut work: impl FnMut()) -> f64 {
    let (mut best, mut spent, mut count) = (Duration::MAX, Duration::ZERO, 0);
    while count < 3 || (spent < Duration::from_secs(1) && count < 50) {
        let start = Instant::now();
        work();
        let took = start.elapsed();
        (best, spent, count) = (best.min(took), spent + took, count + 1);
    }
    best.as_secs_f64() * 1e3
}

fn judge(run: &Run, pair: &[Samples; 2], workspace: &mut Workspace) {
    let options = Options::new(time::macros::date!(2026 - 04 - 02));
    let mut read = |entry: &SweepEntry, _: &Reading, samples: &mut Samples| {
        let [weak, strong] = pair;
        samples.clone_from(if entry.name() == "weak" { weak } else { strong });
        Ok(())
    };
    black_box(judge_run(run, None, &options, workspace, &mut read).is_ok());
}

fn points(run: &Run) {
    for noise in [0.0, 0.002, 0.01] {
        println!("a corner of two sweeps, noise {noise}\n  points        ms   us/point  exponent");
        let mut before: Option<(f64, f64)> = None;
        for count in [100, 400, 1_600, 3_200, 8_000, 50_000, 100_000] {
            // The dearest of three draws: whether values are simulated hangs on the noise.
            let ms = (0..3)
                .map(|seed| {
                    let (pair, mut workspace) = (pair(count, 1.0, noise, seed), Workspace::default());
                    least(|| judge(run, &pair, &mut workspace))
                })
                .fold(0.0, f64::max);
            let n = count as f64;
            let exponent = before.map_or(f64::NAN, |(ms0, n0)| (ms / ms0).ln() / (n / n0).ln());
            println!("{count:>8} {ms:>9.2} {:>10.2} {exponent:>9.2}", 1e3 * ms / n);
            before = Some((ms, n));
        }
    }
}

/// Mean over pairs that are judged in turn, ms a pair: of each the smallest time, so that a pause of the process, on a machine that others
/// use as well, spoils one pair of one round.
fn in_turn(run: &Run, pairs: &[[Samples; 2]]) -> f64 {
    let (mut workspace, mut best) = (Workspace::default(), vec![Duration::MAX; pairs.len()]);
    for _ in 0..(1_000 / pairs.len()).clamp(20, 200) {
        for (pair, best) in pairs.iter().zip(&mut best) {
            let start = Instant::now();
            judge(run, pair, &mut workspace);
            *best = start.elapsed().min(*best);
        }
    }
    best.iter().sum::<Duration>().as_secs_f64() * 1e3 / pairs.len() as f64
}

fn grids(run: &Run) {
    println!("corners of two sweeps of 401 points\n   grids   ms/corner");
    for count in [1_u32, 2, 4, 5, 8, 50] {
        let pairs: Vec<_> = (0..count).map(|k| pair(401, 1.0 + 1e-4 * f64::from(k), 0.002, 1)).collect();
        println!("{count:>8} {:>11.3}", in_turn(run, &pairs));
    }
    let pairs: Vec<_> = (0..50)
        .map(|k| {
            let [[weak, _], [_, strong]] =
                [0, 1].map(|level| pair(401, 1.0 + 1e-4 * f64::from(2 * k + level), 0.002, 1));
            [weak, strong]
        })
        .collect();
    println!("   own {:>13.3}", in_turn(run, &pairs));
}

/// A series of so many builds of four units each: nothing moves, a step in the middle, a ramp.
fn drift_of(groups: u32, moves: &impl Fn(f64) -> f64) -> usize {
    let drift = Drift {
        over: Some(DriftAxis::Build),
        chart: Some(Chart::ChangePoint),
        capability_min: Some(1.33),
        forecast_groups: Some(6),
        ..Drift::default()
    };
    let settings = Settings { drift: Some(drift), family_rate: None };
    let (mut population, mut values) = (PopulationBuilder::new(settings.over()), Vec::new());
    let mut random = Random::seeded(1);
    for record in 0..i64::from(4 * groups) {
        let group = record / 4;
        population.add(RecordHead {
            record,
            serial: format!("RG-{record:05}"),
            revision: "B".to_owned(),
            firmware: None,
            build: Some(format!("lot-{group:05}")),
            taken_us: Some(record * 3_600_000_000),
            recorded_us: None,
            station: None,
            is_reference: false,
            verdict: Verdict::Pass,
        });
        let value = 58.0 + moves(group as f64 / f64::from(groups)) + 0.2 * random.bell();
        values.push(RecordValue { record, value, uncertainty: Some(0.3), chain: Some(0.1), at_least: false });
    }
    let population = population.finish();
    let mut series = SeriesBuilder::new(&population);
    values.iter().for_each(|value| series.add(&population, value));
    let key = SeriesKey {
        corner: "warm".to_owned(),
        quantity: "phase_margin_deg".to_owned(),
        unit: Unit::Deg,
        limit: Limit { min: Some(50.0), max: None },
    };
    let series = vec![(key, series.finish())];
    black_box(judge_drift("river-gauge-5v", &settings, &population, series)).groups.len()
}

fn groups() {
    println!("drift of one series, groups of four units\n  groups        ms   us/group  exponent");
    let step = |x: f64| if x < 0.5 { 0.0 } else { -1.0 };
    let series: [(&str, &dyn Fn(f64) -> f64); 3] =
        [("nothing moves", &|_| 0.0), ("a step", &step), ("a ramp", &|x| -2.0 * x)];
    for (name, moves) in series {
        let mut before: Option<(f64, f64)> = None;
        for count in [10_u32, 100, 1_000, 10_000] {
            let (ms, n) = (least(|| assert_eq!(drift_of(count, &moves), count as usize)), f64::from(count));
            let exponent = before.map_or(f64::NAN, |(ms0, n0)| (ms / ms0).ln() / (n / n0).ln());
            println!("{count:>8} {ms:>9.2} {:>10.2} {exponent:>9.2}  {name}", 1e3 * ms / n);
            before = Some((ms, n));
        }
    }
}

/// A sweep close to 0 dB all over: every value is read from crossings that noise merges.
fn near_0_db() {
    println!("inspect, close to 0 dB\n  points        ms");
    for (phase, slope) in [(1.0, 0.0), (0.3, 0.0), (0.02, 0.0), (0.5, 0.01)] {
        for count in [800, 3_000, 8_192, 50_000] {
            let mut random = Random::seeded(1);
            let hz: Vec<f64> = grid(count, 100.0, 1e6).collect();
            let gain: Vec<f64> = hz.iter().map(|hz| 0.01 * random.bell() - slope * (hz / 1e4).ln()).collect();
            let angle: Vec<f64> = hz.iter().map(|_| phase + 0.01 * random.bell()).collect();
            let samples = Samples::from_ln_rad(&hz, &gain, &angle).unwrap();
            let ms = least(|| {
                black_box(inspect("flat.csv", &samples, CriticalPoint::PlusOne));
            });
            println!("{count:>8} {ms:>9.1}  at {phase} rad, falling by {slope}");
        }
    }
}

fn levels() {
    println!("survey of levels, 201 points\n  levels        ms");
    let tolerances = Tolerances {
        step: Decibel::new(3.0).unwrap(),
        crossover: None,
        phase_margin: None,
        gain: Decibel::new(1.0),
        phase: Degrees::new(5.0),
        band: (0.1, 10.0),
    };
    for count in [4_u32, 8, 16, 32] {
        for noise in [1e-3, 0.3] {
            let sweeps: Vec<Analysed> = (0..count)
                .map(|k| Analysed::of(&pair(201, 1.0, noise, u64::from(k))[0], CriticalPoint::PlusOne))
                .collect();
            let tried: Vec<Tried<'_>> =
                sweeps.iter().zip(0..).map(|(sweep, k)| Tried { dbm: -40.0 + f64::from(k), sweep }).collect();
            let hz = sweeps.first().map(|s| s.raw.frequency_hz().to_vec()).unwrap();
            let ms = least(|| {
                black_box(survey(&hz, &tried, &tolerances));
            });
            println!("{count:>8} {ms:>9.2}  noise {noise}");
        }
    }
}

fn main() {
    let wanted: Vec<String> = std::env::args().skip(1).filter(|arg| !arg.starts_with('-')).collect();
    let is_wanted = |name: &str| wanted.is_empty() || wanted.iter().any(|w| w == name);
    let run = bench_run();
    if is_wanted("points") {
        points(&run);
    }
    if is_wanted("grids") {
        grids(&run);
    }
    if is_wanted("worst") {
        near_0_db();
    }
    if is_wanted("levels") {
        levels();
    }
    if is_wanted("groups") {
        groups();
    }
}
