//! What a change comes to.

use super::{Change, FILE, accepted, add, check, checked, deviation, lost, not_passed};
use crate::tool::gauge::SPEC;
use crate::tool::{list, text, xml};

#[test]
fn the_accepted_run_has_not_changed() {
    let room = accepted();
    let run = checked(&room, "runs/good", 0);
    assert_eq!(not_passed(&run), Vec::<String>::new());
    for corner in ["10V-3A", "24V-3A", "cold"] {
        for name in ["phase_margin", "crossover"] {
            let check = check(&run, corner, &format!("regression.{name}"));
            let (value, u) = (check["value"].as_f64().unwrap(), check["uncertainty"].as_f64().unwrap());
            assert!(value.abs() < 0.05 * u, "{corner} {name}: {value} of {u}");
            assert_eq!(check["accepted"]["of"], "RG-00042");
            assert_eq!((&check["accepted"]["units"], &check["accepted"]["spread"]), (&1.into(), &().into()));
        }
        assert_eq!(deviation(&run, corner), None);
    }
    // A drop has a lower limit in its unit, a shift is a bare ratio.
    let margin = check(&run, "cold", "regression.phase_margin");
    assert_eq!((&margin["unit"], &margin["limit"]), (&"deg".into(), &serde_json::json!({"min": -3.0})));
    let crossover = check(&run, "cold", "regression.crossover");
    assert_eq!(
        (&crossover["unit"], &crossover["limit"]),
        (&"".into(), &serde_json::json!({"min": -0.1, "max": 0.1}))
    );
}

#[test]
fn four_degrees_lost_at_one_corner_fail_there_alone() {
    let room = accepted();
    let change = Change { lost_deg: 4.0, won_db: 0.0 };
    add(&room, "runs/new", "RG-00042", Some("bench-3"), [Change::default(), change, Change::default()]);
    let run = checked(&room, "runs/new", 1);
    assert_eq!(not_passed(&run), ["24V-3A/phase_margin fail"]);
    let margin = check(&run, "24V-3A", "regression.phase_margin");
    assert!((margin["value"].as_f64().unwrap() + 4.0).abs() < 0.01, "{margin}");
    let message = text(&margin["message"]);
    assert!(
        message.contains("accepted 7")
            && message.contains("change -4.00")
            && message.ends_with("allowed drop 3 deg"),
        "{message}"
    );
    // The phase falls by 4 deg at 13.8 kHz and in proportion to the frequency: 54.7 deg at 188.79 kHz, the last point of the band.
    let noticed = deviation(&run, "24V-3A").unwrap();
    assert!(
        noticed.contains("phase by -5") && noticed.contains("at 188.79 kHz") && !noticed.contains("gain by"),
        "{noticed}"
    );
    assert_eq!(deviation(&run, "10V-3A"), None);
    // Everything else is judged as without a baseline.
    assert_eq!(check(&run, "24V-3A", "phase_margin")["verdict"], "pass");
    assert_eq!(run["verdict"], "fail");
}

/// u² = 2 (0.5² / 3 + what the gain's 0.1 dB makes of it): both sides have the same parts.
#[test]
fn another_station_widens_the_change() {
    let room = accepted();
    let cases = [
        (Some("bench-3"), 2.7, "pass", 0),
        (Some("bench-1"), 2.7, "undecided", 1),
        (None, 2.7, "undecided", 1),
        (Some("bench-1"), 2.0, "pass", 0),
        (None, 4.0, "fail", 1),
        (Some("bench-3"), 2.999, "undecided", 1),
    ];
    for (k, (station, lost_deg, verdict, status)) in cases.into_iter().enumerate() {
        let folder = format!("runs/{k}");
        add(&room, &folder, "RG-00042", station, lost(lost_deg));
        let run = checked(&room, &folder, status);
        let margin = check(&run, "10V-3A", "regression.phase_margin");
        assert_eq!(margin["verdict"], verdict, "{margin}");
        let corner = list(&run["corners"]).iter().find(|own| own["corner"] == "10V-3A").unwrap();
        let own = corner["measured"]["phase_margin_deg"]["uncertainty"].as_f64().unwrap();
        let u = margin["uncertainty"].as_f64().unwrap();
        if station == Some("bench-3") {
            assert!(u < 0.2 * own, "{u} {own}");
        } else {
            assert!((u / own - 2f64.sqrt()).abs() < 0.02, "{u} {own}");
            let told = text(&check(&run, "10V-3A", "regression.phase_margin")["message"]).contains("±");
            assert!(told);
        }
        if verdict == "undecided" && station != Some("bench-3") {
            assert!(text(&margin["remedy"]).contains("station"), "{margin}");
        }
        // The chain is the same, there is hardly any noise, and the points lie close: what is left is what the spec declares.
        if verdict == "undecided" && station == Some("bench-3") {
            assert!(text(&margin["remedy"]).contains("most of it is the impedance ratio"), "{margin}");
        }
    }
    // The same station, declared otherwise since, is another chain.
    room.edit("specs/gauge.yaml", "phase: 0.5 deg\n", "phase: 0.4 deg\n");
    let run = checked(&room, "runs/0", 1);
    assert_eq!(check(&run, "10V-3A", "regression.phase_margin")["verdict"], "undecided");
}

/// The gain rises by 1 dB: an integrator crosses 12.2 % higher, its pole takes some of it off.
#[test]
fn a_crossover_may_shift_neither_way() {
    let room = accepted();
    for (won_db, verdict, status) in [(1.0, "fail", 1), (-1.0, "fail", 1), (0.5, "pass", 0)] {
        add(&room, "runs/new", "RG-00042", Some("bench-3"), [Change { won_db, lost_deg: 0.0 }; 3]);
        let run = checked(&room, "runs/new", status);
        let crossover = check(&run, "10V-3A", "regression.crossover");
        assert_eq!(crossover["verdict"], verdict);
        let ratio = 10f64.powf(won_db / 20.0) - 1.0;
        assert!((crossover["value"].as_f64().unwrap() - ratio).abs() < 0.01, "{crossover}");
        let message = text(&crossover["message"]);
        assert!(message.contains("kHz, accepted ") && message.ends_with("allowed shift 10 %"), "{message}");
        assert!(deviation(&run, "10V-3A").unwrap().contains("gain by"));
    }
}

#[test]
fn a_margin_that_grew_is_no_loss() {
    let room = accepted();
    add(&room, "runs/new", "RG-00042", Some("bench-3"), lost(-5.0));
    let run = checked(&room, "runs/new", 0);
    assert!(check(&run, "cold", "regression.phase_margin")["value"].as_f64().unwrap() > 4.9);
}

#[test]
fn what_is_not_comparable_is_refused_with_what_differs() {
    let cases = [
        (
            "specs/gauge.yaml",
            "to: 200 kHz}\nswitch",
            "to: 190 kHz}\nswitch",
            "the band 100 Hz to 200 kHz, the spec 100 Hz to 190 kHz",
            2,
        ),
        (
            "specs/gauge.yaml",
            "ambient: -30 degC",
            "ambient: -20 degC",
            "the conditions input 12 V, load 3 A, ambient -30 degC, the spec input 12 V, load 3 A, ambient -20 degC",
            1,
        ),
        (FILE, "critical_point: +1", "critical_point: -1", "the critical point -1, the spec +1", 3),
        (FILE, "open_loop_poles: 0", "open_loop_poles: 1", "open_loop_poles 1, the spec 0", 3),
    ];
    for (file, old, new, words, corners) in cases {
        let room = accepted();
        room.edit(file, old, new);
        if words.contains("190 kHz") {
            // A limit must lie inside the band.
            room.edit("specs/gauge.yaml", "from: 150 kHz, to: 200 kHz", "from: 150 kHz, to: 190 kHz");
        }
        let run = checked(&room, "runs/good", 1);
        let refused = not_passed(&run);
        assert!(
            refused.len() >= 2 * corners.min(1) && refused.iter().all(|r| r.ends_with("invalid")),
            "{words}: {refused:?}"
        );
        let margin = check(&run, "cold", "regression.phase_margin");
        assert!(text(&margin["message"]).contains(words), "{words}: {margin}");
        assert!(text(&margin["remedy"]).contains("accept"), "{margin}");
    }
}

#[test]
fn limits_and_waivers_may_change() {
    let room = accepted();
    room.edit("specs/gauge.yaml", "gain_margin: {min: 10 dB}", "gain_margin: {min: 9 dB}");
    room.edit("specs/gauge.yaml", "input: [10 V, 24 V]", "input: [10V, 24 V]");
    checked(&room, "runs/good", 0);
}

#[test]
fn no_accepted_result_is_missing_and_no_baseline_is_not_judged() {
    let room = accepted();
    add(&room, "runs/other", "RG-00043", Some("bench-3"), lost(0.0));
    std::fs::remove_file(room.path(FILE)).unwrap();
    let run = checked(&room, "runs/good", 1);
    assert_eq!(not_passed(&run).len(), 6);
    assert!(not_passed(&run).iter().all(|r| r.ends_with("missing")));
    let without = room.run("check runs/good --json -").ends(0).json();
    assert!(not_passed(&without["runs"][0]).iter().all(|r| r.ends_with("not_judged")));
}

#[test]
fn an_invalid_corner_is_not_compared() {
    let room = accepted();
    room.write("runs/good/a-check.csv", super::sweep(15e3, Change::default(), 1));
    let run = checked(&room, "runs/good", 1);
    assert_eq!(not_passed(&run), ["10V-3A/crossover not_judged", "10V-3A/phase_margin not_judged"]);
    assert!(text(&check(&run, "10V-3A", "regression.crossover")["message"]).contains("linearity"));
}

#[test]
fn waivers_and_patterns_hold_for_comparisons() {
    let room = accepted();
    add(&room, "runs/new", "RG-00042", Some("bench-3"), lost(4.0));
    room.write(
        "specs/gauge.yaml",
        format!("{SPEC}  - {{corner: cold, check: regression.phase_margin, reason: \"new divider\", until: 2099-12-31}}\n").replace(
            "conditions_tolerance: 2 %\n  -", "  -") + "conditions_tolerance: 2 %\n",
    );
    let run = checked(&room, "runs/new", 1);
    assert_eq!(
        not_passed(&run),
        ["10V-3A/phase_margin fail", "24V-3A/phase_margin fail", "cold/phase_margin waived"]
    );
    let only = room
        .command()
        .args(["check", "runs/new", "--baseline", "base", "--only", "cold/regression.*", "--json", "-"])
        .output()
        .unwrap();
    let only: serde_json::Value = serde_json::from_slice(&only.stdout).unwrap();
    assert_eq!((&only["verdict"], list(&only["runs"][0]["corners"]).len()), (&"waived".into(), 1));
}

#[test]
fn junit_and_the_terminal_tell_the_accepted_value() {
    let room = accepted();
    add(&room, "runs/new", "RG-00042", Some("bench-3"), lost(4.0));
    let ran = room.run("check runs/new --baseline base --junit out.xml").ends(1);
    assert!(ran.out().contains("      regression.phase_margin: phase margin 7"), "{}", ran.out());
    assert!(
        ran.out().contains("      noticed: largest deviation from the accepted curve in the band: "),
        "{}",
        ran.out()
    );
    let root = xml::read(room.read("out.xml").as_bytes());
    let text = format!("{root:?}");
    assert!(
        text.contains("regression.phase_margin")
            && text.contains("change: -4.00")
            && text.contains("accepted: 7")
            && text.contains("limit: at least -3 deg"),
        "{text}"
    );
}

/// The band ends below the phase crossover, near 130 kHz: the gain margin is a bound.
#[test]
fn bounds_show_less_than_values() {
    let room = accepted();
    let spec = SPEC
        .replace("band: {from: 100 Hz, to: 200 kHz}", "band: {from: 100 Hz, to: 100 kHz}")
        .replace("    - {from: 150 kHz, to: 200 kHz, max: -8 dB}\n", "")
        .replace("regression:\n", "regression:\n  gain_margin: {drop: 1 dB}\n");
    room.write("specs/gauge.yaml", spec);
    room.run("accept runs/good --baseline base").ends(0);
    let run = checked(&room, "runs/good", 0);
    let margin = check(&run, "10V-3A", "regression.gain_margin");
    assert!(text(&margin["message"]).contains("accepted at least"), "{margin}");
    assert!(text(&margin["message"]).contains("attenuation at its top is compared"), "{margin}");
    assert!(margin["conformity"].is_null());
    // 2 dB less attenuation there: that the margin fell is not shown.
    add(&room, "runs/new", "RG-00042", Some("bench-3"), [Change { won_db: 2.0, lost_deg: 0.0 }; 3]);
    let run = checked(&room, "runs/new", 1);
    assert_eq!(check(&run, "10V-3A", "regression.gain_margin")["verdict"], "undecided");
    // Accepted as a value of the same size: at least so much now shows that nothing was lost, less shows nothing.
    let file = room.read(FILE);
    room.write(FILE, file.replace("at_least: true, ", ""));
    assert_eq!(check(&checked(&room, "runs/good", 0), "10V-3A", "regression.gain_margin")["verdict"], "pass");
    assert_eq!(
        check(&checked(&room, "runs/new", 1), "10V-3A", "regression.gain_margin")["verdict"],
        "undecided"
    );
    // Accepted as a bound, a value now: a loss beyond it is shown, its absence is not.
    let room = accepted();
    room.write(
        "specs/gauge.yaml",
        SPEC.replace("regression:\n", "regression:\n  gain_margin: {drop: 1 dB}\n"),
    );
    let file = room.read(FILE);
    room.write(FILE, file.replace("gain_margin_db: {", "gain_margin_db: {at_least: true, "));
    assert_eq!(
        check(&checked(&room, "runs/good", 1), "10V-3A", "regression.gain_margin")["verdict"],
        "undecided"
    );
    add(&room, "runs/new", "RG-00042", Some("bench-3"), [Change { won_db: 2.0, lost_deg: 0.0 }; 3]);
    let run = checked(&room, "runs/new", 1);
    assert_eq!(check(&run, "10V-3A", "regression.gain_margin")["verdict"], "fail");
}

#[test]
fn a_value_that_one_side_lacks_is_told() {
    let room = accepted();
    let spec = SPEC.replace(
        "regression:\n",
        "regression:\n  gain_margin: {drop: 1 dB}\n  gain_reduction_margin: {drop: 1 dB}\n",
    );
    room.write("specs/gauge.yaml", spec);
    // Neither has a gain reduction margin.
    let run = checked(&room, "runs/good", 0);
    assert_eq!(check(&run, "cold", "regression.gain_reduction_margin")["verdict"], "pass");
    let file = room.read(FILE);
    let start = file.find("      gain_margin_db").unwrap();
    let line = &file[start..start + file[start..].find('\n').unwrap() + 1];
    room.write(FILE, file.replacen(line, "", 1));
    let run = checked(&room, "runs/good", 1);
    assert_eq!(not_passed(&run), ["10V-3A/gain_margin invalid"]);
    assert!(
        text(&check(&run, "10V-3A", "regression.gain_margin")["message"])
            .contains("has none to compare with")
    );
    room.write(
        FILE,
        file.replacen(line, &format!("{line}{}", line.replace("gain_margin", "gain_reduction_margin")), 1),
    );
    let run = checked(&room, "runs/good", 1);
    assert_eq!(not_passed(&run), ["10V-3A/gain_reduction_margin undecided"]);
}

#[test]
fn an_unknown_uncertainty_leaves_it_undecided() {
    let room = accepted();
    let file = room.read(FILE);
    let (at, u) = (file.find("phase_margin_deg: {").unwrap(), ", u: ");
    let from = at + file[at..].find(u).unwrap();
    let to = from + u.len() + file[from + u.len()..].find(',').unwrap();
    room.write(FILE, format!("{}{}", &file[..from], &file[to..]));
    let run = checked(&room, "runs/good", 1);
    assert_eq!(not_passed(&run), ["10V-3A/phase_margin undecided"]);
    let margin = check(&run, "10V-3A", "regression.phase_margin");
    assert!(margin["uncertainty"].is_null() && text(&margin["message"]).contains("is not known"), "{margin}");
    // The simple rule looks at the values alone.
    room.edit("specs/gauge.yaml", "rule: guarded", "rule: simple");
    checked(&room, "runs/good", 0);
}
