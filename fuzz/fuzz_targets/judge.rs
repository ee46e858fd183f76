//! Two or three sweeps of any finite numbers: judged without a panic, every number that comes out finite.
#![no_main]

use arbitrary::{Arbitrary, Unstructured};
use libfuzzer_sys::fuzz_target;
use loopgauge::check::{Options, RunOutcome, Workspace, judge_run};
use loopgauge::run::{self, SweepEntry};
use loopgauge::spec;
use loopgauge::sweep::{Reading, Samples};
use std::sync::Arc;

const SPEC: &str = "spec: 1
product: gauge
critical_point: POINT
density: 1
accuracy: {gain: 0.1 dB, phase: 0.5 deg, delay: 2 ns}
injection_point: {impedance_ratio: 0.001}
limits:
  crossover: {min: 1 Hz}
  crossings: {max: 3}
  phase_margin: {min: 50 deg}
  gain_margin: {min: 10 dB}
  gain_reduction_margin: {min: 1 dB}
  stability_margin: {min: 0.5}
  delay_margin: {min: 2 us}
  gain: [{at: 120 Hz, min: 30 dB}, {from: 1 kHz, to: 20 kHz, max: 80 dB}]
linearity: {step: 3 dB, crossover: 2 %, phase_margin: 2 deg, gain: 1 dB, phase: 5 deg, band: [0.1, 10]}
corners: [{name: only}]
";
const RUN: &str = "run: 1
product: gauge
serial: RG-00042
revision: C
sweeps:
  - {file: 0.csv, corner: only, level: -26 dBm}
  - {file: 1.csv, corner: only, level: -23 dBm}
";

/// A loop, and what is done to it.
#[derive(Arbitrary, Debug)]
struct Scene {
    minus: bool,
    points: u8,
    per_decade: u8,
    slope: i8,
    start_db: i8,
    digits: u8,
    /// Where, in which sweep, and by how much gain and phase are changed.
    bumps: Vec<(u8, bool, i16, i16)>,
    noise: u8,
    odd: Vec<f32>,
}

fn sweep(scene: &Scene, second: bool) -> Option<Samples> {
    let count = usize::from(scene.points).max(2);
    let per_decade = f64::from(scene.per_decade % 60 + 2);
    let hz: Vec<f64> = (0..count).map(|k| 100.0 * 10f64.powf(k as f64 / per_decade)).collect();
    let digits = 10f64.powi(i32::from(scene.digits % 6));
    let slope = f64::from(scene.slope) / 3.0;
    let mut gain: Vec<f64> =
        (0..count).map(|k| f64::from(scene.start_db) + slope * k as f64 / per_decade * 3.0).collect();
    let mut phase: Vec<f64> = (0..count).map(|k| -90.0 - k as f64 / count as f64 * 60.0).collect();
    let mut state = u64::from(second) + 1;
    for k in 0..count {
        state = state.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
        let noise = f64::from(scene.noise) / 255.0 * ((state >> 40) as f64 / f64::from(1 << 24) - 0.5);
        gain[k] += noise;
        phase[k] += 6.0 * noise;
    }
    for (at, own, db, deg) in &scene.bumps {
        if *own || !second {
            let k = usize::from(*at) % count;
            gain[k] += f64::from(*db) / 100.0;
            phase[k] += f64::from(*deg) / 10.0;
        }
    }
    for (k, odd) in scene.odd.iter().enumerate() {
        if let Some(gain) = gain.get_mut(3 * k) {
            *gain += f64::from(*odd);
        }
    }
    let round = |v: &mut f64| *v = (*v * digits).round() / digits;
    if scene.digits % 7 < 4 {
        gain.iter_mut().for_each(round);
        phase.iter_mut().for_each(round);
    }
    Samples::from_db_deg(&hz, &gain, &phase).ok()
}

fn is_sound(outcome: &RunOutcome) -> bool {
    outcome.corners.iter().all(|corner| {
        let checks = corner.checks.iter().all(|check| {
            check.value.is_none_or(f64::is_finite)
                && check.uncertainty.is_none_or(|u| u.is_finite() && u >= 0.0)
        });
        let measured = corner.measured.is_none_or(|set| {
            set.values.iter().all(|(_, m)| {
                m.value.is_finite()
                    && m.at_hz.is_finite()
                    && m.uncertainty.is_none_or(|u| u.is_finite() && u >= 0.0)
            })
        });
        checks && measured
    })
}

fuzz_target!(|data: &[u8]| {
    let Ok(scene) = Scene::arbitrary(&mut Unstructured::new(data)) else { return };
    let (Some(weak), Some(strong)) = (sweep(&scene, false), sweep(&scene, true)) else { return };
    let text = SPEC.replace("POINT", if scene.minus { "-1" } else { "+1" });
    let spec = spec::load("gauge.yaml", &|_: &str| Ok(text.as_bytes().to_vec())).expect("the spec is right");
    let file: Arc<str> = "run.yaml".into();
    let run = run::parse(RUN.as_bytes(), &file, ".")
        .and_then(|raw| raw.resolve(&spec, &[]))
        .expect("the run is right");
    let mut read = |entry: &SweepEntry, _: &Reading, samples: &mut Samples| {
        samples.clone_from(if entry.name().starts_with('0') { &weak } else { &strong });
        Ok(())
    };
    let mut options = Options::new(time::macros::date!(2026 - 04 - 02));
    (options.keep, options.plots) = (true, true);
    if let Ok(Some(outcome)) = judge_run(&run, None, &options, &mut Workspace::default(), &mut read) {
        assert!(is_sound(&outcome), "{outcome:?}");
    }
});
