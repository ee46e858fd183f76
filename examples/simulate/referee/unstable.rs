//! Loops whose closed loop is unstable by the argument principle, drowned low ends included: none may pass.

use super::super::table::{Report, Share};
use super::super::work::parallel;
use super::classes::CLASSES;
use super::draw::Draw;
use super::judge::{Asked, Bench, Bound, Judged};
use super::scene::{Carried, Key, Scene, exact};
use super::survey::{NOISE_GROUPS, keys, noise_group, pivot_of};
use loopgauge::check::Verdict;
use loopgauge::measurand::Measurand;

/// Mode of the seeds.
pub const MODE: u64 = 3;
/// Corners of each family and density.
const CORNERS: usize = 30;

/// How a loop was made unstable.
pub const WAYS: [&str; 5] = ["gain raised", "gain lowered", "delay", "lag", "resonance"];

/// An unstable corner and how it became so.
pub fn scene(key: Key) -> (Scene, usize) {
    let mut d = key.draw(MODE);
    let floor = if d.chance(0.5) { (1e-5, 5e-3) } else { (5e-3, 5e-2) };
    for _ in 0..200 {
        let scene = Scene::plain(key, &mut d, (8.0, 100.0), floor);
        if let Some(found) = made_unstable(scene, &mut d) {
            return found;
        }
    }
    panic!("{} does not become unstable", key.text());
}

fn made_unstable(mut scene: Scene, d: &mut Draw) -> Option<(Scene, usize)> {
    let way = if scene.truth.get(Measurand::GainReductionMargin).is_some() && d.chance(0.4) {
        1
    } else {
        d.pick(&[0, 2, 3, 4])
    };
    for _ in 0..100 {
        let Some(plant) = broken(&scene, way, d) else { continue };
        let about = scene.truth.crossover_hz();
        let (from, to) = (scene.from_hz, scene.to_hz);
        if plant.unstable_poles(about) <= 0 || plant.at(to).norm() > 0.7 {
            continue;
        }
        let truth = exact(&plant, from, to);
        let inside = |hz: f64| hz > 1.3 * from && hz < to / 1.3;
        if !truth.crossovers.is_empty() && truth.crossovers.iter().all(|c| inside(c.hz)) {
            scene.plant = plant;
            scene.truth = truth;
            return Some((scene, way));
        }
    }
    None
}

fn broken(scene: &Scene, way: usize, d: &mut Draw) -> Option<super::plant::Plant> {
    let mut plant = scene.plant.clone();
    let fc = scene.truth.crossover_hz();
    let beyond = 10f64.powf(d.log(0.3, 15.0) / 20.0);
    match way {
        0 => plant.gain *= 10f64.powf(scene.truth.get(Measurand::GainMargin).unwrap_or(20.0) / 20.0) * beyond,
        1 => plant.gain /= 10f64.powf(scene.truth.get(Measurand::GainReductionMargin)? / 20.0) * beyond,
        2 => plant.delay_s += scene.truth.get(Measurand::DelayMargin)? * d.log(1.03, 2.5),
        3 => plant = plant.pole(fc * d.log(0.03, 0.5)).crossing_at(fc * d.log(0.5, 1.2)),
        _ => plant = plant.pole_pair(fc * d.log(1.3, 6.0), d.log(2.0, 40.0)),
    }
    Some(plant)
}

/// Limits that any stable loop meets.
pub fn limits() -> Vec<Bound> {
    let bound = |asked, at| Bound { asked, is_max: false, at };
    vec![
        bound(Asked::Crossover, 1e-3),
        bound(Asked::Phase, 1.0),
        bound(Asked::Stability, 0.02),
        bound(Asked::Delay, 1e-12),
    ]
}

struct Tried {
    key: Key,
    way: usize,
    floor: f64,
    carried: Carried,
    clean_times: f64,
    judged: Judged,
}

/// The mode.
pub fn run(seed: u64, share: usize) -> Report {
    let mut report = Report::default();
    report.heading("bench-unstable: unstable loops that pass");
    let tried = parallel(&keys(seed, CORNERS, share), |_, &key| {
        let (scene, way) = scene(key);
        let sweeps = scene.measure(&mut key.noise(MODE, 0));
        let judged = Bench::new(&scene, &limits()).judge(&scene.hz, &sweeps);
        let floor = scene.receivers.floor[0].max(scene.receivers.floor[1]);
        Tried { key, way, floor, carried: scene.carried(), clean_times: scene.clean_times(), judged }
    });
    report.line(format!("Corners: {}, seed {seed}\n", tried.len()));
    let passed = |t: &Tried| t.judged.verdict == Verdict::Pass;
    let mut rows = Vec::new();
    let mut row = |name: String, wanted: &dyn Fn(&Tried) -> bool| {
        let own: Vec<&Tried> = tried.iter().filter(|t| wanted(t)).collect();
        let count = |f: &dyn Fn(&Tried) -> bool| own.iter().filter(|t| f(t)).count().to_string();
        rows.push(vec![
            name,
            own.len().to_string(),
            count(&passed),
            count(&|t| t.judged.sanity == Verdict::Pass),
            count(&|t| t.judged.verdict == Verdict::Fail),
            count(&|t| t.judged.verdict == Verdict::Undecided),
            count(&|t| t.judged.broken.is_some()),
        ]);
    };
    for (way, name) in WAYS.iter().enumerate() {
        row((*name).to_owned(), &|t| t.way == way);
    }
    for group in NOISE_GROUPS {
        row(format!("floor {group}"), &|t| t.floor <= 5e-3 && noise_group(t.floor) == group);
    }
    row("floor 0.5 to 5 %".to_owned(), &|t| t.floor > 5e-3);
    row("low end drowned up to 1/8".to_owned(), &|t| t.clean_times < 8.0);
    for carried in Carried::ALL {
        row(carried.label().to_owned(), &|t| t.carried == carried);
    }
    row("all".to_owned(), &|_| true);
    let header = ["unstable by", "corners", "passed", "sanity passed", "fail", "undecided", "invalid"];
    report.table(&header, &rows);
    report.line("\nPassed, %:\n");
    let cells: Vec<(Key, Share)> =
        tried.iter().map(|t| (t.key, Share { hits: usize::from(passed(t)), tries: 1 })).collect();
    pivot_of(&mut report, &cells);
    worst(&mut report, &tried);
    let shown = tried.iter().filter(|t| passed(t) && t.carried != Carried::Hidden).count();
    if shown > 0 {
        report.miss(format!("bench-unstable: {shown} of {} unstable loops passed", tried.len()));
    }
    report
}

fn worst(report: &mut Report, tried: &[Tried]) {
    report.line("\nPassed (`--case`), the first of each family and way:\n");
    let mut rows = Vec::new();
    for class in 0..CLASSES.len() {
        for (way, name) in WAYS.iter().enumerate() {
            let own = |t: &&Tried| t.key.class == class && t.way == way && t.judged.verdict == Verdict::Pass;
            let Some(one) = tried.iter().find(own) else { continue };
            let value = |asked: Asked| {
                one.judged.get(asked).map_or_else(
                    || "-".to_owned(),
                    |s| format!("{:.3} ± {:.3}", s.value, s.u.unwrap_or(f64::NAN)),
                )
            };
            rows.push(vec![
                one.key.text(),
                (*name).to_owned(),
                one.carried.label().to_owned(),
                format!("{:.5}", one.floor),
                format!("{:.1}", one.clean_times),
                value(Asked::Phase),
                value(Asked::Stability),
            ]);
        }
    }
    let header =
        ["case", "unstable by", "points", "floor", "clean times", "phase margin", "stability margin"];
    report.table(&header, &rows);
}
