//! `pattern`: file names that tell corner and level.

use super::against::CornerIndex;
use crate::diagnostic::nearest;
use crate::quantity::{Level, split};

/// A file name with `{corner}` and perhaps `{level}` in it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Pattern {
    /// Before the first placeholder.
    head: String,
    /// Between the two placeholders.
    middle: String,
    /// After the last placeholder, up to the extension.
    tail: String,
    /// From the last dot on.
    extension: String,
    order: Order,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Order {
    CornerOnly,
    CornerLevel,
    LevelCorner,
}

/// What a file name says.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Match {
    /// Nothing: it is no sweep.
    No,
    /// A sweep.
    Sweep {
        /// Position of the corner in the spec.
        corner: usize,
        /// The level, where the pattern has one.
        level: Option<Level>,
    },
    /// It has the pattern's form, but no corner has this name.
    UnknownCorner(String),
    /// It names a corner, but this number is no level.
    BadLevel(String),
}

type Complaint = (&'static str, String, String);

impl Pattern {
    /// Reads a pattern.
    pub(super) fn parse(text: &str) -> Result<Self, Complaint> {
        let complain = |message: &str| {
            let help = "write for example `{corner}_{level}.csv`".to_owned();
            Err(("bad-pattern", message.to_owned(), help))
        };
        if text.contains(['/', '\\']) {
            return complain("a pattern matches names of files in the run's folder, not paths");
        }
        let mut literals = vec![String::new()];
        let mut names = Vec::new();
        let mut rest = text;
        while let Some((before, after)) = rest.split_once('{') {
            let Some((name, after)) = after.split_once('}') else {
                return complain("a `{` in the pattern is not closed");
            };
            if !matches!(name, "corner" | "level") {
                let near = nearest(name, ["corner", "level"]);
                let help = near.map_or("`{corner}` and `{level}` are known".to_owned(), |near| {
                    format!("did you mean `{{{near}}}`?")
                });
                return Err(("unknown-placeholder", format!("`{{{name}}}` is not known in a pattern"), help));
            }
            if names.contains(&name) {
                return complain(&format!("`{{{name}}}` stands twice in the pattern"));
            }
            if let Some(last) = literals.last_mut() {
                last.push_str(before);
            }
            literals.push(String::new());
            names.push(name);
            rest = after;
        }
        let order = match names.as_slice() {
            ["corner"] => Order::CornerOnly,
            ["corner", "level"] => Order::CornerLevel,
            ["level", "corner"] => Order::LevelCorner,
            _ => return complain("the pattern has no `{corner}`"),
        };
        let dot = rest.rfind('.').unwrap_or(rest.len());
        let (tail, extension) = rest.split_at_checked(dot).unwrap_or((rest, ""));
        let mut literals = literals.into_iter();
        Ok(Self {
            head: literals.next().unwrap_or_default(),
            middle: if order == Order::CornerOnly {
                String::new()
            } else {
                literals.next().unwrap_or_default()
            },
            tail: tail.to_owned(),
            extension: extension.to_owned(),
            order,
        })
    }

    /// What a file name says.
    pub(super) fn matches(&self, name: &str, index: &CornerIndex<'_>) -> Match {
        let Some(stem) = name.strip_suffix(self.extension.as_str()) else { return Match::No };
        let core = |stem: &str| {
            let core = stem.strip_prefix(self.head.as_str())?.strip_suffix(self.tail.as_str())?;
            (!core.is_empty()).then(|| core.to_owned())
        };
        // As it stands, and without the number of a repeat.
        let forms = [core(stem), without_repeat(stem).and_then(core)];
        let splits: Vec<(&str, Option<&str>)> =
            forms.iter().flatten().flat_map(|core| self.splits(core)).collect();
        let mut known: Option<(usize, usize, Option<Level>)> = None;
        for (corner, level) in &splits {
            let Some(position) = index.get(corner).copied() else { continue };
            let level = match level.map(|level| Level::parse(level).ok()) {
                None => None,
                Some(Some(level)) => Some(level),
                Some(None) => continue,
            };
            if known.as_ref().is_none_or(|(length, ..)| corner.len() > *length) {
                known = Some((corner.len(), position, level));
            }
        }
        if let Some((_, corner, level)) = known {
            return Match::Sweep { corner, level };
        }
        // The form without the repeat's number comes last and tells the name best.
        let bad = splits.iter().rev().find_map(|(corner, level)| {
            level.filter(|level| index.contains_key(corner) && split(level).is_ok())
        });
        if let Some(level) = bad {
            return Match::BadLevel(level.to_owned());
        }
        let unknown =
            splits.iter().rev().find(|(_, level)| level.is_none_or(|level| Level::parse(level).is_ok()));
        unknown.map_or(Match::No, |(corner, _)| Match::UnknownCorner((*corner).to_owned()))
    }

    /// All ways to read a name as corner and level, the longest corner first.
    fn splits<'n>(&self, core: &'n str) -> Vec<(&'n str, Option<&'n str>)> {
        let edges = || core.char_indices().map(|(at, _)| at).filter(|at| *at > 0);
        match self.order {
            Order::CornerOnly => vec![(core, None)],
            Order::CornerLevel => edges()
                .rev()
                .filter_map(|at| {
                    let (corner, rest) = core.split_at_checked(at)?;
                    Some((corner, Some(rest.strip_prefix(self.middle.as_str())?)))
                })
                .collect(),
            Order::LevelCorner => edges()
                .filter_map(|at| {
                    let (rest, corner) = core.split_at_checked(at)?;
                    Some((corner, Some(rest.strip_suffix(self.middle.as_str())?)))
                })
                .collect(),
        }
    }
}

/// The name without `_2`, `_3` … at its end.
fn without_repeat(stem: &str) -> Option<&str> {
    let (name, number) = stem.rsplit_once('_')?;
    let counts =
        number.bytes().all(|b| b.is_ascii_digit()) && !number.starts_with('0') && !matches!(number, "" | "1");
    counts.then_some(name)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(pattern: &str, name: &str) -> String {
        let corners = ["24V-3A", "24V-3A_hot", "10V-0.5A", "24V", "24V_2"];
        let index: CornerIndex<'_> = corners.iter().enumerate().map(|(at, name)| (*name, at)).collect();
        match Pattern::parse(pattern).unwrap().matches(name, &index) {
            Match::No => "no".to_owned(),
            Match::Sweep { corner, level: None } => corners[corner].to_owned(),
            Match::Sweep { corner, level: Some(level) } => format!("{} @ {level}", corners[corner]),
            Match::UnknownCorner(name) => format!("unknown {name}"),
            Match::BadLevel(level) => format!("bad {level}"),
        }
    }

    #[test]
    fn names_tell_corner_and_level() {
        let pattern = "{corner}_{level}.csv";
        assert_eq!(check(pattern, "24V-3A_-26dBm.csv"), "24V-3A @ -26 dBm");
        assert_eq!(check(pattern, "24V-3A_-26 dBm.csv"), "24V-3A @ -26 dBm");
        assert_eq!(check(pattern, "24V-3A_-26dBm_2.csv"), "24V-3A @ -26 dBm");
        assert_eq!(check(pattern, "24V-3A_hot_20mVpp_13.csv"), "24V-3A_hot @ 20 mVpp");
        assert_eq!(check(pattern, "10V-0.5A_-26.5dBm.csv"), "10V-0.5A @ -26.5 dBm");
        assert_eq!(check(pattern, "24V-3A_notes.csv"), "no");
        assert_eq!(check(pattern, "24V-3A_-26dBm.txt"), "no");
        assert_eq!(check(pattern, "24V-3A_-26dbm.csv"), "bad -26dbm");
        assert_eq!(check(pattern, "24V-3A_-26dBm_1.csv"), "bad -26dBm_1");
        assert_eq!(check(pattern, "24V-4A_-26dBm.csv"), "unknown 24V-4A");
        assert_eq!(check(pattern, "24V-4A_-26dBm_2.csv"), "unknown 24V-4A");
        assert_eq!(check("{level}@{corner}-x.csv", "-26dBm@24V-3A-x_2.csv"), "24V-3A @ -26 dBm");
        assert_eq!(check("{corner}{level}", "24V-3A-26dBm"), "24V-3A @ -26 dBm");
        assert_eq!(check("{corner}{level}", "9V-3A-26dBm"), "unknown 9V-3A");
    }

    #[test]
    fn names_without_a_level() {
        assert_eq!(check("{corner}.csv", "24V-3A.csv"), "24V-3A");
        assert_eq!(check("{corner}.csv", "24V-3A_2.csv"), "24V-3A");
        assert_eq!(check("{corner}.csv", "24V_2.csv"), "24V_2");
        assert_eq!(check("{corner}.csv", "24V_3.csv"), "24V");
        assert_eq!(check("{corner}.csv", "other.csv"), "unknown other");
        assert_eq!(check("{corner}.csv", ".csv"), "no");
        assert_eq!(check("s-{corner}", "s-10V-0.5A_2"), "10V-0.5A");
        assert_eq!(check("{corner}.loop.csv", "24V-3A.loop_2.csv"), "24V-3A");
    }

    #[test]
    fn bad_patterns_are_refused() {
        for (text, piece) in [
            ("x.csv", "no `{corner}`"),
            ("{level}.csv", "no `{corner}`"),
            ("{corner}{corner}", "twice"),
            ("{corner", "not closed"),
            ("{conrer}.csv", "not known"),
            ("a/{corner}.csv", "not paths"),
        ] {
            assert!(Pattern::parse(text).unwrap_err().1.contains(piece), "{text}");
        }
    }
}
