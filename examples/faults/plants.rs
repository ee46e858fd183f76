//! The loops that faults are planted in, critical point -1.

use super::loops::{Kind, Loop};
use super::work::Subjects;
use loopgauge::measurand::Measurand;
use num_complex::Complex64;
use std::f64::consts::{PI, TAU};

type Gain = Box<dyn Fn(f64) -> Complex64 + Send + Sync>;

/// A sound loop.
pub struct Plant {
    pub name: String,
    pub from_hz: f64,
    pub to_hz: f64,
    /// The highest falling crossover.
    pub crossover_hz: f64,
    /// Magnitude of the phase margin nearest to 0, deg.
    pub margin_deg: f64,
    /// `None`: flat from zero frequency up.
    pub kind: Option<Kind>,
    gain: Gain,
}

impl Plant {
    /// The loop gain.
    pub fn at(&self, hz: f64) -> Complex64 {
        (self.gain)(hz)
    }

    /// A plant whose crossover and margin are sought on a dense grid.
    pub fn new(
        name: &str,
        band: (f64, f64),
        gain: impl Fn(f64) -> Complex64 + Send + Sync + 'static,
    ) -> Self {
        let (from_hz, to_hz) = band;
        let steps = 20_000;
        let (mut crossover_hz, mut margin_deg) = (0.0, 180.0_f64);
        let mut before: Option<(f64, f64)> = None;
        for k in 0..=steps {
            let hz = from_hz * (to_hz / from_hz).powf(f64::from(k) / f64::from(steps));
            let t = gain(hz);
            let height = t.norm().ln();
            if let Some((last, _)) = before.filter(|(last, _)| (*last > 0.0) != (height > 0.0)) {
                margin_deg = margin_deg.min((-t).arg().to_degrees().abs());
                crossover_hz = if last > 0.0 { hz } else { crossover_hz };
            }
            before = Some((height, hz));
        }
        Self {
            name: name.to_owned(),
            from_hz,
            to_hz,
            crossover_hz,
            margin_deg,
            kind: None,
            gain: Box::new(gain),
        }
    }
}

fn of(the_loop: Loop, crossover_hz: f64, margin_deg: f64) -> Plant {
    Plant {
        name: the_loop.name.clone(),
        from_hz: the_loop.from_hz,
        to_hz: the_loop.to_hz,
        crossover_hz,
        margin_deg,
        kind: Some(the_loop.kind),
        gain: Box::new(move |hz| the_loop.at(hz)),
    }
}

/// Flat from zero frequency up: K / ((1 + s/a) (1 + s/b)) exp(-s d), a proportional controller.
fn flat(gain_db: f64, a: f64, b: f64, dead_s: f64) -> Plant {
    let gain = 10f64.powf(gain_db / 20.0);
    Plant::new(&format!("flat {gain_db} dB to {a} Hz"), (100.0, 500e3), move |hz| {
        let s = Complex64::new(0.0, hz);
        gain / ((1.0 + s / a) * (1.0 + s / b)) * (-s * TAU * dead_s).exp()
    })
}

/// All loops, always in the same order.
pub fn all() -> Vec<Plant> {
    let Subjects { loops, truths } = Subjects::all();
    let mut list: Vec<Plant> = loops
        .into_iter()
        .zip(truths)
        .map(|(the_loop, truth)| {
            let margin = truth.get(Measurand::PhaseMargin).map_or(45.0, f64::abs);
            of(the_loop, truth.crossover_hz(), margin)
        })
        .collect();
    for (gain_db, pole, second, dead) in [
        (40.0, 300.0, 300e3, 1e-6),
        (30.0, 800.0, 200e3, 1e-6),
        (25.0, 2e3, 400e3, 0.5e-6),
        (50.0, 150.0, 150e3, 1e-6),
        (20.0, 4e3, 1e6, 0.3e-6),
        (35.0, 1e3, 500e3, 0.2e-6),
        (28.0, 600.0, 100e3, 3e-6),
        (45.0, 60.0, 80e3, 2e-6),
    ] {
        list.push(flat(gain_db, pole, second, dead));
    }
    list
}

/// A notch and a peak above the crossover, with the peak's top at `top_db`.
pub fn touching(crossover_hz: f64, peak_hz: f64, quality: f64, top_db: f64) -> Plant {
    let pair = |s: Complex64, hz: f64, q: f64| 1.0 + s / hz / q + (s / hz) * (s / hz);
    let shape = move |hz: f64| {
        let s = Complex64::new(0.0, hz);
        pair(s, 0.7 * peak_hz, 0.5 * quality) / pair(s, peak_hz, quality) / (s / crossover_hz)
            * (1.0 + s / (12.0 * crossover_hz)).inv()
    };
    let tops = (0..4000).map(|k| shape(peak_hz * 0.8 * 1.5f64.powf(f64::from(k) / 4000.0)).norm());
    let top = tops.fold(0.0, f64::max);
    let gain = 10f64.powf(top_db / 20.0) / top;
    Plant::new(&format!("touching at {peak_hz} Hz"), (100.0, 500e3), move |hz| shape(hz) * gain)
}

/// Half a turn.
pub fn turned(t: Complex64) -> Complex64 {
    t * Complex64::from_polar(1.0, PI)
}
