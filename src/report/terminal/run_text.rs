//! The text of one run.

use super::Style;
use super::columns::{Side, columns};
use super::palette::{self, paint};
use super::wrap::wrap;
use crate::check::{CheckOutcome, CornerOutcome, RunOutcome, Verdict, range_text};
use crate::report::Counts;
use crate::report::escape::terminal;
use crate::report::statement::{
    BENCH, CheckStatement, CircuitStatement, Fact, calls_for_action, conditions, count_of, counts, facts,
    nearest, not_judged, phrase, without_baseline,
};

/// The pieces of a run's text, by the section they go to.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RunText {
    /// Text per section, sections in the order of [`SECTIONS`]; empty where the run has nothing.
    pub(super) sections: [String; SECTIONS.len()],
    /// The line that sums the run up.
    pub(super) summary: String,
}

/// Sections, worst first; the last one holds what passes, when every check is wanted.
pub(super) const SECTIONS: [Verdict; 6] =
    [Verdict::Invalid, Verdict::Missing, Verdict::Fail, Verdict::Undecided, Verdict::Waived, Verdict::Pass];

/// The text of a run. Text from files is shown harmless.
#[must_use]
pub fn render_run(run: &RunOutcome, style: Style) -> RunText {
    if style.verdict_only {
        return RunText { sections: SECTIONS.map(|_| String::new()), summary: String::new() };
    }
    let fit = |text: String| wrap(&text, style.width).into_owned();
    RunText {
        sections: SECTIONS.map(|verdict| fit(section(run, verdict, style))),
        summary: fit(summary(run, style)),
    }
}

fn section(run: &RunOutcome, verdict: Verdict, style: Style) -> String {
    let mut text = String::new();
    if verdict == Verdict::Pass && !style.every_check {
        return text;
    }
    let (mut told, mut to_do): (Vec<&CornerOutcome>, Option<&str>) = (Vec::new(), None);
    for corner in &run.corners {
        let is_same = |other: &&CornerOutcome| !style.every_check && is_alike(other, corner, verdict);
        if told.iter().any(is_same) {
            continue;
        }
        told.push(corner);
        // What is not judged, and what was noticed, stands with the worst of its corner.
        let is_home = home(corner) == verdict;
        let is_told = |check: &CheckOutcome| is_home && (style.every_check || without_baseline(check));
        let hanging = not_judged(corner, is_told);
        let checks: Vec<&CheckOutcome> = of_verdict(corner, verdict).collect();
        if checks.is_empty() && hanging.is_empty() {
            continue;
        }
        if text.is_empty() {
            text.push_str(&format!("  {}\n", run_title(run, style)));
        }
        text.push_str(&format!("    {}\n", corner_title(corner, style)));
        push_checks(&mut text, corner, &checks, &mut to_do, style);
        let others = run.corners.iter().filter(|other| !std::ptr::eq(*other, corner) && is_same(other));
        let others: Vec<&str> = others.map(|other| other.corner.as_str()).collect();
        if !others.is_empty() {
            text.push_str(&format!("      the same at {}\n", terminal(&others.join(", "))));
        }
        for names in hanging {
            let line = format!("not judged: {}", terminal(&names));
            text.push_str(&format!("      {}\n", paint(&line, palette::of(Verdict::NotJudged), style)));
        }
        for finding in corner.findings.iter().filter(|_| is_home) {
            text.push_str(&format!("      noticed: {}\n", terminal(finding)));
        }
    }
    text
}

/// Checks of a corner with what to do about them; `to_do` is what was told before.
fn push_checks<'a>(
    text: &mut String,
    corner: &CornerOutcome,
    checks: &[&'a CheckOutcome],
    to_do: &mut Option<&'a str>,
    style: Style,
) {
    let next = checks.iter().skip(1).map(|check| check.remedy.as_deref()).chain([None]);
    for (check, next) in checks.iter().zip(next) {
        push_check(text, corner, check, style);
        let Some(remedy) = check.remedy.as_deref().filter(|_| calls_for_action(check.verdict)) else {
            continue;
        };
        // What is to do about several checks stands under the last of them, and in full once a run.
        if next != Some(remedy) {
            let words = if *to_do == Some(remedy) { "the same" } else { remedy };
            let line = format!("to do: {}", terminal(words));
            text.push_str(&format!("        {}\n", paint(&line, palette::REMEDY, style)));
            *to_do = Some(remedy);
        }
    }
}

fn of_verdict(corner: &CornerOutcome, verdict: Verdict) -> impl Iterator<Item = &CheckOutcome> {
    corner.checks.iter().filter(move |check| check.verdict == verdict)
}

/// Whether one mistake spoils both corners: the same checks without a value call for the same, and nothing else is to be told of them.
fn is_alike(one: &CornerOutcome, other: &CornerOutcome, verdict: Verdict) -> bool {
    let told =
        |corner| of_verdict(corner, verdict).map(|check| (check.check.as_str(), check.remedy.as_deref()));
    let is_bare = |corner: &CornerOutcome| {
        of_verdict(corner, verdict).all(|check| check.value.is_none() && check.remedy.is_some())
            && of_verdict(corner, verdict).next().is_some()
            && corner.findings.is_empty()
    };
    is_bare(one) && is_bare(other) && told(one).eq(told(other))
}

/// `RG-00042, river-gauge-5v, revision C, in demo-data/rev-c/RG-00042`
fn run_title(run: &RunOutcome, style: Style) -> String {
    format!(
        "{}, {}, revision {}, in {}",
        paint(&terminal(&run.serial), palette::STRONG, style),
        terminal(&run.product),
        terminal(&run.revision),
        terminal(&run.run)
    )
}

fn corner_title(corner: &CornerOutcome, style: Style) -> String {
    let name = paint(&terminal(&corner.corner), palette::STRONG, style);
    let conditions = conditions(corner);
    if conditions.is_empty() { name } else { format!("{name}: {}", terminal(&conditions)) }
}

/// The section of a corner's worst verdict.
fn home(corner: &CornerOutcome) -> Verdict {
    Verdict::worst(corner.checks.iter().map(|check| check.verdict)).unwrap_or(Verdict::Invalid)
}

fn push_check(text: &mut String, corner: &CornerOutcome, check: &CheckOutcome, style: Style) {
    let name = paint(&terminal(&check.check), palette::of(check.verdict), style);
    let message = CheckStatement::of(corner, check).message_beside_name();
    text.push_str(&format!("      {name}: {}\n", terminal(message)));
    if let Some(range) = check.range_hz.filter(|_| style.every_check) {
        text.push_str(&format!("        stands on {}\n", range_text(range)));
    }
}

/// The run's title, its verdict, its corners, and what lies nearest to its limit.
fn summary(run: &RunOutcome, style: Style) -> String {
    let corners = Counts::of(run.corners.iter().map(|corner| corner.verdict));
    let part = |(verdict, count)| paint(&format!("{count} {}", phrase(verdict)), palette::of(verdict), style);
    let parts: Vec<String> = counts(&corners).map(part).collect();
    let worst = paint(run.verdict.word(), palette::of(run.verdict), style);
    let all = count_of(corners.total(), "corner");
    let mut line = format!("  {}: {worst}; of {all} {}", run_title(run, style), parts.join(", "));
    let known = run.corners.iter().filter_map(|corner| Some((corner, nearest(corner)?)));
    if let Some((corner, (_, check))) = known.min_by(|a, b| a.1.0.total_cmp(&b.1.0)) {
        let text = CheckStatement::of(corner, check).against_limit();
        line.push_str(&format!("; nearest to a limit: {}, {}", terminal(&corner.corner), terminal(&text)));
    }
    line.push('\n');
    if style.every_check {
        for (name, fact) in facts(run, [Fact::Title].into_iter().chain(BENCH)) {
            line.push_str(&format!("    {name}: {}\n", terminal(fact)));
        }
    }
    for finding in &run.findings {
        line.push_str(&format!("    noticed: {}\n", terminal(finding)));
    }
    if let Some(circuit) = run.circuit.as_deref().filter(|_| style.every_check) {
        line.push_str(&parts_table(CircuitStatement::of(circuit)));
    }
    line
}

/// The parts of the circuit, a line each, and what else the sweeps say of them.
fn parts_table(told: CircuitStatement<'_>) -> String {
    let rows = told.rows();
    let mut table = vec![["part", "nominal", "value", "off", "known", ""].map(str::to_owned)];
    if let Some(since) = told.since() {
        table.iter_mut().flatten().skip(5).for_each(|cell| *cell = format!("since {}", terminal(since)));
    }
    for row in &rows {
        let or_none = |text: &Option<String>| text.clone().unwrap_or_else(|| "-".to_owned());
        table.push([
            terminal(row.part).into_owned(),
            row.nominal.clone(),
            or_none(&row.value),
            or_none(&row.off),
            format!("{} %", row.informed),
            row.moved.clone().unwrap_or_default(),
        ]);
    }
    let mut text = String::new();
    for line in columns(&table, [Side::Left; 6]).iter().filter(|_| !rows.is_empty()) {
        text.push_str(&format!("    {line}\n"));
    }
    let silent = told.silent().map(|silent| format!("parts: {silent}"));
    let rest = Some(told.rest_line()).filter(|rest| !rest.is_empty()).map(|rest| format!("circuit: {rest}"));
    for note in silent.into_iter().chain(rest) {
        text.push_str(&format!("    {}\n", terminal(&note)));
    }
    text
}
