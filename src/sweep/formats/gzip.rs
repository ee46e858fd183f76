//! Files compressed by gzip (RFC 1952), of one member or several.

use super::{LARGEST, error};
use crate::diagnostic::Diagnostic;
use flate2::read::MultiGzDecoder;
use std::borrow::Cow;
use std::io::Read;
use std::sync::Arc;

/// First bytes of a member: its identification, and the only method there is.
const MAGIC: [u8; 3] = [0x1f, 0x8b, 8];

/// What a compressed file holds; any other file as it is.
///
/// # Errors
/// A file that is damaged or holds too much.
pub(in crate::sweep) fn unpacked<'a>(
    bytes: &'a [u8],
    file: &Arc<str>,
) -> Result<Cow<'a, [u8]>, Vec<Diagnostic>> {
    if !bytes.starts_with(&MAGIC) {
        return Ok(Cow::Borrowed(bytes));
    }
    let mut held = Vec::new();
    let read = MultiGzDecoder::new(bytes).take(LARGEST as u64 + 1).read_to_end(&mut held);
    match read {
        Err(_) => Err(error(
            file,
            "is compressed by gzip, and damaged or cut off",
            "copy it from the station again",
        )),
        Ok(_) if held.len() > LARGEST => Err(error(
            file,
            format!("holds more than {} MB when it is unpacked; no sweep needs that", LARGEST / 1_000_000),
            "check that this is the file of one sweep",
        )),
        Ok(_) => Ok(Cow::Owned(held)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use flate2::Compression;
    use flate2::write::GzEncoder;
    use std::io::Write;

    fn packed(bytes: &[u8]) -> Vec<u8> {
        let mut encoder = GzEncoder::new(Vec::new(), Compression::default());
        encoder.write_all(bytes).unwrap();
        encoder.finish().unwrap()
    }

    #[test]
    fn one_member_or_several_are_read_and_a_cut_one_is_refused() {
        let file = "a.csv.gz".into();
        let whole = [packed(b"frequency_hz,"), packed(b"gain_db\n")].concat();
        assert_eq!(&*unpacked(&whole, &file).unwrap(), b"frequency_hz,gain_db\n");
        assert_eq!(&*unpacked(b"plain", &file).unwrap(), b"plain");
        for cut in 4..whole.len() - 1 {
            // Between two members it is whole.
            let found = unpacked(&whole[..cut], &file);
            assert!(found.is_err() || &*found.unwrap() == b"frequency_hz,", "{cut}");
        }
    }

    #[test]
    fn a_small_file_that_holds_too_much_is_refused() {
        let bomb = packed(&vec![b'1'; LARGEST + 1]);
        assert!(bomb.len() < 1_000_000);
        assert!(unpacked(&bomb, &"a.gz".into()).unwrap_err()[0].message.contains("200 MB"));
    }
}
