//! Planted faults and sound corners: a small share of `examples/faults`, in a few seconds.

#![allow(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    reason = "a test that cannot set up its case must stop"
)]

#[expect(dead_code, reason = "the example's own entry is not called here")]
#[path = "../examples/faults/main.rs"]
mod faults;

use faults::clean::try_corner;
use faults::fate::Fate;
use faults::plants::{Plant, all};
use faults::try_faults;
use std::sync::LazyLock;

static PLANTS: LazyLock<Vec<Plant>> = LazyLock::new(all);

/// Faults that hide where a resonance or the noise hides them as well; how many of 100 must be caught at least.
const HARD: [(&str, usize); 6] = [
    ("mains under gain@120Hz, first samples", 90),
    ("jump in gain, 0.5 to 3 dB", 60),
    ("jump in phase, 5 to 30 deg", 60),
    ("another range over a part, 1 dB and 5 deg", 60),
    ("mains on one sample", 60),
    ("crossovers left open by noise", 80),
];

#[test]
fn planted_faults_are_refused() {
    let tried = try_faults(&PLANTS, 6);
    for fault in &faults::plan::FAULTS {
        let own: Vec<_> = tried.iter().filter(|t| t.fault.name == fault.name).collect();
        let caught = own.iter().filter(|t| matches!(t.fate, Fate::Caught { .. })).count();
        let passed: Vec<&str> =
            own.iter().filter(|t| matches!(t.fate, Fate::Passed)).map(|t| t.place.as_str()).collect();
        assert!(own.len() >= 10, "{}", fault.name);
        match HARD.iter().find(|(name, _)| *name == fault.name) {
            Some((name, percent)) => {
                assert!(100 * caught >= percent * own.len(), "{name}: {caught}, {passed:?}")
            }
            None => assert_eq!(
                caught,
                own.len(),
                "{}: {:?}",
                fault.name,
                own.iter().map(|t| &t.fate).collect::<Vec<_>>()
            ),
        }
    }
}

/// The cause that a message names is the one that was planted.
#[test]
fn causes_are_named() {
    let starred: Vec<String> = try_faults(&PLANTS, 6)
        .into_iter()
        .filter_map(|t| match t.fate {
            Fate::Caught { check, message } if check.ends_with('*') => {
                Some(format!("{}: {message}", t.fault.name))
            }
            _ => None,
        })
        .collect();
    // Open crossovers may show as levels that differ first; a mistaken critical point as a loop that does not close.
    let other: Vec<&String> = starred
        .iter()
        .filter(|text| !text.starts_with("crossovers left open") && !text.starts_with("wrong critical point"))
        .collect();
    assert_eq!(other, Vec::<&String>::new());
}

#[test]
fn sound_corners_raise_no_alarm() {
    // A prime step: loops, noises and densities all turn.
    for index in (0..faults::CLEAN).step_by(37) {
        let alarms = try_corner(&PLANTS, index);
        let texts: Vec<String> =
            alarms.iter().map(|a| format!("{}: {}: {}", a.place, a.check, a.message)).collect();
        assert_eq!(texts, Vec::<String>::new());
    }
}
