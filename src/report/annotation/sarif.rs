//! Notes as SARIF 2.1.0 (Static Analysis Results Interchange Format, OASIS Standard, March 2020): results with rule, level, message,
//! place and what they are known by from run to run.

use super::Annotation;
use crate::report::TOOL;
use crate::report::object::{Json, list, object};
use std::collections::BTreeSet;
use std::io::{self, Write};

/// Where the format is defined (its identifier in the standard, 3.13.3).
const SCHEMA: &str =
    "https://docs.oasis-open.org/sarif/sarif/v2.1.0/errata01/os/schemas/sarif-schema-2.1.0.json";

/// Writes a log piece by piece.
#[derive(Debug)]
pub struct SarifWriter<W: Write> {
    sink: W,
    any: bool,
    rules: BTreeSet<String>,
}

impl<W: Write> SarifWriter<W> {
    /// Begins a log.
    ///
    /// # Errors
    /// When the sink cannot be written.
    pub fn new(mut sink: W) -> io::Result<Self> {
        write!(
            sink,
            "{{\"$schema\":\"{SCHEMA}\",\"version\":\"2.1.0\",\n\"runs\":[{{\"columnKind\":\"unicodeCodePoints\",\"results\":["
        )?;
        Ok(Self { sink, any: false, rules: BTreeSet::new() })
    }

    /// Appends a note.
    ///
    /// # Errors
    /// When the sink cannot be written.
    pub fn append(&mut self, note: &Annotation) -> io::Result<()> {
        self.sink.write_all(if self.any { b",\n" } else { b"\n" })?;
        self.any = true;
        if !self.rules.contains(&note.rule) {
            self.rules.insert(note.rule.clone());
        }
        write_result(&mut self.sink, note)
    }

    /// Ends the log with the rules that were met, and gives the sink back, flushed.
    ///
    /// # Errors
    /// When the sink cannot be written.
    pub fn finish(mut self) -> io::Result<W> {
        let names: Vec<(&str, String)> =
            self.rules.iter().map(|rule| (rule.as_str(), rule.replace(['_', '-'], " "))).collect();
        let rules = list(&names, |(id, words)| {
            object! { "id": *id, "shortDescription": object! { "text": words } }
        });
        let (name, version) = TOOL.split_once(' ').unwrap_or((TOOL, ""));
        let tool = object! { "driver": object! { "name": name, "version": version, "rules": rules } };
        self.sink.write_all(b"],\n\"tool\":")?;
        serde_json::to_writer(&mut self.sink, &tool)?;
        self.sink.write_all(b"}]}\n")?;
        self.sink.flush()?;
        Ok(self.sink)
    }
}

fn write_result(sink: &mut impl Write, note: &Annotation) -> io::Result<()> {
    let about = if note.title.is_empty() { String::new() } else { format!("{}: ", note.title) };
    let (text, uri) = (format!("{about}{}", note.text()), note.file.as_deref().map(uri));
    let mut entries = vec![
        ("ruleId", Json::Text(&note.rule)),
        ("level", if note.is_error { "error" } else { "warning" }.into()),
        ("message", object! { "text": &text }),
        ("partialFingerprints", Json::Object(vec![("identity/v1", Json::Text(&note.identity))])),
    ];
    if let Some(uri) = &uri {
        let mut place = vec![("artifactLocation", object! { "uri": uri })];
        if let Some(line) = note.line {
            let column = note.column.map(|column| ("startColumn", column.into()));
            place.push((
                "region",
                Json::Object([("startLine", line.into())].into_iter().chain(column).collect()),
            ));
        }
        entries.push(("locations", Json::List(vec![object! { "physicalLocation": Json::Object(place) }])));
    }
    serde_json::to_writer(sink, &Json::Object(entries))?;
    Ok(())
}

/// A path as a relative reference (RFC 3986, 4.2): what is not unreserved is percent-encoded, byte by byte.
fn uri(path: &str) -> String {
    let mut text = String::with_capacity(path.len());
    for byte in path.bytes() {
        if byte.is_ascii_alphanumeric() || b"-._~/".contains(&byte) {
            text.push(char::from(byte));
        } else {
            text.push_str(&format!("%{byte:02X}"));
        }
    }
    // A path from the root names a file of this machine.
    if path.starts_with('/') { format!("file://{text}") } else { text }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::diagnostic::Diagnostic;
    use serde_json::{Value, json};

    fn log(notes: &[Annotation]) -> Value {
        let mut writer = SarifWriter::new(Vec::new()).unwrap();
        notes.iter().for_each(|note| writer.append(note).unwrap());
        serde_json::from_slice(&writer.finish().unwrap()).unwrap()
    }

    #[test]
    fn a_result_tells_rule_level_message_and_place() {
        let mut problem = Diagnostic::error("unknown-key", "`denstiy` is not known")
            .in_file(&"specs/5 V.yaml".into())
            .with_help("density?");
        if let Some(place) = &mut problem.place {
            (place.line, place.column) = (Some(3), Some(1));
        }
        let log = log(&[Annotation::of_problem(&problem)]);
        let run = &log["runs"][0];
        assert_eq!(log["version"], "2.1.0");
        assert_eq!(
            run["tool"]["driver"]["rules"],
            json!([{"id": "unknown-key", "shortDescription": {"text": "unknown key"}}])
        );
        let result = &run["results"][0];
        assert_eq!((&result["ruleId"], &result["level"]), (&json!("unknown-key"), &json!("error")));
        assert_eq!(result["message"]["text"], "`denstiy` is not known; to do: density?");
        let place = &result["locations"][0]["physicalLocation"];
        assert_eq!(place["artifactLocation"]["uri"], "specs/5%20V.yaml");
        assert_eq!(place["region"], json!({"startLine": 3, "startColumn": 1}));
    }

    #[test]
    fn nothing_found_is_a_log_without_results() {
        let log = log(&[]);
        assert_eq!(
            (&log["runs"][0]["results"], &log["runs"][0]["tool"]["driver"]["rules"]),
            (&json!([]), &json!([]))
        );
    }

    #[test]
    fn paths_are_references() {
        assert_eq!(uri("runs/größe 1/a:b.csv"), "runs/gr%C3%B6%C3%9Fe%201/a%3Ab.csv");
        assert_eq!(uri("/tmp/a.csv"), "file:///tmp/a.csv");
    }
}
