//! File names for one report per run.

use std::fmt::Write;
use std::hash::{DefaultHasher, Hash, Hasher};

/// Longest file name without the extension, bytes; most file systems take 255.
const LONGEST: usize = 200;

/// The name of the file for a run's report: `demo-data/rev-c/RG-00042` gives `demo-data+rev-c+RG-00042.xml`.
///
/// Two different runs have different names: letters, digits, `_`, `-` and `.` stay, `/` becomes `+`, anything else
/// `=` and the number of the character. Names too long for a file system end in a hash of the run instead.
#[must_use]
pub fn file_name(run: &str) -> String {
    let mut name = String::with_capacity(run.len() + 8);
    for (at, c) in run.char_indices() {
        match c {
            '/' => name.push('+'),
            // No hidden file, no `.` or `..`.
            '.' if at == 0 => name.push_str("=2E."),
            _ if c.is_alphanumeric() || matches!(c, '_' | '-' | '.') => name.push(c),
            // Writing to a String does not fail.
            _ => drop(write!(name, "={:X}.", u32::from(c))),
        }
    }
    if name.is_empty() {
        name.push('=');
    }
    if name.len() > LONGEST {
        let mut hasher = DefaultHasher::new();
        run.hash(&mut hasher);
        name.truncate(name.floor_char_boundary(LONGEST));
        // `=-` is not made by the rules above.
        let _ = write!(name, "=-{:016x}", hasher.finish());
    }
    name.push_str(".xml");
    name
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::HashSet;

    #[test]
    fn names_are_readable_and_differ() {
        assert_eq!(file_name("demo-data/rev-c/RG-00042"), "demo-data+rev-c+RG-00042.xml");
        assert_eq!(file_name("../a b"), "=2E..+a=20.b.xml");
        let long = "x".repeat(5000);
        let runs = [
            "a/b",
            "a+b",
            "a=2B.b",
            "a b",
            "a=20.b",
            "a20b",
            "",
            "=",
            ".",
            "..",
            "./a",
            "a\u{1}2",
            "a\u{12}",
            "a_b",
            &long,
            &long[1..],
            "µ",
            "a\nb",
            "a\\b",
            "a:b",
        ];
        let names: HashSet<String> = runs.iter().map(|run| file_name(run)).collect();
        assert_eq!(names.len(), runs.len());
        for name in names {
            assert!(name.len() < 255 && !name.starts_with('.') && !name.contains(['/', '\\', '\n', ':']));
        }
    }
}
