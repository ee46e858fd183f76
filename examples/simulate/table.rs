//! Plain tables, and what a mode came to.

use std::collections::BTreeMap;
use std::fmt::Write;

/// What a mode prints, and which aims it missed.
#[derive(Default)]
pub struct Report {
    pub text: String,
    pub missed: Vec<String>,
}

impl Report {
    pub fn heading(&mut self, text: &str) {
        let _ = write!(self.text, "\n## {text}\n\n");
    }

    pub fn line(&mut self, text: impl AsRef<str>) {
        self.text.push_str(text.as_ref());
        self.text.push('\n');
    }

    /// A table with its columns padded; the first column to the left, others to the right.
    pub fn table(&mut self, header: &[&str], rows: &[Vec<String>]) {
        let widths: Vec<usize> = header
            .iter()
            .enumerate()
            .map(|(k, h)| {
                rows.iter().map(|row| row[k].chars().count()).chain([h.chars().count()]).max().unwrap_or(0)
            })
            .collect();
        let mut line = |cells: &mut dyn Iterator<Item = &str>| {
            for (k, cell) in cells.enumerate() {
                let width = widths[k];
                let _ = if k == 0 {
                    write!(self.text, "| {cell:<width$} ")
                } else {
                    write!(self.text, "| {cell:>width$} ")
                };
            }
            self.text.push_str("|\n");
        };
        line(&mut header.iter().copied());
        let rules: Vec<String> = widths.iter().map(|w| "-".repeat(*w)).collect();
        line(&mut rules.iter().map(String::as_str));
        for row in rows {
            line(&mut row.iter().map(String::as_str));
        }
    }

    pub fn miss(&mut self, aim: String) {
        self.missed.push(aim);
    }

    pub fn add(&mut self, other: Self) {
        self.text.push_str(&other.text);
        self.missed.extend(other.missed);
    }
}

/// Slack for chance, in standard errors: of one cell among some seventy, and of a whole quantity. What pools enough tries for
/// chance to be small has none.
pub const CELL: f64 = 3.0;
pub const QUANTITY: f64 = 2.0;

/// From so many tries on a share needs no slack: a standard error of some 0.2 %.
pub const MANY: usize = 10_000;

/// Hits among tries.
#[derive(Clone, Copy, Default, Debug, PartialEq)]
pub struct Share {
    pub hits: usize,
    pub tries: usize,
}

impl Share {
    pub fn count(&mut self, hit: bool) {
        self.hits += usize::from(hit);
        self.tries += 1;
    }

    pub fn add(&mut self, other: Self) {
        self.hits += other.hits;
        self.tries += other.tries;
    }

    pub fn percent(&self) -> f64 {
        100.0 * self.hits as f64 / self.tries as f64
    }

    /// Standard error in percent if the true share is `percent`.
    fn error(&self, percent: f64) -> f64 {
        (percent * (100.0 - percent) / self.tries as f64).sqrt()
    }

    /// Above an aim by more than so many standard errors of the count.
    pub fn is_above(&self, percent: f64, errors: f64) -> bool {
        self.tries > 0 && self.percent() > percent + errors * self.error(percent)
    }

    /// Below an aim by more than so many standard errors.
    pub fn is_below(&self, percent: f64, errors: f64) -> bool {
        self.tries > 0 && self.percent() < percent - errors * self.error(percent)
    }

    pub fn text(&self) -> String {
        if self.tries == 0 { "-".to_owned() } else { format!("{:.1}", self.percent()) }
    }
}

/// Messages by how often they came, their numbers left out; each with one example of where.
#[derive(Default)]
pub struct Messages(BTreeMap<String, (usize, String)>);

impl Messages {
    pub fn count(&mut self, check: &str, message: &str, place: impl FnOnce() -> String) {
        let key = format!("{check}: {}", without_numbers(message));
        self.0.entry(key).or_insert_with(|| (0, place())).0 += 1;
    }

    pub fn print(&self, report: &mut Report) {
        let mut rows: Vec<_> = self.0.iter().collect();
        rows.sort_by_key(|(_, (count, _))| std::cmp::Reverse(*count));
        let rows: Vec<Vec<String>> = rows
            .iter()
            .map(|(message, (count, place))| vec![(*message).clone(), count.to_string(), place.clone()])
            .collect();
        if rows.is_empty() {
            report.line("No corner was invalid.");
        } else {
            report.table(&["invalid check and message", "corners", "for example"], &rows);
        }
    }
}

/// A message with its numbers, and what belongs to them, as `#`.
fn without_numbers(message: &str) -> String {
    let words =
        message.split(' ').map(|word| if word.chars().any(|c| c.is_ascii_digit()) { "#" } else { word });
    words.collect::<Vec<_>>().join(" ")
}
