//! Sweeps of something else than the loop gain, or of a loop gain written wrongly: none may pass.

use super::super::table::{Report, Share};
use super::super::work::parallel;
use super::classes::CLASSES;
use super::judge::{Asked, Bench, Bound, Judged};
use super::scene::{Key, Scene};
use super::survey::{keys, pivot_of};
use loopgauge::check::Verdict;
use num_complex::Complex64;

/// Mode of the seeds.
pub const MODE: u64 = 5;
/// Corners of each family and density.
const CORNERS: usize = 42;

type Written = fn(Complex64) -> Complex64;

/// The first so many kinds are mistakes of every day: none of them may pass. The others are only counted.
const AIMED: usize = 5;

/// What is written in place of the loop gain T.
pub const KINDS: [(&str, Written); 7] = [
    ("T/(1+T)", |t| t / (1.0 + t)),
    ("1+T", |t| 1.0 + t),
    ("1/T", |t| t.inv()),
    ("-T", |t| -t),
    ("10 log for 20 log", |t| Complex64::from_polar(t.norm().sqrt(), t.arg())),
    ("1/(1+T)", |t| (1.0 + t).inv()),
    ("40 log for 20 log", |t| Complex64::from_polar(t.norm_sqr(), t.arg())),
];

/// A corner that is written wrongly, in one of the ways in turn.
pub fn scene(key: Key) -> Scene {
    let mut d = key.draw(MODE);
    let mut scene = Scene::plain(key, &mut d, (8.0, 100.0), (1e-5, 2e-3));
    scene.written = KINDS[kind(key)].1;
    scene
}

/// Kinds turn from corner to corner.
const fn kind(key: Key) -> usize {
    (key.number + key.class + key.density) % KINDS.len()
}

/// Limits that leave a sound loop much room.
pub fn limits() -> Vec<Bound> {
    let bound = |asked, at| Bound { asked, is_max: false, at };
    vec![bound(Asked::Crossover, 1e-3), bound(Asked::Phase, 10.0), bound(Asked::Stability, 0.1)]
}

struct Tried {
    key: Key,
    judged: Judged,
}

impl Tried {
    fn kind(&self) -> usize {
        kind(self.key)
    }

    fn passed(&self) -> bool {
        self.judged.verdict == Verdict::Pass
    }
}

/// The mode.
pub fn run(seed: u64, share: usize) -> Report {
    let mut report = Report::default();
    report.heading("bench-wrong-quantity: wrong quantities that pass");
    let tried = parallel(&keys(seed, CORNERS, share), |_, &key| {
        let scene = scene(key);
        let sweeps = scene.measure(&mut key.noise(MODE, 0));
        Tried { key, judged: Bench::new(&scene, &limits()).judge(&scene.hz, &sweeps) }
    });
    report.line(format!("Corners: {}, seed {seed}\n", tried.len()));
    let mut rows = Vec::new();
    for (kind, (name, _)) in KINDS.iter().enumerate() {
        let own: Vec<&Tried> = tried.iter().filter(|t| t.kind() == kind).collect();
        let count = |f: &dyn Fn(&Tried) -> bool| own.iter().filter(|t| f(t)).count().to_string();
        let broken = |check: &'static str| {
            count(&move |t: &Tried| t.judged.broken.as_ref().is_some_and(|(by, _)| by == check))
        };
        rows.push(vec![
            (*name).to_owned(),
            own.len().to_string(),
            count(&Tried::passed),
            count(&|t| t.judged.sanity == Verdict::Pass),
            count(&|t| t.judged.verdict == Verdict::Fail),
            count(&|t| t.judged.verdict == Verdict::Undecided),
            broken("sanity"),
            broken("linearity"),
            broken("coverage"),
        ]);
        let passed = own.iter().filter(|t| t.passed()).count();
        if passed > 0 && kind < AIMED {
            report.miss(format!("bench-wrong-quantity, {name}: {passed} of {} passed", own.len()));
        }
    }
    let header = [
        "written",
        "corners",
        "passed",
        "sanity passed",
        "fail",
        "undecided",
        "by sanity",
        "by linearity",
        "by coverage",
    ];
    report.table(&header, &rows);
    report.line("\nPassed, %:\n");
    let cells: Vec<(Key, Share)> =
        tried.iter().map(|t| (t.key, Share { hits: usize::from(t.passed()), tries: 1 })).collect();
    pivot_of(&mut report, &cells);
    families(&mut report, &tried);
    report
}

/// What passed by family and kind, each with a case.
fn families(report: &mut Report, tried: &[Tried]) {
    report.line("\nPassed, of how many, by family and what was written:\n");
    let mut header = vec!["family"];
    header.extend(KINDS.iter().map(|(name, _)| *name));
    let mut rows = Vec::new();
    for (class, family) in CLASSES.iter().enumerate() {
        let cell = |kind: usize| {
            let own = || tried.iter().filter(move |t| t.key.class == class && t.kind() == kind);
            format!("{} of {}", own().filter(|t| t.passed()).count(), own().count())
        };
        rows.push(std::iter::once(family.name.to_owned()).chain((0..KINDS.len()).map(cell)).collect());
    }
    report.table(&header, &rows);
    report.line("\nPassed (`--case`), five of each kind:\n");
    for (kind, (name, _)) in KINDS.iter().enumerate() {
        let own: Vec<String> =
            tried.iter().filter(|t| t.kind() == kind && t.passed()).take(5).map(|t| t.key.text()).collect();
        report.line(format!("- {name}: {}", if own.is_empty() { "none".to_owned() } else { own.join(", ") }));
    }
}
