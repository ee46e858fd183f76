//! The text of one run.

use super::Style;
use super::palette::{self, paint};
use super::wrap::wrap;
use crate::check::{
    CheckOutcome, CornerOutcome, NO_BASELINE, RunOutcome, Unit, Verdict, range_text, value_text,
};
use crate::report::Counts;
use crate::report::escape::terminal;

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
    for corner in &run.corners {
        let checks: Vec<&CheckOutcome> = corner.checks.iter().filter(|c| c.verdict == verdict).collect();
        // What is not judged, and what was noticed, stands with the worst of its corner.
        let is_home = home(corner) == verdict;
        let hanging = if is_home { not_judged(corner, style) } else { Vec::new() };
        if checks.is_empty() && hanging.is_empty() {
            continue;
        }
        if text.is_empty() {
            text.push_str(&format!("  {}\n", run_title(run, style)));
        }
        text.push_str(&format!("    {}\n", corner_title(corner, style)));
        checks.iter().for_each(|check| push_check(&mut text, check, style));
        for (reason, names) in hanging {
            let line = format!("not judged: {} ({reason})", names.join(", "));
            text.push_str(&format!("      {}\n", paint(&line, palette::of(Verdict::NotJudged), style)));
        }
        for finding in corner.findings.iter().filter(|_| is_home) {
            text.push_str(&format!("      noticed: {}\n", terminal(finding)));
        }
    }
    text
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
    let conditions: Vec<String> = corner
        .conditions
        .iter()
        .map(|(condition, value)| format!("{} {}", terminal(condition), terminal(value)))
        .collect();
    if conditions.is_empty() { name } else { format!("{name}: {}", conditions.join(", ")) }
}

/// The section of a corner's worst verdict.
fn home(corner: &CornerOutcome) -> Verdict {
    Verdict::worst(corner.checks.iter().map(|check| check.verdict)).unwrap_or(Verdict::Invalid)
}

/// Names of the checks that are not judged, by reason, reasons in the order they appear. That no baseline was given is
/// known to who gave none, and only said when everything is wanted.
fn not_judged(corner: &CornerOutcome, style: Style) -> Vec<(String, Vec<String>)> {
    let mut reasons: Vec<(String, Vec<String>)> = Vec::new();
    for check in corner.checks.iter().filter(|check| check.verdict == Verdict::NotJudged) {
        if check.message == NO_BASELINE && !style.every_check {
            continue;
        }
        let reason = terminal(&check.message);
        let reason = reason.strip_prefix("not judged: ").unwrap_or(&reason).to_owned();
        let name = terminal(&check.check).into_owned();
        match reasons.iter_mut().find(|(known, _)| *known == reason) {
            Some((_, names)) => names.push(name),
            None => reasons.push((reason, vec![name])),
        }
    }
    reasons
}

fn push_check(text: &mut String, check: &CheckOutcome, style: Style) {
    let name = paint(&terminal(&check.check), palette::of(check.verdict), style);
    // A message that begins with the check's name in words need not say it again.
    let words = format!("{} ", check.check.replace('_', " "));
    let message = check.message.strip_prefix(&words).unwrap_or(&check.message);
    text.push_str(&format!("      {name}: {}\n", terminal(message)));
    if let Some(range) = check.range_hz.filter(|_| style.every_check) {
        text.push_str(&format!("        stands on {}\n", range_text(range)));
    }
    if let Some(remedy) = check.remedy.as_deref().filter(|_| calls_for_action(check.verdict)) {
        let line = format!("to do: {}", terminal(remedy));
        text.push_str(&format!("        {}\n", paint(&line, palette::REMEDY, style)));
    }
}

const fn calls_for_action(verdict: Verdict) -> bool {
    matches!(verdict, Verdict::Invalid | Verdict::Missing | Verdict::Fail | Verdict::Undecided)
}

/// The run's title, its verdict, its corners, and its least phase margin.
fn summary(run: &RunOutcome, style: Style) -> String {
    let corners = Counts::of(run.corners.iter().map(|corner| corner.verdict));
    let best_first = Verdict::ALL.into_iter().rev().filter(|verdict| corners.get(*verdict) > 0);
    let parts: Vec<String> = best_first
        .map(|verdict| {
            let part = format!("{} {}", corners.get(verdict), phrase(verdict));
            paint(&part, palette::of(verdict), style)
        })
        .collect();
    let worst = paint(run.verdict.word(), palette::of(run.verdict), style);
    let all = count_of(corners.total(), "corner");
    let mut line = format!("  {}: {worst}; of {all} {}", run_title(run, style), parts.join(", "));
    if let Some((corner, text)) = least_phase_margin(run) {
        line.push_str(&format!("; least phase margin {text} at {}", terminal(corner)));
    }
    line.push('\n');
    line
}

fn least_phase_margin(run: &RunOutcome) -> Option<(&str, String)> {
    run.corners
        .iter()
        .filter_map(|corner| Some((corner.corner.as_str(), corner.measured?.phase_margin_deg?)))
        .min_by(|a, b| a.1.value.abs().total_cmp(&b.1.value.abs()))
        .map(|(corner, margin)| (corner, value_text(margin.value, margin.uncertainty, Unit::Deg, false)))
}

/// `1 corner`, `2 corners`.
pub(in crate::report) fn count_of(count: u64, what: &str) -> String {
    format!("{count} {what}{}", if count == 1 { "" } else { "s" })
}

/// The verdict in running text.
pub(in crate::report) const fn phrase(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::NotJudged => "not judged",
        _ => verdict.word(),
    }
}
