//! A card to its fields: words, `{expressions}` and `name=value`.

use super::cards::Card;
use super::source::Word;
use std::ops::Range;

/// A field of a card.
#[derive(Debug, Clone)]
pub(super) struct Field {
    /// What stands before its `=`.
    pub(super) name: Option<Word>,
    /// The value, without the braces or quotes around it.
    pub(super) value: Word,
    /// Where the value stands in the card's text.
    pub(super) range: Range<usize>,
    /// Whether it stands in braces or quotes.
    pub(super) is_braced: bool,
}

impl Field {
    /// Whether it is this word, alone.
    pub(super) fn is(&self, word: &str) -> bool {
        self.name.is_none() && !self.is_braced && self.value.text.eq_ignore_ascii_case(word)
    }
}

/// Longest name of a node, an element or a parameter, bytes: it stands before the names of all that is in a subcircuit.
const LONGEST_WORD: usize = 200;

/// What separates fields beside blanks: SPICE reads `E1 a 0 (b,c) 2` as `E1 a 0 b c 2`.
const fn is_separator(c: char) -> bool {
    c.is_ascii_whitespace() || matches!(c, ',' | '(' | ')')
}

/// The fields after the first word. An error is a place in the card's text and what is wrong there.
pub(super) fn fields(card: &Card) -> Result<Vec<Field>, (Range<usize>, String)> {
    let text = card.text.as_str();
    let mut at = text.find(char::is_whitespace).unwrap_or(text.len());
    if at > LONGEST_WORD {
        return Err((0..at, format!("a word of more than {LONGEST_WORD} bytes")));
    }
    let mut fields = Vec::new();
    loop {
        at = after(text, at, is_separator);
        let Some(first) = text.get(at..).and_then(|rest| rest.chars().next()) else { return Ok(fields) };
        if matches!(first, '{' | '\'') {
            let range = braced(text, at)?;
            at = range.end + 1;
            fields.push(field(card, None, range, true));
            continue;
        }
        if first == '=' {
            return Err((at..at + 1, "`=` with no name before it".to_owned()));
        }
        let end = at + word_length(text, at, |c| is_separator(c) || matches!(c, '=' | '{' | '\''));
        let word = at..end;
        if word.len() > LONGEST_WORD {
            return Err((word, format!("a word of more than {LONGEST_WORD} bytes")));
        }
        let next = after(text, end, |c| c.is_ascii_whitespace());
        let is_pair = text.get(next..).is_some_and(|rest| rest.starts_with('='));
        if !is_pair {
            at = end;
            fields.push(field(card, None, word, false));
            continue;
        }
        let name = Word { text: text.get(word.clone()).unwrap_or("").to_owned(), spot: card.spot(word) };
        let from = after(text, next + 1, |c| c.is_ascii_whitespace());
        let is_braced = text.get(from..).is_some_and(|rest| rest.starts_with(['{', '\'']));
        let range = if is_braced { braced(text, from)? } else { from..from + bare_length(text, from) };
        if range.is_empty() {
            return Err((next..next + 1, format!("`{}=` with no value after it", name.text)));
        }
        at = range.end + usize::from(is_braced);
        fields.push(field(card, Some(name), range, is_braced));
    }
}

fn field(card: &Card, name: Option<Word>, range: Range<usize>, is_braced: bool) -> Field {
    let text = card.text.get(range.clone()).unwrap_or("").to_owned();
    Field { name, value: Word { text, spot: card.spot(range.clone()) }, range, is_braced }
}

/// The first byte from `at` on that is none of these.
fn after(text: &str, at: usize, skipped: impl Fn(char) -> bool) -> usize {
    let rest = text.get(at..).unwrap_or("");
    at + rest.find(|c| !skipped(c)).unwrap_or(rest.len())
}

fn word_length(text: &str, at: usize, ends: impl FnMut(char) -> bool) -> usize {
    let rest = text.get(at..).unwrap_or("");
    rest.find(ends).unwrap_or(rest.len())
}

/// A value without braces ends at the first blank or comma outside its own brackets.
fn bare_length(text: &str, at: usize) -> usize {
    let mut open = 0usize;
    word_length(text, at, |c| {
        match c {
            '(' => open += 1,
            ')' if open == 0 => return true,
            ')' => open -= 1,
            _ => {}
        }
        open == 0 && (c.is_ascii_whitespace() || c == ',')
    })
}

/// What stands between a brace or quote and its partner.
fn braced(text: &str, at: usize) -> Result<Range<usize>, (Range<usize>, String)> {
    let rest = text.get(at + 1..).unwrap_or("");
    let end = if text.get(at..).is_some_and(|rest| rest.starts_with('\'')) {
        rest.find('\'')
    } else {
        let mut open = 1;
        rest.find(|c| {
            open += i32::from(c == '{') - i32::from(c == '}');
            open == 0
        })
    };
    let message = "what is opened here is not closed".to_owned();
    end.map(|end| at + 1..at + 1 + end).ok_or((at..at + 1, message))
}
