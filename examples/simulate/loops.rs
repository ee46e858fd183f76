//! The loops that are measured: textbook small-signal models, critical point -1, no right-half-plane pole.
//!
//! Models: R. W. Erickson and D. Maksimovic, Fundamentals of Power Electronics, 2nd ed., chapters 8 to 10 and 12 (from
//! memory): power stage of the buck, right-half-plane zero of boost and flyback, input filter by the extra element
//! theorem, current mode with its double pole at half the switching frequency. Part values are made up.

use num_complex::Complex64;
use std::f64::consts::TAU;

/// What a loop is an example of.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Kind {
    Buck,
    InputFilter,
    CurrentMode,
    RightHalfPlaneZero,
    DeadTime,
    Conditional,
    Lag,
    TypeTwo,
    Resonant,
}

impl Kind {
    pub const fn label(self) -> &'static str {
        match self {
            Self::Buck => "buck",
            Self::InputFilter => "input filter",
            Self::CurrentMode => "current mode",
            Self::RightHalfPlaneZero => "rhp zero",
            Self::DeadTime => "dead time",
            Self::Conditional => "conditional",
            Self::Lag => "lag",
            Self::TypeTwo => "type 2",
            Self::Resonant => "resonant",
        }
    }
}

type Shape = Box<dyn Fn(Complex64) -> Complex64 + Send + Sync>;

/// A loop gain and the band it is judged in.
pub struct Loop {
    pub name: String,
    pub kind: Kind,
    pub from_hz: f64,
    pub to_hz: f64,
    gain: f64,
    shape: Shape,
}

impl Loop {
    /// A loop whose gain is set so that `nominal` has magnitude 1 at `crossover_hz`.
    fn new(
        name: String,
        kind: Kind,
        crossover_hz: f64,
        nominal: impl Fn(Complex64) -> Complex64,
        shape: impl Fn(Complex64) -> Complex64 + Send + Sync + 'static,
    ) -> Self {
        let gain = 1.0 / nominal(s(crossover_hz)).norm();
        Self { name, kind, from_hz: 100.0, to_hz: 500e3, gain, shape: Box::new(shape) }
    }

    fn plain(
        name: String,
        kind: Kind,
        crossover_hz: f64,
        shape: impl Fn(Complex64) -> Complex64 + Send + Sync + Clone + 'static,
    ) -> Self {
        Self::new(name, kind, crossover_hz, shape.clone(), shape)
    }

    /// The loop gain at a frequency.
    pub fn at(&self, hz: f64) -> Complex64 {
        (self.shape)(s(hz)) * self.gain
    }
}

fn s(hz: f64) -> Complex64 {
    Complex64::new(0.0, TAU * hz)
}

/// 1 + s/w for a corner frequency in Hz.
fn corner(s: Complex64, hz: f64) -> Complex64 {
    1.0 + s / (TAU * hz)
}

/// 1 + s/(Q w) + (s/w)^2.
fn pair(s: Complex64, hz: f64, q: f64) -> Complex64 {
    let x = s / (TAU * hz);
    1.0 + x / q + x * x
}

fn delay(s: Complex64, seconds: f64) -> Complex64 {
    (-s * seconds).exp()
}

fn parallel(a: Complex64, b: Complex64) -> Complex64 {
    a * b / (a + b)
}

fn type_two(s: Complex64, zero_hz: f64, pole_hz: f64) -> Complex64 {
    corner(s, zero_hz) / (s * corner(s, pole_hz))
}

fn type_three(s: Complex64, zeros_hz: [f64; 2], poles_hz: [f64; 2]) -> Complex64 {
    let [z1, z2] = zeros_hz;
    let [p1, p2] = poles_hz;
    corner(s, z1) * corner(s, z2) / (s * corner(s, p1) * corner(s, p2))
}

/// A buck's power stage.
#[derive(Clone, Copy)]
struct Stage {
    input_volt: f64,
    load_ohm: f64,
    inductor_henry: f64,
    capacitor_farad: f64,
    esr_ohm: f64,
}

/// Resistance of the inductor and the switches, ohm.
const COIL_OHM: f64 = 0.02;

impl Stage {
    fn output(&self, s: Complex64) -> Complex64 {
        parallel(self.load_ohm.into(), self.esr_ohm + (s * self.capacitor_farad).inv())
    }

    fn branch(&self, s: Complex64) -> Complex64 {
        self.output(s) + COIL_OHM + s * self.inductor_henry
    }

    fn transfer(&self, s: Complex64) -> Complex64 {
        self.input_volt * self.output(s) / self.branch(s)
    }

    fn resonance_hz(&self) -> f64 {
        1.0 / (TAU * (self.inductor_henry * self.capacitor_farad).sqrt())
    }

    fn esr_zero_hz(&self) -> f64 {
        1.0 / (TAU * self.esr_ohm * self.capacitor_farad)
    }
}

/// Stage, crossover, switching frequency.
const BUCKS: [(&str, Stage, f64, f64); 5] = [
    ("12V", stage(12.0, 1.67, 10e-6, 100e-6, 0.005), 33e3, 500e3),
    ("24V", stage(24.0, 1.67, 22e-6, 220e-6, 0.02), 20e3, 400e3),
    ("5V", stage(5.0, 1.0, 2.2e-6, 100e-6, 0.003), 33e3, 1e6),
    ("28V", stage(28.0, 4.0, 33e-6, 470e-6, 0.04), 15e3, 300e3),
    ("48V", stage(48.0, 12.0, 100e-6, 100e-6, 0.1), 8e3, 200e3),
];

const fn stage(
    input_volt: f64,
    load_ohm: f64,
    inductor_henry: f64,
    capacitor_farad: f64,
    esr_ohm: f64,
) -> Stage {
    Stage { input_volt, load_ohm, inductor_henry, capacitor_farad, esr_ohm }
}

/// The compensation that fits a stage: zeros about its resonance, a pole at the capacitor's zero, one high up.
fn compensation(nominal: Stage, switching_hz: f64) -> impl Fn(Complex64) -> Complex64 + Send + Sync + Clone {
    let f0 = nominal.resonance_hz();
    let poles = [nominal.esr_zero_hz().min(0.5 * switching_hz), 0.5 * switching_hz];
    let dead = 0.6 / switching_hz;
    move |s| type_three(s, [0.6 * f0, 0.95 * f0], poles) * delay(s, dead)
}

fn bucks(list: &mut Vec<Loop>) {
    for (name, nominal, crossover, switching) in BUCKS {
        let variants = [
            ("nominal", nominal),
            ("high line", Stage { input_volt: 1.5 * nominal.input_volt, ..nominal }),
            ("light load", Stage { load_ohm: 8.0 * nominal.load_ohm, ..nominal }),
            ("low ESR", Stage { esr_ohm: 0.3 * nominal.esr_ohm, ..nominal }),
        ];
        for (variant, actual) in variants {
            let control = compensation(nominal, switching);
            let with = move |stage: Stage| {
                let control = control.clone();
                move |s| stage.transfer(s) * control(s)
            };
            list.push(Loop::new(
                format!("buck {name} {variant}"),
                Kind::Buck,
                crossover,
                with.clone()(nominal),
                with(actual),
            ));
        }
    }
}

/// A damped input filter: its inductor, its capacitor, and the damping branch beside it.
#[derive(Clone, Copy)]
struct Filter {
    inductor_henry: f64,
    capacitor_farad: f64,
    damping_farad: f64,
    damping_ohm: f64,
}

impl Filter {
    fn impedance(&self, s: Complex64) -> Complex64 {
        let damping = self.damping_ohm + (s * self.damping_farad).inv();
        parallel(parallel(s * self.inductor_henry, (s * self.capacitor_farad).inv()), damping)
    }

    /// What the filter makes of the stage's transfer (extra element theorem).
    fn factor(&self, s: Complex64, stage: &Stage, duty: f64) -> Complex64 {
        let impedance = self.impedance(s) * duty * duty;
        (1.0 - impedance / stage.load_ohm) / (1.0 + impedance / stage.branch(s))
    }
}

fn filters(list: &mut Vec<Loop>) {
    let filter = |l: f64, c: f64, cd: f64, rd: f64| Filter {
        inductor_henry: l,
        capacitor_farad: c,
        damping_farad: cd,
        damping_ohm: rd,
    };
    let filters = [
        ("low", filter(22e-6, 47e-6, 220e-6, 0.7)),
        ("middle", filter(4.7e-6, 10e-6, 47e-6, 0.7)),
        ("high", filter(1e-6, 4.7e-6, 22e-6, 0.5)),
        ("lively", filter(10e-6, 22e-6, 22e-6, 0.5)),
        ("sharp", filter(22e-6, 10e-6, 22e-6, 1.0)),
    ];
    for (name, filter) in filters {
        for (base, duty) in [(1, 0.35), (3, 0.45)] {
            let (stage_name, stage, crossover, switching) = BUCKS[base];
            let control = compensation(stage, switching);
            list.push(Loop::plain(
                format!("input filter {name} {stage_name}"),
                Kind::InputFilter,
                crossover,
                move |s| stage.transfer(s) * filter.factor(s, &stage, duty) * control(s),
            ));
        }
    }
}

fn current_mode(list: &mut Vec<Loop>) {
    for (name, switching, pole, esr_zero) in
        [("250k", 250e3, 300.0, 60e3), ("400k", 400e3, 1.2e3, 150e3), ("700k", 700e3, 2.5e3, 300e3)]
    {
        for (q, crossover_share) in [(0.5, 0.07), (0.64, 0.06), (0.9, 0.05), (1.2, 0.045)] {
            let crossover = switching * crossover_share;
            list.push(Loop::plain(
                format!("current mode {name} Q {q}"),
                Kind::CurrentMode,
                crossover,
                move |s| {
                    let power = corner(s, esr_zero) / (corner(s, pole) * pair(s, 0.5 * switching, q));
                    power * type_two(s, 0.2 * crossover, esr_zero)
                },
            ));
        }
    }
}

fn right_half_plane(list: &mut Vec<Loop>) {
    for (name, zero, pole, crossover) in [
        ("boost 1", 30e3, 120.0, 6e3),
        ("boost 2", 60e3, 400.0, 10e3),
        ("boost 3", 100e3, 900.0, 22e3),
        ("flyback 1", 12e3, 80.0, 2.2e3),
        ("flyback 2", 40e3, 250.0, 9e3),
        ("flyback 3", 85e3, 600.0, 17e3),
    ] {
        list.push(Loop::plain(name.to_owned(), Kind::RightHalfPlaneZero, crossover, move |s| {
            let power = (2.0 - corner(s, zero)) * corner(s, 3.0 * zero)
                / (corner(s, pole) * pair(s, 8.0 * zero, 0.7));
            power * type_two(s, 0.15 * crossover, 2.0 * zero)
        }));
    }
    for (name, zero, resonance, q, crossover) in [
        ("boost voltage mode 1", 40e3, 1.1e3, 2.0, 6e3),
        ("boost voltage mode 2", 90e3, 2.2e3, 4.0, 14e3),
        ("boost voltage mode 3", 150e3, 3.5e3, 1.2, 25e3),
        ("flyback voltage mode 1", 25e3, 600.0, 3.0, 4e3),
        ("flyback voltage mode 2", 60e3, 1.5e3, 6.0, 9e3),
    ] {
        list.push(Loop::plain(name.to_owned(), Kind::RightHalfPlaneZero, crossover, move |s| {
            let power = (2.0 - corner(s, zero)) / pair(s, resonance, q);
            power
                * type_three(s, [0.6 * resonance, 0.9 * resonance], [2.0 * zero, 3.0 * zero])
                * delay(s, 0.3e-6)
        }));
    }
}

fn dead_time(list: &mut Vec<Loop>) {
    for (crossover, dead_us) in [
        (2e3, 20.0),
        (5e3, 12.0),
        (10e3, 8.0),
        (20e3, 3.0),
        (35e3, 2.5),
        (50e3, 1.5),
        // Thin margins: 21, 25 and 15 deg.
        (8e3, 20.0),
        (25e3, 6.0),
        (40e3, 4.4),
    ] {
        list.push(Loop::plain(
            format!("dead time {:.0}k {dead_us} us", crossover / 1e3),
            Kind::DeadTime,
            crossover,
            move |s| delay(s, dead_us * 1e-6) / (s * corner(s, 5.0 * crossover)),
        ));
    }
}

fn conditional(list: &mut Vec<Loop>) {
    for (resonance, q, zeros, crossover, dead_us) in [
        (1e3, 3.0, [4e3, 5e3], 25e3, 1.0),
        (1e3, 8.0, [3e3, 6e3], 30e3, 0.8),
        (700.0, 2.0, [3e3, 3.5e3], 18e3, 1.5),
        (500.0, 5.0, [2e3, 3e3], 12e3, 2.0),
        (2e3, 4.0, [6e3, 8e3], 45e3, 0.5),
        (1.5e3, 1.5, [6e3, 6e3], 40e3, 0.8),
        (400.0, 3.0, [1.5e3, 2e3], 10e3, 2.5),
        (900.0, 6.0, [4e3, 4e3], 35e3, 0.7),
    ] {
        list.push(Loop::plain(
            format!("conditional {resonance} Hz Q {q}"),
            Kind::Conditional,
            crossover,
            move |s| {
                type_three(s, zeros, [8.0 * crossover, 10.0 * crossover]) / pair(s, resonance, q)
                    * delay(s, dead_us * 1e-6)
            },
        ));
    }
}

fn lags(list: &mut Vec<Loop>) {
    for (crossover, lag, second) in [
        (2e3, 8e3, 60e3),
        (5e3, 12e3, 100e3),
        (10e3, 15e3, 150e3),
        (20e3, 40e3, 200e3),
        (30e3, 100e3, f64::INFINITY),
        (50e3, 80e3, 400e3),
    ] {
        list.push(Loop::plain(
            format!("lag {:.0}k {:.0}k", crossover / 1e3, lag / 1e3),
            Kind::Lag,
            crossover,
            move |s| (s * corner(s, lag) * corner(s, second)).inv(),
        ));
    }
}

fn type_twos(list: &mut Vec<Loop>) {
    for (plant, zero, pole, crossover, dead_us) in [
        (500.0, 1e3, 50e3, 5e3, 5.0),
        (200.0, 800.0, 40e3, 3e3, 8.0),
        (1e3, 2e3, 100e3, 12e3, 2.5),
        (3e3, 2e3, 150e3, 20e3, 2.0),
        (800.0, 5e3, 200e3, 30e3, 1.0),
        (5e3, 6e3, 300e3, 45e3, 1.2),
    ] {
        list.push(Loop::plain(
            format!("type 2 {:.0}k", crossover / 1e3),
            Kind::TypeTwo,
            crossover,
            move |s| type_two(s, zero, pole) / corner(s, plant) * delay(s, dead_us * 1e-6),
        ));
    }
}

/// A notch and a peak above the crossover: three crossovers in some.
fn resonant(list: &mut Vec<Loop>) {
    for (crossover, notch, peak, q_notch, q_peak, dead_us) in [
        (10e3, 22e3, 30e3, 2.5, 8.0, 2.0),
        (6e3, 14e3, 22e3, 2.0, 9.0, 2.0),
        (20e3, 9e3, 11e3, 2.0, 2.5, 2.5),
    ] {
        list.push(Loop::plain(
            format!("resonant {:.0}k {:.0}k", crossover / 1e3, peak / 1e3),
            Kind::Resonant,
            crossover,
            move |s| {
                pair(s, notch, q_notch) / pair(s, peak, q_peak) * delay(s, dead_us * 1e-6)
                    / (s * corner(s, 8.0 * crossover))
            },
        ));
    }
}

/// All loops, always in the same order.
pub fn all() -> Vec<Loop> {
    let mut list = Vec::new();
    bucks(&mut list);
    filters(&mut list);
    current_mode(&mut list);
    right_half_plane(&mut list);
    dead_time(&mut list);
    conditional(&mut list);
    lags(&mut list);
    type_twos(&mut list);
    resonant(&mut list);
    list
}

/// Far below every corner frequency: there each loop is one integrator.
const NEAR_ZERO_HZ: f64 = 0.01;

/// Right-half-plane poles of the closed loop by Nyquist's criterion: crossings of the ray beyond -1 from nearly zero
/// frequency, where every loop here is an integrator, to far beyond the band.
pub fn unstable_poles(the_loop: &Loop) -> i64 {
    let steps = 60_000;
    let far = 20.0 * the_loop.to_hz;
    let mut count = 0;
    let mut previous = -the_loop.at(NEAR_ZERO_HZ);
    for k in 1..=steps {
        let hz = NEAR_ZERO_HZ * (far / NEAR_ZERO_HZ).powf(f64::from(k) / f64::from(steps));
        let now = -the_loop.at(hz);
        if now.re > 1.0 && previous.re > 1.0 && (now.im > 0.0) != (previous.im > 0.0) {
            count += if now.im > 0.0 { -2 } else { 2 };
        }
        previous = now;
    }
    count
}
