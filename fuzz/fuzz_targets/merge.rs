//! Bytes of results that are to be put together: an answer for all of them, and what comes out is JSON.
#![no_main]

use libfuzzer_sys::fuzz_target;
use loopgauge::report::{Merger, order, shard_note};

fuzz_target!(|data: &[u8]| {
    // Parts are told apart by a byte that no JSON holds.
    let parts: Vec<&[u8]> = data.split(|byte| *byte == 0).take(4).collect();
    let notes: Vec<_> = parts.iter().filter_map(|part| shard_note(part).ok()).collect();
    let _ = order(&notes);
    let mut merger = Merger::new(Vec::new()).expect("a vector takes all");
    for part in &parts {
        // A part that cannot be read leaves nothing whole.
        let Ok(written) = merger.append(part) else { return };
        written.expect("a vector takes all");
    }
    let (bytes, _) = merger.finish().expect("a vector takes all");
    let text = std::str::from_utf8(&bytes).expect("JSON is UTF-8");
    serde_json::from_str::<serde_json::Value>(text).unwrap_or_else(|error| panic!("{error}: {text}"));
});
