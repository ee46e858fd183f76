//! Corners at many levels over an LC peak, seen by two receivers with a floor each: is a dead zone claimed where there is
//! none, and is one found where there is?

use super::noise::Random;
use super::table::{Report, Share};
use super::work::parallel;
use loopgauge::check::SweepInput;
use loopgauge::excitation::{FlatPair, LevelsOutcome, levels};
use loopgauge::run::{self, Run};
use loopgauge::spec::{self, CriticalPoint};
use loopgauge::sweep::Samples;
use num_complex::Complex64;
use std::collections::HashSet;
use std::f64::consts::{FRAC_2_PI, TAU};
use std::sync::Arc;

const MODE: u64 = 2_000;
/// Corners of each cell: three floors, with and without a dead zone.
const CORNERS: usize = 500;
/// rms of each component of a receiver's floor, V.
const FLOORS_UV: [f64; 3] = [2.0, 4.0, 8.0];
/// Aims: linear corners that are accused, and dead zones that are found, %.
const ACCUSED: f64 = 1.0;
const FOUND: f64 = 95.0;
const STEP_DB: f64 = 3.0;
const FROM_HZ: f64 = 100.0;
const TO_HZ: f64 = 200e3;
/// 0 dBm into 50 ohm, V rms.
const VOLT_AT_0_DBM: f64 = 0.223_607;

/// A dead zone that counts: the weakest level loses so much more gain than the strongest, dB, over so many samples in a
/// row and so wide a ratio of frequencies, where its samples have no more relative noise than this.
const LOST_DB: f64 = 2.5;
const ROW: usize = 6;
const WIDTH: f64 = 1.25;
const CLEAN: f64 = 0.1;
/// Levels that must agree there about it: gain lost from the weakest to the strongest of them, dB.
const ALIKE_DB: f64 = 0.8;

/// A voltage-mode loop with an LC peak, and how it is swept.
struct Corner {
    gain: f64,
    resonance_hz: f64,
    quality: f64,
    zeros_hz: [f64; 2],
    pole_hz: f64,
    delay_s: f64,
    weakest_dbm: f64,
    count: usize,
    per_decade: f64,
}

impl Corner {
    fn draw(d: &mut Random) -> Self {
        let mut log = |low: f64, high: f64| {
            let share = 0.5 * (1.0 + d.even());
            low * (high / low).powf(share)
        };
        let resonance_hz = log(500.0, 4e3);
        let crossover_hz = resonance_hz * log(6.0, 20.0);
        let mut corner = Self {
            gain: 1.0,
            resonance_hz,
            quality: log(3.0, 40.0),
            zeros_hz: [resonance_hz * log(0.4, 0.9), resonance_hz * log(0.8, 1.3)],
            pole_hz: crossover_hz * log(3.0, 8.0),
            delay_s: 0.05 / crossover_hz,
            weakest_dbm: 20.0 * log(10f64.powf(-44.0 / 20.0), 10f64.powf(-32.0 / 20.0)).log10(),
            count: log(6.0, 11.0) as usize,
            per_decade: log(25.0, 100.0),
        };
        corner.weakest_dbm = corner.weakest_dbm.round();
        corner.gain = 1.0 / corner.at(crossover_hz).norm();
        corner
    }

    /// Loop gain in the textbook's convention.
    fn at(&self, hz: f64) -> Complex64 {
        let s = Complex64::new(0.0, TAU * hz);
        let corner = |hz: f64| 1.0 + s / (TAU * hz);
        let x = s / (TAU * self.resonance_hz);
        let filter = 1.0 + x / self.quality + x * x;
        let control = corner(self.zeros_hz[0]) * corner(self.zeros_hz[1]) / (s * corner(self.pole_hz));
        control / filter * (-s * self.delay_s).exp() * self.gain
    }

    fn grid(&self) -> Vec<f64> {
        let decades = (TO_HZ / FROM_HZ).log10();
        let count = (decades * self.per_decade).ceil();
        (0..=count as usize).map(|k| FROM_HZ * (TO_HZ / FROM_HZ).powf(k as f64 / count)).collect()
    }

    fn dbm(&self, level: usize) -> f64 {
        self.weakest_dbm + STEP_DB * level as f64
    }

    fn volt(&self, level: usize) -> f64 {
        VOLT_AT_0_DBM * 10f64.powf(self.dbm(level) / 20.0)
    }
}

/// Gain that is left of a sine of an amplitude by a dead zone of a half-width (describing function: A. Gelb and W. E. Vander
/// Velde, Multiple-Input Describing Functions and Nonlinear System Design, 1968, from memory).
fn left_by_dead_zone(half_width: f64, amplitude: f64) -> f64 {
    let d = half_width / amplitude;
    if d >= 1.0 { 0.0 } else { 1.0 - FRAC_2_PI * (d.asin() + d * (1.0 - d * d).sqrt()) }
}

/// The gain that a loop has where its error signal passes a dead zone: found by bisection, as the signal grows when the gain falls.
fn with_dead_zone(t: Complex64, volt: f64, half_width: f64) -> Complex64 {
    let (mut low, mut high) = (0.0, 1.0);
    for _ in 0..60 {
        let left = 0.5 * (low + high);
        let amplitude = volt * 2f64.sqrt() / (1.0 + t * left).norm();
        if left_by_dead_zone(half_width, amplitude) > left { low = left } else { high = left }
    }
    // A sweep still shows something where nothing passes.
    t * (0.5 * (low + high)).max(1e-3)
}

/// Sweeps of a corner and what is known of them.
struct Swept {
    sweeps: Vec<Samples>,
    /// Where a dead zone counts, Hz.
    dead_hz: Option<[f64; 2]>,
}

fn sweep(corner: &Corner, floor: f64, half_width: f64, d: &mut Random) -> Swept {
    let hz = corner.grid();
    let mut gains: Vec<Vec<Complex64>> = Vec::new();
    let mut sweeps = Vec::new();
    for level in 0..corner.count {
        let volt = corner.volt(level);
        let own: Vec<Complex64> =
            hz.iter().map(|&hz| with_dead_zone(corner.at(hz), volt, half_width)).collect();
        let seen: Vec<Complex64> = own
            .iter()
            .map(|&t| {
                let input = volt / (1.0 + t);
                -(-t * input + floor * d.complex()) / (input + floor * d.complex())
            })
            .collect();
        sweeps.push(Samples::from_complex(&hz, &seen).expect("rising, and no gain of 0"));
        gains.push(own);
    }
    let dead_hz = dead(corner, &hz, &gains, floor);
    Swept { sweeps, dead_hz }
}

/// The widest range where the weakest level has lost gain, the stronger half agrees, and noise hides neither.
fn dead(corner: &Corner, hz: &[f64], gains: &[Vec<Complex64>], floor: f64) -> Option<[f64; 2]> {
    let db = |level: usize, k: usize| 20.0 * gains[level][k].norm().log10();
    let top = corner.count - 1;
    let is_dead = |k: usize| {
        let input = corner.volt(0) / (1.0 + gains[0][k]).norm();
        let alike = (0..=top).find(|&base| db(top, k) - db(base, k) <= ALIKE_DB).unwrap_or(top);
        db(top, k) - db(0, k) >= LOST_DB && top + 1 - alike > alike.max(2) && floor / input <= CLEAN
    };
    let flags: Vec<bool> = (0..hz.len()).map(is_dead).collect();
    let (mut best, mut from) = (None, None);
    for k in 0..=flags.len() {
        match (flags.get(k) == Some(&true), from) {
            (true, None) => from = Some(k),
            (false, Some(first)) => {
                let ratio = hz[k - 1] / hz[first];
                let counts = k - first >= ROW && ratio >= WIDTH;
                if counts && best.is_none_or(|[a, b]: [f64; 2]| b / a < ratio) {
                    best = Some([hz[first], hz[k - 1]]);
                }
                from = None;
            }
            _ => {}
        }
    }
    best
}

/// Spec and run of so many levels.
fn texts(corner: &Corner) -> (String, String) {
    let spec = format!(
        "spec: 1\nproduct: simulated-loop\ncritical_point: -1\nband: {{from: {FROM_HZ} Hz, to: {TO_HZ} Hz}}\n\
         limits: {{stability_margin: {{min: 0.01}}}}\n\
         linearity: {{step: {STEP_DB} dB, crossover: 2 %, phase_margin: 2 deg, gain: 1 dB, phase: 5 deg, band: [0.1, 10]}}\n\
         corners: [{{name: only}}]\n"
    );
    let mut run = "run: 1\nproduct: simulated-loop\nserial: S-1\nrevision: A\nsweeps:\n".to_owned();
    for level in 0..corner.count {
        run.push_str(&format!("  - {{file: {level}.csv, corner: only, level: {} dBm}}\n", corner.dbm(level)));
    }
    (spec, run)
}

fn parsed(corner: &Corner) -> Run {
    let (spec_text, run_text) = texts(corner);
    let files = |_: &str| Ok(spec_text.clone().into_bytes());
    let spec = spec::load("simulated-loop.yaml", &files).unwrap_or_else(|p| panic!("{}", p[0].one_line()));
    run::parse(run_text.as_bytes(), &Arc::from("run.yaml"), ".")
        .and_then(|raw| raw.resolve(&spec, &[]))
        .unwrap_or_else(|p| panic!("{}\n{run_text}", p[0].one_line()))
}

fn judge(corner: &Corner, sweeps: &[Samples]) -> LevelsOutcome {
    let run = parsed(corner);
    let (spec, own) = (run.spec(), &run.corners()[0]);
    let inputs: Vec<SweepInput<'_>> = own
        .entries
        .iter()
        .zip(sweeps)
        .map(|(entry, samples)| SweepInput {
            entry,
            samples,
            fingerprint: samples.fingerprint(),
            disagreement: None,
        })
        .collect();
    levels(".", CriticalPoint::MinusOne, &spec.corners[0], &inputs, &HashSet::new())
        .unwrap_or_else(|reason| panic!("{reason}"))
}

/// What came of a corner.
#[derive(Default, Clone, Copy)]
struct Came {
    dead_zone: bool,
    /// A dead zone is claimed where it is.
    in_place: bool,
    changed: bool,
    flat: bool,
}

fn came(outcome: &LevelsOutcome, dead_hz: Option<[f64; 2]>) -> Came {
    let points = &outcome.survey.points;
    let claims = || points.iter().filter(|p| p.strongest.is_some() && p.weakest > 0).map(|p| p.frequency_hz);
    Came {
        dead_zone: claims().next().is_some(),
        in_place: dead_hz.is_some_and(|[from, to]| claims().any(|hz| (from..=to).contains(&hz))),
        changed: points.iter().any(|p| p.breaks.is_some()),
        flat: matches!(outcome.survey.flat, FlatPair::Does(_)),
    }
}

/// Linear corner number `n` at a floor.
fn linear(seed: u64, floor: usize, n: usize) -> Came {
    let mut d = Random::of(MODE + 10 * seed, floor, n);
    let corner = Corner::draw(&mut d);
    let swept = sweep(&corner, FLOORS_UV[floor] * 1e-6, 0.0, &mut d);
    came(&judge(&corner, &swept.sweeps), None)
}

/// The `n`th corner whose dead zone counts.
fn dead_corner(seed: u64, floor: usize, n: usize) -> Came {
    let mut d = Random::of(MODE + 10 * seed + 1, floor, n);
    loop {
        let corner = Corner::draw(&mut d);
        let hz = corner.grid();
        let least = hz.iter().map(|&hz| (1.0 + corner.at(hz)).norm()).fold(0.0, f64::max);
        // Half as wide as the smallest signal of the weakest level and more.
        let share = 0.2 * 20f64.powf(0.5 * (1.0 + d.even()));
        let half_width = share * corner.volt(0) * 2f64.sqrt() / least;
        let swept = sweep(&corner, FLOORS_UV[floor] * 1e-6, half_width, &mut d);
        if swept.dead_hz.is_some() {
            return came(&judge(&corner, &swept.sweeps), swept.dead_hz);
        }
    }
}

/// Works through both kinds at each floor.
pub fn run(seed: u64, share: usize) -> Report {
    let mut report = Report::default();
    let count = CORNERS.div_ceil(share.max(1));
    report.heading(&format!("levels: {count} corners of 6 to 11 levels over an LC peak, each floor, %"));
    let mut table = Vec::new();
    for (floor, floor_uv) in FLOORS_UV.iter().enumerate() {
        let numbers: Vec<usize> = (0..count).collect();
        let linear = parallel(&numbers, |_, &n| linear(seed, floor, n));
        let dead = parallel(&numbers, |_, &n| dead_corner(seed, floor, n));
        let share_of = |list: &[Came], is: fn(&Came) -> bool| {
            let mut share = Share::default();
            list.iter().for_each(|came| share.count(is(came)));
            share
        };
        let [accused, found] = [share_of(&linear, |c| c.dead_zone), share_of(&dead, |c| c.in_place)];
        if accused.percent() > ACCUSED {
            report.miss(format!("levels, {floor_uv} uV: {} % of linear corners are accused", accused.text()));
        }
        if found.percent() < FOUND {
            report.miss(format!("levels, {floor_uv} uV: {} % of dead zones are found", found.text()));
        }
        table.push(vec![
            format!("{floor_uv} uV"),
            accused.text(),
            share_of(&linear, |c| c.changed).text(),
            share_of(&linear, |c| c.flat).text(),
            found.text(),
        ]);
    }
    report.table(
        &[
            "floor",
            "linear: dead zone claimed",
            "a level called changed",
            "flat pair named",
            "dead zones found",
        ],
        &table,
    );
    report.line(
        "\nA dead zone counts where it takes 2.5 dB and more of the weakest level, over a ratio of frequencies of 1.25 and six\n\
         samples, more levels than it holds agree above it, and the weakest level's samples have at most 10 % of noise.",
    );
    report
}
