//! Short sweeps: 20 to 40 points in all, 3 % of noise where the gain margin lies.

use super::super::table::{Messages, QUANTITY, Report, Share};
use super::super::work::parallel;
use super::judge::Asked;
use super::limits::{Tried, print};
use super::ratios::{Ratios, times};
use super::scene::{Key, Scene};
use super::survey::{Facts, keys};
use loopgauge::measurand::Measurand;
use std::collections::BTreeMap;

/// Mode of the seeds.
pub const MODE: u64 = 4;
/// Corners of each family and density.
const CORNERS: usize = 40;
/// Densities up to 20 a decade, by their place in the list.
const DENSITIES: usize = 4;
/// Points of a sweep.
const POINTS: std::ops::RangeInclusive<usize> = 20..=40;
/// rms of each component of a sample's noise at the phase crossover of the gain margin.
const NOISE: f64 = 0.03;
/// Aims.
const LEAST_PERCENT: f64 = 93.0;
const MOST_PERCENT: f64 = 98.0;
const LEAST_JUDGED_PERCENT: f64 = 98.0;

/// A short corner.
pub fn scene(key: Key) -> Scene {
    let mut d = key.draw(MODE);
    for _ in 0..5_000 {
        let mut scene = Scene::plain(key, &mut d, (8.0, 40.0), (1e-3, 1e-3));
        scene.receivers.correlation = 0.0;
        let noise = Facts::of(&scene).noise_at_margins[0];
        let Some(noise) = noise.filter(|_| POINTS.contains(&scene.hz.len())) else { continue };
        if scene.truth.get(Measurand::GainMargin).is_none() {
            continue;
        }
        let times = NOISE / noise;
        scene.receivers.floor = scene.receivers.floor.map(|floor| floor * times);
        scene.receivers.range *= times;
        return scene;
    }
    panic!("{} has no short sweep", key.text());
}

/// Share judged, and share inside / U over twice the error by the middle / largest error over U, by a property.
fn by(report: &mut Report, tried: &[Tried], name: &str, key: impl Fn(&Tried) -> String) {
    let mut groups: BTreeMap<String, (Share, Vec<Ratios>)> = BTreeMap::new();
    for one in tried {
        let (judged, cells) =
            groups.entry(key(one)).or_insert_with(|| (Share::default(), vec![Ratios::default(); 7]));
        judged.add(one.judged);
        for (asked, error, u, _) in &one.errors {
            cells[*asked as usize].count(*error, *u);
        }
    }
    let rows: Vec<Vec<String>> = groups
        .iter()
        .map(|(group, (judged, cells))| {
            let head = [group.clone(), judged.tries.to_string(), judged.text()];
            head.into_iter().chain(cells.iter().map(Ratios::short)).collect()
        })
        .collect();
    let mut header = vec![name, "judged", "%"];
    header.extend(Asked::ALL.iter().map(|a| a.check()));
    report.line("");
    report.table(&header, &rows);
}

fn aims(report: &mut Report, tried: &[Tried]) {
    let mut judged = Share::default();
    let mut inside = [Share::default(); 7];
    for one in tried.iter().filter(|t| t.facts.is_clean_enough() && t.facts.is_tellable()) {
        judged.add(one.judged);
    }
    for (asked, error, u, _) in tried.iter().flat_map(|t| &t.errors) {
        inside[*asked as usize].count(error.abs() <= *u);
    }
    report.line(format!(
        "\nOf {} sweeps that are clean from 8 times below the crossover, and whose noise leaves the tolerances of linearity room, {} % are judged",
        judged.tries,
        judged.text()
    ));
    if judged.is_below(LEAST_JUDGED_PERCENT, 0.0) {
        report
            .miss(format!("bench-short: {} % judged, at least {LEAST_JUDGED_PERCENT} wanted", judged.text()));
    }
    for asked in Asked::ALL {
        let share = inside[asked as usize];
        let name = asked.check();
        if share.is_below(LEAST_PERCENT, QUANTITY) || share.is_above(MOST_PERCENT, QUANTITY) {
            report.miss(format!(
                "bench-short, {name}: {} % inside, {LEAST_PERCENT} to {MOST_PERCENT} wanted",
                share.text()
            ));
        }
    }
}

/// The mode.
pub fn run(seed: u64, share: usize) -> Report {
    let mut report = Report::default();
    report.heading("bench-short: 20 to 40 points, 3 % noise at the gain margin");
    let keys: Vec<Key> =
        keys(seed, CORNERS, share).into_iter().filter(|key| key.density < DENSITIES).collect();
    let tried = parallel(&keys, |_, &key| Tried::of(key, MODE, &scene(key)));
    report.line(format!("Corners: {}, seed {seed}\n", tried.len()));
    report.line("Share inside, % / U/2s by the middle / largest error over U:");
    by(&mut report, &tried, "all", |_| "all".to_owned());
    by(&mut report, &tried, "noise of the difference", |t| t.facts.difference_word().to_owned());
    by(&mut report, &tried, "points", |t| {
        format!("{} to {}", t.facts.points / 5 * 5, t.facts.points / 5 * 5 + 4)
    });
    by(&mut report, &tried, "family", |t| super::classes::CLASSES[t.key.class].name.to_owned());
    report.line("");
    print(&mut report, "bench-short", &tried);
    report.line("\nWhy sweeps are not judged:\n");
    let mut messages = Messages::default();
    for one in &tried {
        for (check, message) in &one.refused {
            messages.count(check, message, || one.key.text());
        }
    }
    messages.print(&mut report);
    worst(&mut report, &tried);
    aims(&mut report, &tried);
    report
}

fn worst(report: &mut Report, tried: &[Tried]) {
    report.line("\nWorst cases (`--case`), five of each quantity:\n");
    let mut rows = Vec::new();
    for asked in Asked::ALL {
        let own = |t: &'_ Tried| {
            let key = t.key;
            let of = t.errors.iter().filter(move |e| e.0 == asked);
            of.map(move |e| (key, e.1, e.2, e.3)).collect::<Vec<_>>()
        };
        let mut cases: Vec<_> = tried.iter().flat_map(own).collect();
        cases.sort_by(|a, b| (b.1 / b.2).abs().total_cmp(&(a.1 / a.2).abs()));
        rows.extend(cases.iter().take(5).map(|(key, error, u, repeat)| {
            let name = format!("{}.{repeat}", key.text());
            let size = times((error / u).abs());
            vec![name, asked.check().to_owned(), format!("{error:.3e}"), format!("{u:.3e}"), size]
        }));
    }
    report.table(&["case", "quantity", "error", "U", "error/U"], &rows);
}
