//! The frequencies of the file before, as they were written: files of one line mostly repeat them, and what is written the same is not parsed
//! again.

/// Rows that are kept: some 128 kB.
const MOST: usize = 4_096;
/// Longest text that is kept, with the mark behind it.
const LONGEST: usize = 16;

/// A number as it was written in a row.
#[derive(Debug, Clone, Copy)]
struct Kept {
    /// Its text and the mark behind it, in the last bytes.
    text: u128,
    /// Bits before the text.
    shift: u32,
    value: f64,
}

/// Nothing that is written: no text is shifted to end in a 1.
const NONE: Kept = Kept { text: 1, shift: 8, value: 0.0 };

/// The numbers of one column, row by row.
#[derive(Debug, Clone, Default)]
pub(super) struct KeptColumn(Vec<Kept>);

impl KeptColumn {
    /// The number at the start of `text` and its length, from the same row of the file before or by `parse`.
    #[inline]
    pub(super) fn number(
        &mut self,
        row: usize,
        text: &[u8],
        parse: impl FnOnce(&[u8]) -> Option<(f64, usize)>,
    ) -> Option<(f64, usize)> {
        let Some(first) = text.first_chunk::<LONGEST>() else { return parse(text) };
        let word = u128::from_le_bytes(*first);
        if let Some(kept) = self.0.get(row)
            && word << kept.shift == kept.text
        {
            return Some((kept.value, LONGEST - 1 - kept.shift as usize / 8));
        }
        let (value, length) = parse(text)?;
        self.keep(row, word, first.get(length).copied(), value, length);
        Some((value, length))
    }

    /// Keeps a number where what is behind it surely ends it.
    #[inline(never)]
    fn keep(&mut self, row: usize, word: u128, behind: Option<u8>, value: f64, length: usize) {
        if row < MOST && matches!(behind, Some(b',' | b';' | b'\t' | b' ')) {
            if self.0.len() <= row {
                self.0.resize(row + 1, NONE);
            }
            let shift = 8 * (LONGEST - 1 - length) as u32;
            if let Some(kept) = self.0.get_mut(row) {
                *kept = Kept { text: word << shift, shift, value };
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::number::leading;
    use super::*;

    /// Another text in the same row is parsed, whatever it has in common with the one before.
    #[test]
    fn only_the_same_text_has_the_same_number() {
        let texts = [
            "100,1,2\n1000,2,3\n",
            "100.5,1,2\n10000000",
            "1000,1,2\n1000,2,3\n",
            "100;1;2\n1000;2;3\n",
            "1e2,1,2\n1000,2,3\n",
        ];
        let mut column = KeptColumn::default();
        for text in texts.iter().chain(texts.iter().rev()).chain(&texts) {
            let found = column.number(0, text.as_bytes(), leading);
            assert_eq!(found, leading(text.as_bytes()), "{text}");
        }
        let kept = column.number(0, texts[4].as_bytes(), |_| None);
        assert_eq!(kept, Some((100.0, 3)), "the same text is not parsed again");
        assert_eq!(column.number(1, texts[4].as_bytes(), |_| None), None, "another row");
    }

    /// A row that was skipped has no number, not even for bytes that are all 0.
    #[test]
    fn a_skipped_row_is_parsed() {
        let mut column = KeptColumn::default();
        assert_eq!(column.number(2, b"100,1,2\n1000,2,3\n", leading), Some((100.0, 3)));
        for bytes in [[0; 16], [1; 16], *b"\x01\0\0\0\0\0\0\0\0\0\0\0\0\0\0\0"] {
            assert_eq!(column.number(1, &bytes, |_| None), None, "{bytes:?}");
        }
    }

    /// Long numbers, and short rests of a file, are parsed each time.
    #[test]
    fn what_is_not_kept_is_parsed() {
        let mut column = KeptColumn::default();
        for text in ["100.000000000000,1,2\n3", "100,1,2", "100.00000000000,1,2\n3", "100\n1,2,3,4,5,6,7,8,9"]
        {
            for _ in 0..2 {
                assert_eq!(column.number(0, text.as_bytes(), leading), leading(text.as_bytes()), "{text}");
            }
        }
    }
}
