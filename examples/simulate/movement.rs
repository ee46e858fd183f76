//! Histories of groups with a known movement: is it called what it is, and do its intervals hold the truth?

use super::noise::{Random, mix};
use super::table::{CELL, Report, Share};
use super::work::parallel;
use loopgauge::decision::Limit;
use loopgauge::drift::Reach;
use loopgauge::drift::movement::{Kind, Movement, Observation, movement};

const MODE: u64 = 9;
/// Histories of a cell.
const TRIES: usize = 2_000;
/// Groups of a history.
const GROUPS: usize = 24;
/// Variances of a lot and of a unit: the mean of five units has a standard deviation of 1.
const LOT: f64 = 0.5;
const UNIT: f64 = 2.5;
/// The same with one unit a group.
const SINGLE: f64 = 0.5;
/// Size of a bad lot's error, standard deviations.
const BAD: f64 = 10.0;
/// What another station makes of the same units.
const STATION: f64 = 0.7;
/// What the intervals may hold, %.
const FEWEST: f64 = 94.0;
/// Creeps called so where a slope is found, and calm histories called so, %.
const CREEPS: f64 = 90.0;
const CALM: f64 = 95.0;

/// What a history does.
#[derive(Clone, Copy, PartialEq)]
enum What {
    Calm,
    /// At any group but the first two and the last.
    Step(f64),
    /// Falls by so much per group, after 0 to 12 groups.
    Ramp(f64),
    /// A step of 2.5 and later a ramp.
    StepRamp(f64),
}

impl What {
    const ALL: [Self; 8] = [
        Self::Calm,
        Self::Step(1.5),
        Self::Step(2.0),
        Self::Step(3.5),
        Self::Ramp(0.1),
        Self::Ramp(0.2),
        Self::Ramp(0.3),
        Self::StepRamp(0.2),
    ];

    fn label(self) -> String {
        match self {
            Self::Calm => "calm".to_owned(),
            Self::Step(size) => format!("step {size}"),
            Self::Ramp(slope) => format!("ramp {slope}"),
            Self::StepRamp(slope) => format!("step, ramp {slope}"),
        }
    }
}

/// Units of the groups.
#[derive(Clone, Copy, PartialEq)]
enum Units {
    Five,
    Uneven,
    One,
}

impl Units {
    const ALL: [Self; 3] = [Self::Five, Self::Uneven, Self::One];

    const fn label(self) -> &'static str {
        match self {
            Self::Five => "5 units",
            Self::Uneven => "2 to 20",
            Self::One => "1 unit",
        }
    }

    fn draw(self, random: &mut Random) -> u64 {
        match self {
            Self::Five => 5,
            Self::Uneven => 2 + pick(19, random) as u64,
            Self::One => 1,
        }
    }
}

/// What disturbs it.
#[derive(Clone, Copy, PartialEq)]
enum Trouble {
    Clean,
    BadAnywhere,
    BadNewest,
    /// Lots follow each other with that correlation, and units hardly differ: the worst case.
    Lots(f64),
    Station,
}

impl Trouble {
    const ALL: [Self; 6] =
        [Self::Clean, Self::BadAnywhere, Self::BadNewest, Self::Lots(0.5), Self::Lots(0.8), Self::Station];

    fn label(self) -> String {
        match self {
            Self::Clean => "clean".to_owned(),
            Self::BadAnywhere => "one bad lot".to_owned(),
            Self::BadNewest => "newest bad".to_owned(),
            Self::Lots(r) => format!("lots AR {r}"),
            Self::Station => "new station".to_owned(),
        }
    }
}

/// One of 0, 1, … below a number.
fn pick(below: usize, random: &mut Random) -> usize {
    ((0.5 * (random.even() + 1.0) * below as f64) as usize).min(below - 1)
}

/// A history and what is true of it.
struct History {
    observations: Vec<Observation>,
    kind: Kind,
    since: usize,
    size: f64,
    slope: f64,
    ahead: f64,
    limit: Limit,
}

fn levels(what: What, random: &mut Random) -> (Vec<f64>, Kind, usize, f64, f64) {
    let mut levels = vec![0.0; GROUPS];
    let ramp = |slope: f64, good: usize, levels: &mut Vec<f64>| {
        let run = |k: usize| if good == 0 { k as f64 } else { (k + 1).saturating_sub(good) as f64 };
        levels.iter_mut().enumerate().for_each(|(k, level)| *level -= slope * run(k));
        (Kind::Ramp, good, -slope * run(GROUPS - 1), -slope)
    };
    let (kind, since, size, slope) = match what {
        What::Calm => (Kind::None, 0, 0.0, 0.0),
        What::Step(size) => {
            let since = 2 + pick(GROUPS - 3, random);
            levels.iter_mut().skip(since).for_each(|level| *level += size);
            (Kind::Step, since, size, 0.0)
        }
        What::Ramp(slope) => ramp(slope, pick(13, random), &mut levels),
        What::StepRamp(slope) => {
            let good = 8 + pick(7, random);
            let stepped = 3 + pick(good - 6, random);
            let size = 2.5 * random.even().signum();
            levels.iter_mut().skip(stepped).for_each(|level| *level += size);
            ramp(slope, good, &mut levels)
        }
    };
    (levels, kind, since, size, slope)
}

fn history(what: What, units: Units, trouble: Trouble, random: &mut Random) -> History {
    let (levels, mut kind, mut since, mut size, slope) = levels(what, random);
    let ahead = 2.0 + 11.5 * (random.even() + 1.0);
    let newest = levels.last().copied().unwrap_or(0.0);
    let (lot, unit, correlation) = match (trouble, units) {
        (Trouble::Lots(r), _) => (1.0, 1e-4, r),
        (_, Units::One) => (SINGLE, SINGLE, 0.0),
        _ => (LOT, UNIT, 0.0),
    };
    let mut last = random.normal();
    let mut observations: Vec<Observation> = levels
        .iter()
        .enumerate()
        .map(|(place, level)| {
            if place > 0 {
                last = correlation * last + (1.0 - correlation * correlation).sqrt() * random.normal();
            }
            let units = units.draw(random);
            let mut values = Vec::new();
            for _ in 0..units {
                values.push(level + lot.sqrt() * last + unit.sqrt() * random.normal());
            }
            let mean = values.iter().sum::<f64>() / units as f64;
            let squares: f64 = values.iter().map(|value| (value - mean).powi(2)).sum();
            let sd = (units > 1).then(|| (squares / (units as f64 - 1.0)).sqrt());
            Observation { place, mean, units, sd, new_station: false }
        })
        .collect();
    match trouble {
        Trouble::BadAnywhere => observations[pick(GROUPS, random)].mean += BAD * random.even().signum(),
        Trouble::BadNewest => observations[GROUPS - 1].mean += BAD * random.even().signum(),
        Trouble::Station => {
            let moved = 4 + pick(GROUPS - 8, random);
            let by = STATION * random.even().signum();
            observations.iter_mut().skip(moved).for_each(|o| o.mean += by);
            observations[moved].new_station = true;
            if kind == Kind::None {
                (kind, since, size) = (Kind::Step, moved, by);
            }
        }
        Trouble::Clean | Trouble::Lots(_) => {}
    }
    let limit = Limit { min: Some(newest + slope * ahead), max: None };
    let limit = if slope < 0.0 { limit } else { Limit { min: Some(-8.0), max: None } };
    History { observations, kind, since, size, slope, ahead, limit }
}

#[derive(Clone, Copy, Default)]
struct Held {
    kinds: [Share; 3],
    slope: Share,
    size: Share,
    since: Share,
    given: Share,
    forecast: Share,
    endless: Share,
    /// A slope is found: its interval excludes 0.
    found: Share,
    /// Of these, called a ramp.
    found_ramp: Share,
    /// Of what moved, called a ramp.
    moved_ramp: Share,
}

const KINDS: [Kind; 3] = [Kind::None, Kind::Step, Kind::Ramp];

impl Held {
    fn count(&mut self, history: &History, found: &Movement, forecast: Option<Reach>) {
        for (share, kind) in self.kinds.iter_mut().zip(KINDS) {
            share.count(found.kind == kind);
        }
        self.slope.count(found.slope.low <= history.slope && history.slope <= found.slope.high);
        self.size.count(found.size.low <= history.size && history.size <= found.size.high);
        if let (Some(since), true) = (found.since, history.kind != Kind::None) {
            self.since.count(since.low <= history.since && history.since <= since.high);
        }
        if history.kind == Kind::Ramp {
            self.given.count(forecast.is_some());
            if let Some(ahead) = forecast {
                let inside = ahead.low.is_some_and(|low| low <= history.ahead)
                    && ahead.high.is_none_or(|high| history.ahead <= high);
                self.forecast.count(inside);
                self.endless.count(ahead.high.is_none());
            }
        }
        let ramp = found.kind == Kind::Ramp;
        self.found.count(found.slope.excludes_zero());
        if found.slope.excludes_zero() {
            self.found_ramp.count(ramp);
        }
        if found.kind != Kind::None {
            self.moved_ramp.count(ramp);
        }
    }

    fn cells(&self) -> Vec<String> {
        let mut cells: Vec<String> = self.kinds.iter().map(Share::text).collect();
        let others = [
            &self.slope,
            &self.size,
            &self.since,
            &self.given,
            &self.forecast,
            &self.endless,
            &self.found,
            &self.found_ramp,
            &self.moved_ramp,
        ];
        cells.extend(others.map(Share::text));
        cells
    }

    fn add(&mut self, other: &Self) {
        self.kinds.iter_mut().zip(other.kinds).for_each(|(share, other)| share.add(other));
        self.slope.add(other.slope);
        self.size.add(other.size);
        self.since.add(other.since);
        self.given.add(other.given);
        self.forecast.add(other.forecast);
        self.endless.add(other.endless);
        self.found.add(other.found);
        self.found_ramp.add(other.found_ramp);
        self.moved_ramp.add(other.moved_ramp);
    }
}

type Cell = (What, Units, Trouble);

fn try_cell(index: usize, cell: Cell, seed: u64, tries: usize) -> Held {
    let (what, units, trouble) = cell;
    let mut held = Held::default();
    for repeat in 0..tries {
        let mut random = Random::of(MODE ^ mix(seed) >> 8 << 8, index, repeat);
        let history = history(what, units, trouble, &mut random);
        let told = movement(&history.observations, &history.limit, None).expect("there are groups enough");
        held.count(&history, &told.movement, told.forecast);
    }
    held
}

const HEADER: [&str; 13] = [
    "history",
    "none %",
    "step %",
    "ramp %",
    "slope in %",
    "size in %",
    "since in %",
    "ahead given %",
    "in %",
    "endless %",
    "slope found %",
    "a ramp %",
    "moved: a ramp %",
];

/// Lots that hang together are held to less: a few dozen groups do not tell them from a movement.
fn aims(report: &mut Report, cell: &Cell, held: &Held) {
    let (what, units, trouble) = *cell;
    let place = format!("{}, {}, {}", what.label(), units.label(), trouble.label());
    let mut hold = |name: &str, share: &Share, fewest: f64| {
        if share.is_below(fewest, CELL) {
            report.miss(format!("movement: {name}: {place}: {} % instead of {fewest} %", share.text()));
        }
    };
    hold("slope", &held.slope, FEWEST);
    hold("forecast", &held.forecast, FEWEST);
    if held.since.tries > TRIES / 10 {
        hold("beginning", &held.since, FEWEST);
    }
    match what {
        What::Calm if trouble != Trouble::Station => hold("calm", &held.kinds[0], CALM),
        What::Ramp(_) | What::StepRamp(_) => hold("creep called so", &held.found_ramp, CREEPS),
        What::Calm | What::Step(_) => {}
    }
}

/// The mode.
pub fn run(seed: u64, share: usize) -> Report {
    let mut report = Report::default();
    report.heading(&format!("movement: kind, size, beginning and forecast, seed {seed}"));
    report
        .line(format!("{GROUPS} groups; sizes and slopes in standard deviations of the mean of five units."));
    report.line("Share of histories called none, step, ramp; whose true slope, size and beginning (of what is called moved), and time to the limit");
    report.line("(where a forecast is given) lie inside the 95 % interval; slope found: its interval excludes 0, and of these called a ramp.\n");
    let mut cells: Vec<Cell> = Vec::new();
    for trouble in Trouble::ALL {
        for units in Units::ALL {
            cells.extend(What::ALL.map(|what| (what, units, trouble)));
        }
    }
    let tries = TRIES.div_ceil(share);
    let tried = parallel(&cells, |index, cell| try_cell(index, *cell, seed, tries));
    let mut rows = Vec::new();
    for (cell, held) in cells.iter().zip(&tried) {
        aims(&mut report, cell, held);
        let (what, units, trouble) = cell;
        let place = format!("{}, {}, {}", trouble.label(), units.label(), what.label());
        rows.push([vec![place], held.cells()].concat());
    }
    report.table(&HEADER, &rows);
    report.line("\nAll sizes of group together.\n");
    let mut rows = Vec::new();
    for trouble in Trouble::ALL {
        for what in What::ALL {
            let mut all = Held::default();
            let of = |cell: &Cell| cell.0 == what && cell.2 == trouble;
            cells.iter().zip(&tried).filter(|(cell, _)| of(cell)).for_each(|(_, held)| all.add(held));
            rows.push([vec![format!("{}, {}", trouble.label(), what.label())], all.cells()].concat());
        }
    }
    report.table(&HEADER, &rows);
    report
}
