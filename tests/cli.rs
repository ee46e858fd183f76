//! The command line: exact output, exit status, streams, output files.
//!
//! Pictures of the output stand in `tests/cli/`. `INSTA_UPDATE=always cargo test --test cli` takes them anew; look at
//! the difference before it is committed.

#![cfg(all(feature = "cli", unix))]
#![allow(
    clippy::unwrap_used,
    clippy::panic,
    clippy::indexing_slicing,
    reason = "a test that cannot run its own program must stop"
)]

#[path = "cli/output_files.rs"]
mod output_files;
#[path = "cli/selection.rs"]
mod selection;
#[path = "cli/streams.rs"]
mod streams;
mod tool;

use loopgauge::provenance::sha256;
use tool::gauge::{self, GOOD};
use tool::{Ran, Room, checkout, command, demo, finish, list, text};

const GOOD_RUN: &str = "demo-data/rev-c/RG-00021/river-gauge-5v";
const FAILING_RUN: &str = "demo-data/rev-b/RG-00011/river-gauge-5v";
const UNREADABLE_RUN: &str = "demo-data/rev-c/RG-00024/river-gauge-5v";

/// Compares status and both streams with a picture.
fn picture(name: &str, ran: &Ran) {
    let text = format!(
        "status {}\n--- standard output\n{}--- standard error\n{}",
        ran.status.unwrap(),
        ran.out(),
        ran.stderr
    );
    let mut settings = insta::Settings::clone_current();
    settings.set_snapshot_path("cli");
    settings.set_prepend_module_to_snapshot(false);
    settings.set_omit_expression(true);
    settings.bind(|| insta::assert_snapshot!(name, text));
}

#[test]
fn pictures() {
    for (name, arguments) in [
        ("check-demo", "check demo-data"),
        ("check-verbose", "check demo-data/rev-c/RG-00025 --verbose"),
        ("check-only", "check demo-data/rev-b --only */phase_margin"),
        ("check-nowhere", "check nowhere specs"),
        (
            "check-baseline",
            "check demo-data/rev-b/RG-00011/river-gauge-5v --baseline demo-data/baseline --only 10V-3A/regression.*",
        ),
        ("inspect", "inspect demo-data/rev-c/RG-00021/river-gauge-1v8/hot.csv --critical-point +1"),
        ("levels", "levels demo-data/rev-c/RG-00021/river-gauge-5v --corner 24V-3A"),
        ("lint-specs", "lint specs"),
        ("lint-all", "lint specs demo-data"),
        ("help", "--help"),
        ("help-check", "help check"),
        ("help-accept", "accept --help"),
        ("help-inspect", "inspect --help"),
        ("help-levels", "levels --help"),
        ("help-lint", "lint --help"),
        ("help-predict", "predict --help"),
        ("help-begin", "begin --help"),
        ("help-schema", "schema --help"),
        ("help-completions", "completions --help"),
        ("help-man", "man --help"),
    ] {
        picture(name, &demo(arguments));
    }
}

/// Every exit status that the commands promise.
#[test]
fn statuses() {
    let cases = [
        // All pass, or is waived.
        (0, format!("check {GOOD_RUN}")),
        (0, "check demo-data/rev-c/RG-00021".to_owned()),
        (0, "check demo-data/rev-a/RG-00003/river-gauge-12v".to_owned()),
        (0, format!("check {GOOD_RUN} --only */phase_margin")),
        (0, format!("check {GOOD_RUN} --baseline demo-data/baseline")),
        (1, format!("check {FAILING_RUN} --baseline demo-data/baseline --only */regression.phase_margin")),
        (1, "check demo-data/rev-c/RG-00021/river-gauge-12v --baseline demo-data/baseline".to_owned()),
        (2, format!("check {GOOD_RUN} --baseline nowhere")),
        (2, format!("accept {GOOD_RUN}")),
        (2, "accept --baseline nowhere".to_owned()),
        (0, format!("check {FAILING_RUN} --only */gain_margin")),
        (0, format!("check {FAILING_RUN} --only 24V-*")),
        // Judged and not passed: fail, undecided, invalid, missing.
        (1, format!("check {FAILING_RUN}")),
        (1, "check demo-data/rev-c/RG-00025".to_owned()),
        (1, "check demo-data/rev-b/RG-00012".to_owned()),
        (1, "check demo-data/rev-c/RG-00022".to_owned()),
        (1, format!("check {GOOD_RUN} {FAILING_RUN}")),
        (1, format!("check {FAILING_RUN} --only 10V-3A/phase_margin")),
        // Unreadable, alone or beside good and failing ones.
        (2, format!("check {UNREADABLE_RUN}")),
        (2, format!("check {GOOD_RUN} {UNREADABLE_RUN}")),
        (2, format!("check {FAILING_RUN} {UNREADABLE_RUN}")),
        (2, "check nowhere".to_owned()),
        (2, format!("check {GOOD_RUN} nowhere")),
        (2, "check specs".to_owned()),
        (2, format!("check {GOOD_RUN} specs")),
        (2, "check nowhere specs".to_owned()),
        (2, format!("check {GOOD_RUN} --specs nowhere")),
        (2, format!("check {GOOD_RUN} --specs src")),
        (2, format!("check {GOOD_RUN} --specs specs/river-gauge-12v.yaml")),
        // A wrong command line.
        (2, String::new()),
        (2, "judge demo-data".to_owned()),
        (2, "check".to_owned()),
        (2, format!("check {GOOD_RUN} --jsn x")),
        (2, format!("check {GOOD_RUN} --json")),
        (2, format!("check {GOOD_RUN} --jobs 0")),
        (2, format!("check {GOOD_RUN} --jobs many")),
        (2, format!("check {GOOD_RUN} --color sometimes")),
        (2, format!("check {GOOD_RUN} --only [")),
        (2, format!("check {GOOD_RUN} --only nothing-of-that-name")),
        (2, format!("check {GOOD_RUN} --json - --junit -")),
        (2, "inspect".to_owned()),
        (2, format!("inspect {GOOD_RUN}/24v-3a.csv")),
        (2, format!("inspect {GOOD_RUN}/24v-3a.csv --critical-point 0")),
        (2, "inspect nowhere.csv --critical-point +1".to_owned()),
        (2, format!("inspect {GOOD_RUN}/24v-3a.csv nowhere.csv --critical-point +1")),
        (2, format!("inspect {GOOD_RUN} --critical-point +1")),
        (2, format!("inspect {GOOD_RUN}/24v-3a.csv --critical-point +1 --reading nowhere.yaml")),
        (0, format!("inspect {GOOD_RUN}/24v-3a.csv --critical-point +1")),
        (0, format!("inspect {GOOD_RUN}/24v-3a.csv --critical-point -1")),
        (0, format!("inspect {GOOD_RUN}/24v-3a.csv --critical-point=-1")),
        (0, format!("inspect {GOOD_RUN}/24v-3a.csv --critical-point +1 --with delay:500ns")),
        (2, format!("inspect {GOOD_RUN}/24v-3a.csv --critical-point +1 --with delay:500")),
        (0, format!("compare {GOOD_RUN} {FAILING_RUN}")),
        (2, format!("compare {GOOD_RUN} {UNREADABLE_RUN}")),
        (2, format!("compare {GOOD_RUN}")),
        (0, format!("levels {GOOD_RUN} --corner 24V-3A")),
        (2, format!("levels {GOOD_RUN}")),
        (2, "levels nowhere".to_owned()),
        (0, "lint specs".to_owned()),
        (0, format!("lint specs {GOOD_RUN}")),
        (0, "lint specs --format json".to_owned()),
        (2, "lint specs --format xml".to_owned()),
        (2, format!("lint {UNREADABLE_RUN} --format json")),
        (0, "begin river-gauge-9v --to -".to_owned()),
        (2, "begin river-gauge-5v".to_owned()),
        (0, "schema".to_owned()),
        (0, "schema run".to_owned()),
        (2, "schema sweep".to_owned()),
        (0, "man".to_owned()),
        (2, "man --to Cargo.toml/man".to_owned()),
        (2, "lint".to_owned()),
        (2, "lint nowhere".to_owned()),
        (2, "lint src".to_owned()),
        (2, format!("lint {UNREADABLE_RUN}")),
        (0, "--version".to_owned()),
        (0, "--help".to_owned()),
        (0, "help inspect".to_owned()),
    ];
    for (status, arguments) in cases {
        let ran = demo(&arguments).ends(status);
        if status == 2 && !arguments.contains("--format json") {
            assert!(
                ran.stderr.contains("error") || ran.stderr.contains("Usage"),
                "{arguments}: {}",
                ran.stderr
            );
        } else {
            // The demo's specs have warnings of their own.
            let is_quiet = ran.stderr.is_empty() || arguments.starts_with("lint specs");
            assert!(is_quiet && !ran.stderr.contains("error"), "{arguments}: {}", ran.stderr);
            assert!(!ran.stdout.is_empty(), "{arguments}");
        }
    }
}

#[test]
fn a_wrong_option_is_named_and_the_nearest_one_suggested() {
    let ran = demo("check demo-data --jnuit x.xml").ends(2);
    assert!(ran.stderr.contains("--jnuit") && ran.stderr.contains("--junit"), "{}", ran.stderr);
    assert!(ran.stdout.is_empty());
}

/// There is none: what was declared on the command line is called so.
#[test]
fn inspect_speaks_of_no_spec() {
    for format in ["", " --json -"] {
        let ran = demo(&format!("inspect {GOOD_RUN}/24v-3a.csv --critical-point -1{format}")).ends(0);
        assert!(ran.out().contains("critical point +1, declared is -1;"), "{}", ran.out());
        assert!(!ran.out().contains("spec"), "{}", ran.out());
    }
}

/// Terminal, JSON and JUnit of a check of the demo.
fn outputs(room: &Room, more: &str, day: Option<&str>) -> [String; 4] {
    let mut command = room.command();
    command
        .args(["check", "-v", "demo-data", "--json", "all.json", "--junit", "all.xml"])
        .args(more.split_whitespace());
    if let Some(day) = day {
        command.env("SOURCE_DATE_EPOCH", day);
    }
    let ran = finish(&mut command).ends(2);
    [ran.out().to_owned(), ran.stderr, room.read("all.json"), room.read("all.xml")]
}

#[test]
fn the_same_input_gives_the_same_bytes() {
    let (room, elsewhere) = (Room::demo(), Room::demo());
    let first = outputs(&room, "--jobs 1", None);
    for more in ["", "--jobs 8", "--jobs 8", "--jobs 64"] {
        assert_eq!(outputs(&room, more, None), first, "{more}");
    }
    assert_eq!(outputs(&elsewhere, "--jobs 2", None), first, "another folder");
    // Two days between which no waiver ends: 2026-01-01 and 2090-01-01.
    assert_eq!(outputs(&room, "", Some("1767225600")), first);
    assert_eq!(outputs(&room, "", Some("3786912000")), first);
    for part in &first {
        assert!(!part.contains(room.root().to_str().unwrap()) && !part.contains(env!("CARGO_MANIFEST_DIR")));
    }
}

#[test]
fn a_waiver_holds_through_its_last_day() {
    let run = "check demo-data/rev-a/RG-00004 --json -";
    let on = |day: &str| finish(command(checkout()).args(run.split(' ')).env("SOURCE_DATE_EPOCH", day));
    // The last second of 2025-09-30, and the first of the day after, UTC.
    assert_eq!(on("1759276799").ends(0).json()["verdict"], "waived");
    assert_eq!(on("1759276800").ends(1).json()["verdict"], "fail");
}

#[test]
fn an_unreadable_run_leaves_its_neighbours_as_they_are() {
    let room = gauge::room();
    gauge::add_run(&room, "runs/other", "RG-00043", [12e3, 50e3, 15e3]);
    let alone = room.run("check runs --json -").ends(1).json();
    gauge::add_run(&room, "runs/broken", "RG-00044", GOOD);
    room.write("runs/broken/b.csv", "frequency_hz,gain_db,phase_deg\n1,2\n");
    let beside = room.run("check runs --json -").ends(2);
    assert!(beside.stderr.contains("runs/broken/b.csv:2"), "{}", beside.stderr);
    assert_eq!(beside.json()["runs"], alone["runs"]);
    assert_eq!(beside.json()["verdict"], alone["verdict"]);
}

/// A file in Latin-1 is judged as it is where its encoding is declared, and what is recorded of it are its own bytes.
#[test]
fn a_sweep_in_a_declared_encoding_is_judged_as_it_is() {
    let room = gauge::room();
    let wanted = room.run("check runs --json -").json()["runs"][0]["corners"].clone();
    let names = room.names("runs/good");
    let mut raw = Vec::new();
    for name in names.iter().filter(|name| name.ends_with(".csv")) {
        // A micro sign and a degree sign.
        let latin = [b"# \xB5 \xB0\n", room.read(&format!("runs/good/{name}")).as_bytes()].concat();
        room.write(&format!("runs/good/{name}"), &latin);
        raw.push((format!("runs/good/{name}"), latin));
    }
    let undeclared = room.run("check runs").ends(2).stderr;
    assert!(
        undeclared.contains(":1:1") && undeclared.contains("byte 0xB5 is not valid UTF-8"),
        "{undeclared}"
    );
    assert!(undeclared.contains("`reading: {encoding: windows-1252}`"), "{undeclared}");

    let run = room.read("runs/good/run.yaml");
    room.write("runs/good/run.yaml", format!("{run}reading: {{encoding: windows-1252}}\n"));
    let in_run = room.run("check runs --json -").json();
    room.write("runs/good/run.yaml", run);
    let spec = room.read("specs/gauge.yaml");
    room.write("specs/gauge.yaml", format!("{spec}reading: {{encoding: latin1}}\n"));
    let in_spec = room.run("check runs --json -").json();
    for judged in [&in_run, &in_spec] {
        assert_eq!(judged["runs"][0]["corners"], wanted);
        assert_eq!(judged["verdict"], "pass");
        let digest = list(&judged["runs"][0]["files"]).iter().find(|file| file["file"] == "a.csv").unwrap();
        assert_eq!(
            text(&digest["sha256"]),
            sha256(&raw.iter().find(|(name, _)| name.ends_with("/a.csv")).unwrap().1)
        );
    }
    room.write("layout.yaml", "encoding: ISO-8859-1\n");
    let first = &raw[0].0;
    room.run(&format!("inspect {first} --critical-point -1 --reading layout.yaml")).ends(0);
    room.run(&format!("inspect {first} --critical-point -1")).ends(2);
}
