//! From a spec file to a resolved spec.

use super::corners::Ground;
use super::extends::{Files, Tree, tree};
use super::top_level::Head;
use super::{Circuit, Corner, Spec, circuit, corner_overrides, corners, reading, top_level, waivers};
use crate::diagnostic::Diagnostic;
use crate::provenance::{FileDigest, ResolvedSpec};
use crate::sweep::Reading;
use crate::yaml::{Findings, Node, Value, at_key, canonical, json_string};
use std::sync::Arc;

/// A spec and what its files say besides.
#[derive(Debug, Clone)]
#[non_exhaustive]
pub struct LoadedSpec {
    /// The spec; the runs that are resolved against it share it.
    pub spec: Arc<Spec>,
    /// What is legal but unwise, by place.
    pub warnings: Vec<Diagnostic>,
    /// The files reached by `extends`, nearest first, as reached.
    pub extends: Vec<String>,
    /// The netlist of `circuit` and the files that it includes, as reached.
    pub netlists: Vec<FileDigest>,
    /// Everything laid together, for the record.
    pub resolved: ResolvedSpec,
    /// The tree that it was read from.
    pub(crate) root: Node,
}

impl LoadedSpec {
    /// Puts a diagnostic about a key of the top level where the key stands; where it does not, at the start.
    #[must_use]
    pub fn at(&self, key: &str, diagnostic: Diagnostic) -> Diagnostic {
        at_key(&self.root, key, diagnostic)
    }
}

/// Reads a spec with everything it extends.
///
/// ```
/// let text = "spec: 1
/// product: river-gauge-5v
/// critical_point: +1
/// limits: {phase_margin: {min: 50 deg}}
/// linearity: {crossover: 2 %, phase_margin: 2 deg}
/// corners:
///   - {name: \"{input}\", conditions: {input: [10 V, 24 V]}}
/// ";
/// let files = |_: &str| Ok(text.as_bytes().to_vec());
/// let loaded = loopgauge::spec::load("river-gauge-5v.yaml", &files).unwrap();
/// assert_eq!(loaded.spec.corners[1].name, "24V");
///
/// let files = |_: &str| Ok(text.replace("50 deg", "50").into_bytes());
/// let errors = loopgauge::spec::load("river-gauge-5v.yaml", &files).unwrap_err();
/// assert!(errors[0].one_line().starts_with("river-gauge-5v.yaml:4:30: limits.phase_margin.min: `50` has no unit"));
/// ```
///
/// # Errors
/// Everything that is wrong with it, by place, the named file first; warnings among them.
pub fn load(path: &str, files: &dyn Files) -> Result<LoadedSpec, Vec<Diagnostic>> {
    let top: Arc<str> = Arc::from(path);
    let findings = Findings::default();
    let tree = tree(path, files, &findings);
    let spec = tree.as_ref().and_then(|tree| read(&tree.root, path, files, true, &findings));
    let ((spec, netlists), warnings) = findings.into_result(spec, &top)?;
    let resolved = tree.as_ref().map(|tree| canonical(&tree.root)).unwrap_or_default();
    let resolved = ResolvedSpec::of(&with_netlists(resolved, path, &netlists));
    match tree {
        Some(Tree { root, extends }) => {
            Ok(LoadedSpec { spec: Arc::new(spec), warnings, extends, netlists, resolved, root })
        }
        None => Err(warnings),
    }
}

/// Checks a file that is only meant to be extended: its keys and values, not that it is complete. Gives the warnings.
///
/// # Errors
/// Everything that is wrong with it, by place, the named file first; warnings among them.
pub fn check_part(path: &str, files: &dyn Files) -> Result<Vec<Diagnostic>, Vec<Diagnostic>> {
    let top: Arc<str> = Arc::from(path);
    let findings = Findings::default();
    let checked = tree(path, files, &findings).map(|tree| {
        // A part gives no spec.
        let _ = read(&tree.root, path, files, false, &findings);
    });
    findings.into_result(checked, &top).map(|((), warnings)| warnings)
}

/// The resolved spec with digests of its netlists, whose text it does not hold: what they say carries verdicts, too.
fn with_netlists(resolved: String, path: &str, netlists: &[FileDigest]) -> String {
    let Some(open) = resolved.strip_suffix('}').filter(|_| !netlists.is_empty()) else { return resolved };
    let folder = path.rsplit_once('/').map_or("", |(folder, _)| folder);
    let one = |digest: &FileDigest| {
        // No folder but those that the spec names: the same spec elsewhere is the same.
        let name = digest.file.strip_prefix(folder).unwrap_or(&digest.file).trim_start_matches('/');
        format!("{}: \"{}\"", json_string(name), digest.sha256)
    };
    let list: Vec<String> = netlists.iter().map(one).collect();
    format!("{open}, \"netlists\": {{{}}}}}", list.join(", "))
}

/// Reads a merged tree, and the files of its netlist; `None` when a part of the spec cannot be made.
fn read(
    root: &Node,
    path: &str,
    files: &dyn Files,
    whole: bool,
    findings: &Findings,
) -> Option<(Spec, Vec<FileDigest>)> {
    let value = Value::root(root, findings);
    let fields = value.fields("a map of keys")?;
    let head = top_level::read(&fields, whole);
    // Followed and taken out before; a known key all the same.
    let _ = fields.get("extends");
    let reading = fields.get("reading").map(|value| reading::read(&value, whole));
    let before = findings.errors();
    let base = corner_overrides::read(&fields, head.switching_frequency, whole);
    let ground = Ground { root, base: &base, switching: head.switching_frequency, whole };
    let list = if whole {
        fields.required("corners", "corners: [{name: 24V-3A, conditions: {input: 24 V, load: 3 A}}]")
    } else {
        fields.get("corners")
    };
    let mut corners = list.as_ref().map(|value| corners::read(value, &ground)).unwrap_or_default();
    // Where corners or limits are wrong, what refers to them would be called wrong, too.
    let sound = findings.errors() == before;
    let around = circuit::Around { corners: &corners, whole, sound };
    let circuit = fields.get("circuit").map(|value| circuit::read(&value, files, &around));
    if let Some(unexplained) = circuit.as_ref().and_then(|found| found.as_ref()?.circuit.unexplained) {
        corners.iter_mut().for_each(|corner| corner.limits.unexplained = Some(unexplained));
    }
    if let Some(value) = fields.get("waivers") {
        waivers::read(&value, &mut corners, whole && sound);
    }
    let limited = base.has_limit || corners.iter().any(|corner| corner.limits.checks().next().is_some());
    if whole && sound && !limited {
        let help = "add for example `limits: {phase_margin: {min: 50 deg}}`";
        value.error("judges-nothing", "the spec has no limit, so nothing would be judged", help);
    }
    fields.finish();
    let reading = reading.map_or(Some(Reading::default()), |read| read)?;
    // A circuit that cannot be read is an error, which stands by now.
    let (circuit, netlists) = match circuit.flatten() {
        Some(found) => (Some(found.circuit), found.files),
        None => (None, Vec::new()),
    };
    Some((assemble(head, corners, reading, circuit, path)?, netlists))
}

fn assemble(
    head: Head,
    corners: Vec<Corner>,
    reading: Reading,
    circuit: Option<Circuit>,
    path: &str,
) -> Option<Spec> {
    Some(Spec {
        file: path.to_owned(),
        product: head.product?,
        title: head.title,
        critical_point: head.critical_point?,
        open_loop_poles: head.open_loop_poles,
        switching_frequency: head.switching_frequency,
        accuracy: head.accuracy,
        decision: head.decision,
        impedance_ratio: head.impedance_ratio,
        conditions_tolerance: head.conditions_tolerance,
        reading,
        drift: head.drift,
        circuit,
        corners,
    })
}
