//! The start of a suite: what `junit_report` writes there is completed by the attributes and properties it does not
//! know. Everything after the start is left as it is.

use crate::report::escape::xml_line;
use memchr::memmem;
use quick_xml::events::{BytesStart, Event};
use quick_xml::{Reader, Writer};
use std::io;

/// How every suite begins before it is numbered.
pub(super) const UNNUMBERED: &[u8] = b"<testsuite id=\"0\"";

/// What is added to a suite's start.
pub(super) struct Head<'a> {
    /// Number of skipped cases.
    pub skipped: usize,
    /// Whether the suite has a time; without one `junit_report`'s own is dropped.
    pub has_timestamp: bool,
    /// The run file, where the suite is that of one run.
    pub file: Option<&'a str>,
    /// Properties, names and values.
    pub properties: &'a [(&'static str, String)],
}

/// From a whole report with one suite to that suite alone, completed.
pub(super) fn complete(report: &[u8], head: &Head<'_>) -> io::Result<Vec<u8>> {
    let mut reader = Reader::from_reader(report);
    let start = loop {
        match reader.read_event().map_err(io::Error::other)? {
            Event::Start(start) if start.name().as_ref() == b"testsuite" => break start,
            Event::Eof => return Err(io::Error::other("the report has no suite")),
            _ => {}
        }
    };
    let mut suite = Vec::with_capacity(report.len() + 2048);
    let mut writer = Writer::new(&mut suite);
    writer.write_event(Event::Start(rewritten(&start, head)?))?;
    if !head.properties.is_empty() {
        writer.create_element("properties").write_inner_content(|writer| {
            for (name, value) in head.properties {
                let attributes = [("name", *name), ("value", value.as_str())];
                writer.create_element("property").with_attributes(attributes).write_empty()?;
            }
            Ok(())
        })?;
    }
    let from = usize::try_from(reader.buffer_position()).map_err(io::Error::other)?;
    let rest = report.get(from..).and_then(|rest| rest.strip_suffix(b"</testsuites>"));
    suite.extend_from_slice(rest.ok_or_else(|| io::Error::other("the report does not end as expected"))?);
    Ok(suite)
}

fn rewritten<'a>(start: &BytesStart<'_>, head: &Head<'a>) -> io::Result<BytesStart<'a>> {
    let mut new = BytesStart::new("testsuite");
    for attribute in start.attributes() {
        let attribute = attribute.map_err(io::Error::other)?;
        let key = attribute.key;
        if key.as_ref() == b"timestamp" && !head.has_timestamp {
            continue;
        }
        // Bytes are taken as escaped already.
        new.push_attribute((key.as_ref(), attribute.value.as_ref()));
        if key.as_ref() == b"failures" {
            new.push_attribute(("skipped", head.skipped.to_string().as_str()));
        }
    }
    if let Some(file) = head.file {
        new.push_attribute(("file", xml_line(file).as_ref()));
    }
    Ok(new)
}

/// The suite's start tag and the rest.
fn split_tag(suite: &[u8]) -> Option<(&[u8], &[u8])> {
    // `>` inside of an attribute is always written as an entity.
    suite.split_at_checked(memchr::memchr(b'>', suite)?)
}

/// An attribute of the suite, as it is escaped in the file.
pub(super) fn attribute<'a>(suite: &'a [u8], name: &str) -> Option<&'a [u8]> {
    let (tag, _) = split_tag(suite)?;
    // Quotes inside of values are entities too: this text cannot stand in a value.
    let pattern = format!(" {name}=\"");
    let from = memmem::find(tag, pattern.as_bytes())? + pattern.len();
    let value = tag.get(from..)?;
    value.get(..memchr::memchr(b'"', value)?)
}

/// The suite with ` (RUN)` after its name, for a report where another suite has the same name.
///
/// RUN is the suite's property `run`. A suite without that property stays as it is.
#[must_use]
pub fn name_with_run(suite: &[u8]) -> Vec<u8> {
    let renamed = || {
        let name = attribute(suite, "name")?;
        let (tag, _) = split_tag(suite)?;
        let end = memmem::find(tag, b" name=\"")? + b" name=\"".len() + name.len();
        let (before, after) = suite.split_at_checked(end)?;
        Some([before, b" (", property_run(suite)?, b")", after].concat())
    };
    renamed().unwrap_or_else(|| suite.to_vec())
}

fn property_run(suite: &[u8]) -> Option<&[u8]> {
    let (_, rest) = split_tag(suite)?;
    let properties = rest.get(..memmem::find(rest, b"</properties>")?)?;
    let pattern = b"<property name=\"run\" value=\"";
    let value = properties.get(memmem::find(properties, pattern)? + pattern.len()..)?;
    value.get(..memchr::memchr(b'"', value)?)
}
