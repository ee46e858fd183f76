//! `predict`: loops whose margins are known in closed form, with parts whose spread gives exact quantiles and shares, through the built
//! program.
//!
//! The loop is an integrator of R and C, a gain that follows the input voltage, and a delay: T = -(VIN/12) exp(-s TD)/(s R C). So the
//! crossover is fc = VIN/12/(2 pi R C), the phase margin 90 deg - 360 deg fc TD, the gain margin fc TD 4 in dB below 0 (the phase reaches
//! the critical point's direction at 1/(4 TD)), the delay margin 1/(4 fc) - TD: all of them monotonic in R C (textbook closed forms of an
//! integrator with delay).

#![cfg(all(feature = "cli", unix))]
#![allow(
    clippy::unwrap_used,
    clippy::panic,
    clippy::indexing_slicing,
    reason = "a test that cannot run its own program must stop"
)]

mod tool;

use serde_json::Value;
use tool::{Room, gauge, list, text};

/// R C makes a crossover of 20 kHz at 12 V.
const NETLIST: &str = "integrator with a delay
.param VIN=12 TDEL=1u
Vinj out in AC 1
R1 in n 1k
C1 n y {1/(2*pi*1k*20k)}
Rn n 0 1g
E1 y 0 0 n 1e12
E2 d 0 y 0 {VIN/12}
T1 d 0 e 0 Z0=50 TD={TDEL}
Rt e 0 50
E3 out 0 e 0 1
.end
";

const FC: f64 = 20e3;
const TD: f64 = 1e-6;

const SPEC: &str = "spec: 1
product: gauge
critical_point: +1
band: {from: 100 Hz, to: 1 MHz}
density: 15
accuracy: {gain: 0.1 dB, phase: 0.5 deg}
linearity: {waived: one level}
limits:
  crossover: {min: 17 kHz, max: 60 kHz}
  crossings: {max: 1}
  phase_margin: {min: 68 deg}
  gain_margin: {min: 10 dB}
  delay_margin: {min: 2 us}
  stability_margin: {min: 0.5}
  gain: [{at: 1 kHz, min: 20 dB}]
circuit:
  netlist: circuits/loop.cir
  injection: Vinj
  parameters: {VIN: input}
  vary: {R1: 20 %}
corners:
  - {name: \"{input}\", conditions: {input: [12 V, 24 V, 36 V]}}
";

fn room(spec: &str, netlist: &str) -> Room {
    let room = Room::empty();
    room.write("specs/gauge.yaml", spec).write("specs/circuits/loop.cir", netlist);
    room
}

fn predicted(spec: &str, netlist: &str) -> Value {
    room(spec, netlist).run("predict specs/gauge.yaml --json -").ends(0).json()
}

fn number(value: &Value) -> f64 {
    value.as_f64().unwrap_or_else(|| panic!("no number: {value}"))
}

fn corner<'a>(result: &'a Value, name: &str) -> &'a Value {
    list(&result["corners"]).iter().find(|corner| corner["corner"] == name).unwrap()
}

/// Crossover, phase margin, gain margin, delay margin for a crossover.
fn margins(fc: f64, td: f64) -> [(&'static str, f64); 4] {
    [
        ("crossover_hz", fc),
        ("phase_margin_deg", 90.0 - 360.0 * fc * td),
        ("gain_margin_db", -20.0 * (4.0 * fc * td).log10()),
        ("delay_margin_s", 0.25 / fc - td),
    ]
}

fn close(found: f64, wanted: f64, share: f64, what: &str) {
    assert!((found - wanted).abs() <= share * wanted.abs(), "{what}: {found}, wanted {wanted}");
}

/// Interpolation between the points of the nominal curve: what is asked is 1e-4.
const NOMINAL: f64 = 1e-5;
/// Standard errors that a drawn share or quantile may be off by: one case in 16 000.
const SIGMAS: f64 = 4.0;
const UNITS: f64 = 2000.0;
/// Error of the curve of a drawn unit between its points, 1e-3 neper or rad, on a quantity.
const DRAWN: f64 = 2e-3;

#[test]
fn nominal_margins_are_those_of_the_closed_form() {
    let result = predicted(SPEC, NETLIST);
    for (name, gain) in [("12V", 1.0), ("24V", 2.0), ("36V", 3.0)] {
        let nominal = &corner(&result, name)["nominal"];
        for (key, wanted) in margins(gain * FC, TD) {
            close(number(&nominal[key]["value"]), wanted, NOMINAL, &format!("{name} {key}"));
        }
        assert!(nominal["gain_reduction_margin_db"].is_null());
        assert_eq!(
            (nominal["crossings"].as_u64(), &corner(&result, name)["stable"]),
            (Some(1), &Value::Bool(true))
        );
        close(number(&nominal["gain@1kHz"]["value"]), 20.0 * (gain * 20.0).log10(), NOMINAL, "gain");
        // The closest point is known by a search of its own.
        let nearest = (1..=200_000).map(|k| 100.0 * 1e4_f64.powf(f64::from(k) / 200_000.0)).map(|hz| {
            let (m, angle) = (gain * FC / hz, std::f64::consts::PI * (0.5 - 2.0 * hz * TD));
            (1.0 + m * m - 2.0 * m * angle.cos()).sqrt()
        });
        let nearest = nearest.fold(f64::INFINITY, f64::min);
        close(number(&nominal["stability_margin"]["value"]), nearest, NOMINAL, "stability margin");
    }
}

#[test]
fn ranges_are_the_exact_quantiles() {
    let result = predicted(SPEC, NETLIST);
    // The 2.5 % and 97.5 % points of a uniform R: nominal times 1 -+ 0.95 * 20 %. A drawn quantile is off by sqrt(p (1 - p) / n) in
    // probability, which is 0.4 in R for all of it.
    let error = SIGMAS * (0.025_f64 * 0.975 / UNITS).sqrt() * 0.4;
    for (name, gain) in [("12V", 1.0), ("24V", 2.0), ("36V", 3.0)] {
        let range = &corner(&result, name)["range"];
        for (k, (key, _)) in margins(gain * FC, TD).into_iter().enumerate() {
            let at = |r: f64| margins(gain * FC / r, TD)[k].1;
            for (end, r) in [("low", 1.19), ("high", 0.81)] {
                // Only the crossover falls with R.
                let r = if key == "crossover_hz" { r } else { 2.0 - r };
                let slack = (at(r + error) - at(r - error)).abs() / 2.0 + DRAWN * at(r).abs();
                let found = number(&range[key][end]);
                assert!(
                    (found - at(r)).abs() < slack,
                    "{name} {key} {end}: {found}, wanted {} +- {slack}",
                    at(r)
                );
            }
        }
        assert_eq!(range["crossover_hz"]["without"], 0);
        assert!(range["gain_reduction_margin_db"].is_null());
    }
}

#[test]
fn shares_that_fail_are_the_exact_ones() {
    let result = predicted(SPEC, NETLIST);
    // R below r makes the crossover higher than fc / r.
    let below = |r: f64| ((r - 0.8) / 0.4).clamp(0.0, 1.0);
    for (name, gain) in [("12V", 1.0), ("24V", 2.0), ("36V", 3.0)] {
        let fc = gain * FC;
        // Crossover outside 17 kHz to 60 kHz; phase margin below 68 deg: above 61 kHz; gain margin below 10 dB: above 79 kHz.
        let wanted = [
            ("crossover", 1.0 - below(fc / 17e3) + below(fc / 60e3)),
            ("phase_margin", below(fc / (22.0 / 360.0 / TD))),
            ("gain_margin", below(fc / (0.25 / TD / 10f64.sqrt()))),
            ("crossings", 0.0),
            ("delay_margin", below(fc / (0.25 / 3e-6))),
            ("gain@1kHz", 0.0),
        ];
        for (check, share) in wanted {
            let own = corner(&result, name);
            let (found, error) =
                (number(&own["share_failing"][check]), number(&own["share_failing_error"][check]));
            assert!(
                (found - share).abs() <= SIGMAS * error,
                "{name} {check}: {found} +- {error}, wanted {share}"
            );
            assert!(error > 0.0 && error < 0.012, "{name} {check}: {error}");
        }
    }
}

/// Two parts: the crossover hangs on their product, whose distribution is integrated here.
#[test]
fn two_parts_vary_independently() {
    let spec = SPEC.replace("{R1: 20 %}", "{R1: 20 %, C1: 10 %}");
    let result = predicted(&spec, NETLIST);
    let range = &corner(&result, "12V")["range"]["crossover_hz"];
    let share_below = |product: f64| {
        let steps = 20_000;
        let c = |k: usize| 0.9 + 0.2 * (k as f64 + 0.5) / steps as f64;
        (0..steps).map(|k| ((product / c(k) - 0.8) / 0.4).clamp(0.0, 1.0)).sum::<f64>() / steps as f64
    };
    for (end, share) in [("high", 0.025), ("low", 0.975)] {
        let found = share_below(FC / number(&range[end]));
        let error = SIGMAS * (0.025_f64 * 0.975 / UNITS).sqrt() + 0.005;
        assert!((found - share).abs() < error, "{end}: {found}, wanted {share} +- {error}");
    }
    let parts: Vec<&str> = list(&result["parts"]).iter().map(|part| text(&part["part"])).collect();
    assert_eq!(parts, ["R1", "C1"]);
}

#[test]
fn sensitivities_are_the_derivatives_of_the_closed_form() {
    let spec = SPEC.replace("{R1: 20 %}", "{R1: 20 %, TDEL: 5 %, Rt: 1 %}");
    let result = predicted(&spec, NETLIST);
    let own = &corner(&result, "12V")["sensitivity"];
    // Per +1 %: of R the crossover falls by 1 %; the delay leaves it alone.
    for (key, part, wanted) in [
        ("crossover_hz", "R1", -0.01 * FC),
        ("phase_margin_deg", "R1", 3.6 * FC * TD),
        ("phase_margin_deg", "TDEL", -3.6 * FC * TD),
        ("gain_margin_db", "R1", 0.2 / std::f64::consts::LN_10),
        ("gain_margin_db", "TDEL", -0.2 / std::f64::consts::LN_10),
        ("delay_margin_s", "R1", 0.01 * 0.25 / FC),
        ("delay_margin_s", "TDEL", -0.01 * TD),
        ("gain@1kHz", "R1", -0.2 / std::f64::consts::LN_10),
    ] {
        close(number(&own[key][part]), wanted, 1e-4, &format!("{key} {part}"));
    }
    assert!(number(&own["crossover_hz"]["TDEL"]).abs() < 1e-6 * FC);
    assert!(own["gain_reduction_margin_db"]["R1"].is_null());
    // The parts that matter are told first.
    let room = room(&spec, NETLIST);
    let ran = room.run("predict specs/gauge.yaml").ends(0);
    let line =
        ran.out().lines().find(|line| line.trim_start().starts_with("phase margin")).unwrap().to_owned();
    assert!(line.contains("R1 \u{b1}"), "{line}");
}

#[test]
fn the_corner_that_fails_first_decides() {
    // At 36 V the fastest units miss the phase margin; none does elsewhere.
    let limits = SPEC.replace("min: 17 kHz, max: 60 kHz", "max: 70 kHz");
    let result = predicted(&limits, NETLIST);
    assert_eq!(result["deciding"]["corners"], serde_json::json!(["36V"]));
    assert_eq!(number(&result["deciding"]["left"]), 0.0);
    assert_eq!(result["failing"], corner(&result, "36V")["failing"]);
    // With the lower bound of the crossover the corner at 12 V tells of its own units.
    let result = predicted(SPEC, NETLIST);
    assert_eq!(result["deciding"]["corners"], serde_json::json!(["36V", "12V"]));
    let ran = room(SPEC, NETLIST).run("predict specs/gauge.yaml").ends(0);
    assert!(ran.out().contains("measure first: 36V, 12V"), "{}", ran.out());
    let at = |name: &str| ran.out().find(&format!("\n{name}: ")).unwrap_or_else(|| panic!("{}", ran.out()));
    assert!(at("36V") < at("12V") && at("12V") < at("24V"), "{}", ran.out());
}

#[test]
fn units_that_would_oscillate_miss_everything() {
    // With 2 us the phase margin is gone above 125 kHz: at 36 V and 40 kHz for R = 1 below R = 0.96.
    let spec = SPEC.replace("[12 V, 24 V, 36 V]", "[12 V, 72 V]");
    let result = predicted(&spec, &NETLIST.replace("TDEL=1u", "TDEL=2u"));
    let own = corner(&result, "72V");
    assert_eq!(own["stable"], true);
    let unstable = number(&own["unstable"]) / UNITS;
    let error = SIGMAS * (0.4_f64 * 0.6 / UNITS).sqrt();
    assert!((unstable - 0.4).abs() < error, "{unstable}");
    assert!(number(&own["share_failing"]["crossings"]) > 0.0);
    assert_eq!(number(&corner(&result, "12V")["unstable"]), 0.0);
    // Further up the nominal loop oscillates, too, and that is said first.
    let spec = SPEC.replace("[12 V, 24 V, 36 V]", "[12 V, 120 V]");
    let room = room(&spec, &NETLIST.replace("TDEL=1u", "TDEL=2u"));
    let result = room.run("predict specs/gauge.yaml --json -").ends(0).json();
    let own = corner(&result, "120V");
    assert_eq!(own["stable"], false);
    assert_eq!(number(&own["unstable"]), UNITS);
    let ran = room.run("predict specs/gauge.yaml").ends(0);
    assert!(ran.out().contains("the nominal loop would not be stable"), "{}", ran.out());
}

#[test]
fn the_same_comes_out_whatever_the_threads() {
    let room = room(SPEC, NETLIST);
    let one = room.run("predict specs/gauge.yaml --json - --jobs 1").ends(0);
    let many = room.run("predict specs/gauge.yaml --json - --jobs 5").ends(0);
    assert_eq!(one.stdout, many.stdout);
    for jobs in [1, 3] {
        room.run(&format!("predict specs/gauge.yaml --html page{jobs}.html --jobs {jobs}")).ends(0);
    }
    assert_eq!(room.read("page1.html"), room.read("page3.html"));
    // Another corner beside changes nothing.
    let alone = predicted(&SPEC.replace("[12 V, 24 V, 36 V]", "24 V"), NETLIST);
    let all = one.json();
    assert_eq!(corner(&alone, "24V"), corner(&all, "24V"));
}

#[test]
fn a_netlist_without_a_spec() {
    let room = room(SPEC, NETLIST);
    let ran = room.run(
        "predict --netlist specs/circuits/loop.cir --injection vinj --vary R1=20% --param VIN=24 --json -",
    );
    let result = ran.ends(0).json();
    let own = corner(&result, "nominal");
    close(number(&own["nominal"]["crossover_hz"]["value"]), 40e3, NOMINAL, "crossover");
    assert_eq!((&result["product"], own["band_hz"][0].as_f64()), (&Value::Null, Some(10.0)));
    let ran =
        room.run("predict --netlist specs/circuits/loop.cir --injection vinj --from 1kHz --to 2MHz").ends(0);
    assert!(ran.out().contains("nothing is limited"), "{}", ran.out());
    // What a bench would call the textbook convention is half a turn off: the loop is not stable.
    let ran =
        room.run("predict --netlist specs/circuits/loop.cir --injection vinj --critical-point -1").ends(0);
    assert!(ran.out().contains("would not be stable"), "{}", ran.out());
}

#[test]
fn nothing_that_varies_is_nominal_alone() {
    let result = predicted(&SPEC.replace("  vary: {R1: 20 %}\n", ""), NETLIST);
    assert_eq!((&result["units"], &result["deciding"]), (&serde_json::json!(0), &Value::Null));
    assert!(corner(&result, "12V")["range"]["crossover_hz"].is_null());
    let ran =
        room(&SPEC.replace("  vary: {R1: 20 %}\n", ""), NETLIST).run("predict specs/gauge.yaml").ends(0);
    assert!(ran.out().contains("nothing varies"), "{}", ran.out());
}

#[test]
fn what_cannot_be_predicted_ends_with_status_2() {
    let room = room(SPEC, NETLIST);
    room.write(
        "specs/plain.yaml",
        SPEC.split("circuit:").next().unwrap().to_owned() + "corners: [{name: a}]\n",
    );
    for (arguments, words) in [
        ("predict specs/plain.yaml", "no key `circuit`"),
        ("predict nowhere.yaml", "nowhere.yaml"),
        ("predict", "SPEC"),
        ("predict specs/gauge.yaml --vary R1=5%", "cannot be used with"),
        ("predict --netlist specs/circuits/loop.cir", "--injection"),
        ("predict --netlist specs/circuits/loop.cir --injection Vnj", "did you mean `Vinj`?"),
        ("predict --netlist specs/circuits/loop.cir --injection Vinj --vary R9=5%", "R9"),
        ("predict --netlist specs/circuits/loop.cir --injection Vinj --vary R1=0.2", "has no unit"),
        ("predict --netlist specs/circuits/loop.cir --injection Vinj --vary R1=100%", "at most 99 %"),
        ("predict --netlist specs/circuits/loop.cir --injection Vinj --param VIN", "VIN=24"),
        ("predict --netlist specs/circuits/loop.cir --injection Vinj --from 1kHz --to 1kHz", "--to"),
        ("predict --netlist nowhere.cir --injection Vinj", "nowhere.cir"),
        ("predict specs/gauge.yaml --json out --html out", "--html"),
        ("predict specs/gauge.yaml --json missing/out", "missing/out"),
    ] {
        let ran = room.run(arguments).ends(2);
        assert!(ran.stderr.contains(words), "{arguments}: {}", ran.stderr);
    }
    assert_eq!(room.names("."), ["specs"]);
}

/// Netlists and what they include lie in an archive beside the spec, and are read from there.
#[test]
fn an_archive_carries_the_netlists() {
    let room = Room::empty();
    gauge::add_spec(&room);
    let spec = room.read("specs/gauge.yaml");
    let circuit = "circuit: {netlist: circuits/loop.cir, injection: Vinj, parameters: {VIN: input}, vary: {R1: 20 %}}\n";
    room.write("specs/gauge.yaml", format!("{spec}{circuit}"));
    room.write("specs/circuits/loop.cir", NETLIST.replace(".end\n", ".include parts/more.inc\n.end\n"));
    room.write("specs/circuits/parts/more.inc", "Rmore out 0 1meg\n");
    gauge::add_run(&room, "runs/good", "RG-00042", gauge::GOOD);
    let first = room.run("check runs --archive a.zip --json -");
    let moved = Room::empty();
    std::fs::copy(room.path("a.zip"), moved.path("a.zip")).unwrap();
    let again = moved.run("check a.zip --json -");
    assert_eq!((again.status, again.json()), (first.status, first.json()), "{}", again.stderr);
    let listed = String::from_utf8_lossy(&std::fs::read(moved.path("a.zip")).unwrap()).into_owned();
    for name in ["specs/circuits/loop.cir", "specs/circuits/parts/more.inc"] {
        assert!(listed.contains(name), "{name}");
    }
}

#[test]
fn a_netlist_stays_inside_the_folder_of_specs() {
    let room = room(&SPEC.replace("circuits/loop.cir", "../secret.cir"), NETLIST);
    room.write("secret.cir", NETLIST);
    let ran = room.run("predict specs/gauge.yaml").ends(2);
    assert!(ran.stderr.contains("leads out of the folder of specs"), "{}", ran.stderr);
    room.edit("specs/gauge.yaml", "../secret.cir", "circuits/loop.cir");
    room.edit("specs/circuits/loop.cir", ".end\n", ".include ../../secret.cir\n.end\n");
    let ran = room.run("predict specs/gauge.yaml").ends(2);
    assert!(ran.stderr.contains("specs/circuits/loop.cir:12"), "{}", ran.stderr);
    assert!(ran.stderr.contains("leads out of the folder of specs"), "{}", ran.stderr);
}

#[test]
fn lint_shows_what_is_wrong_in_a_netlist() {
    let room = room(SPEC, &NETLIST.replace("Rt e 0 50", "D1 e 0 diode"));
    let ran = room.run("lint specs").ends(2);
    assert!(ran.stderr.contains("specs/circuits/loop.cir:10"), "{}", ran.stderr);
    room.write("specs/circuits/loop.cir", NETLIST.replace(".end", ".ac dec 10 1 1meg\n.end"));
    let ran = room.run("lint specs").ends(0);
    assert!(ran.stderr.contains("specs/circuits/loop.cir:12"), "{}", ran.stderr);
}

#[test]
fn the_page_needs_nothing_and_shows_every_corner() {
    let room = room(SPEC, NETLIST);
    room.run("predict specs/gauge.yaml --html page.html").ends(0);
    let page = room.read("page.html");
    assert!(page.starts_with("<!DOCTYPE html>") && page.contains("gauge: loop stability predicted"));
    for words in ["12V", "24V", "36V", "Measure first: 36V, 12V.", "class=\"band\"", "R1"] {
        assert!(page.contains(words), "{words}");
    }
    assert!(!page.contains("http:") && !page.contains("https:"), "reaches out");
    // An earlier page is written over, somebody's file is not.
    room.run("predict specs/gauge.yaml --html page.html").ends(0);
    let ran = room.run("predict specs/gauge.yaml --html specs/gauge.yaml").ends(2);
    assert!(ran.stderr.contains("specs/gauge.yaml"), "{}", ran.stderr);
}
