//! A firmware pull request, walked through with git: specs, runs and baseline are one repository.

use super::{Change, add, lost};
use crate::tool::gauge::add_spec;
use crate::tool::{Room, checkout};
use std::fs;
use std::process::Command;

/// git in the room, untouched by this machine's settings.
#[track_caller]
fn git(room: &Room, arguments: &[&str]) -> String {
    let output = Command::new("git")
        .current_dir(room.root())
        .args(["-c", "user.name=bench", "-c", "user.email=bench@example.org", "-c", "commit.gpgsign=false"])
        .args(arguments)
        .env("GIT_CONFIG_GLOBAL", "/dev/null")
        .env("GIT_CONFIG_SYSTEM", "/dev/null")
        .output()
        .unwrap();
    assert!(output.status.success(), "{arguments:?}: {}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).unwrap()
}

fn firmware(room: &Room, version: &str, build: &str) {
    room.edit("runs/RG-00042/run.yaml", "firmware: 2.3.1", &format!("firmware: {version}"));
    room.edit("runs/RG-00042/run.yaml", "build: 2026-W14", &format!("build: {build}"));
}

#[test]
fn a_pull_request_is_red_where_it_loses_margin_and_green_once_accepted() {
    let room = Room::empty();
    git(&room, &["init", "--quiet", "--initial-branch=main"]);
    add_spec(&room);
    let run = "runs/RG-00042";
    add(&room, run, "RG-00042", Some("bench-3"), lost(0.0));
    room.run(&format!("accept {run} --baseline baseline")).ends(0);
    git(&room, &["add", "."]);
    git(&room, &["commit", "--quiet", "-m", "firmware 2.3.1, accepted"]);
    room.run("check runs --baseline baseline").ends(0);

    // The branch: new firmware, new sweeps, 4 deg less at one corner.
    git(&room, &["switch", "--quiet", "-c", "firmware-2.4.0"]);
    let slow = Change { lost_deg: 4.0, won_db: 0.0 };
    add(&room, run, "RG-00042", Some("bench-3"), [Change::default(), slow, Change::default()]);
    firmware(&room, "2.4.0", "2026-W20");
    git(&room, &["commit", "--quiet", "-am", "firmware 2.4.0"]);
    let red = room.run("check runs --baseline baseline").ends(1);

    // main is still green.
    git(&room, &["switch", "--quiet", "main"]);
    room.run("check runs --baseline baseline").ends(0);
    git(&room, &["switch", "--quiet", "firmware-2.4.0"]);

    // The team means it: accepting on the branch makes it green, and the diff tells what was agreed to.
    let refused = room.run(&format!("accept {run} --baseline baseline")).ends(0);
    assert!(refused.out().contains("accepted RG-00042"), "{}", refused.out());
    room.run("check runs --baseline baseline").ends(0);
    let diff = git(&room, &["diff", "--unified=0", "--", "baseline"]);
    let changed = |begin: &str| diff.lines().filter(|line| line.starts_with(begin)).count();
    // Labels, digests and values of the corners that were swept again; no other line of the head.
    assert!(diff.contains("-firmware: \"2.3.1\"\n") && diff.contains("+firmware: \"2.4.0\"\n"), "{diff}");
    assert!(
        diff.contains("-      phase_margin_deg: {value: 7")
            && diff.contains("+      phase_margin_deg: {value: 7"),
        "{diff}"
    );
    // The two corners whose sweeps stayed have not one line changed.
    let hunks: Vec<&str> = diff.lines().filter(|line| line.starts_with("@@")).collect();
    assert!(hunks.len() < 12 && changed("+") < 90, "{diff}");
    for corner in ["10V-3A", "cold"] {
        assert!(!diff.lines().any(|line| line.starts_with(['+', '-']) && line.contains(corner)), "{diff}");
    }
    assert_eq!(changed("-      phase_margin_deg"), 1, "{diff}");

    manual_tells(red.out(), "loopgauge check runs --baseline baseline");
    let calm = diff.lines().filter(|line| !line.starts_with("@@") && !line.starts_with("index"));
    manual_tells(&calm.collect::<Vec<_>>().join("\n"), "git diff --unified=0 baseline");
}

/// The manual's block of a command holds what really comes out, where a line `...` stands for any number of lines.
fn manual_tells(real: &str, command: &str) {
    let chapter = fs::read_to_string(checkout().join("src/manual/regression.md")).unwrap();
    let start = chapter
        .find(&format!("```text\n$ {command}\n"))
        .unwrap_or_else(|| panic!("no block of {command}:\n{real}"));
    let block = chapter[start..].split("```").nth(1).unwrap();
    let written: Vec<&str> = block.lines().skip(2).collect();
    let lines: Vec<&str> = real.lines().collect();
    assert!(fits(&written, &lines), "`{command}` prints\n{real}\nthe manual says\n{}", written.join("\n"));
}

fn fits(written: &[&str], real: &[&str]) -> bool {
    match written.split_first() {
        None => real.is_empty(),
        Some((&"...", rest)) => (0..=real.len()).any(|skipped| fits(rest, &real[skipped..])),
        Some((line, rest)) => {
            real.split_first().is_some_and(|(first, others)| first == line && fits(rest, others))
        }
    }
}
