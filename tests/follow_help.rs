//! What a message says to do, done to the letter, mends what is wrong: files with column names of their own, and what is typed.

#![cfg(all(feature = "cli", unix))]
#![allow(clippy::unwrap_used, clippy::panic, reason = "a test that cannot set up its case must stop")]

mod tool;

use std::path::Path;
use tool::{Ran, Room, gauge};

/// The gauge's run with every sweep written in another way, from `frequency, gain in dB, phase in deg`.
fn rewritten(header: &str, row: impl Fn(f64, f64, f64) -> String) -> Room {
    let room = gauge::room();
    for name in room.names("runs/good").iter().filter(|name| name.ends_with(".csv")) {
        let text = room.read(&format!("runs/good/{name}"));
        let rows = text.lines().skip(1).map(|line| {
            let numbers: Vec<f64> = line.split(',').map(|field| field.parse().unwrap()).collect();
            let [hz, gain, phase] = numbers.try_into().unwrap();
            row(hz, gain, phase) + "\n"
        });
        let text = format!("{header}\n{}", rows.collect::<String>());
        room.write(&format!("runs/good/{name}"), text);
    }
    room
}

/// The `reading` that a help shows first.
fn shown(ran: &Ran) -> String {
    let (_, rest) = ran.stderr.split_once("`reading: ").unwrap_or_else(|| panic!("{}", ran.stderr));
    rest.split_once("}`").unwrap_or_else(|| panic!("{}", ran.stderr)).0.to_owned() + "}"
}

#[track_caller]
fn one_step(room: &Room) {
    for command in ["lint runs", "check runs"] {
        let ran = room.run(command).ends(2);
        let reading = shown(&ran);
        room.edit("runs/good/run.yaml", "notes: none\n", &format!("notes: none\nreading: {reading}\n"));
        let ran = room.run(command);
        assert_eq!(ran.status, Some(0), "{reading}\n{}\n{}", ran.out(), ran.stderr);
        room.edit("runs/good/run.yaml", &format!("reading: {reading}\n"), "");
    }
}

#[test]
fn columns_with_names_of_their_own_are_declared_as_the_help_says() {
    one_step(&rewritten("Frequency (Hz);Gain (dB);Phase (deg)", |f, g, p| format!("{f};{g};{p}")));
    one_step(&rewritten("Frequency (Hz);Gain (dB);Phase (deg)", |f, g, p| {
        format!("{f};{g};{p}").replace('.', ",")
    }));
    one_step(&rewritten("f/kHz,mag/dB,arg/deg", |f, g, p| format!("{},{g},{p}", f / 1e3)));
    one_step(&rewritten("f\tT", |f, g, p| {
        let t = num_complex::Complex64::from_polar(10f64.powf(g / 20.0), p.to_radians());
        format!("{f}\t{:e}{:+e}i", t.re, t.im)
    }));
    one_step(&rewritten("f\tT", |f, g, p| format!("{f}\t({g}dB,{p}deg)")));
}

/// Where names leave a choice `inspect` is named, and its proposal read.
#[test]
fn where_names_leave_a_choice_the_way_to_a_proposal_is_told() {
    let room = rewritten("x;y;z", |f, g, p| format!("{f};{g};{p}"));
    for command in ["lint runs", "check runs"] {
        let ran = room.run(command).ends(2);
        assert!(!ran.stderr.contains("\"x;y;z\""), "{}", ran.stderr);
        let (_, told) = ran.stderr.split_once("`loopgauge inspect").unwrap();
        let proposed = room.run(&format!("inspect{}", told.split_once('`').unwrap().0)).ends(2);
        let (_, block) = proposed.stderr.split_once("\nreading:").unwrap();
        room.edit("runs/good/run.yaml", "notes: none\n", &format!("reading:{block}"));
        room.run("check runs").ends(0);
        room.edit("runs/good/run.yaml", &format!("reading:{block}"), "notes: none\n");
    }
}

#[test]
fn a_frequency_that_is_none_and_a_bad_one_are_told_with_what_is_wanted() {
    let room = gauge::room();
    let text = room.read("runs/good/a.csv");
    let first = text.lines().nth(1).unwrap();
    room.write("runs/good/a.csv", text.replacen(first, &format!("0,40,-90\n{first}"), 1));
    let ran = room.run("check runs").ends(2);
    assert!(ran.stderr.contains("= help: remove the row"), "{}", ran.stderr);
    room.write("runs/good/a.csv", text.replacen(first, &format!("x,40,-90\n{first}"), 1));
    let ran = room.run("check runs").ends(2);
    assert!(ran.stderr.contains("such as `1250.5`"), "{}", ran.stderr);
}

#[test]
fn empty_files_are_told_how_to_begin() {
    let room = gauge::room();
    room.write("runs/good/run.yaml", "");
    let ran = room.run("check runs").ends(2);
    let begin = "begin it with `run:`, or remove it and let `loopgauge begin --run FOLDER --spec FILE --serial TEXT --revision TEXT`";
    assert!(ran.stderr.contains(begin), "{}", ran.stderr);
    room.write("specs/gauge.yaml", "# nothing\n");
    let ran = room.run("lint specs").ends(2);
    assert!(ran.stderr.contains("begin it with `spec:`"), "{}", ran.stderr);
    std::fs::remove_file(room.path("specs/gauge.yaml")).unwrap();
    room.run("begin gauge").ends(0);
    assert!(Path::new(&room.path("specs/gauge.yaml")).exists());
}

#[test]
fn what_is_typed_wrong_is_told_in_plain_words() {
    let room = gauge::room();
    for count in ["0", "many", "1.5"] {
        let ran = room.run(&format!("check runs --jobs {count}")).ends(2);
        assert!(ran.stderr.contains("a whole number of threads is wanted, 1 or more"), "{}", ran.stderr);
    }
    room.run("check runs --record line.db").ends(0);
    let ran = room.run("history mark line.db 99 --reason x").ends(2);
    let (_, told) = ran.stderr.split_once("`loopgauge ").unwrap_or_else(|| panic!("{}", ran.stderr));
    let command = told.split_once('`').unwrap().0;
    assert_eq!(command, "history list");
    room.run(&format!("{command} line.db")).ends(0);
}
