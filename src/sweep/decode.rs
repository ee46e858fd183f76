//! Bytes to text: byte order marks, the declared encoding, and the rows skipped at the top and at the end.
//!
//! Skipped rows are passed over unread, so they need not be valid text.

use super::dialect::{Dialect, line_ends, next_line};
use super::fields::{Cutter, Uncut};
use super::problems::{Source, excerpt};
use super::reading::Reading;
use crate::diagnostic::{Diagnostic, Place};
use crate::quantity::count_of;
use encoding_rs::{DecoderResult, Encoding, UTF_8, UTF_16BE, UTF_16LE};
use memchr::{memchr, memrchr};
use std::sync::Arc;

/// Decodes a file: as its byte order mark says, else as declared (the WHATWG Encoding Standard has them in this order, too).
/// UTF-8 is borrowed as it stands, anything else goes into `buffer`.
///
/// # Errors
/// Bytes that are no text, with line and field; a file that ends within the skipped rows.
pub(super) fn decode<'a>(
    bytes: &'a [u8],
    reading: &Reading,
    file: &'a Arc<str>,
    dialect: Dialect<'_>,
    buffer: &'a mut String,
) -> Result<Source<'a>, Vec<Diagnostic>> {
    let skip_rows = reading.skip_rows;
    let marked = Encoding::for_bom(bytes);
    let (encoding, mark) = marked.unwrap_or((reading.encoding, 0));
    let body = skip(bytes.get(mark..).unwrap_or_default(), skip_rows, encoding)
        .map_err(|lines| vec![too_short(skip_rows, lines, file)])?;
    let body = without_footer(body, reading.footer_rows, encoding);
    let first_line = (skip_rows as u64).saturating_add(1);
    let text = text(body, encoding, buffer).map_err(|bad| {
        let good = Source { file, text: bad.before, first_line };
        let message = format!("{} not valid {}", named(bad.bytes), encoding.name());
        not_text(&good, bad.rest, encoding, message, help(encoding, marked.is_some()), dialect)
    })?;
    let source = Source { file, text, first_line };
    match memchr(0, text.as_bytes()) {
        None => Ok(source),
        Some(at) => {
            let (before, bad) = text.split_at_checked(at).unwrap_or((text, ""));
            let source = Source { text: before, ..source };
            let message = "a NUL character stands in what should be text".to_owned();
            let help = "a sweep is delimited text; if this is UTF-16 without a byte order mark, declare \
                        `reading: {encoding: utf-16le}` or `utf-16be`";
            Err(not_text(&source, bad.as_bytes(), UTF_8, message, help, dialect))
        }
    }
}

/// Whether characters are pairs of bytes.
fn is_wide(encoding: &Encoding) -> bool {
    encoding == UTF_16LE || encoding == UTF_16BE
}

/// Passes over lines; when there are too few, says how many there are.
///
/// In all encodings but UTF-16 a line ends with the byte of a line feed, which is part of no other character. ISO-2022-JP, the only
/// one with a state, is back in ASCII at the end of a line (RFC 1468).
fn skip<'a>(body: &'a [u8], rows: usize, encoding: &Encoding) -> Result<&'a [u8], u64> {
    let mut rest = body;
    for done in 0..rows {
        if rest.is_empty() {
            return Err(done as u64);
        }
        let next = if is_wide(encoding) { next_wide_line(rest, encoding) } else { next_line(rest, 0) };
        rest = rest.get(next..).unwrap_or_default();
    }
    Ok(rest)
}

/// What stands before the last lines; nothing where there are no more than these. The end of the last line begins no other one.
fn without_footer<'a>(body: &'a [u8], rows: usize, encoding: &Encoding) -> &'a [u8] {
    let mut rest = body;
    for _ in 0..rows {
        let length = if is_wide(encoding) { last_wide_line(rest, encoding) } else { last_line(rest) };
        rest = rest.get(..length).unwrap_or_default();
    }
    rest
}

/// Where the last line begins.
fn last_line(rest: &[u8]) -> usize {
    let inner = rest.strip_suffix(b"\n").unwrap_or(rest);
    memrchr(b'\n', inner).map_or(0, |at| at + 1)
}

/// Where the last line of UTF-16 begins.
fn last_wide_line(rest: &[u8], encoding: &Encoding) -> usize {
    let end = if encoding == UTF_16LE { [b'\n', 0] } else { [0, b'\n'] };
    let (pairs, _) = rest.as_chunks::<2>();
    let inner = pairs.strip_suffix(&[end]).unwrap_or(pairs);
    inner.iter().rposition(|pair| *pair == end).map_or(0, |at| 2 * (at + 1))
}

/// Start of the second line of UTF-16.
fn next_wide_line(rest: &[u8], encoding: &Encoding) -> usize {
    let end = if encoding == UTF_16LE { [b'\n', 0] } else { [0, b'\n'] };
    let (pairs, _) = rest.as_chunks::<2>();
    pairs.iter().position(|pair| *pair == end).map_or(rest.len(), |at| 2 * (at + 1))
}

fn too_short(skip_rows: usize, lines: u64, file: &Arc<str>) -> Diagnostic {
    let message =
        format!("`skip_rows: {skip_rows}` passes over the whole file, which has {}", count_of(lines, "line"));
    Diagnostic::error("sweep-empty", message).in_file(file)
}

/// Bytes that are no text.
struct Bad<'a> {
    /// The text before them.
    before: &'a str,
    /// The bytes.
    bytes: &'a [u8],
    /// The same with all that follows.
    rest: &'a [u8],
}

fn text<'a>(body: &'a [u8], encoding: &'static Encoding, buffer: &'a mut String) -> Result<&'a str, Bad<'a>> {
    if encoding != UTF_8 {
        return decoded(body, encoding, buffer);
    }
    std::str::from_utf8(body).map_err(|error| {
        let (before, rest) = body.split_at_checked(error.valid_up_to()).unwrap_or((body, &[]));
        let before = std::str::from_utf8(before).unwrap_or_default();
        Bad { before, bytes: rest.get(..1).unwrap_or_default(), rest }
    })
}

fn decoded<'a>(
    body: &'a [u8],
    encoding: &'static Encoding,
    buffer: &'a mut String,
) -> Result<&'a str, Bad<'a>> {
    // Enough for any one character, so that every round gets on.
    const LEAST: usize = 64;
    buffer.clear();
    let mut decoder = encoding.new_decoder_without_bom_handling();
    let mut at = 0;
    loop {
        let rest = body.get(at..).unwrap_or_default();
        buffer.reserve(rest.len().max(LEAST));
        let (result, read) = decoder.decode_to_string_without_replacement(rest, buffer, true);
        at += read;
        match result {
            DecoderResult::InputEmpty => return Ok(buffer.as_str()),
            DecoderResult::OutputFull => {}
            DecoderResult::Malformed(length, after) => {
                let end = at.saturating_sub(usize::from(after));
                let start = end.saturating_sub(usize::from(length));
                let bytes = body.get(start..end).unwrap_or_default();
                let rest = body.get(start..).unwrap_or_default();
                return Err(Bad { before: buffer.as_str(), bytes, rest });
            }
        }
    }
}

/// `byte 0xB5 is`, `bytes 0x81 0xFF are`.
fn named(bytes: &[u8]) -> String {
    let list: String = bytes.iter().map(|byte| format!(" 0x{byte:02X}")).collect();
    if bytes.len() == 1 { format!("byte{list} is") } else { format!("bytes{list} are") }
}

/// What to do about bytes that are no text. Never to write the file anew: as it was collected it is evidence.
fn help(encoding: &Encoding, is_marked: bool) -> &'static str {
    if is_marked {
        "the byte order mark says what the file is, and it is damaged or cut off: copy it from the station again"
    } else if encoding == UTF_8 {
        "leave the file as it is and declare its encoding, such as `reading: {encoding: windows-1252}`; lines above the \
         header that are something else may be passed over with `reading: {skip_rows: …}`"
    } else {
        "declare the encoding that the file has under `reading`; if it is the declared one, the file is damaged or cut off: \
         copy it from the station again"
    }
}

/// An error just after the end of the good text, with what follows for the excerpt.
fn not_text(
    good: &Source<'_>,
    rest: &[u8],
    encoding: &'static Encoding,
    message: String,
    help: &str,
    dialect: Dialect<'_>,
) -> Vec<Diagnostic> {
    // Enough of what follows to recognise the line.
    const FOLLOWING: usize = 80;
    let bytes = good.text.as_bytes();
    let start = memrchr(b'\n', bytes).map_or(0, |at| at + 1);
    let prefix = good.text.get(start..).unwrap_or_default();
    let rest = rest.get(..rest.len().min(FOLLOWING)).unwrap_or_default();
    let (rest, _) = encoding.decode_without_bom_handling(rest);
    let rest = rest.split('\n').next().unwrap_or_default();
    let kept =
        prefix.get(prefix.floor_char_boundary(prefix.len().saturating_sub(FOLLOWING))..).unwrap_or_default();
    let line = format!("{kept}{rest}");
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

    fn declared(encoding: &str, skip_rows: usize) -> Reading {
        let encoding = Encoding::for_label(encoding.as_bytes()).unwrap();
        Reading { encoding, skip_rows, ..Reading::default() }
    }

    fn decode_as(bytes: &[u8], reading: &Reading) -> Result<String, Vec<Diagnostic>> {
        let dialect = Dialect::new(reading, &"f.csv".into()).unwrap();
        let mut buffer = "left over".to_owned();
        let file = Arc::from("f.csv");
        decode(bytes, reading, &file, dialect, &mut buffer).map(|source| source.text.to_owned())
    }

    fn try_decode(bytes: &[u8], skip_rows: usize) -> Result<String, Vec<Diagnostic>> {
        decode_as(bytes, &declared("utf-8", skip_rows))
    }

    fn utf16(text: &str, unit: fn(u16) -> [u8; 2]) -> Vec<u8> {
        text.encode_utf16().flat_map(unit).collect()
    }

    /// Texts and their bytes by the codecs of Python 3.
    const ENCODED: [(&str, &str, &[u8]); 13] = [
        ("windows-1252", "f/Hz,Phase/° µ€–", b"f/Hz,Phase/\xb0 \xb5\x80\x96"),
        ("iso-8859-15", "Verstärkung/dB €", b"Verst\xe4rkung/dB \xa4"),
        ("macintosh", "Phase/° µ", b"Phase/\xa1 \xb5"),
        ("windows-1251", "фаза/°", b"\xf4\xe0\xe7\xe0/\xb0"),
        ("koi8-r", "частота", b"\xde\xc1\xd3\xd4\xcf\xd4\xc1"),
        ("ibm866", "частота", b"\xe7\xa0\xe1\xe2\xae\xe2\xa0"),
        ("shift_jis", "周波数,利得", b"\x8e\xfc\x94g\x90\x94,\x97\x98\x93\xbe"),
        ("euc-jp", "周波数", b"\xbc\xfe\xc7\xc8\xbf\xf4"),
        ("iso-2022-jp", "周波数,利得", b"\x1b$B<~GH?t\x1b(B,\x1b$BMxF@\x1b(B"),
        ("euc-kr", "주파수", b"\xc1\xd6\xc6\xc4\xbc\xf6"),
        ("gb18030", "频率,增益", b"\xc6\xb5\xc2\xca,\xd4\xf6\xd2\xe6"),
        ("big5", "頻率", b"\xc0W\xb2v"),
        ("utf-16le", "φ\n", b"\xc6\x03\n\0"),
    ];

    #[test]
    fn declared_encodings_are_decoded() {
        for (encoding, text, bytes) in ENCODED {
            assert_eq!(decode_as(bytes, &declared(encoding, 0)).unwrap(), text, "{encoding}");
            let narrow = encoding != "utf-16le";
            let two_rows = if narrow { [bytes, b"\n", bytes].concat() } else { [bytes, bytes].concat() };
            assert_eq!(decode_as(&two_rows, &declared(encoding, 1)).unwrap(), text, "{encoding}");
        }
        let big = utf16("skipped\n\u{a00}φ", u16::to_be_bytes);
        assert_eq!(decode_as(&big, &declared("utf-16be", 1)).unwrap(), "\u{a00}φ");
    }

    #[test]
    fn text_that_grows_is_decoded_to_its_end() {
        // Two bytes of UTF-8 for one, three for two.
        let text = "µ".repeat(100_000);
        assert_eq!(decode_as(&[0xB5; 100_000], &declared("windows-1252", 0)).unwrap(), text);
        let text = "频".repeat(100_000);
        assert_eq!(decode_as(&[0xC6, 0xB5].repeat(100_000), &declared("gbk", 0)).unwrap(), text);
    }

    #[test]
    fn marks_are_no_part_of_the_text() {
        let text = "µ,𝛗\n";
        assert_eq!(try_decode(&[b"\xEF\xBB\xBF", text.as_bytes()].concat(), 0).unwrap(), text);
        let little = utf16(&format!("\u{feff}{text}"), u16::to_le_bytes);
        let big = utf16(&format!("\u{feff}{text}"), u16::to_be_bytes);
        assert_eq!(try_decode(&little, 0).unwrap(), text);
        assert_eq!(try_decode(&big, 0).unwrap(), text);
        // A mark goes before what is declared.
        for encoding in ["windows-1252", "utf-16", "utf-16be", "shift_jis"] {
            let reading = declared(encoding, 0);
            assert_eq!(decode_as(&[b"\xEF\xBB\xBF", text.as_bytes()].concat(), &reading).unwrap(), text);
            assert_eq!(decode_as(&little, &reading).unwrap(), text);
            assert_eq!(decode_as(&big, &reading).unwrap(), text);
        }
    }

    #[test]
    fn skipped_rows_are_not_read() {
        assert_eq!(try_decode(b"\xFF\0\nok\n", 1).unwrap(), "ok\n");
        let mut bytes = b"\xFF\xFE".to_vec();
        bytes.extend([0x00, 0xD8, b'\n', 0, b'o', 0, b'k', 0]);
        assert_eq!(try_decode(&bytes, 1).unwrap(), "ok");
        assert_eq!(decode_as(b"\x81\nok\n", &declared("shift_jis", 1)).unwrap(), "ok\n");
        assert!(try_decode(b"a\nb", 3).unwrap_err()[0].message.contains("has 2 lines"));
        assert!(try_decode(&bytes, 3).unwrap_err()[0].message.contains("has 2 lines"));
    }

    #[track_caller]
    fn bad_as(encoding: &str, bytes: &[u8], line: u64, column: u64, piece: &str) -> Diagnostic {
        let error = decode_as(bytes, &declared(encoding, 0)).unwrap_err().remove(0);
        let place = error.place.clone().unwrap();
        assert_eq!((place.line, place.column), (Some(line), Some(column)), "{error:?}");
        assert!(error.message.contains(piece), "{error:?}");
        error
    }

    #[track_caller]
    fn bad(bytes: &[u8], line: u64, column: u64, piece: &str) -> Diagnostic {
        bad_as("utf-8", bytes, line, column, piece)
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
        bad(&bytes, 2, 2, "bytes 0x00 0xDC are not valid UTF-16LE");
        bytes.truncate(bytes.len() - 1);
        bad(&bytes, 2, 2, "byte 0x00 is not valid UTF-16LE");
    }

    #[test]
    fn bytes_that_are_malformed_in_the_declared_encoding_are_found() {
        bad_as("shift_jis", b"a,b\n1,\x8e\xfc,\xa0\n", 2, 3, "byte 0xA0 is not valid Shift_JIS");
        bad_as("gb18030", b"a,b\n1,2\n3,\xc6", 3, 2, "byte 0xC6 is not valid gb18030");
        bad_as("euc-kr", b"a,b\n\xc1\xd6,\xff2\n", 2, 2, "byte 0xFF is not valid EUC-KR");
        let unmarked = utf16("a,b\n1,\u{d7ff}", u16::to_be_bytes);
        bad_as(
            "utf-16be",
            &[&unmarked[..], b"\xD8\0\0,"].concat(),
            2,
            2,
            "bytes 0xD8 0x00 are not valid UTF-16BE",
        );
        // What is shown of the line is in the declared encoding, too.
        let error = bad_as("euc-kr", b"\xc1\xd6,\xff\xc6\xc4\n1,2\n", 1, 2, "byte 0xFF");
        assert_eq!(error.excerpt.unwrap().text, "주,\u{fffd}파");
    }

    #[test]
    fn no_one_is_told_to_write_the_file_anew() {
        let help = |error: Diagnostic| error.help.unwrap();
        let undeclared = help(bad(b"1,\xB5", 1, 2, "0xB5"));
        assert!(undeclared.contains("`reading: {encoding: windows-1252}`"), "{undeclared}");
        let nul = help(bad(b"1,\0", 1, 2, "NUL"));
        assert!(nul.contains("`reading: {encoding: utf-16le}`"), "{nul}");
        let declared = help(bad_as("shift_jis", b"1,\xa0", 1, 2, "0xA0"));
        assert!(declared.contains("declare the encoding"), "{declared}");
        let marked = help(bad(b"\xEF\xBB\xBF1,\xB5", 1, 2, "0xB5"));
        for text in [undeclared, nul, declared, marked] {
            assert!(!text.contains("save"), "{text}");
        }
    }

    #[test]
    fn bytes_of_any_kind_are_decoded_or_refused_in_every_encoding() {
        use rand_pcg::rand_core::{Rng, SeedableRng};
        let mut random = rand_pcg::Pcg64::seed_from_u64(1);
        for (encoding, ..) in ENCODED {
            for length in 0..200 {
                let mut bytes = vec![0; length];
                random.fill_bytes(&mut bytes);
                for skip_rows in [0, 1] {
                    if let Err(errors) = decode_as(&bytes, &declared(encoding, skip_rows)) {
                        assert_eq!(errors.len(), 1, "{encoding} {bytes:?}");
                    }
                }
            }
        }
    }
}
