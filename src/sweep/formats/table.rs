//! Named columns of numbers.

use std::fmt::Write;

/// What a row's number says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Lines {
    /// Row k is line k of the file.
    OfTheFile,
    /// Rows have no lines.
    None,
}

/// A table; all columns are as long.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Table {
    /// Names of the columns; none where they have only positions.
    pub(super) names: Vec<String>,
    pub(super) columns: Vec<Vec<f64>>,
    pub(super) lines: Lines,
}

impl Table {
    pub(super) fn is_named(&self) -> bool {
        !self.names.is_empty()
    }

    /// The table as text with commas. Every number has as many digits as give it back.
    pub(super) fn text(&self) -> String {
        let mut text = String::new();
        for (index, name) in self.names.iter().enumerate() {
            let comma = if index > 0 { "," } else { "" };
            // Memory takes what is written.
            let _ = write!(text, "{comma}\"{}\"", name.replace('"', "\"\""));
        }
        if self.is_named() {
            text.push('\n');
        }
        let rows = self.columns.first().map_or(0, Vec::len);
        for row in 0..rows {
            for (index, column) in self.columns.iter().enumerate() {
                let comma = if index > 0 { "," } else { "" };
                let _ = write!(text, "{comma}{:?}", column.get(row).copied().unwrap_or(f64::NAN));
            }
            text.push('\n');
        }
        text
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_keep_all_their_digits() {
        let numbers = vec![0.1 + 0.2, 1e-300, -123_456.789_012_345_67, 1e22, 5e-324];
        let table = Table {
            names: vec!["a \"b\", c".to_owned()],
            columns: vec![numbers.clone()],
            lines: Lines::None,
        };
        let text = table.text();
        let mut lines = text.lines();
        assert_eq!(lines.next(), Some("\"a \"\"b\"\", c\""));
        let back: Vec<f64> = lines.map(|line| line.parse().unwrap()).collect();
        assert_eq!(back, numbers);
    }
}
