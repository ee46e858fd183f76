//! Units of the demo's rails with parts inside their tolerances, swept by a chain with errors: are parts found inside their uncertainty,
//! and is a part that moved named?

use super::noise::Random;
use super::table::{Report, Share};
use super::work::parallel;
use loopgauge::analysed::Analysed;
use loopgauge::baseline::Points;
use loopgauge::circuit::causes::{Hypothesis, weigh};
use loopgauge::circuit::fit::{CornerPoints, LoopModel, LoopPoint, Quadratic};
use loopgauge::circuit::{
    CornerChange, CornerLoops, Earlier, Includes, Model, Movements, Netlist, Setting, Subject, UnitFit,
};
use loopgauge::spec::CriticalPoint;
use loopgauge::sweep::Samples;
use loopgauge::uncertainty::Chain;
use num_complex::Complex64;
use std::f64::consts::TAU;

const MODE: u64 = 3_000;
/// Units: parts, and parts that moved.
const UNITS: usize = 2_000;
/// What lies inside value ± U, %, of parts that the measurement tells more of than their tolerance does.
const FEWEST: f64 = 94.0;
const MOST: f64 = 97.0;
/// Named right of those that are named with more than [`SURE`], %; and named at all where theory allows it.
const RIGHT: f64 = 95.0;
const NAMED: f64 = 50.0;
const SURE: f64 = 0.95;
/// Share of the tolerance that the measurement took away from which on a part counts as told.
const TOLD: f64 = 0.5;
const COUNT: u32 = 401;
const BENCH: Chain = Chain { gain_np: 0.0115, phase_rad: 0.0087, delay_s: 2e-9, impedance_ratio: 0.0 };

/// A rail: netlist, and the conditions of its corners as input, load and ambient.
struct Rail {
    name: &'static str,
    corners: &'static [(f64, f64, f64)],
    to_hz: f64,
}

const RAILS: [Rail; 3] = [
    Rail {
        name: "river-gauge-5v",
        corners: &[
            (10.0, 0.5, 25.0),
            (10.0, 3.0, 25.0),
            (24.0, 0.5, 25.0),
            (24.0, 3.0, 25.0),
            (32.0, 0.5, 25.0),
            (24.0, 3.0, -30.0),
        ],
        to_hz: 200e3,
    },
    Rail {
        name: "river-gauge-12v",
        corners: &[
            (6.0, 0.2, 25.0),
            (6.0, 1.0, 25.0),
            (9.0, 0.2, 25.0),
            (9.0, 1.0, 25.0),
            (7.5, 0.2, 25.0),
            (7.5, 1.0, -30.0),
        ],
        to_hz: 150e3,
    },
    Rail {
        name: "river-gauge-1v8",
        corners: &[
            (4.5, 0.3, 25.0),
            (4.5, 3.0, 25.0),
            (5.5, 0.3, 25.0),
            (5.5, 3.0, 25.0),
            (5.0, 0.3, 25.0),
            (5.0, 3.0, 70.0),
        ],
        to_hz: 300e3,
    },
];

const VARY: [(&str, f64); 8] = [
    ("L1", 0.2),
    ("Cout", 0.2),
    ("Resr", 0.5),
    ("Rl", 0.3),
    ("Cc", 0.05),
    ("Cp", 0.05),
    ("Clead", 0.05),
    ("COMPUTE", 0.5),
];

struct Folder;

impl Includes for Folder {
    fn open(&mut self, _: &str, path: &str) -> Result<(String, String), String> {
        let file = format!("specs/circuits/{path}");
        std::fs::read_to_string(&file).map(|text| (file.clone(), text)).map_err(|error| error.to_string())
    }
}

/// The loops of a rail at its corners.
fn models(rail: &Rail) -> Vec<Model> {
    let (_, text) = Folder.open("", &format!("{}.cir", rail.name)).expect("run it in the checkout");
    let (netlist, found) = Netlist::parse(rail.name, &text, &mut Folder);
    let netlist = netlist.unwrap_or_else(|| panic!("{found:?}"));
    let vary: Vec<String> = VARY.iter().map(|(name, _)| (*name).to_owned()).collect();
    let model = |(input, load, ambient): &(f64, f64, f64)| {
        let set = [("VIN", *input), ("ILOAD", *load), ("TEMP", *ambient)].map(|(k, v)| (k.to_owned(), v));
        let setting = Setting { injection: "Vinj", parameters: &set, vary: &vary };
        Model::new(&netlist, &setting).unwrap_or_else(|error| panic!("{error}"))
    };
    rail.corners.iter().map(model).collect()
}

/// What a unit is like and what it is measured with.
#[derive(Clone)]
struct Unit {
    changes: Vec<f64>,
    chain: [f64; 3],
    noise: f64,
}

impl Unit {
    fn draw(d: &mut Random) -> Self {
        let changes = VARY.iter().map(|(_, tolerance)| (tolerance * d.even()).ln_1p()).collect();
        let chain = [BENCH.gain_np, BENCH.phase_rad, BENCH.delay_s].map(|half| half * d.even());
        // 0.1 to 2 %, evenly by its logarithm.
        Self { changes, chain, noise: 0.001 * 20f64.powf(0.5 * (1.0 + d.even())) }
    }

    fn sweep(&self, loops: &mut CornerLoops, corner: usize, to_hz: f64, d: &mut Random) -> Analysed {
        let hz: Vec<f64> =
            (0..COUNT).map(|k| 100.0 * (to_hz / 100.0).powf(f64::from(k) / f64::from(COUNT - 1))).collect();
        let seen: Vec<Complex64> = hz
            .iter()
            .map(|&hz| {
                let gain = loops.at(corner, hz, &mut []).expect("the rails have a solution");
                let [by, turn, late] = self.chain;
                let chain = Complex64::new(by, turn + TAU * hz * late).exp();
                gain * chain * (1.0 + self.noise * d.complex())
            })
            .collect();
        let samples = Samples::from_complex(&hz, &seen).expect("rising, and no gain of 0");
        Analysed::of(&samples, CriticalPoint::PlusOne)
    }

    fn sweeps(&self, loops: &mut CornerLoops, rail: &Rail, d: &mut Random) -> Vec<Analysed> {
        assert!(loops.set(&self.changes), "parts inside their tolerances");
        (0..rail.corners.len()).map(|corner| self.sweep(loops, corner, rail.to_hz, d)).collect()
    }
}

fn points(sweeps: &[Analysed]) -> Vec<CornerPoints> {
    let of =
        |(i, sweep): (usize, &Analysed)| CornerPoints::of(i, sweep, sweep.raw.span(), CriticalPoint::PlusOne);
    sweeps.iter().enumerate().map(of).collect()
}

fn tolerances() -> Vec<f64> {
    VARY.iter().map(|(_, tolerance)| *tolerance).collect()
}

/// How far each part is off in expanded uncertainties, and how much the measurement told of it.
fn parts(rail: &Rail, models: &[Model], mut d: Random) -> Vec<(f64, f64)> {
    let mut loops = CornerLoops::new(models);
    let unit = Unit::draw(&mut d);
    let sweeps = unit.sweeps(&mut loops, rail, &mut d);
    let tolerances = tolerances();
    let mut subject = Subject { model: &mut loops, tolerances: &tolerances, chain: &BENCH };
    let fit = UnitFit::of(&mut subject, &points(&sweeps)).expect("a fit");
    let own = fit.parts.iter().zip(&unit.changes);
    own.map(|(part, true_change)| ((part.ratio.ln() - true_change) / (2.0 * part.u), part.informed)).collect()
}

/// What was said of a unit of which one part moved.
struct Said {
    moved: usize,
    first: Hypothesis,
    probability: f64,
    /// What would be said without noise: what Fisher's information allows.
    allowed: f64,
    /// How far the size of the movement is off in expanded uncertainties, where it was named right.
    off: Option<f64>,
}

fn moved(rail: &Rail, models: &[Model], mut d: Random, part: usize) -> Said {
    let mut loops = CornerLoops::new(models);
    let then = Unit::draw(&mut d);
    let mut now = Unit { changes: then.changes.clone(), ..Unit::draw(&mut d) };
    let tolerance = VARY[part].1;
    let by = tolerance * (3.0 + 2.0 * d.even());
    let step = if d.even() < 0.0 && by < 0.8 { (-by).ln_1p() } else { by.ln_1p() };
    now.changes[part] += step;
    let sweeps = [then.sweeps(&mut loops, rail, &mut d), now.sweeps(&mut loops, rail, &mut d)];
    let pairs = sweeps[0].iter().zip(&sweeps[1]).enumerate();
    let changes: Vec<CornerChange> = pairs.map(|(i, (then, now))| change(i, then, now)).collect();
    let tolerances = tolerances();
    let mut subject = Subject { model: &mut loops, tolerances: &tolerances, chain: &BENCH };
    let found = Movements::of(&mut subject, &changes, Earlier::Own { same_chain: false }).expect("a fit");
    let scale = found.prior.parts()[part];
    let pull = found.data.precision.column(part) * (step / scale);
    let exact = Quadratic { pull, ..found.data.clone() };
    let theory = weigh(&exact, &found.stayed).expect("weighed");
    let allowed = theory.iter().find(|own| own.hypothesis == Hypothesis::Part(part));
    let first = found.causes[0];
    let off = (first.hypothesis == Hypothesis::Part(part)).then_some(first.movement).flatten();
    Said {
        moved: part,
        first: first.hypothesis,
        probability: first.probability,
        allowed: allowed.map_or(0.0, |own| own.probability),
        off: off.map(|(x, u)| (x - step / scale) / (2.0 * u)),
    }
}

/// As a check against a baseline has it: the accepted curve thinned, the curve of now read at its points.
fn change(corner: usize, then: &Analysed, now: &Analysed) -> CornerChange {
    let rows = Points::of(then, then.raw.span()).rows;
    let (mut before, mut after) = (Vec::new(), Vec::new());
    for row in rows.iter().filter(|row| now.curve.span().holds(row.hz.ln())) {
        let ln_f = row.hz.ln();
        let (point, noise) = (now.curve.at(ln_f), now.noise.at(&now.curve, ln_f));
        let sigma = |values: [f64; 2]| values.map(|own| own.hypot(3e-4));
        let [db, deg] = row.noise.unwrap_or_default();
        let ln_mag = row.db * std::f64::consts::LN_10 / 20.0;
        before.push(LoopPoint {
            hz: row.hz,
            ln_mag,
            phase: row.deg.to_radians(),
            sigma: sigma([db * std::f64::consts::LN_10 / 20.0, deg.to_radians()]),
        });
        after.push(LoopPoint {
            hz: row.hz,
            ln_mag: point.ln_mag,
            phase: point.angle,
            sigma: sigma([noise.ln_mag, noise.angle]),
        });
    }
    CornerChange {
        then: CornerPoints { corner, points: before },
        now: CornerPoints { corner, points: after },
    }
}

/// Runs one part in `share`.
pub fn run(seed: u64, share: usize) -> Report {
    let mut report = Report::default();
    let models: Vec<Vec<Model>> = RAILS.iter().map(models).collect();
    let units: Vec<usize> = (0..UNITS / share).collect();
    let draws = |kind: u64, k: usize| Random::of(MODE + kind, k, seed as usize);
    let found = parallel(&units, |_, &k| {
        let rail = k % RAILS.len();
        parts(&RAILS[rail], &models[rail], draws(0, k))
    });
    coverage(&mut report, &found);
    let said = parallel(&units, |_, &k| {
        let rail = k % RAILS.len();
        moved(&RAILS[rail], &models[rail], draws(1, k), (k / RAILS.len()) % VARY.len())
    });
    naming(&mut report, &said);
    report
}

fn coverage(report: &mut Report, found: &[Vec<(f64, f64)>]) {
    report.heading("circuit: parts inside value ± U");
    report.line("Parts drawn evenly inside their tolerances, noise 0.1 to 2 %, errors of the chain drawn, 6 corners of 401 points.\n");
    let mut rows = Vec::new();
    let mut whole = Share::default();
    for (rail, own) in RAILS.iter().enumerate() {
        for (part, (name, tolerance)) in VARY.iter().enumerate() {
            let mut inside = Share::default();
            let (mut told, mut count) = (0.0, 0.0);
            for unit in found.iter().skip(rail).step_by(RAILS.len()) {
                let (off, informed) = unit[part];
                told += informed;
                count += 1.0;
                if informed >= TOLD {
                    inside.count(off.abs() <= 1.0);
                }
            }
            whole.add(inside);
            rows.push(vec![
                format!("{} {name}", own.name),
                format!("{:.0} %", 100.0 * tolerance),
                format!("{:.2}", told / count),
                inside.tries.to_string(),
                inside.text(),
            ]);
        }
    }
    rows.push(vec!["all".to_owned(), String::new(), String::new(), whole.tries.to_string(), whole.text()]);
    report.table(&["part", "tolerance", "informed, mean", "told in", "inside, %"], &rows);
    if whole.is_below(FEWEST, 2.0) || whole.is_above(MOST, 2.0) {
        report.miss(format!("circuit: {} % of parts inside value ± U", whole.text()));
    }
}

fn naming(report: &mut Report, said: &[Said]) {
    report.heading("circuit: one part moved by 1 to 5 tolerances");
    let mut rows = Vec::new();
    let (mut all_right, mut all_said, mut all_sizes) = (Share::default(), Share::default(), Share::default());
    for (part, (name, tolerance)) in VARY.iter().enumerate() {
        let (mut right, mut spoken, mut sizes) = (Share::default(), Share::default(), Share::default());
        let mut tries = 0;
        for own in said.iter().filter(|own| own.moved == part) {
            tries += 1;
            let is_sure = own.probability > SURE && matches!(own.first, Hypothesis::Part(_));
            if is_sure {
                right.count(own.first == Hypothesis::Part(part));
            }
            if own.allowed > SURE {
                spoken.count(is_sure);
            }
            if let Some(off) = own.off.filter(|_| is_sure) {
                sizes.count(off.abs() <= 1.0);
            }
        }
        rows.push(vec![
            (*name).to_owned(),
            format!("{:.0} %", 100.0 * tolerance),
            tries.to_string(),
            right.tries.to_string(),
            right.text(),
            spoken.tries.to_string(),
            spoken.text(),
            sizes.text(),
        ]);
        all_right.add(right);
        all_said.add(spoken);
        all_sizes.add(sizes);
    }
    rows.push(vec![
        "all".to_owned(),
        String::new(),
        said.len().to_string(),
        all_right.tries.to_string(),
        all_right.text(),
        all_said.tries.to_string(),
        all_said.text(),
        all_sizes.text(),
    ]);
    let header = [
        "part",
        "tolerance",
        "units",
        "named, > 0.95",
        "right, %",
        "allowed",
        "of those named, %",
        "size in U, %",
    ];
    report.table(&header, &rows);
    report.line(
        "\nAllowed: with the information of these sweeps and no noise the part is named with more than 0.95.",
    );
    if all_right.is_below(RIGHT, 0.0) {
        report.miss(format!("circuit: {} % of the named parts are right", all_right.text()));
    }
    if all_said.is_below(NAMED, 0.0) {
        report.miss(format!("circuit: {} % are named where theory allows", all_said.text()));
    }
}
