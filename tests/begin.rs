//! First steps: what `begin` writes loads, lists everything the spec asks for, and overwrites nothing; what a half-filled folder
//! is told; completions and manual pages.

#![cfg(all(feature = "cli", unix))]
#![allow(clippy::unwrap_used, clippy::panic, clippy::indexing_slicing, reason = "a test fails by panicking")]

mod tool;

use std::collections::BTreeSet;
use std::fs;
use std::io::Write;
use std::process::{Command, Stdio};
use tool::{Room, demo, list, text};

const RUN: &str = "begin --run runs/RG-00042 --spec specs/river-gauge-5v.yaml --serial RG-00042 --revision C";

/// The sweep files that a run file lists.
fn files(run: &str) -> Vec<String> {
    let file = |line: &str| Some(line.split_once("{file: ")?.1.split_once(',')?.0.to_owned());
    run.lines().filter_map(file).collect()
}

#[test]
fn a_new_spec_is_sound_as_it_is_and_nothing_is_overwritten() {
    let room = Room::empty();
    let ran = room.run("begin river-gauge-9v").ends(0);
    assert!(ran.out().starts_with("specs/river-gauge-9v.yaml: "), "{}", ran.out());
    assert_eq!(ran.stderr, "");
    assert_eq!(room.run("lint specs").ends(0).out(), "1 spec file, 0 runs: 0 errors, 0 warnings\n");
    let spec = room.read("specs/river-gauge-9v.yaml");
    let comments = spec.lines().filter(|line| line.contains('#')).count();
    assert!(comments > 30, "{comments} lines teach");
    // Also not when it is the same.
    let again = room.run("begin river-gauge-9v").ends(2);
    assert!(again.stderr.contains("exists already and is left as it is"), "{}", again.stderr);
    room.write("specs/river-gauge-9v.yaml", "mine");
    room.run("begin river-gauge-9v").ends(2);
    assert_eq!(room.read("specs/river-gauge-9v.yaml"), "mine");
    assert_eq!(room.names("specs"), ["river-gauge-9v.yaml"]);

    assert_eq!(room.run("begin river-gauge-9v --to -").ends(0).out(), spec);
    room.run("begin river-gauge-9v --to mine/spec.yaml").ends(0);
    assert_eq!(room.read("mine/spec.yaml"), spec);
}

/// What stands in comments of the new spec is legal, too.
#[test]
fn the_comments_of_a_new_spec_can_be_used_as_they_stand() {
    let room = Room::empty();
    let spec = room.run("begin river-gauge-9v --to -").ends(0).out().to_owned();
    let is_key = |text: &str| {
        let word = text.trim_start().trim_start_matches("- ");
        word.starts_with('{')
            || word
                .split_once(':')
                .is_some_and(|(key, _)| key.bytes().all(|b| b.is_ascii_lowercase() || b == b'_'))
    };
    let open = |line: &str| {
        let indent = line.len() - line.trim_start().len();
        match line.trim_start().strip_prefix("# ").filter(|text| is_key(text)) {
            Some(text) => format!("{}{text}", &line[..indent]),
            None => line.to_owned(),
        }
    };
    let opened: Vec<String> = spec.lines().map(open).collect();
    let opened = opened.join("\n");
    for key in [
        "delay: 2 ns",
        "delay_margin:",
        "- {at: 120 Hz",
        "- name: cold-start",
        "waivers:",
        "regression:",
        "reading:",
    ] {
        assert!(opened.lines().any(|line| line.trim_start().starts_with(key)), "{key} in\n{opened}");
    }
    room.write("specs/river-gauge-9v.yaml", opened);
    let ran = room.run("lint specs --format json").ends(0).json();
    // The waiver ends one day.
    let codes: Vec<&str> = list(&ran["findings"]).iter().map(|f| text(&f["code"])).collect();
    assert!(codes.iter().all(|code| code.starts_with("waiver-end")), "{codes:?}");
}

#[test]
fn a_run_folder_lists_every_sweep_of_the_spec() {
    let room = Room::demo();
    let ran = room.run(&format!("{RUN} --station bench-3 --build 2026-W14")).ends(0);
    assert_eq!(
        ran.out(),
        "runs/RG-00042/run.yaml: 14 sweeps of 7 corners to collect\nruns/RG-00042/checklist.txt: 1 page to print\n"
    );
    assert_eq!(room.names("runs/RG-00042"), ["checklist.txt", "run.yaml"]);
    let run = room.read("runs/RG-00042/run.yaml");
    let listed = files(&run);
    assert_eq!(listed.len(), 14);
    assert_eq!(listed[6..8], ["24V-3A_-26dBm.csv", "24V-3A_-23dBm.csv"]);
    for line in [
        "serial: RG-00042",
        "station: bench-3",
        "build: 2026-W14",
        "# firmware: 2.3.1",
        "# operator: ",
        "# calibrated_until: ",
        "# taken: ",
    ] {
        assert!(run.lines().any(|found| found.starts_with(line)), "{line}");
    }
    // The page: every file, corner, condition and box; on A4 upright.
    let page = room.read("runs/RG-00042/checklist.txt");
    assert!(listed.iter().all(|file| page.contains(&format!(" {file}\n"))));
    for words in [
        "cold-start: input 24 V, load 3 A, ambient -30 degC",
        "each from 100 Hz to 200 kHz",
        "dangerous voltage",
    ] {
        assert!(page.replace('\n', " ").contains(words), "{words}");
    }
    assert_eq!(page.matches("[ ] -2").count(), 14);
    assert!(page.starts_with("river-gauge-5v RG-00042: bench checklist, page 1 of 1\n"));
    assert!(page.lines().count() <= 60 && page.lines().all(|line| line.chars().count() <= 80), "{page}");
    // Never again over it, nor over half of it.
    let before = run;
    room.run(&format!("{RUN} --level -30dBm")).ends(2);
    assert_eq!(room.read("runs/RG-00042/run.yaml"), before);
    fs::remove_file(room.path("runs/RG-00042/run.yaml")).unwrap();
    room.run(RUN).ends(2);
    assert_eq!(room.names("runs/RG-00042"), ["checklist.txt"]);
}

#[test]
fn same_input_same_bytes_and_other_levels() {
    let room = Room::demo();
    room.run(RUN).ends(0);
    room.run(&RUN.replace("runs/RG-00042", "other")).ends(0);
    for file in ["run.yaml", "checklist.txt"] {
        assert_eq!(room.read(&format!("runs/RG-00042/{file}")), room.read(&format!("other/{file}")));
    }
    room.run(&RUN.replace("runs/RG-00042", "volts").replace("--serial", "--level 20mVpp --serial")).ends(0);
    let run = room.read("volts/run.yaml");
    // 3 dB above 20 mVpp, a factor of 1.41254: 28.2508, rounded up to four digits.
    assert!(run.contains("{file: 24V-3A_20mVpp.csv, corner: 24V-3A, level: 20 mVpp}"), "{run}");
    assert!(run.contains("{file: 24V-3A_28.26mVpp.csv, corner: 24V-3A, level: 28.26 mVpp}"), "{run}");
}

#[test]
fn odd_names_and_waived_linearity() {
    let room = Room::empty();
    let spec = "spec: 1\nproduct: p\ntitle: \"a \\e[2J \\u202e b\"\ncritical_point: +1\nlimits: {phase_margin: {min: 50 deg}}\n\
                linearity: {waived: 'one level'}\n\
                corners: [{name: 'a/b: \"c\" #1'}, {name: 'A/B: \"c\" #1'}, {name: -30degC}, {name: \"c\\u202ed\"}, {name: '2.10'}]\n";
    room.write("specs/p.yaml", spec);
    let mut command = room.command();
    command.args([
        "begin",
        "--run",
        "r",
        "--spec",
        "specs/p.yaml",
        "--serial",
        "00042",
        "--revision",
        "null",
        "--build",
        "a # b",
    ]);
    assert_eq!(tool::finish(&mut command).ends(0).stderr, "");
    let run = room.read("r/run.yaml");
    assert_eq!(run.matches("{file: ").count(), 5, "{run}");
    for text in [&run, &room.read("r/checklist.txt")] {
        assert!(!text.contains(['\u{202e}', '\u{1b}']), "{text:?}");
    }
    // Everything that is listed is missing, and nothing else is wrong.
    let found = room.run("check r --json -").ends(2).json();
    let errors = list(&found["errors"]);
    assert_eq!(errors.len(), 1);
    assert!(text(&errors[0]["message"]).starts_with("still to collect: 5 of 5 sweeps: "), "{errors:?}");
}

#[test]
fn a_long_spec_takes_more_pages_and_says_so() {
    let room = Room::empty();
    let spec = "spec: 1\nproduct: p\ncritical_point: +1\nlimits: {phase_margin: {min: 50 deg}}\n\
                linearity: {phase_margin: 2 deg}\n\
                corners: [{name: '{input}-{load}', conditions: {input: [10 V, 12 V, 24 V, 32 V], load: [1 A, 2 A, 3 A, 4 A, 5 A]}}]\n";
    room.write("p.yaml", spec);
    let ran = room.run("begin --run r --spec p.yaml --serial 1 --revision C").ends(0);
    assert!(
        ran.out().contains("40 sweeps of 20 corners") && ran.out().contains("3 pages to print"),
        "{}",
        ran.out()
    );
    let text = room.read("r/checklist.txt");
    let pages: Vec<&str> = text.split('\u{c}').collect();
    assert_eq!(pages.len(), 3);
    for (index, page) in pages.iter().enumerate() {
        assert!(page.starts_with(&format!("p 1: bench checklist, page {} of 3\n", index + 1)));
        assert!(page.lines().count() <= 60);
        // No corner is parted from its sweeps.
        assert!(!page.trim_end().ends_with(" A"), "{page}");
    }
}

#[test]
fn what_was_typed_wrong_is_named_and_nothing_is_written() {
    let room = Room::demo();
    for (more, piece) in [
        ("--taken yesterday", "--taken: `yesterday` is no RFC 3339 time"),
        ("--level -26", "--level: `-26` has no unit"),
        ("--level loud", "--level: `loud`"),
    ] {
        let ran = room.run(&format!("{RUN} {more}")).ends(2);
        assert!(ran.stderr.contains(piece), "{}", ran.stderr);
    }
    for (arguments, piece) in [
        ("begin a/b", "PRODUCT: `a/b` is not a product name"),
        ("begin", "required"),
        ("begin x --run y", "cannot be used with"),
        ("begin --run x --spec specs/river-gauge-5v.yaml --serial 1", "--revision"),
        ("begin --run x --spec specs --serial 1 --revision C", "--spec names a folder"),
        ("begin --run x --spec nowhere.yaml --serial 1 --revision C", "nowhere.yaml"),
        ("begin --run x --spec specs/common.yaml --serial 1 --revision C", "`product` is missing"),
    ] {
        let ran = room.run(arguments).ends(2);
        assert!(ran.stderr.contains(piece), "{arguments}: {}", ran.stderr);
    }
    let mut command = room.command();
    command.args(RUN.split(' ')).args(["--build", "two\nlines"]);
    assert!(tool::finish(&mut command).ends(2).stderr.contains("--build: line breaks"));
    assert_eq!(room.names("."), ["demo-data", "specs"]);
}

/// A folder that is filled sweep by sweep: what is missing is told as one, and at the end it is judged.
#[test]
fn a_half_filled_folder_is_told_what_is_still_to_collect() {
    let room = Room::demo();
    let unit = "demo-data/rev-c/RG-00021/river-gauge-5v";
    room.run(RUN).ends(0);
    let listed = files(&room.read("runs/RG-00042/run.yaml"));
    for corner in ["10v-0.5a", "10v-3a", "24v-0.5a", "24v-3a", "32v-0.5a", "32v-3a", "cold-start"] {
        let name = if corner == "cold-start" { corner.to_owned() } else { corner.to_uppercase() };
        let already =
            listed.iter().filter(|file| room.path(&format!("runs/RG-00042/{file}")).exists()).count();
        let found = room.run("check runs --json -").ends(2);
        let error = &list(&found.json()["errors"])[0].clone();
        assert_eq!(list(&found.json()["errors"]).len(), 1);
        assert_eq!(
            (text(&error["code"]), text(&error["file"])),
            ("sweeps-missing", "runs/RG-00042/run.yaml")
        );
        let message = text(&error["message"]);
        assert!(
            message.starts_with(&format!("still to collect: {} of 14 sweeps: ", 14 - already)),
            "{message}"
        );
        for file in &listed {
            let is_there = room.path(&format!("runs/RG-00042/{file}")).exists();
            assert_eq!(message.contains(file.as_str()), !is_there, "{file}: {message}");
        }
        for (from, level) in [("", "-26"), ("-check", "-23")] {
            fs::copy(
                room.path(&format!("{unit}/{corner}{from}.csv")),
                room.path(&format!("runs/RG-00042/{name}_{level}dBm.csv")),
            )
            .unwrap();
        }
    }
    assert!(room.run("check runs").ends(0).out().starts_with("The verdict is pass."));
    // One of another case, and one that is damaged: both are told.
    let at = |file: &str| room.path(&format!("runs/RG-00042/{file}"));
    fs::rename(at("24V-3A_-26dBm.csv"), at("24v-3a_-26dBm.CSV")).unwrap();
    room.write("runs/RG-00042/cold-start_-23dBm.csv", "nothing");
    for command in ["check runs", "lint runs"] {
        let ran = room.run(command).ends(2);
        assert!(
            ran.stderr.contains("24V-3A_-26dBm.csv: there is no such file; still to collect: 1 of 14 sweeps"),
            "{}",
            ran.stderr
        );
        assert!(
            ran.stderr.contains("`24v-3a_-26dBm.CSV` is there, `24V-3A_-26dBm.csv` is listed"),
            "{}",
            ran.stderr
        );
        assert!(ran.stderr.contains("runs/RG-00042/cold-start_-23dBm.csv"), "{}", ran.stderr);
    }
}

/// Runs a program on a text, where there is one of that name; gives whether it was content, and what it said.
fn judged_by(program: &str, arguments: &[&str], text: &str) -> Option<(bool, String)> {
    let child = Command::new(program)
        .args(arguments)
        .stdin(Stdio::piped())
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        .spawn();
    let mut child = child.ok()?;
    let written = child.stdin.take().unwrap().write_all(text.as_bytes());
    let output = child.wait_with_output().unwrap();
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    Some((output.status.success() && written.is_ok(), said))
}

#[test]
fn completions_know_every_command_and_are_sound() {
    for shell in ["bash", "zsh", "fish", "powershell", "elvish"] {
        let ran = demo(&format!("completions {shell}")).ends(0);
        for word in ["check", "begin", "--specs", "levels"] {
            let word = if shell == "fish" { word.trim_start_matches("--") } else { word };
            assert!(ran.out().contains(word), "{shell}: {word}");
        }
        if matches!(shell, "bash" | "zsh" | "fish")
            && let Some((is_good, said)) = judged_by(shell, &["-n"], ran.out())
        {
            assert!(is_good && said.is_empty(), "{shell}: {said}");
        }
    }
    demo("completions tcsh").ends(2);
}

/// Commands that the manual's text names, `history export` as `history-export`.
fn commands_of_the_manual() -> BTreeSet<String> {
    let texts =
        loopgauge::manual::CHAPTERS.iter().flat_map(|chapter| chapter.text.split("`loopgauge ").skip(1));
    let is_word = |word: &&str| word.bytes().all(|byte| byte.is_ascii_lowercase());
    let commands = texts.filter_map(|text| {
        let mut words = text.split(['`', '\n']).next().unwrap().split(' ').take_while(is_word);
        match (words.next()?, words.next()) {
            ("history", Some(below)) => Some(format!("history-{below}")),
            (command, _) => Some(command.to_owned()),
        }
    });
    commands.collect()
}

#[test]
fn manual_pages_exist_for_every_command_and_are_sound() {
    let room = Room::empty();
    let page = room.run("man").ends(0);
    assert!(page.out().contains(".TH loopgauge 1") && page.out().contains("dangerous voltage"));
    let ran = room.run("man --to pages").ends(0);
    let names = room.names("pages");
    assert_eq!(ran.out(), format!("{} pages written to pages\n", names.len()));
    let commands = commands_of_the_manual();
    assert!(commands.len() >= 15 && commands.contains("history-show"), "{commands:?}");
    for command in commands {
        assert!(names.contains(&format!("loopgauge-{command}.1")), "{command} in {names:?}");
    }
    assert_eq!(page.out(), room.read("pages/loopgauge.1"));
    for name in &names {
        let text = room.read(&format!("pages/{name}"));
        assert!(
            text.contains(&format!(".TH {} 1", name.trim_end_matches(".1").replace('-', "\\-")))
                || text.contains(&format!(".TH {} 1", name.trim_end_matches(".1"))),
            "{text}"
        );
        let plain = text.replace("\\-", "-");
        for reference in plain.lines().filter_map(|line| line.strip_suffix("(1)")) {
            assert!(names.contains(&format!("{reference}.1")), "{name} refers to {reference}");
        }
        for (program, arguments) in
            [("groff", &["-man", "-Tutf8", "-ww", "-z"][..]), ("mandoc", &["-T", "lint", "-W", "error"][..])]
        {
            if let Some((is_good, said)) = judged_by(program, arguments, &text) {
                assert!(is_good && said.is_empty(), "{program} {name}: {said}");
            }
        }
    }
}
