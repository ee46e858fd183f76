//! The run file of one unit.

use super::Plan;
use super::wrap::wrap;

/// Characters in a line of comment.
const WIDTH: usize = 100;

/// What is known of a unit before it is measured.
#[derive(Debug, Clone, Default)]
pub struct Unit {
    /// Serial number.
    pub serial: String,
    /// Board revision.
    pub revision: String,
    /// Firmware.
    pub firmware: Option<String>,
    /// Lot or build label.
    pub build: Option<String>,
    /// Station.
    pub station: Option<String>,
    /// When the sweeps are taken, RFC 3339.
    pub taken: Option<String>,
}

/// The text of a `run.yaml` that lists every sweep of the plan. What is not known stands there as a comment.
#[must_use]
pub fn run_text(plan: &Plan<'_>, unit: &Unit) -> String {
    let mut text = String::new();
    let comment = format!(
        "The {} sweeps that {} asks for; their files stand beside this one. Where another level was used, correct it \
         here. Note the conditions as they were: `actual: {{input: 23.9 V, load: 3.02 A}}` behind the level. Of a corner \
         that is not measured remove the lines: it is then missing by name, and the others are judged.",
        plan.sweeps(),
        plain(&plan.spec.file)
    );
    wrap(&comment, WIDTH).iter().for_each(|line| text.push_str(&format!("# {line}\n")));
    text.push_str("run: 1\n");
    let mut line = |key: &str, value: Option<&str>, example: &str| match value {
        Some(value) => text.push_str(&format!("{key}: {}\n", scalar(value))),
        None => text.push_str(&format!("# {key}: {example}\n")),
    };
    line("product", Some(&plan.spec.product), "");
    line("serial", Some(&unit.serial), "");
    line("revision", Some(&unit.revision), "");
    line("firmware", unit.firmware.as_deref(), "2.3.1");
    line("build", unit.build.as_deref(), "2026-W14");
    line("taken", unit.taken.as_deref(), "2026-04-02T09:15:00Z");
    line("station", unit.station.as_deref(), "bench-3");
    line("operator", None, "bench team, early shift");
    line("instrument", None, "two-channel receiver, no. 7");
    line("calibrated_until", None, "2027-03-31");
    line("injection", None, "transformer over 10 ohm at R12");
    line("notes", None, "after rework of the output stage");
    text.push_str("sweeps:\n");
    for corner in &plan.corners {
        for sweep in &corner.sweeps {
            text.push_str(&format!(
                "  - {{file: {}, corner: {}, level: {}}}\n",
                scalar(&sweep.file),
                scalar(&corner.corner.name),
                sweep.level
            ));
        }
    }
    text
}

/// A text as a YAML value, quoted unless it is plain beyond doubt.
fn scalar(text: &str) -> String {
    let plain =
        text.bytes().all(|b| b.is_ascii_alphanumeric() || matches!(b, b'.' | b'_' | b'-' | b'+' | b':'))
            && text.starts_with(|c: char| c.is_ascii_alphanumeric())
            && !text.ends_with(':')
            && !text.eq_ignore_ascii_case("null");
    if plain {
        return text.to_owned();
    }
    let mut quoted = String::with_capacity(text.len() + 2);
    quoted.push('"');
    for c in text.chars() {
        match c {
            '"' | '\\' => quoted.extend(['\\', c]),
            c if is_unseen(c) => quoted.push_str(&format!("\\u{:04x}", u32::from(c))),
            c => quoted.push(c),
        }
    }
    quoted.push('"');
    quoted
}

/// A text for people, on one line: what moves the cursor or turns the direction of writing becomes a blank.
pub(super) fn plain(text: &str) -> String {
    text.chars().map(|c| if is_unseen(c) { ' ' } else { c }).collect()
}

/// Whether a character shows only in what it does: control characters and marks of direction.
fn is_unseen(c: char) -> bool {
    c.is_control()
        || matches!(c, '\u{61c}' | '\u{200e}' | '\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_are_quoted_where_yaml_could_mistake_them() {
        assert_eq!(scalar("24V-3A_-26dBm.csv"), "24V-3A_-26dBm.csv");
        assert_eq!(scalar("00042"), "00042");
        for (text, quoted) in [
            ("null", "\"null\""),
            ("-30degC", "\"-30degC\""),
            ("a: b", "\"a: b\""),
            ("a \"b\" \\", "\"a \\\"b\\\" \\\\\""),
            ("hot #2", "\"hot #2\""),
            ("a\u{202e}b", "\"a\\u202eb\""),
            ("", "\"\""),
        ] {
            assert_eq!(scalar(text), quoted);
        }
    }
}
