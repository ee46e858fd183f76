//! The first screen of `check`: the verdict with all that is wrong, the counts, what lies nearest to a limit, what to do first; then the
//! corner table.

use super::Style;
use super::palette::{self, paint};
use super::wrap::wrap;
use crate::check::{Unit, Verdict};
use crate::measurand::Measurand;
use crate::quantity::{number, si};
use crate::report::Tally;
use crate::report::corner_table::{Cell, CornerRow, ProductTable, Worst};
use crate::report::escape::terminal;
use crate::report::headline::headline;
use crate::report::statement::count_of;
use std::io::{self, Write};
use unicode_width::UnicodeWidthStr;

/// Blanks between columns.
const GAP: usize = 2;
/// What stands where there is no value.
const NOTHING: &str = "-";

/// The verdict, what could not be read.
pub(super) fn write_verdict(sink: &mut impl Write, tally: &Tally, style: Style) -> io::Result<()> {
    match tally.verdict() {
        Some(verdict) => {
            let text = headline(tally).replacen(
                verdict.word(),
                &paint(verdict.word(), palette::of(verdict), style),
                1,
            );
            sink.write_all(wrap(&format!("{text}\n"), style.width).as_bytes())?;
        }
        None => writeln!(sink, "There is no verdict: no run was judged.")?,
    }
    if tally.unreadable > 0 {
        let runs = count_of(tally.unreadable, "run");
        writeln!(sink, "{}", paint(&format!("{runs} could not be read."), palette::ERROR, style))?;
    }
    Ok(())
}

/// What lies nearest to a limit in each product, and what to do first.
pub(super) fn write_nearest(sink: &mut impl Write, tally: &Tally, style: Style) -> io::Result<()> {
    if tally.runs.total() < 2 {
        // All of it follows on the same screen.
        return Ok(());
    }
    let mut heading = Some("Nearest to a limit, or furthest beyond it");
    for (product, table) in tally.table.products() {
        let Some(nearest) = &table.nearest else { continue };
        if let Some(heading) = heading.take() {
            writeln!(sink, "\n{}", paint(heading, palette::STRONG, style))?;
        }
        let line = format!(
            "  {}, {}: {} ({}; {})\n",
            terminal(product),
            terminal(&nearest.corner),
            terminal(&nearest.text),
            paint(nearest.verdict.word(), palette::of(nearest.verdict), style),
            terminal(&nearest.serial)
        );
        sink.write_all(wrap(&line, style.width).as_bytes())?;
    }
    let Some(first) = tally.table.first() else { return Ok(()) };
    writeln!(sink, "\n{}", paint("First to do", palette::STRONG, style))?;
    let more = match first.more {
        0 => String::new(),
        more => format!(" (the same at {} more)", count_of(more, "corner")),
    };
    let line = format!(
        "  {}, {}: {}{more}\n",
        terminal(&first.place),
        terminal(&first.check),
        terminal(&first.remedy)
    );
    sink.write_all(wrap(&line, style.width).as_bytes())
}

/// A row a corner of each product.
pub(super) fn write_corners(sink: &mut impl Write, tally: &Tally, style: Style) -> io::Result<()> {
    for (product, table) in tally.table.products() {
        let (columns, units) = (table.columns(), table.units());
        let title = match units {
            0 | 1 => format!("Corners of {}: value, room to the limit", terminal(product)),
            _ => {
                format!("Corners of {}: the worst of {units} units, its room to the limit", terminal(product))
            }
        };
        writeln!(sink, "\n{}", paint(&title, palette::STRONG, style))?;
        let rows: Vec<Vec<Entry>> =
            (0..).zip(table.rows()).map(|(index, row)| entries(index, row, table, &columns)).collect();
        let heads = columns.iter().map(|m| Entry::plain(head(*m)));
        let ends = |word: &str| std::iter::once(Entry::plain(word.to_owned()));
        let head: Vec<Entry> = ends("corner").chain(heads).chain(ends("verdict")).collect();
        let width = |column: usize| {
            let cells = std::iter::once(&head).chain(&rows).filter_map(|row| row.get(column));
            cells.map(|entry| entry.text.width()).max().unwrap_or(0)
        };
        let widths: Vec<usize> = (0..head.len()).map(width).collect();
        let whole = 2 + widths.iter().sum::<usize>() + GAP * head.len().saturating_sub(1);
        if style.width.is_some_and(|most| whole > most) {
            rows.iter().try_for_each(|row| write_tall(sink, row, &head, style))?;
        } else {
            std::iter::once(&head).chain(&rows).try_for_each(|row| write_wide(sink, row, &widths, style))?;
        }
        for line in failing(table, &columns).filter(|_| units > 1) {
            sink.write_all(wrap(&format!("  {}\n", terminal(&line)), style.width).as_bytes())?;
        }
    }
    Ok(())
}

/// What stands in a cell, and the verdict that colours it.
struct Entry {
    text: String,
    verdict: Option<Verdict>,
}

impl Entry {
    const fn plain(text: String) -> Self {
        Self { text, verdict: None }
    }

    fn painted(&self, style: Style) -> String {
        self.verdict
            .map_or_else(|| self.text.clone(), |verdict| paint(&self.text, palette::of(verdict), style))
    }
}

fn head(measurand: Measurand) -> String {
    match measurand.unit() {
        // The prefix stands in the cell.
        Unit::Hz | Unit::One => measurand.title(),
        unit => format!("{}, {}", measurand.title(), unit.symbol()),
    }
}

fn entries(index: usize, row: &CornerRow, table: &ProductTable, columns: &[Measurand]) -> Vec<Entry> {
    let name = Entry::plain(terminal(&row.corner).into_owned());
    let of = |measurand: &Measurand| match row.cell(*measurand).and_then(|cell| cell.worst.as_ref()) {
        Some(worst) => Entry {
            text: cell_text(*measurand, worst, table.is_least(index, *measurand)),
            verdict: Some(worst.verdict).filter(|verdict| *verdict != Verdict::Pass),
        },
        None => Entry::plain(NOTHING.to_owned()),
    };
    let (worst, all) = (row.verdicts.worst(), row.verdicts.total());
    let told = worst.map_or(String::new(), |worst| match all {
        1 => worst.word().to_owned(),
        _ => format!("{} of {all} {}", row.verdicts.get(worst), worst.word()),
    });
    let verdict = Entry { text: told, verdict: worst.filter(|worst| *worst != Verdict::Pass) };
    std::iter::once(name).chain(columns.iter().map(of)).chain([verdict]).collect()
}

/// `44.31±0.62 -5.7`: value, expanded uncertainty, room to the limit; the row nearest to its limit is marked.
fn cell_text(measurand: Measurand, worst: &Worst, is_marked: bool) -> String {
    let Worst { value, slack, .. } = worst;
    let unit = measurand.unit();
    let text = worst.text(unit).replace("at least ", ">=");
    let text = match unit {
        Unit::Hz => match text.split_once(" ± ") {
            // The unit is said once.
            Some((value, rest)) => {
                let number = value.split_once(' ').map_or(value, |(number, _)| number);
                format!("{number}±{rest}")
            }
            None => text,
        },
        _ => text.replace(&format!(" {}", unit.symbol()), "").replace(" ± ", "±"),
    };
    let Some(slack) = slack else { return text };
    let sign = if *slack < 0.0 { "" } else { "+" };
    // In the prefix of the value.
    let scale = if unit == Unit::Hz { si(*value).0 } else { 1.0 };
    format!("{text} {sign}{}{}", number(slack / scale, 2), if is_marked { " <" } else { "" })
}

fn write_wide(sink: &mut impl Write, row: &[Entry], widths: &[usize], style: Style) -> io::Result<()> {
    let mut line = String::from(" ");
    for (index, (entry, width)) in row.iter().zip(widths).enumerate() {
        let blanks = " ".repeat(width.saturating_sub(entry.text.width()));
        line.push_str(if index == 0 { " " } else { "  " });
        line.push_str(&entry.painted(style));
        line.push_str(&blanks);
    }
    writeln!(sink, "{}", line.trim_end())
}

/// The same for a terminal too narrow for the table.
fn write_tall(sink: &mut impl Write, row: &[Entry], head: &[Entry], style: Style) -> io::Result<()> {
    let [name, cells @ .., verdict] = row else { return Ok(()) };
    writeln!(sink, "  {}: {}", name.text, verdict.painted(style))?;
    let mut told = cells.iter().zip(head.iter().skip(1)).filter(|(entry, _)| entry.text != NOTHING);
    told.try_for_each(|(entry, head)| writeln!(sink, "    {:<22}{}", head.text, entry.painted(style)))
}

/// `hot: gain margin fails on 14 of 60, 5.2 to 5.7 dB`.
fn failing(table: &ProductTable, columns: &[Measurand]) -> impl Iterator<Item = String> {
    let told = |row: &CornerRow, measurand: Measurand, cell: &Cell| {
        let (count, range) = cell.failing_text(measurand.unit())?;
        let title = measurand.title();
        Some(format!("{}: {title} fails on {count} of {}, {range}", row.corner, cell.units))
    };
    let of_row = move |row: &CornerRow| -> Vec<String> {
        columns.iter().filter_map(|m| told(row, *m, row.cell(*m)?)).collect()
    };
    table.rows().iter().flat_map(of_row).collect::<Vec<_>>().into_iter()
}
