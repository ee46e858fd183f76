//! Columns of text, as wide as they must be.

/// Which side of its column a cell stands on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::report) enum Side {
    Left,
    Right,
}

/// A line per row; columns that are empty in every row are left out. Cells are clean already.
pub(in crate::report) fn columns<const N: usize>(rows: &[[String; N]], sides: [Side; N]) -> Vec<String> {
    let widths: [usize; N] = std::array::from_fn(|column| {
        rows.iter().filter_map(|row| row.get(column)).map(|cell| cell.chars().count()).max().unwrap_or(0)
    });
    rows.iter()
        .map(|row| {
            let cells: Vec<String> = row
                .iter()
                .zip(widths)
                .zip(sides)
                .filter(|((_, width), _)| *width > 0)
                .map(|((cell, width), side)| match side {
                    Side::Left => format!("{cell:<width$}"),
                    Side::Right => format!("{cell:>width$}"),
                })
                .collect();
            cells.join("  ").trim_end().to_owned()
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn columns_are_aligned_and_empty_ones_left_out() {
        let row = |a: &str, b: &str, c: &str| [a.to_owned(), b.to_owned(), c.to_owned()];
        let lines = columns(&[row("a", "", "1"), row("µµ", "", "10")], [Side::Left, Side::Left, Side::Right]);
        assert_eq!(lines, ["a    1", "µµ  10"]);
    }
}
