//! Loop gains against closed forms, and their derivatives against small changes.

use super::{Includes, Model, Netlist, Setting, Unfit};
use crate::sweep::Complex64;
use proptest::prelude::*;
use std::f64::consts::TAU;

struct NoFiles;

impl Includes for NoFiles {
    fn open(&mut self, _: &str, path: &str) -> Result<(String, String), String> {
        Err(format!("there is no `{path}`"))
    }
}

fn netlist(body: &str) -> Netlist {
    let (netlist, findings) = Netlist::parse("loop.cir", &format!("title\n{body}"), &mut NoFiles);
    let lines: Vec<String> = findings.iter().map(crate::diagnostic::Diagnostic::one_line).collect();
    netlist.unwrap_or_else(|| panic!("{}", lines.join("\n")))
}

/// What is between `x`, the inverted input side, and `out`, as a loop of gain 1.
fn between(body: &str, vary: &[&str]) -> Model {
    let vary: Vec<String> = vary.iter().map(|part| (*part).to_owned()).collect();
    let netlist = netlist(&format!("Vinj out in AC 1\nEbuffer x 0 in 0 -1\n{body}"));
    Model::new(&netlist, &Setting { injection: "vinj", parameters: &[], vary: &vary }).unwrap()
}

fn s(hz: f64) -> Complex64 {
    Complex64::new(0.0, TAU * hz)
}

const GRID: [f64; 7] = [10.0, 100.0, 1.2e3, 1e4, 1.59e5, 1e6, 2.3e7];

/// The loop gain is minus this transfer function.
fn holds(body: &str, transfer: impl Fn(Complex64) -> Complex64) {
    let mut solver = between(body, &[]).solver();
    for hz in GRID {
        let (found, wanted) = (solver.loop_gain(hz).unwrap(), -transfer(s(hz)));
        let off = (found - wanted).norm() / wanted.norm();
        assert!(off < 1e-12, "{hz} Hz: {found} not {wanted}, off by {off:.1e}");
    }
}

#[test]
fn filters_have_the_transfer_of_their_closed_form() {
    holds("R1 x out 1k\nC1 out 0 10n", |s| 1.0 / (1.0 + s * 1e-5));
    holds("C1 x out 10n\nR1 out 0 1k", |s| s * 1e-5 / (1.0 + s * 1e-5));
    holds("L1 x out 10u\nC1 out a 100u\nResr a 0 10m\nR1 out 0 2", |s| {
        let shunt = 1.0 / (0.5 + 1.0 / (0.01 + 1.0 / (s * 1e-4)));
        shunt / (shunt + s * 1e-5)
    });
    holds("L1 x out 10u\nC1 out 0 100u", |s| 1.0 / (1.0 + s * s * 1e-9));
    holds("R1 x a 10m\nR2 a out 1G\nC1 out 0 1p\nC2 a 0 1k", |s| {
        let load = 1.0 / (s * 1e3 + 1.0 / (1e9 + 1.0 / (s * 1e-12)));
        load / (load + 0.01) / (1.0 + s * 1e-3)
    });
    holds("R1 x a 0\nR2 a out 1k\nR3 out 0 -3k", |_| Complex64::new(1.5, 0.0));
}

/// A parameter may be called as it likes: `Ramp` is no resistor, `Compute` no capacitor.
#[test]
fn units_are_those_of_elements_and_not_of_letters() {
    let body = ".param Ramp=2 Compute=1u\nL1 x a {5*Compute}\nXf a out filter\n.subckt filter p q\nR1 p q {Ramp}\nC1 q 0 10n\n.ends\nE1 n 0 x 0 3";
    let model = between(body, &["L1", "Xf.R1", "xf.c1", "Ramp", "Compute", "E1"]);
    assert_eq!(model.units(), ["H", "ohm", "F", "", "", ""]);
}

#[test]
fn controlled_sources_have_the_signs_of_spice() {
    holds("Vs x a 0\nR1 a 0 2k\nF1 0 out Vs 3\nR2 out 0 5k", |_| Complex64::new(7.5, 0.0));
    holds("Vs x a 0\nR1 a 0 2k\nH1 out 0 Vs 4k", |_| Complex64::new(2.0, 0.0));
    holds("G1 out 0 x 0 2m\nR1 out 0 1k", |_| Complex64::new(-2.0, 0.0));
    holds("E1 out 0 x 0 3", |_| Complex64::new(3.0, 0.0));
    // An integrator around an amplifier without bounds: -1/(s R C).
    holds("R1 x a 10k\nC1 a out 1n\nE1 out 0 0 a 1e9", |s| {
        let gain = Complex64::new(1e9, 0.0);
        let feed = s * 1e-5;
        -gain / (1.0 + feed * (1.0 + gain))
    });
}

#[test]
fn coupled_inductors_transform() {
    let (l1, l2, k) = (100e-6, 25e-6, 0.98f64);
    let m = k * f64::sqrt(l1 * l2);
    holds("Rs x a 1\nL1 a 0 100u\nL2 out 0 25u\nK1 L1 L2 0.98\nRl out 0 10", move |s| {
        // (1 + s L1) i1 + s M i2 = 1; s M i1 + (s L2 + 10) i2 = 0; the output is -10 i2.
        let determinant = (1.0 + s * l1) * (s * l2 + 10.0) - s * m * s * m;
        10.0 * s * m / determinant
    });
    // Three windings of one core, all coupled by one line; the second drives the third.
    let three = "Rs x a 1\nL1 a 0 100u\nL2 b 0 100u\nL3 out 0 400u\nK1 L1 L2 L3 1\nRl out 0 10";
    holds(three, |s| {
        let load = 1.0 / (1.0 / 2.5 + 1.0 / (s * 100e-6));
        2.0 * load / (load + 1.0)
    });
}

#[test]
fn a_line_is_a_delay_when_it_is_matched() {
    let wanted = |s: Complex64| 0.5 * (-s * 10e-9).exp();
    holds("R1 x a 50\nT1 a 0 out 0 Z0=50 TD=10n\nR2 out 0 50", wanted);
    holds("R1 x a 50\nT1 a 0 out 0 Z0=50 F=25MEG\nR2 out 0 50", wanted);
    holds("R1 x a 50\nT1 a 0 out 0 Z0=50 F=100MEG NL={1}\nR2 out 0 50", wanted);
    // Open at its end: 1/cos(omega TD), behind no resistance.
    holds("T1 x 0 out 0 Z0=75 TD=3n", |s| 1.0 / (s * 3e-9).cosh());
    // Not matched, between nodes that are no ground.
    holds("R1 x a 10\nT1 a 0 out 0 Z0=75 TD=3n\nR2 out 0 30", |s| {
        let turn = (s * 3e-9).tanh();
        let at_input = 75.0 * (30.0 + 75.0 * turn) / (75.0 + 30.0 * turn);
        let through = 30.0 / (30.0 * (s * 3e-9).cosh() + 75.0 * (s * 3e-9).sinh());
        at_input / (at_input + 10.0) * through
    });
}

/// Every kind of element and a parameter through two levels of subcircuits.
const ALL_KINDS: &str = "
.param RS=2k scale={RS/1k} TD=20n
R1 x a {RS}
C1 a 0 {1n*scale}
Rsmall a a2 10m
Vs a2 b 0
L1 b 0 1m
L2 c 0 4m
K1 L1 L2 0.9
Rc c 0 500
E1 d 0 c 0 3
T1 d 0 e 0 Z0={50*sqrt(scale)} TD={TD}
Re e 0 80
G1 0 f e 0 20m
F1 0 f Vs 1.5
H1 h f Vs 30
Rf f 0 1k
X1 h out outer GAIN={2*scale}
.subckt outer i o params: GAIN=1
X2 i o inner R={1k*GAIN}
.subckt inner i o params: R=1
R1 i o {R+GAIN}
C1 o 0 3n
.ends
.ends";

#[test]
fn slopes_are_those_of_small_changes() {
    let vary = [
        "R1", "C1", "Rsmall", "L1", "L2", "K1", "Rc", "E1", "G1", "F1", "H1", "RS", "TD", "scale",
        "X1.X2.R1", "X1.X2.C1",
    ];
    let model = between(ALL_KINDS, &vary);
    let mut exact = model.solver();
    let mut moved = model.solver();
    let mut slopes = vec![Complex64::default(); vary.len()];
    let base = vec![0.02; vary.len()];
    exact.set(&base).unwrap();
    for hz in [1e3, 3e4, 1e6] {
        exact.with_slopes(hz, &mut slopes).unwrap();
        for (index, part) in vary.iter().enumerate() {
            let step = 1e-4;
            let mut at = |change: f64| {
                let mut changes = base.clone();
                changes[index] += change;
                moved.set(&changes).unwrap();
                moved.loop_gain(hz).unwrap().ln()
            };
            // Five points: what is left of the fifth derivative is far below 1e-6.
            let wanted = ((at(step) - at(-step)) * 8.0 - (at(2.0 * step) - at(-2.0 * step))) / (12.0 * step);
            let off = (slopes[index] - wanted).norm() / wanted.norm().max(1e-3);
            assert!(off < 1e-6, "{part} at {hz} Hz: {} not {wanted}, off by {off:.1e}", slopes[index]);
        }
    }
}

#[test]
fn nominal_values_and_corner_parameters_go_through_subcircuits() {
    let netlist = netlist(&format!("Vinj out in AC 1\nEbuffer x 0 in 0 -1\n{ALL_KINDS}"));
    let vary: Vec<String> = ["r1", "x1.x2.r1", "SCALE"].map(str::to_owned).to_vec();
    let setting = Setting { injection: "VINJ", parameters: &[("rs".to_owned(), 3e3)], vary: &vary };
    let model = Model::new(&netlist, &setting).unwrap();
    assert_eq!(model.nominal(), [3e3, 1e3 * 6.0 + 6.0, 3.0]);
    assert_eq!(netlist.parameters().collect::<Vec<_>>(), ["RS", "scale", "TD"]);
    assert_eq!(netlist.sources().collect::<Vec<_>>(), ["Vinj", "Vs"]);
    assert_eq!((netlist.title(), netlist.files()), ("title", &["loop.cir".to_owned()][..]));
}

#[test]
fn what_does_not_fit_is_named() {
    let body =
        "Vinj out in AC 1\nVg g 0 5\nEbuffer x 0 in 0 -1\nR1 x out {1k/N}\nC1 out 0 1n\n.param N=1 Z=0";
    let netlist = netlist(body);
    let unfit = |injection: &str, parameters: &[(&str, f64)], vary: &[&str]| {
        let parameters: Vec<(String, f64)> =
            parameters.iter().map(|(name, value)| ((*name).to_owned(), *value)).collect();
        let vary: Vec<String> = vary.iter().map(|part| (*part).to_owned()).collect();
        let unfit =
            Model::new(&netlist, &Setting { injection, parameters: &parameters, vary: &vary }).unwrap_err();
        let place = unfit.place().and_then(|place| place.line);
        format!("{}: {unfit}; {}; {place:?}", unfit.key(), unfit.help())
    };
    let all = [
        unfit("Vnj", &[], &[]),
        unfit("Vg", &[], &[]),
        unfit("Vinj", &[("M", 1.0)], &[]),
        unfit("Vinj", &[("N", 0.0)], &[]),
        unfit("Vinj", &[("N", f64::NAN)], &[]),
        unfit("Vinj", &[], &["Cout"]),
        unfit("Vinj", &[], &["Vg"]),
        unfit("Vinj", &[], &["Z"]),
        unfit("Vinj", &[], &["C1", "c1"]),
    ];
    insta::assert_snapshot!(all.join("\n"), @r"
    injection: the netlist has no voltage source `Vnj`; did you mean `Vinj`?; None
    injection: a side of the injection `Vg` is ground; put the source into the loop: its + node to the output side, its - node to the input side; None
    parameters: the netlist has no parameter `M` at its top level; parameters are N, Z; None
    netlist: the value of `R1` is inf, a finite value is wanted; look for a division by 0 or a logarithm of 0, and whether the corner sets all parameters; Some(5)
    netlist: `N` is NaN, a finite value is wanted; look for a division by 0 or a logarithm of 0, and whether the corner sets all parameters; None
    vary: the netlist has neither an element with one value nor a parameter `Cout`; parts are Ebuffer, R1, C1, N, Z; None
    vary: the netlist has neither an element with one value nor a parameter `Vg`; parts are Ebuffer, R1, C1, N, Z; None
    vary: `Z` is 0, and a share of 0 is nothing; give it a value, or do not vary it; None
    vary: `c1` is varied twice; name it once; None
    ");
}

#[test]
fn a_circuit_that_is_not_determined_names_what_is_not() {
    let unfit = |body: &str| {
        let netlist = netlist(&format!("Vinj out in AC 1\nEbuffer x 0 in 0 -1\nR1 x out 1k\n{body}"));
        Model::new(&netlist, &Setting { injection: "Vinj", parameters: &[], vary: &[] })
            .map(|model| model.solver().loop_gain(1e3))
            .map_or_else(|unfit| unfit.to_string(), |gain| format!("{gain:?}"))
    };
    let all = [
        unfit("R2 a b 1k\nC2 a b 1n"),
        unfit("E2 y 0 a 0 1"),
        unfit("V1 a 0 0\nV2 a 0 0"),
        unfit("I1 a 0 1"),
    ];
    insta::assert_snapshot!(all.join("\n"), @r"
    the circuit does not determine the voltage of the node `b`
    the circuit does not determine the voltage of the node `a`
    the circuit does not determine the current through `V2`
    the circuit does not determine the voltage of the node `a`
    ");
    assert!(matches!(between("R1 x out 1k", &[]).solver().loop_gain(0.0), Err(Unfit::NoFrequency { .. })));
}

/// The transfer of a ladder of a series and a shunt admittance a section, worked out from its end: 1 V there.
fn ladder(sections: &[(f64, f64, f64)], s: Complex64) -> Complex64 {
    let (mut voltage, mut current) = (Complex64::new(1.0, 0.0), Complex64::default());
    for (series, shunt, farad) in sections.iter().rev() {
        current += voltage * (1.0 / shunt + s * farad);
        voltage += current * series;
    }
    1.0 / voltage
}

proptest! {
    #[test]
    fn ladders_from_milliohm_to_gigaohm_are_those_of_the_recursion(
        sections in prop::collection::vec((-3.0..5.0f64, -3.0..9.0f64, -12.0..-4.0f64), 1..9),
        decades in 1.0..6.0f64,
    ) {
        let sections: Vec<(f64, f64, f64)> =
            sections.iter().map(|(r, g, c)| (10f64.powf(*r), 10f64.powf(*g), 10f64.powf(*c))).collect();
        let mut body = "Rin x n0 1m\n".to_owned();
        for (at, (series, shunt, farad)) in sections.iter().enumerate() {
            let next = at + 1;
            body.push_str(&format!("Rs{at} n{at} n{next} {series:e}\nRp{at} n{next} 0 {shunt:e}\nC{at} n{next} 0 {farad:e}\n"));
        }
        body.push_str(&format!("Vend n{} out 0", sections.len()));
        let hz = 10f64.powf(decades);
        let mut all = vec![(1e-3, f64::INFINITY, 0.0)];
        all.extend(&sections);
        let wanted = -ladder(&all, s(hz));
        // Far below what arrives anywhere, the solver says that there is none.
        prop_assume!(wanted.norm() > 1e-25);
        let found = between(&body, &[]).solver().loop_gain(hz);
        prop_assert!(found.is_ok(), "{found:?}, {wanted}");
        let found = found.unwrap_or_default();
        prop_assert!((found - wanted).norm() <= 1e-9 * wanted.norm(), "{found} not {wanted}");
    }
}
