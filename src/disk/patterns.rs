//! Which checks are wanted: patterns that are held against `CORNER/CHECK`.

use fast_glob::glob_match;

/// Patterns, of which one must meet.
#[derive(Debug, Clone, Default)]
pub struct Patterns {
    /// `*` meets a slash in them.
    patterns: Vec<String>,
}

impl Patterns {
    /// Patterns as they are typed: `24V-*/phase_margin`.
    ///
    /// # Errors
    /// What is wrong with the first that never ends.
    pub fn new(patterns: &[String]) -> Result<Self, String> {
        match patterns.iter().find(|pattern| !is_closed(pattern)) {
            Some(pattern) => Err(format!(
                "`{pattern}` has a class, a group or a backslash without an end; an example: '24V-*/phase_margin'"
            )),
            None => Ok(Self { patterns: patterns.iter().map(|pattern| without_folders(pattern)).collect() }),
        }
    }

    /// Whether there is none: then everything is wanted.
    pub const fn is_empty(&self) -> bool {
        self.patterns.is_empty()
    }

    /// Whether one of them meets a check of a corner.
    pub fn meet(&self, corner: &str, check: &str) -> bool {
        let name = without_folders(&format!("{corner}/{check}"));
        self.patterns.iter().any(|pattern| glob_match(pattern, &name))
    }
}

/// Whether every class and every group of a pattern ends, and nothing ends that did not begin.
fn is_closed(pattern: &str) -> bool {
    let (mut chars, mut groups) = (pattern.chars(), 0_u32);
    while let Some(c) = chars.next() {
        let is_right = match c {
            '\\' => chars.next().is_some(),
            // What comes first is one of the class.
            '[' => chars.by_ref().skip(1).any(|c| c == ']'),
            '{' => {
                groups += 1;
                true
            }
            '}' => groups.checked_sub(1).map(|less| groups = less).is_some(),
            _ => true,
        };
        if !is_right {
            return false;
        }
    }
    groups == 0
}

/// A pattern, or what it is held against, with a character in place of the slash that no name has: `*` stops at a slash.
fn without_folders(text: &str) -> String {
    text.replace('/', "\u{1}")
}

#[cfg(test)]
mod tests {
    use super::is_closed;

    #[test]
    fn what_begins_in_a_pattern_ends() {
        for pattern in ["24V-*/phase_margin", "[a-c]?", "[]]", "[!]a]", "{a,{b,c}}", "a\\{", ""] {
            assert!(is_closed(pattern), "{pattern}");
        }
        for pattern in ["[", "[]", "{a,b", "a}", "}{", "a\\", "{[}]"] {
            assert!(!is_closed(pattern), "{pattern}");
        }
    }
}
