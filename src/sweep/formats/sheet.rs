//! Spreadsheets of Office Open XML (`xlsx`): the one sheet that holds cells, row by row, as text.
//!
//! A number is the double that the file holds. Cells are taken one by one, as one in the last corner of a sheet must not make room for all
//! that lie before it.

use super::{LARGEST, error};
use crate::diagnostic::Diagnostic;
use calamine::{DataRef, Reader, Xlsx};
use std::collections::BTreeMap;
use std::io::Cursor;
use std::sync::Arc;
use zip::ZipArchive;

const HELP: &str = "save the sheet of the sweep in a file of its own, or as CSV";
/// Most columns that are looked at: as many as a row of text may have.
const COLUMNS: u32 = 4096;

/// The sheet as text with commas.
///
/// # Errors
/// What is wrong with the file.
pub(super) fn text(bytes: &[u8], file: &Arc<str>) -> Result<String, Vec<Diagnostic>> {
    let wrong = |message: &str| error(file, message, HELP);
    let mut archive = ZipArchive::new(Cursor::new(bytes)).map_err(|_| wrong("is no spreadsheet"))?;
    let sizes = (0..archive.len()).filter_map(|k| Some(archive.by_index_raw(k).ok()?.size()));
    if sizes.fold(0, u64::saturating_add) > LARGEST as u64 {
        return Err(wrong("holds more than 200 MB when it is unpacked; no sweep needs that"));
    }
    let mut book: Xlsx<_> = Xlsx::new(Cursor::new(bytes))
        .map_err(|_| wrong("is no spreadsheet that can be read, or is locked"))?;
    let mut found: Option<String> = None;
    for name in book.sheet_names() {
        let rows = cells(&mut book, &name).ok_or_else(|| wrong("holds a sheet that cannot be read"))?;
        if rows.is_empty() {
            continue;
        }
        if found.is_some() {
            return Err(wrong("holds cells on more than one sheet"));
        }
        found = Some(written(&rows));
    }
    found.ok_or_else(|| wrong("holds no cells"))
}

/// Cells of a row by their columns.
type Cells = BTreeMap<u32, String>;

fn cells(book: &mut Xlsx<Cursor<&[u8]>>, name: &str) -> Option<BTreeMap<u32, Cells>> {
    let mut reader = book.worksheet_cells_reader(name).ok()?;
    let mut rows: BTreeMap<u32, Cells> = BTreeMap::new();
    while let Some(cell) = reader.next_cell().ok()? {
        let (row, column) = cell.get_position();
        let text = match cell.get_value() {
            DataRef::Empty => continue,
            DataRef::Int(number) => number.to_string(),
            DataRef::Float(number) => format!("{number:?}"),
            DataRef::String(text) => text.clone(),
            DataRef::SharedString(text) => (*text).to_owned(),
            DataRef::Bool(is) => is.to_string(),
            DataRef::DateTime(_) | DataRef::DateTimeIso(_) | DataRef::DurationIso(_) => "a date".to_owned(),
            DataRef::Error(_) => "an error".to_owned(),
        };
        if column >= COLUMNS {
            return None;
        }
        rows.entry(row).or_default().insert(column, text);
    }
    Some(rows)
}

/// Line k of the text is row k of the sheet.
fn written(rows: &BTreeMap<u32, Cells>) -> String {
    let ends =
        |pick: fn(&Cells) -> Option<(&u32, &String)>| rows.values().filter_map(pick).map(|(at, _)| *at);
    let (first, last) = (ends(Cells::first_key_value).min(), ends(Cells::last_key_value).max());
    let (first, last) = (first.unwrap_or(0), last.unwrap_or(0));
    let (mut text, mut line) = (String::new(), 0);
    for (row, cells) in rows {
        text.push_str(&"\n".repeat(row.saturating_sub(line) as usize));
        for column in first..=last {
            if column > first {
                text.push(',');
            }
            let content = cells.get(&column).map_or("", String::as_str).replace('"', "\"\"");
            text.push_str(&format!("\"{content}\""));
        }
        line = *row;
    }
    text.push('\n');
    text
}
