//! The text of one file, and places in it.

use crate::diagnostic::{Excerpt, Place};
use std::ops::Range;
use std::sync::{Arc, OnceLock};

/// The text of one file.
#[derive(Debug)]
pub(crate) struct Source {
    /// The file as it was reached.
    pub(crate) file: Arc<str>,
    /// How many `extends` away from the file that was asked for.
    pub(crate) rank: usize,
    /// The text, without a byte order mark.
    pub(crate) text: Box<str>,
    /// Byte offset of the start of each line; made when the first place is asked for.
    starts: OnceLock<Vec<usize>>,
}

impl Source {
    /// Wraps the text of a file.
    pub(crate) fn new(file: &Arc<str>, rank: usize, text: &str) -> Self {
        Self { file: Arc::clone(file), rank, text: text.into(), starts: OnceLock::new() }
    }

    /// Start and 0-based number of the line that holds `offset`.
    fn line_of(&self, offset: usize) -> (usize, usize) {
        let starts = self.starts.get_or_init(|| line_starts(&self.text));
        let number = starts.partition_point(|start| *start <= offset).saturating_sub(1);
        (starts.get(number).copied().unwrap_or(0), number)
    }

    /// The place of a byte.
    pub(crate) fn place(&self, offset: usize, key: Option<String>) -> Place {
        let offset = self.text.floor_char_boundary(offset);
        let (start, number) = self.line_of(offset);
        let column = self.text.get(start..offset).map_or(0, |before| before.chars().count());
        Place {
            file: Arc::clone(&self.file),
            line: Some(number as u64 + 1),
            column: Some(column as u64 + 1),
            key,
        }
    }

    /// The line that holds the start of `range`, with that range marked as far as the line goes.
    pub(crate) fn excerpt(&self, range: &Range<usize>) -> Excerpt {
        let (start, _) = self.line_of(range.start);
        let rest = self.text.get(start..).unwrap_or("");
        let line = rest.find(['\n', '\r']).and_then(|end| rest.get(..end)).unwrap_or(rest);
        Excerpt::new(line, range.start.saturating_sub(start)..range.end.saturating_sub(start))
    }
}

/// Starts of the lines of a text; lines end in LF, CR LF or CR.
fn line_starts(text: &str) -> Vec<usize> {
    let bytes = text.as_bytes();
    let mut starts = vec![0];
    for at in memchr::memchr2_iter(b'\n', b'\r', bytes) {
        if bytes.get(at) == Some(&b'\n') || bytes.get(at + 1) != Some(&b'\n') {
            starts.push(at + 1);
        }
    }
    starts
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn places_count_characters_and_all_line_ends() {
        let source = Source::new(&Arc::from("f"), 0, "a: 1\r\nµµ: x\rb: 2\nc: 3");
        let place = |needle: &str| {
            let place = source.place(source.text.find(needle).unwrap(), None);
            (place.line.unwrap(), place.column.unwrap())
        };
        assert_eq!(place("a"), (1, 1));
        assert_eq!(place("x"), (2, 5));
        assert_eq!(place("2"), (3, 4));
        assert_eq!(place("3"), (4, 4));
        let at = source.text.find('x').unwrap();
        let excerpt = source.excerpt(&(at..at + 1));
        assert_eq!((excerpt.text.as_str(), &excerpt.text[excerpt.mark.clone()]), ("µµ: x", "x"));
        assert_eq!(source.place(9999, None).line, Some(4));
    }
}
