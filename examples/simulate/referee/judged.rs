//! How many corners come to a verdict, and why others do not.

use super::super::table::{Messages, QUANTITY, Report, Share};
use super::classes::CLASSES;
use super::judge::Asked;
use super::scene::{Carried, Density};
use super::survey::{self, Facts, NOISE_GROUPS, Tried, noise_group, pivot};
use std::collections::BTreeMap;

/// Aim: sound corners that are clean from 8 times below the crossover, %.
const LEAST_PERCENT: f64 = 98.0;
/// Noise of a sample up to which a margin that lies there can be read.
const READABLE: f64 = 0.1;

/// Uncertainties that a practitioner has use for.
fn is_useful(one: &Tried) -> bool {
    let u = |asked: Asked| one.judged.get(asked).and_then(|s| Some((s.value, s.u?)));
    u(Asked::Crossover).is_some_and(|(v, u)| u < 0.05 * v)
        && u(Asked::Phase).is_some_and(|(_, u)| u < 5.0)
        && u(Asked::Stability).is_some_and(|(_, u)| u < 0.05)
}

fn by(report: &mut Report, tried: &[Tried], name: &str, key: impl Fn(&Tried) -> String) {
    #[derive(Default)]
    struct Row {
        all: Share,
        sound: Share,
        clean: Share,
        useful: Share,
        gain: Share,
        reduction: Share,
    }
    let mut groups: BTreeMap<String, Row> = BTreeMap::new();
    for one in tried {
        let row = groups.entry(key(one)).or_default();
        let judged = one.is_judged();
        row.all.count(judged);
        if one.facts.is_sound() {
            row.sound.count(judged);
        }
        if !one.facts.is_clean_enough() {
            continue;
        }
        row.clean.count(judged);
        if judged {
            row.useful.count(is_useful(one));
        }
        let readable = |k: usize| one.facts.noise_at_margins[k].is_some_and(|noise| noise < READABLE);
        let stated = |asked: Asked| one.judged.get(asked).is_some_and(|s| s.u.is_some() && !s.at_least);
        if readable(0) {
            row.gain.count(stated(Asked::Gain));
        }
        if readable(1) {
            row.reduction.count(stated(Asked::GainReduction));
        }
    }
    let rows: Vec<Vec<String>> = groups
        .iter()
        .map(|(group, row)| {
            vec![
                group.clone(),
                row.all.tries.to_string(),
                row.all.text(),
                row.sound.tries.to_string(),
                row.sound.text(),
                row.clean.tries.to_string(),
                row.clean.text(),
                row.useful.text(),
                row.gain.text(),
                row.reduction.text(),
            ]
        })
        .collect();
    let header = [
        name,
        "corners",
        "judged %",
        "sound",
        "judged %",
        "clean from 1/8",
        "judged %",
        "useful %",
        "gain %",
        "reduction %",
    ];
    report.line("");
    report.table(&header, &rows);
}

/// Five cases of each check that refuses clean sound corners.
fn cases(report: &mut Report, tried: &[Tried]) {
    report.line("\nRefused clean sound corners (`--case`), five for each check:\n");
    for check in ["coverage", "sanity", "linearity"] {
        let own = tried.iter().filter(|t| {
            t.facts.is_clean_enough() && t.judged.broken.as_ref().is_some_and(|(by, _)| by == check)
        });
        let names: Vec<String> = own.take(5).map(|t| t.key.text()).collect();
        report.line(format!(
            "- {check}: {}",
            if names.is_empty() { "none".to_owned() } else { names.join(", ") }
        ));
    }
}

fn why(report: &mut Report, tried: &[Tried], wanted: impl Fn(&Facts) -> bool) {
    let mut messages = Messages::default();
    for one in tried.iter().filter(|t| wanted(&t.facts) && !t.is_judged()) {
        match (&one.judged.broken, one.judged.invalid.first()) {
            (Some((check, message)), _) | (None, Some((check, message))) => {
                messages.count(check, message, || one.key.text());
            }
            (None, None) => messages.count("-", "a value without uncertainty", || one.key.text()),
        }
    }
    messages.print(report);
}

/// The mode.
pub fn run(seed: u64, share: usize) -> Report {
    let mut report = Report::default();
    report.heading("bench-judged: corners that come to a verdict");
    let tried = survey::run(seed, share);
    report.line(format!("Corners: {}, seed {seed}", tried.len()));
    by(&mut report, &tried, "all", |_| "all".to_owned());
    by(&mut report, &tried, "family", |t| CLASSES[t.key.class].name.to_owned());
    by(&mut report, &tried, "density", |t| format!("{:>3}", Density::ALL[t.key.density].label()));
    by(&mut report, &tried, "floor", |t| noise_group(t.facts.floor).to_owned());
    by(&mut report, &tried, "correlation", |t| t.facts.correlation.to_string());
    by(&mut report, &tried, "digits", |t| t.facts.digits.label().to_owned());
    by(&mut report, &tried, "sweeps", |t| format!("{:?} dB", t.facts.levels_db));
    by(&mut report, &tried, "points", |t| {
        format!("{} {}", t.facts.carried as usize, t.facts.carried.label())
    });
    by(&mut report, &tried, "ends of the band", |t| {
        let word = |noise: f64| match noise {
            n if n < READABLE => "clean",
            n if n < 0.3 => "noisy",
            _ => "drowned",
        };
        let [low, top] = t.facts.noise_at_ends.map(word);
        format!("low end {low}, top {top}")
    });
    by(&mut report, &tried, "noise of the difference", |t| t.facts.difference_word().to_owned());
    by(&mut report, &tried, "unit", |t| {
        let f = &t.facts;
        let change = match f.change {
            0.0 => "holds still",
            c if c < 0.25 => "changes by up to 0.25 tolerances",
            c if c < 0.75 => "changes by 0.25 to 0.75",
            _ => "changes by more",
        };
        change.to_owned()
    });
    report.line(
        "\nsound: the loop changes by less than 0.75 tolerances between the levels, the points carry it and it does not end on the way up to a resonance; clean from 1/8: and noise of a \
         sample below 10 % from 8 times below the lowest crossover to past the highest; judged: validity passed, crossover, phase, \
         stability and delay margin with a verdict and an uncertainty; useful: of those judged, U below 5 % of the crossover, 5 deg, \
         0.05; gain, reduction: that margin stated, of those whose true one lies where noise is below 10 %",
    );
    for group in NOISE_GROUPS {
        report.line(format!("\nClean from 1/8 and judged, %, with a floor of {group} of the injection:\n"));
        pivot(&mut report, &tried, |one, share| {
            if one.facts.is_clean_enough() && noise_group(one.facts.floor) == group {
                share.count(one.is_judged());
            }
        });
    }
    report.line("\nClean from 1/8 and judged, %:\n");
    let cells = pivot(&mut report, &tried, |one, share| {
        if one.facts.is_clean_enough() {
            share.count(one.is_judged());
        }
    });
    let mut all = Share::default();
    cells.iter().for_each(|(_, _, share)| all.add(*share));
    if all.is_below(LEAST_PERCENT, 0.0) {
        report.miss(format!(
            "bench-judged: {} % of {} clean sound corners, at least {LEAST_PERCENT} wanted",
            all.text(),
            all.tries
        ));
    }
    for (class, family) in CLASSES.iter().enumerate() {
        let mut own = Share::default();
        cells.iter().filter(|(row, ..)| *row == class).for_each(|(_, _, share)| own.add(*share));
        if own.is_below(LEAST_PERCENT, QUANTITY) {
            report.miss(format!("bench-judged, {}: {} % of {}", family.name, own.text(), own.tries));
        }
    }
    report.line("\nWhy clean sound corners are not judged:\n");
    why(&mut report, &tried, Facts::is_clean_enough);
    cases(&mut report, &tried);
    report.line("\nWhy other corners are not judged:\n");
    why(&mut report, &tried, |facts| !facts.is_clean_enough());
    let loose =
        tried.iter().filter(|t| t.is_judged() && matches!(t.facts.carried, Carried::Not | Carried::Hidden));
    report.line(format!("\nJudged although the points do not carry the curve: {}", loose.count()));
    report
}
