//! Which runs, and which of their checks, are judged.

use super::GOOD_RUN;
use super::tool::{checkout, command, demo, finish, gauge, list, text, verdicts};
use std::fs;
use std::os::unix::fs::symlink;

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
