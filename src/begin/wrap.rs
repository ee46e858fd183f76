//! Long lines.

/// Breaks a text at blanks into lines of at most `width` characters, where its words allow it. There is at least one line.
pub(super) fn wrap(text: &str, width: usize) -> Vec<String> {
    fill(text.split_whitespace(), " ", width)
}

/// Puts pieces, `gap` between them, into lines of at most `width` characters.
pub(super) fn fill<'a>(pieces: impl Iterator<Item = &'a str>, gap: &str, width: usize) -> Vec<String> {
    let mut lines = vec![String::new()];
    for word in pieces {
        let Some(line) = lines.last_mut() else { break };
        if line.is_empty() {
            line.push_str(word);
        } else if line.chars().count() + gap.len() + word.chars().count() <= width {
            line.push_str(gap);
            line.push_str(word);
        } else {
            lines.push(word.to_owned());
        }
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_stay_whole() {
        assert_eq!(wrap("one two three", 7), ["one two", "three"]);
        assert_eq!(wrap("extraordinary", 5), ["extraordinary"]);
        assert_eq!(wrap("", 5), [""]);
    }
}
