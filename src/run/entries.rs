//! `sweeps`: the files of a run, one by one.

use super::against::{Against, CornerIndex};
use super::{CornerSweeps, Excitation, SweepEntry};
use crate::diagnostic::nearest;
use crate::quantity::{Condition, Decibel, Level, QuantityError};
use crate::spec::plausible::OFFSET;
use crate::spec::{Corner, condition};
use crate::yaml::{Kind, Sign, Value, code_of};
use std::collections::HashMap;

/// Reads `sweeps` into their corners; `None` when it is no list.
pub(super) fn read(
    value: &Value<'_>,
    against: Option<Against<'_>>,
    index: &CornerIndex<'_>,
    corners: &mut [CornerSweeps],
) -> Option<()> {
    let items = value.items("a list such as `[{file: 24v-3a.csv, corner: 24V-3A, level: -26 dBm}]`")?;
    let mut files: HashMap<String, u64> = HashMap::new();
    for item in items {
        let Some(fields) = item.fields("a map such as `{file: 24v-3a.csv, corner: 24V-3A}`") else {
            continue;
        };
        let file_value = fields.required("file", "file: 24v-3a.csv");
        let pieces = file_value.as_ref().and_then(|value| pieces(value, &mut files));
        let position =
            fields.required("corner", "corner: 24V-3A").and_then(|value| corner(&value, against, index));
        let level_value = fields.get("level");
        let level = level_value.as_ref().map(excitation);
        let known = position.and_then(|at| against.and_then(|against| against.spec.spec.corners.get(at)));
        let actual = fields.get("actual").map(|value| actual(&value, known)).unwrap_or_default();
        fields.finish();
        let excitation = match level {
            None => None,
            Some(Some(excitation)) => Some(excitation),
            Some(None) => continue,
        };
        let (Some(pieces), Some(corner)) = (pieces, position.and_then(|at| corners.get_mut(at))) else {
            continue;
        };
        if let Some(first) = corner.entries.first() {
            check_mix(level_value.as_ref().unwrap_or(&item), first, excitation.as_ref());
        }
        corner.entries.push(SweepEntry { files: pieces, excitation, actual });
    }
    Some(())
}

/// The file of a sweep, or the list of its pieces.
fn pieces(value: &Value<'_>, files: &mut HashMap<String, u64>) -> Option<Vec<String>> {
    if !matches!(value.node.kind, Kind::List(_)) {
        let file = sweep_path(value)?;
        claim(value, &file, files);
        return Some(vec![file]);
    }
    let items = value.items("a list of files such as `[low.csv, high.csv]`")?;
    let mut pieces = Vec::new();
    for item in items {
        let file = sweep_path(&item)?;
        claim(&item, &file, files);
        pieces.push(file);
    }
    if pieces.is_empty() {
        value.error(
            "no-file",
            "the list of pieces is empty",
            "name the files of the sweep, such as `[low.csv, high.csv]`",
        );
        return None;
    }
    Some(pieces)
}

/// A path that stays inside the run's folder, as written.
fn sweep_path(value: &Value<'_>) -> Option<String> {
    let text = value.label("a file name such as `24v-3a.csv`")?;
    let bytes = text.as_bytes();
    let drive = bytes.first().is_some_and(u8::is_ascii_alphabetic) && bytes.get(1) == Some(&b':');
    let trouble = if text.starts_with('/') || drive {
        "is an absolute path"
    } else if text.contains('\\') {
        "has a backslash"
    } else if text.split('/').any(|part| part == "..") {
        "leads out of the run's folder"
    } else if normal(text).is_empty() || text.ends_with('/') {
        "is no file"
    } else {
        return Some(text.to_owned());
    };
    value.error("bad-path", format!("`{text}` {trouble}"), "name a file inside the run's folder, with `/`");
    None
}

fn normal(path: &str) -> String {
    path.split('/').filter(|part| !matches!(*part, "" | ".")).collect::<Vec<_>>().join("/")
}

/// Registers a file; one file in two entries is an error.
fn claim(value: &Value<'_>, file: &str, files: &mut HashMap<String, u64>) {
    let line = value.line().unwrap_or(0);
    if let Some(first) = files.insert(normal(file), line) {
        let message = format!("the file `{file}` stands in two entries, first on line {first}");
        value.error("duplicate-file", message, "give each sweep a file of its own");
    }
}

fn corner(value: &Value<'_>, against: Option<Against<'_>>, index: &CornerIndex<'_>) -> Option<usize> {
    let name = value.label("the name of a corner")?;
    let spec = &against?.spec.spec;
    let found = index.get(name).copied();
    if found.is_none() {
        let message = format!("the spec {} has no corner `{name}`", spec.file);
        value.error("unknown-corner", message, suggestion(name, &spec.corners));
    }
    found
}

/// The corner that was meant, or some that there are.
pub(super) fn suggestion(name: &str, corners: &[Corner]) -> String {
    const SHOWN: usize = 20;
    let names = || corners.iter().map(|corner| corner.name.as_str());
    match nearest(name, names()) {
        Some(near) => format!("did you mean `{near}`?"),
        None => format!("corners: {}", names().take(SHOWN).collect::<Vec<_>>().join(", ")),
    }
}

fn excitation(value: &Value<'_>) -> Option<Excitation> {
    if matches!(value.node.kind, Kind::Map(_)) {
        return profile(value);
    }
    let text = value.label("a level such as `-26 dBm` or a map such as `{profile: gentle, offset: 0 dB}`")?;
    match Level::parse(text) {
        Ok(level) => Some(Excitation::Level(level)),
        Err(error) => {
            let (code, why) = match error {
                // A voltage of 0 or below has no level in dB.
                QuantityError::NotFinite { .. } => {
                    ("out-of-range", format!("`{text}` is no finite level above 0"))
                }
                other => (code_of(&other), other.to_string()),
            };
            let message = format!("{why}; a level such as `{}` is wanted", Level::EXAMPLE);
            value.error(code, message, "units: dBm, dBV, Vrms, Vpp, the last two also with a prefix");
            None
        }
    }
}

fn profile(value: &Value<'_>) -> Option<Excitation> {
    let fields = value.fields("a map such as `{profile: gentle, offset: 0 dB}`")?;
    let name = fields.required("profile", "profile: gentle").and_then(|v| v.label("the name of a profile"));
    let offset = fields.required("offset", "offset: 0 dB");
    let db = offset.as_ref().and_then(|value| value.quantity_in::<Decibel>(Sign::Any, &OFFSET));
    let text = offset.as_ref().and_then(|value| value.scalar());
    fields.finish();
    Some(Excitation::Profile { name: name?.to_owned(), offset: db?, text: text?.trim().to_owned() })
}

/// Whether two sweeps of a corner can be compared: both with a level, both of one profile, or both without.
fn check_mix(at: &Value<'_>, first: &SweepEntry, this: Option<&Excitation>) {
    let help = "in a corner all sweeps have a level, all are of one profile, or none says how strong it is";
    let message = match (first.excitation.as_ref(), this) {
        (Some(Excitation::Level(_)), Some(Excitation::Level(_))) | (None, None) => return,
        (Some(Excitation::Profile { name: a, .. }), Some(Excitation::Profile { name: b, .. })) => {
            if a == b {
                return;
            }
            format!("the corner has sweeps of two profiles, `{a}` and `{b}`")
        }
        (Some(Excitation::Level(_)), Some(_)) | (Some(_), Some(Excitation::Level(_))) => {
            "the corner has sweeps with a profile and with a plain level".to_owned()
        }
        (None, Some(_)) | (Some(_), None) => "the corner has sweeps with and without a level".to_owned(),
    };
    at.error("mixed-levels", format!("{message} (first: `{}`)", first.name()), help);
}

/// The conditions as they were. Without a corner only their form is checked.
fn actual(value: &Value<'_>, corner: Option<&Corner>) -> Vec<(String, Condition)> {
    let entries = value.entries("a map such as `{input: 23.9 V, load: 3.02 A}`").unwrap_or_default();
    let mut list = Vec::with_capacity(entries.len());
    for entry in entries {
        let inner = value.inner(entry);
        let Some(condition) = condition(&inner) else { continue };
        if let Some(corner) = corner {
            check_actual(&inner, &entry.key, &condition, corner);
        }
        list.push((entry.key.to_string(), condition));
    }
    list
}

fn check_actual(value: &Value<'_>, name: &str, actual: &Condition, corner: &Corner) {
    let names = || corner.conditions.iter().map(|(name, _)| name.as_str());
    let Some((_, declared)) = corner.conditions.iter().find(|(known, _)| known == name) else {
        let help = match nearest(name, names()) {
            Some(near) => format!("did you mean `{near}`?"),
            None => format!("its conditions: {}", names().collect::<Vec<_>>().join(", ")),
        };
        let message = format!("the corner `{}` has no condition `{name}`", corner.name);
        return value.error("unknown-condition", message, help);
    };
    if declared.admits(actual, 0.0).is_none() {
        let message = format!("`{actual}` is not of the kind of the corner's `{declared}`");
        value.error("wrong-unit", message, format!("write it in the unit of `{declared}`"));
    }
}
