//! Bytes of a spec: a spec or problems with a place.
#![no_main]

use libfuzzer_sys::fuzz_target;

fuzz_target!(|data: &[u8]| {
    let files = |_: &str| Ok(data.to_vec());
    match loopgauge::spec::load("product.yaml", &files) {
        Ok(loaded) => assert!(!loaded.spec.corners.is_empty()),
        Err(problems) => {
            assert!(!problems.is_empty());
            problems.iter().for_each(|problem| assert!(!problem.one_line().is_empty()));
        }
    }
});
