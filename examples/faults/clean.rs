//! Sound corners: two or three levels with realistic noise. None of their checks may be invalid.

use super::bench::{Setup, invalid, judge};
use super::hiss::{Hiss, LOW_END, grid, measure};
use super::noise::Random;
use super::plants::{Plant, turned};
use super::table::{Messages, Report};
use super::work::parallel;

const MODE: u64 = 11;
const NOISES: [f64; 5] = [0.0, 0.0003, 0.001, 0.003, 0.006];
const DENSITIES: [f64; 4] = [20.0, 40.0, 30.0, 100.0];

/// An invalid check of a sound corner.
pub struct Alarm {
    pub place: String,
    pub check: String,
    pub message: String,
}

/// Judges sound corner `index`.
pub fn try_corner(plants: &[Plant], index: usize) -> Vec<Alarm> {
    let plant = &plants[index % plants.len()];
    let k = index / plants.len();
    let mut random = Random::of(MODE, index, 0);
    let hiss = Hiss { at_crossover: NOISES[k % 5], power: [0.5, 1.0, 0.7][k % 3], most: LOW_END };
    let density = DENSITIES[k % 4];
    let setup = Setup::new(k % 2 == 1, 2 + k % 2);
    let hz = grid(plant, density);
    // What leaks past the loop through the injection point: 1 + T' = (1 + T) (1 + r).
    let leak = [0.0, 0.001, 0.01, 0.02][k / 3 % 4] * 0.5 * random.complex();
    let sweeps: Vec<_> = (0..setup.levels.len())
        .map(|level| {
            let scale = 10f64.powf(-3.0 * level as f64 / 20.0);
            let mut sweep = measure(plant, &hz, &hiss, scale, &mut random, |_, t| {
                let t = (1.0 + t) * (1.0 + leak) - 1.0;
                if setup.closed { turned(t) } else { t }
            });
            // Digits as an instrument writes them: also keeps sweeps without noise from being copies.
            sweep.ln_magnitude.iter_mut().for_each(|a| *a += 1e-6 * random.normal());
            sweep.samples().expect("a sound sweep is readable")
        })
        .collect();
    let corner = judge(plant, &setup, &sweeps);
    let place = format!(
        "{} (corner {index}), noise {} f^-{}, {density} per decade",
        plant.name, hiss.at_crossover, hiss.power
    );
    invalid(&corner)
        .map(|(check, message, _)| Alarm {
            place: place.clone(),
            check: check.to_owned(),
            message: message.to_owned(),
        })
        .collect()
}

/// The mode.
pub fn run(plants: &[Plant], count: usize) -> Report {
    let mut report = Report::default();
    report.heading("clean corners");
    let indices: Vec<usize> = (0..count).collect();
    let tried = parallel(&indices, |_, &index| try_corner(plants, index));
    let alarmed = tried.iter().filter(|alarms| !alarms.is_empty()).count();
    report.line(format!("Corners: {count}; invalid: {alarmed}\n"));
    let alarms: Vec<&Alarm> = tried.iter().flatten().collect();
    let mut messages = Messages::default();
    alarms.iter().for_each(|a| messages.count(&a.check, &a.message, || a.place.clone()));
    messages.print(&mut report);
    if alarmed > 0 {
        report.line("\nThe first 60:\n");
        let rows: Vec<Vec<String>> = alarms
            .iter()
            .take(60)
            .map(|a| vec![a.place.clone(), a.check.clone(), a.message.clone()])
            .collect();
        report.table(&["corner", "check", "message"], &rows);
        report.miss(format!("clean: {alarmed} of {count} corners are invalid"));
    }
    report
}
