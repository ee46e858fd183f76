//! What must come of a fault, and what came of it.

use super::bench::invalid;
use loopgauge::check::{CornerOutcome, Verdict};

/// What must come of a fault.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Wanted {
    /// Coverage, sanity or linearity refuses, with one of these words in its message or remedy.
    Refused(&'static [&'static str]),
    /// A finding with these words, and nothing refused.
    Found(&'static str),
    /// The check of the gain at 120 Hz is refused.
    GainRefused,
    /// Nothing is refused, unless because the noise is too large to tell.
    NotBlamed,
}

/// What came of it.
#[derive(Debug)]
pub enum Fate {
    /// As wanted: by which check; a star: with another cause named.
    Caught { check: String, message: String },
    /// The corner passed.
    Passed,
    /// A limit failed, or another check than wanted spoke.
    Otherwise(String),
}

const VALIDITY: [&str; 3] = ["coverage", "sanity", "linearity"];

/// What came of a corner.
pub fn fate(wanted: Wanted, corner: &CornerOutcome) -> Fate {
    let refused: Vec<(&str, &str, &str)> = invalid(corner).collect();
    let caught =
        |check: &str, message: &str| Fate::Caught { check: check.to_owned(), message: message.to_owned() };
    let otherwise = || match refused.first() {
        Some((check, message, _)) => Fate::Otherwise(format!("{check}: {message}")),
        None if corner.verdict == Verdict::Pass => Fate::Passed,
        None => {
            let bad = corner.checks.iter().find(|c| c.verdict == corner.verdict);
            Fate::Otherwise(
                bad.map_or_else(String::new, |c| format!("{}: {:?}, {}", c.check, c.verdict, c.message)),
            )
        }
    };
    match wanted {
        Wanted::Refused(words) => {
            let by = refused.iter().find(|(check, _, _)| VALIDITY.contains(check));
            match by {
                Some((check, message, remedy)) => {
                    let named = words.iter().any(|word| message.contains(word) || remedy.contains(word));
                    caught(
                        &format!("{check}{}", if named { "" } else { "*" }),
                        &format!("{message}; {remedy}"),
                    )
                }
                // Left out with all that hangs on it, and told.
                None => match corner
                    .findings
                    .iter()
                    .find(|f| f.contains("left out") && words.iter().any(|word| f.contains(word)))
                {
                    Some(finding) => caught("left out", finding),
                    None => otherwise(),
                },
            }
        }
        Wanted::Found(words) => match corner.findings.iter().find(|f| f.contains(words)) {
            Some(finding) if refused.is_empty() => caught("finding", finding),
            _ => otherwise(),
        },
        Wanted::GainRefused => {
            let gain = refused.iter().find(|(check, _, _)| *check == "gain@120Hz");
            match (gain, corner.findings.iter().find(|f| f.contains("mains interference"))) {
                (Some((check, message, _)), _) => caught(check, message),
                (None, Some(_)) => Fate::Otherwise("a finding alone".to_owned()),
                _ => otherwise(),
            }
        }
        Wanted::NotBlamed => match refused.first() {
            None => caught("nothing", ""),
            Some((check, message, _)) if message.contains("noise") => caught(check, message),
            Some(_) => otherwise(),
        },
    }
}
