//! Every family at every density, judged once each with limits that any loop meets: what coverage and judged are counted from.

use super::super::table::{Report, Share};
use super::super::work::{parallel, share_of};
use super::classes::CLASSES;
use super::judge::{Asked, Bench, Judged, lenient};
use super::receivers::Digits;
use super::scene::{Carried, Density, Key, Scene};

/// Mode of the seeds.
pub const MODE: u64 = 1;
/// Corners of each family and density.
pub const CORNERS: usize = 100;

/// What is known of a corner beside the verdicts.
#[derive(Clone, Debug)]
pub struct Facts {
    /// Larger floor of the two receivers, as a share of the injection.
    pub floor: f64,
    pub correlation: f64,
    pub digits: Digits,
    /// Power of a level effect.
    pub level_power: Option<f64>,
    pub drifts: bool,
    pub chain: bool,
    pub spur: bool,
    pub levels_db: Vec<f64>,
    pub points: usize,
    /// The lowest crossover over where the clean part begins.
    pub clean_times: f64,
    /// Change of the loop itself between two levels, as a share of the tolerance.
    pub change: f64,
    /// Noise of the difference of two levels at the crossover, as a share of the tolerance.
    pub difference: f64,
    pub carried: Carried,
    /// The gain rises where the sweep ends, and a straight line is back at 0 dB within an octave.
    pub ends_rising: bool,
    /// Noise of a sample at the lowest and at the highest frequency.
    pub noise_at_ends: [f64; 2],
    /// True crossovers.
    pub crossings: usize,
    /// Relative noise of a sample at the exact gain margin's phase crossover, and gain reduction margin's.
    pub noise_at_margins: [Option<f64>; 2],
    pub exact: [Option<f64>; 7],
}

impl Facts {
    pub fn of(scene: &Scene) -> Self {
        let noise = |hz: f64| scene.receivers.relative(hz, scene.plant.at(hz), 1.0);
        let at = |below: bool| {
            let found = scene.truth.phase_crossovers.iter().filter(|(_, ratio)| (*ratio < 1.0) == below);
            found.min_by(|a, b| a.1.ln().abs().total_cmp(&b.1.ln().abs())).map(|(hz, _)| noise(*hz))
        };
        Self {
            floor: scene.receivers.floor[0].max(scene.receivers.floor[1]),
            correlation: scene.receivers.correlation,
            digits: scene.digits,
            level_power: scene.effect.is_any().then_some(scene.effect.power),
            drifts: scene.drift.is_any(),
            chain: scene.accuracy.gain_db > 0.0,
            spur: scene.spur.is_any(),
            levels_db: scene.levels_db.clone(),
            points: scene.hz.len(),
            clean_times: scene.clean_times(),
            change: scene.change(),
            difference: scene.difference(),
            carried: scene.carried(),
            ends_rising: {
                let ln_mag = |hz: f64| scene.plant.at(hz).norm().ln();
                let (top, before) = (ln_mag(scene.to_hz), ln_mag(scene.to_hz / 2f64.powf(0.25)));
                top > before && top + 4.0 * (top - before) > 0.0
            },
            noise_at_ends: [scene.from_hz, scene.to_hz].map(noise),
            crossings: scene.truth.crossovers.len(),
            noise_at_margins: [at(true), at(false)],
            exact: Asked::ALL.map(|asked| scene.exact(asked)),
        }
    }

    /// Noise alone: nothing that an honest uncertainty must be wider for.
    pub fn is_plain(&self) -> bool {
        self.level_power.is_none() && !self.drifts && !self.chain && !self.spur
    }

    /// Nothing that a verdict may rightly be refused for: the loop holds still well inside the tolerances, the points carry it, and the
    /// sweep does not end on the way up to a resonance.
    pub fn is_sound(&self) -> bool {
        self.change < 0.75 && matches!(self.carried, Carried::Well | Carried::Roughly) && !self.ends_rising
    }

    /// Noise of the difference of two levels, in words.
    pub fn difference_word(&self) -> &'static str {
        match self.difference {
            d if d < 0.3 => "below 0.3 tolerances",
            d if d < 0.7 => "below 0.7",
            d if d < 1.0 => "below 1",
            _ => "more",
        }
    }

    /// The noise leaves room to tell the tolerances of linearity.
    pub fn is_tellable(&self) -> bool {
        self.difference < 0.7
    }

    /// Sound, and clean from at least 8 times below the lowest crossover up to past the highest.
    pub fn is_clean_enough(&self) -> bool {
        self.is_sound() && self.clean_times >= 8.0
    }
}

/// A corner with its facts and verdicts.
pub struct Tried {
    pub key: Key,
    pub facts: Facts,
    pub judged: Judged,
}

impl Tried {
    /// Error of a stated value that is no bound, and its expanded uncertainty, where truth has one too.
    pub fn error(&self, asked: Asked) -> Option<(f64, f64)> {
        let stated = self.judged.get(asked).filter(|s| !s.at_least)?;
        Some((stated.value - self.facts.exact[asked as usize]?, stated.u?))
    }

    /// The checks of validity passed and the quantities that every loop here has carry a verdict.
    pub fn is_judged(&self) -> bool {
        let all = [Asked::Crossover, Asked::Phase, Asked::Stability, Asked::Delay];
        self.judged.broken.is_none()
            && all.into_iter().all(|asked| self.judged.get(asked).is_some_and(|s| s.u.is_some()))
    }
}

/// All keys of a survey, or one in `share` of them.
pub fn keys(seed: u64, corners: usize, share: usize) -> Vec<Key> {
    let mut list = Vec::new();
    for number in 0..corners {
        for density in 0..Density::ALL.len() {
            for class in 0..CLASSES.len() {
                list.push(Key { seed, class, density, number });
            }
        }
    }
    share_of(list, share)
}

pub fn run(seed: u64, share: usize) -> Vec<Tried> {
    parallel(&keys(seed, CORNERS, share), |_, &key| {
        let scene = Scene::bench(key, MODE);
        let sweeps = scene.measure(&mut key.noise(MODE, 0));
        let judged = Bench::new(&scene, &lenient(&scene)).judge(&scene.hz, &sweeps);
        Tried { key, facts: Facts::of(&scene), judged }
    })
}

/// Groups of noise by the larger floor, as a share of the injection.
pub const NOISE_GROUPS: [&str; 3] = ["0.001 to 0.01 %", "0.01 to 0.1 %", "0.1 to 0.5 %"];

pub fn noise_group(floor: f64) -> &'static str {
    NOISE_GROUPS[usize::from(floor >= 1e-4) + usize::from(floor >= 1e-3)]
}

/// A table of shares in corners: families down, densities across, with sums.
pub fn pivot(
    report: &mut Report,
    tried: &[Tried],
    mut count: impl FnMut(&Tried, &mut Share),
) -> Vec<(usize, usize, Share)> {
    let shares = tried.iter().map(|one| {
        let mut own = Share::default();
        count(one, &mut own);
        (one.key, own)
    });
    pivot_of(report, &shares.collect::<Vec<_>>())
}

/// The same from shares that are counted already; the cells without sums.
pub fn pivot_of(report: &mut Report, shares: &[(Key, Share)]) -> Vec<(usize, usize, Share)> {
    let (rows, columns) = (CLASSES.len(), Density::ALL.len());
    let mut cells = vec![vec![Share::default(); columns + 1]; rows + 1];
    for (key, own) in shares {
        for row in [key.class, rows] {
            for column in [key.density, columns] {
                cells[row][column].add(*own);
            }
        }
    }
    let labels: Vec<String> = Density::ALL.iter().map(|d| d.label()).collect();
    let mut header = vec!["family"];
    header.extend(labels.iter().map(String::as_str));
    header.push("all");
    let text: Vec<Vec<String>> = cells
        .iter()
        .enumerate()
        .map(|(row, cells)| {
            let name = CLASSES.get(row).map_or("all", |c| c.name).to_owned();
            std::iter::once(name).chain(cells.iter().map(Share::text)).collect()
        })
        .collect();
    report.table(&header, &text);
    let mut list = Vec::new();
    for (row, cells) in cells.into_iter().enumerate().take(rows) {
        list.extend(cells.into_iter().enumerate().take(columns).map(|(column, share)| (row, column, share)));
    }
    list
}
