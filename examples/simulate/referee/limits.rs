//! Wrong verdicts with limits set where they hurt: at the truth, and beside it by parts of the uncertainty that the corner usually
//! has. Corners of every kind of bench, or short ones.

use super::super::table::{MANY, QUANTITY, Report, Share};
use super::super::work::parallel;
use super::classes::CLASSES;
use super::judge::{Asked, Bench, Bound, lenient};
use super::scene::{Carried, Key, Scene};
use super::survey::Facts;
use loopgauge::check::Verdict;

/// Mode of the seeds.
pub const MODE: u64 = 2;
/// Corners of each family and density.
pub const CORNERS: usize = 9;
/// Sweeps that tell what uncertainty is usual.
const PILOTS: usize = 2;
/// Places of the limit: expanded uncertainties to the bad or the good side of the truth, and how often each is tried.
const PLACES: [(f64, bool, usize); 6] =
    [(0.0, true, 2), (0.0, false, 2), (1.0, true, 1), (1.0, false, 1), (2.2, true, 1), (2.2, false, 1)];
/// A hair, as a part of the value: far below any uncertainty, far above rounding.
const HAIR: f64 = 1e-9;
/// Aims: wrong verdicts at the limit, %.
const MOST_PERCENT: f64 = 2.5;

/// A wrong verdict.
#[derive(Clone)]
struct Wrong {
    key: Key,
    repeat: usize,
    asked: Asked,
    place: usize,
    stated: (f64, f64),
    at_least: bool,
    exact: f64,
    usual: f64,
}

/// A corner with its verdicts.
pub struct Tried {
    pub key: Key,
    pub facts: Facts,
    wrong: [[Share; PLACES.len()]; 7],
    undecided: [Share; 7],
    cases: Vec<Wrong>,
    /// Errors and expanded uncertainties of all that was stated.
    pub errors: Vec<(Asked, f64, f64, usize)>,
    /// Checks of validity that refused, each time.
    pub refused: Vec<(String, String)>,
    /// Times judged, and of these with a verdict on the phase margin.
    pub judged: Share,
}

fn bounds(scene: &Scene, usual: &[Option<f64>; 7], (expanded, bad): (f64, bool), odd: bool) -> Vec<Bound> {
    let mut list = Vec::new();
    for asked in Asked::ALL {
        let Some((value, u)) = scene.exact(asked).zip(usual[asked as usize]) else { continue };
        // A phase margin's limit is held against its magnitude.
        let value = if asked == Asked::Phase { value.abs() } else { value };
        let is_max = odd && matches!(asked, Asked::Crossover | Asked::GainAt);
        let to_bad = if is_max == bad { -1.0 } else { 1.0 };
        let at = value + to_bad * (HAIR * value.abs() + expanded * u);
        // No spec asks for a phase margin beyond half a turn.
        if at > 0.0 && (asked != Asked::Phase || at < 180.0) || asked == Asked::GainAt {
            list.push(Bound { asked, is_max, at });
        }
    }
    list
}

impl Tried {
    /// Judges a corner again and again, its limits moved about.
    pub fn of(key: Key, mode: u64, scene: &Scene) -> Self {
        let mut own = Self {
            key,
            facts: Facts::of(scene),
            wrong: Default::default(),
            undecided: Default::default(),
            cases: Vec::new(),
            errors: Vec::new(),
            refused: Vec::new(),
            judged: Share::default(),
        };
        let mut repeat = 0;
        let mut usual = [(0.0, 0.0); 7];
        let pilot = Bench::new(scene, &lenient(scene));
        for _ in 0..PILOTS {
            let judged = own.judge(mode, scene, &pilot, &mut repeat);
            for asked in Asked::ALL {
                if let Some(u) = judged.get(asked).and_then(|s| s.u) {
                    usual[asked as usize].0 += u;
                    usual[asked as usize].1 += 1.0;
                }
            }
        }
        let usual = usual.map(|(sum, count)| (count > 0.0).then(|| sum / count));
        for (place, &(expanded, bad, times)) in PLACES.iter().enumerate() {
            for k in 0..times {
                let odd = (key.number + k) % 2 == 1;
                let bounds = bounds(scene, &usual, (expanded, bad), odd);
                if !bounds.is_empty() {
                    own.hold(mode, scene, (place, bad), &bounds, &usual, &mut repeat);
                }
            }
        }
        own
    }

    fn judge(&mut self, mode: u64, scene: &Scene, bench: &Bench, repeat: &mut usize) -> super::judge::Judged {
        let sweeps = scene.measure(&mut self.key.noise(mode, *repeat));
        let judged = bench.judge(&scene.hz, &sweeps);
        self.judged.count(judged.broken.is_none() && judged.get(Asked::Phase).is_some());
        for asked in Asked::ALL {
            let stated = judged.get(asked).filter(|s| !s.at_least);
            if let Some(((value, u), exact)) =
                stated.and_then(|s| Some((s.value, s.u?))).zip(scene.exact(asked))
            {
                self.errors.push((asked, value - exact, u, *repeat));
            }
        }
        self.refused.extend(judged.broken.clone());
        *repeat += 1;
        judged
    }

    fn hold(
        &mut self,
        mode: u64,
        scene: &Scene,
        (place, bad): (usize, bool),
        bounds: &[Bound],
        usual: &[Option<f64>; 7],
        repeat: &mut usize,
    ) {
        let judged = self.judge(mode, scene, &Bench::new(scene, bounds), repeat);
        let wrong = if bad { Verdict::Pass } else { Verdict::Fail };
        for bound in bounds {
            let k = bound.asked as usize;
            let Some(stated) = judged.get(bound.asked) else { continue };
            let is_wrong = stated.verdict == wrong;
            self.wrong[k][place].count(is_wrong);
            if place < 2 {
                self.undecided[k].count(stated.verdict == Verdict::Undecided);
            }
            if is_wrong {
                self.cases.push(Wrong {
                    key: self.key,
                    repeat: *repeat - 1,
                    asked: bound.asked,
                    place,
                    stated: (stated.value, stated.u.unwrap_or(f64::NAN)),
                    at_least: stated.at_least,
                    exact: scene.exact(bound.asked).unwrap_or(f64::NAN),
                    usual: usual[k].unwrap_or(f64::NAN),
                });
            }
        }
    }
}

fn is_shown(one: &Tried) -> bool {
    one.facts.carried != Carried::Hidden
}

type Cells = [Share; PLACES.len()];

fn sums(tried: &[Tried], wanted: impl Fn(&Tried) -> bool) -> [(Cells, Share); 7] {
    let mut sums: [(Cells, Share); 7] = Default::default();
    for one in tried.iter().filter(|t| wanted(t)) {
        for (sum, k) in sums.iter_mut().zip(0..) {
            sum.0.iter_mut().zip(&one.wrong[k]).for_each(|(sum, own)| sum.add(*own));
            sum.1.add(one.undecided[k]);
        }
    }
    sums
}

fn row(name: &str, (cells, undecided): &(Cells, Share)) -> Vec<String> {
    let percent = |s: &Share| if s.tries == 0 { "-".to_owned() } else { format!("{:.2}", s.percent()) };
    let mut row = vec![name.to_owned(), cells[0].tries.to_string()];
    row.extend(cells[..4].iter().map(percent));
    row.extend(cells[4..].iter().map(|s| format!("{} of {}", s.hits, s.tries)));
    row.push(undecided.text());
    row
}

fn pooled(sums: &[(Cells, Share); 7]) -> (Cells, Share) {
    let mut all = (Cells::default(), Share::default());
    for (cells, undecided) in sums {
        all.0.iter_mut().zip(cells).for_each(|(sum, own)| sum.add(*own));
        all.1.add(*undecided);
    }
    all
}

/// Prints all that was tried; `name` is the mode.
pub fn print(report: &mut Report, name: &str, tried: &[Tried]) {
    let header = [
        "quantity",
        "at limit",
        "pass 0",
        "fail 0",
        "pass 1 U",
        "fail 1 U",
        "pass 2.2 U",
        "fail 2.2 U",
        "undecided 0",
    ];
    let all = sums(tried, is_shown);
    let mut rows: Vec<_> = Asked::ALL.iter().map(|&a| row(a.check(), &all[a as usize])).collect();
    rows.push(row("all", &pooled(&all)));
    rows.push(row("hidden points", &pooled(&sums(tried, |t| !is_shown(t)))));
    report.table(&header, &rows);
    report.line(
        "\npass x: wrong passes, %, with the truth x usual U on the bad side of the limit; fail x: wrong fails, on the good side; 2.2 U: their number\n",
    );
    let rows: Vec<_> = CLASSES
        .iter()
        .enumerate()
        .map(|(class, family)| {
            row(family.name, &pooled(&sums(tried, |t| is_shown(t) && t.key.class == class)))
        })
        .collect();
    let mut header = header;
    header[0] = "family";
    report.table(&header, &rows);
    worst(report, tried);
    for asked in Asked::ALL {
        aims(report, &format!("{name}, {}", asked.check()), &all[asked as usize].0, QUANTITY);
    }
    let pooled = pooled(&all);
    let slack = if pooled.0[0].tries >= MANY { 0.0 } else { QUANTITY };
    aims(report, &format!("{name}, all"), &pooled.0, slack);
}

fn aims(report: &mut Report, name: &str, cells: &Cells, slack: f64) {
    for (share, (expanded, bad, _)) in cells.iter().zip(PLACES) {
        let word = if bad { "pass" } else { "fail" };
        if expanded == 0.0 && share.is_above(MOST_PERCENT, slack) {
            report.miss(format!(
                "{name}: {:.2} % wrong {word} at the limit, at most {MOST_PERCENT} wanted",
                share.percent()
            ));
        }
        if expanded > 2.0 && share.hits > 0 {
            report.miss(format!("{name}: {} wrong {word} beyond 2.2 U, none wanted", share.hits));
        }
    }
}

fn worst(report: &mut Report, tried: &[Tried]) {
    let mut cases: Vec<&Wrong> =
        tried.iter().filter(|t| is_shown(t)).flat_map(|t| &t.cases).filter(|w| w.place >= 4).collect();
    let size = |w: &Wrong| ((w.stated.0 - w.exact) / w.usual).abs();
    cases.sort_by(|a, b| size(b).total_cmp(&size(a)));
    report.line("\nWorst wrong verdicts beyond 2.2 U (`--case`), five of each quantity:\n");
    let mut rows = Vec::new();
    for asked in Asked::ALL {
        rows.extend(cases.iter().filter(|w| w.asked == asked).take(5).map(|w| {
            vec![
                format!("{}.{}", w.key.text(), w.repeat),
                asked.check().to_owned(),
                if PLACES[w.place].1 { "pass" } else { "fail" }.to_owned(),
                format!(
                    "{}{:.5e} ± {:.1e}",
                    if w.at_least { "at least " } else { "" },
                    w.stated.0,
                    w.stated.1
                ),
                format!("{:.5e}", w.exact),
                format!("{:.1e}", w.usual),
            ]
        }));
    }
    report.table(&["case", "quantity", "wrong", "stated", "truth", "usual U"], &rows);
}

/// The mode.
pub fn run(seed: u64, share: usize) -> Report {
    let mut report = Report::default();
    report.heading("bench-limits: wrong verdicts");
    let tried = parallel(&super::survey::keys(seed, CORNERS, share), |_, &key| {
        Tried::of(key, MODE, &Scene::bench(key, MODE))
    });
    let mut judged = Share::default();
    tried.iter().for_each(|t| judged.add(t.judged));
    report.line(format!(
        "Corners: {}, seed {seed}; times judged: {}, with a verdict: {} %\n",
        tried.len(),
        judged.tries,
        judged.text()
    ));
    print(&mut report, "bench-limits", &tried);
    report
}
