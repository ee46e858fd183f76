//! Text from files that would do harm in a terminal, in XML or in a log.

use super::shapes::RESULT;
use super::tool::gauge::{self, GOOD};
use super::tool::{Ran, Room, finish, list, text, xml};
use serde_json::Value;
use std::fs;

/// What must not reach a terminal raw: controls except the line end, and marks that turn the direction of text.
fn is_dangerous(c: char) -> bool {
    (c.is_control() && c != '\n')
        || matches!(c, '\u{61c}' | '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}' | '\u{2028}' | '\u{2029}')
}

#[track_caller]
fn harmless(ran: &Ran) {
    for stream in [ran.out(), ran.stderr.as_str()] {
        let bad = stream.chars().find(|c| is_dangerous(*c));
        assert!(bad.is_none(), "{bad:?} in {stream:?}");
    }
}

/// As YAML writes it in double quotes: an escape sequence, a bell, a turn of direction, markup, an end mark, a line end.
const HOSTILE: &str = r#"\e[31mred\a\u202Eback\u2066\x9b1m<b>&amp;]]>'\"\n::error::\r\t\u2028{x}%s\\"#;

/// The same, as it is.
fn hostile() -> String {
    "\x1b[31mred\u{7}\u{202e}back\u{2066}\u{9b}1m<b>&amp;]]>'\"\n::error::\r\t\u{2028}{x}%s\\".to_owned()
}

/// What is left where controls and line ends are refused.
const ODD: &str = r#"\u202Eback\u2066<b>&amp;]]>'\"{x}%s\\"#;

/// The same, as it is.
const ODD_TEXT: &str = "\u{202e}back\u{2066}<b>&amp;]]>'\"{x}%s\\";

/// The small project with a hostile text in one field.
fn hostile_room(file: &str, old: &str, new: &str) -> Room {
    let room = gauge::room();
    room.edit(file, old, &new.replace("HOSTILE", HOSTILE).replace("ODD", ODD));
    room
}

/// Whatever the run comes to, no output is broken.
fn outputs_hold(room: &Room) -> (Ran, Value) {
    let ran = room.run("check runs -v --json all.json --junit all.xml");
    assert!(matches!(ran.status, Some(0..=2)) && !ran.stderr.contains("panicked"), "{}", ran.stderr);
    harmless(&ran);
    harmless(&room.run("lint specs runs"));
    harmless(&room.run("check runs"));
    let result: Value = serde_json::from_str(&room.read("all.json")).unwrap();
    RESULT.check(&result, "result");
    xml::read(room.read("all.xml").as_bytes());
    fs::create_dir_all(room.path("each")).unwrap();
    harmless(&room.run("check runs --junit each/"));
    for name in room.names("each") {
        assert!(!name.chars().any(is_dangerous), "{name:?}");
        xml::read(room.read(&format!("each/{name}")).as_bytes());
    }
    (ran, result)
}

#[test]
fn hostile_text_in_a_run_stays_text() {
    let run = "runs/good/run.yaml";
    for (old, key) in [
        ("serial: RG-00042", "serial"),
        ("revision: C", "revision"),
        ("firmware: 2.3.1", "firmware"),
        ("build: 2026-W14", "build"),
        ("station: bench-3", "station"),
    ] {
        let (ran, result) = outputs_hold(&hostile_room(run, old, &format!("{key}: \"ODD\"")));
        ran.ends(0);
        assert_eq!(result["runs"][0][key], ODD_TEXT, "{key}");
        // A label is one line: it becomes part of names.
        outputs_hold(&hostile_room(run, old, &format!("{key}: \"HOSTILE\""))).0.ends(2);
    }
    outputs_hold(&hostile_room(run, "notes: none", "notes: \"HOSTILE\"")).0.ends(0);
    for (old, new) in [
        ("product: gauge", "product: \"HOSTILE\""),
        ("taken: 2026-04-02T09:15:00Z", "taken: \"HOSTILE\""),
        ("file: b.csv", "file: \"HOSTILE\""),
        ("corner: 24V-3A, level: -26 dBm", "corner: \"HOSTILE\", level: -26 dBm"),
        ("corner: 24V-3A, level: -26 dBm", "corner: 24V-3A, level: \"HOSTILE\""),
        ("notes: none", "\"HOSTILE\": none"),
        ("notes: none", "reading: {columns: {frequency: {column: \"HOSTILE\", unit: Hz}}}"),
        ("notes: none", "reading: {\"HOSTILE\": 1}"),
    ] {
        let (ran, result) = outputs_hold(&hostile_room(run, old, new));
        ran.ends(2);
        assert!(!list(&result["errors"]).is_empty(), "{new}");
    }
}

#[test]
fn a_hostile_profile_stays_text() {
    let room = gauge::room();
    let level = |offset: &str| format!("{{profile: \"{HOSTILE}\", offset: {offset}}}");
    room.edit(
        "runs/good/run.yaml",
        "file: b.csv, corner: 24V-3A, level: -26 dBm",
        &format!("file: b.csv, corner: 24V-3A, level: {}", level("0 dB")),
    );
    room.edit(
        "runs/good/run.yaml",
        "file: b-check.csv, corner: 24V-3A, level: -23 dBm",
        &format!("file: b-check.csv, corner: 24V-3A, level: {}", level("3 dB")),
    );
    outputs_hold(&room);
}

#[test]
fn hostile_text_in_a_spec_stays_text() {
    let spec = "specs/gauge.yaml";
    for (old, new) in [
        ("title: one rail of the river gauge", "title: \"HOSTILE\""),
        ("reason: \"ECO 17\"", "reason: \"HOSTILE\""),
        ("product: gauge", "product: \"HOSTILE\""),
        ("name: \"{input}-{load}\"", "name: \"HOSTILE{input}-{load}\""),
        ("name: cold", "name: \"HOSTILE\""),
        ("ambient: -30 degC", "\"HOSTILE\": -30 degC"),
        ("ambient: -30 degC", "ambient: \"HOSTILE\""),
        ("[10 V, 24 V]", "[10 V, \"HOSTILE\"]"),
        ("density: 15", "\"HOSTILE\": 15"),
        ("step: 3 dB", "step: \"HOSTILE\""),
        ("corner: cold, check", "corner: \"HOSTILE\", check"),
        ("check: crossover, reason", "check: \"HOSTILE\", reason"),
        ("conditions_tolerance: 2 %", "extends: \"HOSTILE\""),
    ] {
        outputs_hold(&hostile_room(spec, old, new));
    }
    // A reason that is shown, in a waiver that is needed.
    let room = hostile_room(spec, "reason: \"ECO 17\"", "reason: \"HOSTILE\"");
    gauge::add_run(&room, "runs/good", "RG-00042", [12e3, 14e3, 45e3]);
    let (_, result) = outputs_hold(&room);
    let waived = list(&result["runs"][0]["corners"][2]["checks"])
        .iter()
        .find(|check| check["verdict"] == "waived")
        .unwrap();
    assert!(text(&waived["message"]).contains(&hostile()), "{waived}");
    // A corner's name that the run knows too.
    for (name, status) in [(r"co\u202Eld<b>&amp;]]>", 0), (r"co\e[1mld", 2)] {
        let room = gauge::room();
        let named = |text: &str, old: &str| text.replace(old, &old.replace("cold", &format!("\"{name}\"")));
        room.write(spec, named(&named(gauge::SPEC, "name: cold"), "corner: cold"));
        room.write("runs/good/run.yaml", named(gauge::RUN, "corner: cold"));
        let (ran, result) = outputs_hold(&room);
        ran.ends(status);
        if status == 0 {
            assert_eq!(result["runs"][0]["corners"][2]["corner"], "co\u{202e}ld<b>&amp;]]>");
        }
    }
}

#[test]
fn hostile_names_of_files_and_folders_stay_text() {
    let room = gauge::room();
    let name = "runs/\x1b[31m\u{202e}<b>&]]>'\" \n::error::\t";
    gauge::add_run(&room, name, "RG-00043", GOOD);
    let (ran, result) = outputs_hold(&room);
    ran.ends(0);
    let runs: Vec<&str> = list(&result["runs"]).iter().map(|run| text(&run["run"])).collect();
    assert!(runs.contains(&name), "{runs:?}");
    // Broken, so that the name stands in messages.
    room.write(
        &format!("{name}/b.csv"),
        "\x1b[2Jfrequency_hz,\u{202e}gain_db,phase_deg\n1,2,3\n\x1b]0;title\x07,2,3\n",
    );
    let (ran, result) = outputs_hold(&room);
    ran.ends(2);
    assert!(text(&result["errors"][0]["file"]).starts_with(name));
    let sweep = "s\x1b[31m\u{202e}\n.csv";
    room.write(sweep, gauge::sweep(12e3, 0));
    for json in [None, Some("--json"), Some("--color=never")] {
        let mut command = room.command();
        command.args(["inspect", "--critical-point", "+1", sweep, "no\x1b[31m.csv"]);
        if let Some(json) = json {
            command.arg(json);
            if json == "--json" {
                command.arg("out.json");
            }
        }
        harmless(&finish(&mut command).ends(2));
    }
    let inspected: Value = serde_json::from_str(&room.read("out.json")).unwrap();
    assert_eq!(inspected["sweeps"][0]["file"], sweep);
    for output in ["--json", "--junit"] {
        harmless(&finish(room.command().args(["check", "runs/good", output, "no\x1b[31m/x"])).ends(2));
    }
}

/// Bytes of a sweep that stand in a message are shown harmless.
#[test]
fn hostile_bytes_in_a_sweep_stay_text() {
    let room = gauge::room();
    for c in ('\0'..='\u{9f}')
        .filter(|c| c.is_control())
        .chain("\u{202e}\u{2066}\u{200f}\u{feff}\u{fffe}\u{ffff}\u{10ffff}".chars())
    {
        room.write("runs/good/b.csv", format!("frequency_hz,gain_db,phase_deg\n1,2,3\n2,x{c}y,3\n3,4,5\n"));
        let ran = room.run("check runs --json all.json --junit all.xml").ends(2);
        harmless(&ran);
        assert!(ran.stderr.contains("runs/good/b.csv"), "{}", ran.stderr);
        xml::read(room.read("all.xml").as_bytes());
    }
}
