//! The README is true: its commands print what it says, its examples are read.

#![cfg(feature = "cli")]
#![expect(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    reason = "a test that cannot run its own program must stop"
)]

use std::fs;
use std::process::Command;

const README: &str = include_str!("../README.md");

/// The fenced blocks of one language, without their fences.
fn blocks(language: &str) -> Vec<String> {
    let mut blocks = Vec::new();
    let mut lines = README.lines();
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

/// Runs a command of the README in the project's folder. Problems are written while the work goes on, the result at its end,
/// so a terminal shows standard error first.
fn run(arguments: &str) -> (String, i32) {
    let output = Command::new(env!("CARGO_BIN_EXE_loopgauge"))
        .current_dir(env!("CARGO_MANIFEST_DIR"))
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

#[test]
fn commands_print_what_the_readme_says() {
    let mut commands = 0;
    for block in blocks("console") {
        let mut status: Option<i32> = None;
        for part in format!("\n{block}").split("\n$ ").skip(1) {
            let (command, written) = part.split_once('\n').unwrap_or((part, ""));
            let written: Vec<&str> = written.lines().collect();
            if command == "echo $?" {
                assert_eq!(written, [status.unwrap().to_string()], "status");
                continue;
            }
            let arguments = ["cargo run --release -- ", "loopgauge "];
            let arguments = arguments.iter().find_map(|program| command.strip_prefix(program)).unwrap();
            let (text, code) = run(arguments);
            let real: Vec<&str> = text.lines().collect();
            assert!(fits(&written, &real), "`{command}` prints\n{text}");
            status = Some(code);
            commands += 1;
        }
    }
    assert!(commands >= 4, "{commands} commands found");
}

#[test]
fn the_spec_walked_through_is_that_of_the_demo() {
    let block = blocks("yaml").into_iter().find(|block| block.starts_with("spec: 1")).unwrap();
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/specs/");
    let disk = |path: &str| fs::read(format!("{folder}{path}")).map_err(|error| error.to_string());
    let shown =
        |path: &str| if path == "river-gauge-5v.yaml" { Ok(block.clone().into_bytes()) } else { disk(path) };
    let demo = loopgauge::spec::load("river-gauge-5v.yaml", &disk).unwrap();
    let readme = loopgauge::spec::load("river-gauge-5v.yaml", &shown).unwrap();
    assert_eq!(readme.spec, demo.spec);

    let run = blocks("yaml").into_iter().find(|block| block.starts_with("run: 1")).unwrap();
    let run = loopgauge::run::parse(run.as_bytes(), "run.yaml", ".").unwrap().resolve(&demo, &[]).unwrap();
    assert_eq!(run.corners().iter().map(|corner| corner.entries.len()).sum::<usize>(), 4);

    let reading = blocks("yaml").into_iter().find(|block| block.starts_with("reading:")).unwrap();
    let reading = loopgauge::spec::load_reading(reading.as_bytes(), "reading.yaml").unwrap();
    assert_eq!((reading.delimiter, reading.decimal, reading.skip_rows), (';', ',', 2));
}

#[test]
fn waivers_shown_are_read() {
    let waivers = blocks("yaml").into_iter().find(|block| block.starts_with("waivers:")).unwrap();
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
    let block = blocks("json").into_iter().find(|block| block.contains("\"corner\"")).unwrap();
    let shown: serde_json::Value = serde_json::from_str(&block).unwrap();
    let (text, _) =
        run("check demo-data/rev-b/RG-00011/river-gauge-5v --only '10V-3A/phase_margin' --json -");
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
fn contents_lead_somewhere() {
    let anchor = |heading: &str| {
        let kept = heading.chars().filter(|c| c.is_alphanumeric() || matches!(c, ' ' | '-' | '_'));
        kept.collect::<String>().to_lowercase().replace(' ', "-")
    };
    let headings: Vec<String> = README
        .lines()
        .filter_map(|line| line.strip_prefix('#'))
        .map(|line| anchor(line.trim_matches(['#', ' '])))
        .collect();
    let links: Vec<&str> =
        README.split("](#").skip(1).filter_map(|rest| rest.split_once(')')).map(|(to, _)| to).collect();
    assert!(links.len() > 10);
    for link in links {
        assert!(headings.iter().any(|heading| heading == link), "#{link}");
    }
}
