//! The results of `levels`: JSON, CSV and text.

use super::escape::terminal;
use super::object::write_pretty;
use super::terminal::palette::{self, paint};
use super::terminal::{Side, Style, columns};
use crate::check::frequency_text;
use crate::excitation::{FlatPair, LevelsOutcome, Noisy, SurveyPoint};
use crate::quantity::number;
use serde::Serialize;
use std::fmt::Write as _;
use std::io::{self, Write};

#[derive(Serialize)]
struct Body<'a> {
    format: u32,
    run: &'a str,
    corner: &'a str,
    /// Kept below the strongest unchanged level, dB.
    step_db: f64,
    levels: Vec<LevelBody<'a>>,
    /// Weak and strong level of the flat pair, dBm.
    flat_dbm: Option<[f64; 2]>,
    points: Vec<PointBody>,
    noisy: &'a [Noisy],
    findings: &'a [String],
}

#[derive(Serialize)]
struct LevelBody<'a> {
    level: &'a str,
    level_dbm: f64,
    files: &'a [String],
}

#[derive(Serialize)]
struct PointBody {
    frequency_hz: f64,
    strongest_dbm: Option<f64>,
    level_dbm: Option<f64>,
    breaks_at_dbm: Option<f64>,
    noise_db: Option<f64>,
}

/// Writes the JSON result. What does not exist is `null`.
///
/// # Errors
/// When the sink cannot be written.
pub fn write_levels_json(sink: impl Write, outcome: &LevelsOutcome) -> io::Result<()> {
    let levels = outcome
        .levels
        .iter()
        .map(|tried| LevelBody { level: &tried.level, level_dbm: tried.dbm, files: &tried.files })
        .collect();
    let has_profile = !outcome.survey.profile().is_empty();
    let points = outcome
        .survey
        .points
        .iter()
        .map(|point| PointBody {
            frequency_hz: point.frequency_hz,
            strongest_dbm: outcome.dbm(point.strongest),
            level_dbm: point.level_dbm.filter(|_| has_profile),
            breaks_at_dbm: outcome.dbm(point.breaks.map(|b| b.level)),
            noise_db: point.noise.map(|noise| noise.gain_db),
        })
        .collect();
    let body = Body {
        format: 1,
        run: &outcome.run,
        corner: &outcome.corner,
        step_db: outcome.tolerances.step.db(),
        levels,
        flat_dbm: match outcome.survey.flat {
            FlatPair::Does(pair) => Some(pair),
            _ => None,
        },
        points,
        noisy: &outcome.survey.noisy,
        findings: &outcome.findings,
    };
    write_pretty(sink, &body)
}

/// The profile as a table with the columns `frequency_hz` and `level_dbm`.
#[must_use]
pub fn levels_csv(outcome: &LevelsOutcome) -> String {
    let mut text = "frequency_hz,level_dbm\n".to_owned();
    for (hz, dbm) in outcome.survey.profile() {
        let _ = writeln!(text, "{hz},{dbm}");
    }
    text
}

/// The text of a result. Text from files is shown harmless.
#[must_use]
pub fn render_levels(outcome: &LevelsOutcome, style: Style) -> String {
    let mut text = String::new();
    let corner = paint(&terminal(&outcome.corner), palette::STRONG, style);
    let levels: Vec<String> = outcome.levels.iter().map(|l| terminal(&l.level).into_owned()).collect();
    let t = &outcome.tolerances;
    let tolerances = [t.gain.map(|t| format!("gain {t}")), t.phase.map(|t| format!("phase {t}"))];
    let tolerances: Vec<String> = tolerances.into_iter().flatten().collect();
    let _ = writeln!(text, "{}, {corner}", terminal(&outcome.run));
    let _ = writeln!(text, "  levels tried: {}", levels.join(", "));
    let _ = writeln!(
        text,
        "  allowed to change: {}; the profile stays {} below the strongest unchanged level",
        tolerances.join(", "),
        t.step
    );
    text.push('\n');
    for line in table(outcome) {
        let _ = writeln!(text, "  {}", terminal(&line));
    }
    if !outcome.findings.is_empty() {
        text.push('\n');
    }
    for finding in &outcome.findings {
        let _ = writeln!(text, "  noticed: {}", terminal(finding));
    }
    text
}

/// Neighbours that show the same, a line each; columns as wide as they must be.
fn table(outcome: &LevelsOutcome) -> Vec<String> {
    let header = ["from", "to", "strongest unchanged", "changed at", "profile", "noise of the gain"];
    let mut rows = vec![header.map(str::to_owned)];
    let same = |a: &SurveyPoint, b: &SurveyPoint| {
        let of = |p: &SurveyPoint| (p.strongest, p.breaks.map(|found| found.level));
        of(a) == of(b)
    };
    rows.extend(outcome.survey.points.chunk_by(same).map(|run| row(outcome, run)));
    columns(&rows, [Side::Left; 6])
}

fn row(outcome: &LevelsOutcome, run: &[SurveyPoint]) -> [String; 6] {
    let hz = |point: Option<&SurveyPoint>| point.map_or_else(String::new, |p| frequency_text(p.frequency_hz));
    let first = run.first();
    let level = |index: Option<usize>, none: &str| {
        let tried = index.and_then(|i| outcome.levels.get(i));
        tried.map_or_else(|| none.to_owned(), |tried| tried.level.clone())
    };
    let levels = || run.iter().filter_map(|p| p.level_dbm);
    let (low, high) = (levels().fold(f64::INFINITY, f64::min), levels().fold(f64::NEG_INFINITY, f64::max));
    let profile = if low > high {
        "none".to_owned()
    } else if high - low < 0.005 {
        format!("{low} dBm")
    } else {
        format!("{low} dBm to {high} dBm")
    };
    let noise = run.iter().filter_map(|p| p.noise).map(|noise| noise.gain_db).reduce(f64::max);
    [
        hz(first),
        hz(run.last()),
        level(first.and_then(|p| p.strongest), "not shown"),
        level(first.and_then(|p| p.breaks).map(|found| found.level), "none tried"),
        profile,
        noise.map_or_else(|| "-".to_owned(), |db| format!("{} dB", number(db, 2))),
    ]
}
