//! Several accepted units.

use super::{add, check, checked, deviation, lost};
use crate::tool::gauge::add_spec;
use crate::tool::{Room, list, text};

/// Units that lost so much phase, deg, accepted; a run `runs/new` that lost more.
fn room(units: &[(f64, Option<&str>)], new_deg: f64) -> Room {
    let room = Room::empty();
    add_spec(&room);
    for (k, (lost_deg, station)) in units.iter().enumerate() {
        add(&room, &format!("good/{k}"), &format!("RG-{k}"), *station, lost(*lost_deg));
    }
    room.run("accept good --baseline base").ends(0);
    add(&room, "runs/new", "RG-9", Some("bench-3"), lost(new_deg));
    room
}

const HERE: Option<&str> = Some("bench-3");

/// Mean and standard deviation of 0, 0.4, 0.8 and 1.2 deg are 0.6 deg and 0.5164 deg (by hand). t for 95 % and 3 degrees of
/// freedom is 3.182, for 95.45 % 3.31 (JCGM 100:2008, table G.2; handbooks of statistics): one more unit differs by at most
/// 3.182 × 0.5164 × root of 1.25 = 1.837 deg, and the mean is known to 0.5164 / 2.
#[test]
fn a_new_unit_is_compared_with_the_mean_and_the_spread() {
    let units = [(0.0, HERE), (0.4, HERE), (0.8, HERE), (1.2, HERE)];
    for (new_deg, words, verdict, status) in [
        (2.4, "lies inside", "pass", 0),
        (2.5, "lies outside", "pass", 0),
        (3.4, "lies outside", "undecided", 1),
        (4.6, "lies outside", "fail", 1),
    ] {
        let room = room(&units, new_deg);
        let run = checked(&room, "runs/new", status);
        let margin = check(&run, "10V-3A", "regression.phase_margin");
        assert!((margin["value"].as_f64().unwrap() - (0.6 - new_deg)).abs() < 0.01, "{margin}");
        assert_eq!(margin["verdict"], verdict, "{margin}");
        assert_eq!(margin["accepted"]["units"], 4);
        assert!((margin["accepted"]["spread"].as_f64().unwrap() - 0.5164).abs() < 0.002, "{margin}");
        // The station is one and the noise small: the scatter is nearly all, with Student's factor for little more than 3
        // degrees of freedom.
        let u = margin["uncertainty"].as_f64().unwrap();
        assert!((u / (3.31 * 0.5164 / 2.0) - 1.0).abs() < 0.03, "{u}");
        let message = text(&margin["message"]);
        assert!(message.contains(words) && message.contains("(mean of 4 units)"), "{message}");
        assert!(message.contains("the units differ by 0.52 deg (standard deviation)"), "{message}");
    }
}

/// 2 (u_chain² (1 + 1/2)): the new unit's chain is its own, the two units' share one.
#[test]
fn errors_of_one_station_do_not_average_out() {
    let other = Some("bench-1");
    let uncertainty = |units: &[(f64, Option<&str>)]| {
        let run = checked(&room(units, 0.0), "runs/new", 0);
        let corner = list(&run["corners"]).iter().find(|own| own["corner"] == "10V-3A").unwrap().clone();
        let own = corner["measured"]["phase_margin_deg"]["uncertainty"].as_f64().unwrap();
        check(&run, "10V-3A", "regression.phase_margin")["uncertainty"].as_f64().unwrap() / own
    };
    let near = |a: f64, b: f64| assert!((a / b - 1.0).abs() < 0.03, "{a} {b}");
    near(uncertainty(&[(0.0, other), (0.0, other)]), 2f64.sqrt());
    near(uncertainty(&[(0.0, None), (0.0, None)]), 1.5f64.sqrt());
    near(uncertainty(&[(0.0, HERE), (0.0, other)]), 0.5f64.sqrt());
}

#[test]
fn a_unit_is_compared_with_itself_where_it_was_accepted() {
    let room = room(&[(0.0, HERE), (4.0, HERE)], 0.0);
    add(&room, "runs/new", "RG-1", HERE, lost(4.0));
    let run = checked(&room, "runs/new", 0);
    let margin = check(&run, "10V-3A", "regression.phase_margin");
    assert_eq!(margin["accepted"]["of"], "RG-1");
    assert!(margin["value"].as_f64().unwrap().abs() < 0.01 && !text(&margin["message"]).contains("differ"));
    assert_eq!(deviation(&run, "10V-3A"), None);
}

#[test]
fn one_other_unit_says_nothing_of_the_spread() {
    let room = room(&[(0.0, HERE)], 1.0);
    let run = checked(&room, "runs/new", 0);
    let message = text(&check(&run, "10V-3A", "regression.phase_margin")["message"]).to_owned();
    assert!(message.ends_with("by how much units differ is not known from one"), "{message}");
    assert!(deviation(&run, "10V-3A").unwrap().contains("the accepted curve of RG-0"));
}

#[test]
fn only_comparable_units_count() {
    let room = room(&[(0.0, HERE), (0.2, HERE), (0.4, HERE)], 0.2);
    room.edit("base/gauge/RG-2.yaml", "open_loop_poles: 0", "open_loop_poles: 2");
    let run = checked(&room, "runs/new", 0);
    assert_eq!(check(&run, "10V-3A", "regression.phase_margin")["accepted"]["units"], 2);
    // Inside what units differ by no deviation is told.
    assert_eq!(deviation(&run, "10V-3A"), None);
}
