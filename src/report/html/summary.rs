//! What the report shows of all that was judged.

/// What was written.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct HtmlSummary {
    /// Corners judged.
    pub corners: u64,
    /// Corners with a detail.
    pub details: u64,
    /// Corners that are not pass and have no detail, because there are too many.
    pub left_out: u64,
}

impl HtmlSummary {
    /// A note where details were left out that a reader would miss.
    #[must_use]
    pub fn note(&self) -> Option<String> {
        (self.left_out > 0).then(|| {
            format!(
                "the HTML report shows {} corners that are not pass by a line or in its matrix alone, to stay small enough for a browser; \
                 the JSON result has them all, and a report of fewer runs, or with --only, shows more of them",
                self.left_out
            )
        })
    }
}
