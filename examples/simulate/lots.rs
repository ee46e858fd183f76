//! Populations of lots and units with a known Ppk: does its lower bound hold it, and that of the share within limits?

use super::histories::{Scene, Units};
use super::noise::Random;
use super::table::{CELL, Report, Share};
use super::work::parallel;
use loopgauge::decision::Limit;
use loopgauge::drift::{Capability, Lots, share_within, share_within_lots};
use statrs::function::erf::erfc;

/// Apart from the parts of other modes by the seed.
const PART: u64 = 10 << 8;
const TRIES: usize = 10_000;
/// True Ppk.
const TRUE: [f64; 2] = [0.95, 1.5];

struct Cell {
    groups: usize,
    scene: Scene,
    /// Whether it is held to 94 to 97 %: few lots that go along with each other hide how they scatter.
    is_held: bool,
}

fn cells() -> Vec<Cell> {
    let cell = |groups, units, lots, unit, correlation, is_held| Cell {
        groups,
        scene: Scene { units, lots, unit, correlation },
        is_held,
    };
    let eight = Units::Each(8);
    vec![
        cell(12, eight, 0.75, 0.25, 0.0, true),
        cell(12, eight, 0.25, 0.75, 0.0, true),
        cell(12, eight, 0.0, 1.0, 0.0, true),
        cell(20, Units::Each(1), 0.0, 1.0, 0.0, true),
        cell(20, Units::Each(1), 0.75, 0.25, 0.0, true),
        cell(5, Units::Each(20), 0.75, 0.25, 0.0, true),
        cell(5, Units::Each(20), 0.0, 1.0, 0.0, true),
        cell(12, Units::Uneven, 0.75, 0.25, 0.0, true),
        cell(12, Units::Uneven, 0.0, 1.0, 0.0, true),
        cell(30, eight, 0.75, 0.25, 0.0, true),
        cell(12, eight, 0.75, 0.25, 0.5, false),
        cell(12, eight, 0.75, 0.25, 0.8, false),
        cell(24, eight, 0.75, 0.25, 0.5, false),
        cell(24, eight, 0.75, 0.25, 0.8, false),
        cell(60, eight, 0.75, 0.25, 0.5, false),
        cell(60, eight, 0.75, 0.25, 0.8, false),
    ]
}

#[derive(Default, Clone, Copy)]
struct Counts {
    /// Bound of Ppk below the truth: units independent, and lots counted.
    plain: [Share; 2],
    lots: [Share; 2],
    /// Share within limits, likewise, at a true Ppk of 0.95.
    shares: [Share; 2],
    /// A true Ppk of 0.95 passes 1.0.
    passes: [Share; 2],
}

/// The mode.
pub fn run(share: usize, seed: u64) -> Report {
    let mut report = Report::default();
    report.heading("lots: bounds of Ppk and of the share within limits that hold the truth, %");
    let cells = cells();
    let tries = (TRIES / share).max(50);
    let counts = parallel(&cells, |index, cell| {
        let mut counts = Counts::default();
        for repeat in 0..tries {
            let mut random = Random::of(seed << 32 | PART, index, repeat);
            let series = cell.scene.draw(cell.groups, |_| 0.0, &mut random);
            let Some(units) = series.all.moments() else { continue };
            let lots = Lots::of(&series.groups);
            let total = cell.scene.lots.hypot(cell.scene.unit);
            for (k, ppk) in TRUE.into_iter().enumerate() {
                let limit = Limit { min: Some(-3.0 * ppk * total), max: None };
                let bounds =
                    [Capability::of(&units, &limit), Capability::of_lots(&units, lots.as_ref(), &limit)];
                let [plain, own] = bounds.map(|bound| bound.map_or(f64::NAN, |bound| bound.low));
                counts.plain[k].count(plain <= ppk);
                counts.lots[k].count(own <= ppk);
                if k == 0 {
                    counts.passes[0].count(plain >= 1.0);
                    counts.passes[1].count(own >= 1.0);
                    let truth = 1.0 - 0.5 * erfc(3.0 * ppk / std::f64::consts::SQRT_2);
                    let share = share_within(&units, &limit).unwrap_or(f64::NAN);
                    counts.shares[0].count(share <= truth);
                    counts.shares[1]
                        .count(share_within_lots(&units, lots.as_ref(), &limit).unwrap_or(share) <= truth);
                }
            }
        }
        counts
    });
    let mut table = Vec::new();
    for (cell, counts) in cells.iter().zip(&counts) {
        let mut row = vec![format!("{} x {}", cell.groups, cell.scene.name())];
        let pairs = [
            [counts.plain[0], counts.lots[0]],
            [counts.plain[1], counts.lots[1]],
            counts.shares,
            counts.passes,
        ];
        row.extend(pairs.iter().flatten().map(Share::text));
        table.push(row);
        if !cell.is_held {
            continue;
        }
        for held in counts.lots {
            if held.is_below(94.0, CELL) || held.is_above(97.0, CELL) {
                report.miss(format!("lots, {} x {}: {} %", cell.groups, cell.scene.name(), held.text()));
            }
        }
        if counts.passes[1].is_above(5.0, CELL) {
            report.miss(format!(
                "lots, {} x {}: 0.95 passes 1.0 in {} %",
                cell.groups,
                cell.scene.name(),
                counts.passes[1].text()
            ));
        }
    }
    let header = [
        "groups",
        "0.95, units",
        "lots",
        "1.5, units",
        "lots",
        "share, units",
        "lots",
        "0.95 passes 1, units",
        "lots",
    ];
    report.table(&header, &table);
    report.line("\nUnits: taken as independent. Lots: as they are judged.");
    report
}
