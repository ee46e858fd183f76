//! Counts and lists as messages write them.

/// `1 corner`, `2 corners`.
pub(crate) fn count_of(count: u64, what: &str) -> String {
    format!("{count} {what}{}", if count == 1 { "" } else { "s" })
}

/// `a, b and 5 more`: the first names, and how many there are beyond `most`.
pub(crate) fn listed<S: AsRef<str>>(names: &[S], most: usize) -> String {
    let named: Vec<&str> = names.iter().take(most).map(AsRef::as_ref).collect();
    match names.len().saturating_sub(most) {
        0 => named.join(", "),
        more => format!("{} and {more} more", named.join(", ")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_not_listed_is_counted() {
        assert_eq!([count_of(0, "run"), count_of(1, "run")], ["0 runs", "1 run"]);
        assert_eq!(listed(&["a", "b"], 2), "a, b");
        assert_eq!(listed(&["a", "b", "c"], 2), "a, b and 1 more");
        assert_eq!(listed::<&str>(&[], 2), "");
    }
}
