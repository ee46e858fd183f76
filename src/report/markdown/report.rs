//! The pieces of all runs put together.

use super::corner_table;
use super::run::RunMarkdown;
use super::text::line;
use super::worst_entries::{Rank, Shelf, Shown};
use crate::check::Verdict;
use crate::diagnostic::{Diagnostic, Severity};
use crate::report::headline::headline;
use crate::report::statement::{count_of, phrase};
use crate::report::{Counts, TOOL, Tally};
use std::io::{self, Write};

/// Most bytes of a report: comments of forges end at 65 536 characters (common practice, no source), and a report may be a
/// part of one.
pub const MOST: usize = 60_000;
/// Of which are kept for titles, table heads and what tells of cuts.
const FRAME: usize = 3000;
/// Bytes for runs that could not be read.
const UNREADABLE: usize = 8000;
/// Bytes for waivers.
const WAIVED: usize = 5000;
/// Bytes for changes.
const CHANGES: usize = 10_000;
/// Bytes that the details may claim before the table of what is not a pass takes them.
const DETAILS: usize = 16_000;
/// Problems told of one input.
const PROBLEMS: usize = 3;
/// Bytes of a problem.
const PROBLEM: usize = 600;

const NOT_PASSED_HEAD: &str = "\
| unit | corner | check | verdict | value | limit | what to do |
| --- | --- | --- | --- | --- | --- | --- |
";
const CHANGES_HEAD: &str = "\
| unit | corner | quantity | verdict | accepted | change | allowed | used |
| --- | --- | --- | --- | --- | --- | --- | ---: |
";
const WAIVED_HEAD: &str = "\
| unit | corner | check | why |
| --- | --- | --- | --- |
";

/// Collects the pieces of runs in order. Memory does not grow with the number of runs: only the worst that can be shown are
/// kept.
#[derive(Debug)]
pub struct MarkdownReport {
    unreadable: Shelf,
    not_passed: Shelf,
    changes: Shelf,
    steady: u64,
    waived: Shelf,
    details: Shelf,
}

impl Default for MarkdownReport {
    fn default() -> Self {
        Self {
            unreadable: Shelf::new(UNREADABLE),
            not_passed: Shelf::new(MOST),
            changes: Shelf::new(CHANGES),
            steady: 0,
            waived: Shelf::new(WAIVED),
            details: Shelf::new(MOST),
        }
    }
}

impl MarkdownReport {
    /// An empty report.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Adds a judged run.
    pub fn add(&mut self, run: RunMarkdown) {
        let RunMarkdown { not_passed, changes, steady, waived, details } = run;
        not_passed.into_iter().for_each(|(rank, row)| self.not_passed.add(rank, row));
        changes.into_iter().for_each(|(rank, row)| self.changes.add(rank, row));
        waived.into_iter().for_each(|(rank, row)| self.waived.add(rank, row));
        if let Some((rank, text)) = details {
            self.details.add(rank, text);
        }
        self.steady += steady;
    }

    /// Adds a run that could not be read, or problems that belong to no run (`run` is `None`). Of many problems the first
    /// errors are told.
    pub fn add_problems(&mut self, run: Option<&str>, problems: &[Diagnostic]) {
        let errors: Vec<&Diagnostic> = problems.iter().filter(|p| p.severity == Severity::Error).collect();
        if errors.is_empty() && run.is_none() {
            return;
        }
        let mut text = match run {
            Some(run) => format!("- run {}\n", line(run, PROBLEM)),
            None => "- beside the runs\n".to_owned(),
        };
        for problem in errors.iter().take(PROBLEMS) {
            text.push_str(&format!("  - error: {}\n", line(&problem.one_line(), PROBLEM)));
            if let Some(help) = &problem.help {
                text.push_str(&format!("    - to do: {}\n", line(help, PROBLEM)));
            }
        }
        if errors.len() > PROBLEMS {
            text.push_str(&format!("  - and {} more\n", errors.len() - PROBLEMS));
        }
        self.unreadable.add(Rank::new(0, None), text);
    }

    /// Writes the report, at most [`MOST`] bytes.
    ///
    /// # Errors
    /// When the sink cannot be written.
    pub fn finish(self, mut sink: impl Write, tally: &Tally) -> io::Result<()> {
        sink.write_all(self.text(tally).as_bytes())?;
        sink.flush()
    }

    fn text(self, tally: &Tally) -> String {
        let mut text = head(tally);
        text.push_str(&corner_table::tables(tally));
        let steady = self.steady;
        let [unreadable, changes, waived] =
            [self.unreadable.take(UNREADABLE), self.changes.take(CHANGES), self.waived.take(WAIVED)];
        let taken: usize = [&unreadable, &changes, &waived].iter().map(|shown| shown.text.len()).sum();
        let room = MOST.saturating_sub(FRAME + text.len() + taken);
        let not_passed = self.not_passed.take(room.saturating_sub(self.details.bytes().min(DETAILS)));
        let details = self.details.take(room.saturating_sub(not_passed.text.len()));

        push(&mut text, "Could not be read", "", &unreadable, "input");
        push(&mut text, "Not a pass", NOT_PASSED_HEAD, &not_passed, "row");
        push(&mut text, "Changed against the baseline", CHANGES_HEAD, &changes, "change");
        if steady > 0 {
            text.push_str(&format!(
                "\n{} within its uncertainty and not listed.\n",
                if steady == 1 {
                    "1 more comparison passes,".to_owned()
                } else {
                    format!("{steady} more comparisons pass, each")
                }
            ));
        }
        push(&mut text, "Waived", WAIVED_HEAD, &waived, "row");
        push(&mut text, "Run by run", "", &details, "run");
        text.push_str(&format!("\nWritten by {TOOL}.\n"));
        text
    }
}

/// A section; nothing without an entry.
fn push(text: &mut String, title: &str, head: &str, shown: &Shown, what: &str) {
    if shown.all == 0 {
        return;
    }
    text.push_str(&format!("\n### {title}\n\n"));
    if shown.shown > 0 {
        text.push_str(head);
        text.push_str(&shown.text);
    }
    let cut = shown.all - shown.shown;
    if cut > 0 {
        let order = if shown.shown > 0 { "the worst are shown" } else { "none had room" };
        text.push_str(&format!(
            "\n**Cut:** {} of {} left out, {order}; the JSON result has them all.\n",
            cut,
            count_of(shown.all, what)
        ));
    }
}

fn head(tally: &Tally) -> String {
    let mut text = match tally.verdict() {
        Some(verdict) => format!("## Loop stability: {}\n\n{}\n\n", phrase(verdict), headline(tally)),
        None => "## Loop stability: no run was judged\n\n".to_owned(),
    };
    if tally.unreadable > 0 {
        text.push_str(&format!("**{} could not be read.** ", count_of(tally.unreadable, "run")));
    }
    let rows = [("run", &tally.runs), ("corner", &tally.corners), ("check", &tally.checks)];
    if tally.runs.total() == 0 {
        text.push('\n');
        return text;
    }
    let pass = rows
        .map(|(what, counts)| format!("{} of {}", counts.get(Verdict::Pass), count_of(counts.total(), what)));
    text.push_str(&format!("Pass: {}.\n\n", pass.join(", ")));
    text.push_str("| of | all |");
    Verdict::ALL.iter().for_each(|verdict| text.push_str(&format!(" {} |", phrase(*verdict))));
    text.push_str("\n| --- | ---: |");
    Verdict::ALL.iter().for_each(|_| text.push_str(" ---: |"));
    text.push('\n');
    rows.iter().for_each(|(what, counts)| text.push_str(&count_row(what, counts)));
    text
}

fn count_row(what: &str, counts: &Counts) -> String {
    let mut row = format!("| {what}s | {} |", counts.total());
    Verdict::ALL.iter().for_each(|verdict| row.push_str(&format!(" {} |", counts.get(*verdict))));
    row.push('\n');
    row
}
