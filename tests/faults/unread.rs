//! JUnit of runs that could not be read: the suite and the cases of a good run, and never a report without a case.

use crate::tool::gauge::{self, GOOD};
use crate::tool::xml::{self, Element};
use crate::tool::{Room, list, text};
use serde_json::Value;

/// A row of a sweep, damaged.
const DAMAGED: &str = "frequency_hz,gain_db,phase_deg\n100,40,-90\n200,--,-91\n300,30,-92\n";

/// A run whose first corner crosses above its window, beside one that is good.
fn failing() -> Room {
    let room = gauge::room();
    gauge::add_run(&room, "runs/bad", "RG-00043", [40e3, 14e3, 15e3]);
    room
}

fn suites(room: &Room, arguments: &str, status: i32) -> Vec<Element> {
    let ran = room.run(&format!("{arguments} --junit -")).ends(status);
    xml::read(&ran.stdout).children
}

#[track_caller]
fn suite<'a>(suites: &'a [Element], name: &str) -> &'a Element {
    let names: Vec<&str> = suites.iter().map(|suite| suite.get("name")).collect();
    suites.iter().find(|suite| suite.get("name") == name).unwrap_or_else(|| panic!("no {name} in {names:?}"))
}

/// Element and type of a case, `None` where it passed, with its message and body.
#[track_caller]
fn case<'a>(suite: &'a Element, corner: &str, check: &str) -> Option<(&'a str, &'a str, &'a str, &'a str)> {
    let cases = suite.all("testcase");
    let case =
        cases.iter().find(|c| c.get("classname") == format!("gauge.{corner}") && c.get("name") == check);
    let result = case.unwrap_or_else(|| panic!("no {corner} {check}")).children.first()?;
    Some((&result.name, result.get("type"), result.get("message"), &result.text))
}

/// Class, name, and what was told of all cases but those of a corner.
fn beside(suite: &Element, corner: &str) -> Vec<String> {
    let cases = suite.all("testcase").into_iter();
    cases.filter(|case| !case.get("classname").ends_with(corner)).map(|case| format!("{case:?}")).collect()
}

#[track_caller]
fn is_one_error(suite: &Element, says: &str) {
    assert_eq!(suite.cases(), [("loopgauge.run".to_owned(), "readable".to_owned())]);
    let error = &suite.all("testcase")[0].children[0];
    assert_eq!((error.name.as_str(), error.get("type")), ("error", "unreadable"));
    assert!(error.get("message").contains(says) && error.text.starts_with(error.get("message")), "{error:?}");
}

#[test]
fn a_damaged_sweep_keeps_the_suite_its_cases_and_its_failures() {
    let room = failing();
    let whole = suites(&room, "check runs", 1);
    let good = suite(&whole, "gauge RG-00043");
    assert_eq!(case(good, "10V-3A", "crossover").unwrap().0, "failure");
    room.write("runs/bad/b.csv", DAMAGED);
    let damaged = suites(&room, "check runs", 2);
    let bad = suite(&damaged, "gauge RG-00043");
    assert_eq!(bad.cases(), good.cases());
    for attribute in ["file", "hostname", "timestamp", "tests", "failures"] {
        assert_eq!(bad.get(attribute), good.get(attribute), "{attribute}");
    }
    assert_eq!(beside(bad, "24V-3A"), beside(good, "24V-3A"));
    let (element, kind, message, body) = case(bad, "24V-3A", "collected").unwrap();
    assert_eq!((element, kind), ("error", "unreadable"));
    assert!(message.starts_with("runs/bad/b.csv:3:2: `--` is no number"), "{message}");
    for line in ["to do: a sweep has no gaps", "corner: 24V-3A", "conditions: input 24 V", "serial: RG-00043"]
    {
        assert!(body.contains(&format!("\n{line}")), "{line} in {body}");
    }
    for (class, name) in
        bad.cases().iter().filter(|(class, name)| class.contains("24V") && name != "collected")
    {
        let corner = class.trim_start_matches("gauge.");
        let (element, kind, message, _) = case(bad, corner, name).unwrap();
        assert_eq!(
            (element, kind, message),
            ("skipped", "not_judged", "not judged: b.csv could not be read")
        );
    }
    let properties: Vec<&str> = bad.children[0].children.iter().map(|p| p.get("name")).collect();
    assert!(properties.contains(&"revision") && !properties.contains(&"verdict"), "{properties:?}");
    // One cause, one entry.
    assert_eq!(bad.number("errors"), good.number("errors") + 1);
}

#[test]
fn in_the_json_and_on_the_terminal_a_damaged_run_stands_under_errors_alone() {
    let room = failing();
    room.write("runs/bad/b.csv", DAMAGED);
    let ran = room.run("check runs --json all.json --junit all.xml").ends(2);
    assert!(ran.out().starts_with("The verdict is pass.\n1 run could not be read.\n"), "{}", ran.out());
    let result: Value = serde_json::from_str(&room.read("all.json")).unwrap();
    let runs: Vec<&str> = list(&result["runs"]).iter().map(|run| text(&run["run"])).collect();
    assert_eq!((runs, &result["verdict"]), (vec!["runs/good"], &Value::from("pass")));
    let [error] = list(&result["errors"]) else { panic!("{}", result["errors"]) };
    assert_eq!((text(&error["file"]), &error["line"]), ("runs/bad/b.csv", &Value::from(3)));
    let alone = suites(&room, "check runs/good", 0);
    let beside = xml::read(room.read("all.xml").as_bytes()).children;
    assert_eq!(suite(&beside, "gauge RG-00042").cases(), suite(&alone, "gauge RG-00042").cases());
}

#[test]
fn each_corner_tells_its_own_unreadable_sweeps() {
    let room = failing();
    let good = suites(&room, "check runs/bad", 1);
    std::fs::remove_file(room.path("runs/bad/b.csv")).unwrap();
    std::fs::remove_file(room.path("runs/bad/b-check.csv")).unwrap();
    room.write("runs/bad/c-check.csv", DAMAGED);
    let damaged = suites(&room, "check runs/bad", 2);
    let bad = suite(&damaged, "gauge RG-00043");
    assert_eq!(bad.cases(), suite(&good, "gauge RG-00043").cases());
    let (.., message, body) = case(bad, "24V-3A", "collected").unwrap();
    assert_eq!(message, "runs/bad/b.csv: there is no such file");
    assert!(
        body.contains("\nruns/bad/b-check.csv: there is no such file") && !body.contains("c-check"),
        "{body}"
    );
    let reason = "not judged: b.csv, b-check.csv could not be read";
    assert_eq!(case(bad, "24V-3A", "linearity").unwrap().2, reason);
    assert!(case(bad, "cold", "collected").unwrap().2.starts_with("runs/bad/c-check.csv:3:2"));
    assert_eq!(case(bad, "10V-3A", "crossover").unwrap().1, "fail");
    // No waiver covers what nobody could read.
    room.edit("specs/gauge.yaml", "check: crossover", "check: collected");
    let waived = suites(&room, "check runs/bad", 2);
    assert_eq!(case(suite(&waived, "gauge RG-00043"), "cold", "collected").unwrap().1, "unreadable");
}

/// The numbers of one corner in another: the copy is told, whether or not a third corner could be read.
#[test]
fn copies_across_corners_are_found_beside_an_unreadable_one() {
    let room = failing();
    for (from, to) in [("a.csv", "b.csv"), ("a-check.csv", "b-check.csv")] {
        let copied = room.read(&format!("runs/bad/{from}"));
        room.write(&format!("runs/bad/{to}"), copied);
    }
    let good = suites(&room, "check runs/bad", 1);
    let good = suite(&good, "gauge RG-00043");
    assert_eq!(case(good, "10V-3A", "linearity").unwrap().1, "invalid");
    room.write("runs/bad/c.csv", DAMAGED);
    let damaged = suites(&room, "check runs/bad", 2);
    assert_eq!(beside(suite(&damaged, "gauge RG-00043"), "cold"), beside(good, "cold"));
    // Also where the copied sweep stands in the corner that could not be read.
    room.write("runs/bad/c.csv", gauge::sweep(15e3, 4)).write("runs/bad/a.csv", DAMAGED);
    let damaged = suites(&room, "check runs/bad", 2);
    let (_, kind, message, _) = case(suite(&damaged, "gauge RG-00043"), "24V-3A", "linearity").unwrap();
    assert_eq!(kind, "invalid", "{message}");
}

#[test]
fn only_leaves_the_cases_of_a_good_run_and_the_cause() {
    let room = failing();
    let only = "check runs/bad --only 10V-*/crossover --only cold/crossover";
    let good = suites(&room, only, 1);
    let good = suite(&good, "gauge RG-00043");
    room.write("runs/bad/c.csv", DAMAGED);
    let met = suites(&room, only, 2);
    let met = suite(&met, "gauge RG-00043");
    assert_eq!(met.cases(), good.cases());
    assert_eq!(case(met, "cold", "collected").unwrap().1, "unreadable");
    assert_eq!(case(met, "cold", "crossover").unwrap().1, "not_judged");
    // A corner that is not met is not read.
    let unmet = suites(&room, "check runs/bad --only 10V-*/crossover", 1);
    let unmet = suite(&unmet, "gauge RG-00043");
    assert_eq!(case(unmet, "10V-3A", "crossover").unwrap().0, "failure");
    assert_eq!(unmet.cases().iter().filter(|(class, _)| class == "gauge.cold").count(), 0);
    let nothing = suites(&room, "check runs/bad --only nothing/*", 2);
    assert_eq!(suite(&nothing, "runs/bad").cases().len(), 1);
}

#[test]
fn units_of_one_serial_are_told_apart_though_one_is_damaged() {
    let room = failing();
    gauge::add_run(&room, "runs/again", "RG-00043", GOOD);
    room.write("runs/bad/b.csv", DAMAGED);
    let all = suites(&room, "check runs", 2);
    let (again, bad) = (suite(&all, "gauge RG-00043 (runs/again)"), suite(&all, "gauge RG-00043 (runs/bad)"));
    assert_eq!(again.cases(), bad.cases());
}

#[test]
fn a_broken_run_file_leaves_the_suite_and_skips_its_cases() {
    let room = gauge::room();
    let good = suites(&room, "check runs", 0);
    let good = suite(&good, "gauge RG-00042");
    room.edit("runs/good/run.yaml", "level: -23 dBm}\n  - {file: b.csv", "level: -23}\n  - {file: b.csv");
    let broken = suites(&room, "check runs", 2);
    let broken = suite(&broken, "gauge RG-00042");
    let (readable, rest) = broken.cases().split_first().map(|(a, b)| (a.clone(), b.to_vec())).unwrap();
    assert_eq!(readable, ("loopgauge.run".to_owned(), "readable".to_owned()));
    assert_eq!(rest, good.cases());
    assert_eq!((broken.number("errors"), broken.number("skipped")), (1, rest.len()));
    let error = &broken.all("testcase")[0].children[0];
    assert!(error.get("message").starts_with("runs/good/run.yaml:12:48: sweeps[2].level: "), "{error:?}");
    assert_eq!(case(broken, "cold", "collected").unwrap().2, "not judged: the run file cannot be used");
    assert_eq!(
        (broken.get("hostname"), broken.get("timestamp")),
        (good.get("hostname"), good.get("timestamp"))
    );
}

#[test]
fn without_a_usable_spec_the_suite_is_named_after_the_unit() {
    let room = gauge::room();
    room.edit("specs/gauge.yaml", "step: 3 dB", "step: 3 kHz");
    gauge::add_run(&room, "runs/second", "RG-00043", GOOD);
    let broken = suites(&room, "check runs", 2);
    for serial in ["RG-00042", "RG-00043"] {
        is_one_error(suite(&broken, &format!("gauge {serial}")), "specs/gauge.yaml:27:9: linearity.step: ");
    }
    std::fs::rename(room.path("specs/gauge.yaml"), room.path("specs/other.yaml")).unwrap();
    let unknown = suites(&room, "check runs/good", 2);
    is_one_error(suite(&unknown, "gauge RG-00042"), "runs/good/run.yaml:2:10: product: there is no spec for");
    room.write("specs/other.yaml", gauge::SPEC.replace("product: gauge", "product: other"));
    let foreign = suites(&room, "check runs/good --specs specs/other.yaml", 2);
    is_one_error(
        suite(&foreign, "gauge RG-00042"),
        "runs/good/run.yaml:2:10: product: is of the product `gauge`",
    );
}

#[test]
fn a_run_of_nobody_is_named_by_its_path_as_given() {
    let room = gauge::room();
    room.edit("runs/good/run.yaml", "serial: RG-00042\n", "");
    is_one_error(suite(&suites(&room, "check runs", 2), "runs/good"), "the key `serial` is missing");
    room.write("runs/good/run.yaml", "- nothing\n");
    is_one_error(
        suite(&suites(&room, "check ./runs", 2), "./runs/good"),
        "run.yaml:1:3: the file holds a list",
    );
    room.run("check runs --junit out/").ends(2);
    assert_eq!(room.names("out"), ["runs+good.xml"]);
}

#[test]
fn nothing_to_judge_is_one_error_never_an_empty_report() {
    let room = gauge::room();
    std::fs::create_dir(room.path("empty")).unwrap();
    let nothing = [
        ("check nowhere", "nowhere", "there is no such file or folder"),
        ("check nowhere nowhere/", "nowhere", "there is no such file or folder"),
        ("check empty", "empty", "holds no run.yaml"),
        ("check specs", "specs", "holds no run.yaml"),
        ("check runs --only nothing/*", "runs", "--only meets no check of any run"),
        ("check runs runs/good --only nothing/*", "runs, runs/good", "--only meets no check of any run"),
        ("check runs/good/a.csv", "runs/good/a.csv", "is no run file"),
    ];
    for (number, (arguments, name, says)) in nothing.into_iter().enumerate() {
        let all = suites(&room, arguments, 2);
        assert_eq!(all.len(), 1, "{arguments}: {all:?}");
        is_one_error(suite(&all, name), says);
        let folder = format!("out-{number}");
        room.run(&format!("{arguments} --junit {folder}/")).ends(2);
        let [file] = room.names(&folder).try_into().unwrap();
        let report = xml::read(room.read(&format!("{folder}/{file}")).as_bytes());
        is_one_error(suite(&report.children, name), says);
    }
    let both = suites(&room, "check nowhere runs", 2);
    is_one_error(suite(&both, "nowhere"), "there is no such file or folder");
    assert!(suite(&both, "gauge RG-00042").cases().len() > 20);
    assert_eq!(both.len(), 2);
}

#[test]
fn in_a_folder_of_reports_none_takes_the_place_of_another() {
    let room = gauge::room();
    room.write("runs/good/late.yaml", gauge::RUN.replace("RG-00042", "RG-00043"));
    room.run("check runs/good runs/good/late.yaml runs/good/a.csv --junit out/").ends(2);
    assert_eq!(room.names("out"), ["runs+good+a.csv.xml", "runs+good+late.yaml.xml", "runs+good.xml"]);
    let name = |file: &str| {
        let report = xml::read(room.read(&format!("out/{file}")).as_bytes());
        report.children[0].get("name").to_owned()
    };
    assert_eq!(name("runs+good.xml"), "gauge RG-00042");
    assert_eq!(name("runs+good+late.yaml.xml"), "gauge RG-00043");
}

/// A sweep given in the place of a run: what is wanted is said, and what shows one sweep.
#[test]
fn a_sweep_given_to_check_is_sent_to_inspect() {
    let room = gauge::room();
    let sweep = room.read("runs/good/a.csv");
    let large = format!("{sweep}{}", "# and so on\n".repeat(900_000));
    let utf16: Vec<u8> = "\u{feff}f\tg\n1\t2\n".encode_utf16().flat_map(u16::to_le_bytes).collect();
    room.write("one.txt", &sweep).write("two", &sweep).write("large.csv", large).write("wide.tsv", utf16);
    for file in ["runs/good/a.csv", "one.txt", "two", "large.csv", "wide.tsv"] {
        for command in ["check", "levels"] {
            let ran = room.run(&format!("{command} {file}")).ends(2);
            assert!(ran.stderr.contains(&format!("]: {file}: is no run file")), "{}", ran.stderr);
            assert!(
                ran.stderr.contains(&format!("loopgauge inspect --critical-point=-1 {file}")),
                "{}",
                ran.stderr
            );
        }
    }
    room.run("inspect --critical-point=-1 runs/good/a.csv").ends(0);
    // A run file of another name keeps its own errors.
    room.write("run-42.txt", "run: 1\nproduct: gauge\n");
    assert!(room.run("check run-42.txt").ends(2).stderr.contains("the key `serial` is missing"));
}

#[test]
fn a_damaged_sweep_of_a_corner_that_nobody_asked_for_is_not_read() {
    let room = failing();
    room.write("runs/bad/b.csv", DAMAGED);
    let ran = room.run("check runs/bad --only *0V-3A/phase_margin --json -").ends(0).json();
    let corners: Vec<&str> = list(&ran["runs"][0]["corners"]).iter().map(|c| text(&c["corner"])).collect();
    assert_eq!(corners, ["10V-3A"]);
    assert_eq!(list(&ran["errors"]).len(), 0);
    // Asked for, it is an error as ever.
    room.run("check runs/bad --only */phase_margin").ends(2);
}
