//! Suites put together to a report.

use super::head::{UNNUMBERED, attribute, name_with_run};
use std::collections::HashMap;
use std::hash::{DefaultHasher, Hash, Hasher};
use std::io::{self, BufReader, BufWriter, Read, Seek, Write};
use tempfile::SpooledTempFile;

/// A report above this is refused by GitLab (30 MB, its documentation of unit test reports).
const LARGE_BYTES: u64 = 30_000_000;
/// Cases in one report on gitlab.com, same source.
const LARGE_CASES: u64 = 500_000;
/// What is held in memory before the spool becomes a file.
const SPOOL: usize = 1 << 20;

/// What was written.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct JunitSummary {
    /// Suites.
    pub suites: u64,
    /// Cases.
    pub cases: u64,
    /// Size of the report, bytes.
    pub bytes: u64,
}

impl JunitSummary {
    /// A warning when the report is larger than dashboards take.
    #[must_use]
    pub fn note(&self) -> Option<String> {
        (self.bytes > LARGE_BYTES || self.cases > LARGE_CASES).then(|| {
            format!(
                "the JUnit report has {} cases in {:.1} MB; many dashboards refuse more than {LARGE_CASES} cases or \
                 {} MB: give --junit a folder for one file per run",
                self.cases,
                self.bytes as f64 / 1e6,
                LARGE_BYTES / 1_000_000
            )
        })
    }
}

/// Writes suites in the order they are appended, numbered, and tells apart those of one name by their run.
///
/// Names are known to repeat only at the end, so suites wait in a spool, and 16 bytes of each stay in memory.
#[derive(Debug)]
pub struct JunitWriter<W: Write> {
    sink: W,
    spool: BufWriter<SpooledTempFile>,
    suites: Vec<Suite>,
    cases: u64,
}

#[derive(Debug, Clone, Copy)]
struct Suite {
    /// Hash of the name.
    name: u64,
    /// Length in the spool.
    length: u64,
}

impl<W: Write> JunitWriter<W> {
    /// A report that will be written to `sink`.
    pub fn new(sink: W) -> Self {
        Self { sink, spool: BufWriter::new(SpooledTempFile::new(SPOOL)), suites: Vec::new(), cases: 0 }
    }

    /// Appends a suite made by [`suite`](super::suite) or [`unreadable_suite`](super::unreadable_suite); an empty
    /// one is left out.
    ///
    /// # Errors
    /// When the spool cannot be written.
    pub fn append(&mut self, suite: &[u8]) -> io::Result<()> {
        if suite.is_empty() {
            return Ok(());
        }
        let tests = attribute(suite, "tests").and_then(|text| std::str::from_utf8(text).ok()?.parse().ok());
        self.cases += tests.unwrap_or(0);
        let mut hasher = DefaultHasher::new();
        attribute(suite, "name").hash(&mut hasher);
        self.suites.push(Suite { name: hasher.finish(), length: suite.len() as u64 });
        self.spool.write_all(suite)
    }

    /// Writes the whole report and gives the sink back, flushed.
    ///
    /// # Errors
    /// When the spool cannot be read or the sink cannot be written.
    pub fn finish(self) -> io::Result<(W, JunitSummary)> {
        let Self { sink, spool, suites, cases } = self;
        let mut spool = spool.into_inner().map_err(io::IntoInnerError::into_error)?;
        spool.rewind()?;
        let mut spool = BufReader::with_capacity(1 << 16, spool);
        let mut times: HashMap<u64, u32> = HashMap::with_capacity(suites.len());
        suites.iter().for_each(|suite| *times.entry(suite.name).or_default() += 1);

        let mut out = Counted { sink, bytes: 0 };
        out.write_all(b"<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<testsuites>")?;
        let mut suite = Vec::new();
        for (number, Suite { name, length }) in suites.iter().enumerate() {
            suite.clear();
            spool.by_ref().take(*length).read_to_end(&mut suite)?;
            if times.get(name).is_some_and(|times| *times > 1) {
                suite = name_with_run(&suite);
            }
            let rest =
                suite.strip_prefix(UNNUMBERED).ok_or_else(|| io::Error::other("the spool was changed"))?;
            write!(out, "<testsuite id=\"{number}\"")?;
            out.write_all(rest)?;
            out.write_all(b"\n")?;
        }
        out.write_all(b"</testsuites>\n")?;
        out.flush()?;
        Ok((out.sink, JunitSummary { suites: suites.len() as u64, cases, bytes: out.bytes }))
    }
}

/// Counts what passes through.
struct Counted<W> {
    sink: W,
    bytes: u64,
}

impl<W: Write> Write for Counted<W> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let written = self.sink.write(bytes)?;
        self.bytes += written as u64;
        Ok(written)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.sink.flush()
    }
}

#[cfg(test)]
mod tests {
    use super::super::{suite, unreadable_suite};
    use super::*;
    use crate::report::sample;

    fn report(suites: &[Vec<u8>]) -> (String, JunitSummary) {
        let mut writer = JunitWriter::new(Vec::new());
        suites.iter().for_each(|suite| writer.append(suite).unwrap());
        let (bytes, summary) = writer.finish().unwrap();
        assert_eq!(bytes.len() as u64, summary.bytes);
        (String::from_utf8(bytes).unwrap(), summary)
    }

    #[test]
    fn no_run_is_still_a_report() {
        assert_eq!(
            report(&[Vec::new()]).0,
            "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<testsuites></testsuites>\n"
        );
    }

    #[test]
    fn suites_are_numbered_and_told_apart() {
        let mut again = sample::head("RG-00042");
        again.run = "late/\"again\" & <more>".to_owned();
        again.corners = vec![sample::corner("24V-3A", &[])];
        let suites = [
            suite(&sample::run()).unwrap(),
            unreadable_suite("demo-data/broken", &[]).unwrap(),
            suite(&again).unwrap(),
            suite(&sample::passing("RG-00043", 1)).unwrap(),
        ];
        let (text, summary) = report(&suites);
        for start in [
            "<testsuite id=\"0\" name=\"river-gauge-5v RG-00042 (demo-data/rev-c/RG-00042)\" package=\"\" ",
            "<testsuite id=\"1\" name=\"demo-data/broken\" ",
            "<testsuite id=\"2\" name=\"river-gauge-5v RG-00042 (late/&quot;again&quot; &amp; &lt;more&gt;)\" ",
            "<testsuite id=\"3\" name=\"river-gauge-5v RG-00043\" ",
        ] {
            assert!(text.contains(start), "{start} in {text}");
        }
        assert_eq!(summary.suites, 4);
        assert_eq!(summary.cases, 6 * 9 + 1 + 9 + 12);
        assert_eq!(summary.note(), None);
        assert!(JunitSummary { cases: 600_000, ..summary }.note().is_some());
    }
}
