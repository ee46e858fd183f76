//! How deep a text nests brackets, found without parsing: the parser's time grows with the square of that depth.

/// Where more than `most` brackets are open; `None` when that is nowhere.
///
/// Counted twice: once with every bracket, once without those in quotes, comments and block text. A bracket closed only
/// in quotes fools the first count, an apostrophe in odd places the second.
pub(super) fn deepest_flow(text: &str, most: usize) -> Option<usize> {
    let bytes = text.as_bytes();
    // Files with few brackets need no lexing.
    if memchr::memchr2_iter(b'[', b'{', bytes).take(most + 1).count() <= most {
        return None;
    }
    let mut depth = 0_usize;
    let mut closers = memchr::memchr2_iter(b']', b'}', bytes).peekable();
    for at in memchr::memchr2_iter(b'[', b'{', bytes) {
        while closers.next_if(|closer| *closer < at).is_some() {
            depth = depth.saturating_sub(1);
        }
        depth += 1;
        if depth > most {
            return Some(at);
        }
    }
    Lexer { bytes, at: 0, depth: 0, most }.run()
}

struct Lexer<'t> {
    bytes: &'t [u8],
    at: usize,
    depth: usize,
    most: usize,
}

impl Lexer<'_> {
    fn peek(&self) -> Option<u8> {
        self.bytes.get(self.at).copied()
    }

    fn run(mut self) -> Option<usize> {
        // Whether a scalar may begin here: quotes mean nothing inside a plain scalar.
        let mut fresh = true;
        while let Some(byte) = self.peek() {
            let at = self.at;
            self.at += 1;
            match byte {
                b'[' | b'{' => {
                    self.depth += 1;
                    if self.depth > self.most {
                        return Some(at);
                    }
                    fresh = true;
                }
                b']' | b'}' => {
                    self.depth = self.depth.saturating_sub(1);
                    fresh = false;
                }
                b'"' | b'\'' if fresh => {
                    self.skip_quoted(byte);
                    fresh = false;
                }
                b'#' if self.after_blank(at) => self.skip_line(),
                b'|' | b'>' if fresh && self.depth == 0 => self.skip_block(at),
                b',' | b'\n' | b'\r' => fresh = true,
                b':' | b'-' | b'?' => {
                    fresh = fresh || matches!(self.peek(), Some(b' ' | b'\t' | b'\n' | b'\r'))
                }
                b' ' | b'\t' => {}
                _ => fresh = false,
            }
        }
        None
    }

    fn after_blank(&self, at: usize) -> bool {
        at.checked_sub(1).is_none_or(|b| matches!(self.bytes.get(b), Some(b' ' | b'\t' | b'\n' | b'\r')))
    }

    fn skip_quoted(&mut self, quote: u8) {
        while let Some(byte) = self.peek() {
            self.at += 1;
            if byte == b'\\' && quote == b'"' {
                self.at += 1;
            } else if byte == quote {
                if quote == b'\'' && self.peek() == Some(quote) {
                    self.at += 1;
                } else {
                    return;
                }
            }
        }
    }

    fn skip_line(&mut self) {
        let rest = self.bytes.get(self.at..).unwrap_or(&[]);
        self.at += memchr::memchr2(b'\n', b'\r', rest).unwrap_or(rest.len());
    }

    /// Skips the lines of a block scalar whose header stands at `header`: those deeper than the key it belongs to.
    fn skip_block(&mut self, header: usize) {
        let line = self.bytes.get(..header).unwrap_or(&[]);
        let start = memchr::memrchr2(b'\n', b'\r', line).map_or(0, |end| end + 1);
        let before = self.bytes.get(start..header).unwrap_or(&[]);
        let lead = before.iter().take_while(|b| matches!(b, b' ' | b'-' | b'?')).count();
        // `- |` belongs to the dash, `- key: |` to the key.
        let indent =
            if lead == before.len() { before.iter().rposition(|b| *b != b' ').unwrap_or(0) } else { lead };
        loop {
            self.skip_line();
            let rest = self.bytes.get(self.at..).unwrap_or(&[]);
            let breaks = rest.iter().take_while(|b| matches!(b, b'\n' | b'\r')).count();
            let blanks = rest.iter().skip(breaks).take_while(|b| **b == b' ').count();
            let next = rest.get(breaks + blanks);
            if next.is_none() || (blanks <= indent && !matches!(next, Some(b'\n' | b'\r'))) {
                return;
            }
            self.at += breaks + blanks;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn counts_what_is_open() {
        assert_eq!(deepest_flow(&"[".repeat(100), 100), None);
        assert_eq!(deepest_flow(&"[".repeat(101), 100), Some(100));
        assert_eq!(deepest_flow(&"[{}, ".repeat(101), 100), Some(99 * 5 + 1));
        assert_eq!(deepest_flow(&"{a: [1]}\n".repeat(1000), 100), None);
    }

    #[test]
    fn closers_in_quotes_comments_and_block_text_do_not_close() {
        assert!(deepest_flow(&"[ \"]\", ".repeat(101), 100).is_some());
        assert!(deepest_flow(&"[ ']', ".repeat(101), 100).is_some());
        assert!(deepest_flow(&"[ # ]\n".repeat(101), 100).is_some());
        assert!(deepest_flow("notes: |\n  \"don't\n", 100).is_none());
        let hidden = format!("notes: |\n  \" text\nlist: {}", "[ ']', ".repeat(101));
        assert!(deepest_flow(&hidden, 100).is_some());
        let fine = format!("notes: don't\nlist:\n{}", "  - {file: \"a[.csv\", b: 'it''s {'}\n".repeat(40));
        assert!(deepest_flow(&fine, 100).is_none());
    }
}
