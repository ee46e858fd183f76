//! A chapter as a manual page of section 7.

use super::blocks::{Block, blocks, table};
use crate::manual::Chapter;
use crate::report::TOOL;
use roff::{Roff, roman};

/// Columns of tables: a page is read at 80, and text is set in by 7.
const COLUMNS: usize = 72;

/// The page `loopgauge-NAME(7)`, as roff.
#[must_use]
pub fn manual_page(chapter: &Chapter) -> String {
    let name = format!("loopgauge-{}", chapter.name);
    let mut page = Roff::new();
    page.control("TH", [name.as_str(), "7", "", TOOL, "loopgauge"]);
    page.control("SH", ["NAME"]);
    page.text([roman(format!("{name} - {}", chapter.title()))]);
    page.control("SH", ["DESCRIPTION"]);
    for block in blocks(chapter.text) {
        match block {
            // Stands under NAME.
            Block::Heading(1, _) => {}
            Block::Heading(2, text) => _ = page.control("SH", [text.to_uppercase().as_str()]),
            Block::Heading(_, text) => _ = page.control("SS", [text.as_str()]),
            Block::Paragraph(text) => _ = page.control("PP", []).text([roman(text)]),
            Block::Code(text) => as_it_is(&mut page, &text),
            Block::Rows(rows) => as_it_is(&mut page, &table(&rows, COLUMNS)),
        }
    }
    page.render()
}

fn as_it_is(page: &mut Roff, text: &str) {
    page.control("PP", []).control("nf", []);
    for line in text.lines() {
        page.text([roman(line)]);
    }
    page.control("fi", []);
}
