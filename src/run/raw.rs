//! A run file before its spec is known.

use super::Run;
use super::against::{Against, RunFile};
use super::read::read;
use crate::diagnostic::Diagnostic;
use crate::spec::{LoadedSpec, product};
use crate::yaml::{Findings, Path, Sort, Value, at_key, parse_as};
use std::sync::Arc;

/// How run files are known.
pub(crate) const SORT: Sort = Sort {
    what: "a run",
    keys: &[
        "run",
        "product",
        "serial",
        "revision",
        "firmware",
        "build",
        "station",
        "reference",
        "taken",
        "operator",
        "instrument",
        "calibrated_until",
        "injection",
        "notes",
        "reading",
        "sweeps",
        "pattern",
    ],
    written_by: Some("begin --run FOLDER --spec FILE --serial TEXT --revision TEXT"),
};

/// A run file, parsed but not yet checked against its spec.
#[derive(Debug, Clone)]
pub struct RawRun {
    own: RunFile,
    product: String,
    /// What was found so far.
    earlier: Vec<Diagnostic>,
}

/// Parses a run file as far as its product. `file` and `folder` are named as reached, with `/`.
///
/// # Errors
/// When it is no YAML or does not name its product; then everything that is wrong as far as it shows without a spec.
pub fn parse(bytes: &[u8], file: &str, folder: &str) -> Result<RawRun, Vec<Diagnostic>> {
    let file: Arc<str> = Arc::from(file);
    let findings = Findings::default();
    let Some(root) = parse_as(&SORT, bytes, &file, 0, &findings) else {
        return Err(findings.into_sorted(&file));
    };
    let earlier = findings.into_sorted(&file);
    // Its errors are found again with all others.
    let scratch = Findings::default();
    let name = root.entry("product").and_then(|entry| product(&Value::at(entry, &Path::ROOT, &scratch)));
    let own = RunFile { file, folder: folder.to_owned(), root };
    let raw = RawRun { own, product: name.unwrap_or_default(), earlier };
    if raw.product.is_empty() { Err(raw.check_alone()) } else { Ok(raw) }
}

impl RawRun {
    /// The product, which names the spec.
    #[must_use]
    pub fn product(&self) -> &str {
        &self.product
    }

    /// The run file, as reached.
    #[must_use]
    pub fn file(&self) -> &str {
        &self.own.file
    }

    /// The run's folder, as reached.
    #[must_use]
    pub fn folder(&self) -> &str {
        &self.own.folder
    }

    /// A label of the top level, such as `serial`; `None` when it is not there or no label.
    #[must_use]
    pub fn label(&self, key: &str) -> Option<String> {
        // Its errors are found again with all others.
        let scratch = Findings::default();
        let entry = self.own.root.entry(key)?;
        Value::at(entry, &Path::ROOT, &scratch).label("a label").map(str::to_owned)
    }

    /// Puts a diagnostic about a key of the top level, such as a product without a spec, where the key stands; where it
    /// does not, at the start.
    #[must_use]
    pub fn at(&self, key: &str, diagnostic: Diagnostic) -> Diagnostic {
        at_key(&self.own.root, key, diagnostic)
    }

    /// Puts a diagnostic about a sweep file where `sweeps` names it; where it does not, at the start.
    #[must_use]
    pub fn at_sweep(&self, file: &str, diagnostic: Diagnostic) -> Diagnostic {
        let findings = Findings::default();
        let top = Value::root(&self.own.root, &findings);
        let sweeps = self.own.root.entry("sweeps").map(|entry| top.inner(entry));
        for item in sweeps.iter().filter_map(|sweeps| sweeps.items("a list")).flatten() {
            let named = item.node.entry("file").map(|entry| item.inner(entry));
            let Some(named) = named else { continue };
            let is_one = named.scalar().is_some();
            let pieces: Vec<Value<'_>> =
                (!is_one).then(|| named.items("a list")).flatten().into_iter().flatten().collect();
            let is_meant = |value: &Value<'_>| value.scalar() == Some(file);
            if let Some(meant) = pieces.iter().chain([&named]).find(|value| is_meant(value)) {
                return meant.placed(diagnostic);
            }
        }
        top.placed(diagnostic)
    }

    /// Whether the names of the files in the run's folder are needed: the run has a `pattern`.
    #[must_use]
    pub fn needs_listing(&self) -> bool {
        self.own.root.get("pattern").is_some()
    }

    /// Everything that is wrong as far as it shows without a spec.
    #[must_use]
    pub fn check_alone(&self) -> Vec<Diagnostic> {
        let findings = Findings::from_earlier(self.earlier.clone());
        // Without a spec there is no run.
        let _ = read(&self.own, None, &findings);
        findings.into_sorted(&self.own.file)
    }

    /// Checks the run against its spec. `names` are the files in the run's folder, only needed with
    /// [`RawRun::needs_listing`].
    ///
    /// # Errors
    /// Everything that is wrong with it, by place.
    pub fn resolve(&self, spec: &LoadedSpec, names: &[String]) -> Result<Run, Vec<Diagnostic>> {
        let findings = Findings::from_earlier(self.earlier.clone());
        let run = read(&self.own, Some(Against { spec, names }), &findings);
        findings.into_result(run, &self.own.file).map(|(run, _)| run)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn everything_crosses_threads() {
        fn assert_send_sync<T: Send + Sync>() {}
        assert_send_sync::<RawRun>();
        assert_send_sync::<LoadedSpec>();
    }

    /// The keys that the reader asks for are those that runs are known by.
    #[test]
    fn runs_are_known_by_the_keys_that_are_read() {
        let errors = parse(b"run: 1\nunknown_key_: 1\n", "run.yaml", ".").unwrap_err();
        let help = errors.iter().find(|e| e.code == "unknown-key").unwrap().help.clone().unwrap();
        let mut read: Vec<&str> = help.rsplit("known here: ").next().unwrap().split(", ").collect();
        let mut known = SORT.keys.to_vec();
        read.sort_unstable();
        known.sort_unstable();
        assert_eq!(read, known);
    }

    #[test]
    fn without_a_spec_errors_still_show() {
        let raw =
            parse(b"run: 1\nproduct: p\nserial: ''\nsweeps: [{file: ../a, corner: x}]\n", "run.yaml", ".")
                .unwrap();
        assert_eq!((raw.product(), raw.needs_listing()), ("p", false));
        let codes: Vec<_> = raw.check_alone().iter().map(|d| d.code).collect();
        assert_eq!(codes, ["missing-key", "empty-text", "bad-path"]);
        let nameless = parse(b"run: 1\nserial: ''\npattern: x\n", "run.yaml", ".").unwrap_err();
        assert_eq!(nameless.len(), 4);
    }
}
