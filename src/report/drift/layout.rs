//! Sentences, broken into lines that a terminal holds.

use crate::report::terminal::Style;
use crate::report::terminal::palette::paint;

/// Columns that a line of words may take.
const WIDTH: usize = 100;
/// A narrower terminal breaks the lines itself.
const NARROWEST: usize = 40;
/// How far the lines of a sentence after its first are set in.
const HANGING: usize = 2;

/// Appends `name: words`, broken between words into lines of at most [`WIDTH`] columns where they let it; the name in its
/// colour. Both are clean already.
pub(super) fn push_sentence(
    text: &mut String,
    indent: usize,
    name: &str,
    colour: anstyle::Style,
    words: &str,
    style: Style,
) {
    let lines = wrapped(&format!("{name}: {words}"), width(style).saturating_sub(indent));
    for (number, line) in lines.iter().enumerate() {
        let blanks = " ".repeat(if number == 0 { indent } else { indent + HANGING });
        match line.strip_prefix(name).filter(|_| number == 0) {
            Some(rest) => text.push_str(&format!("{blanks}{}{rest}\n", paint(name, colour, style))),
            None => text.push_str(&format!("{blanks}{line}\n")),
        }
    }
}

/// Appends a sentence without a name, all of it in a colour.
pub(super) fn push_words(
    text: &mut String,
    indent: usize,
    colour: anstyle::Style,
    words: &str,
    style: Style,
) {
    for (number, line) in wrapped(words, width(style).saturating_sub(indent)).iter().enumerate() {
        let blanks = " ".repeat(if number == 0 { indent } else { indent + HANGING });
        text.push_str(&format!("{blanks}{}\n", paint(line, colour, style)));
    }
}

/// Columns that a line of words may take: those of the terminal, where there is one.
fn width(style: Style) -> usize {
    style.width.map_or(WIDTH, |width| width.max(NARROWEST))
}

/// Lines of at most `width` characters, those after the first shorter by [`HANGING`]; a longer word stays whole.
fn wrapped(words: &str, width: usize) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    let mut line = String::new();
    for (number, word) in words.split(' ').enumerate() {
        let room = if lines.is_empty() { width } else { width.saturating_sub(HANGING) };
        if number > 0 && line.chars().count() + 1 + word.chars().count() > room {
            lines.push(std::mem::take(&mut line));
        } else if number > 0 {
            line.push(' ');
        }
        line.push_str(word);
    }
    lines.push(line);
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sentences_are_broken_between_words() {
        assert_eq!(wrapped("aa bb cc dd", 5), ["aa bb", "cc", "dd"]);
        assert_eq!(wrapped("aaaaaaaa b", 5), ["aaaaaaaa", "b"]);
        let mut text = String::new();
        push_sentence(&mut text, 4, "name", anstyle::Style::new(), &"word ".repeat(40), Style::plain());
        assert!(text.starts_with("    name: word ") && text.lines().all(|line| line.chars().count() <= 100));
        assert_eq!(text.matches("word").count(), 40);
    }
}
