//! What a case says: a message of one line, and a body that begins with it and tells the rest.

use crate::check::{CheckOutcome, CornerOutcome, RunOutcome, frequency_text, range_text};
use crate::diagnostic::Diagnostic;
use crate::quantity::number;
use crate::report::escape::{clip, xml_body, xml_line};
use crate::report::statement::{CheckStatement, Fact, conditions, facts};
use std::borrow::Cow;

/// Longest message, characters: one line of a dashboard.
const LONGEST_MESSAGE: usize = 200;
/// Longest body, bytes.
const LONGEST_BODY: usize = 16 * 1024;
/// Longest single entry of a body, characters, so that one long text does not push out the others.
const LONGEST_ENTRY: usize = 2000;

/// One line, clean, at most 200 characters.
pub(super) fn message(text: &str) -> String {
    clip(&xml_line(text), LONGEST_MESSAGE).into_owned()
}

/// The body of a case that did not pass.
pub(super) fn body(run: &RunOutcome, corner: &CornerOutcome, check: &CheckOutcome) -> String {
    let mut body = Body::new(&check.message);
    if let Some(remedy) = &check.remedy {
        body.entry("to do", remedy);
    }
    body.corner(corner);
    let told = CheckStatement::of(corner, check);
    let value = if check.accepted.is_some() { "change" } else { "value" };
    let uncertainty = told.uncertainty().map(|u| format!("{u}, coverage factor {}", number(run.coverage, 5)));
    let judged = corner.judged.as_ref();
    let confirmed_by = judged.map(|judged| judged.confirmed_by.join(", "));
    let entries = [
        (value, told.value(None)),
        ("accepted", told.accepted(false)),
        ("expanded uncertainty", uncertainty),
        ("limit", told.limit()),
        ("frequency", check.at_hz.map(frequency_text)),
        ("stands on", check.range_hz.map(range_text)),
        ("sweeps", judged.map(|judged| judged.files.join(", "))),
        ("level", judged.and_then(|judged| judged.level.clone())),
        ("confirmed by", confirmed_by.filter(|files| !files.is_empty())),
    ];
    for (name, text) in entries {
        if let Some(text) = text {
            body.entry(name, &text);
        }
    }
    body.origin(run);
    body.finish()
}

/// The body of a case that shows what could not be read: the first problem, where it is missed, the other problems.
pub(super) fn unread_body(
    problems: &[&Diagnostic],
    run: &RunOutcome,
    corner: Option<&CornerOutcome>,
) -> String {
    let mut lines = told(problems).into_iter();
    let mut body = Body::new(&lines.next().unwrap_or_default());
    let has_help = problems.first().is_some_and(|problem| problem.help.is_some());
    lines.by_ref().take(usize::from(has_help)).for_each(|line| body.line(&line));
    if let Some(corner) = corner {
        body.corner(corner);
    }
    body.origin(run);
    lines.for_each(|line| body.line(&line));
    body.finish()
}

/// Problems and what to do about them, line by line.
pub(super) fn told(problems: &[&Diagnostic]) -> Vec<String> {
    let lines = |problem: &&Diagnostic| {
        let help = problem.help.as_ref().map(|help| format!("to do: {help}"));
        [Some(problem.one_line()), help].into_iter().flatten()
    };
    problems.iter().flat_map(lines).collect()
}

/// A body of these lines.
pub(super) fn free_body(lines: impl IntoIterator<Item = String>) -> String {
    let mut text = String::new();
    for line in lines {
        if !text.is_empty() {
            text.push('\n');
        }
        text.push_str(&cut(&xml_line(&line), LONGEST_ENTRY));
        // What lies far beyond the cut needs no care.
        if text.len() > 2 * LONGEST_BODY {
            break;
        }
    }
    cut(&xml_body(&text), LONGEST_BODY).into_owned()
}

/// A body in the making: the message, then `name: text` line by line.
pub(in crate::report) struct Body(String);

impl Body {
    pub(in crate::report) fn new(message: &str) -> Self {
        Self(cut(&xml_line(message), LONGEST_ENTRY).into_owned())
    }

    pub(in crate::report) fn entry(&mut self, name: &str, text: &str) {
        self.0.push('\n');
        self.0.push_str(name);
        self.0.push_str(": ");
        self.0.push_str(&cut(&xml_line(text), LONGEST_ENTRY));
    }

    fn line(&mut self, text: &str) {
        self.0.push('\n');
        self.0.push_str(&cut(&xml_line(text), LONGEST_ENTRY));
    }

    fn corner(&mut self, corner: &CornerOutcome) {
        self.entry("corner", &corner.corner);
        if !corner.conditions.is_empty() {
            self.entry("conditions", &conditions(corner));
        }
    }

    fn origin(&mut self, run: &RunOutcome) {
        let origin = facts(run, [Fact::Spec, Fact::Serial, Fact::Revision, Fact::Firmware]);
        origin.filter(|(_, text)| !text.is_empty()).for_each(|(name, text)| self.entry(name, text));
    }

    /// Lines of a table: their blanks stay.
    pub(in crate::report) fn table(&mut self, lines: &[String]) {
        for line in lines {
            self.0.push('\n');
            self.0.push_str(line);
        }
    }

    pub(in crate::report) fn finish(self) -> String {
        // Entries are clean but for the end mark of the section.
        cut(&xml_body(&self.0), LONGEST_BODY).into_owned()
    }
}

/// At most about `limit` bytes; says how much was left out.
fn cut(text: &str, limit: usize) -> Cow<'_, str> {
    /// Room for the words that say so.
    const WORDS: usize = 48;
    if text.len() <= limit {
        return Cow::Borrowed(text);
    }
    let end = text.floor_char_boundary(limit.saturating_sub(WORDS));
    let kept = text.get(..end).unwrap_or_default();
    Cow::Owned(format!("{kept} … ({} more bytes cut)", text.len() - end))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::sample;

    #[test]
    fn bodies_begin_with_the_message_and_tell_all() {
        let run = sample::run();
        let corner = &run.corners[1];
        let check = corner.checks.iter().find(|c| c.check == "phase_margin").unwrap();
        let body = body(&run, corner, check);
        assert_eq!(
            body,
            "phase margin 44.1 deg ± 0.7 deg, limit at least 50 deg\n\
             to do: add phase lead near the crossover, or lower the crossover\n\
             corner: 24V-3A\nconditions: input 24 V, load 3 A\nvalue: 44.1 deg\n\
             expanded uncertainty: 0.7 deg, coverage factor 2\nlimit: at least 50 deg\nfrequency: 9.3104 kHz\n\
             sweeps: 24v-3a.csv\nlevel: -26 dBm\nconfirmed by: 24v-3a-check.csv\n\
             spec: specs/river-gauge-5v.yaml\nserial: RG-00042\nrevision: C\nfirmware: 2.3.1"
        );
    }

    #[test]
    fn bodies_stay_small_and_whole() {
        let mut run = sample::run();
        run.firmware = Some("µ".repeat(1_000_000));
        let mut corner = run.corners[1].clone();
        corner.conditions = (0..5000).map(|i| (format!("c{i}"), "x".repeat(9))).collect();
        corner.checks[0].message = "m".repeat(1_000_000);
        let body = body(&run, &corner, &corner.checks[0]);
        assert!(
            body.len() <= LONGEST_BODY
                && body.contains("more bytes cut")
                && body.contains("serial: RG-00042")
        );
        assert_eq!(message(&corner.checks[0].message).chars().count(), LONGEST_MESSAGE);
        let long = free_body((0..100_000).map(|i| format!("line {i}")));
        assert!(long.len() <= LONGEST_BODY && long.starts_with("line 0\nline 1\n"));
    }
}
