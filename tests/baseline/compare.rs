//! `compare`: two runs or folders side by side.

use super::{Change, add, lost, true_crossover};
use crate::tool::gauge::{FILES, GOOD, add_spec};
use crate::tool::{Room, list, text};
use serde_json::Value;

const NAMES: [&str; 3] = ["10V-3A", "24V-3A", "cold"];
const DELAY_S: f64 = 0.4e-6;

/// Two folders, the second with 1 dB more gain and 0.4 us more delay at every corner.
fn room() -> Room {
    let room = Room::empty();
    add_spec(&room);
    let more = GOOD.map(|hz| Change { lost_deg: 360.0 * true_crossover(hz) * DELAY_S, won_db: 1.0 });
    add(&room, "before/one", "RG-00042", Some("bench-3"), lost(0.0));
    add(&room, "after/one", "RG-00042", Some("bench-3"), more);
    room
}

fn compared(room: &Room, sides: &str, status: i32) -> Value {
    room.run(&format!("compare {sides} --json -")).ends(status).json()
}

fn number(of: &Value) -> f64 {
    of.as_f64().unwrap()
}

fn change<'a>(corner: &'a Value, quantity: &str) -> &'a Value {
    list(&corner["changes"]).iter().find(|own| own["quantity"] == quantity).unwrap()
}

/// What must be found follows from the formula of the loop: an integrator, a pole at 80 kHz and a delay.
#[test]
fn a_known_gain_and_delay_are_found_at_each_corner_and_in_common() {
    let room = room();
    let product = &compared(&room, "before after", 0)["products"][0];
    let corners = list(&product["corners"]);
    assert_eq!(corners.iter().map(|own| text(&own["corner"])).collect::<Vec<_>>(), NAMES);
    for (corner, hz) in corners.iter().zip(GOOD) {
        let (then, now) = (true_crossover(hz), true_crossover(hz * 10f64.powf(0.05)));
        let margin = |hz: f64, delay: f64| 90.0 - (hz / 80e3).atan().to_degrees() - 360.0 * hz * delay;
        let wanted = [
            ("crossover_hz", now / then - 1.0),
            ("phase_margin_deg", margin(now, 0.4e-6 + DELAY_S) - margin(then, 0.4e-6)),
        ];
        for (quantity, wanted) in wanted {
            let own = change(corner, quantity);
            let (found, u) = (number(&own["change"]), number(&own["uncertainty"]));
            assert!((found - wanted).abs() <= u && u < 0.1 * wanted.abs(), "{own}: {wanted}");
        }
        assert_eq!(corner["same_station"], true);
        assert!((number(&corner["gain_db"]["value"]) - 1.0).abs() < 0.02, "{corner}");
    }
    let common = &product["common"];
    for (effect, wanted) in [("gain_db", 1.0), ("delay_s", DELAY_S)] {
        let own = &common[effect];
        let (found, u) = (number(&own["value"]), number(&own["uncertainty"]));
        assert!((found - wanted).abs() <= u && u < 0.1 * wanted, "{own}");
        assert_eq!(own["said"], "common");
    }
    assert_eq!((&common["resonance"], &common["remaining_gain_db"]), (&Value::Null, &Value::Null));
    assert_eq!(common["remaining_phase_deg"], Value::Null);
    let shown = room.run("compare before after").ends(0);
    assert!(shown.out().contains("common to 3 corners"), "{}", shown.out());
    assert!(shown.out().contains("what remains: no more than their uncertainties"), "{}", shown.out());
}

#[test]
fn identical_folders_tell_nothing() {
    let room = room();
    let product = &compared(&room, "before before/one", 0)["products"][0];
    for corner in list(&product["corners"]) {
        assert!(list(&corner["changes"]).iter().all(|own| own["change"] == 0.0), "{corner}");
        assert_eq!((&corner["gain_db"], &corner["phase_deg"]), (&Value::Null, &Value::Null));
    }
    for effect in ["gain_db", "delay_s"] {
        assert_eq!(product["common"][effect]["said"], "within_uncertainty");
    }
    let shown = room.run("compare before before").ends(0);
    assert!(!shown.out().contains('+'), "{}", shown.out());
    assert_eq!(shown.out().matches("the curves differ most by: no more than their uncertainties").count(), 3);
}

#[test]
fn a_corner_of_one_side_alone_is_listed() {
    let room = room();
    let run = room.read("after/one/run.yaml");
    let without: Vec<&str> = run.lines().filter(|line| !line.contains("corner: cold")).collect();
    room.write("after/one/run.yaml", without.join("\n"));
    let product = &compared(&room, "before after", 0)["products"][0];
    assert_eq!((list(&product["corners"]).len(), &product["common"]["corners"]), (2, &Value::from(2)));
    let alone = &list(&product["alone"])[0];
    assert_eq!((&alone["side"], &alone["corner"]), (&Value::from("A"), &Value::from("cold")));
    assert!(text(&alone["why"]).contains("collected is missing"), "{alone}");
    assert!(room.run("compare before after").ends(0).out().contains("only in A: cold of before/one"));
}

#[test]
fn chains_of_two_stations_are_in_the_uncertainty() {
    let room = room();
    let u = |sides: &str| {
        let product = compared(&room, sides, 0)["products"][0].clone();
        let margin = number(&change(&product["corners"][0], "phase_margin_deg")["uncertainty"]);
        (margin, number(&product["common"]["gain_db"]["uncertainty"]))
    };
    let same = u("before after");
    room.edit("after/one/run.yaml", "station: bench-3", "station: bench-4");
    let (margin, gain) = u("before after");
    // Two chains of 0.5 deg and 0.1 dB: half-widths of rectangular distributions, twice the standard uncertainty.
    let two = |half: f64| 2.0 * (2.0_f64 / 3.0).sqrt() * half;
    assert!(same.0 < 0.3 * margin && margin > two(0.5) && margin < 1.2 * two(0.5), "{same:?} {margin}");
    assert!((gain / two(0.1) - 1.0).abs() < 0.1, "{gain}");
}

#[test]
fn what_cannot_be_read_or_compared_ends_with_status_2() {
    let room = room();
    room.run("compare before nowhere").ends(2);
    room.run("compare before").ends(2);
    room.write(&format!("before/bad/{}.csv", FILES[0]), "x");
    room.write("before/bad/run.yaml", "run: 1\nproduct: gauge\n");
    // The other run is compared all the same.
    assert_eq!(list(&compared(&room, "before after", 2)["products"][0]["corners"]).len(), 3);
    std::fs::remove_dir_all(room.path("before/bad")).unwrap();
    add(&room, "after/two", "RG-00042", Some("bench-3"), lost(0.0));
    let ran = room.run("compare before after").ends(2);
    assert!(ran.stderr.contains("several runs are of the unit RG-00042"), "{}", ran.stderr);
    room.edit("after/two/run.yaml", "RG-00042", "RG-00050");
    room.edit("after/one/run.yaml", "RG-00042", "RG-00051");
    let ran = room.run("compare before after").ends(2);
    assert!(ran.stderr.contains("nothing can be compared"), "{}", ran.stderr);
}
