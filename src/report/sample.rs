//! Outcomes to try the reports on. Also compiled into the integration tests and benches.

#![allow(dead_code, missing_docs, reason = "each user takes what it needs")]

use loopgauge::check::{
    CauseOutcome, CheckOutcome, CircuitOutcome, CornerOutcome, Judged, Limit, Measured, MeasuredSet,
    PartChange, PartOutcome, PartsSince, RunOutcome, Together, Unit, Verdict,
};
use loopgauge::measurand::{Measurand, PerMeasurand};
use loopgauge::run::Bench;

/// A corner for each verdict.
pub fn run() -> RunOutcome {
    let mut fail = corner("24V-3A", &[("input", "24 V"), ("load", "3 A")]);
    replace(
        &mut fail,
        CheckOutcome {
            value_text: None,
            remedy: Some("add phase lead near the crossover, or lower the crossover".to_owned()),
            ..judged("phase_margin", Verdict::Fail, 44.1, Some(0.7), Unit::Deg, min(50.0))
        },
    );
    let mut undecided = corner("10V-3A", &[("input", "10 V"), ("load", "3 A")]);
    replace(&mut undecided, judged("gain_margin", Verdict::Undecided, 10.1, Some(0.3), Unit::Db, min(10.0)));
    let mut waived = corner("cold-start", &[("ambient", "-30 degC")]);
    replace(&mut waived, bare("crossover", Verdict::Waived, "waived until 2027-03-31: ECO 17 pending"));
    let run = RunOutcome {
        corners: vec![
            corner("10V-0.5A", &[("input", "10 V"), ("load", "0.5 A")]),
            settled(fail),
            settled(undecided),
            settled(invalid_corner()),
            settled(missing_corner()),
            settled(waived),
        ],
        ..head("RG-00042")
    };
    rolled_up(run)
}

/// A run whose `corners` corners pass all their 12 checks.
pub fn passing(serial: &str, corners: usize) -> RunOutcome {
    let corners = (0..corners)
        .map(|index| {
            let input = format!("{} V", 10 + index);
            let mut corner = corner(&format!("{}V-3A", 10 + index), &[("input", &input), ("load", "3 A")]);
            for name in ["gain_reduction_margin", "regression.phase_margin", "regression.crossover"] {
                corner.checks.push(judged(name, Verdict::Pass, 12.34, Some(0.21), Unit::Db, min(6.0)));
            }
            corner
        })
        .collect();
    rolled_up(RunOutcome { corners, ..head(serial) })
}

/// A circuit of which two parts are known and one is not; the capacitor moved.
pub fn circuit() -> CircuitOutcome {
    let part = |part: &str, unit, nominal, value: Option<(f64, f64)>, informed| PartOutcome {
        part: part.to_owned(),
        unit,
        nominal,
        value: value.map(|(value, _)| value),
        uncertainty: value.map(|(_, u)| u),
        informed,
    };
    let moved = |part: &str, change: Option<(f64, f64)>, informed| PartChange {
        part: part.to_owned(),
        change: change.map(|(change, _)| change),
        uncertainty: change.map(|(_, u)| u),
        informed,
    };
    let cause = |part: &str, change: Option<(f64, f64)>, probability| CauseOutcome {
        part: part.to_owned(),
        change: change.map(|(change, _)| change),
        uncertainty: change.map(|(_, u)| u),
        probability,
    };
    CircuitOutcome {
        parts: vec![
            part("L1", "H", 10e-6, Some((9.83e-6, 0.12e-6)), 0.938),
            part("Cout", "F", 220e-6, Some((176e-6, 2e-6)), 0.953),
            part("COMPUTE", "", 350e-9, None, 0.03),
        ],
        together: vec![Together {
            parts: ["L1".to_owned(), "Cout".to_owned()],
            known: "product",
            uncertainty: 0.002,
        }],
        causes: vec![
            cause("Cout", Some((-0.2, 0.01)), 0.98),
            cause("several", None, 0.02),
            cause("nothing", None, 1e-9),
        ],
        since: Some(PartsSince {
            of: "RG-00042".to_owned(),
            parts: vec![
                moved("L1", Some((0.004, 0.012)), 0.9),
                moved("Cout", Some((-0.2, 0.01)), 0.97),
                moved("COMPUTE", None, 0.02),
            ],
            changes: 32,
            explained: Some(32),
        }),
        unexplained: Some(0.012),
        discrepancy: 0.0,
        answers: Vec::new(),
        information: None,
    }
}

/// A run without corners.
pub fn head(serial: &str) -> RunOutcome {
    RunOutcome {
        run: format!("demo-data/rev-c/{serial}"),
        run_file: format!("demo-data/rev-c/{serial}/run.yaml"),
        spec_file: "specs/river-gauge-5v.yaml".to_owned(),
        product: "river-gauge-5v".to_owned(),
        serial: serial.to_owned(),
        revision: "C".to_owned(),
        firmware: Some("2.3.1".to_owned()),
        build: Some("2026-W14".to_owned()),
        taken: Some("2026-04-02T11:15:00+02:00".to_owned()),
        station: Some("bench-3".to_owned()),
        is_reference: false,
        title: Some("5 V rail of the river-gauge telemetry board".to_owned()),
        bench: Bench {
            operator: Some("night shift".to_owned()),
            instrument: Some("two-channel receiver, no. 7".to_owned()),
            calibrated_until: Some("2027-03-31".to_owned()),
            injection: Some("transformer over 10 ohm in the feedback line".to_owned()),
            notes: Some("after rework of the output stage".to_owned()),
        },
        findings: Vec::new(),
        coverage: 2.0,
        verdict: Verdict::Pass,
        corners: Vec::new(),
        circuit: None,
        provenance: None,
    }
}

/// A corner that passes.
pub fn corner(name: &str, conditions: &[(&str, &str)]) -> CornerOutcome {
    let measured = |value, uncertainty, at_hz| {
        Some(Measured {
            value,
            uncertainty: Some(uncertainty),
            at_hz,
            at_least: None,
            budget: None,
            simulated: false,
        })
    };
    let gain_margin = measured(12.6, 0.2, 61_750.0);
    CornerOutcome {
        corner: name.to_owned(),
        conditions: conditions.iter().map(|(n, v)| ((*n).to_owned(), (*v).to_owned())).collect(),
        verdict: Verdict::Pass,
        judged: Some(Judged {
            files: vec![format!("{}.csv", name.to_lowercase())],
            level: Some("-26 dBm".to_owned()),
            confirmed_by: vec![format!("{}-check.csv", name.to_lowercase())],
        }),
        measured: Some(MeasuredSet {
            values: PerMeasurand::default()
                .with(Measurand::Crossover, measured(9310.4, 120.0, 9310.4))
                .with(Measurand::PhaseMargin, measured(54.1, 0.7, 9310.4))
                .with(Measurand::GainMargin, gain_margin.map(|m| Measured { at_least: Some(false), ..m }))
                .with(Measurand::StabilityMargin, measured(0.69, 0.01, 18_200.0))
                .with(Measurand::DelayMargin, measured(1.6142e-5, 2.2e-7, 9310.4)),
            crossings: 1,
        }),
        checks: vec![
            bare("collected", Verdict::Pass, "2 sweeps at 2 levels"),
            bare("coverage", Verdict::Pass, "100 Hz to 200 kHz covered with 20 points per decade"),
            bare("sanity", Verdict::Pass, "the curve closes stably"),
            bare("linearity", Verdict::Pass, "-26 dBm is confirmed by -23 dBm"),
            judged(
                "crossover",
                Verdict::Pass,
                9310.4,
                Some(120.0),
                Unit::Hz,
                Limit { min: Some(8e3), max: Some(30e3) },
            ),
            judged("crossings", Verdict::Pass, 1.0, None, Unit::One, Limit { min: None, max: Some(1.0) }),
            judged("phase_margin", Verdict::Pass, 54.1, Some(0.7), Unit::Deg, min(50.0)),
            judged("gain_margin", Verdict::Pass, 12.6, Some(0.2), Unit::Db, min(10.0)),
            judged("delay_margin", Verdict::Pass, 1.6142e-5, Some(2.2e-7), Unit::S, min(2e-6)),
        ],
        findings: Vec::new(),
        regression: None,
        keepsake: None,
        plot: None,
        circuit: None,
    }
}

/// A check with a value.
pub fn judged(
    check: &str,
    verdict: Verdict,
    value: f64,
    uncertainty: Option<f64>,
    unit: Unit,
    limit: Limit,
) -> CheckOutcome {
    CheckOutcome {
        value: Some(value),
        uncertainty,
        unit: Some(unit),
        limit: Some(limit),
        conformity: Some(if verdict == Verdict::Pass { 1.0 } else { 0.0 }),
        at_hz: Some(9310.4),
        ..bare(
            check,
            verdict,
            &format!(
                "{} {}, limit {}",
                check.replace('_', " "),
                loopgauge::check::value_text(value, uncertainty, unit, false),
                loopgauge::check::limit_text(&limit, unit)
            ),
        )
    }
}

/// A check without a value.
pub fn bare(check: &str, verdict: Verdict, message: &str) -> CheckOutcome {
    CheckOutcome {
        check: check.to_owned(),
        verdict,
        value: None,
        uncertainty: None,
        unit: None,
        limit: None,
        conformity: None,
        at_hz: None,
        accepted: None,
        message: message.to_owned(),
        value_text: None,
        remedy: None,
        range_hz: None,
    }
}

const fn min(min: f64) -> Limit {
    Limit { min: Some(min), max: None }
}

fn invalid_corner() -> CornerOutcome {
    let mut invalid = corner("32V-3A", &[("input", "32 V"), ("load", "3 A")]);
    replace(
        &mut invalid,
        CheckOutcome {
            value_text: None,
            remedy: Some("inject less: sweep at -32 dBm and at -29 dBm".to_owned()),
            ..bare(
                "linearity",
                Verdict::Invalid,
                "crossover moves by 6.1 % from -26 dBm to -23 dBm, 2 % is allowed",
            )
        },
    );
    hang_after(&mut invalid, "linearity", "not judged: linearity is invalid");
    invalid.measured = None;
    invalid
}

fn missing_corner() -> CornerOutcome {
    let mut missing = corner("32V-0.5A", &[("input", "32 V"), ("load", "0.5 A")]);
    replace(
        &mut missing,
        CheckOutcome {
            value_text: None,
            remedy: Some("sweep this corner at two levels and list the files in run.yaml".to_owned()),
            ..bare("collected", Verdict::Missing, "declared in the spec, no sweep in the run")
        },
    );
    hang_after(&mut missing, "collected", "not judged: collected is missing");
    missing.judged = None;
    missing.measured = None;
    missing
}

fn replace(corner: &mut CornerOutcome, check: CheckOutcome) {
    for old in corner.checks.iter_mut().filter(|old| old.check == check.check) {
        old.clone_from(&check);
    }
}

fn hang_after(corner: &mut CornerOutcome, check: &str, reason: &str) {
    for later in corner.checks.iter_mut().skip_while(|other| other.check != check).skip(1) {
        *later = bare(&later.check.clone(), Verdict::NotJudged, reason);
    }
}

fn settled(mut corner: CornerOutcome) -> CornerOutcome {
    corner.verdict = Verdict::worst(corner.checks.iter().map(|c| c.verdict)).unwrap_or(Verdict::Pass);
    corner
}

fn rolled_up(mut run: RunOutcome) -> RunOutcome {
    run.verdict = Verdict::worst(run.corners.iter().map(|c| c.verdict)).unwrap_or(Verdict::Pass);
    run
}

/// Every optional text that a run carries, to put something hostile into each.
pub fn labels(run: &mut RunOutcome) -> [&mut Option<String>; 10] {
    let RunOutcome { firmware, build, taken, station, title, bench, .. } = run;
    let Bench { operator, instrument, calibrated_until, injection, notes, .. } = bench;
    [firmware, build, taken, station, title, operator, instrument, calibrated_until, injection, notes]
}
