//! Names that are not UTF-8: distinct texts for distinct names, everywhere, and the files behind them are found.

use crate::tool::gauge::{self, GOOD};
use crate::tool::{Ran, Room, finish, list, text, xml};
use serde_json::Value;
use std::ffi::{OsStr, OsString};
use std::fs;
use std::os::unix::ffi::{OsStrExt, OsStringExt};
use std::path::PathBuf;

/// A place in the room below a name of these bytes.
fn place(room: &Room, folder: &str, name: &[u8]) -> PathBuf {
    room.path(folder).join(OsStr::from_bytes(name))
}

/// Names that end in 0xE9, in 0xE8, in what the first one's escape looks like, in that of its backslash, and in U+FFFD, the
/// sign that stands for what cannot be read.
const NAMES: [&[u8]; 5] = [b"RG-\xe9", b"RG-\xe8", b"RG-\\xE9", b"RG-\\x5CxE9", "RG-\u{fffd}".as_bytes()];
/// Their texts.
const TEXTS: [&str; 5] = ["RG-\\xE9", "RG-\\xE8", "RG-\\x5CxE9", "RG-\\x5Cx5CxE9", "RG-\u{fffd}"];

/// The same unit in folders whose names differ in such bytes alone; that of 0xE8 does not pass, that of U+FFFD is damaged.
fn room() -> Room {
    let room = Room::empty();
    gauge::add_spec(&room);
    for (number, name) in NAMES.into_iter().enumerate() {
        let crossovers = if number == 1 { [40e3, 14e3, 15e3] } else { GOOD };
        gauge::add_run(&room, "plain", "RG-00042", crossovers);
        if number == 4 {
            room.write("plain/b.csv", "frequency_hz,gain_db,phase_deg\n1,--,2\n");
        }
        fs::create_dir_all(room.path("runs")).unwrap();
        fs::rename(room.path("plain"), place(&room, "runs", name)).unwrap();
    }
    room
}

fn sorted(mut texts: Vec<String>) -> Vec<String> {
    texts.sort();
    texts
}

#[test]
fn distinct_folders_have_distinct_names_in_every_output() {
    let room = room();
    let ran =
        room.run("check runs --json all.json --junit all.xml --html all.html --markdown all.md").ends(2);
    let runs = TEXTS.map(|text| format!("runs/{text}"));
    let result: Value = serde_json::from_str(&room.read("all.json")).unwrap();
    let told: Vec<String> = list(&result["runs"]).iter().map(|run| text(&run["run"]).to_owned()).collect();
    assert_eq!(told, sorted(runs[..4].to_vec()), "sorted by what is shown");
    assert_eq!(list(&result["errors"]).len(), 1);
    assert_eq!(text(&result["errors"][0]["file"]), format!("{}/b.csv", runs[4]));
    let report = xml::read(room.read("all.xml").as_bytes());
    let suites: Vec<String> = report.children.iter().map(|suite| suite.get("name").to_owned()).collect();
    let named = |run: &String| format!("gauge RG-00042 ({run})");
    assert_eq!(sorted(suites), sorted(runs.iter().map(named).collect()));
    let files: Vec<String> = report.children.iter().map(|suite| suite.get("file").to_owned()).collect();
    assert_eq!(sorted(files), sorted(runs.iter().map(|run| format!("{run}/run.yaml")).collect()));
    let (page, markdown) = (room.read("all.html"), room.read("all.md"));
    for run in &runs[..4] {
        assert!(page.contains(&format!("{run}<")), "{run}");
        assert_eq!(page.matches(&format!("{run}<")).count(), page.matches(&format!("{}<", runs[0])).count());
    }
    assert!(markdown.contains("RG-") && ran.out().contains(&runs[1]), "{}", ran.out());
    assert!(ran.stderr.contains(&format!("{}/b.csv:2:2", runs[4])), "{}", ran.stderr);
}

#[test]
fn distinct_folders_have_files_of_their_own_in_a_folder_of_reports() {
    let room = room();
    room.run("check runs --junit out/").ends(2);
    let names = room.names("out");
    assert_eq!(names.len(), NAMES.len(), "{names:?}");
    let mut failed = Vec::new();
    for name in &names {
        let report = xml::read(room.read(&format!("out/{name}")).as_bytes());
        assert_eq!(report.children.len(), 1);
        failed.push(report.children[0].number("failures") > 0);
    }
    assert_eq!(failed.iter().filter(|failed| **failed).count(), 1, "{names:?} {failed:?}");
}

fn run_with(room: &Room, arguments: &[&OsStr]) -> Ran {
    finish(room.command().args(arguments))
}

#[test]
fn a_folder_of_such_a_name_is_judged_when_it_is_named() {
    let room = room();
    let mut argument = OsString::from("runs/");
    argument.push(OsStr::from_bytes(NAMES[1]));
    let ran = run_with(&room, &["check".as_ref(), &argument, "--json".as_ref(), "-".as_ref()]).ends(1);
    assert_eq!(text(&ran.json()["runs"][0]["run"]), "runs/RG-\\xE8");
    let gone = OsString::from_vec(b"runs/\xff".to_vec());
    let ran = run_with(&room, &["check".as_ref(), &gone, "--json".as_ref(), "-".as_ref()]).ends(2);
    assert_eq!(text(&ran.json()["errors"][0]["file"]), "runs/\\xFF");
}

#[test]
fn specs_below_such_a_name_are_found_with_what_they_extend() {
    let room = gauge::room();
    let folder = OsString::from_vec(b"specs-\xe9".to_vec());
    fs::rename(room.path("specs"), room.path("").join(&folder)).unwrap();
    let file = place(&room, "", b"specs-\xe9").join("gauge.yaml");
    fs::rename(&file, file.with_file_name("base.yaml")).unwrap();
    fs::write(&file, "extends: base.yaml\n").unwrap();
    let arguments: [&OsStr; 6] =
        ["check".as_ref(), "runs".as_ref(), "--specs".as_ref(), &folder, "--json".as_ref(), "-".as_ref()];
    let ran = run_with(&room, &arguments).ends(0);
    assert_eq!(text(&ran.json()["runs"][0]["spec"]), "specs-\\xE9/gauge.yaml");
    run_with(&room, &["lint".as_ref(), &folder]).ends(0);
}

#[test]
fn sweeps_of_such_names_are_read_by_a_pattern() {
    let room = gauge::room();
    let run = gauge::RUN.split("sweeps:").next().unwrap().to_owned() + "pattern: \"{corner}_{level}.csv\"\n";
    room.write("runs/good/run.yaml", run);
    let names: [(&str, &[u8]); 6] = [
        ("a", b"k\xe9-10V_-26dBm.csv"),
        ("a-check", b"k\xe9-10V_-23dBm.csv"),
        ("b", b"24V-3A_-26dBm.csv"),
        ("b-check", b"24V-3A_-23dBm.csv"),
        ("c", b"cold_-26dBm.csv"),
        ("c-check", b"cold_-23dBm.csv"),
    ];
    for (old, new) in names {
        fs::rename(room.path(&format!("runs/good/{old}.csv")), place(&room, "runs/good", new)).unwrap();
    }
    // No corner is called like that: said with the name as it is shown everywhere.
    let ran = room.run("check runs --json -").ends(2);
    let error = &ran.json()["errors"][0];
    assert!(text(&error["message"]).contains("the file `k\\xE9-10V_-23dBm.csv` fits the pattern"), "{error}");
    // A corner that is called as the name is shown takes them.
    let spec = gauge::SPEC
        .replace("- name: cold\n", "- {name: 'k\\xE9-10V', conditions: {input: 9 V}}\n  - name: cold\n");
    room.write("specs/gauge.yaml", spec);
    let ran = room.run("check runs --json -");
    let result = ran.json();
    assert!(list(&result["errors"]).is_empty(), "{result}");
    let corners = list(&result["runs"][0]["corners"]);
    let own = corners.iter().find(|corner| corner["corner"] == "k\\xE9-10V").unwrap();
    assert_eq!(own["verdict"], "pass", "{own}");
    assert_eq!(own["judged"]["files"][0], "k\\xE9-10V_-26dBm.csv");
}
