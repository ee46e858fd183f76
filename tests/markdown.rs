//! Markdown as a reader of GitHub Flavored Markdown sees it (comrak follows its reference implementation): tables keep their
//! cells, text of the data stays text, the size is bounded, the worst stays.

#![cfg(unix)]
#![allow(
    missing_docs,
    clippy::unwrap_used,
    clippy::panic,
    clippy::indexing_slicing,
    reason = "a test fails by panicking"
)]

use comrak::nodes::{AstNode, NodeValue};
use comrak::{Arena, Options, parse_document};
use loopgauge::check::{Against, CheckOutcome, Limit, RunOutcome, Unit, Verdict};
use loopgauge::diagnostic::{Diagnostic, Place};
use loopgauge::report::Tally;
use loopgauge::report::escape::{terminal, xml_line};
use loopgauge::report::markdown::{MOST, MarkdownReport, markdown_run, write_drift_markdown};
use std::sync::Arc;

#[path = "../src/report/sample.rs"]
mod sample;
#[path = "../src/report/drift/sample_drift.rs"]
mod sample_drift;
mod tool;

/// Everything that means something to Markdown, HTML, a forge or a terminal.
const HOSTILE: &[&str] = &[
    "<script>alert(1)</script>",
    "</summary></details><img src=x onerror=alert(1)>",
    "<!-- a",
    "a | b || c \\| d",
    "\n\n# heading\n\n- item\n> quote\n",
    "`code` ``` fence\n```\n",
    "**bold** _em_ *em* ~~gone~~",
    "[link](https://example.org) ![image](https://example.org/x.png) [^1] [x]",
    "@crew a@example.org #123 crew/board#7 GH-9 https://example.org/x www.example.org",
    "&lt;b&gt; &#124; &amp;",
    "\u{1b}[31mred\u{9b}2J \u{202e}turned \u{2028}next ]]>",
    "$x^2$ $$y$$ :+1: --- === 1. one \\",
];

fn options() -> Options<'static> {
    let mut options = Options::default();
    let extension = &mut options.extension;
    extension.table = true;
    extension.autolink = true;
    extension.strikethrough = true;
    extension.tasklist = true;
    extension.footnotes = true;
    extension.math_dollars = true;
    options
}

/// Text of a node and all below it.
fn text<'a>(node: &'a AstNode<'a>) -> String {
    let mut text = String::new();
    for node in node.descendants() {
        if let NodeValue::Text(part) = &node.data.borrow().value {
            text.push_str(part);
        }
    }
    text
}

/// What a reader sees of one report.
#[derive(Default)]
struct Seen {
    /// Cells of every row but the heads, by table.
    tables: Vec<Vec<Vec<String>>>,
    /// Those of the corners, likewise.
    corners: Vec<Vec<Vec<String>>>,
    headings: Vec<String>,
    /// Headings of the tables of corners.
    products: Vec<String>,
    summaries: Vec<String>,
    all: String,
}

/// Parses a report; fails on anything in it that the report does not make by itself.
fn read(markdown: &str) -> Seen {
    let arena = Arena::new();
    let root = parse_document(&arena, markdown, &options());
    let mut seen = Seen::default();
    for node in root.descendants() {
        match &node.data.borrow().value {
            NodeValue::Document
            | NodeValue::Paragraph
            | NodeValue::List(_)
            | NodeValue::Item(_)
            | NodeValue::TableRow(_)
            | NodeValue::TableCell => {}
            NodeValue::Heading(_) if text(node).starts_with("Corners of ") => seen.products.push(text(node)),
            NodeValue::Heading(_) => seen.headings.push(text(node)),
            NodeValue::Strong => {
                let words = text(node);
                let is_cell =
                    node.parent().is_some_and(|p| matches!(p.data.borrow().value, NodeValue::TableCell));
                assert!(is_cell || words == "Cut:" || words.ends_with(" could not be read."), "{words}");
            }
            NodeValue::Text(words) => {
                assert_harmless(words);
                seen.all.push_str(words);
                seen.all.push('\n');
            }
            NodeValue::Table(_) => {
                let rows = node.children().map(|row| row.children().map(|cell| text(cell)).collect());
                let mut rows: Vec<Vec<String>> = rows.collect();
                let head = rows.remove(0);
                if head[0] == "corner" {
                    seen.corners.push(rows);
                } else {
                    seen.tables.push(rows);
                }
            }
            NodeValue::HtmlBlock(block) => {
                let html = block.literal.trim_end();
                if html != "</details>" {
                    let summary = html.strip_prefix("<details><summary>").unwrap_or_else(|| panic!("{html}"));
                    let summary = summary.strip_suffix("</summary>").unwrap_or_else(|| panic!("{html}"));
                    assert!(!summary.contains(['<', '>', '\n']), "{summary}");
                    seen.summaries.push(summary.to_owned());
                }
            }
            other => panic!("{other:?} in\n{markdown}"),
        }
    }
    let opened = markdown.matches("<details>").count();
    assert_eq!(opened, markdown.matches("</details>").count());
    assert_eq!(opened, seen.summaries.len());
    assert_rows_are_whole(markdown, &seen);
    seen
}

/// A parser mends rows that have too many or too few cells, so the bars themselves are counted.
fn assert_rows_are_whole(markdown: &str, seen: &Seen) {
    let mut bars = None;
    let mut rows = 0;
    for line in markdown.lines() {
        if !line.starts_with('|') {
            bars = None;
            continue;
        }
        rows += 1;
        let count = line.matches('|').count();
        assert_eq!(*bars.get_or_insert(count), count, "{line}");
    }
    // Two lines of every table are its head.
    let parsed: usize = seen.tables.iter().chain(&seen.corners).map(|table| table.len() + 2).sum();
    assert_eq!(rows, parsed);
}

fn assert_harmless(words: &str) {
    let chars: Vec<char> = words.chars().collect();
    for pair in chars.windows(2) {
        assert!(pair[0] != '@' || pair[1] == '\u{2060}', "a mention: {words}");
        assert!(pair[0] != '#' || !pair[1].is_ascii_digit(), "a number of something: {words}");
    }
    assert!(
        !words.contains("://") && !words.contains("www.e") && !words.contains("GH-9"),
        "an address: {words}"
    );
    assert!(!words.contains(":+1:"), "a picture: {words}");
    assert_eq!(words, terminal(words), "a control character or a direction mark");
}

fn report(runs: &[RunOutcome]) -> String {
    let (mut report, mut tally) = (MarkdownReport::new(), Tally::new());
    for run in runs {
        tally.add(run);
        report.add(markdown_run(run));
    }
    finish(report, &tally)
}

fn finish(report: MarkdownReport, tally: &Tally) -> String {
    let mut bytes = Vec::new();
    report.finish(&mut bytes, tally).unwrap();
    assert!(bytes.len() <= MOST, "{} bytes", bytes.len());
    String::from_utf8(bytes).unwrap()
}

fn hostile_run(bad: &str) -> RunOutcome {
    let mut run = sample::run();
    for text in [
        &mut run.run,
        &mut run.run_file,
        &mut run.spec_file,
        &mut run.serial,
        &mut run.revision,
        &mut run.product,
    ] {
        *text = bad.to_owned();
    }
    for text in sample::labels(&mut run) {
        *text = Some(bad.to_owned());
    }
    run.findings = vec![bad.to_owned()];
    for corner in &mut run.corners {
        corner.corner = bad.to_owned();
        corner.conditions = vec![(bad.to_owned(), bad.to_owned())];
        corner.findings = vec![bad.to_owned()];
        if let Some(judged) = &mut corner.judged {
            judged.files = vec![bad.to_owned()];
            judged.level = Some(bad.to_owned());
        }
        for check in &mut corner.checks {
            check.check = bad.to_owned();
            check.message = bad.to_owned();
            check.remedy = Some(bad.to_owned());
            check.value_text = Some(bad.to_owned());
            check.accepted = Some(Against { value: 50.0, units: 1, spread: None, of: bad.to_owned() });
        }
    }
    run
}

/// What a reader should see of a text: one line, nothing hidden.
fn shown(bad: &str) -> String {
    terminal(&xml_line(bad)).into_owned()
}

#[test]
fn hostile_text_stays_text() {
    for bad in HOSTILE.iter().copied() {
        let markdown = report(&[hostile_run(bad)]);
        let seen = read(&markdown);
        let titles =
            ["Loop stability: invalid", "Not a pass", "Changed against the baseline", "Waived", "Run by run"];
        assert_eq!(seen.headings, titles, "{bad:?}");
        assert_eq!(seen.products.len(), 1, "{bad:?}");
        // Counts, not a pass, changes, waived.
        assert_eq!(seen.tables.len(), 4, "{bad:?}");
        for row in seen.tables[1..].iter().flatten() {
            assert_eq!(row[1].replace('\u{2060}', ""), shown(bad));
            assert_eq!(row[2].replace('\u{2060}', ""), shown(bad));
        }
        assert_eq!(seen.tables[1].len(), 4, "invalid, missing, fail, undecided");
        assert!(seen.all.replace('\u{2060}', "").contains(&format!("noticed: {}", shown(bad))), "{bad:?}");
    }
    let all = HOSTILE.concat();
    read(&report(&[hostile_run(&all), sample::run()]));
}

#[test]
fn hostile_problems_stay_text() {
    for bad in HOSTILE.iter().copied() {
        let place = Place { file: Arc::from(bad), line: Some(7), column: Some(2), key: Some(bad.to_owned()) };
        let mut error = Diagnostic::error("unknown-key", bad).with_help(bad);
        error.place = Some(place);
        let mut report = MarkdownReport::new();
        let mut tally = Tally::new();
        tally.add_unreadable();
        report.add_problems(Some(bad), &vec![error.clone(); 5]);
        report.add_problems(None, &[error]);
        let markdown = finish(report, &tally);
        let seen = read(&markdown);
        assert_eq!(seen.headings, ["Loop stability: no run was judged", "Could not be read"]);
        assert!(
            markdown.contains("**1 run could not be read.**") && markdown.contains("- and 2 more"),
            "{markdown}"
        );
        assert!(seen.all.replace('\u{2060}', "").contains(&format!("to do: {}", shown(bad))), "{bad:?}");
    }
}

#[test]
fn hostile_histories_stay_text() {
    let hostile = sample_drift::hostile();
    for products in [vec![hostile.clone()], vec![hostile; 400]] {
        let mut bytes = Vec::new();
        write_drift_markdown(&mut bytes, &products).unwrap();
        assert!(bytes.len() <= MOST);
        let markdown = String::from_utf8(bytes).unwrap();
        let seen = read(&markdown);
        assert_eq!(seen.headings, ["Margins over builds: fail"]);
        assert!(seen.tables[0].iter().all(|row| row[3] == "fail" || row[3] == "undecided"));
        assert_eq!(markdown.contains("**Cut:**"), products.len() > 1);
    }
}

/// A run that fails by so much: its phase margin, deg, against 50 deg.
fn failing(serial: &str, margin: f64) -> RunOutcome {
    let mut run = sample::passing(serial, 6);
    for corner in &mut run.corners {
        for check in corner.checks.iter_mut().filter(|check| check.check == "phase_margin") {
            let limit = Limit { min: Some(50.0), max: None };
            *check = CheckOutcome {
                remedy: Some("add phase lead near the crossover, or lower the crossover".to_owned()),
                ..sample::judged("phase_margin", Verdict::Fail, margin, Some(0.7), Unit::Deg, limit)
            };
        }
        corner.verdict = Verdict::Fail;
    }
    run.verdict = Verdict::Fail;
    run
}

#[test]
fn of_three_thousand_failing_runs_the_worst_are_shown() {
    let mut runs: Vec<RunOutcome> = (0..3000)
        .map(|i| failing(&format!("RG-{i:05}"), 49.0 - f64::from(i * 7919 % 3000) / 100.0))
        .collect();
    // An invalid one at the end comes first all the same.
    runs.push(RunOutcome { serial: "RG-90000".to_owned(), ..sample::run() });
    let markdown = report(&runs);
    let seen = read(&markdown);
    assert!(markdown.len() > MOST / 2, "{} bytes: room is wasted", markdown.len());
    let table = &seen.tables[1];
    let words: Vec<&str> = table.iter().take(2).map(|row| row[3].as_str()).collect();
    assert_eq!(words, ["invalid", "missing"]);
    let margins: Vec<f64> =
        table[2..].iter().map(|row| row[4].split(' ').next().unwrap().parse().unwrap()).collect();
    assert!(margins.is_sorted(), "{margins:?}");
    assert!((margins[0] - 19.01).abs() < 0.1, "{margins:?}");
    let shown = table.len();
    assert!(shown > 50, "{shown} rows");
    // 6 corners of 3000 runs, and the four of the sample.
    assert!(markdown.contains(&format!("**Cut:** {} of 18004 rows left out", 18_004 - shown)), "{markdown}");
    assert!(seen.summaries[0].contains("RG-90000") && seen.summaries.len() > 3, "{:?}", seen.summaries);
    assert!(seen.tables[0][0][1] == "3001", "counts are of all runs");
    assert_eq!(markdown, report(&runs));
}

/// A corner that the baseline lacks would else fill a row for each of its comparisons.
/// The corner with the least room is set bold, and says how much it has.
#[test]
fn corners_come_first_with_their_room() {
    let text = report(&[sample::run()]);
    let seen = read(&text);
    assert_eq!(seen.corners.len(), 1);
    let row = seen.corners[0].iter().find(|row| row[0] == "24V-3A").unwrap();
    assert_eq!((row[1].as_str(), row[3].as_str()), ("fail", "44.1 deg ± 0.7 deg, 5.9 deg beyond"));
    assert!(text.contains("| **44.1 deg ± 0.7 deg**, 5.9 deg beyond |"), "{text}");
    assert!(text.find("### Corners of").unwrap() < text.find("### Not a pass").unwrap());
}

#[test]
fn checks_that_say_the_same_share_a_row() {
    let mut run = sample::passing("RG-00042", 1);
    let mut names = Vec::new();
    for check in run.corners[0].checks.iter_mut().filter(|check| check.check.starts_with("regression.")) {
        *check = sample::bare(
            &check.check.clone(),
            Verdict::Missing,
            "the baseline has no accepted result of this corner",
        );
        names.push(check.check.clone());
    }
    run.corners[0].verdict = Verdict::Missing;
    run.verdict = Verdict::Missing;
    let seen = read(&report(&[run]));
    assert_eq!(seen.tables[1].len(), 1);
    assert_eq!(seen.tables[1][0][2], names.join(", "));
}

#[test]
fn changes_are_in_the_order_of_how_much_of_the_allowed_is_used() {
    let mut run = sample::passing("RG-00042", 4);
    let changes = [(-1.0, 0.3), (-2.9, 0.3), (-0.1, 0.3), (0.9, 0.3)];
    for (corner, (value, u)) in run.corners.iter_mut().zip(changes) {
        for check in corner.checks.iter_mut().filter(|check| check.check.starts_with("regression.phase")) {
            let limit = Limit { min: Some(-3.0), max: None };
            let against = Against { value: 54.0, units: 1, spread: None, of: "RG-00001".to_owned() };
            *check = CheckOutcome {
                accepted: Some(against),
                ..sample::judged(&check.check, Verdict::Pass, value, Some(u), Unit::Deg, limit)
            };
        }
    }
    let markdown = report(&[run]);
    let seen = read(&markdown);
    let rows: Vec<[&str; 3]> =
        seen.tables[1].iter().map(|row| [row[1].as_str(), row[5].as_str(), row[7].as_str()]).collect();
    let expected = [
        ["11V-3A", "-2.9 deg ± 0.3 deg", "97 %"],
        ["10V-3A", "-1.0 deg ± 0.3 deg", "33 %"],
        ["13V-3A", "0.9 deg ± 0.3 deg", "0 %"],
    ];
    assert_eq!(rows, expected);
    assert!(markdown.contains("1 more comparison passes, within its uncertainty"), "{markdown}");
}

#[test]
fn the_program_writes_the_same_bytes_everywhere() {
    let room = tool::Room::demo();
    let to_stdout = room.run("check demo-data --jobs 1 --markdown -").ends(2);
    room.run("check demo-data --jobs 4 --markdown summary.md").ends(2);
    assert_eq!(to_stdout.out(), room.read("summary.md"));
    let seen = read(to_stdout.out());
    assert_eq!(seen.headings[..3], ["Loop stability: invalid", "Could not be read", "Not a pass"]);
    assert!(
        seen.all.contains("error: demo-data/rev-c/RG-00024/river-gauge-5v/24v-0.5a.csv:59:2: "),
        "{}",
        seen.all
    );
    // Beside the text: standard output carries the report alone when it is asked for there.
    assert!(!to_stdout.out().contains("First to do"));
}

#[test]
fn outputs_do_not_take_each_others_place() {
    let room = tool::Room::demo();
    let run = "check demo-data/rev-c/RG-00021/river-gauge-5v";
    for (options, words) in [
        ("--markdown - --json -", "only one of --json and --markdown"),
        ("--markdown - --junit -", "only one of --junit and --markdown"),
        ("--markdown x --junit ./x", "--junit and --markdown both name ./x"),
    ] {
        let ran = room.run(&format!("{run} {options}")).ends(2);
        assert!(ran.stderr.contains(words), "{}", ran.stderr);
    }
    let ran = room.run(&format!("{run} --markdown nowhere/x.md")).ends(2);
    assert!(ran.stderr.contains("there is no folder nowhere") && ran.out().contains("The verdict is pass"));
    room.run(&format!("{run} --markdown x.md --json x.json --junit x.xml")).ends(0);
    assert!(room.read("x.md").starts_with("## Loop stability: pass\n"));
}

#[test]
fn the_baseline_is_in_the_summary() {
    let ran = tool::demo(
        "check demo-data/rev-b/RG-00011/river-gauge-5v --baseline demo-data/baseline --markdown -",
    );
    let seen = read(ran.ends(1).out());
    let changes = seen.tables.iter().find(|table| table[0].len() == 8).unwrap();
    let used: Vec<f64> = changes.iter().map(|row| row[7].trim_end_matches(" %").parse().unwrap()).collect();
    assert!(used.is_sorted_by(|a, b| a >= b) && used[0] > 100.0, "{used:?}");
}

#[test]
fn a_history_is_told_by_the_program_too() {
    let room = tool::Room::demo();
    room.run("check demo-data/rev-c/RG-00021 --record line.db").ends(0);
    let ran = room.run("drift --history line.db --markdown -").ends(0);
    let seen = read(ran.out());
    assert!(
        seen.headings[0].starts_with("Margins over builds: ") && seen.all.contains("Series: "),
        "{}",
        ran.out()
    );
    let ran = room.run("drift --history line.db --markdown - --json -").ends(2);
    assert!(ran.stderr.contains("only one of --json and --markdown"), "{}", ran.stderr);
}

#[test]
fn the_details_of_a_run_tell_its_circuit_in_two_lines() {
    let mut run = sample::run();
    assert!(!report(std::slice::from_ref(&run)).contains("- circuit: "));
    run.circuit = Some(Box::new(sample::circuit()));
    let text = report(&[run]);
    let lines: Vec<&str> = text
        .lines()
        .filter(|line| line.starts_with("- parts: ") || line.starts_with("- circuit: "))
        .collect();
    assert_eq!(lines.len(), 2, "{text}");
    assert!(
        lines[0].ends_with("Cout 176 uF ± 2 uF (-20 %); the sweeps say nothing of COMPUTE"),
        "{}",
        lines[0]
    );
    assert!(
        lines[1].contains("Cout -20 % ± 1 % (0.98)") && lines[1].contains("product to 0.2 %"),
        "{}",
        lines[1]
    );
}
