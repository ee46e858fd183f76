//! The JSON result of `check`. Units are Hz, deg, dB and s; what does not exist is `null`. Text stays as it is.
//!
//! A run and each of its corners stand on a line of their own, so that two results compare well line by line.

use super::object::{Json, list, object, write_pretty};
use super::shard_note::ShardNote;
use super::statement::{BENCH, Fact, UNIT, asked};
use super::{TOOL, Tally};
use crate::check::{CheckOutcome, CornerOutcome, Judged, MeasuredSet, RunOutcome, Verdict};
use crate::diagnostic::{Diagnostic, Severity};
use serde::ser::{Serialize, SerializeMap, Serializer};
use std::io::{self, BufWriter, Seek, Write};
use tempfile::SpooledTempFile;

/// What is held in memory before the spool of errors becomes a file.
const SPOOL: usize = 1 << 20;

/// All that is told of a run beside its corners.
struct RunHead<'a>(&'a RunOutcome);

impl Serialize for RunHead<'_> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        use Fact::{Product, Revision, Run, Serial, Title};
        let run = self.0;
        let mut map = serializer.serialize_map(None)?;
        let labels = [Run, Product, Serial, Revision].into_iter().chain(UNIT).chain([Title]).chain(BENCH);
        asked(run, labels).try_for_each(|(name, text)| map.serialize_entry(name, &text))?;
        if run.is_reference {
            map.serialize_entry("reference", &true)?;
        }
        map.serialize_entry("spec", &run.spec_file)?;
        if let Some(provenance) = &run.provenance {
            map.serialize_entry("spec_sha256", &*provenance.spec.sha256)?;
            map.serialize_entry("files", &provenance.files)?;
        }
        if !run.findings.is_empty() {
            map.serialize_entry("findings", &run.findings)?;
        }
        map.serialize_entry("coverage", &run.coverage)?;
        map.serialize_entry("verdict", &run.verdict)?;
        if let Some(circuit) = &run.circuit {
            map.serialize_entry("circuit", circuit)?;
        }
        map.end()
    }
}

#[derive(serde::Serialize)]
struct CornerBody<'a> {
    corner: &'a str,
    conditions: Conditions<'a>,
    verdict: Verdict,
    judged: Option<&'a Judged>,
    measured: Option<&'a MeasuredSet>,
    checks: &'a [CheckOutcome],
    findings: &'a [String],
}

/// Conditions as a map in the spec's order.
struct Conditions<'a>(&'a [(String, String)]);

impl Serialize for Conditions<'_> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(Some(self.0.len()))?;
        for (name, value) in self.0 {
            map.serialize_entry(name, value)?;
        }
        map.end()
    }
}

/// What a problem says, with the keys of every result that lists problems.
fn problem(diagnostic: &Diagnostic) -> Vec<(&'static str, Json<'_>)> {
    let place = diagnostic.place.as_ref();
    vec![
        ("file", place.map(|place| place.file.as_ref()).into()),
        ("line", place.and_then(|place| place.line).into()),
        ("column", place.and_then(|place| place.column).into()),
        ("key", place.and_then(|place| place.key.as_deref()).into()),
        ("code", diagnostic.code.into()),
        ("message", (&diagnostic.message).into()),
        ("help", (&diagnostic.help).into()),
    ]
}

/// A finding of `lint`: the problem, its severity and where it ends.
fn finding(finding: &Diagnostic) -> Json<'_> {
    let severity = match finding.severity {
        Severity::Error => "error",
        Severity::Warning => "warning",
    };
    let end_column = end_column(finding);
    let end_line = end_column.and(finding.place.as_ref().and_then(|place| place.line));
    let mut entries = vec![("severity", severity.into())];
    entries.extend(problem(finding));
    entries.extend([("end_line", end_line.into()), ("end_column", end_column.into())]);
    Json::Object(entries)
}

/// The column after the last character meant, 1-based, on the line where it begins. `None` where columns are no characters:
/// in sweeps they count fields.
fn end_column(finding: &Diagnostic) -> Option<u64> {
    let (place, excerpt) = (finding.place.as_ref()?, finding.excerpt.as_ref()?);
    let is_yaml = place.file.ends_with(".yaml") || place.file.ends_with(".yml");
    let length = excerpt.text.get(excerpt.mark.clone())?.chars().count() as u64;
    place.column.filter(|_| is_yaml).map(|column| column + length)
}

/// Writes the findings of `lint`, a line per entry.
///
/// # Errors
/// When the sink cannot be written.
pub fn write_lint_json(sink: impl Write, findings: &[Diagnostic]) -> io::Result<()> {
    let result = object! { "format": 1_u64, "findings": list(findings, finding) };
    write_pretty(sink, &result)
}

/// The object of one run, a piece for [`JsonWriter::append`].
///
/// # Errors
/// Only when the JSON writer fails, which it does not in memory.
pub fn run_json(run: &RunOutcome) -> io::Result<Vec<u8>> {
    debug_assert!(is_finite(run), "a number that does not exist must be None: {run:?}");
    let mut bytes = Vec::with_capacity(1024 + 6144 * run.corners.len());
    serde_json::to_writer(&mut bytes, &RunHead(run))?;
    // The corners go inside of the head's braces.
    bytes.pop();
    bytes.extend_from_slice(b",\"corners\":[");
    let mut separator: &[u8] = b"\n";
    for corner in &run.corners {
        bytes.extend_from_slice(separator);
        serde_json::to_writer(&mut bytes, &corner_body(corner))?;
        separator = b",\n";
    }
    bytes.extend_from_slice(b"]}");
    Ok(bytes)
}

fn corner_body(corner: &CornerOutcome) -> CornerBody<'_> {
    CornerBody {
        corner: &corner.corner,
        conditions: Conditions(&corner.conditions),
        verdict: corner.verdict,
        judged: corner.judged.as_ref(),
        measured: corner.measured.as_ref(),
        checks: &corner.checks,
        findings: &corner.findings,
    }
}

fn is_finite(run: &RunOutcome) -> bool {
    let limits = |check: &CheckOutcome| check.limit.map_or([None, None], |limit| [limit.min, limit.max]);
    let checks = run.corners.iter().flat_map(|corner| &corner.checks).all(|check| {
        [check.value, check.uncertainty, check.conformity, check.at_hz]
            .into_iter()
            .chain(limits(check))
            .flatten()
            .all(f64::is_finite)
    });
    let mut sets = run.corners.iter().filter_map(|corner| corner.measured);
    let measured = sets.all(|set| {
        let mut values = set.values.iter().map(|(_, measured)| measured);
        values.all(|m| m.value.is_finite() && m.at_hz.is_finite() && m.uncertainty.is_none_or(f64::is_finite))
    });
    checks && measured && run.coverage.is_finite()
}

/// Writes the whole result piece by piece.
#[derive(Debug)]
pub struct JsonWriter<W: Write> {
    sink: W,
    any_run: bool,
    any_error: bool,
    errors: BufWriter<SpooledTempFile>,
}

impl<W: Write> JsonWriter<W> {
    /// Begins a result.
    ///
    /// # Errors
    /// When the sink cannot be written.
    pub fn new(mut sink: W) -> io::Result<Self> {
        write!(sink, "{{\"format\":1,\"tool\":\"{TOOL}\",\n\"runs\":[")?;
        let errors = BufWriter::new(SpooledTempFile::new(SPOOL));
        Ok(Self { sink, any_run: false, any_error: false, errors })
    }

    /// Appends a run made by [`run_json`].
    ///
    /// # Errors
    /// When the sink cannot be written.
    pub fn append(&mut self, run: &[u8]) -> io::Result<()> {
        self.sink.write_all(if self.any_run { b",\n" } else { b"\n" })?;
        self.any_run = true;
        self.sink.write_all(run)
    }

    /// Appends what kept a file from being read.
    ///
    /// # Errors
    /// When the spool of errors cannot be written.
    pub fn append_error(&mut self, diagnostic: &Diagnostic) -> io::Result<()> {
        self.append_problem(&serde_json::to_vec(&Json::Object(problem(diagnostic)))?)
    }

    /// Appends the text of a problem.
    pub(super) fn append_problem(&mut self, problem: &[u8]) -> io::Result<()> {
        self.errors.write_all(if self.any_error { b",\n" } else { b"\n" })?;
        self.any_error = true;
        self.errors.write_all(problem)
    }

    /// Ends the result and gives the sink back, flushed. `shard`: which part of the runs it is of, where it is not of all.
    ///
    /// # Errors
    /// When the sink cannot be written or the spool cannot be read.
    pub fn finish(self, tally: &Tally, shard: Option<&ShardNote>) -> io::Result<W> {
        let Self { mut sink, errors, .. } = self;
        sink.write_all(b"],\n\"serials\":[")?;
        let mut separator: &[u8] = b"\n";
        for board in tally.boards() {
            sink.write_all(separator)?;
            let products = list(board.products, Json::Text);
            let body = object! { "serial": board.serial, "verdict": board.verdict, "products": products };
            serde_json::to_writer(&mut sink, &body)?;
            separator = b",\n";
        }
        sink.write_all(b"],\n\"errors\":[")?;
        let mut errors = errors.into_inner().map_err(io::IntoInnerError::into_error)?;
        errors.rewind()?;
        io::copy(&mut errors, &mut sink)?;
        sink.write_all(b"],\n")?;
        if let Some(shard) = shard {
            sink.write_all(b"\"shard\":")?;
            serde_json::to_writer(&mut sink, shard)?;
            sink.write_all(b",\n")?;
        }
        sink.write_all(b"\"verdict\":")?;
        serde_json::to_writer(&mut sink, &tally.verdict())?;
        sink.write_all(b"}\n")?;
        sink.flush()?;
        Ok(sink)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::sample;
    use serde_json::{Value, json};
    use std::sync::Arc;

    fn result(runs: &[RunOutcome], errors: &[Diagnostic]) -> Value {
        let mut tally = Tally::new();
        let mut writer = JsonWriter::new(Vec::new()).unwrap();
        for run in runs {
            tally.add(run);
            writer.append(&run_json(run).unwrap()).unwrap();
        }
        errors.iter().for_each(|error| writer.append_error(error).unwrap());
        serde_json::from_slice(&writer.finish(&tally, None).unwrap()).unwrap()
    }

    #[test]
    fn no_run_has_no_verdict() {
        let value = result(&[], &[]);
        assert_eq!(
            value,
            json!({"format": 1, "tool": TOOL, "verdict": null, "runs": [], "serials": [], "errors": []})
        );
    }

    #[test]
    fn keys_and_values_are_those_of_the_format() {
        let mut other = sample::passing("RG-00042", 1);
        other.product = "river-gauge-3v3".to_owned();
        other.firmware = None;
        let file: Arc<str> = Arc::from("demo-data/\"x\"\u{202e}.yaml");
        let error = Diagnostic::error("unknown-key", "what\u{1b}").in_file(&file).with_help("do");
        let value = result(&[sample::run(), other], &[error]);
        assert_eq!(value["verdict"], "invalid");
        assert_eq!(value["serials"][0]["products"], json!(["river-gauge-3v3", "river-gauge-5v"]));
        assert_eq!(
            value["errors"][0],
            json!({"file": "demo-data/\"x\"\u{202e}.yaml", "line": null, "column": null, "key": null,
                "code": "unknown-key", "message": "what\u{1b}", "help": "do"})
        );
        assert_eq!(value["runs"][1]["firmware"], Value::Null);
        let corner = &value["runs"][0]["corners"][1];
        assert_eq!(corner["conditions"], json!({"input": "24 V", "load": "3 A"}));
        assert_eq!(corner["measured"]["gain_reduction_margin_db"], Value::Null);
        assert_eq!(
            corner["measured"]["gain_margin_db"],
            json!({"value": 12.6, "uncertainty": 0.2, "at_hz": 61750.0, "at_least": false})
        );
        let check =
            corner["checks"].as_array().unwrap().iter().find(|c| c["check"] == "phase_margin").unwrap();
        assert_eq!(check["limit"], json!({"min": 50.0}));
        assert_eq!(check["unit"], "deg");
        let missing = &value["runs"][0]["corners"][4];
        assert_eq!((&missing["measured"], &missing["judged"]), (&Value::Null, &Value::Null));
        assert_eq!(missing["checks"][5]["verdict"], "not_judged");
    }

    #[test]
    #[should_panic(expected = "must be None")]
    fn a_number_that_is_none_is_noticed() {
        let mut run = sample::run();
        run.corners[0].checks[4].value = Some(f64::NAN);
        let _ = run_json(&run);
    }
}
