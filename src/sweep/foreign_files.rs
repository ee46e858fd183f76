//! Files that are plainly no sweeps. A run may name any file of its folder, so nothing of such a file is shown.

use super::problems::is_pair;
use crate::diagnostic::Diagnostic;
use std::sync::Arc;

/// Bytes looked at, from the beginning: many times what stands above the numbers of any sweep.
const LOOKED_AT: usize = 1 << 20;
/// Numbers that a row of a sweep has at least, beside whatever other fields.
const LEAST_NUMBERS: usize = 3;
/// Numbers of a row that has nothing else: one that lost a column.
const LEAST_ALONE: usize = 2;
/// Names that no other file has in its first lines.
const NAMES: [&[u8]; 2] = [b"frequency_hz", b"phase_deg"];

/// First bytes of what holds numbers as bytes or packed; what it holds is looked at when it is unpacked.
const PACKED: [&[u8]; 3] = [b"\x1f\x8b\x08", b"PK\x03\x04", b"\x93NUMPY"];

/// Whether a file may be a sweep: a line of numbers stands in it, or a standard name of a column, or it is packed.
pub(crate) fn may_be_sweep(bytes: &[u8]) -> bool {
    if PACKED.iter().any(|start| bytes.starts_with(start)) {
        return true;
    }
    let head = bytes.get(..bytes.len().min(LOOKED_AT)).unwrap_or(bytes);
    let marks: [&[u8]; 3] = [b"\xef\xbb\xbf", b"\xff\xfe", b"\xfe\xff"];
    let head = marks.iter().find_map(|mark| head.strip_prefix(*mark)).unwrap_or(head);
    // Every other byte of UTF-16 is 0 where there are digits.
    let narrowed: Vec<u8>;
    let text = if head.contains(&0) {
        narrowed = head.iter().copied().filter(|b| *b != 0).collect();
        &narrowed
    } else {
        head
    };
    NAMES.iter().any(|name| memchr::memmem::find(text, name).is_some())
        || text.split(|b| matches!(b, b'\n' | b'\r')).any(|line| is_row(line) || is_row_of_pairs(line))
}

/// Whether a line may be a row of a sweep.
fn is_row(line: &[u8]) -> bool {
    let fields = || line.split(|b| matches!(b, b',' | b';' | b'\t' | b' ')).filter(|field| !field.is_empty());
    let numbers = fields().filter(|field| is_number(field)).take(LEAST_NUMBERS).count();
    numbers >= LEAST_NUMBERS || (numbers >= LEAST_ALONE && fields().all(is_number))
}

/// Whether a line may be a row of a frequency and a complex number, or a pair of gain and phase, in one field.
fn is_row_of_pairs(line: &[u8]) -> bool {
    let mut fields = line.split(|b| matches!(b, b';' | b'\t' | b' ')).filter(|field| !field.is_empty());
    let (Some(frequency), Some(pair), None) = (fields.next(), fields.next(), fields.next()) else {
        return false;
    };
    is_number(frequency) && std::str::from_utf8(pair).is_ok_and(is_pair)
}

/// Whether a field is a number, or the part of one before or behind a decimal comma.
fn is_number(field: &[u8]) -> bool {
    let field = field.strip_prefix(b"\"").and_then(|field| field.strip_suffix(b"\"")).unwrap_or(field);
    field.iter().any(u8::is_ascii_digit)
        && std::str::from_utf8(field).is_ok_and(|text| text.parse::<f64>().is_ok())
}

/// Errors whose words hold nothing of the file; without their excerpts they may be told of any file.
const SILENT: [&str; 4] = ["sweep-encoding", "sweep-empty", "sweep-points", "sweep-format"];

/// What is said of a file that could not be read: its errors as they are where it may be a sweep, else nothing that it holds.
pub(crate) fn veiled(bytes: &[u8], file: &Arc<str>, errors: Vec<Diagnostic>) -> Vec<Diagnostic> {
    if may_be_sweep(bytes) {
        return errors;
    }
    if errors.iter().all(|error| SILENT.contains(&error.code)) {
        return errors.into_iter().map(|error| Diagnostic { excerpt: None, ..error }).collect();
    }
    let message = "is no sweep: no line of it is a row of numbers, so nothing of it is shown";
    vec![
        Diagnostic::error("sweep-foreign", message)
            .in_file(file)
            .with_help("name delimited text with a header and a row of numbers for each frequency"),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_row_of_numbers_or_a_standard_name_makes_a_sweep() {
        for text in [
            "a\n1 2\n",
            "f;g;p\n100,5;1,0e3;-90\n",
            "\"1\",\"2\"\n",
            "frequency_hz,gain_db\n",
            "x\r1\t-2E-3\r",
            "t,f,g,p,note\n09:15,100,40,-90,ok\n",
            "f\tT\n90\t2.2e-01+1.3e+02i\n",
            "f\tT\n90\t(40dB,-170.5deg)\n",
        ] {
            assert!(may_be_sweep(text.as_bytes()), "{text:?}");
            let wide: Vec<u8> = format!("\u{feff}{text}").encode_utf16().flat_map(u16::to_be_bytes).collect();
            assert!(may_be_sweep(&wide), "{text:?}");
        }
        for text in [
            "",
            "machine git.example login ci password s3cret 12 34\n",
            "[http]\n\textraheader = AUTHORIZATION: basic 123\n",
            "2026-04-02\n12\n",
            "a,b,c\n1,x\n",
            "e e\n. .\n",
            "12 s3crei\n",
            "12 (s3cret)\n",
        ] {
            assert!(!may_be_sweep(text.as_bytes()), "{text:?}");
        }
    }

    #[test]
    fn nothing_of_another_file_is_told() {
        let file: Arc<str> = "x.csv".into();
        let error = |code| Diagnostic {
            excerpt: Some(crate::diagnostic::Excerpt::new("s3cret", 0..1)),
            ..Diagnostic::error(code, "message")
        };
        let veil = |text: &str, code| veiled(text.as_bytes(), &file, vec![error(code)]).remove(0);
        assert_eq!(veil("a,b\n1,2,3\n", "sweep-columns"), error("sweep-columns"));
        assert_eq!(veil("s3cret", "sweep-columns").code, "sweep-foreign");
        assert_eq!(veil("s3cret", "sweep-empty"), Diagnostic::error("sweep-empty", "message"));
    }
}
