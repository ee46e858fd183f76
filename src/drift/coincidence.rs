//! What else changed where a mean stepped.

use super::GroupHead;

/// Differences of revision, firmware and station between the last group before and the first after a step.
pub(super) fn together(before: &GroupHead, after: &GroupHead) -> Vec<String> {
    let some = |list: &[String]| list.iter().cloned().map(Some).collect::<Vec<_>>();
    [
        ("revision", some(&before.revisions), some(&after.revisions)),
        ("firmware", before.firmwares.clone(), after.firmwares.clone()),
        ("station", before.stations.clone(), after.stations.clone()),
    ]
    .into_iter()
    .filter(|(_, old, new)| old != new)
    .map(|(what, old, new)| format!("{what} {} to {}", list(&old), list(&new)))
    .collect()
}

/// `bench-1, bench-2`; what has no label is `none`.
fn list(labels: &[Option<String>]) -> String {
    let texts: Vec<&str> = labels.iter().map(|label| label.as_deref().unwrap_or("none")).collect();
    texts.join(", ")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn head(revision: &str, firmware: Option<&str>, stations: &[&str]) -> GroupHead {
        GroupHead {
            label: String::new(),
            units: 1,
            records: 1,
            revisions: vec![revision.to_owned()],
            firmwares: vec![firmware.map(str::to_owned)],
            stations: stations.iter().map(|s| Some((*s).to_owned())).collect(),
        }
    }

    #[test]
    fn only_what_changed_is_told() {
        let before = head("B", None, &["bench-1"]);
        assert!(together(&before, &before).is_empty());
        assert_eq!(
            together(&before, &head("C", Some("2.4"), &["bench-1", "bench-3"])),
            ["revision B to C", "firmware none to 2.4", "station bench-1 to bench-1, bench-3"]
        );
    }
}
