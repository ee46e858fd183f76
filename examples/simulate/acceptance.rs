//! Wrong verdicts of the guarded rule, with limits set where they hurt: at the truth, and beside it by parts of the expanded
//! uncertainty that the setting usually has.

use super::bench::{Bench, Levels, OneSided, measured, verdict};
use super::noise::{Chain, Declared, Grid, Noise, Random};
use super::table::{CELL, MANY, QUANTITY, Report, Share};
use super::truth::Truth;
use super::work::{LEVELS, Setting, Subjects, parallel, settings, share_of};
use loopgauge::check::Verdict;
use loopgauge::measurand::Measurand;

const MODE: u64 = 2;
const COMBINATIONS: usize = 2;
/// Sweeps that tell what uncertainty is usual.
const PILOTS: usize = 4;
/// Places of the limit: expanded uncertainties to the bad side of the truth, and sweeps held against each. At 0 the limit lies a
/// hair to the bad or to the good side.
const PLACES: [(Place, usize); 6] = [
    (Place { expanded: 0.0, bad: true }, 16),
    (Place { expanded: 0.0, bad: false }, 16),
    (Place { expanded: 1.0, bad: true }, 2),
    (Place { expanded: 1.0, bad: false }, 2),
    (Place { expanded: 2.2, bad: true }, 2),
    (Place { expanded: 2.2, bad: false }, 2),
];
/// A hair, as a part of the value: far below any uncertainty, far above rounding.
const HAIR: f64 = 1e-9;
/// Aims: wrong verdicts at the limit, and from two expanded uncertainties on.
const MOST_PERCENT: f64 = 2.5;

#[derive(Clone, Copy, PartialEq, Debug)]
struct Place {
    expanded: f64,
    bad: bool,
}

/// Wrong verdicts at each place for each quantity, and all verdicts that were given or withheld.
#[derive(Clone, Default)]
struct Counts {
    wrong: [[Share; PLACES.len()]; Measurand::ALL.len()],
    undecided: [[usize; PLACES.len()]; Measurand::ALL.len()],
    corners: usize,
    invalid: usize,
}

impl Counts {
    fn add(&mut self, other: &Self) {
        for q in 0..Measurand::ALL.len() {
            for p in 0..PLACES.len() {
                self.wrong[q][p].add(other.wrong[q][p]);
                self.undecided[q][p] += other.undecided[q][p];
            }
        }
        self.corners += other.corners;
        self.invalid += other.invalid;
    }
}

/// One limit for each quantity that the loop has. `odd` turns the limit of a place in frequency to an upper one.
fn limits(truth: &Truth, usual: &[f64; Measurand::ALL.len()], place: Place, odd: bool) -> Vec<OneSided> {
    let mut list = Vec::new();
    for quantity in Truth::KNOWN {
        let Some(value) = truth.get(quantity) else { continue };
        // Without a usual uncertainty there is no place beyond it.
        if place.expanded > 0.0 && usual[quantity as usize] == 0.0 {
            continue;
        }
        // A phase margin's limit is held against its magnitude.
        let value = value.abs();
        let is_max = odd && quantity.is_place();
        let to_bad = if is_max == place.bad { -1.0 } else { 1.0 };
        let at = value + to_bad * (HAIR * value + place.expanded * usual[quantity as usize]);
        if at > 0.0 {
            list.push(OneSided { quantity, is_max, at });
        }
    }
    list
}

fn try_setting(subjects: &Subjects, setting: &Setting) -> Counts {
    let the_loop = &subjects.loops[setting.loop_index];
    let truth = &subjects.truths[setting.loop_index];
    // Every other setting has errors of the chain, too.
    let declared = if setting.index.is_multiple_of(2) {
        Declared::NONE
    } else {
        Declared::BENCHES[setting.index / 2 % 3]
    };
    let grid = Grid::new(the_loop, setting.density, truth.crossover_hz());
    let noise = Noise::new(setting.model, LEVELS[setting.level]);
    let mut repeat = 0;
    let mut sweep = || {
        let mut random = Random::of(MODE, setting.index, repeat);
        repeat += 1;
        let chain = Chain::draw(&declared, &mut random);
        grid.take(&chain, &noise, &mut random)
    };
    let usual = usual(&mut Bench::new(the_loop, &declared, &[], Levels::One), &mut sweep);
    let mut counts = Counts::default();
    for (p, (place, corners)) in PLACES.iter().enumerate() {
        for odd in [false, true] {
            let limits = limits(truth, &usual, *place, odd);
            let mut bench = Bench::new(the_loop, &declared, &limits, Levels::One);
            for _ in 0..corners / 2 {
                let corner = bench.judge(&[sweep()]);
                counts.corners += 1;
                counts.invalid += usize::from(corner.measured.is_none());
                for limit in &limits {
                    let wrong = if place.bad { Verdict::Pass } else { Verdict::Fail };
                    match verdict(&corner, limit.quantity.name()) {
                        Some(Verdict::NotJudged | Verdict::Invalid) | None => {}
                        Some(given) => {
                            counts.wrong[limit.quantity as usize][p].count(given == wrong);
                            counts.undecided[limit.quantity as usize][p] +=
                                usize::from(given == Verdict::Undecided);
                        }
                    }
                }
            }
        }
    }
    counts
}

/// Mean expanded uncertainty of each quantity over a few sweeps.
fn usual(
    bench: &mut Bench,
    sweep: &mut impl FnMut() -> loopgauge::sweep::Samples,
) -> [f64; Measurand::ALL.len()] {
    let mut sums = [(0.0, 0.0); Measurand::ALL.len()];
    for _ in 0..PILOTS {
        let corner = bench.judge(&[sweep()]);
        for quantity in Truth::KNOWN {
            if let Some(u) = measured(&corner, quantity).and_then(|m| m.uncertainty) {
                let (sum, count) = &mut sums[quantity as usize];
                *sum += u;
                *count += 1.0;
            }
        }
    }
    sums.map(|(sum, count)| if count > 0.0 { sum / count } else { 0.0 })
}

fn row(name: &str, level: &str, counts: &Counts, q: usize) -> Vec<String> {
    let mut cells = vec![name.to_owned(), level.to_owned(), counts.wrong[q][0].tries.to_string()];
    for p in 0..PLACES.len() {
        cells.push(if counts.wrong[q][p].tries == 0 {
            "-".to_owned()
        } else {
            format!("{:.2}", counts.wrong[q][p].percent())
        });
    }
    let (undecided, tries) = (counts.undecided[q][0], counts.wrong[q][0].tries);
    cells.push(Share { hits: undecided, tries }.text());
    cells
}

fn aims(report: &mut Report, name: &str, wrong: &[Share; PLACES.len()], slack: f64) {
    for (share, (place, _)) in wrong.iter().zip(&PLACES) {
        let word = if place.bad { "pass" } else { "fail" };
        if place.expanded == 0.0 && share.is_above(MOST_PERCENT, slack) {
            report.miss(format!(
                "acceptance, {name}: {:.2} % wrong {word} at the limit, at most {MOST_PERCENT} wanted",
                share.percent()
            ));
        }
        if place.expanded > 2.0 && share.hits > 0 {
            report.miss(format!(
                "acceptance, {name}: {} wrong {word} beyond two expanded uncertainties",
                share.hits
            ));
        }
    }
}

/// The mode.
pub fn run(subjects: &Subjects, share: usize) -> Report {
    let mut report = Report::default();
    report.heading("acceptance: wrong verdicts, %");
    let all = share_of(settings(subjects.loops.len(), COMBINATIONS), share);
    let tried = parallel(&all, |_, setting| try_setting(subjects, setting));
    let mut rows = Vec::new();
    let mut sum = Counts::default();
    tried.iter().for_each(|counts| sum.add(counts));
    for quantity in Truth::KNOWN {
        let q = quantity as usize;
        for (level, sigma) in LEVELS.iter().enumerate() {
            let mut cell = Counts::default();
            all.iter().zip(&tried).filter(|(s, _)| s.level == level).for_each(|(_, counts)| cell.add(counts));
            rows.push(row(quantity.name(), &sigma.to_string(), &cell, q));
            aims(&mut report, &format!("{}, noise {sigma}", quantity.name()), &cell.wrong[q], CELL);
        }
        rows.push(row(quantity.name(), "all", &sum, q));
        aims(&mut report, quantity.name(), &sum.wrong[q], QUANTITY);
    }
    // All quantities together. Those of one sweep err together, which the many sweeps make up for.
    let mut pooled = [Share::default(); PLACES.len()];
    sum.wrong.iter().for_each(|wrong| pooled.iter_mut().zip(wrong).for_each(|(p, w)| p.add(*w)));
    aims(&mut report, "all", &pooled, if pooled[0].tries >= MANY { 0.0 } else { QUANTITY });
    let mut cells = vec!["all".to_owned(), "all".to_owned(), pooled[0].tries.to_string()];
    cells.extend(pooled.iter().map(|p| format!("{:.2}", p.percent())));
    cells.push("-".to_owned());
    rows.push(cells);
    report.table(
        &[
            "quantity",
            "noise",
            "at limit",
            "pass 0",
            "fail 0",
            "pass 1 U",
            "fail 1 U",
            "pass 2.2 U",
            "fail 2.2 U",
            "undecided 0",
        ],
        &rows,
    );
    report.line("\npass x: wrong passes with the truth x expanded uncertainties on the bad side of the limit; fail x: wrong fails, on the good side");
    report.line(format!("Corners: {}; invalid: {}", sum.corners, sum.invalid));
    report
}
