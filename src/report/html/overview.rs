//! What is seen first: the verdict, the counts, what could not be read, the matrix.

use super::table;
use super::text::{mark, safe, to_do};
use crate::check::Verdict;
use crate::diagnostic::Diagnostic;
use crate::report::headline::wrong;
use crate::report::statement::{count_of, phrase};
use crate::report::{Counts, Tally};
use maud::{Markup, html};

/// Verdict and counts.
pub(crate) fn top(tally: &Tally) -> Markup {
    let titles =
        ["of", "all"].into_iter().map(|title| html! { (title) }).chain(Verdict::ALL.into_iter().map(mark));
    html! {
        header {
            p.kicker { "Loop stability, checked against specs" }
            h1 {
                @match tally.verdict() {
                    Some(verdict) => { "The verdict is " (mark(verdict)) },
                    None => { "There is no verdict: no run was judged" },
                }
            }
            p.sum {
                @if let Some(wrong) = wrong(tally) { "O" (wrong.strip_prefix('o').unwrap_or(&wrong)) ". " }
                (count_of(tally.runs.total(), "run")) ", " (count_of(tally.corners.total(), "corner")) ", "
                (count_of(tally.checks.total(), "check")) "."
                @if tally.unreadable > 0 { " " strong { (count_of(tally.unreadable, "run")) " could not be read." } }
            }
            div.wide tabindex="0" role="group" aria-label="counts" {
                table.counts {
                    (table::head(titles))
                    tbody {
                        (counts("runs", &tally.runs))
                        (counts("corners", &tally.corners))
                        (counts("checks", &tally.checks))
                    }
                }
            }
            @if tally.without_baseline > 0 { p.small { "Of the checks not judged, " (tally.without_baseline) " compare with a baseline, and none was given." } }
            @if let Some(first) = tally.table.first() {
                p.first { b { "First to do: " } (safe(&first.place)) ", " (safe(&first.check.replace('_', " "))) ": " (safe(&first.remedy))
                    @if first.more > 0 { " (the same at " (count_of(first.more, "more corner")) ")" } }
            }
        }
    }
}

fn counts(name: &str, counts: &Counts) -> Markup {
    html! {
        tr {
            th scope="row" { (name) } td { (counts.total()) }
            @for verdict in Verdict::ALL {
                @let n = counts.get(verdict);
                td.none[n == 0] { (n) }
            }
        }
    }
}

/// Filter and search, which the script brings to life.
pub(crate) fn controls() -> Markup {
    html! {
        form #controls hidden role="search" aria-label="filter runs and corners" {
            div.chips role="group" aria-label="show only these verdicts" {
                @for verdict in Verdict::ALL.into_iter().filter(|v| *v != Verdict::NotJudged) {
                    button.chip type="button" aria-pressed="false" data-v=(super::text::class(verdict)) { (mark(verdict)) }
                }
            }
            label.find { "Find " input #find type="search" autocomplete="off" placeholder="serial, build, corner"; }
            button #clear type="button" { "Show all" }
            output #shown {}
        }
    }
}

/// A problem of an input, as an entry of a list.
pub(crate) fn problem(run: Option<&str>, problem: &Diagnostic) -> Markup {
    let place = problem.place.as_ref();
    html! {
        li {
            @if let Some(place) = place {
                code { (safe(&place.file)) @if let Some(line) = place.line { ":" (line) @if let Some(column) = place.column { ":" (column) } } }
                " "
            } @else if let Some(run) = run { code { (safe(run)) } " " }
            (safe(&problem.message))
            @if let Some(excerpt) = &problem.excerpt { pre { (safe(&excerpt.text)) } }
            @if let Some(help) = &problem.help { (to_do(help)) }
        }
    }
}

/// The boards that carry several products.
pub(crate) fn boards(tally: &Tally) -> Markup {
    let mut boards = tally.boards().peekable();
    html! {
        @if boards.peek().is_some() {
            section aria-labelledby="boards" {
                h2 #boards { "Boards with several products" }
                div.sheet {
                    ul.boards { @for board in boards { li { (mark(board.verdict)) " " strong { (safe(board.serial)) } ", worst of " (safe(&board.products.join(", "))) } } }
                }
            }
        }
    }
}

/// The begin of one sheet of the matrix: the table up to its rows.
pub(crate) fn sheet_begin(product: &str, corners: &[String], name: &str) -> String {
    let head = html! {
        caption { (safe(name)) }
        thead {
            tr {
                th scope="col" { "serial" } th scope="col" { "rev" } th scope="col" { "build" } th scope="col" { "run" }
                @for corner in corners { th.c scope="col" { (safe(corner)) } }
            }
        }
    };
    let label =
        html! { (format!("runs and corners of {}", safe(product))) }.into_string().replace('"', "&quot;");
    format!(
        "<div class=\"sheet wide\" tabindex=\"0\" role=\"group\" aria-label=\"{label}\"><table class=\"matrix\">{}<tbody>\n",
        head.into_string()
    )
}

/// Its end.
pub(crate) const SHEET_END: &str = "</tbody></table></div>\n";

/// The heading of the details of one verdict.
pub(crate) fn details_heading(verdict: Verdict, count: usize) -> Markup {
    html! { h3.group { (mark(verdict)) " " span.n { (count) " " (if count == 1 { "corner" } else { "corners" }) } span.hide { " " (phrase(verdict)) } }
    @if verdict == Verdict::Pass { p.small.on-paper { "On paper the details of corners that pass are left out, but for those that were unfolded: the tables above have their numbers." } } }
}
