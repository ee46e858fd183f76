//! Runs judged with the netlist of their spec: parts, what is unexplained, what moved, which mistake a refused sweep fits. Units are made from
//! the netlist itself, so that all of it is known.

#![cfg(all(feature = "cli", unix))]
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::indexing_slicing,
    reason = "a test that cannot make its units must stop"
)]

#[path = "../examples/make-line/rail.rs"]
mod rail;

use loopgauge::baseline::Accepted;
use loopgauge::check::{CircuitOutcome, RunOutcome, Verdict, accept};
use loopgauge::circuit::CornerLoops;
use loopgauge::provenance::{FileDigest, Provenance};
use loopgauge::quantity::{Condition, ConditionValue};
use loopgauge::spec::Corner;
use loopgauge::sweep::Complex64;
use rail::{Bench, Rail};

fn unit<'a>(serial: &str, changes: Vec<f64>, makes: &'a dyn Fn(usize, Complex64) -> Complex64) -> Bench<'a> {
    let (build, taken) = ("2026-W02".to_owned(), "2026-01-05T08:00:00Z".to_owned());
    Bench { serial: serial.to_owned(), build, taken, changes, makes, baseline: None }
}

fn as_it_is(_: usize, gain: Complex64) -> Complex64 {
    gain
}

fn circuit(run: &RunOutcome) -> &CircuitOutcome {
    run.circuit.as_deref().expect("the run says something of its circuit")
}

/// Accepts a run as the baseline.
fn accepted(rail: &Rail, mut run: RunOutcome) -> Accepted {
    let files = run.corners.iter().flat_map(|corner| corner.judged.iter().flat_map(|judged| &judged.files));
    let files = files.map(|file| FileDigest::of(file, file.as_bytes())).collect();
    run.provenance = Some(Provenance { spec: rail.loaded.resolved.clone(), files });
    let unit = accept(&run, &rail.loaded.spec, "loopgauge", None).expect("a run with values");
    Accepted { units: vec![unit], unreadable: Vec::new() }
}

#[test]
fn the_parts_of_a_unit_are_inside_their_uncertainty() {
    let mut rail = Rail::as_it_stands(11);
    let (mut inside, mut told) = (0, 0);
    for _ in 0..10 {
        let changes = rail.parts(1.0);
        let run = rail.judged(&unit("RG-00100", changes.clone(), &as_it_is));
        for (part, change) in circuit(&run).parts.iter().zip(&changes) {
            let (Some(value), Some(u)) = (part.value, part.uncertainty) else { continue };
            told += 1;
            inside += usize::from((value - part.nominal * change.exp()).abs() <= u);
        }
    }
    assert!(told >= 95, "{told}");
    assert!(inside as f64 >= 0.9 * told as f64, "{inside} of {told}");
}

#[test]
fn a_part_that_moved_since_the_unit_was_accepted_is_named_and_explains_the_margins() {
    let mut rail = Rail::as_it_stands(12);
    let mut changes = rail.parts(0.8);
    let before = rail.judged(&unit("RG-00100", changes.clone(), &as_it_is));
    let baseline = accepted(&rail, before);
    let again =
        rail.judged(&Bench { baseline: Some(&baseline), ..unit("RG-00100", changes.clone(), &as_it_is) });
    assert_eq!(circuit(&again).causes[0].part, "nothing", "{:?}", again.findings);
    changes[rail.place("Cout")] += (-0.2_f64).ln_1p();
    let run = rail.judged(&Bench { baseline: Some(&baseline), ..unit("RG-00100", changes, &as_it_is) });
    let cause = &circuit(&run).causes[0];
    assert_eq!(cause.part, "Cout", "{:?}", run.findings);
    assert!(cause.probability > 0.95);
    let (change, u) = (cause.change.unwrap(), cause.uncertainty.unwrap());
    assert!((change + 0.2).abs() <= 1.5 * u && u < 0.02, "{change} {u}");
    let since = circuit(&run).since.as_ref().unwrap();
    assert!(since.changes >= 10 && since.explained == Some(since.changes), "{since:?}");
    let told = run.findings.iter().find(|finding| finding.starts_with("circuit, against RG-00100: Cout "));
    assert!(told.is_some_and(|told| told.contains("explains all")), "{:?}", run.findings);
}

/// The input 15 % high at every corner: a unit of nominal parts is seen as that where the run tells so, and not otherwise.
#[test]
fn the_circuit_is_fitted_under_the_conditions_as_they_were() {
    let mut rail = Rail::new(15, &|text| format!("{text}conditions_tolerance: 20 %\n"));
    let spec = std::sync::Arc::clone(&rail.loaded.spec);
    let circuit_of_spec = spec.circuit.as_ref().unwrap();
    let high = |corner: &Corner| {
        let (_, declared) = corner.conditions.iter().find(|(name, _)| name == "input").unwrap();
        let ConditionValue::Quantity { value, .. } = declared.value() else { panic!("an input in volt") };
        format!("{} V", 1.15 * value)
    };
    let told: Vec<String> = spec.corners.iter().map(high).collect();
    let models = spec.corners.iter().zip(&told).map(|(corner, told)| {
        let actual = ("input".to_owned(), Condition::parse(told).unwrap());
        circuit_of_spec.model(corner, &[actual]).unwrap()
    });
    rail.loops = CornerLoops::new(&models.collect::<Vec<_>>());
    let nominal = vec![0.0; circuit_of_spec.vary.len()];
    let farthest = |run: &RunOutcome| {
        let parts = circuit(run).parts.iter();
        let off = parts.filter_map(|part| Some((part.value? - part.nominal).abs() / part.uncertainty?));
        off.fold(0.0, f64::max)
    };
    let silent = rail.judged(&unit("RG-00100", nominal.clone(), &as_it_is));
    rail.actual = told.iter().map(|told| format!("{{input: {told}}}")).collect();
    let open = rail.judged(&unit("RG-00100", nominal, &as_it_is));
    assert!(farthest(&open) < 1.5 && farthest(&silent) > 3.0, "{} {}", farthest(&open), farthest(&silent));
    assert_eq!(circuit(&open).causes[0].part, "nothing", "{:?}", open.findings);
}

/// A limit of 0.05, and at one corner a loop gain that no part of the netlist makes.
#[test]
fn what_no_part_explains_fails_where_it_is() {
    let mut rail = Rail::new(13, &|text| format!("{text}  limits: {{unexplained: 0.05}}\n"));
    let changes = rail.parts(0.8);
    let verdicts = |run: &RunOutcome| -> Vec<Verdict> {
        let checks = run.corners.iter().flat_map(|corner| &corner.checks);
        checks.filter(|check| check.check == "circuit").map(|check| check.verdict).collect()
    };
    let good = rail.judged(&unit("RG-00100", changes.clone(), &as_it_is));
    assert!(verdicts(&good).iter().all(|verdict| *verdict == Verdict::Pass), "{:?}", verdicts(&good));
    // A bump about 0 dB at the third corner.
    let bump = |corner: usize, gain: Complex64| {
        let near = (gain.norm().ln() / 0.5).powi(2);
        if corner == 2 { gain * (1.0 + 0.3 * (-near).exp()) } else { gain }
    };
    let poor = rail.judged(&unit("RG-00100", changes, &bump));
    assert_eq!(verdicts(&poor)[2], Verdict::Fail, "{:?}", verdicts(&poor));
    let check = poor.corners[2].checks.iter().find(|check| check.check == "circuit").unwrap();
    assert!(check.message.contains("unexplained at"), "{}", check.message);
    assert!(check.value.unwrap() > 0.05 && check.at_hz.is_some());
    assert_eq!(poor.corners[2].verdict, Verdict::Fail);
}

#[test]
fn a_refused_sweep_is_said_to_be_the_mistake_that_it_fits() {
    let mut rail = Rail::as_it_stands(14);
    let changes = rail.parts(0.8);
    let swapped = |corner: usize, gain: Complex64| if corner == 1 { 1.0 / gain } else { gain };
    let run = rail.judged(&unit("RG-00100", changes.clone(), &swapped));
    let told = |run: &RunOutcome, corner: usize| run.corners[corner].findings.join("; ");
    assert!(told(&run, 1).contains("if input and output side were swapped"), "{}", told(&run, 1));
    assert!(!told(&run, 0).contains("circuit"), "{}", told(&run, 0));
    let turned = |_: usize, gain: Complex64| -gain;
    let run = rail.judged(&unit("RG-00100", changes, &turned));
    for corner in 0..run.corners.len() {
        assert!(told(&run, corner).contains("other critical point"), "{}", told(&run, corner));
    }
}
