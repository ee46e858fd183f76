//! The detail of one corner: what is wrong and what to do, the plots, every check, what was judged.

use super::bode_plot::{bode, legend, role_word};
use super::detail_selection::Detail;
use super::limit_scale::gauge;
use super::nyquist_plot::plane;
use super::table;
use super::text::{OPEN, RUN, check_name, mark, safe, to_do};
use crate::check::{CheckOutcome, CornerOutcome, RunOutcome, Verdict, frequency_text, range_text};
use crate::provenance::FileDigest;
use crate::quantity::number;
use crate::report::statement::{BENCH, CheckStatement, Fact, UNIT, calling, deciding, facts, without_prefix};
use maud::{Markup, PreEscaped, html};

/// A detail, cut where its plots stand.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Parts {
    pub(super) head: String,
    /// The plots, empty where there are none; `None` where they were not wanted.
    pub(super) plots: Option<String>,
    pub(super) tail: String,
}

/// Makes the detail of a corner.
pub(super) fn detail(run: &RunOutcome, index: usize, corner: &CornerOutcome, wanted: Detail) -> Parts {
    let plots = (wanted == Detail::Plots).then(|| plots(corner).map(Markup::into_string).unwrap_or_default());
    let is_good = corner.verdict == Verdict::Pass;
    let open = if is_good { String::new() } else { OPEN.to_string() };
    let head = html! {
        (PreEscaped(format!("<details{open}>")))
        summary { (summary(run, corner)) }
        (PreEscaped(format!("<div class=\"body\" id=\"r{RUN}c{index}\">")))
        (wrong(run, corner))
    };
    let tail = html! { (checks(run, corner)) (rests_on(run, corner)) };
    Parts {
        head: format!(
            "<article class=\"corner{}\">{}",
            if is_good { "" } else { " bad" },
            head.into_string()
        ),
        plots,
        tail: format!("{}</div></details></article>\n", tail.into_string()),
    }
}

fn summary(run: &RunOutcome, corner: &CornerOutcome) -> Markup {
    let first = deciding(corner).next().or_else(|| corner.checks.iter().find(|c| c.verdict != Verdict::Pass));
    html! {
        (mark(corner.verdict))
        h4 { (safe(&run.serial)) " " span.at { (safe(&run.product)) } " " (safe(&corner.corner)) }
        @if let Some(check) = first.filter(|_| corner.verdict != Verdict::Pass) {
            p.lead { (check_name(&check.check)) ": " (safe(CheckStatement::of(corner, check).message_beside_name())) }
        }
    }
}

/// A corner that is not pass in a line, with the run that has its sweeps.
pub(super) fn in_a_line(run: &RunOutcome, corner: &CornerOutcome) -> String {
    let first = deciding(corner).next();
    let line = html! {
        li {
            (mark(corner.verdict)) " " strong { (safe(&run.serial)) " " (safe(&corner.corner)) }
            @if let Some(check) = first { ", " (check_name(&check.check)) ": " (safe(CheckStatement::of(corner, check).message_beside_name())) }
            " " code { (safe(&run.run)) }
        }
    };
    line.into_string()
}

/// What is not a pass, with what to do, and what else was noticed.
fn wrong(run: &RunOutcome, corner: &CornerOutcome) -> Markup {
    let bad = by_remedy(calling(corner));
    html! {
        @if !corner.conditions.is_empty() {
            dl.labels { @for (name, value) in &corner.conditions { div { dt { (safe(name)) } dd { (safe(value)) } } } }
        }
        @if !bad.is_empty() {
            ul.wrong {
                @for (remedy, checks) in bad {
                    li {
                        @for check in &checks {
                            p {
                                (mark(check.verdict)) " " strong { (check_name(&check.check)) } " "
                                span { (safe(CheckStatement::of(corner, check).message_beside_name())) }
                                @if let Some(range) = check.range_hz { ". It stands on " (range_text(range)) "." }
                            }
                        }
                        @if let Some(remedy) = remedy { (to_do(remedy)) }
                    }
                }
            }
        }
        @if !(run.findings.is_empty() && corner.findings.is_empty()) {
            ul.noticed { @for finding in run.findings.iter().chain(&corner.findings) { li { b { "Noticed: " } (safe(finding)) } } }
        }
    }
}

/// Checks by what is to do, so that it is told once.
fn by_remedy<'a>(
    checks: impl Iterator<Item = &'a CheckOutcome>,
) -> Vec<(Option<&'a str>, Vec<&'a CheckOutcome>)> {
    let mut groups: Vec<(Option<&str>, Vec<&CheckOutcome>)> = Vec::new();
    for check in checks {
        let remedy = check.remedy.as_deref();
        match groups.iter_mut().find(|(known, _)| remedy.is_some() && *known == remedy) {
            Some((_, group)) => group.push(check),
            None => groups.push((remedy, vec![check])),
        }
    }
    groups
}

fn plots(corner: &CornerOutcome) -> Option<Markup> {
    let plot = corner.plot.as_ref()?;
    let (bode, plane) = (bode(corner, plot)?, plane(corner, plot)?);
    Some(html! { div.plots { (bode) (plane) (legend(corner, plot)) p.readout { output {} } } })
}

fn checks(run: &RunOutcome, corner: &CornerOutcome) -> Markup {
    html! {
        (table::inner("checks", "checks flow f-checks", ["check", "verdict", "value", "against its limit", "limit", "meets it with", "at"], &html! {
            @for part in corner.checks.chunk_by(is_alike) { (check_rows(corner, part)) }
        }))
        p.small { "± is the expanded uncertainty, coverage factor " (number(run.coverage, 5)) ". The dot is the value, the whisker its uncertainty, the thick ground what the limit allows." }
    }
}

/// What is not judged for one reason takes one row.
fn is_alike(a: &CheckOutcome, b: &CheckOutcome) -> bool {
    a.verdict == Verdict::NotJudged && b.verdict == Verdict::NotJudged && a.message == b.message
}

fn check_rows(corner: &CornerOutcome, checks: &[CheckOutcome]) -> Markup {
    if let [check] = checks {
        return check_row(corner, check);
    }
    let names: Vec<String> = checks.iter().map(|check| check_name(&check.check)).collect();
    html! {
        tr.ok {
            th.several scope="row" colspan="2" { (names.join(", ")) }
            td colspan="5" { (mark(Verdict::NotJudged)) ": " (checks.first().map(|check| safe(without_prefix(&check.message))).unwrap_or_default()) }
        }
    }
}

fn check_row(corner: &CornerOutcome, check: &CheckOutcome) -> Markup {
    let told = CheckStatement::of(corner, check);
    let value = told.value(check.uncertainty.filter(|u| *u > 0.0));
    html! {
        tr.ok[check.verdict == Verdict::Pass] {
            th scope="row" { (check_name(&check.check)) }
            td { (mark(check.verdict)) }
            @if let Some(value) = &value {
                td.number { (safe(value)) }
                td { @if let Some(gauge) = gauge(check, told.is_bound()) { (gauge) } }
                td.number { @if let Some(limit) = told.limit() { (limit) } }
                td.number { @if let Some(p) = check.conformity { (percent(p)) } }
                td.number { @if let Some(at) = check.at_hz { (frequency_text(at)) } }
            } @else {
                td colspan="5" { (safe(&check.message)) }
            }
        }
    }
}

/// A probability without the pretence of certainty.
fn percent(p: f64) -> String {
    match p {
        p if p > 0.9999 => "> 99.99 %".to_owned(),
        p if p < 0.0001 => "< 0.01 %".to_owned(),
        p => format!("{} %", number(100.0 * p, 3)),
    }
}

/// The sweeps, the run, the spec: with digests where they are known.
fn rests_on(run: &RunOutcome, corner: &CornerOutcome) -> Markup {
    let digest =
        |file: &str| run.provenance.as_ref().and_then(|p| p.files.iter().find(|d| d.file == file)).cloned();
    let levels = corner.plot.as_ref().map_or(&[][..], |plot| &plot.levels);
    let labels = [Fact::Title, Fact::Run, Fact::Revision].into_iter().chain(UNIT).chain(BENCH);
    let run_name = run.run_file.rsplit('/').next().unwrap_or_default();
    html! {
      div.rests {
        (table::inner("what it rests on", "files flow f-files", ["file", "level", "part", "bytes", "SHA-256"], &html! {
            @for level in levels {
                @for file in &level.files {
                    (file_row(file, level.level.as_deref(), role_word(level.role, corner), digest(file)))
                }
            }
            (file_row(&run.run_file, None, "run", digest(run_name)))
            tr {
                th scope="row" { (safe(&run.spec_file)) } td {} td { "spec, resolved" } td {}
                td { @if let Some(p) = &run.provenance { code { (p.spec.sha256) } } }
            }
        }))
        dl.labels { @for (name, value) in facts(run, labels) { div { dt { (name) } dd { (safe(value)) } } } }
      }
    }
}

fn file_row(file: &str, level: Option<&str>, part: &str, digest: Option<FileDigest>) -> Markup {
    html! {
        tr {
            th scope="row" { (safe(file)) }
            td.number { (level.map(safe).unwrap_or_default()) }
            td { (part) }
            td.number { @if let Some(digest) = &digest { (digest.bytes) } }
            td { @if let Some(digest) = &digest { code { (digest.sha256) } } }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::sample;

    #[test]
    fn what_is_to_do_for_several_checks_is_told_once() {
        let mut run = sample::run();
        let corner = &mut run.corners[1];
        for name in ["delay_margin", "stability_margin"] {
            let check = corner.checks.iter_mut().find(|check| check.check == "gain_margin").unwrap();
            let mut other = check.clone();
            (other.check, other.verdict) = (name.to_owned(), Verdict::Fail);
            other.remedy = Some("add phase lead near the crossover, or lower the crossover".to_owned());
            corner.checks.push(other);
        }
        let head = detail(&run, 1, &run.corners[1], Detail::Text).head;
        assert_eq!(head.matches("To do: ").count(), 1, "{head}");
        assert!(
            head.contains("<strong>delay margin</strong>")
                && head.contains("<strong>stability margin</strong>")
        );
    }

    #[test]
    fn a_detail_tells_what_is_wrong_and_what_to_do() {
        let run = sample::run();
        let parts = detail(&run, 1, &run.corners[1], Detail::Plots);
        for text in ["<b>To do: </b>add phase lead", "id=\"r\u{1}c1\"", "<details\u{4}>"] {
            assert!(parts.head.contains(text), "{text} in {}", parts.head);
        }
        for text in ["at least 50 deg", "specs/river-gauge-5v.yaml", "&lt; 0.01 %", "2.3.1"] {
            assert!(parts.tail.contains(text), "{text} in {}", parts.tail);
        }
        assert_eq!(parts.plots.as_deref(), Some(""));
        assert!(parts.head.contains("<strong>phase margin</strong> <span>44.1 deg"), "{}", parts.head);
        assert!(detail(&run, 0, &run.corners[0], Detail::Text).head.contains("<details><summary>"));
    }
}
