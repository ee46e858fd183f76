//! Hostile text, and numbers without bounds.

use super::{is_self_contained, links_lead_somewhere, parse, sample};
use loopgauge::check::{CornerPlot, GainLine, LevelPlot, PlotPoint, Role, RunOutcome};
use loopgauge::diagnostic::Diagnostic;
use loopgauge::provenance::{FileDigest, Provenance, ResolvedSpec, sha256};
use loopgauge::report::Tally;
use loopgauge::report::html::{HtmlPlan, HtmlWriter, html_run};
use loopgauge::spec::CriticalPoint;
use std::sync::Arc;

/// Every C0 and C1 control, end marks, markup, direction marks, a table's bar, signs beyond the first plane.
pub fn hostile() -> String {
    let controls: String = ('\0'..='\u{9f}').filter(|c| c.is_control()).collect();
    format!(
        "{controls}\u{fffe}]]>--><script>alert(1)</script></title></style></details>\"'&amp;|<!--\r\n\u{202e}\u{2066}😀<img src=x onerror=alert(2)>"
    )
}

fn hostile_run() -> RunOutcome {
    let bad = hostile();
    let mut run = sample::run();
    for text in [
        &mut run.run,
        &mut run.run_file,
        &mut run.spec_file,
        &mut run.product,
        &mut run.serial,
        &mut run.revision,
    ] {
        text.push_str(&bad);
    }
    for text in sample::labels(&mut run) {
        *text = Some(bad.clone());
    }
    run.findings.push(bad.clone());
    run.provenance = Some(Provenance {
        spec: ResolvedSpec::of(&bad),
        files: vec![FileDigest { file: bad.clone(), sha256: sha256(b""), bytes: 0 }],
    });
    for corner in &mut run.corners {
        corner.corner.push_str(&bad);
        corner.conditions.push((bad.clone(), bad.clone()));
        corner.findings.push(bad.clone());
        corner.plot = Some(Box::new(plot(&bad)));
        for check in &mut corner.checks {
            check.message.push_str(&bad);
            check.remedy = Some(bad.clone());
            check.check.push_str(&bad);
        }
    }
    run
}

/// A curve with the ends of what a float can be.
fn plot(name: &str) -> CornerPlot {
    let point = |hz, gain_db, angle_deg| PlotPoint { hz, gain_db, angle_deg };
    let curve = vec![point(10.0, 1e300, -1e300), point(1e4, 0.0, 60.0), point(1e6, -1e300, 1e300)];
    CornerPlot {
        critical_point: CriticalPoint::MinusOne,
        band_hz: Some((1e-300, 1e300)),
        levels: vec![LevelPlot {
            role: Role::Judged,
            level: Some(name.to_owned()),
            files: vec![name.to_owned()],
            samples: curve.clone(),
            curve,
            spread: Vec::new(),
        }],
        gain_limits: vec![GainLine { from_hz: 1.0, to_hz: 1.0, min_db: Some(-1e300), max_db: None }],
        linearity: None,
    }
}

#[test]
fn hostile_text_and_numbers_break_nothing() {
    let plan = Arc::new(HtmlPlan::new());
    let mut writer = HtmlWriter::new(Vec::new(), Arc::clone(&plan));
    let mut tally = Tally::new();
    for run in [hostile_run(), sample::passing("RG-00043", 2)] {
        tally.add(&run);
        writer.append(html_run(&run, &plan)).unwrap();
    }
    writer.append_problems(Some(&hostile()), &[Diagnostic::error("x", hostile()).with_help(hostile())]);
    let (bytes, _) = writer.finish(&tally).unwrap();
    let page = String::from_utf8(bytes).unwrap();
    let plain = |c: char| !c.is_control() || c == '\n';
    assert!(page.chars().all(plain) && !page.contains(['\u{202e}', '\u{2066}']));
    assert!(!page.contains("NaN") && !page.contains("inf\""));
    let page = parse(&page);
    is_self_contained(&page);
    links_lead_somewhere(&page);
    assert_eq!(page.named("article").len(), 8);
    assert!(page.of_class("matrix").iter().all(|table| !table.named("td").is_empty()));
}
