//! Numbers that no bench declares or measures: each is refused where it stands, and those at the edge end as soon as any others.

use super::{Fault, fault, told};
use crate::tool::{Room, gauge};

/// In the spec.
pub const SPEC: &[Fault] = &[
    fault("open_loop_poles: 0", "open_loop_poles: 4000000000", "5:18", &["from 0 to 100"]),
    fault("from: 100 Hz", "from: 1e-300 Hz", "6:14", &["below 1 uHz", "unit"]),
    fault("to: 200 kHz}\ns", "to: 1e300 Hz}\ns", "6:26", &["above 1000 GHz"]),
    fault("switching_frequency: 600 kHz", "switching_frequency: 600000 GHz", "7:22", &["above 1000 GHz"]),
    fault("density: 15", "density: 1e300", "8:10", &["above 1000000", "10 to 200"]),
    fault("density: 15", "density: 1e-300", "8:10", &["below 0.1"]),
    fault("gain: 0.1 dB", "gain: 100 dB", "10:9", &["above 20 dB", "`0.1 dB`"]),
    fault("phase: 0.5 deg", "phase: 500 deg", "11:10", &["above 180 deg"]),
    fault("delay: 2 ns", "delay: 2 s", "12:10", &["`2 s` is above 1 ms", "nanoseconds", "`2 ns`"]),
    fault("delay: 2 ns", "delay: 1e300 s", "12:10", &["above 1 ms"]),
    fault("coverage: 2}", "coverage: 1e300}", "13:37", &["above 10", "95 %"]),
    fault("coverage: 2}", "coverage: 1e-300}", "13:37", &["below 0.1"]),
    fault("impedance_ratio: 0.001", "impedance_ratio: 1e300", "15:20", &["1e300 is not below 1"]),
    fault("max: 30 kHz}", "max: 1e300 Hz}", "17:32", &["above 1000 GHz"]),
    fault("crossings: {max: 1}", "crossings: {max: 4294967295}", "18:20", &["from 0 to 1000"]),
    fault("{min: 50 deg}", "{min: 1e300 deg}", "19:23", &["above 180 deg"]),
    fault("{min: 50 deg}", "{min: -1e300 deg}", "19:23", &["below -180 deg"]),
    fault("{min: 10 dB}", "{min: 1e300 dB}", "20:22", &["above 400 dB"]),
    fault("{min: 0.5}", "{min: 1e300}", "21:27", &["above 100"]),
    fault("{min: 0.5}", "{min: 1e-300}", "21:27", &["below 0.0001"]),
    fault("{min: 2 us}", "{min: 1e300 s}", "22:23", &["above 10 ks"]),
    fault("max: -8 dB}", "max: -1e300 dB}", "25:41", &["below -400 dB"]),
    fault("step: 3 dB", "step: 1e300 dB", "27:9", &["above 100 dB"]),
    fault("step: 3 dB", "step: 1e-300 dB", "27:9", &["below 0.001 dB"]),
    fault("  crossover: 2 %", "  crossover: 1e300 %", "28:14", &["above 1000 %"]),
    fault("  phase_margin: 2 deg", "  phase_margin: 1e-300 deg", "29:17", &["below 0.000001 deg"]),
    fault("  gain: 1 dB", "  gain: 1e300 dB", "30:9", &["above 400 dB"]),
    fault("  phase: 5 deg", "  phase: 1e300 deg", "31:10", &["above 360 deg"]),
    fault("[0.1, 10]", "[1e-300, 10]", "32:10", &["below 0.000001"]),
    fault("[0.1, 10]", "[0.1, 1e300]", "32:15", &["above 1000000"]),
    fault("{drop: 3 deg}", "{drop: 1e300 deg}", "34:24", &["above 360 deg"]),
    fault("{shift: 10 %}", "{shift: 1e300 %}", "35:22", &["above 1000 %"]),
    fault("setup: 8", "setup: 1000000000", "38:10", &["from 2 to 1000"]),
    fault("{min: 1.33}", "{min: 1e300}", "40:21", &["above 100"]),
    fault("{groups: 6}", "{groups: 4000000000}", "41:22", &["from 1 to 1000"]),
    fault("[10 V, 24 V]", "[10 V, 1e300 V]", "44:32", &["1e12"]),
    fault("tolerance: 2 %", "tolerance: 1e300 %", "50:23", &["above 1000 %"]),
];

/// In the run.
pub const RUN: &[Fault] = &[
    fault(
        "a.csv, corner: 10V-3A, level: -26 dBm",
        "a.csv, corner: 10V-3A, level: 1e300 dBm",
        "11:42",
        &["200 dB"],
    ),
    fault(
        "a.csv, corner: 10V-3A, level: -26 dBm",
        "a.csv, corner: 10V-3A, level: -1000 dBV",
        "11:42",
        &["200 dB"],
    ),
    fault(
        "a.csv, corner: 10V-3A, level: -26 dBm",
        "a.csv, corner: 10V-3A, level: {profile: p, offset: 1e300 dB}",
        "11:63",
        &["above 200 dB"],
    ),
    fault("{input: 10.1 V", "{input: 1e300 V", "11:67", &["1e12"]),
];

/// In a sweep, whose rows stand on lines 2 to 104.
pub const SWEEP: &[Fault] = &[
    fault("\n90.000,", "\n1e-300,", "2:1", &["`1e-300` is too small"]),
    fault("\n220000.000,", "\n1e300,", "104:1", &["`1e300` is too large"]),
    fault("\n90.000,", "\n90.000,1e300,0\n90.001,", "2:2", &["6000 dB"]),
    fault("\n90.000,", "\n90.000,0,1e300\n90.001,", "2:3", &["turns"]),
    fault(
        "\n90.000,",
        "\n90.0000000000000001,0,0\n90.00000000000001,0,0\n91.000,",
        "3:1",
        &["not told apart"],
    ),
];

/// What may be written at the most and at the least: it ends as soon as anything else does, without a panic.
#[test]
fn numbers_at_the_edge_of_what_is_plausible_end_soon() {
    for (old, news) in [
        ("open_loop_poles: 0", &["open_loop_poles: 100"][..]),
        ("{from: 100 Hz, to: 200 kHz}\ns", &["{from: 1 uHz, to: 1000 GHz}\ns"]),
        ("density: 15", &["density: 0.1", "density: 1000000"]),
        ("gain: 0.1 dB", &["gain: 20 dB"]),
        ("phase: 0.5 deg", &["phase: 180 deg"]),
        ("delay: 2 ns", &["delay: 1 ms", "delay: 100 us", "delay: 10 us", "delay: 1 us"]),
        ("coverage: 2}", &["coverage: 10}", "coverage: 0.1}"]),
        ("impedance_ratio: 0.001", &["impedance_ratio: 0.999999"]),
        ("{min: 50 deg}", &["{min: 180 deg}"]),
        ("{min: 0.5}", &["{min: 0.0001}", "{min: 100}"]),
        ("step: 3 dB", &["step: 0.001 dB", "step: 100 dB"]),
        ("[0.1, 10]", &["[0.000001, 1000000]"]),
        ("setup: 8", &["setup: 1000"]),
        ("{groups: 6}", &["{groups: 1000}"]),
    ] {
        for new in news {
            let room = gauge::room();
            room.edit("specs/gauge.yaml", old, new);
            room.run("lint specs runs").ends(0);
            let ran = room.run("check runs --json o.json --html o.html --record h.db");
            assert!(matches!(ran.status, Some(0 | 1)), "{new}: {}", ran.stderr);
            assert!(!ran.stderr.contains("panicked") && ran.took.as_secs() < 5, "{new}: {:?}", ran.took);
            room.run("drift --history h.db").ends(0);
        }
    }
}

/// Between uneven steps the local cubic leaves its samples by billions of turns.
#[test]
fn a_sweep_of_uneven_steps_ends_soon() {
    let room = Room::empty();
    let head = "frequency_hz,gain_db,phase_deg\n";
    let (mut tail, mut hz) = (String::new(), 1.0);
    for k in 0..40 {
        hz *= if k % 2 == 0 { 1.0 + 1e-9 } else { 1.8 };
        tail.push_str(&format!("{hz:.15},{},{}\n", 30 - 2 * k, (k * 77_777) % 180));
    }
    for rows in ["1,40,0\n1.0000000001,40,170\n1e8,-40,0\n1e9,-80,10\n", &tail] {
        room.write("uneven.csv", format!("{head}{rows}"));
        for point in ["+1", "-1"] {
            let ran = room.run(&format!("inspect uneven.csv --critical-point {point} --json -")).ends(0);
            assert!(ran.took.as_secs() < 5 && ran.peak_bytes < 100_000_000, "{:?}", ran.took);
            assert!(!ran.out().contains("NaN"));
        }
    }
}

/// A short file that would come to gigabytes in the corners that it multiplies out to.
#[test]
fn long_texts_are_not_multiplied_out() {
    let values: Vec<String> = (0..10_000).map(|k| format!("{k} V")).collect();
    let (values, long) = (values.join(", "), "x".repeat(1_000_000));
    let corner = |name: &str, more: &str| {
        let spec = gauge::SPEC;
        let from = spec.find("corners:").unwrap();
        format!(
            "{}corners:\n  - name: \"{{v}}{name}\"\n    conditions: {{v: [{values}]{more}}}\n",
            &spec[..from]
        )
    };
    let conditions: String = (0..51).map(|k| format!(", c{k}: a")).collect();
    let gains: String = (1..=101).map(|k| format!("    - {{at: {k} Hz, min: 1 dB}}\n")).collect();
    let waived = "linearity: {waived: ";
    for (text, place, says) in [
        (corner(&long, ""), "specs/gauge.yaml:43:12", "the corner's name has 1000003 characters"),
        (corner(&"{v}".repeat(60), ""), "specs/gauge.yaml:43:12", "the corner's name has"),
        (corner("", &format!(", w: {long}")), "specs/gauge.yaml:44", "the condition has 1000000 characters"),
        (
            corner("", &format!(", {}: a", &long[..1000])),
            "specs/gauge.yaml:44",
            "the condition's name has 1000",
        ),
        (corner("", &conditions), "specs/gauge.yaml:43:12", "52 conditions, at most 50"),
        (
            corner("", "").replace("  gain:\n", &format!("  gain:\n{gains}")),
            "specs/gauge.yaml:23:3",
            "103 limits of the gain, at most 100",
        ),
        (
            corner("", "").replace("linearity:\n", &format!("{waived}{long}}}\nother:\n")),
            "specs/gauge.yaml:26:21",
            "the reason has 1000000 characters",
        ),
        (
            corner("", "").replace("min: 50 deg", &format!("min: {}50 deg", "0".repeat(1_000_000))),
            "specs/gauge.yaml:19:23",
            "this text of 1000006 characters is no number",
        ),
    ] {
        let room = gauge::room();
        room.write("specs/gauge.yaml", text);
        told(&room.run("lint specs").ends(2), place, &[says]);
    }
}
