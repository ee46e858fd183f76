//! Notes as lines of a log that a CI service turns into marks beside the code: `::error file=…,line=…,title=…::message`
//! (GitHub's documentation, "Workflow commands": from memory).

use super::Annotation;
use crate::report::escape::clip;
use std::io::{self, Write};

/// Notes of one kind that the service shows of a step; the others stay in the log.
const SHOWN: usize = 10;
/// Longest message, characters: what is longer is not read beside a line of code.
const LONGEST: usize = 1000;

/// Keeps the worst notes of a whole result. Its memory does not grow with the number of runs.
#[derive(Debug, Clone, Default)]
pub struct WorkflowCommands {
    /// Sorted by rank, as they came within one.
    errors: Vec<Annotation>,
    warnings: Vec<Annotation>,
    left_out: u64,
}

impl WorkflowCommands {
    /// Adds a note; the worst are kept.
    pub fn add(&mut self, note: Annotation) {
        let kept = if note.is_error { &mut self.errors } else { &mut self.warnings };
        let at = kept.partition_point(|other| other.rank <= note.rank);
        kept.insert(at, note);
        if kept.len() > SHOWN {
            kept.pop();
            self.left_out += 1;
        }
    }

    /// Writes the notes, a line each, the worst first.
    ///
    /// # Errors
    /// When the sink cannot be written.
    pub fn write(&self, mut sink: impl Write) -> io::Result<()> {
        for note in self.errors.iter().chain(&self.warnings) {
            writeln!(sink, "{}", command(note))?;
        }
        if self.left_out > 0 {
            writeln!(sink, "::notice::{} more are not shown as marks: see the report", self.left_out)?;
        }
        sink.flush()
    }
}

fn command(note: &Annotation) -> String {
    let places = [
        ("file", note.file.clone()),
        ("line", note.line.map(|line| line.to_string())),
        ("col", note.column.map(|column| column.to_string())),
        ("title", Some(note.title.clone()).filter(|title| !title.is_empty())),
    ];
    let given = places.into_iter().filter_map(|(key, value)| Some(format!("{key}={}", property(&value?))));
    let kind = if note.is_error { "error" } else { "warning" };
    format!("::{kind} {}::{}", given.collect::<Vec<_>>().join(","), data(&clip(&note.text(), LONGEST)))
}

/// Text of a message: its lines and what begins an escape stay text.
fn data(text: &str) -> String {
    text.replace('%', "%25").replace('\r', "%0D").replace('\n', "%0A")
}

/// Text of a property, which `:` and `,` would end.
fn property(text: &str) -> String {
    data(text).replace(':', "%3A").replace(',', "%2C")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::diagnostic::Diagnostic;

    fn note(message: &str, rank: usize) -> Annotation {
        let problem = Diagnostic::error("some-code", message).in_file(&"a,b/c:d.yaml".into());
        Annotation { rank, ..Annotation::of_problem(&problem) }
    }

    #[test]
    fn text_of_the_data_begins_no_command_of_its_own() {
        let line = command(&note("50 %\n::error::not ours", 0));
        assert_eq!(line, "::error file=a%2Cb/c%3Ad.yaml::50 %25%0A::error::not ours");
    }

    #[test]
    fn the_worst_are_shown_and_the_others_counted() {
        let mut commands = WorkflowCommands::default();
        (0..25).for_each(|k| commands.add(note(&format!("note {k}"), 25 - k)));
        let mut written = Vec::new();
        commands.write(&mut written).unwrap();
        let text = String::from_utf8(written).unwrap();
        let lines: Vec<&str> = text.lines().collect();
        assert_eq!(lines.len(), SHOWN + 1);
        assert!(lines[0].ends_with("::note 24") && lines[9].ends_with("::note 15"), "{text}");
        assert_eq!(lines[10], "::notice::15 more are not shown as marks: see the report");
    }
}
