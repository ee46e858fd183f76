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

mod tool;

use loopgauge::provenance::sha256;
use serde_json::Value;
use std::fs;
use std::io::{BufRead, BufReader, Read};
use std::os::unix::fs::symlink;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};
use tool::gauge::{self, GOOD};
use tool::{LIMIT, Ran, Room, checkout, command, demo, finish, list, text, verdicts, xml};

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

/// What `--only` leaves of a run.
fn only(globs: &[&str]) -> Vec<String> {
    let mut command = command(checkout());
    command.args(["check", GOOD_RUN, "--json", "-"]);
    globs.iter().for_each(|glob| {
        command.args(["--only", glob]);
    });
    let result = finish(&mut command).ends(0).json();
    verdicts(&result["runs"][0]).into_iter().map(|(check, _)| check).collect()
}

#[test]
fn only_keeps_what_is_met_and_what_it_hangs_on() {
    let ground = ["collected", "coverage", "sanity", "linearity"];
    let expected = |corners: &[&str], checks: &[&str]| -> Vec<String> {
        let names = |corner: &&str| -> Vec<String> {
            ground.iter().chain(checks).map(|check| format!("{corner}/{check}")).collect()
        };
        corners.iter().flat_map(names).collect()
    };
    assert_eq!(only(&["24V-3A/phase_margin"]), expected(&["24V-3A"], &["phase_margin"]));
    assert_eq!(only(&["24V-*/phase_margin"]), expected(&["24V-0.5A", "24V-3A"], &["phase_margin"]));
    // A star also meets the slash, so a pattern may begin or end anywhere.
    assert_eq!(
        only(&["24V-3A*phase_margin"]),
        expected(&["24V-3A"], &["phase_margin", "regression.phase_margin"])
    );
    assert_eq!(
        only(&["cold*gain_margin"]),
        expected(&["cold-start"], &["gain_margin", "regression.gain_margin"])
    );
    assert_eq!(only(&["?2V-3A/{crossover,crossings}"]), expected(&["32V-3A"], &["crossover", "crossings"]));
    assert_eq!(only(&["10V-3A/gain@*Hz"]), expected(&["10V-3A"], &["gain@120Hz", "gain@150kHz-200kHz"]));
    // Repeated: what either meets.
    assert_eq!(
        only(&["24V-3A/crossover", "10V-0.5A/delay_margin"]),
        [expected(&["10V-0.5A"], &["delay_margin"]), expected(&["24V-3A"], &["crossover"])].concat()
    );
    assert_eq!(only(&["cold-start/linearity"]), expected(&["cold-start"], &[]));
    // A leading exclamation mark turns a pattern round.
    assert_eq!(only(&["!*[!n]"]), only(&["*n"]));
    assert_eq!(only(&["*"]).len(), 7 * 16);
}

#[test]
fn only_met_by_one_of_two_runs_judges_that_one() {
    let result =
        demo(&format!("check {GOOD_RUN} demo-data/rev-c/RG-00021/river-gauge-1v8 --only 5.5V-* --json -"));
    let result = result.ends(0).json();
    assert_eq!(list(&result["runs"]).len(), 1);
    assert_eq!(result["runs"][0]["product"], "river-gauge-1v8");
}

/// Runs of a result, as named.
fn runs(arguments: &str) -> Vec<String> {
    let result = demo(&format!("check {arguments} --json -")).json();
    list(&result["runs"]).iter().map(|run| text(&run["run"]).to_owned()).collect()
}

#[test]
fn a_run_is_reached_by_file_folder_or_a_folder_above_and_judged_once() {
    let name = "demo-data/rev-a/RG-00005/river-gauge-1v8";
    for arguments in [
        name.to_owned(),
        format!("{name}/"),
        format!("{name}/run.yaml"),
        "demo-data/rev-a/RG-00005".to_owned(),
        "demo-data/rev-a/RG-00005/".to_owned(),
        format!("{name} {name}"),
        format!("{name} {name}/run.yaml {name}/"),
        format!("{name} demo-data/rev-a/RG-00005"),
        format!("demo-data/rev-a/RG-00005 {name}/run.yaml"),
    ] {
        assert_eq!(runs(&arguments), [name], "{arguments}");
    }
    let through = format!("demo-data/rev-b/../rev-a/RG-00005 {name}");
    assert_eq!(runs(&through).len(), 1);
    let all = runs("demo-data");
    assert_eq!(all.len(), 17);
    assert!(all.is_sorted());
    assert_eq!(runs("demo-data demo-data/rev-b demo-data/rev-c/RG-00021"), all);
    assert_eq!(runs("demo-data/rev-c demo-data/rev-a/ demo-data/rev-b"), all);
}

#[test]
fn a_run_given_from_inside_its_folder_is_named_by_a_dot() {
    let ran = finish(command(&checkout().join(GOOD_RUN)).args([
        "check",
        ".",
        "--specs",
        "../../../../specs",
        "--json",
        "-",
    ]));
    assert_eq!(ran.ends(0).json()["runs"][0]["run"], ".");
    let ran = finish(command(&checkout().join(GOOD_RUN)).args([
        "check",
        "run.yaml",
        "--specs",
        "../../../../specs",
        "--json",
        "-",
    ]));
    assert_eq!(ran.ends(0).json()["runs"][0]["run"], ".");
}

#[test]
fn a_folder_behind_a_link_is_named_and_not_passed_over_as_good() {
    let room = gauge::room();
    fs::create_dir(room.path("linked")).unwrap();
    symlink(room.path("runs/good"), room.path("linked/good")).unwrap();
    let ran = room.run("check linked").ends(2);
    assert!(ran.stderr.contains("linked/good"), "{}", ran.stderr);
    // Named itself, the link is followed.
    room.run("check linked/good").ends(0);
}

#[test]
fn every_folder_without_a_run_is_named() {
    let room = gauge::room();
    fs::create_dir_all(room.path("empty/one")).unwrap();
    fs::create_dir(room.path("bare")).unwrap();
    let ran = room.run("check nowhere empty bare runs").ends(2);
    for name in ["nowhere", "empty", "bare"] {
        assert!(ran.stderr.contains(&format!("{name}: ")), "{name}: {}", ran.stderr);
    }
    assert!(ran.out().contains("verdict is pass"), "{}", ran.out());
}

#[test]
fn one_spec_file_does_as_well_as_their_folder() {
    let one = demo(&format!("check {GOOD_RUN} --json - --specs specs/river-gauge-5v.yaml")).ends(0);
    let all = demo(&format!("check {GOOD_RUN} --json - --specs specs/")).ends(0);
    assert_eq!(one.out(), all.out());
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

#[test]
fn a_hyphen_is_standard_output_and_nothing_else_goes_there() {
    let result = demo("check demo-data --json -").ends(2);
    assert_eq!(result.json()["verdict"], "invalid");
    assert!(result.stderr.contains("24v-0.5a.csv:59:2"), "{}", result.stderr);
    let report = demo("check demo-data --junit -").ends(2);
    assert_eq!(xml::read(&report.stdout).children.len(), 18);
    let room = Room::demo();
    let both = room.run("check demo-data --junit - --json all.json").ends(2);
    assert_eq!(both.stdout, report.stdout);
    assert_eq!(room.read("all.json"), result.out());
    let inspected = demo(&format!("inspect {GOOD_RUN}/24v-3a.csv --critical-point +1 --json -")).ends(0);
    assert_eq!(list(&inspected.json()["sweeps"]).len(), 1);
    let findings = demo("lint specs demo-data --json -").ends(2);
    let findings = findings.json();
    let errors = list(&findings["findings"]).iter().filter(|finding| finding["severity"] == "error");
    assert_eq!(errors.count(), 1);
}

#[test]
fn results_and_problems_go_to_their_own_streams() {
    let ran = demo("check demo-data").ends(2);
    assert!(ran.out().contains("The verdict is") && !ran.out().contains("is no number"));
    assert!(ran.stderr.contains("is no number") && !ran.stderr.contains("verdict"));
    let ran = demo(&format!("inspect {GOOD_RUN}/24v-3a.csv nowhere.csv --critical-point +1")).ends(2);
    assert!(ran.out().contains("phase margin") && !ran.out().contains("nowhere"));
    assert!(ran.stderr.contains("nowhere.csv") && !ran.stderr.contains("phase margin"));
    // Help is what was asked for; a mistake is not.
    assert!(demo("check --help").ends(0).stderr.is_empty());
    assert!(demo("check").ends(2).stdout.is_empty());
}

/// The text without its colours.
fn plain(coloured: &str) -> String {
    let mut parts = coloured.split('\x1b');
    let first = parts.next().unwrap().to_owned();
    parts.fold(first, |text, part| {
        let end = part.find('m').unwrap_or_else(|| panic!("no colour: {part:?}"));
        assert!(part[..end].starts_with('[') && part[1..end].chars().all(|c| c.is_ascii_digit() || c == ';'));
        text + &part[end + 1..]
    })
}

#[test]
fn colours_come_when_asked_for_and_change_no_letter() {
    let arguments = ["check", "demo-data"];
    let run = |variables: &[(&str, &str)], more: &[&str]| {
        finish(command(checkout()).args(arguments).args(more).envs(variables.iter().copied()))
    };
    let bare = run(&[], &[]).ends(2);
    let has_colour = |ran: &Ran| (ran.out().contains('\x1b'), ran.stderr.contains('\x1b'));
    for (variables, more, expected) in [
        (&[][..], &[][..], false),
        (&[], &["--color", "auto"], false),
        (&[], &["--color", "always"], true),
        (&[], &["--color=never"], false),
        (&[("CLICOLOR_FORCE", "1")], &[], true),
        (&[("CLICOLOR_FORCE", "1")], &["--color", "never"], false),
        (&[("NO_COLOR", "1")], &[], false),
        (&[("NO_COLOR", "1"), ("CLICOLOR_FORCE", "1")], &[], false),
        (&[("NO_COLOR", "1")], &["--color", "always"], true),
    ] {
        let ran = run(variables, more).ends(2);
        assert_eq!(has_colour(&ran), (expected, expected), "{variables:?} {more:?}");
        assert_eq!(plain(ran.out()), bare.out());
        assert_eq!(plain(&ran.stderr), bare.stderr);
    }
    let coloured = finish(
        command(checkout())
            .args(["--color", "always", "inspect", "--critical-point", "+1"])
            .arg(format!("{GOOD_RUN}/24v-3a.csv")),
    );
    assert!(coloured.ends(0).out().contains('\x1b'));
    for output in ["--json", "--junit"] {
        let ran = run(&[("CLICOLOR_FORCE", "1")], &[output, "-"]).ends(2);
        assert!(!ran.out().contains('\x1b'), "{output}");
    }
}

/// Reads one line of standard output and closes it.
fn head(arguments: &str) -> (i32, String) {
    let mut child = command(checkout())
        .args(arguments.split_whitespace())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut line = String::new();
    BufReader::with_capacity(1, child.stdout.take().unwrap()).read_line(&mut line).unwrap();
    assert!(!line.is_empty(), "{arguments}");
    let mut errors = String::new();
    child.stderr.take().unwrap().read_to_string(&mut errors).unwrap();
    (child.wait().unwrap().code().unwrap(), errors)
}

#[test]
fn a_reader_that_goes_away_is_no_fault() {
    let sweeps = format!("{GOOD_RUN}/24v-3a.csv ").repeat(400);
    for (status, arguments) in [
        (1, "check -v demo-data/rev-a demo-data/rev-b".to_owned()),
        (1, "check --json - demo-data/rev-a demo-data/rev-b".to_owned()),
        (1, "check --junit - demo-data/rev-a demo-data/rev-b".to_owned()),
        (0, format!("inspect {sweeps} --critical-point +1")),
        (0, format!("inspect {sweeps} --critical-point +1 --json -")),
        (0, "lint specs/river-gauge-5v.yaml --json -".to_owned()),
        (0, "schema".to_owned()),
        (0, "completions bash".to_owned()),
        (0, "man".to_owned()),
        (0, "check --help".to_owned()),
    ] {
        let (ended, errors) = head(&arguments);
        assert_eq!(errors, "", "{arguments}");
        assert_eq!(ended, status, "{arguments}");
    }
}

#[test]
#[cfg(target_os = "linux")]
fn a_full_standard_output_is_an_error() {
    for arguments in [
        format!("check {GOOD_RUN}"),
        format!("check {GOOD_RUN} --json -"),
        format!("check {GOOD_RUN} --junit -"),
        format!("inspect {GOOD_RUN}/24v-3a.csv --critical-point +1"),
        format!("inspect {GOOD_RUN}/24v-3a.csv --critical-point +1 --json -"),
        format!("levels {GOOD_RUN} --corner 24V-3A"),
        format!("levels {GOOD_RUN} --corner 24V-3A --csv -"),
        "lint specs".to_owned(),
        "lint specs --json -".to_owned(),
    ] {
        let full = fs::OpenOptions::new().write(true).open("/dev/full").unwrap();
        let output = command(checkout()).args(arguments.split_whitespace()).stdout(full).output().unwrap();
        let errors = String::from_utf8(output.stderr).unwrap();
        assert_eq!(output.status.code(), Some(2), "{arguments}: {errors}");
        assert!(errors.contains("standard output"), "{arguments}: {errors}");
    }
}

#[test]
fn an_output_that_cannot_be_written_is_named_and_the_others_are_written() {
    let room = gauge::room();
    room.write("file", "old").write("folder/x", "");
    let good = room.run("check runs --json good.json --junit good.xml").ends(0);
    let mut bad = vec!["missing/out", "folder", "file/out"];
    if cfg!(target_os = "linux") {
        bad.push("/dev/full");
    }
    for bad in bad {
        let ran = room.run(&format!("check runs --json {bad} --junit beside.xml")).ends(2);
        assert!(ran.stderr.contains(bad), "{}", ran.stderr);
        assert_eq!(room.read("beside.xml"), room.read("good.xml"), "{bad}");
        assert_eq!(ran.out(), good.out());
        fs::remove_file(room.path("beside.xml")).unwrap();
        if bad != "folder" {
            let ran = room.run(&format!("check runs --junit {bad} --json beside.json")).ends(2);
            assert!(ran.stderr.contains(bad), "{}", ran.stderr);
            assert_eq!(room.read("beside.json"), room.read("good.json"), "{bad}");
        }
        for command in ["inspect runs/good/a.csv --critical-point +1", "lint specs"] {
            let ran = room.run(&format!("{command} --json {bad}")).ends(2);
            assert!(ran.stderr.contains(bad), "{}", ran.stderr);
            assert!(!ran.stdout.is_empty());
        }
    }
    assert_eq!(room.names("folder"), ["x"]);
    assert_eq!(room.read("file"), "old");
}

/// What an earlier version wrote: it gives way to what is written now.
const OLD_JSON: &str = "{\"format\":1,\"tool\":\"loopgauge 0.0.9\",\n\"runs\":[]}\n";
const OLD_JUNIT: &str = "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<testsuites></testsuites>\n";

#[test]
fn two_outputs_to_one_file_are_refused() {
    let room = gauge::room();
    for (json, junit) in [("out", "out"), ("out", "./out")] {
        let ran = room.run(&format!("check runs --json {json} --junit {junit}")).ends(2);
        assert!(ran.stderr.contains("--json") && ran.stderr.contains("--junit"), "{}", ran.stderr);
        assert!(!room.path("out").exists());
    }
    // The one file that may be given twice: it keeps nothing.
    room.run("check runs --json /dev/null --junit /dev/null").ends(0);
}

#[test]
fn outputs_go_through_links_and_to_devices() {
    let room = gauge::room();
    room.write("real.json", OLD_JSON);
    symlink("real.json", room.path("link.json")).unwrap();
    symlink("made.xml", room.path("link.xml")).unwrap();
    room.run("check runs --json link.json --junit link.xml").ends(0);
    assert!(fs::symlink_metadata(room.path("link.json")).unwrap().is_symlink());
    assert_eq!(serde_json::from_str::<Value>(&room.read("real.json")).unwrap()["verdict"], "pass");
    assert_eq!(xml::read(room.read("made.xml").as_bytes()).children.len(), 1);
    room.run("check runs --json /dev/null").ends(0);
    let out = room.run("check runs --json /dev/stdout").ends(0);
    assert!(out.out().contains("\"format\":1") && out.out().contains("The verdict is pass"));
    assert_eq!(room.names("."), ["link.json", "link.xml", "made.xml", "real.json", "runs", "specs"]);
}

#[test]
fn outputs_take_the_place_of_old_ones_and_leave_nothing_beside() {
    let room = gauge::room();
    room.write("all.json", OLD_JSON).write("all.xml", OLD_JUNIT);
    room.run("check runs --json all.json --junit all.xml").ends(0);
    assert_eq!(serde_json::from_str::<Value>(&room.read("all.json")).unwrap()["format"], 1);
    xml::read(room.read("all.xml").as_bytes());
    assert_eq!(room.names("."), ["all.json", "all.xml", "runs", "specs"]);
    // What the command line refuses touches no output.
    room.write("all.json", OLD_JSON);
    room.run("check runs --json all.json --only [").ends(2);
    assert_eq!(room.read("all.json"), OLD_JSON);
    // When no run can be judged the outputs say so all the same.
    room.run("check nowhere --json all.json").ends(2);
    let result: Value = serde_json::from_str(&room.read("all.json")).unwrap();
    assert_eq!((&result["verdict"], list(&result["errors"]).len()), (&Value::Null, 1));
}

#[test]
fn a_folder_gets_one_report_per_run() {
    let room = Room::demo();
    room.run("check demo-data --junit whole.xml").ends(2);
    let whole = xml::read(room.read("whole.xml").as_bytes());
    fs::create_dir(room.path("there")).unwrap();
    for folder in ["there", "new/", "deep/er/"] {
        room.run(&format!("check demo-data --junit {folder}")).ends(2);
        let names = room.names(folder);
        assert_eq!(names.len(), 18, "{names:?}");
        let mut cases = Vec::new();
        for name in names {
            assert!(name.ends_with(".xml"), "{name}");
            let report = xml::read(room.read(&format!("{folder}/{name}")).as_bytes());
            assert_eq!(report.children.len(), 1, "{name}");
            cases.extend(report.children.iter().flat_map(|suite| {
                let name = suite.get("name").to_owned();
                suite.cases().into_iter().map(move |case| (name.clone(), case))
            }));
        }
        let mut expected: Vec<_> = whole
            .children
            .iter()
            .flat_map(|suite| suite.cases().into_iter().map(|case| (suite.get("name").to_owned(), case)))
            .collect();
        cases.sort();
        expected.sort();
        assert_eq!(cases, expected);
    }
}

/// Killed while it writes: a pipe that nobody empties holds it there.
#[test]
fn a_killed_run_leaves_no_half_output() {
    let room = Room::demo();
    room.write("report.json", OLD_JSON);
    let pipe = room.path("pipe.xml");
    assert!(Command::new("mkfifo").arg(&pipe).status().unwrap().success());
    let mut child = room
        .command()
        .args("check demo-data --json report.json --junit pipe.xml".split(' '))
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    // Opening waits for the writer; nothing is read, so that the writer stops when the pipe is full.
    let held = fs::File::open(&pipe).unwrap();
    let part = room.path(".report.json.loopgauge-part");
    let start = Instant::now();
    // How much of it has left the writer's memory by then depends on the size of the system's pipes.
    while !part.exists() {
        assert!(start.elapsed() < LIMIT && child.try_wait().unwrap().is_none(), "it never wrote aside");
        std::thread::sleep(Duration::from_millis(5));
    }
    child.kill().unwrap();
    child.wait().unwrap();
    drop(held);
    assert_eq!(room.read("report.json"), OLD_JSON);
    let parts = |names: Vec<String>| names.into_iter().filter(|name| name.contains("loopgauge-part")).count();
    assert!(parts(room.names(".")) <= 1);
    let again = room.run("check demo-data --json report.json --junit -").ends(2);
    assert_eq!(parts(room.names(".")), 0);
    assert_eq!(list(&serde_json::from_str::<Value>(&room.read("report.json")).unwrap()["runs"]).len(), 17);
    assert_eq!(xml::read(&again.stdout).children.len(), 18);
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
