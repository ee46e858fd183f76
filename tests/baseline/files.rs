//! Files of the baseline: how they are written, and what is wrong with them.

use super::{FILE, accepted, add, checked, lost, not_passed, says};
use crate::tool::gauge::{SPEC, add_spec};
use crate::tool::{Room, checkout, demo, finish, list, text};
use std::path::Path;
use std::process::Stdio;

#[test]
fn the_same_run_gives_the_same_bytes() {
    let room = accepted();
    let first = room.read(FILE);
    room.run("accept runs/good --baseline base").ends(0);
    room.run("accept runs/good/run.yaml --baseline other").ends(0);
    assert_eq!(room.read(FILE), first);
    assert_eq!(room.read("other/gauge/RG-00042.yaml"), first);
    // Read and written again it is the same, to the last digit.
    let unit = loopgauge::baseline::parse(first.as_bytes(), &FILE.into()).unwrap();
    assert_eq!(loopgauge::baseline::text(&unit), first);
    // A checkout with other line ends holds the same.
    let other = loopgauge::baseline::parse(first.replace('\n', "\r\n").as_bytes(), &FILE.into());
    assert_eq!(other.unwrap(), unit);
    let own = |key: &str| first.lines().find_map(|line| line.strip_prefix(key)).unwrap().to_owned();
    assert_eq!(
        (own("serial: "), own("station: "), own("verdict: ")),
        ("RG-00042".into(), "bench-3".into(), "pass".into())
    );
    assert_eq!(own("spec_sha256: ").len(), 64);
    assert!(first.lines().all(|line| line.len() < 250 && line.trim_end() == line));
}

#[test]
fn the_demos_baseline_is_what_accept_writes() {
    let room = Room::empty();
    let base = room.path("base");
    demo(&format!("accept demo-data/rev-c/RG-00021/river-gauge-5v --baseline {}", base.display())).ends(0);
    let committed = checkout().join("demo-data/baseline/river-gauge-5v/RG-00021.yaml");
    assert_eq!(room.read("base/river-gauge-5v/RG-00021.yaml"), std::fs::read_to_string(committed).unwrap());
}

/// Other readers of YAML see the labels as text: what looks like a number or a date is quoted.
#[test]
fn nasty_serials_are_kept_apart_and_come_back() {
    let room = Room::empty();
    add_spec(&room);
    let serials = [
        "2.10",
        "00042",
        "\"../../x\"",
        "\"a/b\"",
        "\"A/B\"",
        "CON",
        "con",
        "\"~\"",
        "\"null\"",
        "ä",
        "\"x\\u202ey\"",
        "\". .\"",
        "\"'\\\"\"",
    ];
    for (k, serial) in serials.iter().enumerate() {
        add(&room, &format!("runs/{k}"), serial, Some("bench-3"), lost(0.0));
    }
    room.run("accept runs --baseline base").ends(0);
    let names = room.names("base/gauge");
    assert_eq!(names.len(), serials.len(), "{names:?}");
    assert!(names.iter().all(|name| name.is_ascii() && !name.starts_with('.')), "{names:?}");
    assert_eq!(room.names("base"), ["gauge"]);
    for k in 0..serials.len() {
        let run = checked(&room, &format!("runs/{k}"), 0);
        let compared = &super::check(&run, "cold", "regression.phase_margin")["accepted"]["of"];
        assert_eq!(compared, &run["serial"]);
    }
}

#[test]
fn a_run_that_did_not_pass_is_refused_unless_there_is_a_reason() {
    let room = accepted();
    room.edit(
        "specs/gauge.yaml",
        "  phase_margin: {min: 50 deg}\n  gain_margin",
        "  phase_margin: {min: 85 deg}\n  gain_margin",
    );
    let before = room.read(FILE);
    let ran = room.run("accept runs/good --baseline base").ends(1);
    assert!(
        ran.out().contains("runs/good: not accepted: the verdict is fail") && ran.out().contains("--anyway"),
        "{}",
        ran.out()
    );
    assert_eq!(room.read(FILE), before);
    let ran = finish(room.command().args([
        "accept",
        "runs/good",
        "--baseline",
        "base",
        "--anyway",
        "ECO 17: \"open\"",
    ]))
    .ends(0);
    assert!(ran.out().contains("(fail)"), "{}", ran.out());
    let file = room.read(FILE);
    assert!(file.contains("verdict: fail\nanyway: \"ECO 17: \\\"open\\\"\"\n"), "{file}");
    for reason in ["", "  ", "a\nb"] {
        finish(room.command().args(["accept", "runs/good", "--baseline", "base", "--anyway", reason]))
            .ends(2);
    }
    // A run that passes needs no reason and keeps none.
    room.write("specs/gauge.yaml", SPEC);
    finish(room.command().args(["accept", "runs/good", "--baseline", "base", "--anyway", "x"])).ends(0);
    assert!(!room.read(FILE).contains("anyway"));
}

#[test]
fn corners_without_values_are_left_out_and_missing_later() {
    let room = accepted();
    add(&room, "runs/part", "RG-00042", Some("bench-3"), lost(0.0));
    let run = room.read("runs/part/run.yaml");
    let kept: Vec<&str> = run.lines().filter(|line| !line.contains("cold")).collect();
    room.write("runs/part/run.yaml", kept.join("\n"));
    room.run("accept runs/part --baseline base").ends(1);
    let ran = room.run("accept runs/part --baseline base --anyway chamber").ends(0);
    assert!(
        ran.out().contains("with 2 corners (missing)") && ran.out().contains("left out: cold"),
        "{}",
        ran.out()
    );
    assert_eq!(
        not_passed(&checked(&room, "runs/good", 1)),
        ["cold/crossover missing", "cold/phase_margin missing"]
    );
}

#[test]
fn others_are_dropped_when_all_were_accepted() {
    let room = accepted();
    add(&room, "new/a", "RG-7", None, lost(0.0));
    add(&room, "new/b", "RG-8", None, lost(0.0));
    room.write("base/gauge/notes.txt", "kept").write("base/gauge/damaged.yaml", "baseline: 1\n]");
    room.write("base/gauge/foreign.yaml", "run: 1\n");
    room.write("base/other/X.yaml", "kept");
    room.run("accept new --baseline base").ends(0);
    assert_eq!(
        room.names("base/gauge"),
        ["RG-00042.yaml", "RG-7.yaml", "RG-8.yaml", "damaged.yaml", "foreign.yaml", "notes.txt"]
    );
    // One of them does not pass: nothing is dropped.
    add(&room, "new/b", "RG-8", None, lost(40.0));
    room.run("accept new --baseline base --replace").ends(1);
    assert_eq!(room.names("base/gauge").len(), 6);
    add(&room, "new/b", "RG-8", None, lost(1.0));
    let ran = room.run("accept new --baseline base --replace").ends(0);
    assert_eq!(room.names("base/gauge"), ["RG-7.yaml", "RG-8.yaml", "foreign.yaml", "notes.txt"]);
    assert!(ran.stderr.contains("base/gauge/foreign.yaml is no accepted unit and stays"), "{}", ran.stderr);
    assert!(ran.out().contains("dropped base/gauge/RG-00042.yaml\n"), "{}", ran.out());
    assert_eq!(room.names("base/other"), ["X.yaml"]);
}

#[test]
fn what_cannot_be_accepted_ends_with_status_2() {
    let room = accepted();
    // Two runs of one unit: which one counts is nobody's guess.
    add(&room, "runs/again", "RG-00042", None, lost(1.0));
    let before = room.read(FILE);
    let ran = room.run("accept runs --baseline base").ends(2);
    assert!(
        says(&ran, "several runs are of the unit RG-00042") && room.read(FILE) == before,
        "{}",
        ran.stderr
    );
    room.write("runs/again/a.csv", "rubbish");
    room.run("accept runs/again --baseline base").ends(2);
    room.run("accept runs/good").ends(2);
    room.run("accept --baseline base").ends(2);
    room.run("accept nowhere --baseline base").ends(2);
    room.run("accept runs/good --baseline base --specs nowhere").ends(2);
    room.write("full", "a file");
    assert!(says(&room.run("accept runs/good --baseline full").ends(2), "full"));
    std::fs::create_dir_all(room.path("taken/gauge/RG-00042.yaml")).unwrap();
    assert!(says(&room.run("accept runs/good --baseline taken").ends(2), "it is a folder"));
    // A good one beside it is stored all the same.
    let ran = room.run("accept runs/again runs/good --baseline fresh").ends(2);
    assert!(
        ran.out().contains("runs/good: accepted RG-00042") && room.path("fresh/gauge/RG-00042.yaml").exists()
    );
}

#[test]
fn two_at_once_leave_one_whole_file() {
    let room = accepted();
    add(&room, "runs/b", "RG-00042", Some("bench-1"), lost(1.0));
    let expected: Vec<String> = ["good", "b"]
        .map(|run| {
            room.run(&format!("accept runs/{run} --baseline only-{run}")).ends(0);
            room.read(&format!("only-{run}/gauge/RG-00042.yaml"))
        })
        .to_vec();
    for _ in 0..5 {
        let children: Vec<_> = ["good", "b", "good", "b"]
            .map(|run| {
                let mut command = room.command();
                command.args(["accept", &format!("runs/{run}"), "--baseline", "race"]).stdout(Stdio::null());
                command.spawn().unwrap()
            })
            .into();
        for mut child in children {
            assert!(child.wait().unwrap().success());
        }
        assert!(expected.contains(&room.read("race/gauge/RG-00042.yaml")));
        assert_eq!(room.names("race/gauge"), ["RG-00042.yaml"]);
    }
}

#[test]
fn a_baseline_that_is_not_there_is_named() {
    let room = accepted();
    assert!(says(
        &room.run("check runs/good --baseline nowhere").ends(2),
        "nowhere: the baseline cannot be read"
    ));
    assert!(says(
        &room.run(&format!("check runs/good --baseline {FILE}")).ends(2),
        "the baseline is a folder"
    ));
    // A folder without the product is a baseline in which it is missing.
    std::fs::create_dir(room.path("empty")).unwrap();
    room.run("check runs/good --baseline empty").ends(1);
    // The file that is being written is none yet.
    room.write("base/gauge/.RG-00043.yaml.loopgauge-part", "half").write("base/gauge/.hidden.yaml", "half");
    room.run("check runs/good --baseline base").ends(0);
}

/// The line of the first line that begins so, counted from 1.
fn line_of(file: &str, begin: &str) -> u64 {
    file.lines().position(|line| line.trim_start().starts_with(begin)).unwrap() as u64 + 1
}

#[test]
fn damaged_files_are_told_with_their_line_and_the_rest_is_judged() {
    let room = accepted();
    let whole = room.read(FILE);
    let first_row = whole.lines().position(|line| line.trim() == "Hz dB deg u_dB u_deg").unwrap() + 1;
    let row = whole.lines().nth(first_row).unwrap().to_owned();
    let value = whole.lines().find(|line| line.contains("phase_margin_deg")).unwrap().to_owned();
    let cut = &whole[..whole.len() / 2];
    let cut_in_row = format!("{}\n", &whole[..whole.find(&row).unwrap() + row.len() - 8]);
    let replaced = |old: &str, new: &str| whole.replacen(old, new, 1);
    let at_row = first_row as u64 + 1;
    let cases: Vec<(String, Option<u64>, &str)> = vec![
        (String::new(), None, "empty"),
        ("[]".into(), None, "a list"),
        ("]".into(), Some(1), ""),
        ("\u{0}".into(), None, ""),
        (replaced("baseline: 1", "baseline: 2"), Some(3), "format version"),
        (replaced("baseline: 1\n", ""), Some(3), "`baseline` is missing"),
        (replaced("serial: RG-00042\n", ""), None, "`serial` is missing"),
        (
            replaced("critical_point: +1", "critical_point: 0"),
            Some(line_of(&whole, "critical_point")),
            "`0` is not one of",
        ),
        (replaced("open_loop_poles: 0", "open_loop_poles: -1"), Some(line_of(&whole, "open_loop_poles")), ""),
        (replaced("coverage: 2", "coverage: two"), Some(line_of(&whole, "coverage")), "bare number"),
        (replaced("gain_db: 0.1", "gain_db: 0.1 dB"), Some(line_of(&whole, "accuracy")), "has the unit"),
        (replaced("gain_db: 0.1", "gain: 0.1"), Some(line_of(&whole, "accuracy")), "unknown key `gain`"),
        (replaced("  - corner: 24V-3A", "  - corner: 10V-3A"), None, "stands here twice"),
        (
            replaced("conditions: {input: 10 V", "conditions: {input: 10"),
            Some(line_of(&whole, "conditions")),
            "has no unit",
        ),
        (
            replaced("band_hz: [100, ", "band_hz: [300000, "),
            Some(line_of(&whole, "band_hz")),
            "two rising frequencies",
        ),
        (replaced("sha256: ", "sha256: x"), None, "no SHA-256"),
        (
            replaced(&value, "      phase_margin_deg: 52"),
            Some(line_of(&whole, "phase_margin_deg")),
            "a map such as",
        ),
        (
            replaced(&value, "      phase_margin_deg: {value: .inf, at_hz: 1}"),
            Some(line_of(&whole, "phase_margin_deg")),
            "bare number",
        ),
        (
            replaced(&value, "      phase_margin_deg: {value: 1, at_hz: 1, u: -1}"),
            Some(line_of(&whole, "phase_margin_deg")),
            "below 0",
        ),
        (
            replaced(&value, "      phase_margin: {value: 1}"),
            Some(line_of(&whole, "phase_margin_deg")),
            "did you mean `phase_margin_deg`",
        ),
        (
            replaced(&value, "      phase_margin_deg: {value: 1e300, at_hz: 1}"),
            Some(line_of(&whole, "phase_margin_deg")),
            "above 180",
        ),
        (
            replaced(&value, "      phase_margin_deg: {value: 1, at_hz: 1e300}"),
            Some(line_of(&whole, "phase_margin_deg")),
            "above 1000 GHz",
        ),
        (
            replaced(&value, "      phase_margin_deg: {value: 1, at_hz: 1, u: 1e300}"),
            Some(line_of(&whole, "phase_margin_deg")),
            "above 1e30",
        ),
        (
            replaced(&value, "      phase_margin_deg: {value: 1, at_hz: 1, gain: -1e300}"),
            Some(line_of(&whole, "phase_margin_deg")),
            "below -1e30",
        ),
        (
            replaced("open_loop_poles: 0", "open_loop_poles: 4000000000"),
            Some(line_of(&whole, "open_loop_poles")),
            "from 0 to 100",
        ),
        (replaced("coverage: 2", "coverage: 1e300"), Some(line_of(&whole, "coverage")), "above 10"),
        (replaced("gain_db: 0.1", "gain_db: 1e300"), Some(line_of(&whole, "accuracy")), "above 20 dB"),
        (replaced("band_hz: [100, ", "band_hz: [1e-300, "), Some(line_of(&whole, "band_hz")), "below 1 uHz"),
        (replaced(&row, "      90 1e300 2.0 1 1"), Some(at_row), "1e300 dB lies outside"),
        (replaced(&row, "      90 1.0 -1e300 1 1"), Some(at_row), "-1e300 deg lies outside"),
        (replaced(&row, "      1e-300 1.0 2.0 1 1"), Some(at_row), "1e-300 Hz lies outside"),
        (replaced(&row, "      90 1.0 2.0 1e300 1"), Some(at_row), "1e300 dB of noise lies outside"),
        (replaced(&row, "      90 1.0 2.0 1 inf"), Some(at_row), "no row of 5 numbers"),
        (replaced(&row, "      90 1.0 x 1 1"), Some(at_row), "no row of 5 numbers"),
        (replaced(&row, "      90 1.0 NaN 1 1"), Some(at_row), "no row of 5 numbers"),
        (replaced(&row, "      90 1.0 2.0"), Some(at_row), "no row of 5 numbers"),
        (replaced(&row, "      9e9 1.0 2.0 1 1"), Some(at_row + 1), "does not lie above"),
        (replaced("Hz dB deg u_dB u_deg", "Hz dB"), Some(at_row - 1), "no columns"),
        (cut.into(), None, ""),
        (cut_in_row, None, ""),
        (format!("{whole}{}", "<<<<<<< HEAD\n"), None, ""),
        (replaced("serial: RG-00042", "serial: RG-00043"), None, "whose file is RG-00043.yaml"),
        (replaced("product: gauge", "product: other"), None, "it stands in the folder of `gauge`"),
    ];
    for (bytes, line, words) in &cases {
        room.write(FILE, bytes);
        let ran = room.run("check runs/good --baseline base --json -").ends(2);
        let result = ran.json();
        let errors = list(&result["errors"]);
        assert!(
            !errors.is_empty() && errors.iter().all(|error| error["file"] == FILE),
            "{words}: {errors:?}"
        );
        let told = errors.iter().any(|error| {
            let all = format!("{} {}", text(&error["message"]), error["help"].as_str().unwrap_or(""));
            all.contains(words) && line.is_none_or(|line| error["line"] == line)
        });
        assert!(told, "{words} {line:?}: {errors:?}");
        let run = &result["runs"][0];
        let verdicts = not_passed(run);
        assert_eq!(verdicts.len(), 6, "{words}");
        assert!(verdicts.iter().all(|verdict| verdict.ends_with("invalid")), "{words}: {verdicts:?}");
        assert_eq!(super::check(run, "cold", "phase_margin")["verdict"], "pass", "{words}");
    }
}

/// Every cut and many flipped bytes of a baseline file: read or refused, never a panic.
#[test]
fn no_damage_panics() {
    let room = accepted();
    let whole = room.read(FILE).into_bytes();
    let parse = |bytes: &[u8]| match loopgauge::baseline::parse(bytes, &FILE.into()) {
        Ok(unit) => assert!(unit.corners.iter().all(|corner| corner.curve.curve().len() >= 3)),
        Err(problems) => assert!(!problems.is_empty()),
    };
    for end in (0..whole.len()).step_by(97) {
        parse(&whole[..end]);
    }
    for k in 0..400_usize {
        let mut bytes = whole.clone();
        let at = k * 7919 % bytes.len();
        bytes[at] ^= 1 << (k % 7);
        parse(&bytes);
    }
}

#[test]
fn problems_of_a_product_are_told_once_and_stay_with_it() {
    let room = accepted();
    room.write(FILE, "]");
    room.write("specs/other.yaml", SPEC.replace("product: gauge", "product: other"));
    add(&room, "runs/more", "RG-2", None, lost(0.0));
    add(&room, "runs/other", "RG-2", None, lost(0.0));
    room.edit("runs/other/run.yaml", "product: gauge", "product: other");
    room.run("accept runs/other --baseline base").ends(0);
    let ran = room.run("check runs --baseline base --json -").ends(2);
    assert_eq!(ran.stderr.matches("error[").count(), 1, "{}", ran.stderr);
    let result = ran.json();
    let verdicts: Vec<&str> = list(&result["runs"]).iter().map(|run| text(&run["verdict"])).collect();
    assert_eq!(verdicts, ["invalid", "invalid", "pass"]);
    assert!(Path::new(&room.path("base/other/RG-2.yaml")).exists());
}
