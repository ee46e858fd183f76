//! Where a verdict came from: digests of the files that carried it, and the spec as it was resolved.

use sha2::{Digest, Sha256};
use std::sync::Arc;

/// A file with the SHA-256 of its bytes (FIPS 180-4).
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize)]
pub struct FileDigest {
    /// The file as the run names it.
    pub file: String,
    /// 64 hexadecimal digits.
    pub sha256: String,
    /// Its size, bytes.
    pub bytes: u64,
}

impl FileDigest {
    /// Of a file's bytes.
    #[must_use]
    pub fn of(file: &str, bytes: &[u8]) -> Self {
        Self { file: file.to_owned(), sha256: sha256(bytes), bytes: bytes.len() as u64 }
    }
}

/// A spec with everything that it extends laid together.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ResolvedSpec {
    /// One line of JSON, every value as it was written.
    pub text: Arc<str>,
    /// SHA-256 of that text, 64 hexadecimal digits.
    pub sha256: Arc<str>,
}

impl ResolvedSpec {
    /// Of the text.
    #[must_use]
    pub fn of(text: &str) -> Self {
        Self { text: text.into(), sha256: sha256(text.as_bytes()).into() }
    }
}

/// What a run's verdict rests on.
#[derive(Debug, Clone, PartialEq, Eq)]
#[cfg_attr(not(feature = "cli"), non_exhaustive)]
pub struct Provenance {
    /// The spec.
    pub spec: ResolvedSpec,
    /// The run file and its sweeps, in the order in which they were read.
    pub files: Vec<FileDigest>,
}

/// SHA-256 of bytes, 64 hexadecimal digits (FIPS 180-4).
#[must_use]
pub fn sha256(bytes: &[u8]) -> String {
    let mut text = String::with_capacity(64);
    for byte in Sha256::digest(bytes) {
        let digits = [byte >> 4, byte & 0xf].map(|digit| char::from_digit(u32::from(digit), 16));
        text.extend(digits.into_iter().flatten());
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    /// FIPS 180-4's examples of one block and of no byte (from memory).
    #[test]
    fn digests_are_those_of_the_standard() {
        assert_eq!(sha256(b"abc"), "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
        assert_eq!(sha256(b""), "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855");
        assert_eq!(FileDigest::of("a.csv", b"abc").bytes, 3);
    }
}
