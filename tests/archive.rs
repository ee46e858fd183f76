//! `check --archive`: a result with all that it rests on, checked again from itself alone; archives that were changed or are hostile.

#![cfg(all(feature = "cli", unix))]
#![allow(
    clippy::unwrap_used,
    clippy::panic,
    clippy::indexing_slicing,
    reason = "a test that cannot set up its case must stop"
)]

mod tool;

use sha2::{Digest, Sha256};
use std::fs;
use std::io::{Cursor, Read, Write};
use tool::{Room, gauge};
use zip::write::SimpleFileOptions;
use zip::{ZipArchive, ZipWriter};

type Entries = Vec<(String, Vec<u8>)>;

/// What an archive holds, in its order.
fn entries(room: &Room, name: &str) -> Entries {
    let mut zip = ZipArchive::new(Cursor::new(fs::read(room.path(name)).unwrap())).unwrap();
    (0..zip.len())
        .map(|index| {
            let mut entry = zip.by_index(index).unwrap();
            let mut bytes = Vec::new();
            entry.read_to_end(&mut bytes).unwrap();
            (entry.name().unwrap().into_owned(), bytes)
        })
        .collect()
}

fn zipped(entries: &Entries) -> Vec<u8> {
    let mut zip = ZipWriter::new(Cursor::new(Vec::new()));
    for (name, bytes) in entries {
        zip.start_file(name.as_str(), SimpleFileOptions::default()).unwrap();
        zip.write_all(bytes).unwrap();
    }
    zip.finish().unwrap().into_inner()
}

fn hex(bytes: &[u8]) -> String {
    Sha256::digest(bytes).iter().map(|byte| format!("{byte:02x}")).collect()
}

/// The same entries with a list of digests that fits them.
fn with_sums(entries: &mut Entries) {
    let lines = entries.iter().filter(|(name, _)| name != "SHA256SUMS");
    let sums: String = lines.map(|(name, bytes)| format!("{}  {name}\n", hex(bytes))).collect();
    entries.retain(|(name, _)| name != "SHA256SUMS");
    entries.push(("SHA256SUMS".to_owned(), sums.into_bytes()));
}

/// A room whose archive is written, and nothing else of it left.
fn archived() -> Room {
    let room = gauge::room();
    room.run("check runs --archive a.zip").ends(0);
    for folder in ["runs", "specs"] {
        fs::remove_dir_all(room.path(folder)).unwrap();
    }
    room
}

#[test]
fn an_archive_is_checked_from_itself_alone_with_the_same_bytes() {
    let room = gauge::room();
    room.write("specs/common.yaml", "accuracy: {gain: 0.1 dB, phase: 0.5 deg, delay: 2 ns}\n");
    room.edit("specs/gauge.yaml", "title:", "extends: common.yaml\ntitle:");
    gauge::add_run(&room, "runs/bad", "RG-00043", [12e3, 7e3, 15e3]);
    room.run("accept runs/good --baseline baseline --anyway waived").ends(0);
    let outputs = "--json r.json --junit r.xml --html r.html";
    let first = room.run(&format!("check runs --baseline baseline {outputs} --archive a.zip")).ends(1);
    let written: Vec<String> = ["r.json", "r.xml", "r.html"].map(|name| room.read(name)).into();
    // Nothing but the archive is left.
    for folder in ["runs", "specs", "baseline"] {
        fs::remove_dir_all(room.path(folder)).unwrap();
    }
    let again = room.run(&format!("check a.zip {outputs}")).ends(1);
    assert_eq!(again.stdout, first.stdout);
    assert!(again.stderr.contains("a.zip is judged as on"), "{}", again.stderr);
    let held = entries(&room, "a.zip");
    for ((file, text), name) in
        ["r.json", "r.xml", "r.html"].iter().zip(&written).zip(["result.json", "junit.xml", "report.html"])
    {
        assert_eq!(&room.read(file), text, "{file} again");
        let (_, bytes) = held.iter().find(|(held, _)| held == name).unwrap();
        assert_eq!(bytes, text.as_bytes(), "{name}");
    }
    let names: Vec<&str> = held.iter().map(|(name, _)| name.as_str()).collect();
    for name in ["runs/1/run.yaml", "runs/2/a.csv", "specs/gauge.yaml", "specs/common.yaml", "manifest.json"]
    {
        assert!(names.contains(&name), "{name}: {names:?}");
    }
    assert!(names.iter().any(|name| name.starts_with("baseline/gauge/")), "{names:?}");
    // The list of digests is what `sha256sum --check` takes.
    let (_, sums) = held.last().unwrap();
    let sums = String::from_utf8(sums.clone()).unwrap();
    for (name, bytes) in held.iter().filter(|(name, _)| name != "SHA256SUMS") {
        assert!(sums.contains(&format!("{}  {name}\n", hex(bytes))), "{name}");
    }
}

#[test]
fn the_same_runs_give_the_same_archive_whatever_the_time_and_the_threads() {
    let room = gauge::room();
    gauge::add_run(&room, "runs/more", "RG-00043", gauge::GOOD);
    room.run("check runs --archive a.zip --jobs 1").ends(0);
    let touched = fs::File::open(room.path("runs/good/a.csv")).unwrap();
    touched.set_modified(std::time::SystemTime::UNIX_EPOCH).unwrap();
    room.run("check runs --archive b.zip --jobs 4 --json r.json").ends(0);
    assert_eq!(fs::read(room.path("a.zip")).unwrap(), fs::read(room.path("b.zip")).unwrap());
    // An earlier archive is written over, another file is not.
    room.run("check runs --archive a.zip").ends(0);
    room.write("mine.zip", zipped(&vec![("notes.txt".to_owned(), b"x".to_vec())]));
    let ran = room.run("check runs --archive mine.zip").ends(2);
    assert!(ran.stderr.contains("mine.zip"), "{}", ran.stderr);
}

/// Absolute names and names with `..` stand in the result as they were given, and in the archive nowhere.
#[test]
fn names_of_the_result_are_those_that_were_given() {
    let room = gauge::room();
    let specs = room.path("specs");
    let runs = room.path("runs/../runs/good");
    let arguments =
        format!("check {} --specs {} --json r.json --archive a.zip", runs.display(), specs.display());
    room.run(&arguments).ends(0);
    let first = room.read("r.json");
    fs::remove_dir_all(room.path("runs")).unwrap();
    room.run("check a.zip --json r.json").ends(0);
    assert_eq!(room.read("r.json"), first);
    assert!(entries(&room, "a.zip").iter().all(|(name, _)| !name.starts_with('/') && !name.contains("..")));
}

#[test]
fn the_day_and_the_patterns_come_along() {
    let room = gauge::room();
    room.edit("specs/gauge.yaml", "until: 2099-12-31", "until: 2026-05-01");
    // The cold corner's crossover fails without its waiver.
    gauge::add_run(&room, "runs/good", "RG-00042", [12e3, 14e3, 7e3]);
    let with_day = |day: &str, arguments: &str| {
        tool::finish(room.command().env("SOURCE_DATE_EPOCH", day).args(arguments.split_whitespace()))
    };
    with_day("1775000000", "check runs --archive a.zip --only cold/crossover --json r.json").ends(0);
    let first = room.read("r.json");
    with_day("1900000000", "check runs --only cold/crossover").ends(1);
    with_day("1900000000", "check a.zip --json r.json").ends(0);
    assert_eq!(room.read("r.json"), first);
}

#[test]
fn what_was_changed_in_it_is_told_by_name_and_nothing_is_judged() {
    let room = archived();
    let sound = entries(&room, "a.zip");
    let changed = |change: &dyn Fn(&mut Entries), words: [&str; 2]| {
        let mut entries = sound.clone();
        change(&mut entries);
        room.write("changed.zip", zipped(&entries));
        let ran = room.run("check changed.zip --json r.json").ends(2);
        for word in words {
            assert!(ran.stderr.contains(word), "{word}: {}", ran.stderr);
        }
        assert!(!room.path("r.json").exists() || !room.read("r.json").contains("\"serial\":\"RG"));
    };
    let at = |entries: &mut Entries, name: &str| entries.iter().position(|(held, _)| held == name).unwrap();
    changed(
        &|entries| {
            let k = at(entries, "runs/1/a.csv");
            let last = entries[k].1.len() - 2;
            entries[k].1[last] ^= 1;
        },
        ["changed.zip/runs/1/a.csv", "was changed"],
    );
    changed(
        &|entries| {
            let k = at(entries, "result.json");
            entries[k].1.push(b' ');
        },
        ["changed.zip/result.json", "was changed"],
    );
    changed(
        &|entries| {
            let k = at(entries, "specs/gauge.yaml");
            entries.remove(k);
        },
        ["changed.zip/specs/gauge.yaml", "is not in the archive"],
    );
    changed(
        &|entries| entries.push(("runs/1/more.csv".to_owned(), vec![1])),
        ["changed.zip/runs/1/more.csv", "not in SHA256SUMS"],
    );
    changed(
        &|entries| {
            let k = at(entries, "SHA256SUMS");
            entries.remove(k);
        },
        ["changed.zip/SHA256SUMS", "cannot be read"],
    );
}

#[test]
fn hostile_archives_are_refused_and_write_nothing_outside() {
    let room = archived();
    let sound = entries(&room, "a.zip");
    let refused = |bytes: Vec<u8>, word: &str| {
        room.write("bad.zip", bytes);
        let ran = room.run("check bad.zip").ends(2);
        assert!(ran.stderr.contains(word), "{word}: {}", ran.stderr);
        assert!(ran.peak_bytes < 300 << 20, "{} bytes", ran.peak_bytes);
    };
    for name in [
        "../outside.csv",
        "/outside.csv",
        "runs/1/../../../outside.csv",
        "runs//x.csv",
        "runs/1/\u{1b}[2J.csv",
    ] {
        let mut entries = sound.clone();
        entries.push((name.to_owned(), b"1,2,3\n".to_vec()));
        with_sums(&mut entries);
        // Such a name is no line of the list, and no entry.
        refused(zipped(&entries), "bad.zip/");
        assert!(!room.path("outside.csv").exists());
    }
    // Names that are one file where case does not matter.
    let mut entries = sound.clone();
    entries.push(("runs/1/A.CSV".to_owned(), Vec::new()));
    with_sums(&mut entries);
    refused(zipped(&entries), "comes twice");
    // What unfolds to far more than a table of numbers would.
    let mut entries = sound.clone();
    entries.push(("runs/1/bomb.csv".to_owned(), vec![b'0'; 150 << 20]));
    with_sums(&mut entries);
    refused(zipped(&entries), "unfolds to more");
    // Thousands of entries.
    let mut entries = sound.clone();
    entries.extend((0..51_000).map(|k| (format!("runs/1/{k}.csv"), Vec::new())));
    refused(zipped(&entries), "at most 50000");
    // A link.
    let mut zip = ZipWriter::new(Cursor::new(Vec::new()));
    for (name, bytes) in &sound {
        zip.start_file(name.as_str(), SimpleFileOptions::default()).unwrap();
        zip.write_all(bytes).unwrap();
    }
    zip.add_symlink("runs/1/link.csv", "/etc/passwd", SimpleFileOptions::default()).unwrap();
    refused(zip.finish().unwrap().into_inner(), "is a link");
    // Two entries of one name: the second name is put right in both its headers.
    let mut entries = sound.clone();
    entries.push(("runs/1/b.csw".to_owned(), b"1,2,3\n".to_vec()));
    let mut bytes = zipped(&entries);
    for at in 0..bytes.len() - 12 {
        if &bytes[at..at + 12] == b"runs/1/b.csw" {
            bytes[at + 11] = b'v';
        }
    }
    refused(bytes, "comes twice");
    // Cut off, and a mark alone.
    let whole = fs::read(room.path("a.zip")).unwrap();
    refused(whole[..whole.len() / 2].to_vec(), "bad.zip");
    refused(zipped(&vec![sound[0].clone()]), "SHA256SUMS");
    // A manifest that leads out, with digests that fit.
    for (old, new) in [("runs/1/run.yaml", "../../run.yaml"), ("\"specs\": \"specs\"", "\"specs\": \"/etc\"")]
    {
        let mut entries = sound.clone();
        let manifest = entries.iter_mut().find(|(name, _)| name == "manifest.json").unwrap();
        let text = String::from_utf8(manifest.1.clone()).unwrap();
        assert!(text.contains(old), "{text}");
        manifest.1 = text.replace(old, new).into_bytes();
        with_sums(&mut entries);
        refused(zipped(&entries), "manifest.json");
    }
}

#[test]
fn an_archive_brings_everything_along() {
    let room = archived();
    room.write("specs/gauge.yaml", "x");
    for more in ["--only cold/*", "--specs elsewhere", "--baseline b", "--archive c.zip", "a.zip"] {
        let ran = room.run(&format!("check a.zip {more}")).ends(2);
        assert!(ran.stderr.contains("is an archive"), "{more}: {}", ran.stderr);
    }
    room.run("check a.zip --record line.db --markdown r.md").ends(0);
    assert!(room.run("history list line.db").ends(0).out().contains("RG-00042"));
}

/// A result with JSON, JUnit and the page, its archive, and the archive judged again where nothing else is left.
fn kept(room: &Room, arguments: &str) -> [String; 2] {
    let outputs = "--json r.json --junit r.xml --html r.html";
    room.run(&format!("check {arguments} {outputs} --archive a.zip")).ends(2);
    let held = entries(room, "a.zip");
    for (file, name) in [("r.json", "result.json"), ("r.xml", "junit.xml"), ("r.html", "report.html")] {
        let (_, bytes) = held.iter().find(|(held, _)| held == name).unwrap();
        assert_eq!(String::from_utf8_lossy(bytes), room.read(file), "{name} is what the option writes");
    }
    let first = room.read("r.json");
    for folder in ["runs", "specs"] {
        fs::remove_dir_all(room.path(folder)).unwrap();
    }
    room.run(&format!("check a.zip {outputs}")).ends(2);
    [first, room.read("r.json")]
}

#[test]
fn runs_that_could_not_be_read_are_kept_as_they_were_and_told_again() {
    let room = gauge::room();
    for name in ["number", "label", "product", "yaml"] {
        gauge::add_run(&room, &format!("runs/{name}"), &format!("RG-{name}"), gauge::GOOD);
    }
    room.edit("runs/number/a.csv", "frequency_hz", "frequency");
    room.edit("runs/label/run.yaml", "revision:", "revisoin:");
    room.edit("runs/product/run.yaml", "product: gauge", "product: broken");
    room.write("specs/broken.yaml", "spec: 1\nproduct: broken\n");
    room.write("runs/yaml/run.yaml", "run: [\n");
    let [first, again] = kept(&room, "runs");
    assert_eq!(first, again);
    let (junit, page) = (room.read("r.xml"), room.read("r.html"));
    let held = entries(&room, "a.zip");
    let text = |name: &str| {
        String::from_utf8(held.iter().find(|(held, _)| held == name).unwrap().1.clone()).unwrap()
    };
    assert_eq!((text("junit.xml"), text("report.html")), (junit, page));
    assert_eq!(text("specs/broken.yaml"), "spec: 1\nproduct: broken\n");
    // In the order of the result: good, label, number, product, yaml.
    assert_eq!(text("runs/5/run.yaml"), "run: [\n");
    assert!(text("runs/3/a.csv").starts_with("frequency,"));
}

/// What cannot be kept as it was is told as it was: a sweep that was not there, a folder in the place of a run file, another file under
/// a run file's name, which is not kept, a RUN that is not there.
#[test]
fn what_is_not_in_an_archive_is_told_as_it_was_found() {
    let room = gauge::room();
    for name in ["folder", "foreign", "lost"] {
        gauge::add_run(&room, &format!("runs/{name}"), &format!("RG-{name}"), gauge::GOOD);
    }
    fs::remove_file(room.path("runs/folder/run.yaml")).unwrap();
    fs::create_dir(room.path("runs/folder/run.yaml")).unwrap();
    room.write("runs/foreign/run.yaml", "password: s3cret\n");
    fs::remove_file(room.path("runs/lost/a.csv")).unwrap();
    let [_, again] = kept(&room, "runs nowhere");
    let again: serde_json::Value = serde_json::from_str(&again).unwrap();
    let errors: Vec<String> = again["errors"]
        .as_array()
        .unwrap()
        .iter()
        .map(|error| format!("{} {}", error["file"].as_str().unwrap(), error["message"].as_str().unwrap()))
        .collect();
    for word in [
        "nowhere found when the archive was written: there is no such file",
        "folder/run.yaml",
        "is a folder",
        "foreign/run.yaml",
        "still to collect",
    ] {
        assert!(errors.iter().any(|error| error.contains(word)), "{word}: {errors:#?}");
    }
    assert_eq!(errors.len(), 4, "{errors:#?}");
    assert_eq!(again["runs"].as_array().unwrap().len(), 1);
    assert!(!fs::read(room.path("a.zip")).unwrap().windows(6).any(|part| part == b"s3cret"));
    assert!(entries(&room, "a.zip").iter().all(|(_, bytes)| !bytes.windows(6).any(|part| part == b"s3cret")));
}

#[test]
fn an_archive_of_nothing_that_could_be_judged_does_not_pass() {
    let room = gauge::room();
    let [first, again] = kept(&room, "runs --only none/*");
    assert!(first.contains("only-nothing") && again.contains("--only meets no check"), "{first}\n{again}");
    // A run that could not be read, and that could be now: its files were mended in the archive.
    let room = gauge::room();
    let good = fs::read(room.path("runs/good/a.csv")).unwrap();
    room.write("runs/good/a.csv", "no sweep");
    room.run("check runs --archive a.zip").ends(2);
    let mut mended = entries(&room, "a.zip");
    mended.iter_mut().find(|(name, _)| name == "runs/1/a.csv").unwrap().1 = good;
    with_sums(&mut mended);
    room.write("mended.zip", zipped(&mended));
    let ran = room.run("check mended.zip").ends(2);
    assert!(ran.stderr.contains("found when the archive was written"), "{}", ran.stderr);
}
