//! The nearest known word to a misspelt one.

/// The candidate most like `word`, when one is near enough to be meant.
#[must_use]
pub fn nearest<'a>(word: &str, candidates: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    // Jaro-Winkler of 0.7 accepts a swapped, missing or doubled letter in short words and refuses unrelated ones.
    const NEAR: f64 = 0.7;
    let lower = word.to_lowercase();
    candidates
        .into_iter()
        .map(|candidate| (strsim::jaro_winkler(&lower, &candidate.to_lowercase()), candidate))
        .filter(|(score, _)| *score >= NEAR)
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, candidate)| candidate)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn finds_the_one_that_was_meant() {
        let keys = ["product", "phase_margin", "gain_margin", "crossover", "crossings"];
        assert_eq!(nearest("phase_margn", keys), Some("phase_margin"));
        assert_eq!(nearest("Crossover", keys), Some("crossover"));
        assert_eq!(nearest("zzz", keys), None);
    }
}
