//! Output files: links and devices, older outputs, folders, what a killed process leaves.

use super::tool::{LIMIT, Room, gauge, list, xml};
use serde_json::Value;
use std::fs;
use std::os::unix::fs::symlink;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

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

/// A spec, two builds of a unit each in `h.db`, and a netlist to predict from.
fn two_builds() -> Room {
    let room = Room::demo();
    let run = "demo-data/rev-c/RG-00021/river-gauge-5v";
    for (k, build) in ["W1", "W2"].into_iter().enumerate() {
        for name in fs::read_dir(room.path(run)).unwrap() {
            let name = name.unwrap().file_name();
            let from = room.path(run).join(&name);
            room.write(&format!("runs/{k}/{}", name.to_str().unwrap()), fs::read(from).unwrap());
        }
        let file = format!("runs/{k}/run.yaml");
        let old = room.read(&file);
        let build_line = old.lines().find(|line| line.starts_with("build:")).unwrap().to_owned();
        room.edit(&file, &build_line, &format!("build: {build}"));
    }
    room.run("check runs --record h.db").ends(0);
    room.run("check runs --shard 1/1 --json part.json").ends(0);
    room
}

/// Every kind of text that a command writes is known as its own the next time.
#[test]
fn every_output_gives_way_to_the_next_of_its_kind() {
    let room = two_builds();
    let netlist = "specs/river-gauge-1v8.yaml";
    for (k, command) in [
        "check runs --json",
        "check runs --junit",
        "check runs --html",
        "check runs --markdown",
        "check runs --sarif",
        "check runs --archive",
        "lint specs --json",
        "lint specs --sarif",
        "inspect runs/0/24v-3a.csv --critical-point +1 --json",
        "levels runs/0 --corner 24V-3A --json",
        "levels runs/0 --corner 24V-3A --csv",
        "compare runs/0 runs/1 --json",
        "compare runs/0 runs/1 --html",
        "compare --history h.db W1 W2 --json",
        &format!("predict {netlist} --json"),
        &format!("predict {netlist} --html"),
        "drift --history h.db --json",
        "drift --history h.db --junit",
        "drift --history h.db --html",
        "drift --history h.db --markdown",
        "history export h.db --csv",
        "merge part.json --json",
    ]
    .into_iter()
    .enumerate()
    {
        let first = room.run(&format!("{command} out{k}")).ends(0);
        let written = fs::read(room.path(&format!("out{k}"))).unwrap();
        let again = room.run(&format!("{command} out{k}")).ends(0);
        assert_eq!((&first.stdout, &first.stderr), (&again.stdout, &again.stderr), "{command}");
        assert!(fs::read(room.path(&format!("out{k}"))).unwrap() == written, "{command}");
    }
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
