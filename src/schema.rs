//! The JSON Schema (2020-12) of specs and runs, for editors.
//!
//! All keys, units, examples and defaults stand in `schema/defs.json`. The readers ask for each key by hand; the tests hold the
//! two against each other, key by key.
//!
//! **Why is the schema a file by hand, and not derived?** The readers ask for keys one by one, so there are no types
//! to derive it from, and its descriptions are texts for people. What could drift apart is held together by a test:
//! an unknown key is planted into every map, and the keys that the reader then lists must be those of the schema.
//!
//! **Why does the schema not require what `extends` may bring?** It sees one file. A file without `product` may be a
//! part, and one with `extends` gets the rest from below. Only a file that names a product and extends nothing must
//! be whole.

/// The definitions that all documents share.
const DEFS: &str = include_str!("schema/defs.json");

/// What a schema is wanted of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Subject {
    /// Specs and runs: what has the key `run` is a run.
    #[default]
    Both,
    /// Specs.
    Spec,
    /// Runs.
    Run,
}

/// The schema as a JSON text with a line end.
///
/// ```
/// use loopgauge::schema::{Subject, document};
/// assert!(document(Subject::Run).contains("https://json-schema.org/draft/2020-12/schema"));
/// ```
#[must_use]
pub fn document(subject: Subject) -> String {
    let (title, root) = match subject {
        Subject::Both => (
            "spec or run of loopgauge",
            "\"if\": {\"required\": [\"run\"]},\n  \"then\": {\"$ref\": \"#/$defs/run\"},\n  \
             \"else\": {\"$ref\": \"#/$defs/spec\"}",
        ),
        Subject::Spec => ("spec of loopgauge", "\"$ref\": \"#/$defs/spec\""),
        Subject::Run => ("run of loopgauge", "\"$ref\": \"#/$defs/run\""),
    };
    let defs = DEFS.trim_end().replace('\n', "\n  ");
    format!(
        "{{\n  \"$schema\": \"https://json-schema.org/draft/2020-12/schema\",\n  \"title\": \"{title}\",\n  \
         {root},\n  \"$defs\": {defs}\n}}\n"
    )
}
