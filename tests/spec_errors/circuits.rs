//! Mistakes in the circuit of a spec, and in its netlist.

use super::{SPEC, check, files, told};
use loopgauge::diagnostic::Diagnostic;
use loopgauge::spec::{LoadedSpec, check_part, load};

/// A loop of one pole, and a spec with its circuit.
const NETLIST: &str = "a loop of one pole
.param VIN=12 RSENSE=1
.include parts.inc
E1 a 0 in 0 {VIN}
R1 a out 1k
C1 out 0 1u
R2 out 0 {1meg*RSENSE}
Vinj out in AC 1
Rin in 0 1g
";

const CIRCUIT: &str = "circuit:
  netlist: circuits/loop.cir
  injection: Vinj
  parameters: {VIN: input}
  vary: {R1: 5 %, c1: 20 %, RSENSE: 1 %}
  limits: {unexplained: 0.05}
";

/// What reading a spec whose circuit is this one finds, the spec's own lines first.
fn with_circuit(circuit: &str, netlist: &str) -> Result<LoadedSpec, Vec<Diagnostic>> {
    let text = format!("{circuit}{SPEC}");
    let list = [
        ("specs/s.yaml", text.as_str()),
        ("specs/circuits/loop.cir", netlist),
        ("specs/circuits/parts.inc", "* none\n"),
        ("specs/loop.csv", "frequency_hz,gain_db\n"),
        ("specs/common.yaml", CIRCUIT),
    ];
    load("specs/s.yaml", &files(&list))
}

#[test]
fn the_circuit_of_a_spec() {
    let loaded = with_circuit(CIRCUIT, NETLIST).unwrap_or_else(|errors| panic!("{:#?}", told(&errors)));
    let circuit = loaded.spec.circuit.as_ref().expect("a circuit");
    assert_eq!(circuit.netlist_file, "specs/circuits/loop.cir");
    assert_eq!(circuit.vary, [("R1".to_owned(), 0.05), ("c1".to_owned(), 0.2), ("RSENSE".to_owned(), 0.01)]);
    assert_eq!(circuit.unexplained, Some(0.05));
    let reached: Vec<&str> = loaded.netlists.iter().map(|file| file.file.as_str()).collect();
    assert_eq!(reached, ["specs/circuits/loop.cir", "specs/circuits/parts.inc"]);
    // A corner's conditions are the numbers of the netlist: far below the pole the gain is VIN.
    let models = circuit.models(&loaded.spec).expect("a model a corner");
    let gains: Vec<f64> =
        models.iter().map(|model| model.solver().loop_gain(1e-3).expect("a gain").norm().round()).collect();
    assert_eq!(gains, [10.0, 10.0, 24.0, 24.0, 24.0]);
    // What the netlist says is part of what a verdict rests on.
    let other = with_circuit(CIRCUIT, &NETLIST.replace("1k", "2k")).expect("sound");
    assert_ne!(loaded.resolved.sha256, other.resolved.sha256);
    assert!(
        loaded.resolved.text.contains("\"netlists\": {\"circuits/loop.cir\": \""),
        "{}",
        loaded.resolved.text
    );
}

#[test]
fn a_circuit_that_is_extended_merges_and_its_netlist_stays_where_it_is() {
    let loaded = with_circuit("extends: common.yaml\ncircuit: {vary: {R1: 10 %}}\n", NETLIST).expect("sound");
    let circuit = loaded.spec.circuit.as_ref().expect("a circuit");
    assert_eq!((circuit.vary[0].1, circuit.vary.len()), (0.1, 3));
    let part = |text: &'static str| check_part("p.yaml", &files(&[("p.yaml", text)]));
    assert_eq!(part("circuit: {vary: {R1: 10 %}, parameters: {VIN: input}}\n"), Ok(vec![]));
    let wrong = part("circuit: {vary: {R1: 10}}\n").unwrap_err();
    assert!(told(&wrong)[0].starts_with("1 circuit.vary.R1: `10` has no unit"), "{:?}", told(&wrong));
}

#[test]
fn circuits_that_are_wrong() {
    check(
        &[
            ("  netlist: circuits/loop.cir\n", "", "1 circuit", "the key `netlist` is missing"),
            ("  injection: Vinj\n", "", "1 circuit", "the key `injection` is missing"),
            (
                "circuits/loop.cir",
                "circuits/lop.cir",
                "2 circuit.netlist",
                "`circuits/lop.cir` cannot be read: no such file",
            ),
            ("circuits/loop.cir", "/circuits/loop.cir", "2 circuit.netlist", "not a relative path"),
            ("circuits/loop.cir", "loop.csv", "2 circuit.netlist", "does not end as that of a netlist does"),
            ("circuits/loop.cir", "[loop.cir]", "2 circuit.netlist", "this is a list"),
            ("injection: Vinj", "injection: Vnj", "3 circuit.injection", "Vnj"),
            ("injection: Vinj", "injection: \"\"", "3 circuit.injection", "the text is empty"),
            ("VIN: input", "VNI: input", "4 circuit.parameters.VNI", "VNI"),
            ("VIN: input", "VIN: inptu", "4 circuit.parameters.VIN", "no corner has a condition `inptu`"),
            ("VIN: input", "VIN: input, vin: load", "4 circuit.parameters.vin", "a second time"),
            ("VIN: input", "RSENSE: load", "4 circuit.parameters.RSENSE", "varies by itself"),
            ("VIN: input", "VIN: [input]", "4 circuit.parameters.VIN", "this is a list"),
            ("{VIN: input}", "VIN", "4 circuit.parameters", "a map such as"),
            ("R1: 5 %", "R11: 5 %", "5 circuit.vary.R11", "R11"),
            ("R1: 5 %", "R1: 5", "5 circuit.vary.R1", "`5` has no unit"),
            ("R1: 5 %", "R1: 0 %", "5 circuit.vary.R1", "not above 0"),
            ("R1: 5 %", "R1: 100 %", "5 circuit.vary.R1", "above 99 %"),
            ("R1: 5 %", "C1: 5 %", "5 circuit.vary.c1", "a second time"),
            ("unexplained: 0.05", "unexplained: 5 %", "6 circuit.limits.unexplained", "has the unit `%`"),
            ("unexplained: 0.05", "unexplained: 1.5", "6 circuit.limits.unexplained", "above 1"),
            ("limits: {", "limit: {", "6 circuit.limit", "unknown key `limit`"),
        ],
        CIRCUIT,
        |text| with_circuit(text, NETLIST).err().unwrap_or_default(),
    );
    // A condition that is no number of the netlist's units.
    for (value, piece) in [("[a, b]", "is `a`"), ("[10 %, 20 %]", "is `10 %`")] {
        let spec = SPEC.replace("input: [10 V, 24 V]", &format!("input: {value}"));
        let text = format!("{CIRCUIT}{spec}");
        let list = [
            ("specs/s.yaml", text.as_str()),
            ("specs/circuits/loop.cir", NETLIST),
            ("specs/circuits/parts.inc", ""),
        ];
        let found = told(&load("specs/s.yaml", &files(&list)).unwrap_err());
        assert!(
            found.len() == 1 && found[0].starts_with("4 circuit.parameters.VIN") && found[0].contains(piece),
            "{found:?}"
        );
    }
}

#[test]
fn what_is_wrong_in_a_netlist_stands_in_it() {
    for (from, to, file, line) in [
        ("R1 a out 1k", "R1 a out 1kk*", "specs/circuits/loop.cir", 5),
        ("C1 out 0 1u", "D1 out 0 diode", "specs/circuits/loop.cir", 6),
        ("parts.inc", "part.inc", "specs/circuits/loop.cir", 3),
        ("parts.inc", "/etc/hosts", "specs/circuits/loop.cir", 3),
        ("parts.inc", "../loop.csv", "specs/circuits/loop.cir", 3),
    ] {
        let errors = with_circuit(CIRCUIT, &NETLIST.replace(from, to)).unwrap_err();
        let place = errors[0].place.clone().expect("a place");
        assert_eq!((&*place.file, place.line), (file, Some(line)), "{to}: {:#?}", told(&errors));
    }
    // What has no solution is told at the key, with the corner.
    let errors = with_circuit(CIRCUIT, &NETLIST.replace("Rin in 0 1g", "E2 a 0 in 0 2")).unwrap_err();
    let found = told(&errors);
    assert!(found[0].starts_with("2 circuit.netlist: ") && found[0].contains("10V-0.5A"), "{found:#?}");
}
