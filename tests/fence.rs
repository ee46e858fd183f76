//! Files that specs, runs and baselines name, driven through the built program: nothing outside their folders is read, and
//! nothing of a file that is none of theirs is shown anywhere.

#![cfg(all(feature = "cli", unix))]
#![allow(
    clippy::unwrap_used,
    clippy::panic,
    clippy::indexing_slicing,
    reason = "a test that cannot run its own program must stop"
)]

mod tool;

use std::fs;
use std::os::unix::fs::symlink;
use tool::{Ran, Room, finish, gauge};

/// What must never come out.
const SECRET: &str = "s3cret";
/// A file with a login, of the form that many programs read.
const LOGIN: &str = "machine git.example\nlogin ci\npassword s3cret\n";
/// A sound part of a spec.
const PART: &str = "title: s3cret\n";

/// Every report that `check` writes.
const REPORTS: [&str; 4] = ["o.json", "o.xml", "o.html", "o.md"];

/// Runs a command with the secret in its environment, and sees that it comes out nowhere.
#[track_caller]
fn silent(room: &Room, arguments: &str, status: i32) -> Ran {
    let ran = finish(room.command().env("TOKEN", SECRET).args(arguments.split_whitespace())).ends(status);
    for (name, text) in [("stdout", ran.out().to_owned()), ("stderr", ran.stderr.clone())] {
        assert!(!text.contains(SECRET), "{arguments}: {name}: {text}");
    }
    for report in REPORTS.into_iter().filter(|report| room.path(report).exists()) {
        assert!(!room.read(report).contains(SECRET), "{arguments}: {report}");
    }
    ran
}

const CHECK: &str = "check runs --json o.json --junit o.xml --html o.html --markdown o.md";
/// Every command that reads specs.
const OF_SPECS: [&str; 7] = [
    CHECK,
    "check runs --specs specs/gauge.yaml --json -",
    "lint specs --json -",
    "lint specs/gauge.yaml",
    "accept runs --baseline base",
    "levels runs/good --corner cold",
    "begin --run new --spec specs/gauge.yaml --serial 1 --revision A",
];

/// A room with secrets beside, above and behind links in the folder of specs.
fn room() -> Room {
    let room = gauge::room();
    room.write("login.yaml", LOGIN).write("part.yaml", PART).write("far/part.yaml", PART);
    room.write("specs/login.yaml", LOGIN).write("specs/token.yaml", "token: s3cret\n");
    room.write("specs/list.yaml", "- s3cret\n").write("specs/part.txt", PART);
    room.write("specs/part.yaml", "title: fine\n").write("specs/sub/part.YML", "title: fine\n");
    let link = |to: &str, name: &str| symlink(to, room.path(&format!("specs/{name}"))).unwrap();
    link("../part.yaml", "out.yaml");
    link("../far", "far");
    link("/proc/self/environ", "env.yaml");
    link("part.yaml", "in.yaml");
    link(".", "here");
    room
}

fn extend(room: &Room, named: &str) {
    room.write("specs/gauge.yaml", format!("{}extends: {named}\n", gauge::SPEC));
}

#[test]
fn a_spec_extends_nothing_outside_its_folder_and_shows_nothing_of_it() {
    let room = room();
    let line = gauge::SPEC.lines().count() + 1;
    for named in [
        "../login.yaml",
        "../part.yaml",
        "./../part.yaml",
        "sub/../../part.yaml",
        "here/../../part.yaml",
        "out.yaml",
        "far/part.yaml",
        "env.yaml",
        "../nothing-there.yaml",
        "../../../../../../../../proc/self/environ",
        "/proc/self/environ",
        "/etc/hostname.yaml",
        "part.txt",
        "login.yaml",
        "token.yaml",
        "list.yaml",
    ] {
        extend(&room, named);
        for command in OF_SPECS {
            let ran = silent(&room, command, 2);
            let told = ran.stderr.contains(&format!("]: specs/gauge.yaml:{line}:10: extends: "))
                || command.ends_with("--json -");
            assert!(told, "{named}: {command}: {}", ran.stderr);
        }
    }
    // What is there and what is not give one answer.
    for named in ["../part.yaml", "../nothing-there.yaml"] {
        extend(&room, named);
        let ran = room.run("check runs").ends(2);
        let told = format!("`specs/{named}` cannot be read: it leads out of the folder of specs, specs");
        assert!(ran.stderr.contains(&told), "{}", ran.stderr);
    }
}

#[test]
fn what_lies_inside_may_be_extended() {
    let room = room();
    for foreign in ["login.yaml", "token.yaml", "list.yaml", "out.yaml", "env.yaml"] {
        fs::remove_file(room.path(&format!("specs/{foreign}"))).unwrap();
    }
    for named in ["part.yaml", "./sub/../part.yaml", "sub/part.YML", "in.yaml", "here/part.yaml"] {
        extend(&room, named);
        // The whole folder holds parts that nothing extends.
        for command in OF_SPECS.into_iter().filter(|command| !command.starts_with("lint specs ")) {
            fs::remove_dir_all(room.path("new")).ok();
            room.run(command).ends(0);
        }
    }
    // A spec in a folder below reaches all of the folder of specs, also when it is named alone.
    room.write("specs/deep/gauge.yaml", format!("{}extends: ../part.yaml\n", gauge::SPEC));
    room.run("lint specs/deep/gauge.yaml").ends(0);
    room.run("lint ./specs/../specs/deep/gauge.yaml").ends(0);
    let other = "check runs --specs specs/deep/gauge.yaml";
    assert!(room.run(other).ends(2).stderr.contains("leads out of the folder of specs, specs/deep"));
    // Without such a folder, its own is that.
    fs::rename(room.path("specs"), room.path("elsewhere")).unwrap();
    assert!(room.run("lint elsewhere/deep/gauge.yaml").ends(2).stderr.contains("leads out"));
    room.run("lint elsewhere").ends(0);
    room.run("lint elsewhere/deep/gauge.yaml --specs elsewhere").ends(0);
}

/// Files put in the place of a spec, a run, an accepted unit and a layout: as they are, and behind links.
#[test]
fn nothing_is_shown_of_a_file_that_is_none_of_its_kind() {
    for text in
        [LOGIN, "token: s3cret\n", "- s3cret\n", "s3cret: [\n", "[s3cret]\n  a = 'b\n", "{\"s3cret\": 1"]
    {
        let room = gauge::room();
        room.run("accept runs --baseline base").ends(0);
        let unit = "base/gauge/RG-00042.yaml";
        room.write("x.yaml", text);
        for file in ["specs/gauge.yaml", "runs/good/run.yaml", unit] {
            let whole = room.read(file);
            for linked in [false, true] {
                fs::remove_file(room.path(file)).unwrap();
                if linked {
                    symlink(room.path("x.yaml"), room.path(file)).unwrap();
                } else {
                    room.write(file, text);
                }
                let ran = silent(&room, &format!("{CHECK} --baseline base"), 2);
                assert!(ran.stderr.contains(file), "{file}: {}", ran.stderr);
                silent(&room, "lint specs runs base", 2);
                silent(&room, &format!("lint {file} --format json"), 2);
            }
            fs::remove_file(room.path(file)).unwrap();
            room.write(file, &whole);
        }
        silent(&room, "inspect runs/good/a.csv --critical-point +1 --reading x.yaml", 2);
    }
}

#[test]
fn a_link_of_a_spec_or_an_accepted_unit_leads_nowhere_else() {
    let room = gauge::room();
    room.run("accept runs --baseline base").ends(0);
    for (file, told) in [
        ("specs/gauge.yaml", "it leads out of the folder of specs, specs"),
        ("base/gauge/RG-00042.yaml", "is a link that leads out of the baseline's folder"),
    ] {
        fs::rename(room.path(file), room.path("moved.yaml")).unwrap();
        symlink(room.path("moved.yaml"), room.path(file)).unwrap();
        let ran = room.run("check runs --baseline base").ends(2);
        assert!(ran.stderr.contains(told), "{}", ran.stderr);
        fs::remove_file(room.path(file)).unwrap();
        fs::rename(room.path("moved.yaml"), room.path(file)).unwrap();
    }
    // A folder that is a link itself is a folder as any other.
    fs::rename(room.path("specs"), room.path("kept")).unwrap();
    symlink("kept", room.path("specs")).unwrap();
    fs::rename(room.path("base"), room.path("kept-base")).unwrap();
    symlink("kept-base", room.path("base")).unwrap();
    room.run("check runs --baseline base").ends(0);
}

/// A run may name any file of its folder, which may be the top of a checkout, with its tokens.
#[test]
fn nothing_is_shown_of_a_file_that_is_plainly_no_sweep() {
    let room = gauge::room();
    let config = "[http \"https://git.example/\"]\n\textraheader = AUTHORIZATION: basic s3cret\n";
    room.write("runs/good/.git/config", config).write("out.csv", LOGIN);
    symlink("../../out.csv", room.path("runs/good/link.csv")).unwrap();
    symlink("/proc/self/environ", room.path("runs/good/env.csv")).unwrap();
    symlink(".", room.path("runs/good/here")).unwrap();
    let readings = [
        "",
        "reading: {delimiter: space, header: false, columns: {frequency: {column: 1, unit: Hz}, real: 2, imag: 3}}\n",
        "reading: {delimiter: tab, skip_rows: 1}\n",
        "reading: {comment: \"[\", delimiter: \"=\"}\n",
    ];
    for file in [
        ".git/config",
        "here/.git/config",
        "link.csv",
        "env.csv",
        "a/../../../out.csv",
        "../../out.csv",
        "/proc/self/environ",
    ] {
        for reading in readings {
            let run = gauge::RUN.replace("file: a.csv", &format!("file: {file}"));
            room.write("runs/good/run.yaml", format!("{run}{reading}"));
            silent(&room, CHECK, 2);
            silent(&room, "lint runs --json -", 2);
            silent(&room, "levels runs/good --corner 10V-3A", 2);
        }
    }
    // Named on the command line it is no sweep either.
    let ran = silent(&room, "inspect out.csv runs/good/.git/config --critical-point +1", 2);
    assert_eq!(ran.stderr.matches("is no sweep").count(), 2, "{}", ran.stderr);
    // A broken sweep is told with its line.
    room.write("broken.csv", "f,gain_db,phase_deg\n100,40,-90\n");
    let ran = room.run("inspect broken.csv --critical-point +1").ends(2);
    assert!(ran.stderr.contains("f,gain_db,phase_deg"), "{}", ran.stderr);
}

#[test]
fn a_product_names_no_file_elsewhere() {
    let room = gauge::room();
    room.write("gauge.yaml", gauge::SPEC);
    for product in ["../gauge", "/gauge", "..", ".", "a/b", "a\\\\b", "gauge\\n", "\\0", "gauge "] {
        let run = gauge::RUN.replace("product: gauge", &format!("product: \"{product}\""));
        room.write("runs/good/run.yaml", run);
        for command in ["check runs --baseline .", "accept runs --baseline base", "lint runs"] {
            let ran = room.run(command).ends(2);
            assert!(ran.stderr.contains("]: runs/good/run.yaml:2:1"), "{product}: {}", ran.stderr);
        }
        assert!(!room.path("base").exists());
    }
    for product in ["../x", "x # ../y", "x\ntitle: y", ""] {
        let ran = finish(room.command().args(["begin", product])).ends(2);
        assert!(ran.stderr.contains("PRODUCT"), "{product:?}: {}", ran.stderr);
        assert_eq!(room.names("."), ["gauge.yaml", "runs", "specs"]);
        assert_eq!(room.names("specs"), ["gauge.yaml"]);
    }
}
