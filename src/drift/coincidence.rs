//! What else changed where a mean stepped.

use super::{GroupHead, Since};

/// What changed wherever the movement may have begun, first at the group that is told: there as it stands, elsewhere with the group.
/// `places`: the groups that have a value, in order.
pub(super) fn inside(heads: &[GroupHead], places: &[usize], since: Since) -> Vec<String> {
    let mut found: Vec<(bool, String)> = Vec::new();
    for pair in places.windows(2) {
        let &[before, after] = pair else { continue };
        let (Some(old), Some(new)) = (heads.get(before), heads.get(after)) else { continue };
        if !(since.low..=since.high).contains(&after) {
            continue;
        }
        let is_told = after == since.group;
        let texts = together(old, new).into_iter();
        found.extend(
            texts.map(|text| (!is_told, if is_told { text } else { format!("{text} in {}", new.label) })),
        );
    }
    found.sort_by_key(|(elsewhere, _)| *elsewhere);
    found.into_iter().map(|(_, text)| text).collect()
}

/// Differences of revision, firmware and station between the last group before and the first after a step.
fn together(before: &GroupHead, after: &GroupHead) -> Vec<String> {
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

    #[test]
    fn what_changed_anywhere_inside_the_interval_is_told() {
        let heads: Vec<GroupHead> = ["B", "B", "C", "C", "C"]
            .into_iter()
            .enumerate()
            .map(|(k, revision)| GroupHead {
                label: format!("W{k}"),
                firmwares: vec![Some(if k < 4 { "2.3" } else { "2.4" }.to_owned())],
                ..head(revision, None, &["bench-1"])
            })
            .collect();
        let told = |group: usize, low: usize, high: usize, places: &[usize]| {
            inside(&heads, places, Since { group, low, high })
        };
        let all = [0, 1, 2, 3, 4];
        assert_eq!(told(2, 2, 2, &all), ["revision B to C"]);
        assert_eq!(told(3, 2, 3, &all), ["revision B to C in W2"]);
        assert_eq!(told(4, 2, 4, &all), ["firmware 2.3 to 2.4", "revision B to C in W2"]);
        assert!(told(3, 3, 3, &all).is_empty());
        // Groups without a value are passed over: the next one that has any is the first after the change.
        assert_eq!(told(3, 3, 3, &[0, 1, 3, 4]), ["revision B to C"]);
    }
}
