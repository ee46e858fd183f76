//! The texts of runs put together.
//!
//! **Why are the terminal's texts spooled?** The verdict and the counts come first, then the worst, so nothing can be
//! printed before the last run is judged; ten thousand runs would not fit in memory.

use super::palette::{self, paint};
use super::run_text::{RunText, SECTIONS};
use super::wrap::wrap;
use super::{Style, overview};
use crate::check::Verdict;
use crate::report::escape::terminal;
use crate::report::statement::{heading, phrase};
use crate::report::{Counts, Tally};
use std::io::{self, BufWriter, Seek, Write};
use tempfile::SpooledTempFile;

/// What each spool holds in memory before it becomes a file.
const SPOOL: usize = 1 << 18;
/// Width of the names in the table of counts.
const NAME: usize = 10;

/// Collects the text of runs, in order, and writes it once all counts are known.
#[derive(Debug)]
pub struct TerminalSpool {
    style: Style,
    sections: [Spool; SECTIONS.len()],
    summaries: Spool,
}

/// A spool that makes its file, if it needs one, no sooner than there is something to hold.
#[derive(Debug)]
struct Spool {
    file: BufWriter<SpooledTempFile>,
    is_empty: bool,
}

impl Spool {
    fn new() -> Self {
        Self { file: BufWriter::new(SpooledTempFile::new(SPOOL)), is_empty: true }
    }

    fn append(&mut self, text: &str) -> io::Result<()> {
        self.is_empty &= text.is_empty();
        self.file.write_all(text.as_bytes())
    }

    fn copy_to(self, sink: &mut impl Write) -> io::Result<()> {
        let mut file = self.file.into_inner().map_err(io::IntoInnerError::into_error)?;
        file.rewind()?;
        io::copy(&mut file, sink).map(drop)
    }
}

impl TerminalSpool {
    /// An empty spool.
    #[must_use]
    pub fn new(style: Style) -> Self {
        Self { style, sections: SECTIONS.map(|_| Spool::new()), summaries: Spool::new() }
    }

    /// How its texts are to be rendered.
    #[must_use]
    pub const fn style(&self) -> Style {
        self.style
    }

    /// Appends a run.
    ///
    /// # Errors
    /// When a spool cannot be written.
    pub fn append(&mut self, run: &RunText) -> io::Result<()> {
        for (spool, text) in self.sections.iter_mut().zip(&run.sections) {
            spool.append(text)?;
        }
        self.summaries.append(&run.summary)
    }

    /// Writes everything: verdict and counts, what is not a pass, a line per run and per board.
    ///
    /// # Errors
    /// When a spool cannot be read or the sink cannot be written.
    pub fn finish(self, sink: &mut impl Write, tally: &Tally) -> io::Result<()> {
        let style = self.style;
        write_counts(sink, tally, style)?;
        if style.verdict_only {
            return sink.flush();
        }
        for (verdict, spool) in SECTIONS.into_iter().zip(self.sections) {
            if !spool.is_empty {
                let title = paint(heading(verdict), palette::of(verdict), style);
                writeln!(sink, "\n{title}")?;
                spool.copy_to(sink)?;
            }
        }
        if !self.summaries.is_empty {
            writeln!(sink, "\n{}", paint("The runs", palette::STRONG, style))?;
            self.summaries.copy_to(sink)?;
        }
        let mut heading = Some("\nBoards with several products");
        for board in tally.boards() {
            if let Some(heading) = heading.take() {
                writeln!(sink, "{}", paint(heading, palette::STRONG, style))?;
            }
            let worst = paint(board.verdict.word(), palette::of(board.verdict), style);
            let products: Vec<_> = board.products.iter().map(|product| terminal(product)).collect();
            let line = format!("  {}: {worst}, worst of {}\n", terminal(board.serial), products.join(", "));
            sink.write_all(wrap(&line, style.width).as_bytes())?;
        }
        sink.flush()
    }
}

fn write_counts(sink: &mut impl Write, tally: &Tally, style: Style) -> io::Result<()> {
    overview::write_verdict(sink, tally, style)?;
    if tally.runs.total() == 0 || style.verdict_only {
        return Ok(());
    }
    writeln!(sink)?;
    let rows = [("runs", &tally.runs), ("corners", &tally.corners), ("checks", &tally.checks)];
    write_table(sink, &rows, style)?;
    if tally.without_baseline > 0 {
        let count = tally.without_baseline;
        let line = format!("Of the checks not judged {count} compare with a baseline, and none was given.\n");
        sink.write_all(wrap(&line, style.width).as_bytes())?;
    }
    overview::write_nearest(sink, tally, style)?;
    overview::write_corners(sink, tally, style)
}

/// How often each verdict was given, a row per kind of thing that has one.
pub(in crate::report) fn write_table(
    sink: &mut impl Write,
    rows: &[(&str, &Counts)],
    style: Style,
) -> io::Result<()> {
    let told: Vec<Verdict> =
        Verdict::ALL.into_iter().filter(|v| rows.iter().any(|(_, c)| c.get(*v) > 0)).collect();
    let width = |verdict: Verdict| {
        let counts = rows.iter().map(|(_, counts)| counts.get(verdict).to_string().len());
        counts.max().unwrap_or(0).max(phrase(verdict).len())
    };
    let all = rows.iter().map(|(_, counts)| counts.total().to_string().len()).max().unwrap_or(0).max(3);
    let whole = NAME + all + told.iter().map(|verdict| width(*verdict) + 2).sum::<usize>();
    if style.width.is_some_and(|most| most < whole) {
        return write_tall_table(sink, rows, &told, style);
    }
    write!(sink, "{:NAME$}{:>all$}", "of", "all")?;
    told.iter().try_for_each(|verdict| write!(sink, "  {:>1$}", phrase(*verdict), width(*verdict)))?;
    writeln!(sink)?;
    rows.iter().try_for_each(|(name, counts)| {
        write!(sink, "{name:NAME$}{:>all$}", counts.total())?;
        told.iter().try_for_each(|verdict| {
            let count = counts.get(*verdict);
            let cell = format!("{count:>0$}", width(*verdict));
            let cell = if count > 0 { paint(&cell, palette::of(*verdict), style) } else { cell };
            write!(sink, "  {cell}")
        })?;
        writeln!(sink)
    })
}

/// The same table with a row per verdict, for a terminal too narrow for the other.
fn write_tall_table(
    sink: &mut impl Write,
    rows: &[(&str, &Counts)],
    told: &[Verdict],
    style: Style,
) -> io::Result<()> {
    let mut line = |name: &str, cells: &mut dyn Iterator<Item = String>| {
        let line = cells.fold(format!("{name:10}"), |line, cell| format!("{line}  {cell:>9}"));
        writeln!(sink, "{line}")
    };
    line("of", &mut rows.iter().map(|(name, _)| (*name).to_owned()))?;
    line("all", &mut rows.iter().map(|(_, counts)| counts.total().to_string()))?;
    told.iter().copied().try_for_each(|verdict| {
        line(
            phrase(verdict),
            &mut rows.iter().map(|(_, counts)| {
                let count = counts.get(verdict);
                let cell = format!("{count:>9}");
                if count > 0 { paint(&cell, palette::of(verdict), style) } else { cell }
            }),
        )
    })
}

#[cfg(test)]
mod tests {
    use super::super::render_run;
    use super::*;
    use crate::check::RunOutcome;
    use crate::report::sample;

    fn text(runs: &[RunOutcome], style: Style) -> String {
        let (mut tally, mut spool) = (Tally::new(), TerminalSpool::new(style));
        for run in runs {
            tally.add(run);
            spool.append(&render_run(run, style)).unwrap();
        }
        let mut bytes = Vec::new();
        spool.finish(&mut bytes, &tally).unwrap();
        String::from_utf8(bytes).unwrap()
    }

    #[test]
    fn verdict_and_counts_come_first_and_the_worst_before_the_rest() {
        let mut other = sample::passing("RG-00042", 2);
        other.product = "river-gauge-3v3".to_owned();
        let text = text(&[sample::run(), other], Style::plain());
        let expected = "\
The verdict is invalid: of 8 corners 1 is invalid, 1 is missing, 1 fails, 1 is undecided, 1 is waived.

of        all  invalid  missing  fail  undecided  waived  pass  not judged
runs        2        1        0     0          0       0     1           0
corners     8        1        1     1          1       1     3           0
checks     78        1        1     1          1       1    60          13

Nearest to a limit, or furthest beyond it
  river-gauge-3v3, 10V-3A: phase margin 54.1 deg ± 0.7 deg, limit at least 50 deg (pass; RG-00042)
  river-gauge-5v, 24V-3A: phase margin 44.1 deg ± 0.7 deg, limit at least 50 deg (fail; RG-00042)

First to do
  RG-00042, river-gauge-5v, 32V-3A, linearity: inject less: sweep at -32 dBm and at -29 dBm

Corners of river-gauge-3v3: value, room to the limit
";
        let details = "
Invalid: the measurement cannot carry a verdict
  RG-00042, river-gauge-5v, revision C, in demo-data/rev-c/RG-00042
    32V-3A: input 32 V, load 3 A
      linearity: crossover moves by 6.1 % from -26 dBm to -23 dBm, 2 % is allowed
        to do: inject less: sweep at -32 dBm and at -29 dBm
      not judged: crossover, crossings, phase_margin, gain_margin, delay_margin (linearity is invalid)

Missing: declared and not collected
";
        assert!(text.contains(details), "{text}");
        assert!(text.starts_with(expected), "{text}");
        let fail = "
Fail: shown not to be met
  RG-00042, river-gauge-5v, revision C, in demo-data/rev-c/RG-00042
    24V-3A: input 24 V, load 3 A
      phase_margin: 44.1 deg ± 0.7 deg, limit at least 50 deg
        to do: add phase lead near the crossover, or lower the crossover
";
        assert!(text.contains(fail), "{text}");
        let end = "
The runs
  RG-00042, river-gauge-5v, revision C, in demo-data/rev-c/RG-00042: invalid; of 6 corners 1 pass, 1 waived, \
                   1 undecided, 1 fail, 1 missing, 1 invalid; nearest to a limit: 24V-3A, phase margin 44.1 deg ± 0.7 deg, limit at least 50 deg
  RG-00042, river-gauge-3v3, revision C, in demo-data/rev-c/RG-00042: pass; of 2 corners 2 pass; \
                   nearest to a limit: 10V-3A, phase margin 54.1 deg ± 0.7 deg, limit at least 50 deg

Boards with several products
  RG-00042: invalid, worst of river-gauge-3v3, river-gauge-5v
";
        assert!(text.ends_with(end), "{text}");
        assert!(!text.contains("crossings: "), "a pass is listed: {text}");
    }

    #[test]
    fn every_check_is_listed_when_wanted() {
        let text = text(&[sample::run()], Style { every_check: true, ..Style::plain() });
        let listed = |name: &str| text.lines().filter(|line| line.trim_start().starts_with(name)).count();
        assert_eq!(listed("crossings: "), 4);
        assert_eq!(listed("coverage: "), 5);
    }

    #[test]
    fn colours_change_no_word_and_data_changes_no_colour() {
        let mut run = sample::run();
        run.serial = "RG\u{1b}[31m\u{202e}\n".to_owned();
        run.corners[1].corner = "\u{9b}2J".to_owned();
        run.corners[1].findings = vec!["a\rb".to_owned()];
        run.corners[1].checks[6].message = "\u{7}".to_owned();
        let plain = text(&[run.clone()], Style::plain());
        assert!(plain.chars().all(|c| c == '\n' || (!c.is_control() && c != '\u{202e}')), "{plain:?}");
        assert!(plain.contains("RG\\x1b[31m\\u{202e}\\x0a, ") && plain.contains("noticed: a\\x0db"));
        let coloured = text(&[run], Style { colour: true, ..Style::plain() });
        assert_ne!(coloured, plain);
        assert_eq!(anstream::adapter::strip_str(&coloured).to_string(), plain);
    }

    #[test]
    fn nothing_judged_is_said() {
        let mut bytes = Vec::new();
        let mut tally = Tally::new();
        tally.add_unreadable();
        TerminalSpool::new(Style::plain()).finish(&mut bytes, &tally).unwrap();
        assert_eq!(
            String::from_utf8(bytes).unwrap(),
            "There is no verdict: no run was judged.\n1 run could not be read.\n"
        );
    }
}
