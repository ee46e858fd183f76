//! Digests of what was recorded, by which `history check` knows a changed number.
//!
//! A row's canonical form is its fields, one after the other, each as a byte for its sort (0 nothing, 1 a whole number, 2 a number with
//! a fraction, 3 a text, 4 bytes), then eight bytes, least significant first: the number, the bits of the number, or the length of the
//! text or bytes that follow. The row's digest is the first eight bytes of the SHA-256 of that (FIPS 180-4), as a whole number. The
//! first field is the token of the record, which no other record has: a row that moves to another record does not fit it.
//!
//! It tells mistakes, damage and edits made in passing. Whoever means to deceive can compute it anew.

use super::database::Value;
use sha2::{Digest, Sha256};

/// Digest of a row of `value`: record's token, corner, quantity, unit; value, uncertainty, chain, bound.
pub(super) fn of_value(series: [&str; 4], numbers: [Value<'_>; 4]) -> i64 {
    of_row(series.into_iter().map(Value::Text).chain(numbers))
}

/// Digest of the fields of a row.
pub(super) fn of_row<'a>(fields: impl IntoIterator<Item = Value<'a>>) -> i64 {
    // Hashed as one.
    let mut form = Vec::with_capacity(256);
    for field in fields {
        match field {
            Value::Null => form.push(0),
            Value::Int(number) => with_eight(&mut form, 1, number.to_le_bytes()),
            // SQLite stores a negative zero as zero.
            Value::Real(number) => with_eight(&mut form, 2, (number + 0.0).to_bits().to_le_bytes()),
            // As PostgreSQL stores it.
            Value::Text(text) if text.contains('\0') => {
                with_bytes(&mut form, 3, text.replace('\0', "\u{fffd}").as_bytes());
            }
            Value::Text(text) => with_bytes(&mut form, 3, text.as_bytes()),
            Value::Blob(bytes) => with_bytes(&mut form, 4, bytes),
        }
    }
    let eight = Sha256::digest(&form).first_chunk::<8>().copied().unwrap_or_default();
    i64::from_be_bytes(eight)
}

/// Fields that came with a later version: none of them where the record has none, so that it keeps the digest that it had.
pub(super) fn told<const N: usize>(fields: [Value<'_>; N]) -> impl Iterator<Item = Value<'_>> {
    let any = fields.iter().any(|field| !matches!(field, Value::Null));
    fields.into_iter().filter(move |_| any)
}

fn with_eight(form: &mut Vec<u8>, sort: u8, eight: [u8; 8]) {
    form.push(sort);
    form.extend_from_slice(&eight);
}

fn with_bytes(form: &mut Vec<u8>, sort: u8, bytes: &[u8]) {
    with_eight(form, sort, (bytes.len() as u64).to_le_bytes());
    form.extend_from_slice(bytes);
}

/// Whether a row is the one that was recorded: `found` is the digest in it, `of_record` the one of its record. A record of a version
/// without digests has none, nor have its rows.
pub(super) fn fits(found: Option<i64>, of_record: Option<i64>, row: impl FnOnce() -> i64) -> bool {
    match (found, of_record) {
        (Some(found), _) => found == row(),
        (None, of_record) => of_record.is_none(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// FIPS 180-4's digest of no byte (from memory) begins with e3b0c442 98fc1c14.
    #[test]
    fn the_first_eight_bytes_count() {
        assert_eq!(of_row([]), i64::from_be_bytes([0xe3, 0xb0, 0xc4, 0x42, 0x98, 0xfc, 0x1c, 0x14]));
    }

    /// The form of a text and a whole number, written out by hand.
    #[test]
    fn the_form_is_what_the_head_of_the_file_says() {
        let form = b"\x03\x02\0\0\0\0\0\0\0ab\x01\x05\0\0\0\0\0\0\0\x00";
        let whole = crate::provenance::sha256(form);
        let found = of_row([Value::Text("ab"), Value::Int(5), Value::Null]);
        assert_eq!(format!("{found:016x}"), whole[..16]);
    }

    #[test]
    fn other_fields_have_another_digest() {
        let rows: [&[Value<'_>]; 8] = [
            &[Value::Text("ab"), Value::Text("c")],
            &[Value::Text("a"), Value::Text("bc")],
            &[Value::Text("abc")],
            &[Value::Blob(b"abc")],
            &[Value::Int(1)],
            &[Value::Real(1.0)],
            &[Value::Real(1.0 + f64::EPSILON)],
            &[Value::Null],
        ];
        let mut digests: Vec<i64> = rows.iter().map(|row| of_row(row.iter().copied())).collect();
        digests.sort_unstable();
        digests.dedup();
        assert_eq!(digests.len(), rows.len());
    }

    #[test]
    fn what_a_database_stores_alike_is_alike() {
        assert_eq!(of_row([Value::Real(-0.0)]), of_row([Value::Real(0.0)]));
        assert_eq!(of_row([Value::Text("a\0")]), of_row([Value::Text("a\u{fffd}")]));
    }

    #[test]
    fn a_row_without_a_digest_fits_only_a_record_without_one() {
        assert!(fits(None, None, || 7) && fits(Some(7), Some(1), || 7));
        assert!(!fits(None, Some(1), || 7) && !fits(Some(8), Some(1), || 7) && !fits(Some(8), None, || 7));
    }
}
