//! The pieces of one run: its row of the matrix and the details of its corners. Numbers that only the writer knows are left open
//! as control characters, which no text of a piece can hold: they are made visible on their way in.

use super::circuit::{self, CircuitPiece};
use super::corner::{Parts, detail, in_a_line};
use super::detail_selection::{Detail, HtmlPlan};
use super::svg_path::whole;
use super::text::{LINK, LINK_END, check_name, class, mark, minus, safe};
use super::whole::CornerCurve;
use crate::check::{CornerOutcome, RunOutcome, Verdict};
use crate::quantity::number;
use crate::report::statement::{deciding, nearest, phrase};
use maud::{Markup, PreEscaped, html};

/// The pieces of one run.
#[derive(Debug, Clone, PartialEq)]
pub struct HtmlRun {
    pub(super) product: String,
    pub(super) corners: Vec<String>,
    pub(super) row: String,
    pub(super) details: Vec<Piece>,
    pub(super) spec: (String, Option<String>),
    pub(super) circuit: Option<CircuitPiece>,
}

/// A corner's part of them.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Piece {
    pub(super) verdict: Verdict,
    /// Headroom, thousandths; `None` where nothing was held against a limit.
    pub(super) headroom: Option<i32>,
    /// The detail; `None` where it is not worth making.
    pub(super) parts: Option<Parts>,
    /// What stands in the place of a detail that has no room; `None` of what is pass.
    pub(super) line: Option<String>,
    /// The curve, where it may be drawn beside those of the other corners.
    pub(super) curve: Option<Box<CornerCurve>>,
}

/// Makes the pieces of a judged run, as far as the plan wants them.
#[must_use]
pub fn html_run(run: &RunOutcome, plan: &HtmlPlan) -> HtmlRun {
    HtmlRun {
        product: run.product.clone(),
        corners: run.corners.iter().map(|corner| corner.corner.clone()).collect(),
        row: row(run).into_string(),
        details: run
            .corners
            .iter()
            .enumerate()
            .map(|(index, corner)| piece(run, index, corner, plan))
            .collect(),
        spec: (run.spec_file.clone(), run.provenance.as_ref().map(|p| p.spec.sha256.to_string())),
        circuit: circuit::piece(run),
    }
}

fn piece(run: &RunOutcome, index: usize, corner: &CornerOutcome, plan: &HtmlPlan) -> Piece {
    // In thousandths, so that it can be kept small.
    let room = nearest(corner).map(|(room, _)| whole(1000.0 * room));
    let wanted = plan.wants(&run.product, &corner.corner, corner.verdict, room);
    let parts = (wanted.detail != Detail::Nothing).then(|| detail(run, index, corner, wanted.detail));
    let curve = wanted.may_be_worst.then(|| CornerCurve::of(run, corner)).flatten().map(Box::new);
    let line = (corner.verdict != Verdict::Pass).then(|| in_a_line(run, corner));
    Piece { verdict: corner.verdict, headroom: room, parts, line, curve }
}

fn row(run: &RunOutcome) -> Markup {
    let more = [
        Some(run.run.as_str()),
        run.firmware.as_deref(),
        run.station.as_deref(),
        run.bench.operator.as_deref(),
        run.bench.instrument.as_deref(),
    ];
    let more: Vec<String> = more.into_iter().flatten().map(safe).collect();
    html! {
        tr data-q=(more.join(" ")) {
            th scope="row" { (safe(&run.serial)) @if run.is_reference { " " small { "reference" } } @for finding in &run.findings { " " small title=(safe(finding)) { "noticed" } } }
            td { (safe(&run.revision)) }
            td { (run.build.as_deref().map(safe).unwrap_or_default()) }
            td { (mark(run.verdict)) (why(run)) }
            @for (index, corner) in run.corners.iter().enumerate() { (cell(index, corner)) }
        }
    }
}

/// Which corner decided the run, so that it is known where its cell lies off the screen.
fn why(run: &RunOutcome) -> Markup {
    let mut worst = run.corners.iter().enumerate().filter(|(_, corner)| corner.verdict == run.verdict);
    let first = worst.next().filter(|_| run.verdict != Verdict::Pass);
    let more = worst.count();
    html! {
        @if let Some((index, corner)) = first {
            " " small.why {
                (PreEscaped(format!("{LINK}{index}{LINK}"))) (safe(&corner.corner)) (PreEscaped(LINK_END.to_string()))
                @if more > 0 { " +" (more) }
            }
        }
    }
}

/// Ground by room, in shares of the limit: beyond it, nearly on it, near it. The number stands on it.
const fn shade(room: f64) -> &'static str {
    match room {
        r if r < 0.0 => " r0",
        r if r < 0.05 => " r1",
        r if r < 0.15 => " r2",
        _ => "",
    }
}

/// `12 %`: the least room to a limit, as a share of that limit.
fn percent(room: f64) -> String {
    minus(&format!("{}\u{a0}%", number(100.0 * room, 2)))
}

fn cell(index: usize, corner: &CornerOutcome) -> Markup {
    let mut checks = deciding(corner);
    let (first, more) = (checks.next(), checks.count());
    let room = nearest(corner).map(|(room, _)| room);
    html! {
        td class=(format!("v {}{}", class(corner.verdict), room.map_or("", shade))) {
            (PreEscaped(format!("{LINK}{index}{LINK}")))
            (phrase(corner.verdict))
            @if let Some(first) = first {
                small { (check_name(&first.check)) @if more > 0 { " +" (more) } @if let Some(room) = room { " " (percent(room)) } }
            }
            (PreEscaped(LINK_END.to_string()))
            @if let (None, Some(room)) = (first, room) { " " (percent(room)) }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::sample;

    #[test]
    fn a_row_names_every_corner_verdict_and_what_decided_it() {
        let run = sample::run();
        let pieces = html_run(&run, &HtmlPlan::new());
        assert_eq!(pieces.details.len(), 6);
        for part in [
            "RG-00042",
            "fail<small>phase margin \u{2212}12\u{a0}%</small>",
            "missing<small>collected</small>",
            "\u{2}5\u{2}waived",
            "class=\"v v-fail r0\"",
            "<small class=\"why\">\u{2}3\u{2}32V-3A\u{3}",
        ] {
            assert!(pieces.row.contains(part), "{part} in {}", pieces.row);
        }
        assert_eq!(pieces.details[1].headroom, Some(-118));
    }

    #[test]
    fn text_cannot_forge_the_open_places() {
        let mut run = sample::run();
        run.serial = "\u{1}\u{2}0\u{2}<b>\u{202e}".to_owned();
        let pieces = html_run(&run, &HtmlPlan::new());
        assert!(pieces.row.contains("\\x01\\x020\\x02&lt;b&gt;\\u{202e}"), "{}", pieces.row);
    }
}
