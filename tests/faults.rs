//! Broken inputs, driven through the binary: each ends with status 2 and a message that says where, without a panic, in
//! bounded time and memory.

#![cfg(all(feature = "cli", unix))]
#![allow(
    clippy::unwrap_used,
    clippy::panic,
    clippy::indexing_slicing,
    reason = "a test that cannot run its own program must stop"
)]

#[path = "faults/bounds.rs"]
mod bounds;
#[path = "faults/hostile.rs"]
mod hostile;
#[path = "faults/mishaps.rs"]
mod mishaps;
#[path = "faults/names.rs"]
mod names;
#[path = "faults/places.rs"]
mod places;
#[cfg(target_os = "linux")]
#[path = "tool/power.rs"]
mod power;
#[path = "faults/runs.rs"]
mod runs;
#[path = "faults/specs.rs"]
mod specs;
#[path = "faults/sweeps.rs"]
mod sweeps;
mod tool;
#[path = "faults/unread.rs"]
mod unread;

use serde_json::Value;
use tool::gauge::{self, GOOD};
use tool::{Ran, Room, list, text};

/// A text of a file of the small project put in the place of another one.
pub struct Fault {
    /// What stands there, once.
    pub old: &'static str,
    /// What is put there.
    pub new: &'static str,
    /// `line:column` of the message, or `line`.
    pub at: &'static str,
    /// Words that the message must hold.
    pub says: &'static [&'static str],
}

/// Shorthand for a row of the tables.
pub const fn fault(
    old: &'static str,
    new: &'static str,
    at: &'static str,
    says: &'static [&'static str],
) -> Fault {
    Fault { old, new, at, says }
}

/// Whether a message is of this place (`file:line:column`, or `file:line` for any column) and the words stand there.
fn is_told(ran: &Ran, place: &str, says: &[&str]) -> bool {
    let heads = [format!("]: {place}: "), format!("]: {place}:")];
    let exact = place.matches(':').count() == 2;
    let heads = if exact { &heads[..1] } else { &heads[..] };
    heads.iter().any(|head| ran.stderr.contains(head.as_str()))
        && says.iter().all(|words| ran.stderr.contains(words))
}

/// Fails unless the message names the place and the words, in bounded time and memory.
#[track_caller]
pub fn told(ran: &Ran, place: &str, says: &[&str]) {
    assert!(is_told(ran, place, says), "wanted {place}: {says:?}, got\n{}", ran.stderr);
    assert!(ran.took.as_secs() < 5, "took {:?}", ran.took);
    assert!(ran.peak_bytes < 500_000_000, "held {} bytes", ran.peak_bytes);
}

/// Plants every fault of a table in one file, one at a time, and sees what `check` and `lint` say of it. A run beside the
/// broken one keeps its object and its verdict to the last byte; a broken spec leaves nothing judged.
fn plant(file: &str, faults: &[Fault]) {
    let room = gauge::room();
    gauge::add_run(&room, "runs/other", "RG-00043", GOOD);
    let alone = room.run("check runs/other --json -").ends(0).json();
    let (runs, verdict) = match file.starts_with("specs") {
        true => (Value::Array(Vec::new()), Value::Null),
        false => (alone["runs"].clone(), alone["verdict"].clone()),
    };
    let whole = room.read(file);
    let mut wrong = Vec::new();
    for fault in faults {
        room.edit(file, fault.old, fault.new);
        let place = format!("{file}:{}", fault.at).trim_end_matches(':').to_owned();
        for arguments in ["check runs --json -", "lint specs runs --json -"] {
            let ran = room.run(arguments);
            assert!(!ran.stderr.contains("panicked"), "{}", ran.stderr);
            let mut right = ran.status == Some(2) && is_told(&ran, &place, fault.says);
            if right && arguments.starts_with("check") {
                let result = ran.json();
                right = !list(&result["errors"]).is_empty()
                    && result["runs"] == runs
                    && result["verdict"] == verdict;
            }
            if right {
                told(&ran, &place, fault.says);
            } else {
                let (status, said) = (ran.status, ran.stderr.lines().take(4).collect::<Vec<_>>().join(" / "));
                wrong.push(format!(
                    "{arguments}: {:?} -> {:?}\n    wanted {place} {:?}\n    status {status:?}: {said}",
                    fault.old, fault.new, fault.says
                ));
            }
        }
        room.write(file, &whole);
    }
    assert!(wrong.is_empty(), "{}\n{} of {}", wrong.join("\n"), wrong.len(), 2 * faults.len());
}

#[test]
fn broken_specs() {
    plant("specs/gauge.yaml", specs::FAULTS);
}

#[test]
fn broken_runs() {
    plant("runs/good/run.yaml", runs::FAULTS);
}

#[test]
fn broken_sweeps() {
    plant("runs/good/b.csv", sweeps::FAULTS);
}

#[test]
fn implausible_numbers() {
    plant("specs/gauge.yaml", bounds::SPEC);
    plant("runs/good/run.yaml", bounds::RUN);
    plant("runs/good/b.csv", bounds::SWEEP);
}

#[test]
fn there_are_enough_of_them() {
    let count = specs::FAULTS.len() + runs::FAULTS.len() + sweeps::FAULTS.len();
    assert!(count >= 90, "{count}");
}

/// What a message says stands in the JSON too, with its place.
#[test]
fn errors_in_json_have_their_place() {
    let room = gauge::room();
    room.edit("specs/gauge.yaml", "step: 3 dB", "step: 3 kHz");
    let result = room.run("check runs --json -").ends(2).json();
    let error = &list(&result["errors"])[0];
    assert_eq!(
        (text(&error["file"]), &error["line"], &error["column"]),
        ("specs/gauge.yaml", &27.into(), &9.into())
    );
    assert!(text(&error["message"]).contains("3 kHz"), "{error}");
    room.write("specs/gauge.yaml", gauge::SPEC).edit("runs/good/b.csv", "gain_db", "gain_xx");
    let result = room.run("check runs --json -").ends(2).json();
    let error = &list(&result["errors"])[0];
    assert_eq!((text(&error["file"]), &error["line"]), ("runs/good/b.csv", &1.into()));
    let empty = Room::empty();
    let result = empty.run("check nowhere --specs . --json -").ends(2).json();
    let error = &list(&result["errors"])[0];
    assert_eq!(
        (text(&error["file"]), &error["line"], &error["column"]),
        ("nowhere", &Value::Null, &Value::Null)
    );
}
