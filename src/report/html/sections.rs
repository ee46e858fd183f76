//! The sections of the page that are put together from kept pieces.

use super::detail_choice::{Kept, Pick};
use super::open_places::expand;
use super::overview;
use super::spool::{Extent, Spool};
use super::summary::HtmlSummary;
use super::table;
use super::text::safe;
use crate::check::Verdict;
use maud::{Markup, html};
use std::collections::{BTreeMap, HashSet};
use std::io::{self, Write};

/// Rows of one sheet: a browser lays out only those that are seen.
const SHEET: usize = 200;
/// With more details than this that are not pass none is open from the start.
const OPENED: usize = 12;

/// Product and corners: runs that have both alike share a table.
pub(super) type Sheet = (String, Vec<String>);

#[derive(Debug, Clone, Copy)]
pub(super) struct Row {
    pub(super) sheet: usize,
    pub(super) at: Extent,
}

pub(super) fn write_problems(out: &mut impl Write, problems: &str, left: u64) -> io::Result<()> {
    if problems.is_empty() {
        return Ok(());
    }
    out.write_all(b"<section aria-labelledby=\"unread\"><h2 id=\"unread\">What could not be read</h2><div class=\"sheet\"><ul class=\"wrong\">")?;
    out.write_all(problems.as_bytes())?;
    out.write_all(b"</ul>")?;
    if left > 0 {
        write!(out, "<p>{left} more are in the JSON result.</p>")?;
    }
    out.write_all(b"</div></section>\n")
}

pub(super) fn write_matrix(
    out: &mut impl Write,
    sheets: &[Sheet],
    row_at: &[Row],
    rows: &mut Spool,
    shown: &HashSet<(u32, u32)>,
) -> io::Result<()> {
    out.write_all(b"<section aria-labelledby=\"matrix\"><h2 id=\"matrix\">Runs and corners</h2>\n<p class=\"small\">Beside a verdict stands the least room to a limit, in percent of that limit; below zero lies beyond it. The less room, the stronger the tint.</p>\n")?;
    let mut by_sheet: Vec<Vec<u32>> = sheets.iter().map(|_| Vec::new()).collect();
    for (run, row) in (0_u32..).zip(row_at) {
        if let Some(runs) = by_sheet.get_mut(row.sheet) {
            runs.push(run);
        }
    }
    let mut order: Vec<(&Sheet, &Vec<u32>)> = sheets.iter().zip(&by_sheet).collect();
    order.sort();
    let mut buffer = Vec::new();
    for ((product, corners), runs) in order {
        for (page, part) in runs.chunks(SHEET).enumerate() {
            let (from, to) = (page * SHEET + 1, page * SHEET + part.len());
            let name = if runs.len() > SHEET {
                format!("{product}, {from} to {to} of {}", runs.len())
            } else {
                product.clone()
            };
            out.write_all(overview::sheet_begin(product, corners, &name).as_bytes())?;
            for run in part {
                let Some(row) = usize::try_from(*run).ok().and_then(|run| row_at.get(run)) else { continue };
                rows.read(row.at, &mut buffer)?;
                expand(out, &buffer, *run, false, &|corner| shown.contains(&(*run, corner)))?;
                out.write_all(b"\n")?;
            }
            out.write_all(overview::SHEET_END.as_bytes())?;
        }
    }
    out.write_all(b"</section>\n")
}

pub(super) fn write_details(
    out: &mut impl Write,
    picks: &[Pick],
    details: &mut Spool,
    summary: &HtmlSummary,
) -> io::Result<()> {
    out.write_all(b"<section aria-labelledby=\"details\"><h2 id=\"details\">Corner by corner</h2>\n")?;
    if summary.details < summary.corners {
        out.write_all(left_out(summary).into_string().as_bytes())?;
    }
    let not_pass = picks.iter().filter(|(kept, _)| kept.verdict != Verdict::Pass).count();
    let is_open = summary.left_out == 0 && not_pass <= OPENED;
    let mut buffer = Vec::new();
    for group in picks.chunk_by(|(a, _), (b, _)| a.verdict == b.verdict) {
        let verdict = group.first().map_or(Verdict::Pass, |(kept, _)| kept.verdict);
        out.write_all(overview::details_heading(verdict, group.len()).into_string().as_bytes())?;
        for (kept, has_plots) in group {
            let Some([head, tail]) = kept.text else { continue };
            for (part, wanted) in [(Some(head), true), (kept.plots, *has_plots), (Some(tail), true)] {
                match part.filter(|_| wanted) {
                    Some(part) => {
                        details.read(part, &mut buffer)?;
                        expand(out, &buffer, kept.run, is_open, &|_| false)?;
                    }
                    None if part.is_none_or(|part| part.length > 0) => out.write_all(
                        b"<p class=\"note\">Its plots are left out: there are too many for one page.</p>",
                    )?,
                    None => {}
                }
            }
        }
    }
    Ok(())
}

/// Which details are left out.
fn left_out(summary: &HtmlSummary) -> Markup {
    html! {
        p.note {
            "There are " (summary.corners) " corners. Shown here are those that are not pass, and of every corner of every product "
            "the one that lies nearest to a limit, relative to that limit, and of the others as many as a page bears. The rest stands in the matrix above, and the JSON result has their numbers."
            @if summary.left_out > 0 {
                " " strong { (summary.left_out) " corners that are not pass have no detail here: there are too many for one page." }
                " The worst come first, with their curves, the next without."
            }
        }
    }
}

/// What is not pass and has no detail, a line each.
pub(super) fn write_lines(
    out: &mut impl Write,
    lines: &[Kept],
    details: &mut Spool,
    all: u64,
) -> io::Result<()> {
    if lines.is_empty() {
        return Ok(());
    }
    out.write_all(b"<h3 class=\"group\">Without a detail here</h3><div class=\"sheet\"><p>A report of one run shows all of it: <code>loopgauge check RUN --html FILE</code>; <code>--only 'CORNER/*'</code> keeps one corner of many runs.</p><ul class=\"noticed\">")?;
    let mut buffer = Vec::new();
    for kept in lines {
        if let Some(line) = kept.line {
            details.read(line, &mut buffer)?;
            expand(out, &buffer, kept.run, false, &|_| false)?;
        }
    }
    out.write_all(b"</ul>")?;
    let more = all.saturating_sub(lines.len() as u64);
    if more > 0 {
        write!(out, "<p>{more} more stand in the matrix above, and in the JSON result.</p>")?;
    }
    out.write_all(b"</div>\n")
}

pub(super) fn write_specs(
    out: &mut impl Write,
    specs: &BTreeMap<(String, Option<String>), u64>,
) -> io::Result<()> {
    let text = html! {
        section aria-labelledby="specs" {
            h2 #specs { "Specs" }
            (table::sheet("specs", "files", ["spec", "runs", "SHA-256 of the spec as resolved"], &html! {
                @for ((file, digest), runs) in specs {
                    tr { th scope="row" { (safe(file)) } td.number { (runs) } td { @if let Some(digest) = digest { code { (digest) } } } }
                }
            }))
        }
    };
    out.write_all(text.into_string().as_bytes())
}
