//! Text from files made harmless for Markdown: it shows as it is, and makes no link, no mention, no formatting, no HTML.
//!
//! Everything is written as character references, never with backslashes: CommonMark (section 2.5) gives a reference no
//! meaning as structure, and inside `<summary>`, which is HTML, a backslash would stay visible.

use crate::report::escape::{terminal, xml_line};

/// Shows nothing and keeps words together, so that what follows is no longer a name, a number or an address. Forges link
/// `@name`, `#12` and addresses after the references are resolved, so a reference does not stop them (common practice, no
/// source).
const JOINER: char = '\u{2060}';

/// Text of one line for a table's cell, a list's item behind a word of ours, or a summary; at most `most` bytes, a cut is
/// marked by `…`. Empty text becomes `-`.
#[must_use]
pub fn line(text: &str, most: usize) -> String {
    let clean = xml_line(text);
    let clean = terminal(&clean);
    if clean.is_empty() {
        return "-".to_owned();
    }
    let mut out = String::with_capacity(clean.len() + 16);
    let mut piece = String::new();
    // Up to where the mark of a cut still fits.
    let mut whole = 0;
    let mut rest = clean.chars();
    while let Some(c) = rest.next() {
        piece.clear();
        push(&mut piece, &out, c, rest.clone().next());
        out.push_str(&piece);
        if out.len() > most {
            out.truncate(whole);
            out.push('…');
            break;
        }
        if out.len() + '…'.len_utf8() <= most {
            whole = out.len();
        }
    }
    out
}

/// A row of a table, of cells that are harmless.
pub(super) fn row_of(cells: &[String]) -> String {
    format!("| {} |\n", cells.join(" | "))
}

/// Appends `c`, which stands behind `written` and before `after`.
fn push(out: &mut String, written: &str, c: char, after: Option<char>) {
    let alphanumeric = |c: Option<char>| c.is_some_and(char::is_alphanumeric);
    let behind = |word: &str| {
        let start = written.len().checked_sub(word.len()).and_then(|start| written.get(start..));
        start.is_some_and(|end| end.eq_ignore_ascii_case(word))
    };
    match c {
        '&' => out.push_str("&amp;"),
        '<' => out.push_str("&lt;"),
        '>' => out.push_str("&gt;"),
        // An underscore inside a word is no emphasis (CommonMark, section 6.2); check names are full of them.
        '_' if alphanumeric(written.chars().next_back()) && alphanumeric(after) => out.push('_'),
        '\\' | '`' | '*' | '_' | '[' | ']' | '|' | '~' | '$' => {
            out.push_str(&format!("&#{};", u32::from(c)));
        }
        '@' => {
            out.push_str("&#64;");
            out.push(JOINER);
        }
        '#' => {
            out.push_str("&#35;");
            out.push(JOINER);
        }
        // `https://` and `:name:`; times and places in files stay as they are.
        ':' if after.is_some_and(|c| c == '/' || c == '+' || c == '-' || c.is_alphabetic()) => {
            out.push(c);
            out.push(JOINER);
        }
        // `www.` is an address without a scheme; `GH-12` a number with another sign.
        '.' if behind("www") => {
            out.push(JOINER);
            out.push(c);
        }
        '-' if behind("gh") && after.is_some_and(|c| c.is_ascii_digit()) => {
            out.push(c);
            out.push(JOINER);
        }
        _ => out.push(c),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ordinary_text_stays() {
        let text =
            "phase_margin 44.1 deg ± 0.7 deg at 9.31 kHz, limit at least 50 deg; -26 dBm (10V-3A), 11:15:00";
        assert_eq!(line(text, 1000), text);
    }

    #[test]
    fn what_has_a_meaning_is_written_as_a_reference() {
        assert_eq!(
            line("a|b\n# `c` <d> &lt; *e* _f_", 1000),
            "a&#124;b &#35;\u{2060} &#96;c&#96; &lt;d&gt; &amp;lt; &#42;e&#42; &#95;f&#95;"
        );
        assert_eq!(
            line("@crew #12 https://example.org :+1:", 1000),
            "&#64;\u{2060}crew &#35;\u{2060}12 https:\u{2060}//example.org :\u{2060}+1:"
        );
        assert_eq!(line("www.example.org GH-12", 1000), "www\u{2060}.example.org GH-\u{2060}12");
        assert_eq!(line("\u{1b}[31m\u{202e}", 1000), "&#92;x1b&#91;31m&#92;u{202e}");
        assert_eq!(line(" \n", 10), "-");
    }

    #[test]
    fn a_cut_keeps_references_whole() {
        for most in 3..60 {
            let cut = line("||||µµµµ||||", most);
            assert!(cut.len() <= most, "{most}: {cut}");
            assert!(cut.replace("&#124;", "").chars().all(|c| c == 'µ' || c == '…'), "{most}: {cut}");
        }
        assert_eq!(line("abcd", 4), "abcd");
    }
}
