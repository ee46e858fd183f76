//! Texts of quantities: a finite number or an error.
#![no_main]

use libfuzzer_sys::fuzz_target;
use loopgauge::quantity::{Decibel, Degrees, Hertz, Seconds, parse};

fuzz_target!(|text: &str| {
    if let Ok(hertz) = parse::<Hertz>(text) {
        assert!(hertz.hz().is_finite());
    }
    if let Ok(decibel) = parse::<Decibel>(text) {
        assert!(decibel.db().is_finite());
    }
    if let Ok(degrees) = parse::<Degrees>(text) {
        assert!(degrees.deg().is_finite());
    }
    if let Ok(seconds) = parse::<Seconds>(text) {
        assert!(seconds.s().is_finite());
    }
    let _ = loopgauge::quantity::calendar::micros(text);
});
