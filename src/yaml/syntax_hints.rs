//! What to do about a text that is no YAML: the mistakes that people make, told from the line and the one above it.

use super::source::Source;

/// How to mend the text at `at`, where that shows.
pub(super) fn hint(source: &Source, at: usize) -> Option<String> {
    let at = source.text.floor_char_boundary(at);
    let before = source.text.get(..at)?;
    let start = before.rfind('\n').map_or(0, |newline| newline + 1);
    let line = source.text.get(start..)?.lines().next().unwrap_or("");
    let above = source.text.get(..start).unwrap_or("").lines().rfind(|line| !content(line).is_empty());
    let lines = [Some(line), above];
    let lines = || lines.iter().flatten().copied();
    lines()
        .find_map(unquoted_brace)
        .or_else(|| lines().find_map(second_colon))
        .or_else(|| lines().find_map(no_blank))
        .or_else(|| other_column(line, above?))
        .or_else(|| lines().find_map(unbalanced))
}

/// A line without its comment and the blanks around it.
fn content(line: &str) -> &str {
    let end = if line.trim_start().starts_with('#') { 0 } else { line.find(" #").unwrap_or(line.len()) };
    line.get(..end).unwrap_or("").trim()
}

/// Key and value of a line of a block, without the dash of a list.
fn key_and_value(line: &str) -> Option<(&str, &str)> {
    let (key, value) = content(line).trim_start_matches("- ").split_once(": ")?;
    is_key(key).then_some((key, value.trim()))
}

fn is_key(text: &str) -> bool {
    !text.is_empty() && text.bytes().all(|b| b.is_ascii_alphanumeric() || matches!(b, b'_' | b'-'))
}

/// `name: {input}-{load}`: a text that YAML takes for a map.
fn unquoted_brace(line: &str) -> Option<String> {
    let (at, _) = content(line).match_indices(": {").find(|(at, _)| {
        let rest = content(line).get(at + 3..).unwrap_or("");
        rest.split_once('}').is_some_and(|(name, after)| {
            is_key(name) && after.starts_with(|c: char| !c.is_whitespace() && !matches!(c, ',' | '}' | ']'))
        })
    })?;
    let text = content(line).get(at + 2..)?.split([',', ' ']).next()?;
    Some(format!("a text that begins with `{{` needs quotes: `\"{text}\"`"))
}

/// `title: rail 1: 9 V`: a second colon with a blank behind it.
fn second_colon(line: &str) -> Option<String> {
    let (key, value) = key_and_value(line)?;
    let is_text = !value.starts_with(['{', '[', '"', '\'']) && value.contains(": ");
    is_text.then(|| format!("a text with a colon needs quotes: `{key}: \"{value}\"`"))
}

/// `product:river-gauge-5v`: no blank behind the colon.
fn no_blank(line: &str) -> Option<String> {
    let text = content(line).trim_start_matches("- ");
    let (key, value) = text.split_once(':')?;
    let is_joined = is_key(key) && !value.is_empty() && !value.starts_with(char::is_whitespace);
    (is_joined && !value.starts_with("//"))
        .then(|| format!("write a blank behind the colon: `{key}: {value}`"))
}

/// A key that does not begin where its neighbour above does.
fn other_column(line: &str, above: &str) -> Option<String> {
    let indent = |line: &str| line.len() - line.trim_start_matches([' ', '-']).len();
    let (key, _) = content(line).trim_start_matches("- ").split_once(':').filter(|(key, _)| is_key(key))?;
    let (neighbour, _) = key_and_value(above)?;
    let (here, there) = (indent(line), indent(above));
    (here != there && !line.trim_start().starts_with('-')).then(|| {
        format!(
            "begin `{key}` in column {}, below `{neighbour}`, unless it belongs to another map",
            there + 1
        )
    })
}

/// Brackets of a line that do not match.
fn unbalanced(line: &str) -> Option<String> {
    let text = content(line);
    let count = |bracket: char| text.matches(bracket).count();
    for (open, close) in [('{', '}'), ('[', ']')] {
        let (opened, closed) = (count(open), count(close));
        if opened > closed {
            return Some(format!("a `{open}` is not closed: write `{text}{close}`"));
        }
        if closed > opened {
            return Some(format!("there is a `{close}` too many in `{text}`"));
        }
    }
    let quotes = text.matches('"').count();
    (quotes % 2 == 1).then(|| format!("a quote is not closed in `{text}`"))
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::Arc;

    fn hint_of(text: &str, at: &str) -> String {
        let source = Source::new(&Arc::from("f"), 0, text);
        hint(&source, text.find(at).unwrap()).unwrap_or_default()
    }

    #[test]
    fn common_mistakes_are_seen() {
        assert!(hint_of("- name: {input}-{load}\n", "-{").ends_with("quotes: `\"{input}-{load}\"`"));
        assert!(hint_of("title: rail 1: 9 V # x\n", ": 9").ends_with("`title: \"rail 1: 9 V\"`"));
        assert!(hint_of("product:x\n# none\nspec: 1\n", "spec").ends_with("`product: x`"));
        assert!(
            hint_of("- name: a\n    load: 3 A\n", "load")
                .starts_with("begin `load` in column 3, below `name`")
        );
        assert!(hint_of("a: {b: 1\nc: 2\n", "c").ends_with("write `a: {b: 1}`"));
        assert!(hint_of("a: {b: 1}}\n", "}}").contains("too many"));
        assert!(hint_of("a: \"b\nc: 2\n", "c").contains("quote is not closed"));
    }

    #[test]
    fn nothing_is_said_of_what_is_sound() {
        assert_eq!(hint_of("a: {b: 1, c: [1, 2]}\nd: 2\n", "d"), "");
        assert_eq!(hint_of("a: http://x\n", "http"), "");
        assert_eq!(hint_of("", ""), "");
    }
}
