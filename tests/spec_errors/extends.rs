//! Specs that extend others, and corners that lay over their spec.

use super::{SPEC, files, spec, told};
use loopgauge::measurand::Measurand;
use loopgauge::spec::{check_part, load};

#[test]
fn extends() {
    let common = "limits:\n  phase_margin: {min: 50 deg}\n  crossover: {min: 8 kHz, max: 3 kHz}\nlinearity: {waived: \"no second level\"}\n";
    let top = "extends: ../common.yaml\nspec: 1\nproduct: p\ncritical_point: -1\ncorners: [{name: a}]\n";
    let list = [("specs/a/p.yaml", top), ("specs/a/../common.yaml", common)];
    // A finding about a merged spec names the file that it stands in.
    let errors = load("specs/a/p.yaml", &files(&list)).unwrap_err();
    assert_eq!(told(&errors), ["3 limits.crossover.max: `min` 8 kHz is above `max` 3 kHz"]);
    assert_eq!(&*errors[0].place.as_ref().unwrap().file, "specs/a/../common.yaml");
    // This file's keys win, maps merge, and tolerances drive a waived linearity out.
    let mended = format!("{top}limits: {{crossover: {{max: 30 kHz}}}}\nlinearity: {{gain: 1 dB}}\n");
    let list = [("specs/a/p.yaml", mended.as_str()), ("specs/a/../common.yaml", common)];
    let loaded = load("specs/a/p.yaml", &files(&list)).expect("sound");
    assert_eq!(loaded.extends, ["specs/a/../common.yaml"]);
    let corner = &loaded.spec.corners[0];
    let crossover = corner.limits.windows.get(Measurand::Crossover).unwrap();
    assert_eq!((crossover.min, crossover.max), (Some(8e3), Some(30e3)));
    assert!(matches!(corner.linearity, loopgauge::spec::Linearity::Required(_)));
    // An override that contradicts what it extends is told where it stands.
    let worse = format!("{top}limits: {{crossover: {{min: 5 kHz}}}}\n");
    let list = [("specs/a/p.yaml", worse.as_str()), ("specs/a/../common.yaml", common)];
    let errors = load("specs/a/p.yaml", &files(&list)).unwrap_err();
    assert_eq!(told(&errors), ["6 limits.crossover.min: `min` 5 kHz is above `max` 3 kHz"]);
    assert_eq!(&*errors[0].place.as_ref().unwrap().file, "specs/a/p.yaml");
    // The part alone.
    let list = [("c.yaml", common)];
    assert_eq!(told(&check_part("c.yaml", &files(&list)).unwrap_err()).len(), 1);
    let list = [("c.yaml", "limits: {phase_margin: {min: 50 deg}}\nband: {from: 10 Hz}\n")];
    assert_eq!(check_part("c.yaml", &files(&list)), Ok(vec![]));
}

#[test]
fn extends_that_lead_nowhere() {
    let list = [("a.yaml", "spec: 1\nextends: b.yaml\n"), ("b.yaml", "extends: ./a.yaml\n")];
    let errors = load("a.yaml", &files(&list)).unwrap_err();
    assert_eq!(
        told(&errors),
        ["1 extends: files extend each other in a circle: a.yaml -> b.yaml -> ./a.yaml"]
    );
    assert_eq!(&*errors[0].place.as_ref().unwrap().file, "b.yaml");
    let missing = [("a.yaml", "spec: 1\nextends: b.yaml\n")];
    let errors = load("a.yaml", &files(&missing)).unwrap_err();
    assert_eq!(told(&errors), ["2 extends: `b.yaml` cannot be read: no such file"]);
    assert!(load("x.yaml", &files(&missing)).unwrap_err()[0].message.contains("no such file"));
    for (text, piece) in
        [("extends: /b.yaml", "relative path"), ("extends: [b.yaml]", "a list"), ("extends:", "no value")]
    {
        let list = [("a.yaml", text)];
        let told = told(&load("a.yaml", &files(&list)).unwrap_err());
        assert!(told.len() == 1 && told[0].contains(piece), "{told:?}");
    }
    let endless = |path: &str| Ok(format!("extends: x{path}\n").into_bytes());
    let errors = load("a.yaml", &endless).unwrap_err();
    assert!(errors[0].message.contains("more than 32 files"));
    let versions = [("a.yaml", "extends: b.yaml\nspec: 1\n"), ("b.yaml", "spec: 7\n")];
    assert!(told(&load("a.yaml", &files(&versions)).unwrap_err()).iter().any(|t| t.contains("version `7`")));
}

#[test]
fn corners_lay_over_the_spec() {
    let text = SPEC.replace("    limits: {phase_margin: {min: 45 deg}}", "    limits: {crossover: {max: 20 kHz}, gain: [{at: 1 kHz, min: 1 dB}]}\n    linearity: {waived: cold}\n    band: {to: 100 kHz}");
    let loaded = spec(&text).expect("sound");
    let [.., cold] = loaded.spec.corners.as_slice() else { panic!() };
    let crossover = cold.limits.windows.get(Measurand::Crossover).unwrap();
    assert_eq!((crossover.min, crossover.max), (Some(8e3), Some(20e3)));
    assert_eq!(cold.limits.gain.iter().map(|gain| gain.check.as_str()).collect::<Vec<_>>(), ["gain@1kHz"]);
    assert_eq!(cold.linearity, loopgauge::spec::Linearity::Waived("cold".to_owned()));
    assert_eq!((cold.band.unwrap().from.hz(), cold.band.unwrap().to.hz()), (100.0, 1e5));
    assert_eq!(
        cold.checks(),
        [
            "collected",
            "coverage",
            "sanity",
            "linearity",
            "crossover",
            "crossings",
            "phase_margin",
            "stability_margin",
            "gain@1kHz",
            "regression.crossover",
            "regression.phase_margin"
        ]
    );
    assert_eq!(loaded.spec.corners[0].limits.gain[1].check, "gain@150kHz-200kHz");
}
