//! False alarms: sound loops, swept at two levels with noise as it is, must not come out invalid.

use super::bench::{Bench, Levels, STEP_DB, invalid};
use super::noise::{Chain, Declared, Grid, Model, Noise, Random};
use super::table::{Messages, Report};
use super::work::{DENSITIES, Subjects, parallel, share_of};

const MODE: u64 = 5;
/// Corners for each loop.
const CORNERS: usize = 60;
/// Noise of the weaker level at the crossover. Below it rises to 0.3 dB and 2 deg rms and no further. With much more than the
/// largest one, 25 points per decade cannot tell a crossover to the 2 % that linearity asks for: no false alarm then.
const NOISES: [f64; 5] = [0.0003, 0.001, 0.003, 0.006, 0.01];

struct Alarm {
    place: String,
    check: String,
    message: String,
}

fn try_corner(subjects: &Subjects, index: usize) -> Vec<Alarm> {
    let (loop_index, k) = (index / CORNERS, index % CORNERS);
    let (the_loop, truth) = (&subjects.loops[loop_index], &subjects.truths[loop_index]);
    let mut random = Random::of(MODE, index, 0);
    let declared = Declared::BENCHES[k % 3];
    let noise = Noise::even_handed(Model::ALL[k % 4], NOISES[k % 5]);
    let density = DENSITIES[k / 20];
    let chain = Chain::draw(&declared, &mut random);
    let grid = Grid::new(the_loop, density, truth.crossover_hz());
    let sweeps: Vec<_> = (0..2)
        .map(|level| {
            let scale = 10f64.powf(-STEP_DB * f64::from(level) / 20.0);
            grid.measure(&chain, &noise, scale, &mut random, |_, t| t)
        })
        .collect();
    let corner = Bench::new(the_loop, &declared, &[], Levels::Many(2)).judge(&sweeps);
    let place = || {
        let (model, level) = (noise.model.label(), noise.at_crossover);
        format!("{} (corner {index}), {model} {level}, {density} per decade", the_loop.name)
    };
    invalid(&corner)
        .map(|(check, message)| Alarm {
            place: place(),
            check: check.to_owned(),
            message: message.to_owned(),
        })
        .collect()
}

/// The mode.
pub fn run(subjects: &Subjects, share: usize) -> Report {
    let mut report = Report::default();
    report.heading("clean: false alarms");
    let indices = share_of((0..CORNERS * subjects.loops.len()).collect(), share);
    let tried = parallel(&indices, |_, &index| try_corner(subjects, index));
    let alarmed = tried.iter().filter(|alarms| !alarms.is_empty()).count();
    let alarms: Vec<&Alarm> = tried.iter().flatten().collect();
    report.line(format!("Corners: {}; invalid: {alarmed}\n", indices.len()));
    let mut messages = Messages::default();
    alarms.iter().for_each(|a| messages.count(&a.check, &a.message, || a.place.clone()));
    messages.print(&mut report);
    if !alarms.is_empty() {
        report.line("\nThe first 30:\n");
        let rows: Vec<Vec<String>> = alarms
            .iter()
            .take(30)
            .map(|a| vec![a.place.clone(), a.check.clone(), a.message.clone()])
            .collect();
        report.table(&["corner", "check", "message"], &rows);
        report.miss(format!("clean: {alarmed} of {} corners are invalid", indices.len()));
    }
    report
}
