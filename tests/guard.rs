//! Outputs and what stands at their place, driven through the built program: an earlier output of the same kind gives way,
//! everything else stays to the last byte.

#![cfg(all(feature = "cli", unix))]
#![allow(
    clippy::unwrap_used,
    clippy::panic,
    clippy::indexing_slicing,
    reason = "a test that cannot run its own program must stop"
)]

mod tool;

use std::fs;
use std::os::unix::fs::symlink;
use tool::{Ran, Room, gauge};

/// A command, the option with the output that is tried, and the options of the others with the files they give.
struct Output {
    command: &'static str,
    option: &'static str,
    others: &'static [(&'static str, &'static str)],
    status: i32,
}

const fn output(
    command: &'static str,
    option: &'static str,
    others: &'static [(&'static str, &'static str)],
) -> Output {
    Output { command, option, others, status: 0 }
}

/// Every option of every command that names an output.
const OUTPUTS: &[Output] = &[
    output("check runs", "--json", &[("--junit", "o.xml"), ("--html", "o.html"), ("--markdown", "o.md")]),
    output("check runs", "--junit", &[("--json", "o.json"), ("--html", "o.html")]),
    output("check runs", "--html", &[("--json", "o.json"), ("--junit", "o.xml")]),
    output("check runs", "--markdown", &[("--json", "o.json"), ("--junit", "o.xml")]),
    output("check runs", "--sarif", &[("--json", "o.json"), ("--html", "o.html")]),
    output("check runs --record line.db", "--json", &[("--junit", "o.xml")]),
    output("inspect runs/good/a.csv --critical-point +1", "--json", &[]),
    output("lint specs runs", "--json", &[("--sarif", "o.sarif")]),
    output("lint specs runs", "--sarif", &[("--json", "o.json")]),
    output("levels runs/good --corner cold", "--json", &[("--csv", "o.csv")]),
    output("levels runs/good --corner cold", "--csv", &[("--json", "o.json")]),
    output("drift --history h.db", "--json", &[("--junit", "o.xml"), ("--html", "o.html")]),
    output("drift --history h.db", "--junit", &[("--json", "o.json"), ("--markdown", "o.md")]),
    output("drift --history h.db", "--html", &[("--json", "o.json")]),
    output("drift --history h.db", "--markdown", &[("--json", "o.json")]),
    output("history export h.db", "--csv", &[]),
    #[cfg(feature = "parquet")]
    output("history export h.db", "--parquet", &[("--csv", "o.csv")]),
];

/// Files of a user, inputs and others, and links to them.
const KEPT: &[&str] = &[
    "specs/gauge.yaml",
    "specs/part.yaml",
    "runs/good/run.yaml",
    "runs/good/a.csv",
    "runs/good/a.txt",
    "h.db",
    "notes.txt",
    "link-to-spec",
    "link-to-run.json",
    "link-to-sweep.xml",
    "link-to-history.html",
    "second-name-of-a-sweep.md",
    "other.json",
    "other.xml",
    "other.html",
    "other.md",
    "base/gauge/RG-00042.yaml",
    "blank.csv",
];

/// A run that passes and whose levels give a profile, its history, its baseline, and files of other programs.
fn room() -> Room {
    let room = gauge::room();
    room.edit("specs/gauge.yaml", "title: one rail of the river gauge\n", "extends: part.yaml\n");
    room.write("specs/part.yaml", "title: one rail of the river gauge\n");
    fs::copy(room.path("runs/good/a.csv"), room.path("runs/good/a.txt")).unwrap();
    room.edit("runs/good/run.yaml", "file: a.csv", "file: a.txt");
    room.run("check runs --record h.db").ends(0);
    room.run("accept runs --baseline base").ends(0);
    room.write("notes.txt", "what I found on the bench\n").write("blank.csv", "\n");
    room.write("other.json", "{\"format\": 1, \"title\": \"of another program\"}\n");
    room.write("other.xml", "<?xml version=\"1.0\"?>\n<testsuites name=\"other\"></testsuites>\n");
    room.write("other.html", "<!DOCTYPE html>\n<html><head><title>other</title></head></html>\n");
    room.write("other.md", "# Loop stability\n\nmy own words\n");
    for (to, name) in [
        ("specs/gauge.yaml", "link-to-spec"),
        ("runs/good/run.yaml", "link-to-run.json"),
        ("runs/good/b.csv", "link-to-sweep.xml"),
        ("h.db", "link-to-history.html"),
    ] {
        symlink(to, room.path(name)).unwrap();
    }
    fs::hard_link(room.path("runs/good/c.csv"), room.path("second-name-of-a-sweep.md")).unwrap();
    room
}

fn run(room: &Room, output: &Output, target: &str) -> Ran {
    let others: Vec<String> = output.others.iter().map(|(option, file)| format!("{option} {file}")).collect();
    room.run(&format!("{} {} {target} {}", output.command, output.option, others.join(" ")))
}

#[test]
fn every_output_spares_every_file_that_is_none_of_its_kind() {
    let room = room();
    for output in OUTPUTS {
        for kept in KEPT {
            let of = |name: &str| fs::read(room.path(name)).unwrap();
            let before = of(kept);
            let place = fs::symlink_metadata(room.path(kept)).unwrap().file_type();
            let ran = run(&room, output, kept).ends(2);
            let what = format!("{} {} {kept}", output.command, output.option);
            assert_eq!(of(kept), before, "{what}");
            assert_eq!(fs::symlink_metadata(room.path(kept)).unwrap().file_type(), place, "{what}");
            let told = ran.stderr.lines().find(|line| line.starts_with("error: ")).unwrap_or_default();
            let named = told.contains(kept) || (kept.contains("history") && told.contains(" h.db"));
            assert!(named && told.contains("another file"), "{what}: {}", ran.stderr);
            for (option, other) in output.others {
                assert!(
                    fs::metadata(room.path(other)).is_ok_and(|found| found.len() > 0),
                    "{what}: {option}"
                );
                fs::remove_file(room.path(other)).unwrap();
            }
            let left: Vec<String> =
                room.names(".").into_iter().filter(|name| name.contains("loopgauge-part")).collect();
            assert!(left.is_empty(), "{what}: {left:?}");
        }
    }
}

#[test]
fn every_output_takes_the_place_of_an_empty_file_and_of_itself() {
    let room = room();
    for output in OUTPUTS {
        // The name says nothing: what stands there does.
        for target in ["out.yaml", "out.csv", "out"] {
            room.write(target, "");
            let first = run(&room, output, target).ends(output.status);
            assert_eq!(first.stderr, "", "{} {}", output.command, output.option);
            let written = fs::read(room.path(target)).unwrap();
            assert!(!written.is_empty());
            run(&room, output, target).ends(output.status);
            symlink(target, room.path("link")).unwrap();
            run(&room, output, "link").ends(output.status);
            assert!(fs::symlink_metadata(room.path("link")).unwrap().is_symlink());
            fs::remove_file(room.path("link")).unwrap();
            fs::remove_file(room.path(target)).unwrap();
        }
        run(&room, output, "/dev/null").ends(output.status);
        output.others.iter().for_each(|(_, other)| fs::remove_file(room.path(other)).unwrap());
    }
}

#[test]
fn a_report_of_another_kind_stays() {
    let room = room();
    room.run("check runs --json r.json --junit r.xml --html r.html --markdown r.md").ends(0);
    for (option, target, seems) in [
        ("--junit", "r.json", "a JSON result of loopgauge"),
        ("--json", "r.xml", "a JUnit report of loopgauge"),
        ("--markdown", "r.html", "a page of loopgauge"),
        ("--html", "r.md", "a Markdown report of loopgauge"),
    ] {
        let before = room.read(target);
        let ran = room.run(&format!("check runs {option} {target}")).ends(2);
        assert!(
            ran.stderr.contains(&format!("cannot write {target}: {seems} stands there")),
            "{}",
            ran.stderr
        );
        assert_eq!(room.read(target), before);
    }
}

/// Reports of runs that could not be read, and of nothing, are known again as well.
#[test]
fn a_report_of_nothing_gives_way_too() {
    let room = room();
    room.write("runs/good/b.csv", "damaged");
    for runs in ["runs", "nowhere"] {
        for _ in 0..2 {
            let words = "--json n.json --junit n.xml --html n.html --markdown n.md";
            let ran = room.run(&format!("check {runs} {words}")).ends(2);
            assert!(!ran.stderr.contains("cannot write"), "{}", ran.stderr);
        }
    }
}

#[test]
fn a_file_that_was_read_stays_whatever_it_holds() {
    let room = room();
    // Empty, and one that looks like a result: both are named as inputs.
    room.write("runs/good/b.csv", "").write("odd.yaml", "{\"format\":1,\"runs\":[]}");
    for (command, target) in [
        ("check runs --json runs/good/b.csv", "runs/good/b.csv"),
        ("lint odd.yaml --json odd.yaml", "odd.yaml"),
        (
            "inspect runs/good/b.csv runs/good/a.csv --critical-point +1 --json ./runs/good/b.csv",
            "runs/good/b.csv",
        ),
    ] {
        let before = room.read(target);
        let ran = room.run(command).ends(2);
        assert!(ran.stderr.contains("it is an input of this command"), "{command}: {}", ran.stderr);
        assert_eq!(room.read(target), before, "{command}");
    }
}

#[test]
fn files_of_folders_are_spared_one_by_one() {
    let room = room();
    gauge::add_run(&room, "runs/other", "RG-00043", gauge::GOOD);
    room.run("check runs --junit reports/").ends(0);
    room.run("check runs --junit reports/").ends(0);
    room.write("reports/runs+good.xml", "mine\n");
    let ran = room.run("check runs --junit reports").ends(2);
    assert!(ran.stderr.contains("cannot write reports/runs+good.xml: a text stands there"), "{}", ran.stderr);
    assert_eq!(room.read("reports/runs+good.xml"), "mine\n");
    assert!(room.read("reports/runs+other.xml").contains("RG-00043"));

    room.run("man --to pages").ends(0);
    room.run("man --to pages").ends(0);
    room.write("pages/loopgauge-check.1", "mine\n");
    let ran = room.run("man --to pages").ends(2);
    assert!(ran.stderr.contains("pages/loopgauge-check.1"), "{}", ran.stderr);
    assert_eq!(room.read("pages/loopgauge-check.1"), "mine\n");

    // Accepting writes over accepted units alone, also where the folder of a run would be that of the product.
    room.run("accept runs --baseline base").ends(0);
    room.write("runs/gauge/RG-00042.yaml", "run: 1\n");
    let ran = room.run("accept runs/good runs/other --baseline runs").ends(2);
    assert!(
        ran.stderr.contains("cannot write runs/gauge/RG-00042.yaml: a run stands there"),
        "{}",
        ran.stderr
    );
    assert_eq!(room.read("runs/gauge/RG-00042.yaml"), "run: 1\n");
    assert!(room.read("runs/gauge/RG-00043.yaml").contains("\nbaseline: 1\n"));
    fs::remove_file(room.path("base/gauge/RG-00042.yaml")).unwrap();
    symlink("../../specs/gauge.yaml", room.path("base/gauge/RG-00042.yaml")).unwrap();
    let spec = room.read("specs/gauge.yaml");
    room.run("accept runs/good --baseline base").ends(2);
    assert_eq!(room.read("specs/gauge.yaml"), spec);
}

/// `--replace` drops accepted units, and nothing else that lies beside them.
#[test]
fn only_accepted_units_are_dropped() {
    let room = room();
    room.write("runs/gauge/run.yaml", "run: 1\nproduct: gauge\n").write("runs/gauge/notes.yaml", "a: 1\n");
    let ran = room.run("accept runs/good --baseline runs --replace").ends(0);
    assert_eq!(room.names("runs/gauge"), ["RG-00042.yaml", "notes.yaml", "run.yaml"]);
    assert!(ran.stderr.contains("runs/gauge/run.yaml is no accepted unit and stays"), "{}", ran.stderr);
}

/// What appears while the command works is spared as what stood there before.
#[test]
fn a_new_history_is_spared_by_the_report_beside_it() {
    let room = room();
    for words in ["--record new.db --json new.db", "--record new.db --html ./new.db"] {
        room.run(&format!("check runs {words}")).ends(2);
        assert!(!room.path("new.db").exists());
    }
}
