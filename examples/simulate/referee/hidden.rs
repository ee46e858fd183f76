//! A resonance between the points: how far it may raise the gain without a verdict being withheld.
//!
//! A loop that crosses 0 dB at 10 kHz and falls by 20 dB per decade has a pair of poles and a pair of zeros beside each other well above.
//! The rise at the pair's peak over the loop without it is made larger step by step, with the pair everywhere between two points. What is
//! told is the largest rise with which a corner still came to a stability margin that is larger than the true one by more than twice
//! its uncertainty.

use super::super::table::Report;
use super::super::work::parallel;
use super::judge::{Asked, Bench, lenient};
use super::plant::Plant;
use super::receivers::{Digits, Receivers};
use super::scene::{Accuracy, Density, Key, Scene, exact};
use super::unit::{Drift, LevelEffect, Spur};
use loopgauge::check::Verdict;
use loopgauge::measurand::Measurand;
use num_complex::Complex64;

/// Mode of the seeds.
pub const MODE: u64 = 6;
/// Where the loop crosses, Hz, and what is swept.
const CROSSOVER: f64 = 1e4;
const BAND: (f64, f64) = (1e3, 3e5);
/// The pair lies about here, Hz.
const PAIR: f64 = 6e4;
const QUALITIES: [f64; 4] = [5.0, 10.0, 30.0, 100.0];
/// Places between two points.
const PLACES: usize = 8;
/// Noise of the receivers, as a share of the injection.
const FLOOR: f64 = 1e-4;
/// Rises, dB, and the step between them.
const MOST: f64 = 40.0;
const STEP: f64 = 0.5;
/// Uncertainties by which a stability margin must be off to be wrong.
const BEYOND: f64 = 2.0;

/// A loop with a pair whose peak rises by so many dB.
fn plant(at_hz: f64, quality: f64, rise_db: f64) -> Plant {
    // At its own frequency a pair of poles with zeros e beside raises the gain by |1 + 2j e Q|, to first order of e.
    let beside = (10f64.powf(rise_db / 10.0) - 1.0).sqrt() / (2.0 * quality);
    let zeros = at_hz * (1.0 + beside);
    Plant::new(1).pole(8.0 * PAIR).zero_pair(zeros, quality).pole_pair(at_hz, quality).crossing_at(CROSSOVER)
}

/// A corner with the pair at a place, 0 to 1, between two points.
fn scene(seed: u64, density: usize, quality: f64, place: usize, rise_db: f64) -> Scene {
    let per_decade = Density::ALL[density];
    let Density::PerDecade(n) = per_decade else { panic!("{per_decade:?} has no points per decade") };
    let count = ((BAND.1 / BAND.0).log10() * f64::from(n)).ceil();
    let gap = (BAND.1 / BAND.0).powf(1.0 / count);
    let below = BAND.0 * gap.powf(((PAIR / BAND.0).ln() / gap.ln()).floor());
    let at_hz = below * gap.powf((place as f64 + 0.5) / PLACES as f64);
    let plant = plant(at_hz, quality, rise_db);
    Scene {
        key: Key { seed, class: 0, density, number: place },
        truth: exact(&plant, BAND.0, BAND.1),
        plant,
        from_hz: BAND.0,
        to_hz: BAND.1,
        hz: (0..=count as u32).map(|k| BAND.0 * gap.powi(k as i32)).collect(),
        gain_at_hz: CROSSOVER,
        closed: false,
        receivers: Receivers {
            floor: [FLOOR; 2],
            corner_hz: 0.0,
            range: 0.0,
            averaged_below_hz: 0.0,
            correlation: 0.0,
        },
        levels_db: vec![0.0, 3.0],
        effect: LevelEffect::NONE,
        drift: Drift::NONE,
        spur: Spur::NONE,
        accuracy: Accuracy { gain_db: 0.0, phase_deg: 0.0 },
        chain: Complex64::new(1.0, 0.0),
        digits: Digits::All,
        written: |t| t,
    }
}

/// Whether the corner passes on a stability margin that is not the loop's, or is not a stable loop at all.
fn is_hidden(scene: &Scene, repeat: usize) -> bool {
    let sweeps = scene.measure(&mut scene.key.noise(MODE, repeat));
    let judged = Bench::new(scene, &lenient(scene)).judge(&scene.hz, &sweeps);
    let passes = judged.verdict == Verdict::Pass;
    let stated = judged.get(Asked::Stability).filter(|_| passes);
    let Some((value, u)) = stated.and_then(|s| Some((s.value, s.u?))) else { return false };
    let truth = scene.truth.get(Measurand::StabilityMargin).unwrap_or(0.0);
    scene.plant.unstable_poles(CROSSOVER) != 0 || value - truth > BEYOND * u
}

/// The table.
pub fn run(seed: u64, share: usize) -> Report {
    let mut report = Report::default();
    report.heading("bench-hidden: how large a resonance between two points may be without a trace");
    let step = STEP * share as f64;
    let densities = || (0..Density::ALL.len()).filter(|d| matches!(Density::ALL[*d], Density::PerDecade(_)));
    let cells: Vec<(usize, f64)> =
        densities().flat_map(|density| QUALITIES.map(|quality| (density, quality))).collect();
    let largest = parallel(&cells, |_, &(density, quality)| {
        let rises = (1..=(MOST / step) as usize).rev().map(|k| k as f64 * step);
        let hides = |rise: &f64| {
            (0..PLACES).any(|place| {
                let scene = scene(seed, density, quality, place, *rise);
                is_hidden(&scene, (rise / STEP) as usize)
            })
        };
        rises.into_iter().find(hides)
    });
    let rows: Vec<Vec<String>> = densities()
        .zip(largest.chunks(QUALITIES.len()))
        .map(|(density, row)| {
            let texts =
                row.iter().map(|rise| rise.map_or_else(|| "none".to_owned(), |db| format!("{db:.1}")));
            std::iter::once(Density::ALL[density].label()).chain(texts).collect()
        })
        .collect();
    let names: Vec<String> = QUALITIES.iter().map(|q| format!("Q {q}")).collect();
    let mut header = vec!["points per decade"];
    header.extend(names.iter().map(String::as_str));
    report.line(format!(
        "Largest rise of the gain at the peak of the resonance, dB, that was missed; {PLACES} places between two points, noise {} % of the \
         injection, up to {MOST} dB tried\n",
        100.0 * FLOOR
    ));
    report.table(&header, &rows);
    report
}
