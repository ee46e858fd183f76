//! For CI: parts of the runs judged on several machines and put together, marks beside the code, warnings that count. And two builds
//! or two sets of runs side by side.

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

/// Units of two builds of a history, W14 and W18: all crossovers 4 % higher in the second.
fn two_builds(room: &Room) {
    for (k, serial) in ["RG-1", "RG-2", "RG-3", "RG-4", "RG-5", "RG-6"].into_iter().enumerate() {
        let is_later = k >= 3;
        let factor = 1.0 + 0.002 * (k % 3) as f64 + if is_later { 0.04 } else { 0.0 };
        let folder = format!("runs/{serial}");
        gauge::add_run(room, &folder, serial, gauge::GOOD.map(|hz| hz * factor));
        if is_later {
            room.edit(&format!("{folder}/run.yaml"), "2026-W14", "2026-W18");
            room.edit(&format!("{folder}/run.yaml"), "2.3.1", "2.4.0");
        }
    }
    room.run("check runs --record line.db").ends(0);
}

/// Welch: three units each, 4 % apart, s/sqrt 3 of 0.2 % is 0.1155 % on each side. With 4 degrees of freedom t for 95.45 % is 2.87 (JCGM
/// 100:2008, table G.2): 0.469 %, which is 0.117 of the difference. The pole at 80 kHz makes crossovers rise a little less, both alike.
#[test]
fn two_builds_are_compared_corner_by_corner_and_over_all() {
    let room = Room::empty();
    gauge::add_spec(&room);
    two_builds(&room);
    let result = room.run("compare --history line.db 2026-W14 2026-W18 --json -").ends(0).json();
    let product = &result["products"][0];
    assert_eq!((&product["units"], &product["in_both"]), (&serde_json::json!([3, 3]), &Value::from(0)));
    let all = product["differences"].as_array().unwrap();
    let crossovers: Vec<&Value> = all.iter().filter(|own| own["quantity"] == "crossover_hz").collect();
    assert_eq!(crossovers.len(), 3);
    for own in crossovers {
        let (change, u) = (own["change"].as_f64().unwrap(), own["uncertainty"].as_f64().unwrap());
        assert!((0.036..0.04).contains(&change) && (u / change - 0.117).abs() < 0.002, "{own}");
    }
    let common = product["common"].as_array().unwrap();
    let over = common.iter().find(|own| own["quantity"] == "crossover_hz").unwrap();
    assert_eq!((&over["said"], &over["corners"]), (&Value::from("common"), &Value::from(3)));
    let text = room.run("compare --history line.db --over firmware 2.3.1 2.4.0").ends(0);
    assert!(text.out().contains("over 3 corners") && text.out().contains("3 and 3"), "{}", text.out());
    // No worse than what is before.
    let times = |own: &Value| Some(own["change"].as_f64()?.abs() / own["uncertainty"].as_f64()?);
    let nearer = all.iter().filter(|own| own["is_towards_limit"] == true).filter_map(times);
    let nearer: Vec<f64> = nearer.take_while(|times| *times > 1.0).collect();
    assert!(nearer.windows(2).all(|pair| pair[0] >= pair[1]), "{nearer:?}");
}

#[test]
fn a_build_that_is_not_there_is_named_with_what_is() {
    let room = Room::empty();
    gauge::add_spec(&room);
    two_builds(&room);
    let told = |arguments: &str| room.run(&format!("compare --history line.db {arguments}")).ends(2).stderr;
    assert!(told("2026-W14 2026-W81").contains("has no unit of build `2026-W81`"));
    assert!(told("2026-W14 2026-W1").contains("did you mean `2026-W1"));
    assert!(
        told("2.3.1 2.4.0").contains("it has 2026-W14, 2026-W18; --over names what A and B are labels of")
    );
    assert!(told("2026-W14 2026-W18 --product gauges").contains("did you mean the product `gauge`?"));
    assert!(room.run("compare --history none.db a b").ends(2).stderr.contains("none.db"));
    assert!(told("2026-W14 2026-W18 --html page.html").contains("cannot be used with"));
    assert!(room.run("compare runs/RG-1 runs/RG-2 --over build").ends(2).stderr.contains("--history"));
    // One corner alone in each of two builds, another in each.
    for (serial, build, corner) in [("RG-8", "2026-W30", "cold"), ("RG-9", "2026-W31", "24V-3A")] {
        let folder = format!("other/{serial}");
        gauge::add_run(&room, &folder, serial, gauge::GOOD);
        let is_other = |line: &&str| !line.contains("file:") || line.contains(corner);
        let run = fs::read_to_string(room.path(&format!("{folder}/run.yaml"))).unwrap();
        let run: Vec<&str> = run.lines().filter(is_other).collect();
        room.write(&format!("{folder}/run.yaml"), run.join("\n").replace("2026-W14", build));
    }
    room.run("check other --record line.db");
    assert!(told("2026-W30 2026-W31").contains("no corner has values in both builds"));
}

#[test]
fn a_page_shows_both_curves_and_their_difference() {
    let room = gauge::room();
    gauge::add_run(&room, "runs/other", "RG-00043", [12.6e3, 14e3, 15e3]);
    room.run("compare runs/good runs/other --html page.html").ends(0);
    let page = fs::read_to_string(room.path("page.html")).unwrap();
    // Three corners, gain and angle: A, B, and the difference with its band.
    for (part, count) in [
        ("path class=\"curve confirms", 6 + 3),
        ("path class=\"band", 6),
        ("data-strip=\"angle-difference\" data-units=\"1000", 3),
    ] {
        assert_eq!(page.matches(&format!("{part}\"")).count(), count, "{part}");
    }
    assert!(page.contains("href=\"#p0c0\"") && page.contains("id=\"p0c0\""));
    assert!(!page.contains("The verdict is") && page.len() < 200_000, "{}", page.len());
    let both = room.run("compare runs/good runs/other --html - --json -").ends(2).stderr;
    assert!(both.contains("standard output"), "{both}");
}

/// Two folders of 300 units: the worst have curves, the others tables, and the rest is named.
#[test]
fn a_page_of_many_corners_stays_small() {
    let room = Room::empty();
    gauge::add_spec(&room);
    for side in ["a", "b"] {
        gauge::add_run(&room, &format!("{side}/0"), "RG-0", gauge::GOOD);
        for k in 1..300 {
            let (from, to) = (room.path(&format!("{side}/0")), room.path(&format!("{side}/{k}")));
            fs::create_dir(&to).unwrap();
            for entry in fs::read_dir(&from).unwrap() {
                let entry = entry.unwrap();
                fs::copy(entry.path(), to.join(entry.file_name())).unwrap();
            }
            room.edit(&format!("{side}/{k}/run.yaml"), "RG-0", &format!("RG-{k}"));
        }
    }
    room.run("compare a b --html page.html").ends(0);
    let page = fs::read_to_string(room.path("page.html")).unwrap();
    assert!(page.len() < 5_000_000 && page.len() > 1_000_000, "{}", page.len());
    assert!(page.contains("Its curves are left out"), "{}", page.len());
}
