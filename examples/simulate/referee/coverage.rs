//! Does value ± U hold the truth, is U no wider than it must be, and do bounds and counts of crossovers hold.

use super::super::table::{CELL, QUANTITY, Report, Share};
use super::classes::CLASSES;
use super::judge::Asked;
use super::ratios::{Ratios, times};
use super::receivers::Digits;
use super::scene::{Carried, Density};
use super::survey::{self, NOISE_GROUPS, Tried, noise_group, pivot};
use std::collections::BTreeMap;

/// Aims: share inside, %.
const LEAST_PERCENT: f64 = 93.0;
const MOST_PERCENT: f64 = 98.0;
/// Bounds above the truth, %.
const MOST_BOUNDS_PERCENT: f64 = 2.5;
fn take(cell: &mut Ratios, one: &Tried, asked: Asked) {
    if let Some((error, u)) = one.error(asked) {
        cell.count(error, u);
    }
}

fn quantities(report: &mut Report, tried: &[Tried]) {
    let mut rows = Vec::new();
    for asked in Asked::ALL {
        let (mut cell, mut lost, mut invented, mut without_u) = (Ratios::default(), 0, 0, 0);
        for one in tried.iter().filter(|t| t.judged.broken.is_none()) {
            take(&mut cell, one, asked);
            let stated = one.judged.get(asked).filter(|s| !s.at_least);
            let exact = one.facts.exact[asked as usize];
            lost += usize::from(stated.is_none() && exact.is_some());
            invented += usize::from(stated.is_some() && exact.is_none());
            without_u += usize::from(stated.is_some_and(|s| s.u.is_none()));
        }
        let (rms, middle) = cell.wide();
        rows.push(vec![
            asked.check().to_owned(),
            cell.inside.tries.to_string(),
            cell.inside.text(),
            format!("{rms:.2}"),
            format!("{middle:.2}"),
            cell.beyond_two.to_string(),
            times(cell.largest()),
            lost.to_string(),
            invented.to_string(),
            without_u.to_string(),
        ]);
    }
    let header = [
        "quantity",
        "stated",
        "inside %",
        "U/2s",
        "middle",
        "beyond 2 U",
        "largest",
        "lost",
        "invented",
        "without U",
    ];
    report.table(&header, &rows);
    report.line(
        "\ninside: truth in value ± U; U/2s: U over twice the rms error; middle: the same from the middle of the errors; largest: error/U; lost, invented: only the truth, only the measurement has it (bounds count as lost)",
    );
}

/// Share inside / middle / largest of each quantity, by a property.
fn by<'a>(
    report: &mut Report,
    tried: impl IntoIterator<Item = &'a Tried>,
    name: &str,
    key: impl Fn(&Tried) -> String,
) {
    let mut groups: BTreeMap<String, Vec<Ratios>> = BTreeMap::new();
    for one in tried {
        let cells = groups.entry(key(one)).or_insert_with(|| vec![Ratios::default(); Asked::ALL.len()]);
        Asked::ALL.iter().for_each(|&asked| take(&mut cells[asked as usize], one, asked));
    }
    let rows: Vec<Vec<String>> = groups
        .iter()
        .map(|(group, cells)| std::iter::once(group.clone()).chain(cells.iter().map(Ratios::short)).collect())
        .collect();
    let header: Vec<&str> = std::iter::once(name).chain(Asked::ALL.iter().map(|a| a.check())).collect();
    report.line("");
    report.table(&header, &rows);
}

/// All stated values of a corner.
fn count(one: &Tried, share: &mut Share) {
    for (error, u) in Asked::ALL.into_iter().filter_map(|asked| one.error(asked)) {
        share.count(error.abs() <= u);
    }
}

fn is_shown(one: &Tried) -> bool {
    one.facts.carried != Carried::Hidden
}

fn cells(report: &mut Report, tried: &[Tried]) {
    report.line("\nInside, %, all quantities, points that do not hide what lies between them:\n");
    let least = pivot(report, tried, |one, share| {
        if is_shown(one) {
            count(one, share);
        }
    });
    for group in NOISE_GROUPS {
        report.line(format!("\nThe same with a floor of {group} of the injection:\n"));
        pivot(report, tried, |one, share| {
            if is_shown(one) && noise_group(one.facts.floor) == group {
                count(one, share);
            }
        });
    }
    report.line("\nThe same for corners with noise and digits alone:\n");
    let most = pivot(report, tried, |one, share| {
        if is_shown(one) && one.facts.is_plain() {
            count(one, share);
        }
    });
    // Quantities of one corner err together: a cell counts as many tries as corners, about a fifth.
    let apart = |share: &Share| Share { hits: share.hits / 5, tries: share.tries / 5 };
    let below = least.iter().filter(|cell| apart(&cell.2).is_below(LEAST_PERCENT, CELL)).collect();
    off(report, below, least.len(), &format!("at least {LEAST_PERCENT}"), |a, b| a.total_cmp(&b));
    let above = most.iter().filter(|cell| apart(&cell.2).is_above(MOST_PERCENT, CELL)).collect();
    off(report, above, most.len(), &format!("noise alone, at most {MOST_PERCENT}"), |a, b| b.total_cmp(&a));
}

/// Misses the aim by the cells that are off it, the worst five by name.
fn off(
    report: &mut Report,
    mut cells: Vec<&(usize, usize, Share)>,
    of: usize,
    wanted: &str,
    order: impl Fn(f64, f64) -> std::cmp::Ordering,
) {
    if cells.is_empty() {
        return;
    }
    cells.sort_by(|a, b| order(a.2.percent(), b.2.percent()));
    let name = |(row, column, share): &(usize, usize, Share)| {
        format!("{}/{} {} %", CLASSES[*row].name, Density::ALL[*column].label(), share.text())
    };
    let worst: Vec<String> = cells.iter().take(5).map(|cell| name(cell)).collect();
    let count = cells.len();
    report.miss(format!(
        "bench-coverage: {count} of {of} families and densities off, {wanted} % inside wanted: {} …",
        worst.join(", ")
    ));
}

fn whole_quantities(report: &mut Report, tried: &[Tried]) {
    for asked in Asked::ALL {
        let (mut all, mut plain) = (Share::default(), Share::default());
        for one in tried.iter().filter(|t| is_shown(t)) {
            let Some((error, u)) = one.error(asked) else { continue };
            all.count(error.abs() <= u);
            if one.facts.is_plain() {
                plain.count(error.abs() <= u);
            }
        }
        if all.is_below(LEAST_PERCENT, QUANTITY) {
            report.miss(format!(
                "bench-coverage, {}: {} % inside, at least {LEAST_PERCENT} wanted",
                asked.check(),
                all.text()
            ));
        }
        if plain.is_above(MOST_PERCENT, QUANTITY) {
            report.miss(format!(
                "bench-coverage, {}, noise alone: {} % inside, at most {MOST_PERCENT} wanted",
                asked.check(),
                plain.text()
            ));
        }
    }
}

/// Bounds that are given although the truth lies below.
fn bounds(report: &mut Report, tried: &[Tried]) {
    report.line("\nGain margins given as \"at least\":\n");
    let mut rows = Vec::new();
    let mut wrong = Share::default();
    for (class, family) in CLASSES.iter().enumerate() {
        let (mut given, mut below, mut beyond, mut largest) = (0, 0, Share::default(), 0.0_f64);
        for one in tried.iter().filter(|t| t.key.class == class && is_shown(t)) {
            let Some(bound) = one.judged.get(Asked::Gain).filter(|s| s.at_least) else { continue };
            let short = one.facts.exact[Asked::Gain as usize].map_or(0.0, |exact| bound.value - exact);
            given += 1;
            below += usize::from(short > 0.0);
            beyond.count(short > bound.u.unwrap_or(0.0));
            largest = largest.max(short);
        }
        wrong.add(beyond);
        let cells = [given.to_string(), below.to_string(), beyond.hits.to_string(), format!("{largest:.1}")];
        rows.push(std::iter::once(family.name.to_owned()).chain(cells).collect());
    }
    report.table(&["family", "given", "truth below", "below bound - U", "largest dB"], &rows);
    if wrong.is_above(MOST_BOUNDS_PERCENT, QUANTITY) {
        report.miss(format!(
            "bench-coverage, bounds: the truth is below bound - U in {} of {}",
            wrong.hits, wrong.tries
        ));
    }
}

fn crossings(report: &mut Report, tried: &[Tried]) {
    let wrong: Vec<&Tried> = tried
        .iter()
        .filter(|t| t.judged.broken.is_none() && t.judged.crossings.is_some_and(|n| n != t.facts.crossings))
        .collect();
    let shown = wrong.iter().filter(|t| is_shown(t)).count();
    report.line(format!(
        "\nWrong numbers of crossovers in corners that passed validity: {}, of which {} hidden between points",
        wrong.len(),
        wrong.len() - shown
    ));
    for one in wrong.iter().filter(|t| is_shown(t)).take(5) {
        report.line(format!(
            "  {}: {:?} for {}",
            one.key.text(),
            one.judged.crossings.unwrap_or(0),
            one.facts.crossings
        ));
    }
    if shown > 0 {
        report.miss(format!("bench-coverage: {shown} wrong numbers of crossovers"));
    }
}

fn worst(report: &mut Report, tried: &[Tried]) {
    report.line("\nWorst cases (`--case`), five of each quantity:\n");
    let mut rows = Vec::new();
    for asked in Asked::ALL {
        let mut cases: Vec<(f64, f64, f64, &Tried)> = tried
            .iter()
            .filter_map(|t| t.error(asked).map(|(error, u)| ((error / u).abs(), error, u, t)))
            .filter(|case| !case.0.is_nan())
            .collect();
        cases.sort_by(|a, b| b.0.total_cmp(&a.0));
        rows.extend(cases.iter().take(5).map(|(size, error, u, one)| {
            vec![
                one.key.text(),
                asked.check().to_owned(),
                format!("{error:.3e}"),
                format!("{u:.3e}"),
                times(*size),
                one.facts.carried.label().to_owned(),
                format!("{:.2}", one.facts.change),
                format!("{}", one.facts.correlation),
            ]
        }));
    }
    report.table(&["case", "quantity", "error", "U", "error/U", "points", "change", "correlation"], &rows);
}

/// The mode.
pub fn run(seed: u64, share: usize) -> Report {
    let mut report = Report::default();
    report.heading("bench-coverage: is the truth inside value ± U");
    let tried = survey::run(seed, share);
    report.line(format!("Corners: {}, seed {seed}\n", tried.len()));
    quantities(&mut report, &tried);
    report.line("\nShare inside, % / U/2s by the middle / largest error over U:");
    by(&mut report, &tried, "family", |t| CLASSES[t.key.class].name.to_owned());
    by(&mut report, &tried, "density", |t| format!("{:>3}", Density::ALL[t.key.density].label()));
    by(&mut report, &tried, "points", |t| {
        format!("{} {}", t.facts.carried as usize, t.facts.carried.label())
    });
    by(&mut report, &tried, "floor", |t| noise_group(t.facts.floor).to_owned());
    by(&mut report, &tried, "correlation", |t| t.facts.correlation.to_string());
    by(&mut report, &tried, "digits", |t| t.facts.digits.label().to_owned());
    by(&mut report, &tried, "sweeps", |t| format!("{:?} dB", t.facts.levels_db));
    by(&mut report, &tried, "unit and chain", |t| {
        let f = &t.facts;
        match (f.level_power, f.drifts, f.chain, f.spur) {
            (None, false, false, false) => "noise alone".to_owned(),
            (None, false, true, false) => "noise, chain".to_owned(),
            (None, true, false, false) => "noise, drift".to_owned(),
            (None, false, false, true) => "noise, spur".to_owned(),
            (Some(power), false, false, false) => format!("noise, level to the power of {power}"),
            _ => "several".to_owned(),
        }
    });
    report.line("\nNoise alone:");
    let alone: Vec<&Tried> = tried.iter().filter(|t| t.facts.is_plain()).collect();
    by(&mut report, alone.iter().copied(), "correlation", |t| t.facts.correlation.to_string());
    let alone = || alone.iter().copied().filter(|t| t.facts.correlation == 0.0);
    by(&mut report, alone(), "no correlation", |t| t.facts.digits.label().to_owned());
    let alone = || alone().filter(|t| t.facts.digits == Digits::All);
    by(&mut report, alone(), "and all digits", |t| format!("{:>3}", Density::ALL[t.key.density].label()));
    by(&mut report, alone(), "and all digits", |t| CLASSES[t.key.class].name.to_owned());
    cells(&mut report, &tried);
    whole_quantities(&mut report, &tried);
    bounds(&mut report, &tried);
    crossings(&mut report, &tried);
    worst(&mut report, &tried);
    report
}
