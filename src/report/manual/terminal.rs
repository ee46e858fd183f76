//! A chapter as text.

use super::blocks::{Block, blocks, filled, table};
use crate::manual::Chapter;
use crate::report::terminal::Style;
use crate::report::terminal::palette::paint;
use std::fmt::Write as _;

/// Columns where no terminal tells its own: tables need a width.
const COLUMNS: usize = 100;

/// A chapter for a terminal: running text and tables broken to its width, code as it is.
#[must_use]
pub fn render_chapter(chapter: &Chapter, style: Style) -> String {
    let mut out = String::new();
    let width = style.width.unwrap_or(COLUMNS);
    for block in blocks(chapter.text) {
        if !out.is_empty() {
            out.push('\n');
        }
        match block {
            Block::Heading(_, text) => {
                out.push_str(&paint(&text, anstyle::Style::new().bold(), style));
                out.push('\n');
            }
            Block::Paragraph(text) => out.push_str(&filled(&text, width)),
            Block::Code(text) => text.lines().for_each(|line| {
                let _ = writeln!(out, "{}", format!("    {line}").trim_end());
            }),
            Block::Rows(rows) => out.push_str(&table(&rows, width)),
        }
    }
    out
}
