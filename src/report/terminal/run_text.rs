//! The text of one run.

use super::Style;
use super::palette::{self, paint};
use super::wrap::wrap;
use crate::check::{CheckOutcome, CornerOutcome, RunOutcome, Unit, Verdict, range_text, value_text};
use crate::report::Counts;
use crate::report::escape::terminal;
use crate::report::statement::{
    CheckStatement, Fact, calls_for_action, conditions, count_of, counts, facts, not_judged, phrase,
    without_baseline,
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
    for corner in &run.corners {
        let checks: Vec<&CheckOutcome> = corner.checks.iter().filter(|c| c.verdict == verdict).collect();
        // What is not judged, and what was noticed, stands with the worst of its corner.
        let is_home = home(corner) == verdict;
        let told = |check: &CheckOutcome| is_home && (style.every_check || without_baseline(check));
        let hanging = not_judged(corner, told);
        if checks.is_empty() && hanging.is_empty() {
            continue;
        }
        if text.is_empty() {
            text.push_str(&format!("  {}\n", run_title(run, style)));
        }
        text.push_str(&format!("    {}\n", corner_title(corner, style)));
        checks.iter().for_each(|check| push_check(&mut text, corner, check, style));
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
    if let Some(remedy) = check.remedy.as_deref().filter(|_| calls_for_action(check.verdict)) {
        let line = format!("to do: {}", terminal(remedy));
        text.push_str(&format!("        {}\n", paint(&line, palette::REMEDY, style)));
    }
}

/// The run's title, its verdict, its corners, and its least phase margin.
fn summary(run: &RunOutcome, style: Style) -> String {
    let corners = Counts::of(run.corners.iter().map(|corner| corner.verdict));
    let part = |(verdict, count)| paint(&format!("{count} {}", phrase(verdict)), palette::of(verdict), style);
    let parts: Vec<String> = counts(&corners).map(part).collect();
    let worst = paint(run.verdict.word(), palette::of(run.verdict), style);
    let all = count_of(corners.total(), "corner");
    let mut line = format!("  {}: {worst}; of {all} {}", run_title(run, style), parts.join(", "));
    if let Some((corner, text)) = least_phase_margin(run) {
        line.push_str(&format!("; least phase margin {text} at {}", terminal(corner)));
    }
    line.push('\n');
    if style.every_check {
        let bench = [
            Fact::Title,
            Fact::Operator,
            Fact::Instrument,
            Fact::CalibratedUntil,
            Fact::Injection,
            Fact::Notes,
        ];
        for (name, fact) in facts(run, bench) {
            line.push_str(&format!("    {name}: {}\n", terminal(fact)));
        }
    }
    for finding in &run.findings {
        line.push_str(&format!("    noticed: {}\n", terminal(finding)));
    }
    line
}

fn least_phase_margin(run: &RunOutcome) -> Option<(&str, String)> {
    run.corners
        .iter()
        .filter_map(|corner| Some((corner.corner.as_str(), corner.measured?.phase_margin_deg?)))
        .min_by(|a, b| a.1.value.abs().total_cmp(&b.1.value.abs()))
        .map(|(corner, margin)| (corner, value_text(margin.value, margin.uncertainty, Unit::Deg, false)))
}
