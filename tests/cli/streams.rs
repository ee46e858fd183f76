//! What goes to standard output and to standard error, and what happens when nobody reads it.

use super::GOOD_RUN;
use super::tool::{Ran, Room, checkout, command, demo, finish, list, xml};
use std::fs;
use std::io::{BufRead, BufReader, Read};
use std::process::Stdio;

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
