//! Taking the sweeps of a run from the names of the files in its folder.

use super::against::{Against, CornerIndex};
use super::entries::suggestion;
use super::pattern::{Match, Pattern};
use super::{CornerSweeps, Excitation, SweepEntry};
use crate::yaml::Value;

/// Reads `pattern` and matches the file names with it; `None` when the pattern is wrong.
pub(super) fn read(
    value: &Value<'_>,
    run_file: &str,
    against: Option<Against<'_>>,
    index: &CornerIndex<'_>,
    corners: &mut [CornerSweeps],
) -> Option<()> {
    let text = value.label("a pattern such as `{corner}_{level}.csv`")?;
    let pattern = match Pattern::parse(text) {
        Ok(pattern) => pattern,
        Err((code, message, help)) => {
            value.error(code, message, help);
            return None;
        }
    };
    let Against { spec, names } = against?;
    let own = run_file.rsplit('/').next().unwrap_or(run_file);
    let mut names: Vec<&str> = names.iter().map(String::as_str).filter(|name| *name != own).collect();
    names.sort_unstable();
    names.dedup();
    let mut matched = false;
    for name in names {
        match pattern.matches(name, index) {
            Match::No => {}
            Match::Sweep { corner, level } => {
                matched = true;
                if let Some(corner) = corners.get_mut(corner) {
                    let excitation = level.map(Excitation::Level);
                    corner.entries.push(SweepEntry {
                        files: vec![name.to_owned()],
                        excitation,
                        actual: Vec::new(),
                    });
                }
            }
            Match::UnknownCorner(corner) => {
                matched = true;
                let message = format!(
                    "the file `{name}` fits the pattern, but {} has no corner `{corner}`",
                    spec.spec.file
                );
                value.error("unknown-corner", message, suggestion(&corner, &spec.spec.corners));
            }
            Match::BadLevel(level) => {
                matched = true;
                let message = format!("the file `{name}` names a corner, but `{level}` is no level");
                value.error("bad-level", message, "rename the file, such as `24V-3A_-26dBm.csv`");
            }
        }
    }
    if !matched {
        let message = format!("no file in the run's folder fits the pattern `{text}`");
        value.error("no-match", message, "correct the pattern, or list the files under `sweeps`");
    }
    Some(())
}
