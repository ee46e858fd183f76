//! Bytes to text: byte order marks, UTF-8, UTF-16, and the rows skipped at the top.
//!
//! Skipped rows are passed over unread, so they need not be valid text.

use super::dialect::{Dialect, line_ends, next_line};
use super::fields::{Cutter, Uncut};
use super::problems::{Source, count, excerpt};
use crate::diagnostic::{Diagnostic, Place};
use memchr::{memchr, memrchr};
use std::sync::Arc;

const UTF8_MARK: &[u8] = b"\xEF\xBB\xBF";
const UTF16_LITTLE_MARK: &[u8] = b"\xFF\xFE";
const UTF16_BIG_MARK: &[u8] = b"\xFE\xFF";

/// Decodes a file. UTF-8 is borrowed as it stands, UTF-16 goes into `buffer`.
///
/// # Errors
/// Bytes that are no text, with line and field; a file that ends within the skipped rows.
pub(super) fn decode<'a>(
    bytes: &'a [u8],
    skip_rows: usize,
    file: &'a Arc<str>,
    dialect: Dialect<'_>,
    buffer: &'a mut String,
) -> Result<Source<'a>, Vec<Diagnostic>> {
    let first_line = (skip_rows as u64).saturating_add(1);
    let text = if let Some(body) = bytes.strip_prefix(UTF16_LITTLE_MARK) {
        decode_utf16(body, u16::from_le_bytes, skip_rows, file, dialect, buffer)?
    } else if let Some(body) = bytes.strip_prefix(UTF16_BIG_MARK) {
        decode_utf16(body, u16::from_be_bytes, skip_rows, file, dialect, buffer)?
    } else {
        let body = bytes.strip_prefix(UTF8_MARK).unwrap_or(bytes);
        let body = skip(body, skip_rows).map_err(|lines| vec![too_short(skip_rows, lines, file)])?;
        std::str::from_utf8(body).map_err(|error| {
            let (before, bad) = body.split_at_checked(error.valid_up_to()).unwrap_or((body, &[]));
            let before = std::str::from_utf8(before).unwrap_or_default();
            let found = bad.first().map_or_else(String::new, |byte| format!("byte 0x{byte:02X}"));
            let source = Source { file, text: before, first_line };
            let help = "save the file as UTF-8, or as UTF-16 with a byte order mark; lines above the header that are \
                        something else may be passed over with `reading: {skip_rows: …}`";
            not_text(&source, bad, &format!("{found} is not valid UTF-8"), help, dialect)
        })?
    };
    let source = Source { file, text, first_line };
    match memchr(0, text.as_bytes()) {
        None => Ok(source),
        Some(at) => {
            let (before, bad) = text.split_at_checked(at).unwrap_or((text, ""));
            let source = Source { text: before, ..source };
            let message = "a NUL character stands in what should be text";
            let help = "save the sweep as delimited text; UTF-16 needs a byte order mark";
            Err(not_text(&source, bad.as_bytes(), message, help, dialect))
        }
    }
}

/// Passes over lines; when there are too few, says how many there are.
fn skip(body: &[u8], rows: usize) -> Result<&[u8], u64> {
    let mut at = 0;
    for done in 0..rows {
        if at == body.len() {
            return Err(done as u64);
        }
        at = next_line(body, at);
    }
    Ok(body.get(at..).unwrap_or_default())
}

fn too_short(skip_rows: usize, lines: u64, file: &Arc<str>) -> Diagnostic {
    let message =
        format!("`skip_rows: {skip_rows}` passes over the whole file, which has {}", count(lines, "line"));
    Diagnostic::error("sweep-empty", message).in_file(file)
}

fn decode_utf16<'a>(
    body: &[u8],
    unit: fn([u8; 2]) -> u16,
    skip_rows: usize,
    file: &Arc<str>,
    dialect: Dialect<'_>,
    buffer: &'a mut String,
) -> Result<&'a str, Vec<Diagnostic>> {
    let (pairs, odd) = body.as_chunks::<2>();
    let mut units = pairs.iter().map(|pair| unit(*pair)).peekable();
    for done in 0..skip_rows {
        if units.peek().is_none() {
            return Err(vec![too_short(skip_rows, done as u64, file)]);
        }
        let _ = units.by_ref().find(|unit| *unit == u16::from(b'\n'));
    }
    buffer.clear();
    let mut bad = None;
    for character in char::decode_utf16(units) {
        match character {
            Ok(character) => buffer.push(character),
            Err(error) => {
                bad =
                    Some(format!("0x{:04X} is half of a UTF-16 surrogate pair", error.unpaired_surrogate()));
                break;
            }
        }
    }
    if bad.is_none() && !odd.is_empty() {
        bad = Some("the UTF-16 text ends within a character".to_owned());
    }
    match bad {
        None => Ok(buffer.as_str()),
        Some(message) => {
            let first_line = (skip_rows as u64).saturating_add(1);
            let source = Source { file, text: buffer.as_str(), first_line };
            let help = "the file is damaged or cut off: export it again, as UTF-8 or UTF-16";
            Err(not_text(&source, &[], &message, help, dialect))
        }
    }
}

/// An error just after the end of the good text, with what follows for the excerpt.
fn not_text(
    good: &Source<'_>,
    rest: &[u8],
    message: &str,
    help: &str,
    dialect: Dialect<'_>,
) -> Vec<Diagnostic> {
    // Enough of what follows to recognise the line.
    const FOLLOWING: usize = 80;
    let bytes = good.text.as_bytes();
    let start = memrchr(b'\n', bytes).map_or(0, |at| at + 1);
    let prefix = good.text.get(start..).unwrap_or_default();
    let rest = rest.get(..rest.len().min(FOLLOWING)).unwrap_or_default();
    let rest = rest.split(|byte| *byte == b'\n').next().unwrap_or_default();
    let kept =
        prefix.get(prefix.floor_char_boundary(prefix.len().saturating_sub(FOLLOWING))..).unwrap_or_default();
    let line = format!("{kept}{}", String::from_utf8_lossy(rest));
    let mut diagnostic = Diagnostic::error("sweep-encoding", message);
    diagnostic.place = Some(Place {
        file: Arc::clone(good.file),
        line: Some(good.first_line + line_ends(bytes, 0, bytes.len())),
        column: field_number(prefix, dialect),
        key: None,
    });
    diagnostic.excerpt = Some(excerpt(&line, kept.len()..kept.len() + 1));
    vec![diagnostic.with_help(help)]
}

/// Number of the field that continues after the beginning of a line.
fn field_number(prefix: &str, dialect: Dialect<'_>) -> Option<u64> {
    let mut fields = Vec::new();
    // The bad byte may lie in a field that is still open, or just after a blank that parts the fields.
    let open = match Cutter::new(prefix.as_bytes(), dialect).cut(0, &mut fields) {
        Err(why) => matches!(why, Uncut::Unclosed(_)),
        Ok(_) => dialect.by_blanks() && prefix.ends_with([' ', '\t']) && !prefix.trim().is_empty(),
    };
    Some((fields.len() as u64 + u64::from(open)).max(1))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sweep::reading::Reading;

    fn try_decode(bytes: &[u8], skip_rows: usize) -> Result<String, Vec<Diagnostic>> {
        let reading = Reading::default();
        let dialect = Dialect::new(&reading, &"f.csv".into()).unwrap();
        let mut buffer = "left over".to_owned();
        let file = Arc::from("f.csv");
        decode(bytes, skip_rows, &file, dialect, &mut buffer).map(|source| source.text.to_owned())
    }

    fn utf16(text: &str, unit: fn(u16) -> [u8; 2]) -> Vec<u8> {
        text.encode_utf16().flat_map(unit).collect()
    }

    #[test]
    fn marks_are_no_part_of_the_text() {
        let text = "µ,𝛗\n";
        assert_eq!(try_decode(&[UTF8_MARK, text.as_bytes()].concat(), 0).unwrap(), text);
        let little = utf16(&format!("\u{feff}{text}"), u16::to_le_bytes);
        let big = utf16(&format!("\u{feff}{text}"), u16::to_be_bytes);
        assert_eq!(try_decode(&little, 0).unwrap(), text);
        assert_eq!(try_decode(&big, 0).unwrap(), text);
    }

    #[test]
    fn skipped_rows_are_not_read() {
        assert_eq!(try_decode(b"\xFF\0\nok\n", 1).unwrap(), "ok\n");
        let mut bytes = UTF16_LITTLE_MARK.to_vec();
        bytes.extend([0x00, 0xD8, b'\n', 0, b'o', 0, b'k', 0]);
        assert_eq!(try_decode(&bytes, 1).unwrap(), "ok");
        assert!(try_decode(b"a\nb", 3).unwrap_err()[0].message.contains("has 2 lines"));
        assert!(try_decode(&bytes, 3).unwrap_err()[0].message.contains("has 2 lines"));
    }

    #[track_caller]
    fn bad(bytes: &[u8], line: u64, column: u64, piece: &str) {
        let error = try_decode(bytes, 0).unwrap_err().remove(0);
        let place = error.place.clone().unwrap();
        assert_eq!((place.line, place.column), (Some(line), Some(column)), "{error:?}");
        assert!(error.message.contains(piece), "{error:?}");
    }

    #[test]
    fn the_place_of_a_bad_byte_is_found() {
        bad(b"\xB5", 1, 1, "byte 0xB5 is not valid UTF-8");
        bad(b"a,b\n1,2 \xB0C,3\n", 2, 2, "byte 0xB0");
        bad(b"a,b\n\"1,\xB0C\",3\n", 2, 1, "byte 0xB0");
        bad(b"a,b\n\"1\",\"\xB0C\",3\n", 2, 2, "byte 0xB0");
        bad(b"a,b\n1,\xC2", 2, 2, "byte 0xC2");
        bad(b"a,b\n1,2\0", 2, 2, "NUL");
        let mut bytes = utf16("\u{feff}a,b\n1,", u16::to_le_bytes);
        bytes.extend([0x00, 0xDC]);
        bad(&bytes, 2, 2, "0xDC00 is half");
        bytes.truncate(bytes.len() - 1);
        bad(&bytes, 2, 2, "ends within");
    }
}
