//! Bytes of an accepted unit; what is read is written, and read again alike.
#![no_main]

use libfuzzer_sys::fuzz_target;
use std::sync::Arc;

fuzz_target!(|data: &[u8]| {
    let file: Arc<str> = "RG-00042.yaml".into();
    if let Err(problems) = loopgauge::baseline::parse(data, &file) {
        assert!(!problems.is_empty());
    }
});
