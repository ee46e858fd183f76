//! Names of corners: templates with `{condition}`, and names that outputs could not tell apart.

use super::labels::short_name;
use crate::diagnostic::nearest;
use crate::quantity::Condition;
use crate::yaml::Value;

/// A part of a name.
#[derive(Debug, Clone, PartialEq, Eq)]
enum Part {
    Text(String),
    /// The value of a condition, by its position.
    Condition(usize),
}

/// A corner's name with the places of its conditions.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Template {
    parts: Vec<Part>,
}

impl Template {
    /// Reads a name; `conditions` are the names of the corner's conditions.
    pub(super) fn read(value: &Value<'_>, conditions: &[&str]) -> Option<Self> {
        let mut rest = value.label("a corner name such as `24V-3A`")?;
        if !short_name(value, rest, "the corner's name") {
            return None;
        }
        let mut parts = Vec::new();
        while let Some((text, tail)) = rest.split_once('{') {
            let Some((name, tail)) = tail.split_once('}') else {
                value.error("bad-placeholder", "a `{` in the name is not closed", "write `{condition}`");
                return None;
            };
            if !text.is_empty() {
                parts.push(Part::Text(text.to_owned()));
            }
            let Some(index) = conditions.iter().position(|condition| *condition == name) else {
                unknown(value, name, conditions);
                return None;
            };
            parts.push(Part::Condition(index));
            rest = tail;
        }
        if !rest.is_empty() {
            parts.push(Part::Text(rest.to_owned()));
        }
        Some(Self { parts })
    }

    /// The name for one set of conditions.
    pub(super) fn fill(&self, conditions: &[(String, Condition)]) -> String {
        let part = |part: &Part| match part {
            Part::Text(text) => text.clone(),
            Part::Condition(index) => {
                conditions.get(*index).map(|(_, condition)| condition.compact()).unwrap_or_default()
            }
        };
        self.parts.iter().map(part).collect()
    }
}

fn unknown(value: &Value<'_>, name: &str, conditions: &[&str]) {
    let message = format!("`{{{name}}}` names no condition of this corner");
    let help = match nearest(name, conditions.iter().copied()) {
        Some(near) => format!("did you mean `{{{near}}}`?"),
        None if conditions.is_empty() => "the corner has no `conditions`".to_owned(),
        None => {
            let list: Vec<String> = conditions.iter().map(|name| format!("`{{{name}}}`")).collect();
            format!("write a condition of this corner: {}", list.join(", "))
        }
    };
    value.error("unknown-placeholder", message, help);
}

/// A corner's name as JUnit class names have it: dots separate packages there, and readers collapse white space.
pub(super) fn junit_form(name: &str) -> String {
    name.replace('.', "_").split_whitespace().collect::<Vec<_>>().join(" ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn junit_forms_collapse() {
        assert_eq!(junit_form("10V-0.5A"), "10V-0_5A");
        assert_eq!(junit_form(" cold   start "), "cold start");
    }
}
