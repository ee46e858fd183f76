//! README and manual are true: their commands print what they say, their examples are read, their links lead somewhere.

#![cfg(feature = "cli")]
#![expect(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    reason = "a test that cannot run its own program must stop"
)]

#[path = "../examples/make-line/main.rs"]
#[expect(dead_code, reason = "its own `main` is not called")]
mod make_line;

use loopgauge::history::Address;
use loopgauge::manual::{CHAPTERS, chapter};
use loopgauge::measurand::Measurand;
use loopgauge::quantity::Unit;
use std::fs;
use std::path::Path;
use std::process::Command;

const README: &str = include_str!("../README.md");

/// The fenced blocks of one language in a chapter, without their fences.
fn blocks(name: &str, language: &str) -> Vec<String> {
    blocks_of(chapter(name).unwrap().text, language)
}

fn blocks_of(text: &str, language: &str) -> Vec<String> {
    let mut blocks = Vec::new();
    let mut lines = text.lines();
    while let Some(line) = lines.next() {
        if let Some(found) = line.strip_prefix("```") {
            let body: Vec<&str> = lines.by_ref().take_while(|line| *line != "```").collect();
            if found == language {
                blocks.push(body.join("\n"));
            }
        }
    }
    blocks
}

/// Words of a command line; single quotes keep blanks and patterns.
fn words(command: &str) -> Vec<String> {
    let mut words = Vec::new();
    for (i, part) in command.split('\'').enumerate() {
        if i % 2 == 1 {
            words.push(part.to_owned());
        } else {
            words.extend(part.split_whitespace().map(str::to_owned));
        }
    }
    words
}

/// Specs and runs of the demo, in a folder where commands may write.
fn clone() -> tempfile::TempDir {
    fn copy(from: &Path, to: &Path) {
        fs::create_dir_all(to).unwrap();
        for entry in fs::read_dir(from).unwrap() {
            let entry = entry.unwrap();
            let to = to.join(entry.file_name());
            if entry.file_type().unwrap().is_dir() {
                copy(&entry.path(), &to);
            } else {
                fs::copy(entry.path(), to).unwrap();
            }
        }
    }
    let room = tempfile::tempdir().unwrap();
    for folder in ["specs", "demo-data"] {
        copy(&Path::new(env!("CARGO_MANIFEST_DIR")).join(folder), &room.path().join(folder));
    }
    room
}

/// Runs a command in a folder. Problems are written while the work goes on, the result at its end,
/// so a terminal shows standard error first.
fn run(folder: &Path, arguments: &str) -> (String, i32) {
    let output = Command::new(env!("CARGO_BIN_EXE_loopgauge"))
        .current_dir(folder)
        .args(words(arguments))
        // 2026-11-25: no waiver of the demo ends.
        .env("SOURCE_DATE_EPOCH", "1795564800")
        .env_remove("CLICOLOR_FORCE")
        .output()
        .unwrap();
    let text = [output.stderr, output.stdout].concat();
    (String::from_utf8(text).unwrap(), output.status.code().unwrap())
}

/// Whether lines are as written, where a line `...` stands for any number of them.
fn fits(written: &[&str], real: &[&str]) -> bool {
    match written.split_first() {
        None => real.is_empty(),
        Some((&"...", rest)) => (0..=real.len()).any(|skipped| fits(rest, &real[skipped..])),
        Some((line, rest)) => {
            real.split_first().is_some_and(|(first, others)| first == line && fits(rest, others))
        }
    }
}

/// Runs the commands of a text in their order and holds what they print against it; gives their number.
fn commands_print_what_is_said(text: &str, folder: &Path) -> usize {
    let mut commands = 0;
    for block in blocks_of(text, "console") {
        let mut status: Option<i32> = None;
        for part in format!("\n{block}").split("\n$ ").skip(1) {
            let (command, written) = part.split_once('\n').unwrap_or((part, ""));
            let written: Vec<&str> = written.lines().collect();
            if command == "echo $?" {
                assert_eq!(written, [status.unwrap().to_string()], "status");
                continue;
            }
            commands += 1;
            if let Some(line) = command.strip_prefix("cargo run --release --example make-line -- ") {
                match line.split_once(' ') {
                    Some((line, "capacitor")) => {
                        make_line::tell_of_a_capacitor(&Address::File(folder.join(line))).unwrap();
                    }
                    _ => {
                        make_line::tell(&Address::File(folder.join(line))).unwrap();
                    }
                }
                continue;
            }
            let arguments = ["cargo run --release -- ", "loopgauge "];
            let arguments = arguments.iter().find_map(|program| command.strip_prefix(program)).unwrap();
            let (text, code) = run(folder, arguments);
            let real: Vec<&str> = text.lines().collect();
            assert!(fits(&written, &real), "`{command}` prints\n{text}");
            status = Some(code);
        }
    }
    commands
}

#[test]
fn the_job_in_ten_commands() {
    let room = clone();
    // The demo by itself comes first.
    assert_eq!(commands_print_what_is_said(README, room.path()), 14);
    assert!(README.lines().count() <= 250);
}

#[test]
fn commands_print_what_the_manual_says() {
    let room = clone();
    let commands: usize =
        CHAPTERS.iter().map(|chapter| commands_print_what_is_said(chapter.text, room.path())).sum();
    assert!(commands >= 6, "{commands} commands found");
}

#[test]
fn the_spec_walked_through_is_that_of_the_demo() {
    let block = blocks("specs", "yaml").into_iter().find(|block| block.starts_with("spec: 1")).unwrap();
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/specs/");
    let disk = |path: &str| fs::read(format!("{folder}{path}")).map_err(|error| error.to_string());
    let shown =
        |path: &str| if path == "river-gauge-5v.yaml" { Ok(block.clone().into_bytes()) } else { disk(path) };
    let demo = loopgauge::spec::load("river-gauge-5v.yaml", &disk).unwrap();
    let readme = loopgauge::spec::load("river-gauge-5v.yaml", &shown).unwrap();
    // Its circuit has a chapter of its own.
    let without = loopgauge::spec::Spec { circuit: None, ..(*demo.spec).clone() };
    assert_eq!(*readme.spec, without);

    let run = blocks("files", "yaml").into_iter().find(|block| block.starts_with("run: 1")).unwrap();
    let run = loopgauge::run::parse(run.as_bytes(), "run.yaml", ".").unwrap().resolve(&demo, &[]).unwrap();
    assert_eq!(run.corners().iter().map(|corner| corner.entries.len()).sum::<usize>(), 4);

    let reading = blocks("files", "yaml").into_iter().find(|block| block.starts_with("reading:")).unwrap();
    let reading = loopgauge::spec::load_reading(reading.as_bytes(), "reading.yaml").unwrap();
    assert_eq!((reading.delimiter, reading.decimal, reading.skip_rows), (';', ',', 2));
}

#[test]
fn every_quantity_is_defined() {
    let text = chapter("computing").unwrap().text;
    for own in Measurand::ALL {
        let unit = if own.unit() == Unit::One { "number" } else { own.unit().symbol() };
        assert!(text.contains(&format!("| `{}` | {unit} | ", own.name())), "{}", own.name());
    }
}

#[test]
fn waivers_shown_are_read() {
    let waivers = blocks("specs", "yaml").into_iter().find(|block| block.starts_with("waivers:")).unwrap();
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/specs/");
    let files = |name: &str| {
        let mut text = fs::read(format!("{path}{name}")).map_err(|error| error.to_string())?;
        if name == "river-gauge-5v.yaml" {
            text.extend_from_slice(format!("\n{waivers}\n").as_bytes());
        }
        Ok(text)
    };
    let spec = loopgauge::spec::load("river-gauge-5v.yaml", &files).unwrap().spec;
    let waived: Vec<&str> =
        spec.corners.iter().flat_map(|corner| &corner.waivers).map(|waiver| waiver.check.as_str()).collect();
    assert_eq!(waived, ["crossover"]);
}

#[test]
fn the_json_shown_is_a_part_of_the_real_one() {
    let block = blocks("reports", "json").into_iter().find(|block| block.contains("\"corner\"")).unwrap();
    let shown: serde_json::Value = serde_json::from_str(&block).unwrap();
    let (text, _) = run(
        clone().path(),
        "check demo-data/rev-b/RG-00011/river-gauge-5v --only '10V-3A/phase_margin' --json -",
    );
    let real: serde_json::Value = serde_json::from_str(&text).unwrap();
    let corner = &real["runs"][0]["corners"][0];
    for key in ["corner", "conditions", "verdict", "judged"] {
        assert_eq!(shown[key], corner[key], "{key}");
    }
    let same = |shown: &serde_json::Value, real: &serde_json::Value, key: &str| match (
        shown[key].as_f64(),
        real[key].as_f64(),
    ) {
        // Digits are cut in the README.
        (Some(a), Some(b)) => assert!((a - b).abs() <= 2e-3 * b.abs().max(1e-9), "{key}: {a} {b}"),
        _ if key == "budget" => {
            let parts = shown[key].as_object().unwrap();
            assert_eq!(
                parts.keys().collect::<Vec<_>>(),
                real[key].as_object().unwrap().keys().collect::<Vec<_>>()
            );
            for (source, part) in parts {
                let (a, b) = (part.as_f64().unwrap(), real[key][source].as_f64().unwrap());
                assert!((a - b).abs() <= 1e-4, "{source}: {a} {b}");
            }
        }
        _ => assert_eq!(shown[key], real[key], "{key}"),
    };
    for (name, value) in shown["measured"].as_object().unwrap() {
        assert_eq!(value.is_null(), corner["measured"][name].is_null(), "{name}");
        for key in value.as_object().into_iter().flat_map(|map| map.keys()) {
            same(value, &corner["measured"][name], key);
        }
    }
    let check = corner["checks"].as_array().unwrap().iter().find(|c| c["check"] == "phase_margin").unwrap();
    for key in ["verdict", "value", "uncertainty", "unit", "conformity", "at_hz", "message"] {
        same(&shown["checks"][0], check, key);
    }
}

#[test]
fn drift_tells_the_story_of_its_chapter() {
    let room = clone();
    make_line::tell(&Address::File(room.path().join("line.db"))).unwrap();
    let (text, _) = run(room.path(), "drift --history line.db --verbose");
    let told: Vec<&str> = text.lines().map(str::trim).collect();
    let stories = blocks("builds", "text");
    assert_eq!(stories.len(), 2);
    for story in stories {
        let written: Vec<&str> = story.lines().map(str::trim).collect();
        assert!(
            told.windows(written.len()).any(|lines| lines == written),
            "{text}\nthe chapter says\n{story}"
        );
    }
}

#[test]
fn the_library_chapter_shows_code_that_is_built() {
    let built = [
        include_str!("../src/lib.rs"),
        include_str!("../src/harness.rs"),
        include_str!("../examples/firmware/Cargo.toml"),
    ];
    let built: Vec<&str> = built.iter().flat_map(|text| text.lines()).collect();
    let has = |line: &str| built.iter().any(|own| own.trim_start_matches("//!").trim() == line.trim());
    let shown = [blocks("library", "rust,ignore"), blocks("library", "toml")].concat();
    assert_eq!(shown.len(), 3);
    for line in shown.iter().flat_map(|block| block.lines()).filter(|line| !line.contains("version")) {
        assert!(line.is_empty() || has(line), "`{line}` is not built");
    }
}

fn is_chapter(name: &str) -> bool {
    chapter(name).is_some()
}

#[test]
fn the_chapters_are_short_and_lead_to_each_other() {
    for chapter in CHAPTERS {
        assert!(chapter.text.lines().count() <= 200, "{} is long", chapter.name);
        assert!(chapter.text.starts_with("# "), "{} has no title", chapter.name);
        assert!(
            README.contains(&format!("](src/manual/{}.md)", chapter.name)),
            "{} is not linked",
            chapter.name
        );
        for reference in chapter.text.split("chapter [").skip(1) {
            let other = reference.split(']').next().unwrap();
            assert!(is_chapter(other), "{}: no chapter [{other}]", chapter.name);
        }
        // A word of the command line means one thing.
        let (text, status) = run(Path::new("."), &format!("help {}", chapter.name));
        assert_eq!(status, 0);
        assert!(text.starts_with(chapter.title()), "{text}");
        assert_eq!(run(Path::new("."), &format!("{} --help", chapter.name)).1, 2, "{}", chapter.name);
    }
    let (_, status) = run(Path::new("."), "help nothing-of-the-kind");
    assert_eq!(status, 2);
}
