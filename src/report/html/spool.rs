//! Text that waits in a file until its place is known.

use std::io::{self, BufWriter, Read, Seek, SeekFrom, Write};
use tempfile::SpooledTempFile;

/// What is held in memory before the spool becomes a file, bytes.
const IN_MEMORY: usize = 1 << 20;

/// Where a text lies, bytes.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(crate) struct Extent {
    /// Where it begins.
    pub from: u64,
    /// How long it is.
    pub length: u64,
}

/// The file.
#[derive(Debug)]
pub(crate) struct Spool {
    file: BufWriter<SpooledTempFile>,
    end: u64,
    place: u64,
}

impl Spool {
    /// An empty one.
    pub(crate) fn new() -> Self {
        Self { file: BufWriter::new(SpooledTempFile::new(IN_MEMORY)), end: 0, place: 0 }
    }

    /// Appends a text; only before the first [`Self::read`].
    pub(crate) fn append(&mut self, text: &[u8]) -> io::Result<Extent> {
        let extent = Extent { from: self.end, length: text.len() as u64 };
        self.file.write_all(text)?;
        self.end += extent.length;
        self.place = self.end;
        Ok(extent)
    }

    /// Reads a text back.
    pub(crate) fn read(&mut self, extent: Extent, into: &mut Vec<u8>) -> io::Result<()> {
        self.file.flush()?;
        let file = self.file.get_mut();
        if self.place != extent.from {
            file.seek(SeekFrom::Start(extent.from))?;
        }
        into.clear();
        self.place = extent.from + Read::by_ref(file).take(extent.length).read_to_end(into)? as u64;
        if self.place == extent.from + extent.length {
            Ok(())
        } else {
            Err(io::ErrorKind::UnexpectedEof.into())
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn texts_come_back_in_any_order() {
        let mut spool = Spool::new();
        let long = vec![7_u8; IN_MEMORY];
        let extents =
            [spool.append(b"one").unwrap(), spool.append(&long).unwrap(), spool.append(b"three").unwrap()];
        let mut text = Vec::new();
        for (extent, wanted) in [(extents[2], &b"three"[..]), (extents[0], b"one"), (extents[1], &long)] {
            spool.read(extent, &mut text).unwrap();
            assert_eq!(text, wanted);
        }
    }
}
