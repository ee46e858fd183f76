//! The sweep that costs most, searched for: what no list of hard cases would name.
//!
//! `cargo bench --bench worst -- SEED SECONDS POINTS` changes sweeps at random and keeps what costs more CPU time to judge (a corner of
//! two levels, every limit asked for, and `inspect`); prints each record as a multiple of what a usual sweep of as many points
//! costs, and writes the worst one as CSV to the folder for temporary files.

#![allow(clippy::unwrap_used, clippy::indexing_slicing, reason = "a bench fails by panicking")]

#[path = "corpus/model.rs"]
#[expect(dead_code, reason = "corners and readings belong to the corpus on disk")]
mod model;

use loopgauge::check::{Options, Workspace, judge_run};
use loopgauge::inspect::inspect;
use loopgauge::run::{Run, SweepEntry};
use loopgauge::spec::CriticalPoint;
use loopgauge::sweep::{Reading, Samples};
use loopgauge::{run, spec};
use model::{Loop, Random, grid};
use std::hint::black_box;
use std::time::{Duration, Instant};

const SPEC: &str = "spec: 1
product: river-gauge-5v
critical_point: +1
density: 15
accuracy: {gain: 0.1 dB, phase: 0.5 deg, delay: 1 ns}
limits:
  crossover: {min: 1 Hz}
  crossings: {max: 9}
  phase_margin: {min: 40 deg}
  gain_margin: {min: 6 dB}
  gain_reduction_margin: {min: 1 dB}
  stability_margin: {min: 0.3}
  delay_margin: {min: 1 us}
  gain: [{from: 200 Hz, to: 400 kHz, min: -80 dB}]
linearity: {step: 3 dB, gain: 1 dB, phase: 5 deg, crossover: 2 %, phase_margin: 2 deg}
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

/// Sweeps that the search goes on from.
const POPULATION: usize = 12;

/// What is measured at one point of both levels: ln of the magnitude and phase, rad.
type Point = [[f64; 2]; 2];

#[derive(Clone)]
struct Sweep(Vec<Point>);

impl Sweep {
    /// What the search begins with: a usual loop, and lines close to 0 dB at several angles.
    fn first(points: usize, kind: usize, random: &mut Random) -> Self {
        let unit = Loop::drawn(&mut Random::seeded(1), 2);
        let angle = [0.02, 0.3, 1.0, 3.0][kind % 4];
        let usual = |hz: f64| {
            let t = unit.measured(hz);
            [t.norm().ln(), t.arg()]
        };
        let line = |hz: f64| [-0.02 * (hz / 1e4).ln(), angle];
        let at = |hz: f64| if kind == 0 { usual(hz) } else { line(hz) };
        let mut noisy = |[a, p]: [f64; 2]| [a + 0.002 * random.bell(), p + 0.002 * random.bell()];
        Self(grid(points, 100.0, 1e6).map(|hz| [noisy(at(hz)), noisy(at(hz))]).collect())
    }

    /// The same with a few stretches changed.
    fn changed(&self, random: &mut Random) -> Self {
        let mut next = self.clone();
        for _ in 0..1 + random.below(4) {
            next.change(random);
        }
        next
    }

    fn change(&mut self, random: &mut Random) {
        let n = self.0.len();
        let longest = n / [1, 4, 20, 100][random.below(4)].min(n);
        let (from, length) = (random.below(n), 1 + random.below(longest));
        let size = 10f64.powf(random.within(-5.0, 1.0));
        let (kind, part, levels) = (random.below(8), random.below(2), random.below(3));
        let middle = length as f64 / 2.0;
        for (i, point) in self.0.iter_mut().skip(from).take(length).enumerate() {
            let x = (i as f64 - middle) / middle.max(1.0);
            let own = [random.bell(), random.bell()];
            for (level, values) in
                point.iter_mut().enumerate().filter(|(level, _)| levels == 2 || levels == *level)
            {
                let value = &mut values[part];
                match kind {
                    0 => *value += size * own[level],
                    1 => *value += size * x,
                    2 => *value += size * (40.0 * x).sin(),
                    3 => *value *= 1.0 - size.min(1.0),
                    4 => *value += size / (1.0 + (20.0 * x).powi(2)),
                    5 => *value = 0.0,
                    6 => *value = (*value * 10.0).round() / 10.0,
                    _ => *value += size * [-1.0, 1.0][i % 2],
                }
                *value = value.clamp(-20.0, 20.0);
            }
        }
    }

    fn samples(&self) -> Option<[Samples; 2]> {
        let hz: Vec<f64> = grid(self.0.len(), 100.0, 1e6).collect();
        let of = |level: usize| {
            let (a, p): (Vec<f64>, Vec<f64>) =
                self.0.iter().map(|own| (own[level][0], own[level][1])).unzip();
            Samples::from_ln_rad(&hz, &a, &p).ok()
        };
        Some([of(0)?, of(1)?])
    }
}

trait Choice {
    fn within(&mut self, from: f64, to: f64) -> f64;
    fn below(&mut self, end: usize) -> usize;
}

impl Choice for Random {
    fn within(&mut self, from: f64, to: f64) -> f64 {
        from + (to - from) * 0.5 * (self.symmetric() + 1.0)
    }

    fn below(&mut self, end: usize) -> usize {
        (self.within(0.0, end as f64) as usize).min(end.saturating_sub(1))
    }
}

/// CPU time of this thread, where the system tells it, in steps of some milliseconds.
fn cpu() -> Option<Duration> {
    let text = std::fs::read_to_string("/proc/thread-self/schedstat").ok()?;
    text.split_whitespace().next()?.parse().ok().map(Duration::from_nanos)
}

struct Bench {
    run: Run,
    workspace: Workspace,
}

impl Bench {
    fn new() -> Self {
        let spec = spec::load("river-gauge-5v.yaml", &|_: &str| Ok(SPEC.as_bytes().to_vec())).unwrap();
        let run = run::parse(RUN.as_bytes(), "run.yaml", ".").unwrap().resolve(&spec, &[]).unwrap();
        Self { run, workspace: Workspace::default() }
    }

    /// CPU time of judging and inspecting `repeats` times, each.
    fn cost(&mut self, sweep: &Sweep, repeats: u32) -> Option<Duration> {
        let pair = sweep.samples()?;
        let options = Options::new(time::macros::date!(2026 - 04 - 02));
        let (clock, start) = (Instant::now(), cpu());
        for _ in 0..repeats {
            let mut read = |entry: &SweepEntry, _: &Reading, samples: &mut Samples| {
                samples.clone_from(&pair[usize::from(entry.name() != "weak")]);
                Ok(())
            };
            black_box(judge_run(&self.run, None, &options, &mut self.workspace, &mut read).is_ok());
            black_box(inspect("worst.csv", &pair[0], CriticalPoint::PlusOne));
        }
        let spent =
            cpu().zip(start).map_or_else(|| clock.elapsed(), |(end, start)| end.saturating_sub(start));
        Some(spent / repeats)
    }
}

fn main() {
    let numbers: Vec<u64> = std::env::args().filter_map(|arg| arg.parse().ok()).collect();
    let wanted = |i: usize, default| numbers.get(i).copied().unwrap_or(default);
    let (seed, seconds, points) = (wanted(0, 1), wanted(1, 20), wanted(2, 401) as usize);
    let (mut bench, mut random) = (Bench::new(), Random::seeded(seed));
    let usual = Sweep::first(points, 0, &mut random);
    let base = bench.cost(&usual, 200).unwrap().as_secs_f64();
    println!("usual: {:.3} ms for a corner of two sweeps of {points} points, and `inspect`", 1e3 * base);
    let mut kept: Vec<(Duration, Sweep)> = Vec::new();
    let (start, mut tried) = (Instant::now(), 0_usize);
    while start.elapsed() < Duration::from_secs(seconds) {
        let next = match kept.get(random.below(2 * POPULATION)) {
            Some((_, sweep)) => sweep.changed(&mut random),
            None if tried < 4 * POPULATION => {
                let kind = random.below(5);
                Sweep::first(points, kind, &mut random).changed(&mut random)
            }
            None => kept[random.below(kept.len())].1.changed(&mut random),
        };
        tried += 1;
        let Some(cost) = bench.cost(&next, 1) else { continue };
        if kept.first().is_none_or(|(worst, _)| cost > *worst) {
            println!(
                "{tried:>7} sweeps: {:.2} ms, {:.1} times the usual",
                1e3 * cost.as_secs_f64(),
                cost.as_secs_f64() / base
            );
        }
        let place = kept.partition_point(|(own, _)| *own > cost);
        kept.insert(place, (cost, next));
        kept.truncate(POPULATION);
    }
    let Some((_, worst)) = kept.first() else { return };
    let path = std::env::temp_dir().join(format!("worst-{seed}-{points}.csv"));
    let rows = grid(points, 100.0, 1e6).zip(&worst.0).map(|(hz, own)| {
        let [[a, p], [b, q]] = *own;
        format!("{hz},{a},{p},{b},{q}\n")
    });
    let head = "frequency,ln magnitude,rad,ln magnitude at the second level,rad\n".to_owned();
    std::fs::write(&path, head + &rows.collect::<String>()).unwrap();
    println!("after {tried} sweeps; the worst one: {}", path.display());
}
