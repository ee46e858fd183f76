//! Bytes of a run file, against a spec with everything in it.
#![no_main]

use libfuzzer_sys::fuzz_target;
use loopgauge::spec::LoadedSpec;
use std::sync::{Arc, LazyLock};

const SPEC: &str = "spec: 1
product: gauge
critical_point: +1
band: {from: 100 Hz, to: 200 kHz}
density: 15
limits: {phase_margin: {min: 50 deg}, gain: [{at: 120 Hz, min: 30 dB}]}
linearity: {step: 3 dB, crossover: 2 %}
corners:
  - {name: '{input}-{load}', conditions: {input: [10 V, 24 V], load: 3 A}}
conditions_tolerance: 2 %
";

static LOADED: LazyLock<Option<LoadedSpec>> =
    LazyLock::new(|| loopgauge::spec::load("gauge.yaml", &|_: &str| Ok(SPEC.as_bytes().to_vec())).ok());

fuzz_target!(|data: &[u8]| {
    let file: Arc<str> = "run.yaml".into();
    let names = ["a.csv".to_owned(), "a-check.csv".to_owned()];
    match loopgauge::run::parse(data, &file, ".") {
        Ok(raw) => {
            let Some(spec) = LOADED.as_ref() else { return };
            if let Err(problems) = raw.resolve(spec, &names) {
                assert!(!problems.is_empty());
            }
        }
        Err(problems) => assert!(!problems.is_empty()),
    }
});
