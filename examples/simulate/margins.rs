//! How much better the library reads crossover and phase margin than a ruler laid through two raw points.

use super::bench::{Bench, Levels, measured};
use super::noise::Model;
use super::noise::{Chain, Declared, Grid, Noise, Random};
use super::table::Report;
use super::truth::Truth;
use super::work::{Subjects, parallel, share_of};
use loopgauge::measurand::Measurand;
use loopgauge::sweep::Samples;
use std::f64::consts::{PI, TAU};

const MODE: u64 = 3;
/// Relative noise of each component at the crossover: 0.1 dB; 0.7 deg is 6 % more.
const SIGMA: f64 = 0.0118;
const PER_DECADE: f64 = 40.0;
const REPEATS: usize = 60;
/// Aim.
const LEAST: f64 = 2.0;

/// Sums of squares: crossover (relative) and phase margin (deg), by the library and by the ruler.
#[derive(Clone, Copy, Default)]
struct Squares {
    crossover: [f64; 2],
    phase: [f64; 2],
    sweeps: usize,
    lost: usize,
}

impl Squares {
    fn ratios(&self) -> [f64; 2] {
        [self.crossover, self.phase].map(|[own, ruler]| (ruler / own).sqrt())
    }
}

/// Crossings of the raw data: frequency and phase margin, rad; straight lines over ln f between neighbours.
fn ruler(samples: &Samples) -> Vec<(f64, f64, bool)> {
    let mut found = Vec::new();
    for k in 1..samples.len() {
        let (a, b) = (samples.ln_magnitude()[k - 1], samples.ln_magnitude()[k]);
        if (a > 0.0) == (b > 0.0) {
            continue;
        }
        let part = a / (a - b);
        let (x, y) = (samples.frequency_hz()[k - 1].ln(), samples.frequency_hz()[k].ln());
        let (p, q) = (samples.phase_rad()[k - 1], samples.phase_rad()[k]);
        let step = (q - p) - TAU * ((q - p) / TAU).round();
        let angle = p + part * step + PI;
        found.push(((x + part * (y - x)).exp(), angle - TAU * (angle / TAU).round(), a > 0.0));
    }
    found
}

/// The reading nearest to the truth among all that the ruler finds: the best that it could have done.
fn by_ruler(samples: &Samples, truth: &Truth) -> Option<(f64, f64)> {
    let found = ruler(samples);
    let nearest = |hz: f64, any: bool| {
        let off = |c: &&(f64, f64, bool)| (c.0 / hz).ln().abs();
        found.iter().filter(|c| any || c.2).min_by(|a, b| off(a).total_cmp(&off(b)))
    };
    Some((nearest(truth.crossover_hz(), false)?.0, nearest(truth.phase_at_hz, true)?.1.to_degrees()))
}

fn try_loop(subjects: &Subjects, index: usize, share: usize) -> Squares {
    let (the_loop, truth) = (&subjects.loops[index], &subjects.truths[index]);
    let (fc, margin) = (truth.crossover_hz(), truth.get(Measurand::PhaseMargin).unwrap_or(0.0));
    let grid = Grid::new(the_loop, PER_DECADE, fc);
    let mut bench = Bench::new(the_loop, &Declared::NONE, &[], Levels::One);
    let mut squares = Squares::default();
    for repeat in share_of((0..REPEATS).collect(), share) {
        let mut random = Random::of(MODE, index, repeat);
        let chain = Chain::draw(&Declared::NONE, &mut random);
        let noise = Noise::new(Model::ALL[repeat % 4], SIGMA);
        let samples = grid.take(&chain, &noise, &mut random);
        let ruler = by_ruler(&samples, truth);
        let corner = bench.judge(&[samples]);
        let own = measured(&corner, Measurand::Crossover).zip(measured(&corner, Measurand::PhaseMargin));
        squares.sweeps += 1;
        match own.zip(ruler) {
            Some(((crossover, phase), (f, p))) => {
                squares.crossover[0] += (crossover.value / fc - 1.0).powi(2);
                squares.crossover[1] += (f / fc - 1.0).powi(2);
                squares.phase[0] += (phase.value - margin).powi(2);
                squares.phase[1] += (p - margin).powi(2);
            }
            None => squares.lost += 1,
        }
    }
    squares
}

/// The mode.
pub fn run(subjects: &Subjects, share: usize) -> Report {
    let mut report = Report::default();
    report.heading("margins: rms error of a ruler through two raw points over that of the library");
    let indices: Vec<usize> = (0..subjects.loops.len()).collect();
    // A share takes fewer loops and fewer sweeps of each.
    let (loops, sweeps) = if share > 10 { (share / 10, 10) } else { (1, share) };
    let indices = share_of(indices, loops);
    let tried = parallel(&indices, |_, &index| try_loop(subjects, index, sweeps));
    let mut all = Squares::default();
    let mut rows = Vec::new();
    let mut row = |name: &str, s: &Squares| {
        let rms = |sum: f64| (sum / (s.sweeps - s.lost) as f64).sqrt();
        let [crossover, phase] = s.ratios();
        rows.push(vec![
            name.to_owned(),
            s.sweeps.to_string(),
            format!("{:.3}", 100.0 * rms(s.crossover[0])),
            format!("{:.3}", rms(s.phase[0])),
            format!("{crossover:.2}"),
            format!("{phase:.2}"),
            s.lost.to_string(),
        ]);
    };
    let mut below = 0;
    for (&index, squares) in indices.iter().zip(&tried) {
        row(&subjects.loops[index].name, squares);
        below += usize::from(squares.ratios().iter().any(|r| *r < LEAST));
        all.sweeps += squares.sweeps;
        all.lost += squares.lost;
        for k in 0..2 {
            all.crossover[k] += squares.crossover[k];
            all.phase[k] += squares.phase[k];
        }
    }
    row("all", &all);
    report.table(
        &["loop", "sweeps", "crossover %", "phase deg", "crossover ratio", "phase ratio", "not measured"],
        &rows,
    );
    report.line(format!(
        "\n{} points per decade, 0.1 dB and 0.7 deg rms at the crossover, all noise models in turn. Loops with a ratio below {LEAST}: {below}",
        PER_DECADE
    ));
    // A share of the work gets two standard errors: a ratio of rms values of n sweeps is known to 1 in sqrt n, roughly.
    let slack = if share > 1 { 2.0 * LEAST / (all.sweeps as f64).sqrt() } else { 0.0 };
    for (ratio, name) in all.ratios().into_iter().zip(["crossover", "phase margin"]) {
        if ratio.is_nan() || ratio < LEAST - slack {
            report.miss(format!("margins: the error of the {name} is {ratio:.2} times smaller than a ruler's, at least {LEAST} wanted"));
        }
    }
    report
}
