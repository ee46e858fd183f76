//! The history that the example `make-line` tells: what was planted is found.

use super::line::{number, rule, series};
use super::make_line;
use crate::tool::{Room, list, text};
use loopgauge::history::Address;
use serde_json::{Value, json};

/// What was planted moves these; everything else stays.
const MOVED: [(&str, &str); 4] = [
    ("10V-0.5A", "crossover_hz"),
    ("10V-0.5A", "delay_margin_s"),
    ("24V-3A", "phase_margin_deg"),
    ("24V-3A", "delay_margin_s"),
];

fn told() -> Room {
    let room = Room::empty();
    assert_eq!(make_line::tell(&Address::File(room.path("h.db"))).unwrap(), 203);
    room
}

fn is_moved(series: &Value) -> bool {
    MOVED.contains(&(text(&series["corner"]), text(&series["quantity"])))
}

#[test]
fn what_was_planted_is_found() {
    let room = told();
    let result = room.run("drift --history h.db --json -").ends(1).json();
    assert_eq!(result["verdict"], "fail");
    let product = &result["products"][0];
    assert_eq!((&product["product"], list(&product["groups"]).len()), (&json!("river-gauge-5v"), 20));
    for series in list(&result["series"]).iter().filter(|series| is_moved(series)) {
        let (verdict, message) = rule(series, "chart");
        assert!(verdict == "fail" || message.contains("shown to do no harm"), "{series}");
    }

    // The margin creeps by 0.16 deg a build from the ninth build, 2026-W18, on.
    let margin = series(&result, "24V-3A", "phase_margin_deg");
    let first = text(&margin["signals"][0]["group"]);
    assert!(("2026-W18"..="2026-W30").contains(&first), "{first}");
    assert_eq!(rule(margin, "chart").0, "fail");
    assert_eq!(margin["movement"]["kind"], "ramp", "{}", margin["movement"]);
    assert_eq!(margin["forecast"]["reaches"], json!({"min": 50.0}));
    // The planted line stands at 53.7 - 13 * 0.16 = 51.62 deg in the newest build, 10 builds from the limit.
    let ahead = &margin["forecast"];
    assert!(number(&ahead["low"]) < 10.1 && ahead["high"].as_f64().is_none_or(|high| high > 10.1), "{ahead}");
    let trend = &margin["trend"];
    assert!(number(&trend["low"]) < -0.16 && number(&trend["high"]) > -0.16, "{trend}");
    assert_eq!(margin["movement"]["together_with"], json!([]), "{}", margin["movement"]);

    // The crossover steps up by 6 % of 9310 Hz with revision C.
    let crossover = series(&result, "10V-0.5A", "crossover_hz");
    assert_eq!(crossover["signals"][0]["group"], "2026-W26");
    let step = &crossover["movement"];
    assert_eq!(
        (&step["kind"], &step["since"]["group"], &step["together_with"]),
        (&json!("step"), &json!("2026-W26"), &json!(["revision B to C"]))
    );
    assert!(number(&step["size"]["low"]) < 558.6 && number(&step["size"]["high"]) > 558.6, "{step}");
    // What hangs on it goes with it, in one movement.
    let joint = |corner: &str, quantity: &str| {
        let is_there = |moved: &Value| moved["corner"] == corner && moved["quantity"] == quantity;
        list(&result["movements"]).iter().position(|joint| list(&joint["series"]).iter().any(is_there))
    };
    assert!(joint("10V-0.5A", "crossover_hz").is_some());
    assert_eq!(joint("10V-0.5A", "crossover_hz"), joint("10V-0.5A", "delay_margin_s"), "{result}");

    assert_eq!(
        product["retested"],
        json!([{"serial": "RG-00505", "group": "2026-W10", "verdicts": ["fail", "invalid", "pass"]}])
    );
    assert!(list(&product["notes"]).iter().any(|note| text(note).contains("no `build`")), "{product}");

    // The reference moves by 0.03 deg a build on bench-3 and stands on bench-1.
    let [one, three] = list(&margin["references"]) else { panic!("{margin}") };
    let ends = |reference: &Value| ["low", "high"].map(|key| number(&reference["trend"][key]));
    assert_eq!(
        [&one["station"], &three["station"], &one["serial"], &three["serial"]],
        ["bench-1", "bench-3", "RG-REF1", "RG-REF1"]
    );
    let [low, high] = ends(one);
    assert!(low <= 0.0 && high >= 0.0, "{one}");
    let [low, high] = ends(three);
    assert!(low <= -0.03 + 1e-9 && (-0.03 - 1e-9..0.0).contains(&high), "{three}");
}

#[test]
fn the_report_tells_the_story() {
    let ran = told().run("drift --history h.db").ends(1);
    let words: Vec<&str> = ran.out().split_whitespace().collect();
    let words = words.join(" ");
    for wanted in [
        "revision B to C",
        "RG-00505 in 2026-W10 (fail, invalid, pass)",
        "the station moves",
        "1. fail: ramp since 2026-W20 (2026-W18 to 2026-W24)",
        "2 series: phase margin and delay margin at 24V-3A",
        "2. fail: step since 2026-W26",
        "1 record has no `build`",
        "20 groups from 2026-W02 to 2026-W40: 160 units in 162 records",
    ] {
        assert!(words.contains(wanted), "{wanted}: {}", ran.out());
    }
}

/// Eight charts of 5 % each may sound without a cause; held at 5 % together, what stays passes and what moved is found still.
#[test]
fn what_stays_passes_when_false_alarms_are_held() {
    let room = told();
    for percent in ["5", "1"] {
        let result =
            room.run(&format!("drift --history h.db --json - --false-alarms {percent}")).ends(1).json();
        let all = list(&result["series"]);
        assert_eq!(all.len(), 8);
        for series in all {
            let message = rule(series, "chart").1;
            let is_found = series["verdict"] == "fail" || message.contains("shown to do no harm");
            assert_eq!(is_found, is_moved(series), "{} {}: {message}", series["corner"], series["quantity"]);
        }
    }
}

/// One part on two rails at eight corners: 64 series, one movement a product, and what it comes to on one screen.
#[test]
fn one_cause_is_one_entry() {
    let room = Room::empty();
    assert_eq!(make_line::tell_of_one_part(&Address::File(room.path("h.db"))).unwrap(), 200);
    let result = room.run("drift --history h.db --json -").ends(1).json();
    assert_eq!(list(&result["series"]).len(), 64);
    let movements = list(&result["movements"]);
    let products: Vec<&str> = movements.iter().map(|movement| text(&movement["product"])).collect();
    assert_eq!(products.len(), 2, "{products:?}");
    assert_ne!(products[0], products[1]);
    for movement in movements {
        assert_eq!(movement["kind"], "ramp", "{movement}");
        // From the ninth build on.
        let [low, high] = ["low", "high"].map(|key| text(&movement["since"][key]));
        assert!(low <= "2026-W18" && high >= "2026-W18", "{}", movement["since"]);
        assert!(list(&movement["series"]).len() >= 20, "{movement}");
        let worst = &movement["worst"];
        assert_eq!((&worst["corner"], &worst["quantity"]), (&json!("24V-3A"), &json!("phase_margin_deg")));
    }
    // 53.7 - 12 * 0.16 = 51.78 deg in the newest build: 11.1 builds from the limit.
    for series in list(&result["series"]).iter().filter(|series| {
        (&series["corner"], &series["quantity"]) == (&json!("24V-3A"), &json!("phase_margin_deg"))
    }) {
        let ahead = &series["forecast"];
        assert!(number(&ahead["low"]) < 11.1 && number(&ahead["high"]) > 11.1, "{ahead}");
    }
    let told = room.run("drift --history h.db").ends(1);
    assert!(told.out().lines().count() < 40, "{}", told.out());
    let page = room.run("drift --history h.db --markdown -").ends(1);
    assert_eq!(page.out().matches("\n1. river-gauge").count(), 2, "{}", page.out());
}

/// Units judged with the netlist of their spec: the capacitor of another maker is named, and with it all that moved.
#[test]
fn a_part_of_another_maker_is_named() {
    let room = Room::empty();
    assert_eq!(make_line::tell_of_a_capacitor(&Address::File(room.path("h.db"))).unwrap(), 42);
    let told = String::from_utf8(room.run("drift --history h.db").ends(0).stdout).unwrap();
    let line = told.lines().find(|line| line.contains("circuit: ")).unwrap_or_else(|| panic!("{told}"));
    assert!(line.contains("circuit: Cout -1") && line.contains("explains all"), "{line}");
    let result = room.run("drift --history h.db --json -").ends(0).json();
    let circuit = &list(&result["movements"])[0]["circuit"];
    let cause = &list(&circuit["causes"])[0];
    assert_eq!(cause["part"], "Cout");
    let (change, u) = (number(&cause["change"]), number(&cause["uncertainty"]));
    assert!((change + 0.15).abs() <= u, "{change} {u}");
    assert!(number(&cause["probability"]) > 0.95);
    assert_eq!(circuit["changes"], circuit["explained"]);
}
