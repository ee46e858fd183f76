//! Columns of text, as wide as they must be.

use crate::report::terminal::Style;
use crate::report::terminal::palette::paint;

/// Columns that a line of words may take.
const WIDTH: usize = 100;
/// A narrower terminal breaks the lines itself.
const NARROWEST: usize = 40;
/// How far the lines of a sentence after its first are set in.
const HANGING: usize = 2;

/// Which side of its column a cell stands on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::report) enum Side {
    Left,
    Right,
}

/// A line per row; columns that are empty in every row are left out. Cells are clean already.
pub(in crate::report) fn columns<const N: usize>(rows: &[[String; N]], sides: [Side; N]) -> Vec<String> {
    let widths: [usize; N] = std::array::from_fn(|column| {
        rows.iter().filter_map(|row| row.get(column)).map(|cell| cell.chars().count()).max().unwrap_or(0)
    });
    rows.iter()
        .map(|row| {
            let cells: Vec<String> = row
                .iter()
                .zip(widths)
                .zip(sides)
                .filter(|((_, width), _)| *width > 0)
                .map(|((cell, width), side)| match side {
                    Side::Left => format!("{cell:<width$}"),
                    Side::Right => format!("{cell:>width$}"),
                })
                .collect();
            cells.join("  ").trim_end().to_owned()
        })
        .collect()
}

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
    fn columns_are_aligned_and_empty_ones_left_out() {
        let row = |a: &str, b: &str, c: &str| [a.to_owned(), b.to_owned(), c.to_owned()];
        let lines = columns(&[row("a", "", "1"), row("µµ", "", "10")], [Side::Left, Side::Left, Side::Right]);
        assert_eq!(lines, ["a    1", "µµ  10"]);
    }

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
