//! The HTML report: well-formed, self-contained, complete, and unmoved by hostile text.

#![expect(clippy::unwrap_used, clippy::indexing_slicing, reason = "a test stops at what it did not expect")]

#[path = "html/drift_page.rs"]
mod drift_page;
#[path = "html/hostile.rs"]
mod hostile;
#[path = "../src/report/sample.rs"]
mod sample;
mod tool;

use html5ever::parse_document;
use html5ever::tendril::TendrilSink;
use loopgauge::provenance::sha256;
use loopgauge::report::Tally;
use loopgauge::report::html::{HtmlPlan, HtmlWriter, html_run};
use markup5ever_rcdom::{Handle, NodeData, RcDom};
use std::collections::HashSet;
use std::sync::Arc;
use tool::{Room, demo, list, text};

/// An element: name, attributes, text below it, elements below it.
struct Element {
    name: String,
    attributes: Vec<(String, String)>,
    text: String,
    children: Vec<Element>,
}

impl Element {
    fn get(&self, name: &str) -> Option<&str> {
        self.attributes.iter().find(|(n, _)| n == name).map(|(_, value)| value.as_str())
    }

    fn all(&self) -> Vec<&Element> {
        let mut all = vec![self];
        self.children.iter().for_each(|child| all.extend(child.all()));
        all
    }

    fn named(&self, name: &str) -> Vec<&Element> {
        self.all().into_iter().filter(|e| e.name == name).collect()
    }

    fn of_class(&self, class: &str) -> Vec<&Element> {
        let has = |e: &&Element| e.get("class").is_some_and(|c| c.split(' ').any(|c| c == class));
        self.all().into_iter().filter(has).collect()
    }
}

/// Parses as a browser does, and fails on anything that a browser would have to mend.
fn parse(page: &str) -> Element {
    let read = |page: &str| parse_document(RcDom::default(), Default::default()).one(page);
    let broken = read("<!DOCTYPE html><title>t</title><p></div>");
    assert!(!broken.errors.borrow().is_empty(), "the parser mends without saying so");
    let dom = read(page);
    let errors = dom.errors.borrow();
    assert!(errors.is_empty(), "{errors:?}");
    element(&dom.document)
}

fn element(node: &Handle) -> Element {
    let (name, attributes) = match &node.data {
        NodeData::Element { name, attrs, .. } => {
            let attributes = attrs.borrow();
            let pairs = attributes.iter().map(|a| (a.name.local.to_string(), a.value.to_string()));
            (name.local.to_string(), pairs.collect())
        }
        _ => (String::new(), Vec::new()),
    };
    let (mut text, mut children) = (String::new(), Vec::new());
    for child in node.children.borrow().iter() {
        match &child.data {
            NodeData::Text { contents } => text.push_str(&contents.borrow()),
            NodeData::Element { .. } => {
                let child = element(child);
                text.push_str(&child.text);
                children.push(child);
            }
            _ => {}
        }
    }
    Element { name, attributes, text, children }
}

/// Nothing in it reaches out, runs or styles but the two parts that the policy names.
#[track_caller]
fn is_self_contained(page: &Element) {
    for e in page.all() {
        assert!(
            !matches!(
                e.name.as_str(),
                "link" | "img" | "iframe" | "object" | "embed" | "audio" | "video" | "base" | "image" | "use"
            ),
            "{}",
            e.name
        );
        for (name, value) in &e.attributes {
            assert!(
                !name.starts_with("on") && name != "style" && name != "src" && name != "srcset",
                "{name}"
            );
            assert!(name != "href" || value.starts_with('#'), "{value}");
            assert!(name != "action" && name != "formaction" && name != "xlink:href", "{name}");
        }
    }
    let policy =
        page.named("meta").into_iter().find(|m| m.get("http-equiv") == Some("Content-Security-Policy"));
    let policy = policy.and_then(|m| m.get("content")).unwrap();
    assert!(policy.starts_with("default-src 'none'; "), "{policy}");
    for (name, count) in [("script", 1), ("style", 1)] {
        let found = page.named(name);
        assert_eq!(found.len(), count, "{name}");
        let hash =
            policy.split(&format!("{name}-src 'sha256-")).nth(1).and_then(|p| p.split('\'').next()).unwrap();
        assert_eq!(hex_of_base64(hash), sha256(found[0].text.as_bytes()), "{name}");
    }
}

fn hex_of_base64(text: &str) -> String {
    let digits = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let bits: String = text.chars().filter_map(|c| digits.find(c)).map(|d| format!("{d:06b}")).collect();
    bits.as_bytes()
        .chunks_exact(4)
        .take(64)
        .map(|four| char::from_digit(four.iter().fold(0, |n, b| 2 * n + u32::from(b - b'0')), 16).unwrap())
        .collect()
}

#[track_caller]
fn links_lead_somewhere(page: &Element) {
    let ids: Vec<&str> = page.all().iter().filter_map(|e| e.get("id")).collect();
    let known: HashSet<&str> = ids.iter().copied().collect();
    assert_eq!(ids.len(), known.len(), "an id stands twice");
    for e in page.all() {
        let target = e.get("href").map(|h| h.trim_start_matches('#')).or(e.get("aria-labelledby"));
        assert!(target.is_none_or(|id| known.contains(id)), "{target:?}");
    }
}

#[test]
fn the_demo_s_page_is_well_formed_self_contained_and_complete() {
    let page = demo("check demo-data --html -").ends(2);
    let result = demo("check demo-data --json -").ends(2).json();
    let page = parse(page.out());
    is_self_contained(&page);
    links_lead_somewhere(&page);
    let rows: Vec<(&Element, &str)> = page
        .of_class("matrix")
        .into_iter()
        .flat_map(|table| {
            let product = table.named("caption")[0].text.as_str();
            table.named("tbody")[0].children.iter().map(move |row| (row, product))
        })
        .collect();
    assert_eq!(rows.len(), list(&result["runs"]).len());
    for run in list(&result["runs"]) {
        let folder = text(&run["run"]);
        let (row, product) = rows
            .iter()
            .find(|(row, _)| row.get("data-q").unwrap().split(' ').next() == Some(folder))
            .unwrap();
        assert_eq!(*product, text(&run["product"]));
        // What was noticed of the run stands behind its serial.
        let noticed = if run["findings"].is_null() { "" } else { " noticed" };
        assert_eq!(row.children[0].text, format!("{}{noticed}", text(&run["serial"])));
        let corners = list(&run["corners"]);
        let of_run = &row.children[3];
        assert!(of_run.text.starts_with(text(&run["verdict"])));
        // What decided a run is named at its front, where it is not off the screen.
        let is_worst = |corner: &&serde_json::Value| corner["verdict"] == run["verdict"];
        let first = corners.iter().find(is_worst).map(|corner| text(&corner["corner"]));
        assert!(run["verdict"] == "pass" || of_run.named("a")[0].text == first.unwrap());
        assert_eq!(row.children.len(), 4 + corners.len());
        for (cell, corner) in row.children[4..].iter().zip(corners) {
            let verdict = text(&corner["verdict"]);
            let class = format!("v-{verdict}");
            assert!(cell.text.starts_with(verdict));
            assert!(cell.get("class").unwrap().split(' ').any(|one| one == class));
            let target = cell.named("a")[0].get("href").unwrap().trim_start_matches('#').to_owned();
            let detail = page.all().into_iter().find(|e| e.get("id") == Some(&target)).unwrap();
            holds_everything(detail, corner);
        }
    }
}

/// On a narrow screen a cell stands below the others: it says itself what it holds.
#[test]
fn every_cell_of_a_table_that_stacks_is_labelled() {
    let page = demo("check demo-data --html -").ends(2);
    let page = parse(page.out());
    let tables = page.of_class("stack");
    assert!(tables.len() >= 8, "{}", tables.len());
    for table in tables {
        let heads: Vec<&str> =
            table.named("thead")[0].named("th").iter().skip(1).map(|th| th.text.as_str()).collect();
        for row in &table.named("tbody")[0].children {
            let labels: Vec<&str> = row.children[1..].iter().map(|td| td.get("data-l").unwrap()).collect();
            assert_eq!(labels, heads);
        }
    }
}

#[test]
fn the_whole_of_a_product_is_drawn_beside_what_each_condition_does() {
    let page = demo("check demo-data --html -").ends(2);
    let page = parse(page.out());
    let parts = page.of_class("whole");
    assert_eq!(parts.len(), 4);
    let five = parts.iter().find(|part| part.named("h3")[0].text == "river-gauge-5v").unwrap();
    // Seven corners in gain, angle and the complex plane, one of them in front.
    assert_eq!(
        five.of_class("lines").iter().map(|svg| svg.of_class("also").len()).collect::<Vec<_>>(),
        [6, 6]
    );
    assert_eq!(five.of_class("keep-off").len(), 1);
    let legend = &five.of_class("legend")[0].text;
    assert!(legend.contains("10V-0.5A, RG-00011, nearest to its limit: phase margin 44.31 deg"), "{legend}");
    assert!(five.text.contains("input 10 V → 32 V (2 pairs)"), "{}", five.text);
    assert!(five.text.contains("ambient not said → -30 degC"), "{}", five.text);
}

#[test]
fn the_matrix_says_the_room_to_a_limit_in_words() {
    let plan = Arc::new(HtmlPlan::new());
    let mut run = sample::run();
    run.serial = "RG-00001".to_owned();
    let mut writer = HtmlWriter::new(Vec::new(), Arc::clone(&plan));
    let mut tally = Tally::new();
    tally.add(&run);
    writer.append(html_run(&run, &plan)).unwrap();
    let page = parse(&String::from_utf8(writer.finish(&tally).unwrap().0).unwrap());
    let cells = page.of_class("r0");
    assert_eq!(cells.len(), 1);
    assert!(
        cells[0].text.starts_with("fail") && cells[0].text.ends_with(" \u{2212}12\u{a0}%"),
        "{}",
        cells[0].text
    );
}

/// The gain margin has its limit where it is read, as the phase margin has.
#[test]
fn both_margins_have_a_mark_at_their_limit() {
    let page = demo("check demo-data/rev-b/RG-00011 --html -").ends(1);
    let page = parse(page.out());
    for area in page.of_class("bode").into_iter().skip(1).flat_map(|figure| figure.of_class("area")) {
        let strip = area.get("data-strip").unwrap();
        let least = match strip {
            "gain" => 3,
            "angle" => 1,
            _ => continue,
        };
        assert_eq!(area.of_class("limit").len(), least, "{strip}");
    }
}

/// Every check, its value as the message has it, every remedy and finding, every file with its digest.
#[track_caller]
fn holds_everything(detail: &Element, corner: &serde_json::Value) {
    let said = &detail.text;
    for check in list(&corner["checks"]) {
        let name = text(&check["check"]).replace('_', " ");
        assert!(said.contains(&name), "{name}");
        if text(&check["verdict"]) != "pass" && text(&check["verdict"]) != "not_judged" {
            assert!(said.contains(text(&check["message"])), "{check}");
            assert!(check["remedy"].is_null() || said.contains(text(&check["remedy"])), "{check}");
        }
    }
    for finding in list(&corner["findings"]) {
        assert!(said.contains(text(finding)));
    }
    if !corner["judged"].is_null() {
        for file in list(&corner["judged"]["files"]) {
            assert!(said.contains(text(file)));
        }
        assert_eq!(detail.of_class("plots").len(), 1);
    }
    let digests = detail.named("code").len();
    assert!(digests >= 2, "run and spec at least: {digests}");
}

#[test]
fn the_same_input_gives_the_same_bytes() {
    let one = demo("check demo-data --html - --jobs 1").ends(2);
    assert_eq!(one.stdout, demo("check demo-data --html - --jobs 8").ends(2).stdout);
}

#[test]
fn outputs_that_would_take_each_other_s_place_are_refused() {
    let room = Room::demo();
    for (arguments, wanted) in [
        ("--html - --json -", "only one of --json and --html can go to standard output"),
        ("--html out --junit out", "--junit and --html both name out"),
        ("--html ./out --json out", "--json and --html both name out"),
    ] {
        let ran = room.run(&format!("check demo-data/rev-a {arguments}")).ends(2);
        assert!(ran.stderr.contains(wanted), "{}", ran.stderr);
        assert!(ran.stdout.is_empty());
    }
    let ran = room.run("check demo-data/rev-a --html no-folder/page.html");
    assert!(ran.stderr.contains("no-folder/page.html"), "{}", ran.stderr);
    assert_eq!(ran.status, Some(2));
    assert_eq!(room.names("."), ["demo-data", "specs"]);
}

#[test]
fn a_page_is_written_beside_the_text_and_only_meets_what_was_asked_for() {
    let room = Room::demo();
    let ran = room.run("check demo-data/rev-a --html page.html --only cold-start/phase_margin");
    assert!(ran.out().starts_with("The verdict is"));
    let page = parse(&room.read("page.html"));
    let columns: HashSet<String> =
        page.of_class("matrix").iter().flat_map(|t| t.of_class("c")).map(|th| th.text.clone()).collect();
    assert_eq!(columns, HashSet::from(["cold-start".to_owned()]));
}
