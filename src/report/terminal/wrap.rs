//! Lines broken to the width of a terminal.

use std::borrow::Cow;
use unicode_width::UnicodeWidthChar;

/// How far what follows the first line of a sentence is set in, beyond that line.
const HANGING: usize = 4;
/// A narrower terminal breaks the lines itself: too little would stay beside the indent.
const NARROWEST: usize = 40;

/// Breaks every line of `text` at blanks so that it takes at most `width` columns; what follows hangs. A word that is wider
/// stays whole. Colours (SGR sequences) take no column. `None` leaves the text as it is.
pub(in crate::report) fn wrap(text: &str, width: Option<usize>) -> Cow<'_, str> {
    let Some(width) = width.map(|width| width.max(NARROWEST)) else { return Cow::Borrowed(text) };
    if text.lines().all(|line| columns(line) <= width) {
        return Cow::Borrowed(text);
    }
    let mut out = String::with_capacity(text.len() + text.len() / 16);
    for line in text.lines() {
        push_line(&mut out, line, width);
        out.push('\n');
    }
    Cow::Owned(out)
}

fn push_line(out: &mut String, line: &str, width: usize) {
    let words = line.trim_start_matches(' ');
    let indent = line.len() - words.len();
    out.push_str(&" ".repeat(indent));
    let mut column = indent;
    for (number, word) in words.split(' ').enumerate() {
        let wide = columns(word);
        if number > 0 && column + 1 + wide > width {
            out.push('\n');
            out.push_str(&" ".repeat(indent + HANGING));
            column = indent + HANGING;
        } else if number > 0 {
            out.push(' ');
            column += 1;
        }
        out.push_str(word);
        column += wide;
    }
}

/// Columns that a terminal needs for it.
fn columns(text: &str) -> usize {
    if text.is_ascii() && !text.contains('\u{1b}') {
        return text.len();
    }
    let mut columns = 0;
    let mut in_colour = false;
    for c in text.chars() {
        match c {
            '\u{1b}' => in_colour = true,
            'm' if in_colour => in_colour = false,
            _ if in_colour => {}
            _ => columns += c.width().unwrap_or(0),
        }
    }
    columns
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_are_broken_at_blanks_and_hang() {
        let words = format!("  one: {}\nshort\n", "word ".repeat(20).trim_end());
        let text = wrap(&words, Some(40)).into_owned();
        assert!(text.lines().all(|line| line.len() <= 40), "{text}");
        assert!(text.lines().skip(1).take(2).all(|line| line.starts_with("      word")), "{text}");
        assert!(text.ends_with("\nshort\n"));
        let together = text.split_whitespace().collect::<Vec<_>>().join(" ");
        assert_eq!(together, words.split_whitespace().collect::<Vec<_>>().join(" "));
    }

    #[test]
    fn colours_take_no_room_and_wide_signs_take_two_columns() {
        assert_eq!(columns("\u{1b}[1;38;5;166mfail\u{1b}[0m"), 4);
        assert_eq!(columns("± 0.7 漢字"), 10);
    }

    #[test]
    fn without_a_width_nothing_changes() {
        let long = "word ".repeat(100);
        assert!(matches!(wrap(&long, None), Cow::Borrowed(_)));
        let whole = "x".repeat(300) + "\n";
        assert_eq!(wrap(&whole, Some(80)), whole);
    }
}
