//! Lines of a file to cards: comments taken off, continuation lines joined, every byte knowing where it came from.

use super::source::{Sources, Spot, Word};
use std::ops::Range;

/// Longest card, bytes: a hundred lines of a terminal.
const LONGEST_CARD: usize = 10_000;

/// A statement of the netlist with its continuation lines.
#[derive(Debug, Clone)]
pub(super) struct Card {
    file: usize,
    /// Without comments; continuation lines follow after a blank.
    pub(super) text: String,
    pieces: Vec<Piece>,
}

/// What of a card stands on one line.
#[derive(Debug, Clone)]
struct Piece {
    /// Where it begins in the card's text.
    at: usize,
    line: usize,
    /// Where it begins in the line.
    from: usize,
}

impl Card {
    /// Where a stretch of the card's text stands.
    pub(super) fn spot(&self, range: Range<usize>) -> Spot {
        let short = |number: usize| u32::try_from(number).unwrap_or(u32::MAX);
        let index = self.pieces.partition_point(|piece| piece.at <= range.start).saturating_sub(1);
        let next = self.pieces.get(index + 1).map_or(self.text.len(), |piece| piece.at);
        let (line, from, at) =
            self.pieces.get(index).map_or((0, 0, 0), |piece| (piece.line, piece.from, piece.at));
        let to = range.end.clamp(range.start, next.max(range.start));
        Spot {
            file: short(self.file),
            line: short(line),
            from: short(range.start - at + from),
            to: short(to - at + from),
        }
    }

    /// Where the whole card stands: its first line.
    pub(super) fn whole(&self) -> Spot {
        self.spot(0..self.text.trim_end().len())
    }

    /// The first word.
    pub(super) fn head(&self) -> Word {
        let end = self.text.find(char::is_whitespace).unwrap_or(self.text.len());
        Word { text: self.text.get(..end).unwrap_or("").to_owned(), spot: self.spot(0..end) }
    }
}

/// The cards of a file; `skipped` lines at its head are none.
pub(super) fn cards(sources: &mut Sources, file: usize, skipped: usize) -> Vec<Card> {
    let mut cards: Vec<Card> = Vec::new();
    let lines: Vec<String> = sources.lines(file).to_vec();
    let mut is_control = false;
    for (line, text) in lines.iter().enumerate().skip(skipped) {
        let body = without_comment(text);
        let from = body.len() - body.trim_start().len();
        let body = body.trim();
        if body.is_empty() {
            continue;
        }
        // What stands between these two are commands of a simulator's shell.
        if is_control {
            is_control = !body.eq_ignore_ascii_case(".endc");
            continue;
        }
        is_control = body.get(..8).is_some_and(|start| start.eq_ignore_ascii_case(".control"));
        match (body.strip_prefix('+'), cards.last_mut()) {
            (Some(rest), Some(card)) if card.text.len() + rest.len() < LONGEST_CARD => {
                card.text.push(' ');
                card.pieces.push(Piece { at: card.text.len(), line, from: from + 1 });
                card.text.push_str(rest);
            }
            (None, _) if body.len() < LONGEST_CARD => {
                let pieces = vec![Piece { at: 0, line, from }];
                cards.push(Card { file, text: body.to_owned(), pieces });
            }
            (continues, last) => {
                let card = Card { file, text: body.to_owned(), pieces: vec![Piece { at: 0, line, from }] };
                let spot = card.spot(0..1);
                let (message, help) = if continues.is_some() && last.is_none() {
                    ("`+` continues a line, and there is none before it".to_owned(), "remove the `+`")
                } else {
                    let message = format!("the statement is longer than {LONGEST_CARD} bytes");
                    (message, "split it into several")
                };
                sources.error("netlist-line", spot, message, help);
            }
        }
    }
    cards
}

/// A line up to its comment: `*` at its head, `;` anywhere, `$` after a blank and before one.
fn without_comment(line: &str) -> &str {
    if line.trim_start().starts_with('*') {
        return "";
    }
    let line = line.split(';').next().unwrap_or("");
    let bytes = line.as_bytes();
    let blank = |at: Option<usize>| at.and_then(|at| bytes.get(at)).is_none_or(u8::is_ascii_whitespace);
    let dollar = memchr::memchr_iter(b'$', bytes).find(|at| blank(at.checked_sub(1)) && blank(Some(at + 1)));
    line.get(..dollar.unwrap_or(line.len())).unwrap_or(line)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn texts(text: &str) -> Vec<String> {
        let mut sources = Sources::default();
        let file = sources.add("a.cir", text);
        cards(&mut sources, file, 1).into_iter().map(|card| card.text).collect()
    }

    #[test]
    fn comments_go_and_continuations_join() {
        let text = "title\n* all\nR1 a b ; end\n\n*between\n  + 1k $ end\n + tc\nC1 a$b 0 1n\n.control\nrun\n.endc\nL1 a 0 1";
        assert_eq!(texts(text), ["R1 a b  1k  tc", "C1 a$b 0 1n", ".control", "L1 a 0 1"]);
    }

    #[test]
    fn places_are_those_of_the_line_that_was_continued() {
        let mut sources = Sources::default();
        let file = sources.add("a.cir", "title\nR1 a b\n  + 1k");
        let cards = cards(&mut sources, file, 1);
        let at = cards[0].text.find("1k").unwrap();
        let spot = cards[0].spot(at..at + 2);
        assert_eq!((spot.line, spot.from, spot.to), (2, 4, 6));
    }
}
