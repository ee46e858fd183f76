//! What a binary file is, by its first bytes.

use super::error;
use crate::diagnostic::Diagnostic;
use std::sync::Arc;

const NPZ_OR_XLSX: &str = "of arrays of NumPy declare `reading: {format: npz}`; of a spreadsheet save the sheet as CSV, or declare `xlsx`, \
                           which a program built with that feature reads";

/// First bytes, what begins so, what to do.
const KNOWN: [(&[u8], &str, &str); 10] = [
    (b"PK\x03\x04", "a ZIP archive, as spreadsheets and archives of NumPy are", NPZ_OR_XLSX),
    (b"\x93NUMPY", "an array of NumPy", "declare `reading: {format: npy}`"),
    (b"\x89HDF\r\n\x1a\n", "an HDF5 file", "export the sweep as CSV, or as arrays of NumPy"),
    (b"MATLAB 5.0", "a MAT-file", "export the sweep as CSV"),
    (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", "an older office document", "save its sheet as CSV"),
    (b"%PDF-", "a PDF document", "export the numbers of the sweep as CSV, not the picture"),
    (b"\x89PNG", "a picture", "export the numbers of the sweep as CSV, not the picture"),
    (b"\xff\xd8\xff", "a picture", "export the numbers of the sweep as CSV, not the picture"),
    (b"BM", "a picture", "export the numbers of the sweep as CSV, not the picture"),
    (b"SQLite format 3\0", "a database", "export the sweep as CSV"),
];

/// Bytes looked at for one that no text has.
const LOOKED_AT: usize = 1024;

/// Refuses what is known to be no text.
///
/// # Errors
/// What it is, and what to do.
pub(in crate::sweep) fn refuse_binary(bytes: &[u8], file: &Arc<str>) -> Result<(), Vec<Diagnostic>> {
    let is_text = |head: &[u8]| !head.contains(&0);
    let head = bytes.get(..bytes.len().min(LOOKED_AT)).unwrap_or(bytes);
    let known = KNOWN.iter().find(|(start, ..)| bytes.starts_with(start));
    match known {
        // Two letters may begin a text, too.
        Some((start, ..)) if start.len() < 3 && is_text(head) => Ok(()),
        Some((_, what, help)) => Err(error(file, format!("is {what}, not delimited text"), help)),
        None => Ok(()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_binary_file_is_named_and_text_is_let_through() {
        let told =
            |bytes: &[u8]| refuse_binary(bytes, &"a".into()).map_err(|errors| errors[0].message.clone());
        assert_eq!(told(b"\x93NUMPY\x01\0v\0").unwrap_err(), "is an array of NumPy, not delimited text");
        assert!(told(b"PK\x03\x04\x14\0").unwrap_err().contains("ZIP archive"));
        assert!(told(b"BM\x9a\0\0\0").unwrap_err().contains("picture"));
        for text in [&b"BM,gain_db\n"[..], b"frequency_hz,gain_db\n", b"", b"\xff\xfef\0"] {
            assert_eq!(told(text), Ok(()));
        }
    }
}
