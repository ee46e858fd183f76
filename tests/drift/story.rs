//! The history that the example `make-line` tells: what was planted is found.

use super::line::{number, rule, series};
use super::make_line;
use crate::tool::{Room, list, text};
use loopgauge::history::Address;
use serde_json::{Value, json};

#[test]
fn what_was_planted_is_found() {
    let room = Room::empty();
    assert_eq!(make_line::tell(&Address::File(room.path("h.db"))).unwrap(), 203);
    let result = room.run("drift --history h.db --json -").ends(1).json();
    assert_eq!(result["verdict"], "fail");
    let product = &result["products"][0];
    assert_eq!((&product["product"], list(&product["groups"]).len()), (&json!("river-gauge-5v"), 20));

    // The margin creeps by 0.16 deg a build from the ninth build on.
    let margin = series(&result, "24V-3A", "phase_margin_deg");
    assert_eq!((&margin["verdict"], rule(margin, "chart").0), (&json!("fail"), "fail"));
    let first = text(&margin["signals"][0]["group"]);
    assert!(("2026-W18"..="2026-W30").contains(&first), "{first}");
    assert!(number(&margin["trend"]["high"]) < 0.0, "{}", margin["trend"]);
    // A level that stands and then creeps is neither a line nor a step; whichever fits better, nothing changed with it.
    assert!(margin["step"].is_null() || margin["step"]["together_with"] == json!([]), "{}", margin["step"]);

    // The crossover steps up by 6 % of 9310 Hz with revision C.
    let crossover = series(&result, "10V-0.5A", "crossover_hz");
    assert_eq!(
        (&crossover["verdict"], &crossover["signals"][0]["group"]),
        (&json!("fail"), &json!("2026-W26"))
    );
    let step = &crossover["step"];
    assert_eq!((&step["group"], &step["together_with"]), (&json!("2026-W26"), &json!(["revision B to C"])));
    let (size, error) = (number(&step["size"]), number(&step["standard_error"]));
    assert!((size - 558.6).abs() < 4.0 * error, "{step}");
    // What hangs on them goes with them.
    assert_eq!(series(&result, "10V-0.5A", "delay_margin_s")["step"]["group"], "2026-W26");
    // What was left alone passes.
    for (corner, quantity) in
        [("10V-0.5A", "phase_margin_deg"), ("24V-3A", "crossover_hz"), ("10V-0.5A", "gain_margin_db")]
    {
        assert_eq!(series(&result, corner, quantity)["verdict"], "pass", "{corner} {quantity}");
    }

    assert_eq!(
        product["retested"],
        json!([{"serial": "RG-00505", "group": "2026-W10", "verdicts": ["fail", "invalid", "pass"]}])
    );
    assert!(list(&product["notes"]).iter().any(|note| text(note).contains("no `build`")), "{product}");

    // The reference moves by 0.03 deg a build on bench-3 and stands on bench-1.
    let [one, three] = list(&margin["references"]) else { panic!("{margin}") };
    let slope = |reference: &Value| ["low", "per_record", "high"].map(|key| number(&reference["trend"][key]));
    assert_eq!(
        (&one["station"], &three["station"], &three["serial"]),
        (&json!("bench-1"), &json!("bench-3"), &json!("RG-REF1"))
    );
    let [low, _, high] = slope(one);
    assert!(low <= 0.0 && high >= 0.0, "{one}");
    let [low, _, high] = slope(three);
    assert!(low <= -0.03 + 1e-9 && high >= -0.03 - 1e-9 && high < 0.0, "{three}");

    let told = room.run("drift --history h.db").ends(1);
    for words in [
        "revision B to C",
        "RG-00505 in 2026-W10 (fail, invalid, pass)",
        "the station moves",
        "1 record has no `build`",
    ] {
        assert!(told.out().contains(words), "{words}");
    }
    room.run("history check h.db").ends(0);
}
