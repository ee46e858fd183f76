//! For CI: parts of the runs judged on several machines and put together, marks beside the code, warnings that count.

#![cfg(all(feature = "cli", unix))]
#![allow(
    clippy::unwrap_used,
    clippy::panic,
    clippy::indexing_slicing,
    reason = "a test that cannot run its own program must stop"
)]

mod tool;

use serde_json::Value;
use std::collections::HashSet;
use std::fs;
use tool::{Room, gauge};

/// The checkout's command, its outputs in a folder of their own.
fn demo(room: &Room, arguments: &str) -> tool::Ran {
    tool::demo(&arguments.replace("OUT", room.path("").to_str().unwrap()))
}

/// Judged in parts, put together in any order: the bytes and the status of one `check` over all.
fn merged_is_whole(options: &str, parts: usize, status: i32) {
    let room = gauge::room();
    let whole = demo(&room, &format!("check demo-data {options} --json OUT/whole.json")).ends(status);
    let mut files = Vec::new();
    for part in 1..=parts {
        demo(&room, &format!("check demo-data {options} --shard {part}/{parts} --json OUT/{part}.json"));
        files.push(format!("OUT/{part}.json"));
    }
    files.reverse();
    let merged = demo(&room, &format!("merge {} --json OUT/merged.json", files.join(" "))).ends(status);
    let read = |name: &str| fs::read(room.path(name)).unwrap();
    assert!(read("whole.json") == read("merged.json"), "{options} in {parts} parts");
    // The text begins as that of the whole does: verdict and counts.
    let counts = |text: &str| text.lines().take(7).map(str::to_owned).collect::<Vec<_>>();
    assert_eq!(counts(merged.out()), counts(whole.out()));
}

#[test]
fn parts_put_together_are_the_whole_to_the_last_byte() {
    merged_is_whole("", 8, 2);
    // More parts than runs; a baseline with a fault is told once.
    merged_is_whole("--baseline demo-data/baseline", 40, 2);
    merged_is_whole("--only */phase_margin", 3, 2);
    merged_is_whole("--only nothing/at_all", 3, 2);
}

#[test]
fn parts_that_make_no_whole_are_refused() {
    let room = gauge::room();
    for part in 1..=3 {
        room.run(&format!("check runs --shard {part}/3 --json {part}.json")).ends(0);
    }
    let told = |arguments: &str| room.run(&format!("merge {arguments} --json all.json")).ends(2).stderr;
    assert!(told("1.json 3.json").contains("part 2 of 3 is missing"));
    assert!(told("1.json 2.json 2.json").contains("2.json: is part 2/3, which another file is already"));
    room.run("check runs --json whole.json").ends(0);
    assert!(told("whole.json").contains("is the result of all runs, not of a part of them"));
    room.run("check runs --shard 1/2 --json other.json").ends(0);
    assert!(
        told("1.json other.json 3.json")
            .contains("other.json: is part 1/2 of 1 runs, the first file is part 1/3 of 1")
    );
    fs::write(room.path("cut.json"), &fs::read(room.path("1.json")).unwrap()[..40]).unwrap();
    assert!(
        told("cut.json 2.json 3.json").contains(": is no JSON result of `check`"),
        "{}",
        told("cut.json")
    );
    room.edit("1.json", "loopgauge 0.1.0", "loopgauge 0.0.1");
    assert!(told("1.json 2.json 3.json").contains("was written by loopgauge 0.0.1"));
    assert!(told("nowhere.json").contains("nowhere.json"));
    assert!(!room.path("all.json").exists());
    for wrong in ["0/3", "4/3", "3", "a/b"] {
        assert!(room.run(&format!("check runs --shard {wrong}")).ends(2).stderr.contains("wanted K/N"));
    }
}

#[test]
fn what_calls_for_action_is_marked_beside_its_file_once() {
    let text = tool::demo("check demo-data --format github").ends(2);
    let marks: Vec<&str> = text.out().lines().filter(|line| line.starts_with("::")).collect();
    assert!(
        marks[0].starts_with("::error file=demo-data/rev-c/RG-00024/river-gauge-5v/24v-0.5a.csv,line=59::"),
        "{marks:#?}"
    );
    // Five corners of one unit whose sign is mistaken.
    let sign: Vec<&&str> = marks.iter().filter(|mark| mark.contains("RG-00014")).collect();
    assert_eq!(sign.len(), 1, "{marks:#?}");
    assert!(sign[0].contains("the same at 4 other corners"), "{}", sign[0]);
    let plain = tool::demo("check demo-data").ends(2);
    assert!(text.out().starts_with(plain.out()), "the text itself stays");
    let lint = tool::demo("lint specs --format github").ends(0);
    assert!(
        lint.out()
            .lines()
            .any(|line| line.starts_with("::warning file=specs/river-gauge-1v8.yaml,line=10,col=23,title="))
    );
}

/// What the standard asks of every log (SARIF 2.1.0, 3.13.2, 3.19.2, 3.27.10, 3.28, 3.29, 3.30; from memory).
fn sound(log: &Value) -> &Vec<Value> {
    assert_eq!((&log["version"], log["runs"].as_array().unwrap().len()), (&Value::from("2.1.0"), 1));
    let run = &log["runs"][0];
    let rules: HashSet<&str> = run["tool"]["driver"]["rules"]
        .as_array()
        .unwrap()
        .iter()
        .map(|rule| rule["id"].as_str().unwrap())
        .collect();
    let results = run["results"].as_array().unwrap();
    let mut identities = HashSet::new();
    for result in results {
        assert!(rules.contains(result["ruleId"].as_str().unwrap()), "{result}");
        assert!(["error", "warning"].contains(&result["level"].as_str().unwrap()));
        assert!(!result["message"]["text"].as_str().unwrap().is_empty());
        assert!(
            identities.insert(result["partialFingerprints"]["identity/v1"].as_str().unwrap()),
            "{result}"
        );
        for place in result["locations"].as_array().unwrap() {
            let place = &place["physicalLocation"];
            let uri = place["artifactLocation"]["uri"].as_str().unwrap();
            assert!(!uri.contains([' ', '\\']), "{uri}");
            let line = &place["region"]["startLine"];
            assert!(line.is_null() || line.as_u64().unwrap() > 0);
        }
    }
    results
}

#[test]
fn sarif_holds_every_cause_with_its_place() {
    let log = tool::demo("check demo-data --sarif -").ends(2).json();
    let results = sound(&log);
    let judged = tool::demo("check demo-data --json -").ends(2).json();
    let corners =
        judged["runs"].as_array().unwrap().iter().flat_map(|run| run["corners"].as_array().unwrap());
    let bad =
        corners.filter(|corner| !["pass", "waived"].contains(&corner["verdict"].as_str().unwrap())).count();
    assert!(
        results.len() > bad / 2 && results.len() <= bad + judged["errors"].as_array().unwrap().len(),
        "{bad}"
    );
    let margin = results.iter().find(|result| result["ruleId"] == "phase_margin").unwrap();
    assert!(margin["message"]["text"].as_str().unwrap().contains("to do: "), "{margin}");
    sound(&tool::demo("lint specs demo-data --sarif -").ends(2).json());
    assert!(sound(&gauge::room().run("check runs --sarif -").ends(0).json()).is_empty());
}

#[test]
fn warnings_count_where_it_is_asked_for() {
    tool::demo("lint specs").ends(0);
    tool::demo("lint specs --deny-warnings").ends(1);
    tool::demo("lint specs/river-gauge-12v.yaml --deny-warnings").ends(0);
    tool::demo("lint specs demo-data --deny-warnings").ends(2);
}

#[test]
fn specs_are_found_in_the_folders_above() {
    let room = gauge::room();
    let below = room.path("runs/good");
    let run = |folder: &std::path::Path, arguments: &str| {
        tool::finish(tool::command(folder).args(arguments.split(' ')))
    };
    let found = run(&below, "check . --json -").ends(0).json();
    assert_eq!(found["runs"][0]["spec"], "../../specs/gauge.yaml");
    run(&below, "lint . --deny-warnings");
    // Not beyond the work tree, and not where another place is asked for.
    assert!(run(&below, "check . --specs rules").ends(2).stderr.contains("rules"));
    fs::create_dir(below.join(".git")).unwrap();
    assert!(run(&below, "check .").ends(2).stderr.contains("the specs cannot be read"));
}
