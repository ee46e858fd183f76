//! Which of several levels is judged, where it is known from which one on the loop is no longer linear.

use super::bench::{Bench, Levels, STEP_DB, invalid, verdict};
use super::noise::{Chain, Declared, Grid, Model, Noise, Random};
use super::table::{QUANTITY, Report, Share};
use super::work::{DENSITIES, Subjects, parallel, share_of};
use loopgauge::check::Verdict;
use num_complex::Complex64;
use std::collections::BTreeMap;

const MODE: u64 = 4;
/// Corners for each loop.
const CORNERS: usize = 45;
/// Aim: the right level, and never a level that is not linear.
const LEAST_PERCENT: f64 = 99.0;
/// Noise of the weakest level at the crossover.
const NOISES: [f64; 3] = [0.001, 0.003, 0.01];
/// Weakest distortion at the first level that is not linear, well outside the tolerances (2 % of crossover, 2 deg of phase margin):
/// part of the gain, and rad. It grows by half from level to level.
const COMPRESSION: f64 = 0.1;
const TURN: f64 = 0.14;
const GROWTH: f64 = 1.5;

/// What a strong injection does.
#[derive(Clone, Copy, PartialEq, Debug)]
enum Distortion {
    /// The gain is smaller about the crossover, over a decade and a half.
    Compression,
    /// The phase turns there.
    Turn,
    /// The gain is smaller everywhere.
    Everywhere,
}

impl Distortion {
    const ALL: [Self; 3] = [Self::Compression, Self::Turn, Self::Everywhere];

    const fn label(self) -> &'static str {
        match self {
            Self::Compression => "compression",
            Self::Turn => "turn",
            Self::Everywhere => "everywhere",
        }
    }

    /// `f` is in crossovers, `size` 0 for a linear level.
    fn act(self, t: Complex64, f: f64, size: f64) -> Complex64 {
        let near = (-(f.ln() / 1.5).powi(2)).exp();
        match self {
            Self::Compression => t * (1.0 - (COMPRESSION * size * near).min(0.7)),
            Self::Everywhere => t * (1.0 - (COMPRESSION * size).min(0.7)),
            Self::Turn => t * Complex64::from_polar(1.0, -TURN * size * near),
        }
    }
}

#[derive(Clone, Copy)]
struct Case {
    index: usize,
    loop_index: usize,
}

struct Tried {
    levels: usize,
    distortion: Distortion,
    noise: Noise,
    density: f64,
    /// Strongest linear level, and the judged one.
    linear: usize,
    judged: Option<usize>,
    /// Why nothing is judged.
    broken: Option<(String, String)>,
}

impl Tried {
    /// The strongest level that a linear one confirms.
    fn wanted(&self) -> Option<usize> {
        self.linear.checked_sub(1)
    }
}

fn try_case(subjects: &Subjects, case: &Case) -> Tried {
    let (the_loop, truth) = (&subjects.loops[case.loop_index], &subjects.truths[case.loop_index]);
    let k = case.index;
    let mut random = Random::of(MODE, k, 0);
    let pick = |random: &mut Random, count: usize| {
        (((random.even() + 1.0) / 2.0 * count as f64) as usize).min(count - 1)
    };
    let levels = 2 + k % 5;
    let linear = pick(&mut random, levels);
    let distortion = Distortion::ALL[pick(&mut random, 3)];
    let noise = Noise::even_handed(Model::ALL[pick(&mut random, 4)], NOISES[pick(&mut random, 3)]);
    let density = DENSITIES[pick(&mut random, 3)];
    let declared = Declared::BENCHES[0];
    let chain = Chain::draw(&declared, &mut random);
    let fc = truth.crossover_hz();
    let grid = Grid::new(the_loop, density, fc);
    let sweeps: Vec<_> = (0..levels)
        .map(|level| {
            let size = if level > linear { GROWTH.powi((level - linear - 1) as i32) } else { 0.0 };
            let scale = 10f64.powf(-STEP_DB * level as f64 / 20.0);
            grid.measure(&chain, &noise, scale, &mut random, |hz, t| distortion.act(t, hz / fc, size))
        })
        .collect();
    let corner = Bench::new(the_loop, &declared, &[], Levels::Many(levels)).judge(&sweeps);
    let confirmed = verdict(&corner, "linearity") == Some(Verdict::Pass);
    let file = corner.judged.as_ref().and_then(|j| j.files.first());
    Tried {
        levels,
        distortion,
        noise,
        density,
        linear,
        judged: file.filter(|_| confirmed).and_then(|f| f.trim_end_matches(".csv").parse().ok()),
        broken: invalid(&corner).next().map(|(check, message)| (check.to_owned(), message.to_owned())),
    }
}

/// The mode.
pub fn run(subjects: &Subjects, share: usize) -> Report {
    let mut report = Report::default();
    report.heading("linearity: which level is judged");
    let list = (0..CORNERS * subjects.loops.len())
        .map(|index| Case { index, loop_index: index / CORNERS })
        .collect();
    let cases = share_of(list, share);
    let tried = parallel(&cases, |_, case| try_case(subjects, case));
    let mut groups: BTreeMap<(usize, &str), [Share; 3]> = BTreeMap::new();
    let mut all = [Share::default(); 3];
    let mut rows = Vec::new();
    for (case, one) in cases.iter().zip(&tried) {
        let group = groups.entry((one.levels, one.distortion.label())).or_default();
        let wrong = one.judged.is_some_and(|judged| judged > one.linear);
        for shares in [group, &mut all] {
            shares[0].count(one.judged == one.wanted());
            shares[1].count(wrong);
            shares[2].count(one.judged.is_none() && one.wanted().is_some());
        }
        if one.judged != one.wanted() && rows.len() < 30 {
            let level = |l: Option<usize>| l.map_or_else(|| "none".to_owned(), |l| l.to_string());
            rows.push(vec![
                format!(
                    "{} (case {}), {} {}, {} per decade",
                    subjects.loops[case.loop_index].name,
                    case.index,
                    one.noise.model.label(),
                    one.noise.at_crossover,
                    one.density
                ),
                one.distortion.label().to_owned(),
                one.levels.to_string(),
                one.linear.to_string(),
                level(one.judged),
                one.broken
                    .as_ref()
                    .map_or_else(|| "-".to_owned(), |(check, message)| format!("{check}: {message}")),
            ]);
        }
    }
    let cells = |name: String, distortion: &str, s: &[Share; 3]| {
        vec![
            name,
            distortion.to_owned(),
            s[0].tries.to_string(),
            s[0].text(),
            s[1].hits.to_string(),
            s[2].hits.to_string(),
        ]
    };
    let mut table: Vec<Vec<String>> = groups.iter().map(|((n, d), s)| cells(n.to_string(), d, s)).collect();
    table.push(cells("all".to_owned(), "", &all));
    report.table(&["levels", "distortion", "corners", "right %", "not linear", "none, wrongly"], &table);
    if !rows.is_empty() {
        report.line("\nNot the level wanted (the first 30; levels count from 0, the weakest):\n");
        report.table(&["case", "distortion", "levels", "strongest linear", "judged", "why"], &rows);
    }
    if all[0].is_below(LEAST_PERCENT, if share == 1 { 0.0 } else { QUANTITY }) {
        report.miss(format!(
            "linearity: {} % at the right level, at least {LEAST_PERCENT} wanted",
            all[0].text()
        ));
    }
    if all[1].hits > 0 {
        report.miss(format!("linearity: {} corners judged at a level that is not linear", all[1].hits));
    }
    report
}
