//! Each ready subcircuit against the formula of its source, written out here. "E&M" is R. W. Erickson, D. Maksimovic, Fundamentals
//! of Power Electronics, 2nd ed. 2001. All sources are cited from memory.

use super::netlists::Piece;
use num_complex::Complex64;
use std::f64::consts::{PI, TAU};

/// What a subcircuit may be off its formula where both are exact: rounding.
const EXACT: f64 = 1e-9;

const ONE: Complex64 = Complex64::ONE;

/// Holds a piece to a formula from 1 Hz to `to_hz`.
#[track_caller]
fn assert_exact(what: &str, body: &str, to_hz: f64, formula: impl Fn(Complex64) -> Complex64) {
    let off = Piece::new(body).off(1.0, to_hz, formula);
    println!("{what}: {off:.1e} off");
    assert!(off < EXACT, "{what}: {off:e} off");
}

// ---- Amplifiers and optocoupler: one pole each.

/// A gain with one pole.
fn one_pole(gain: f64, pole_hz: f64) -> impl Fn(Complex64) -> Complex64 {
    move |s| gain / (1.0 + s / (TAU * pole_hz))
}

/// Common practice, no source.
#[test]
fn an_opamp_has_one_pole_where_its_gain_bandwidth_product_says() {
    assert_exact("opamp", "Xa in 0 out opamp A0=20k GBW=8MEG", 1e8, one_pole(2e4, 8e6 / 2e4));
    assert_exact("opamp inverting", "Xa 0 in out opamp A0=20k GBW=8MEG", 1e8, one_pole(-2e4, 8e6 / 2e4));
}

/// Common practice, no source.
#[test]
fn a_transconductance_amplifier_drives_its_own_output_resistance_and_the_load() {
    let body = "Xa in 0 out transconductance_amplifier GM=1m RO=1MEG CO=20p\nRload out 0 500k";
    let resistance = 1.0 / (1e-6 + 2e-6);
    let formula = one_pole(1e-3 * resistance, 1.0 / (TAU * resistance * 20e-12));
    assert_exact("transconductance amplifier", body, 1e8, formula);
}

/// Common practice, no source.
#[test]
fn an_optocoupler_has_its_transfer_ratio_and_one_pole() {
    // 1 V over 1 kohm and the diode, mirrored into 2 kohm that pull up.
    let body = "Edrive a 0 in 0 1\nRled a anode 980\nXo anode 0 out 0 optocoupler CTR=0.8 FP=20k RD=20\nRpull out 0 2k";
    assert_exact("optocoupler", body, 1e6, one_pole(-0.8 * 2.0, 20e3));
}

/// Common practice, no source.
#[test]
fn a_shunt_regulator_sinks_what_its_input_asks_for() {
    let body = "Xr in out 0 shunt_regulator GM=1.5 FP=100k RK=10k\nRpull out 0 1k";
    assert_exact("shunt regulator", body, 1e7, one_pole(-1.5 / (1e-3 + 1e-4), 100e3));
}

// ---- Networks: E&M section 9.5 for the shape, the algebra of an inverting amplifier for the values.

/// So much gain that the amplifier's own shows nowhere.
const IDEAL: &str = "Edrive a 0 in 0 1\nRbias inv 0 3.3k\nEamp out 0 0 inv 1e15";

const R1: f64 = 10e3;
const R2: f64 = 6.8e3;
const R3: f64 = 390.0;
const C1: f64 = 15e-9;
const C2: f64 = 470e-12;
const C3: f64 = 4.7e-9;

/// Integrator, a zero, a pole.
fn type2(s: Complex64) -> Complex64 {
    let both = C1 + C2;
    -(1.0 + s * R2 * C1) / (s * R1 * both * (1.0 + s * R2 * C1 * C2 / both))
}

/// Integrator, two zeros, two poles.
fn type3(s: Complex64) -> Complex64 {
    type2(s) * (1.0 + s * (R1 + R3) * C3) / (1.0 + s * R3 * C3)
}

#[test]
fn networks_around_an_ideal_amplifier_have_their_zeros_and_poles() {
    let body = format!("{IDEAL}\nXn a inv out type2 R1=10k R2=6.8k C1=15n C2=470p");
    assert_exact("type 2", &body, 1e7, type2);
    let body = format!("{IDEAL}\nXn a inv out type3 R1=10k R2=6.8k R3=390 C1=15n C2=470p C3=4.7n");
    assert_exact("type 3", &body, 1e7, type3);
}

/// With a finite amplifier gain A the ideal gain G becomes G/(1 + (1 + |G| + Zf/Rbias)/A), |G| for -G.
#[test]
fn a_network_around_an_opamp_loses_what_the_amplifier_lacks() {
    let body = "Edrive a 0 in 0 1\nXn a inv out type3 R1=10k R2=6.8k R3=390 C1=15n C2=470p C3=4.7n
Rbias inv 0 3.3k\nXa 0 inv out opamp A0=20k GBW=5MEG";
    assert_exact("type 3 around an opamp", body, 1e7, |s| {
        let feedback = -type2(s) * R1;
        let ideal = -type3(s);
        let amplifier = one_pole(2e4, 5e6 / 2e4)(s);
        -ideal / (1.0 + (1.0 + ideal + feedback / 3.3e3) / amplifier)
    });
}

#[test]
fn a_network_behind_a_transconductance_has_a_zero_and_a_pole() {
    let body = "Gm 0 out in 0 1m\nXn out type2_shunt RC=12k CC=6.8n CP=47p";
    let both = 6.8e-9 + 47e-12;
    assert_exact("type 2 to ground", body, 1e8, |s| {
        1e-3 * (1.0 + s * 12e3 * 6.8e-9) / (s * both * (1.0 + s * 12e3 * 6.8e-9 * 47e-12 / both))
    });
}

// ---- Delay.

/// Delay in the tests, s.
const DELAY: f64 = 3e-6;

#[test]
fn a_digital_delay_is_the_exponential() {
    assert_exact("delay", "Xd in out digital_delay TD=3u", 1e6, |s| (-s * DELAY).exp());
}

/// The second-order approximant: G. H. Golub, C. F. Van Loan, Matrix Computations, 3rd ed. 1996, section 11.3.
#[test]
fn the_rational_delay_is_the_approximant_and_as_close_as_it_says() {
    let body = "Xd in out digital_delay_pade TD=3u";
    assert_exact("rational delay", body, 1e6, |s| {
        let u = s * DELAY;
        (1.0 - u / 2.0 + u * u / 12.0) / (1.0 + u / 2.0 + u * u / 12.0)
    });
    let piece = Piece::new(body);
    let short = |turns: f64| {
        let hz = turns / DELAY;
        (piece.at(hz) * Complex64::from_polar(1.0, TAU * turns)).arg().to_degrees()
    };
    assert!((short(1.0 / 6.0) - 0.094).abs() < 1e-3, "{} deg", short(1.0 / 6.0));
    assert!((short(0.25) - 0.652).abs() < 1e-3, "{} deg", short(0.25));
}

// ---- Averaged switch: E&M table 8.2, lossless converters in continuous conduction.

const HENRY: f64 = 160e-6;
const FARAD: f64 = 160e-6;
const LOAD: f64 = 10.0;

/// Standard form of table 8.2: `gain (1 - s/wz) / (1 + s/(Q w0) + s^2/w0^2)`; a wz of infinity is none.
#[derive(Clone, Copy)]
struct Standard {
    gain: f64,
    w0: f64,
    q: f64,
    wz: f64,
}

impl Standard {
    fn at(self, s: Complex64) -> Complex64 {
        self.gain * (1.0 - s / self.wz) / self.poles(s)
    }

    fn poles(self, s: Complex64) -> Complex64 {
        1.0 + s / (self.q * self.w0) + s * s / (self.w0 * self.w0)
    }
}

/// Control to output of the buck: V/D, 1/sqrt(LC), R sqrt(C/L).
fn buck(volt_in: f64) -> Standard {
    let root = (HENRY * FARAD).sqrt();
    Standard { gain: volt_in, w0: 1.0 / root, q: LOAD * (FARAD / HENRY).sqrt(), wz: f64::INFINITY }
}

/// Control to output of the boost: V/D', D'/sqrt(LC), D' R sqrt(C/L), D'^2 R/L.
fn boost(volt_out: f64, duty: f64) -> Standard {
    let off = 1.0 - duty;
    let Standard { w0, q, .. } = buck(1.0);
    Standard { gain: volt_out / off, w0: off * w0, q: off * q, wz: off * off * LOAD / HENRY }
}

/// Control to output of the buck-boost, of the magnitude of its output: V/(D D'), as the boost, D'^2 R/(D L).
fn buck_boost(volt_out: f64, duty: f64) -> Standard {
    let Standard { gain, w0, q, wz } = boost(volt_out, duty);
    Standard { gain: gain / duty, w0, q, wz: wz / duty }
}

const OUTPUT: &str = "Cout out 0 160u\nRload out 0 10";

#[test]
fn the_averaged_switch_makes_the_buck_of_the_table() {
    // 30 V in, duty 0.4: 12 V out, 1.2 A.
    let switch = "averaged_switch DUTY=0.4 VAP=30 ICOM=1.2";
    let control = format!("Vg g 0 DC 30\nXs g 0 c in {switch}\nL1 c out 160u\n{OUTPUT}");
    assert_exact("buck, control to output", &control, 1e6, |s| buck(30.0).at(s));
    let line = format!("Eg g 0 in 0 1\nXs g 0 c 0 {switch}\nL1 c out 160u\n{OUTPUT}");
    assert_exact("buck, line to output", &line, 1e6, |s| 0.4 / buck(30.0).poles(s));
}

#[test]
fn the_averaged_switch_makes_the_boost_of_the_table() {
    // 12 V in, duty 0.6: 30 V out, 3 A, 7.5 A in the inductor.
    let switch = "averaged_switch DUTY=0.6 VAP=-30 ICOM=-7.5";
    let control = format!("Vg g 0 DC 12\nL1 g c 160u\nXs 0 out c in {switch}\n{OUTPUT}");
    assert_exact("boost, control to output", &control, 1e6, |s| boost(30.0, 0.6).at(s));
    let line = format!("Eg g 0 in 0 1\nL1 g c 160u\nXs 0 out c 0 {switch}\n{OUTPUT}");
    assert_exact("boost, line to output", &line, 1e6, |s| 2.5 / boost(30.0, 0.6).poles(s));
}

/// The example of E&M section 8.2.1: D = 0.6, R = 10 ohm, Vg = 30 V, L = C = 160 uH, uF. Its figures: 187.5 V (45.5 dB), 400 Hz,
/// Q = 4, right-half-plane zero at 2.65 kHz.
#[test]
fn the_averaged_switch_makes_the_buck_boost_of_the_book() {
    let switch = "averaged_switch DUTY=0.6 VAP=75 ICOM=11.25";
    let control = format!(
        "Vg g 0 DC 30\nXs g n c in {switch}\nL1 c 0 160u\nCn n 0 160u\nRn n 0 10\nEturned out 0 0 n 1"
    );
    let standard = buck_boost(45.0, 0.6);
    assert_exact("buck-boost, control to output", &control, 1e6, |s| standard.at(s));
    let printed = [
        (standard.gain, 187.5, 1e-6),
        (standard.w0 / TAU, 400.0, 0.01),
        (standard.q, 4.0, 1e-6),
        (standard.wz / TAU, 2650.0, 0.01),
    ];
    for (value, figure, slack) in printed {
        assert!((value / figure - 1.0).abs() < slack, "{value}, printed {figure}");
    }
}

/// The flyback is the buck-boost with its load, C and output seen through the turns: N = 1/3.
#[test]
fn the_averaged_switch_behind_a_transformer_makes_the_flyback() {
    // 30 V in, duty 0.6, 45 V on the primary side: 15 V out. The load there is 10 ohm, hence 10/9 here.
    let body = "Vg g 0 DC 30\nXs g n c in averaged_switch DUTY=0.6 VAP=75 ICOM=11.25\nL1 c 0 160u
Xt n 0 0 out ideal_transformer N={1/3}\nCout out 0 {160u*9}\nRload out 0 {10/9}";
    let standard = buck_boost(45.0, 0.6);
    assert_exact("flyback, control to output", body, 1e6, |s| standard.at(s) / 3.0);
}

#[test]
fn the_modulator_divides_by_its_ramp() {
    assert_exact("modulator", "Xm in out pulse_width_modulator VRAMP=2.5", 1e6, |_| ONE / 2.5);
}

#[test]
fn an_ideal_transformer_turns_impedances_with_the_square() {
    // 1 kohm to a winding of a quarter of the turns, loaded by 10 ohm: 160 ohm on the first side.
    let body = "Edrive a 0 in 0 1\nRs a p 1k\nXt p 0 out 0 ideal_transformer N=0.25\nRload out 0 10";
    assert_exact("transformer", body, 1e6, |_| ONE * 0.25 * 160.0 / 1160.0);
}

// ---- Peak current mode: R. B. Ridley, "A new, continuous-time model for current-mode control", IEEE Transactions on Power
// Electronics 6(2), 1991.

const SWITCHING_HZ: f64 = 100e3;
const SENSE: f64 = 0.33;
const VOLT_IN: f64 = 11.0;
const VOLT_OUT: f64 = 5.0;
const DUTY: f64 = VOLT_OUT / VOLT_IN;
const COIL: f64 = 37.5e-6;
const BULK: f64 = 400e-6;
const ESR: f64 = 14e-3;
/// Slope of the sensed current with the switch on, V/s.
const RISE: f64 = SENSE * (VOLT_IN - VOLT_OUT) / COIL;

/// A buck with its current loop closed; `output` closes the inductor's far end, `seen` makes `out`. `ramp` in V/s.
fn closed_buck(ramp: f64, output: &str) -> String {
    format!(
        "Vg g 0 DC 11
Xs g 0 c d averaged_switch DUTY={DUTY:e} VAP=11 ICOM=5
Vl c l 0
Hs i 0 Vl {SENSE:e}
L1 l o {COIL:e}
Xm in i g o o 0 d peak_current_mode FS=100k DUTY={DUTY:e} RI={SENSE:e} LIND={COIL:e} SN={RISE:e} SE={ramp:e}
{output}"
    )
}

/// External ramps, as a part of the rising slope.
const RAMPS: [f64; 4] = [0.2, 0.5, 1.0, 3.0];

/// `1/(1 + s/(wn Qp) + s^2/wn^2)` with `wn = pi fs`, `Qp = 1/(pi (mc D' - 0.5))`, `mc = 1 + Se/Sn`.
fn half_frequency(s: Complex64, mc: f64) -> Complex64 {
    let wn = PI * SWITCHING_HZ;
    let q = 1.0 / (PI * (mc * (1.0 - DUTY) - 0.5));
    ONE / (1.0 + s / (wn * q) + s * s / (wn * wn))
}

/// Control to inductor current with both voltages held, times the sense gain.
#[test]
fn the_current_loop_has_its_double_pole_at_half_the_switching_frequency() {
    for ramp in RAMPS {
        let body = closed_buck(ramp * RISE, "Vo o 0 DC 5\nEout out 0 i 0 1");
        assert_exact("current loop", &body, SWITCHING_HZ / 2.0, |s| half_frequency(s, 1.0 + ramp));
    }
}

/// The exact sampled-data law that the double pole stands for: `(1 + a)/(s Ts) (e^(s Ts) - 1)/(e^(s Ts) + a)` with
/// `a = (Sf - Se)/(Sn + Se)`. The two meet at no and at half the switching frequency; between, they differ by what the source
/// calls negligible.
#[test]
fn the_current_loop_is_close_to_what_sampling_does() {
    let fall = SENSE * VOLT_OUT / COIL;
    for ramp in RAMPS {
        let a = (fall - ramp * RISE) / (RISE + ramp * RISE);
        let sampled = |s: Complex64| {
            let turn = (s / SWITCHING_HZ).exp();
            (1.0 + a) * SWITCHING_HZ / s * (turn - 1.0) / (turn + a)
        };
        let piece = Piece::new(&closed_buck(ramp * RISE, "Vo o 0 DC 5\nEout out 0 i 0 1"));
        let ends = [1.0, SWITCHING_HZ / 2.0].map(|hz| piece.off(hz, hz, sampled));
        let between = piece.off(1.0, SWITCHING_HZ / 2.0, sampled);
        println!(
            "ramp {ramp}: {:.1e} and {:.1e} at the ends, {between:.3} at most between",
            ends[0], ends[1]
        );
        assert!(ends[0] < 1e-8 && ends[1] < EXACT, "{ends:?}");
        assert!((1e-3..0.15).contains(&between), "{between}");
    }
}

/// Output capacitor and load of the buck.
fn shunt(s: Complex64) -> Complex64 {
    ONE / (1.0 + ONE / (ESR + ONE / (s * BULK)))
}

const SHUNT: &str = "Cout o b 400u\nResr b 0 14m\nRload o 0 1\nEout out 0 o 0 1";

/// Control to output with all of the source's blocks, Fm, He, the gains from the inductor's voltages, and the power stage.
#[test]
fn control_to_output_of_the_buck_is_that_of_the_block_diagram() {
    for ramp in RAMPS {
        let fm = SWITCHING_HZ / (RISE * (1.0 + ramp));
        // Of the output voltage: -kf of the voltage on, kr of the voltage off.
        let kf = -DUTY * SENSE * (1.0 - DUTY / 2.0) / (SWITCHING_HZ * COIL);
        let kr = (1.0 - DUTY) * (1.0 - DUTY) * SENSE / (2.0 * SWITCHING_HZ * COIL);
        // The source gives their sum for the buck: Ts Ri/(2 L).
        assert!(((kr - kf) / (SENSE / (2.0 * SWITCHING_HZ * COIL)) - 1.0).abs() < 1e-12);
        let body = closed_buck(ramp * RISE, SHUNT);
        assert_exact("buck, peak current", &body, SWITCHING_HZ / 2.0, |s| {
            let wn = PI * SWITCHING_HZ;
            let sampling = 1.0 - s * PI / (2.0 * wn) + s * s / (wn * wn);
            let current = VOLT_IN / (s * COIL + shunt(s));
            let voltage = current * shunt(s);
            fm * voltage / (1.0 + fm * SENSE * sampling * current - fm * (kr - kf) * voltage)
        });
    }
}

/// The source's design formula: `R/Ri 1/(1 + R Ts/L (mc D' - 0.5)) (1 + s C Rc)/(1 + s/wp) Fh(s)`,
/// `wp = 1/(C R) + Ts/(L C) (mc D' - 0.5)`. It is made of approximations that hold for Rc far below R.
#[test]
fn control_to_output_of_the_buck_is_close_to_the_design_formula() {
    for ramp in RAMPS {
        let mc = 1.0 + ramp;
        let damping = (mc * (1.0 - DUTY) - 0.5) / SWITCHING_HZ;
        let piece = Piece::new(&closed_buck(ramp * RISE, SHUNT));
        let design = |s: Complex64| {
            let pole = 1.0 / BULK + damping / (COIL * BULK);
            let low = 1.0 / SENSE / (1.0 + damping / COIL);
            low * (1.0 + s * BULK * ESR) / (1.0 + s / pole) * half_frequency(s, mc)
        };
        let (at_rest, all) = (piece.off(0.1, 0.1, design), piece.off(1.0, SWITCHING_HZ / 2.0, design));
        println!("ramp {ramp}: {at_rest:.1e} off at 0.1 Hz, {all:.3} up to half the switching frequency");
        assert!(at_rest < 1e-4, "{at_rest}");
        assert!(all < 0.1, "{all}");
    }
}

/// The boost: only the output voltage is fed forward, kr = D'^2 Ts Ri/(2 L). Duty to inductor current is E&M's,
/// `2 V/(D'^2 R) (1 + s R C/2)/(1 + s/(Q w0) + s^2/w0^2)`.
#[test]
fn control_to_output_of_the_boost_is_that_of_the_block_diagram() {
    let (duty, fall) = (0.6, 0.1 * 18.0 / HENRY);
    let (rise, ramp) = (0.1 * 12.0 / HENRY, 0.5 * fall);
    let body = format!(
        "Vg g 0 DC 12
Vl g l 0
Hs i 0 Vl 0.1
L1 l c 160u
Xs 0 out c d averaged_switch DUTY=0.6 VAP=-30 ICOM=-7.5
Xm in i g 0 out g d peak_current_mode FS=100k DUTY=0.6 RI=0.1 LIND=160u SN={rise:e} SE={ramp:e}
{OUTPUT}"
    );
    let fm = SWITCHING_HZ / (rise + ramp);
    let kr = (1.0 - duty) * (1.0 - duty) * 0.1 / (2.0 * SWITCHING_HZ * HENRY);
    let standard = boost(30.0, duty);
    assert_exact("boost, peak current", &body, SWITCHING_HZ / 2.0, |s| {
        let wn = PI * SWITCHING_HZ;
        let sampling = 1.0 - s * PI / (2.0 * wn) + s * s / (wn * wn);
        let off = 1.0 - duty;
        let current = 2.0 * 30.0 / (off * off * LOAD) * (1.0 + s * LOAD * FARAD / 2.0) / standard.poles(s);
        fm * standard.at(s) / (1.0 + fm * 0.1 * sampling * current - fm * kr * standard.at(s))
    });
}
