//! Files with a piece taken out or changed: read, or refused with reasons.

use super::{RUN, SPEC, spec, told};
use loopgauge::run;

/// Mutations tried; a longer hunt sets `MUTATIONS`.
fn mutations() -> usize {
    std::env::var("MUTATIONS").ok().and_then(|n| n.parse().ok()).unwrap_or(600)
}

#[test]
fn mutated_files_are_read_or_refused_with_reasons() {
    const PIECES: [&str; 40] = [
        "[", "]", "{", "}", ":", ": ", "- ", "? ", ",", "#", " #", "&a ", "*a", "!", "!!str ", "|\n", ">-\n",
        "'", "\"", "\\", "\n", "\t", "\r", "~", "<<: ", "%", "---\n", "...\n", "µ", "\u{2028}", "0", "-1",
        "1e999", " dB", "{input}", "{", "\u{85}", "  ", "- - ", "null",
    ];
    let sound = spec(SPEC).expect("sound");
    let names = ["24V-3A_-26dBm.csv".to_owned()];
    // A plain linear congruential sequence (Knuth, TAOCP vol. 2, 3.3.4): a failure must repeat itself.
    let mut state = 20_260_402_u64;
    let mut random = move |below: usize| {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 33) as usize % below.max(1)
    };
    let mut mutate = |text: &str| {
        let mut chars: Vec<char> = text.chars().collect();
        for _ in 0..=random(3) {
            let at = random(chars.len());
            match random(3) {
                0 => drop(chars.drain(at..(at + 1 + random(9)).min(chars.len()))),
                1 => drop(chars.splice(at..at, PIECES[random(PIECES.len())].chars())),
                _ => drop(chars.splice(at..(at + 1).min(chars.len()), PIECES[random(PIECES.len())].chars())),
            }
        }
        chars.into_iter().collect::<String>()
    };
    for _ in 0..mutations() {
        let text = mutate(SPEC);
        if let Err(errors) = spec(&text) {
            assert!(!told(&errors).is_empty() && errors.iter().all(|d| d.code != "unreadable"), "{text}");
        }
        let text = mutate(RUN);
        match run::parse(text.as_bytes(), "r/run.yaml", "r").map(|raw| raw.resolve(&sound, &names)) {
            Ok(Ok(run)) => assert!(!run.serial.is_empty(), "{text}"),
            Ok(Err(errors)) | Err(errors) => {
                assert!(!told(&errors).is_empty() && errors.iter().all(|d| d.code != "unreadable"), "{text}");
            }
        }
    }
}
