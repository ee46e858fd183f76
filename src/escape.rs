//! Text from files made harmless for a terminal and for XML.

use std::borrow::Cow;
use std::fmt::Write;

/// Text for a terminal: control characters, line and paragraph separators and direction marks shown as `\x1b`,
/// `\u{202e}`. What is left cannot move the cursor, change colours or turn the reading direction.
#[must_use]
pub fn terminal(text: &str) -> Cow<'_, str> {
    shown(text, |c| {
        c.is_control()
            || is_direction_mark(c)
            || matches!(c, '\u{2028}' | '\u{2029}' | '\u{feff}' | '\u{fffe}' | '\u{ffff}')
    })
}

/// One line of XML text, for names and messages: what XML forbids is shown as `\x1b`, every run of blanks, tabs and
/// line ends becomes one blank, none is left at the ends. `<`, `&` and quotes are left to the XML writer.
#[must_use]
pub fn xml_line(text: &str) -> Cow<'_, str> {
    if is_plain(text) && !text.starts_with(' ') && !text.ends_with(' ') && !text.contains("  ") {
        return Cow::Borrowed(text);
    }
    let blank = |c: char| matches!(c, ' ' | '\t' | '\n' | '\r');
    let trimmed = text.trim_matches(blank);
    let mut before = 'x';
    let plain = trimmed.chars().all(|c| {
        let ok = !matches!((before, c), (_, '\t' | '\n' | '\r') | (' ', ' '));
        before = c;
        ok
    });
    if plain {
        return shown(trimmed, is_forbidden_in_xml);
    }
    let words: Vec<&str> = trimmed.split(blank).filter(|word| !word.is_empty()).collect();
    Cow::Owned(shown(&words.join(" "), is_forbidden_in_xml).into_owned())
}

/// Text for a CDATA section: what XML forbids is shown as `\x1b`, line ends become LF, and the end mark of the
/// section is broken up.
#[must_use]
pub fn xml_body(text: &str) -> Cow<'_, str> {
    let mut clean = Cow::Borrowed(text);
    if clean.contains('\r') {
        clean = Cow::Owned(clean.replace("\r\n", "\n").replace('\r', "\n"));
    }
    if clean.contains("]]>") {
        clean = Cow::Owned(clean.replace("]]>", "]] >"));
    }
    match clean {
        Cow::Borrowed(text) => shown(text, is_forbidden_in_xml),
        Cow::Owned(text) => Cow::Owned(shown(&text, is_forbidden_in_xml).into_owned()),
    }
}

/// At most `limit` characters; a cut is marked by `…`, which counts.
#[must_use]
pub fn clip(text: &str, limit: usize) -> Cow<'_, str> {
    if text.len() <= limit || text.chars().nth(limit).is_none() {
        return Cow::Borrowed(text);
    }
    let mut short: String = text.chars().take(limit.saturating_sub(1)).collect();
    short.push('…');
    Cow::Owned(short)
}

/// Marks that change the direction of what follows (Unicode Standard, annex 9).
const fn is_direction_mark(c: char) -> bool {
    matches!(c, '\u{61c}' | '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
}

/// Outside `Char` of XML 1.0 (section 2.2), and the control characters it discourages, but for tab and line feed.
const fn is_forbidden_in_xml(c: char) -> bool {
    match c {
        '\t' | '\n' => false,
        '\0'..='\x1f' | '\x7f'..='\u{9f}' | '\u{fffe}' | '\u{ffff}' => true,
        _ => false,
    }
}

/// Printable ASCII alone: nearly all text is, and bytes are looked through much faster than characters.
fn is_plain(text: &str) -> bool {
    // Folded without an early end, so that many bytes are compared at once.
    text.bytes().fold(true, |plain, byte| plain & matches!(byte, b' '..=b'~'))
}

/// The text with the characters that `hide` picks shown by their number.
fn shown(text: &str, hide: impl Fn(char) -> bool) -> Cow<'_, str> {
    if is_plain(text) {
        return Cow::Borrowed(text);
    }
    let Some(first) = text.find(&hide) else { return Cow::Borrowed(text) };
    let (clean, rest) = text.split_at(first);
    let mut out = String::with_capacity(text.len() + 16);
    out.push_str(clean);
    for c in rest.chars() {
        let code = u32::from(c);
        // Writing to a String does not fail.
        let _ = match (hide(c), code) {
            (false, _) => out.write_char(c),
            (true, ..=0xff) => write!(out, "\\x{code:02x}"),
            (true, _) => write!(out, "\\u{{{code:x}}}"),
        };
    }
    Cow::Owned(out)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_reaches_a_terminal_raw() {
        assert_eq!(terminal("a\x1b[31mb\r\n\u{9b}c\x7f"), "a\\x1b[31mb\\x0d\\x0a\\x9bc\\x7f");
        assert_eq!(
            terminal("\u{202e}abc\u{2069}\u{2028}\u{200f}"),
            "\\u{202e}abc\\u{2069}\\u{2028}\\u{200f}"
        );
        assert!(matches!(terminal("µ ± 😀 plain"), Cow::Borrowed(_)));
    }

    #[test]
    fn xml_lines_are_one_line() {
        assert_eq!(xml_line("  a \t\r\n b\x1b\u{fffe}  c "), "a b\\x1b\\u{fffe} c");
        assert!(matches!(xml_line("a b <&> 😀"), Cow::Borrowed(_)));
        assert_eq!(xml_line(" \n"), "");
    }

    #[test]
    fn xml_bodies_cannot_be_left() {
        assert_eq!(xml_body("a\r\nb\rc\td]]>e\0"), "a\nb\nc\td]] >e\\x00");
        assert_eq!(xml_body("]]]>"), "]]] >");
        for c in '\0'..='\u{10ffff}' {
            let text = c.to_string();
            assert!(!xml_body(&text).chars().any(is_forbidden_in_xml));
        }
    }

    #[test]
    fn clips_by_characters() {
        assert_eq!(clip("µµµµ", 4), "µµµµ");
        assert_eq!(clip("µµµµµ", 4), "µµµ…");
    }
}
