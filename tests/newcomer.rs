//! Mistakes that people make in their first spec: what is said, and that following it to the letter mends the spec.
//!
//! Each case breaks one sound spec, then makes the change that the help asks for. What is put in is a quotation from the message
//! or the help, so a message that does not say how to mend the spec fails here.

#![cfg(feature = "cli")]
#![allow(clippy::unwrap_used, clippy::indexing_slicing, reason = "a test fails by panicking")]

mod tool;

use tool::{Room, list, text};

const SPEC: &str = r#"spec: 1
product: river-gauge-9v
title: 9 V rail of the river-gauge telemetry board
critical_point: +1
band: {from: 100 Hz, to: 200 kHz}
density: 30
accuracy:
  gain: 0.1 dB
  phase: 0.5 deg
limits:
  crossover: {min: 8 kHz, max: 30 kHz}
  phase_margin: {min: 50 deg}
  stability_margin: {min: 0.5}
  gain:
    - {at: 120 Hz, min: 30 dB}
linearity: {crossover: 2 %, phase_margin: 2 deg}
corners:
  - name: "{input}-{load}"
    conditions: {input: [10 V, 24 V], load: [0.5 A, 3 A]}
waivers:
  - {corner: 24V-3A, check: crossover, reason: "ECO 17 pending", until: 2099-03-31}
"#;

const FILE: &str = "specs/river-gauge-9v.yaml";

struct Mistake {
    /// What it is.
    what: &'static str,
    /// What the newcomer wrote in the place of what.
    slip: (&'static str, &'static str),
    /// Code and line of the only error, and a piece of its message.
    said: (&'static str, u64, &'static str),
    /// What is put in the place of what to follow the help; the second is a quotation, `None` a removal of the first.
    mend: (&'static str, Option<&'static str>),
}

const fn case(
    what: &'static str,
    slip: (&'static str, &'static str),
    said: (&'static str, u64, &'static str),
    mend: (&'static str, Option<&'static str>),
) -> Mistake {
    Mistake { what, slip, said, mend }
}

const MISTAKES: &[Mistake] = &[
    case(
        "no unit",
        ("min: 50 deg", "min: 50"),
        ("missing-unit", 12, "`50` has no unit"),
        ("50}", Some("50 deg")),
    ),
    case(
        "no unit, several possible",
        ("max: 30 kHz", "max: 30"),
        ("missing-unit", 11, "`30` has no unit; a frequency"),
        ("30}", Some("30 kHz")),
    ),
    case(
        "the unit in full",
        ("min: 50 deg", "min: 50 degrees"),
        ("wrong-unit", 12, "has the unit `degrees`"),
        ("50 degrees", Some("50 deg")),
    ),
    case(
        "the unit in another case",
        ("max: 30 kHz", "max: 30 KHz"),
        ("wrong-unit", 11, "has the unit `KHz`"),
        ("30 KHz", Some("30 kHz")),
    ),
    case(
        "a decimal comma",
        ("gain: 0.1 dB", "gain: 0,1 dB"),
        ("wrong-unit", 8, "`0,1 dB`"),
        ("0,1 dB", Some("0.1 dB")),
    ),
    case(
        "a ratio where percent are wanted",
        ("{crossover: 2 %", "{crossover: 0.02"),
        ("missing-unit", 16, "a ratio in percent"),
        ("0.02", Some("2 %")),
    ),
    case(
        "a unit where none is wanted",
        ("density: 30", "density: 30 per decade"),
        ("unexpected-unit", 6, "`30 per decade` has the unit `per decade`"),
        ("30 per decade", Some("30")),
    ),
    case(
        "a misspelt key",
        ("  crossover: {min", "  crosover: {min"),
        ("unknown-key", 11, "unknown key `crosover`"),
        ("crosover", Some("crossover")),
    ),
    case(
        "a limit without min or max",
        ("phase_margin: {min: 50 deg}", "phase_margin: 50 deg"),
        ("wrong-shape", 12, "a map such as `{min: 50 deg}` is wanted"),
        ("phase_margin: 50 deg", Some("{min: 50 deg}")),
    ),
    case(
        "one gain limit without a list",
        ("  gain:\n    - {at: 120 Hz, min: 30 dB}", "  gain: {at: 120 Hz, min: 30 dB}"),
        ("wrong-shape", 14, "this is a map, a list such as"),
        ("{at: 120 Hz, min: 30 dB}", Some("[{at: 120 Hz, min: 30 dB}]")),
    ),
    case(
        "min and max swapped",
        ("min: 8 kHz, max: 30 kHz", "min: 30 kHz, max: 8 kHz"),
        ("min-above-max", 11, "`min` 30 kHz is above `max` 8 kHz"),
        ("min: 30 kHz, max: 8 kHz", Some("min: 8 kHz, max: 30 kHz")),
    ),
    case(
        "no linearity",
        ("linearity: {crossover: 2 %, phase_margin: 2 deg}\n", ""),
        ("missing-linearity", 16, "`linearity` is missing"),
        ("", Some("linearity: {crossover: 2 %, phase_margin: 2 deg}")),
    ),
    case(
        "no critical point",
        ("critical_point: +1\n", ""),
        ("missing-key", 1, "`critical_point` is missing"),
        ("", Some("critical_point: +1")),
    ),
    case(
        "the critical point as an angle",
        ("critical_point: +1", "critical_point: -180 deg"),
        ("bad-critical-point", 4, "`-180 deg` is neither `+1` nor `-1`"),
        ("-180 deg", Some("-1")),
    ),
    case(
        "a name with braces without quotes",
        ("\"{input}-{load}\"", "{input}-{load}"),
        ("yaml-syntax", 18, "not YAML"),
        ("{input}-{load}", Some("\"{input}-{load}\"")),
    ),
    case(
        "a name that leaves a listed condition out",
        ("\"{input}-{load}\"", "\"{input}\""),
        ("duplicate-corner", 18, "a second corner is named `10V`"),
        ("{input}", Some("{input}-{load}")),
    ),
    case(
        "a name of an unknown condition",
        ("\"{input}-{load}\"", "\"{vin}-{load}\""),
        ("unknown-placeholder", 18, "`{vin}` names no condition"),
        ("{vin}", Some("{input}")),
    ),
    case(
        "a condition without its unit",
        ("input: [10 V, 24 V]", "input: [10 V, 24]"),
        ("missing-unit", 19, "`24` has no unit"),
        ("24]", Some("24 V")),
    ),
    case(
        "corners without a list",
        (
            "  - name: \"{input}-{load}\"\n    conditions: {input: [10 V, 24 V], load: [0.5 A, 3 A]}",
            "  {name: 24V-3A, conditions: {input: 24 V, load: 3 A}}",
        ),
        ("wrong-shape", 17, "this is a map, a list such as"),
        (
            "{name: 24V-3A, conditions: {input: 24 V, load: 3 A}}",
            Some("[{name: 24V-3A, conditions: {input: 24 V, load: 3 A}}]"),
        ),
    ),
    case(
        "a tab",
        ("  gain: 0.1 dB", "\tgain: 0.1 dB"),
        ("yaml-syntax", 8, "a tab cannot indent"),
        // Two blanks, as its neighbour has: `indent with blanks`.
        ("\tgain", Some("  gain")),
    ),
    case(
        "a key twice",
        ("density: 30\n", "density: 30\ndensity: 40\n"),
        ("yaml-duplicate-key", 7, "stands here a second time, first on line 6"),
        ("density: 40\n", None),
    ),
    case(
        "no blank behind a colon",
        ("product: river", "product:river"),
        ("yaml-syntax", 3, "not YAML"),
        ("product:river-gauge-9v", Some("product: river-gauge-9v")),
    ),
    case(
        "a title with a colon",
        ("title: 9 V rail of the river-gauge telemetry board", "title: rail 3: 9 V"),
        ("yaml-syntax", 3, "not YAML"),
        ("title: rail 3: 9 V", Some("title: \"rail 3: 9 V\"")),
    ),
    case(
        "a brace not closed",
        ("stability_margin: {min: 0.5}", "stability_margin: {min: 0.5"),
        ("yaml-syntax", 14, "not YAML"),
        ("stability_margin: {min: 0.5", Some("stability_margin: {min: 0.5}")),
    ),
    case(
        "a waiver of a check by another name",
        ("check: crossover", "check: phase margin"),
        ("unknown-check", 21, "has no check `phase margin`"),
        ("phase margin", Some("phase_margin")),
    ),
    case(
        "a date as it is written elsewhere",
        ("2099-03-31", "31.03.2099"),
        ("bad-date", 21, "`31.03.2099` is no day"),
        ("31.03.2099", Some("2099-03-31")),
    ),
    case(
        "a waiver without a reason",
        ("reason: \"ECO 17 pending\", ", ""),
        ("missing-key", 21, "`reason` is missing"),
        ("{corner: 24V-3A, ", Some("reason: \"ECO 17 pending\"")),
    ),
    case(
        "a product's name for people",
        ("product: river-gauge-9v", "product: River gauge 9 V"),
        ("bad-product", 2, "is not a product name"),
        ("River gauge 9 V", Some("river-gauge-9-v")),
    ),
];

/// The text after the mend: a value put in the place of another one, a line added, an entry put into a map.
fn mended(mistake: &Mistake, broken: &str) -> String {
    let (old, new) = mistake.mend;
    match new {
        None => broken.replacen(old, "", 1),
        Some(line) if old.is_empty() => format!("{broken}{line}\n"),
        Some(entry) if old.starts_with('{') && old.ends_with(", ") => {
            broken.replacen(old, &format!("{old}{entry}, "), 1)
        }
        // The value ends at a bracket that stays.
        Some(value) if old.ends_with(['}', ']']) && !old.starts_with(['{', '[']) => {
            broken.replacen(old, &format!("{value}{}", &old[old.len() - 1..]), 1)
        }
        // A map in the place of the value behind a key.
        Some(map) if map.starts_with('{') && old.contains(": ") && !old.starts_with('{') => {
            let (key, _) = old.split_once(": ").unwrap();
            broken.replacen(old, &format!("{key}: {map}"), 1)
        }
        Some(value) => broken.replacen(old, value, 1),
    }
}

#[test]
fn the_sample_is_sound() {
    let room = Room::empty();
    room.write(FILE, SPEC);
    assert_eq!(room.run("lint specs").ends(0).out(), "1 spec file, 0 runs: 0 errors, 0 warnings\n");
}

#[test]
fn following_the_help_to_the_letter_mends_the_spec() {
    assert!(MISTAKES.len() >= 20);
    let room = Room::empty();
    let mut wrong = Vec::new();
    for mistake in MISTAKES {
        let (old, new) = mistake.slip;
        assert_eq!(SPEC.matches(old).count(), 1, "{}", mistake.what);
        let broken = SPEC.replacen(old, new, 1);
        room.write(FILE, &broken);
        let found = room.run("lint specs --format json").ends(2).json();
        let findings = list(&found["findings"]);
        let (code, line, piece) = mistake.said;
        let [finding] = findings else {
            wrong.push(format!("{}: {findings:#?}", mistake.what));
            continue;
        };
        let message = text(&finding["message"]);
        if text(&finding["code"]) != code || finding["line"] != line || !message.contains(piece) {
            wrong.push(format!("{}: {finding:#}", mistake.what));
        }
        let said = format!("{message}\n{}", text(&finding["help"]));
        // Blanks cannot be quoted.
        let is_quoted =
            mistake.mend.1.is_none_or(|new| said.contains(new.trim_start()) || new.starts_with(' '));
        if !is_quoted {
            wrong.push(format!("{}: the mend is not in\n{said}", mistake.what));
        }
        room.write(FILE, mended(mistake, &broken));
        let after = room.run("lint specs");
        if after.status != Some(0) {
            wrong.push(format!("{}: following\n{said}\ngives\n{}", mistake.what, after.stderr));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n\n"));
}
