//! What comes from outside while the program works: signals, a power cut, no memory, a full disk, many files.

use crate::tool::gauge::{self, GOOD};
use crate::tool::{Room, finish, list};
use serde_json::Value;
use std::fs;
use std::os::unix::process::ExitStatusExt;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

const OUTPUTS: [&str; 3] = ["all.html", "all.json", "all.xml"];

/// A check that writes the three outputs and stops at a pipe that nobody reads; `signal` ends it there.
fn ended_by(room: &Room, signal: i32) {
    let pipe = room.path("pipe");
    if !pipe.exists() {
        assert!(Command::new("mkfifo").arg(&pipe).status().unwrap().success());
    }
    // What a shell starts in the background ignores an interrupt: here it must not.
    let program = room.command().get_program().to_owned();
    let mut command = Command::new("env");
    command.arg("--default-signal=INT").arg(program).current_dir(room.root());
    command.args("check runs --json all.json --junit all.xml --html all.html --markdown pipe".split(' '));
    let mut child = command.stdin(Stdio::null()).stdout(Stdio::null()).spawn().unwrap();
    let start = Instant::now();
    let has_begun = || room.names(".").iter().filter(|name| name.ends_with("-part")).count() == OUTPUTS.len();
    while !has_begun() && start.elapsed() < Duration::from_secs(300) {
        std::thread::sleep(Duration::from_millis(2));
    }
    assert!(has_begun(), "{:?}", room.names("."));
    let sent = Command::new("kill").args([format!("-{signal}"), child.id().to_string()]).status();
    assert!(sent.unwrap().success());
    let status = child.wait().unwrap();
    assert_eq!((status.code(), status.signal()), (None, Some(signal)));
}

/// SIGINT, SIGTERM and SIGKILL by their numbers (POSIX.1): the first one ends the program at once.
#[test]
fn a_signal_leaves_outputs_as_they_were_and_the_next_run_clears_up() {
    let room = gauge::room();
    for signal in [2, 15, 9] {
        ended_by(&room, signal);
        for name in OUTPUTS {
            assert!(!room.path(name).exists(), "{name} is there after signal {signal}");
        }
    }
    let left = room.names(".").iter().filter(|name| name.ends_with("-part")).count();
    assert_eq!(left, OUTPUTS.len(), "one a file, however often: {:?}", room.names("."));
    let whole = |room: &Room| {
        room.run("check runs --json all.json --junit all.xml --html all.html").ends(0);
        OUTPUTS.map(|name| room.read(name))
    };
    let before = whole(&room);
    ended_by(&room, 15);
    assert_eq!(OUTPUTS.map(|name| room.read(name)), before);
    assert_eq!(whole(&room), before);
    assert!(!room.names(".").iter().any(|name| name.ends_with("-part")), "{:?}", room.names("."));
}

/// An output is on the disk before it gets its name.
#[test]
#[cfg(target_os = "linux")]
fn a_power_cut_leaves_whole_outputs() {
    let room = gauge::room();
    let disk = crate::power::Disk::new();
    let arguments = "check runs --json all.json --junit all.xml --html all.html --markdown all.md";
    let ran = finish(disk.under(room.command().args(arguments.split(' ')))).ends(0);
    assert!(ran.stderr.is_empty(), "{}", ran.stderr);
    let root = fs::canonicalize(room.root()).unwrap();
    for name in ["all.json", "all.xml", "all.html", "all.md"] {
        let left = disk.left_of(&root.join(name)).unwrap_or_default();
        assert!(!left.is_empty() && left == fs::read(root.join(name)).unwrap(), "{name}");
    }
}

/// With the address space bounded and one arena for all threads a small room is enough.
#[test]
#[cfg(all(target_os = "linux", target_env = "gnu"))]
fn eighty_megabytes_of_address_space_are_enough_with_one_arena() {
    let room = gauge::room();
    let plain = room.run("check runs --json -").ends(0);
    let mut shell = Command::new("sh");
    let script = "ulimit -v 80000; exec \"$0\" check runs --jobs 8 --json -";
    shell.arg("-c").arg(script).arg(room.command().get_program()).current_dir(room.root());
    let bounded = finish(shell.env("MALLOC_ARENA_MAX", "1")).ends(0);
    assert_eq!(bounded.stdout, plain.stdout);
}

/// However small the address space is, threads are left out or the command says why there is none: it does not break off.
#[test]
#[cfg(all(target_os = "linux", target_env = "gnu"))]
fn a_bounded_address_space_has_fewer_threads_or_a_plain_message() {
    let room = gauge::room();
    let plain = room.run("check runs --json -").ends(0);
    let (mut too_small, mut enough) = (0, 0);
    for kilobytes in (20_000..=300_000).step_by(10_000) {
        let mut shell = Command::new("sh");
        let script = format!("ulimit -v {kilobytes}; exec \"$0\" check runs --jobs 8 --json -");
        shell.arg("-c").arg(script).arg(room.command().get_program()).current_dir(room.root());
        let ran = finish(&mut shell);
        if ran.stderr.contains("the address space is bounded to") {
            assert_eq!((ran.status, enough), (Some(2), 0), "{kilobytes} KB: {}", ran.stderr);
            too_small += 1;
        } else if too_small > 0 {
            // Less than that does not even load the program.
            assert_eq!(ran.status, Some(0), "{kilobytes} KB: {}", ran.stderr);
            assert!(ran.stdout == plain.stdout, "{kilobytes} KB");
            enough += 1;
        }
    }
    assert!(too_small > 0 && enough > 0, "{too_small} {enough}");
}

/// A folder of many files that nobody names, and a tree of many folders without a run.
#[test]
fn many_files_around_a_run_cost_little() {
    let room = gauge::room();
    let alone = room.run("check runs --json -").ends(0);
    for number in 0..20_000 {
        fs::write(room.path(&format!("runs/good/{number}.tmp")), "").unwrap();
    }
    for number in 0..2_000 {
        fs::create_dir_all(room.path(&format!("runs/empty/{}/{number}", number % 20))).unwrap();
    }
    let ran = room.run("check runs --json -").ends(0);
    assert_eq!(ran.stdout, alone.stdout);
    assert!(ran.took < Duration::from_secs(60), "{:?}", ran.took);
    assert!(ran.peak_bytes < alone.peak_bytes + 20_000_000, "{} and {}", ran.peak_bytes, alone.peak_bytes);
}

/// Circles of links, links to nowhere and out of the folder are told, and the runs beside them judged.
#[test]
fn circles_of_links_end() {
    let room = gauge::room();
    let link = |to: &str, at: &str| std::os::unix::fs::symlink(Path::new(to), room.path(at)).unwrap();
    link("..", "runs/up");
    link("one", "runs/two");
    link("two", "runs/one");
    for (folder, to) in [("self", "run.yaml"), ("nowhere", "/no/such/run.yaml")] {
        fs::create_dir(room.path(&format!("runs/{folder}"))).unwrap();
        link(to, &format!("runs/{folder}/run.yaml"));
    }
    let ran = room.run("check runs --json -").ends(2);
    assert!(ran.stderr.contains("warning[link-not-followed]: runs/up: "), "{}", ran.stderr);
    let result = ran.json();
    let runs: Vec<&Value> = list(&result["runs"]).iter().map(|run| &run["run"]).collect();
    assert_eq!(runs, ["runs/good"]);
    let files: Vec<&Value> = list(&result["errors"]).iter().map(|error| &error["file"]).collect();
    assert_eq!(files, ["runs/nowhere/run.yaml", "runs/self/run.yaml"]);
}

/// No output shows a control character or a direction mark of a folder's name as it is, but JSON.
#[test]
fn names_with_control_characters_are_harmless() {
    let room = Room::empty();
    gauge::add_spec(&room);
    let folder = "runs/a\u{1b}[31mb\nc\td\u{202e}e\u{7f}";
    gauge::add_run(&room, folder, "RG-00042", GOOD);
    gauge::add_run(&room, "runs/other", "RG-00043", GOOD);
    room.write(&format!("{folder}/b.csv"), "frequency_hz,gain_db,phase_deg\n1,--,2\n");
    let ran =
        room.run("check runs --json all.json --junit all.xml --html all.html --markdown all.md").ends(2);
    let all = [ran.out(), &ran.stderr, &room.read("all.html"), &room.read("all.md")].concat();
    assert!(!all.contains(|c: char| "\u{1b}\u{202e}\u{7f}\t".contains(c)), "{all}");
    assert!(ran.stderr.contains("a\\x1b[31mb\\x0ac\\x09d"), "{}", ran.stderr);
    let result: Value = serde_json::from_str(&room.read("all.json")).unwrap();
    assert_eq!(list(&result["runs"])[0]["run"], "runs/other");
    assert_eq!(list(&result["errors"])[0]["file"], format!("{folder}/b.csv"));
}
