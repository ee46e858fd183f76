//! Markdown of the manual to the blocks that its readers need.

use comfy_table::{ColumnConstraint, ContentArrangement, Table, presets};
use pulldown_cmark::{BrokenLink, CowStr, Event, Options, Parser, Tag, TagEnd};

/// A piece of a chapter. Text is plain: code keeps its backticks, all other marks are gone.
#[derive(Debug, PartialEq, Eq)]
pub(super) enum Block {
    /// Of a level from 1 on.
    Heading(u8, String),
    /// Running text without line breaks.
    Paragraph(String),
    /// Lines that stay as they are.
    Code(String),
    /// Rows of cells, the first one is the head.
    Rows(Vec<Vec<String>>),
}

/// Columns up to which a column of cells counts as one of names.
const NAME: usize = 32;

/// The blocks of a text.
pub(super) fn blocks(markdown: &str) -> Vec<Block> {
    // `[sanity]` names a chapter: it stays as it is.
    let chapter = |link: BrokenLink<'_>| Some((CowStr::from(link.reference.into_string()), CowStr::from("")));
    let parser = Parser::new_with_broken_link_callback(markdown, Options::ENABLE_TABLES, Some(chapter));
    let mut blocks = Vec::new();
    let mut text = String::new();
    let mut rows: Vec<Vec<String>> = Vec::new();
    for event in parser {
        match event {
            Event::Start(Tag::Link { .. }) => text.push('['),
            Event::End(TagEnd::Link) => text.push(']'),
            Event::Start(Tag::TableHead | Tag::TableRow) => rows.push(Vec::new()),
            Event::End(TagEnd::TableCell) => {
                let cell = std::mem::take(&mut text);
                rows.last_mut().into_iter().for_each(|row| row.push(cell.clone()));
            }
            Event::End(TagEnd::Table) => blocks.push(Block::Rows(std::mem::take(&mut rows))),
            Event::End(TagEnd::Heading(level)) => {
                blocks.push(Block::Heading(level as u8, std::mem::take(&mut text)));
            }
            Event::End(TagEnd::Paragraph | TagEnd::Item) if !text.is_empty() => {
                blocks.push(Block::Paragraph(std::mem::take(&mut text)));
            }
            Event::End(TagEnd::CodeBlock) => blocks.push(Block::Code(std::mem::take(&mut text))),
            Event::Code(code) => text.push_str(&format!("`{code}`")),
            Event::Text(part) => text.push_str(&part),
            Event::SoftBreak | Event::HardBreak => text.push(' '),
            _ => {}
        }
    }
    blocks
}

/// Rows laid out in columns of a width, cells broken where they must be.
pub(super) fn table(rows: &[Vec<String>], width: usize) -> String {
    let mut table = Table::new();
    table.load_style(presets::NOTHING).set_content_arrangement(ContentArrangement::Dynamic);
    table.set_width(u16::try_from(width).unwrap_or(u16::MAX));
    table.add_rows(rows);
    for (place, column) in table.column_iter_mut().enumerate() {
        // Text begins where running text does; columns stand two blanks apart.
        column.set_padding((0, 2));
        // Names are not broken.
        let widest = rows.iter().filter_map(|row| row.get(place)).map(|cell| cell.chars().count()).max();
        if widest.is_some_and(|widest| widest <= NAME) {
            column.set_constraint(ColumnConstraint::ContentWidth);
        }
    }
    table.lines().map(|line| line.trim_end().to_owned() + "\n").collect()
}

/// Running text in lines of a width.
pub(super) fn filled(text: &str, width: usize) -> String {
    table(&[vec![text.to_owned()]], width)
}
