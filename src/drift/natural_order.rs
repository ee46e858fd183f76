//! Natural order of labels: runs of digits count as numbers, so that `W9` comes before `W14`.

use std::cmp::Ordering;

/// Compares two labels in natural order; labels that differ only in leading zeros by their bytes.
#[must_use]
pub fn natural(a: &str, b: &str) -> Ordering {
    let (mut left, mut right) = (a, b);
    loop {
        let ((x, x_rest), (y, y_rest)) = (piece(left), piece(right));
        if x.is_empty() || y.is_empty() {
            return x.len().cmp(&y.len()).then_with(|| a.cmp(b));
        }
        let order = match (is_digit(x), is_digit(y)) {
            (true, true) => {
                let (m, n) = (x.trim_start_matches('0'), y.trim_start_matches('0'));
                m.len().cmp(&n.len()).then_with(|| m.cmp(n))
            }
            _ => x.cmp(y),
        };
        if order != Ordering::Equal {
            return order;
        }
        (left, right) = (x_rest, y_rest);
    }
}

fn is_digit(text: &str) -> bool {
    text.starts_with(|c: char| c.is_ascii_digit())
}

/// The digits, or what is none, at the start of a text; and the rest.
fn piece(text: &str) -> (&str, &str) {
    let digits = is_digit(text);
    let end = text.find(|c: char| c.is_ascii_digit() != digits).unwrap_or(text.len());
    text.split_at(end)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_count_as_numbers() {
        let mut labels = ["2026-W14", "2026-W9", "B", "A", "2.10", "2.9", "2.09", "10", "", "2026-W09"];
        labels.sort_by(|a, b| natural(a, b));
        assert_eq!(labels, ["", "2.09", "2.9", "2.10", "10", "2026-W09", "2026-W9", "2026-W14", "A", "B"]);
        // More digits than any integer holds.
        let long = "1".repeat(60);
        assert_eq!(natural(&long, &format!("{long}0")), Ordering::Less);
    }
}
