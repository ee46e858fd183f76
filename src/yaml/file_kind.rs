//! Whether a text begins as the files of a sort do. One that does not is some other file, and nothing of it is shown: it may
//! hold what nobody is meant to see.

use super::Findings;
use crate::diagnostic::{Diagnostic, Place, nearest};
use std::ops::Range;
use std::sync::Arc;

/// A sort of files, known by the first key of its map.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Sort {
    /// What such a file is, with its article: `a spec`.
    pub(crate) what: &'static str,
    /// The keys of its top level, the first one that it is best begun with.
    pub(crate) keys: &'static [&'static str],
    /// The command that writes one, if any does.
    pub(crate) written_by: Option<&'static str>,
}

/// How like a known key (Jaro-Winkler) a misspelt one must be.
const LIKE: f64 = 0.85;
/// Letters at the beginning that it must share.
const SHARED: usize = 3;
/// Letters that it may lack or have too many.
const MORE: usize = 2;

/// Whether a key is a known one, or one misspelt: `dense` for `density`, `extend` for `extends`, while `token` (`taken`) and
/// `production` (`product`) stay strangers.
fn is_meant(key: &str, known: &str) -> bool {
    let shared = key.bytes().zip(known.bytes()).take_while(|(a, b)| a.eq_ignore_ascii_case(b)).count();
    key == known
        || (shared >= SHARED
            && key.len().abs_diff(known.len()) <= MORE
            && strsim::jaro_winkler(key, known) >= LIKE)
}

/// Findings whose words hold nothing of the text; without their excerpts they may be told of any file.
const SILENT: [&str; 9] = [
    "yaml-size",
    "yaml-encoding",
    "yaml-control",
    "yaml-directive",
    "yaml-nesting",
    "yaml-nodes",
    "yaml-key",
    "yaml-documents",
    "wrong-shape",
];

impl Sort {
    /// Whether a text begins as these files do, or holds nothing at all.
    pub(crate) fn is_of(&self, bytes: &[u8]) -> bool {
        self.stranger(bytes).is_none()
    }

    /// How to mend a file of this sort that is empty.
    pub(super) fn how_to_begin(&self) -> String {
        let first = self.keys.first().copied().unwrap_or_default();
        let begin = format!("begin it with `{first}:`");
        match self.written_by {
            Some(command) => format!("{begin}, or remove it and let `loopgauge {command}` write one"),
            None => begin,
        }
    }

    /// Where the first thing stands that no file of this sort begins with.
    fn stranger(&self, bytes: &[u8]) -> Option<usize> {
        // The other encoding is refused by name, with nothing of the text.
        if bytes.starts_with(&[0xff, 0xfe]) || bytes.starts_with(&[0xfe, 0xff]) {
            return None;
        }
        let begin = begin(bytes)?;
        let is_known = |key: &str| self.keys.iter().any(|known| is_meant(key, known));
        let known = key(bytes, begin).is_some_and(is_known);
        (!known).then_some(begin)
    }

    /// Notes that a file is none of this sort; `false` when it is one. `told` is what is wrong with it as a text.
    pub(super) fn refuses(
        &self,
        bytes: &[u8],
        file: &Arc<str>,
        told: impl FnOnce() -> Vec<Diagnostic>,
        findings: &Findings,
    ) -> bool {
        let Some(at) = self.stranger(bytes) else { return false };
        let silent: Vec<Diagnostic> = told().into_iter().filter(|d| SILENT.contains(&d.code)).collect();
        if !silent.is_empty() {
            silent.into_iter().for_each(|d| findings.push(Diagnostic { excerpt: None, ..d }));
            return true;
        }
        let before = bytes.get(..at).unwrap_or(&[]);
        let start = before.iter().rposition(|b| matches!(b, b'\n' | b'\r')).map_or(0, |end| end + 1);
        let line = String::from_utf8_lossy(before.get(..start).unwrap_or(&[])).lines().count() + 1;
        let place = Place {
            file: Arc::clone(file),
            line: Some(line as u64),
            column: Some((at - start) as u64 + 1),
            key: None,
        };
        let message = format!("does not begin as {} does, so nothing of it is shown", self.what);
        let meant = key(bytes, at).and_then(|word| nearest(word, self.keys.iter().copied()));
        let first = meant.or(self.keys.first().copied()).unwrap_or_default();
        let help = format!(
            "if it is meant as {}, begin it with a key of one, such as `{first}:`; else name another file",
            self.what
        );
        let diagnostic = Diagnostic::error("foreign-file", message).with_help(help);
        findings.push(Diagnostic { place: Some(place), ..diagnostic });
        true
    }
}

/// The key that a text begins with.
#[cfg(any(test, feature = "cli"))]
pub(crate) fn first_key(bytes: &[u8]) -> Option<&str> {
    key(bytes, begin(bytes)?)
}

/// Offset of the first thing in a text that is no comment and no mark of YAML; `None` when there is none.
fn begin(bytes: &[u8]) -> Option<usize> {
    let mut at = if bytes.starts_with(b"\xef\xbb\xbf") { 3 } else { 0 };
    loop {
        let line = line(bytes, at)?;
        let end = line.end;
        let text = bytes.get(line)?;
        let is_mark =
            |mark: &[u8]| text.strip_prefix(mark).is_some_and(|rest| rest.first().is_none_or(is_blank));
        let skipped = if is_mark(b"---") { 3 } else { 0 };
        let content =
            text.iter().skip(skipped).position(|b| !is_blank(b)).map(|blanks| at + skipped + blanks);
        match content.and_then(|content| Some((content, *bytes.get(content)?))) {
            Some((_, b'#')) | None => {}
            // A directive.
            Some((content, b'%')) if content == at => {}
            // An open brace begins a map as well.
            Some((content, b'{')) => {
                let inside = bytes.get(content + 1..)?;
                let blanks = inside.iter().position(|b| !is_blank(b) && !matches!(b, b'\n' | b'\r'))?;
                return Some(content + 1 + blanks);
            }
            Some((content, _)) => return Some(content),
        }
        at = end + 1;
    }
}

const fn is_blank(b: &u8) -> bool {
    matches!(b, b' ' | b'\t')
}

/// The line that begins at an offset, without its end; `None` behind the last one.
fn line(bytes: &[u8], at: usize) -> Option<Range<usize>> {
    let rest = bytes.get(at..).filter(|rest| !rest.is_empty())?;
    let length = memchr::memchr2(b'\n', b'\r', rest).unwrap_or(rest.len());
    Some(at..at + length)
}

/// The key that stands at an offset, with or without quotes, one of which may be forgotten.
fn key(bytes: &[u8], at: usize) -> Option<&str> {
    let rest = bytes.get(at..)?;
    let quote = rest.first().copied().filter(|b| matches!(b, b'"' | b'\''));
    let rest = if quote.is_some() { rest.get(1..)? } else { rest };
    let length = rest.iter().take_while(|b| b.is_ascii_alphanumeric() || matches!(b, b'_' | b'-')).count();
    let (word, rest) = rest.split_at_checked(length)?;
    let rest = quote.and_then(|quote| rest.strip_prefix(&[quote])).unwrap_or(rest);
    let blanks = rest.iter().take_while(|b| is_blank(b)).count();
    let has_colon = rest.get(blanks) == Some(&b':');
    std::str::from_utf8(word).ok().filter(|word| has_colon && !word.is_empty())
}

#[cfg(test)]
mod tests {
    use super::*;

    const SPEC: Sort =
        Sort { what: "a spec", keys: &["spec", "product", "density", "title", "taken"], written_by: None };

    #[test]
    fn what_begins_with_a_key_is_of_the_sort() {
        for text in [
            "spec: 1\n",
            "# a\n\n%YAML 1.2\n---\n  product: p\n",
            "--- {spec: 1}\n",
            "{\n  \"spec\": 1}",
            "\u{feff}'title' : x",
            "product:p\n",
            "dense: 1\n",
            "",
            "# nothing\n",
            "---\n",
        ] {
            assert!(SPEC.is_of(text.as_bytes()), "{text:?}");
        }
        assert_eq!(first_key(b"# a\n\"spec\": 1"), Some("spec"));
        assert_eq!([first_key(b"spec 1"), first_key(b""), first_key(b"- spec: 1")], [None; 3]);
    }

    #[test]
    fn strangers_are_refused_without_a_word_of_them() {
        for text in [
            "machine git.example login ci password s3cret\n",
            "PATH=/usr/bin\0SECRET=s3cret",
            "# comment\n\n[s3cret]\n\ttoken = s3cret\n",
            "- s3cret\n",
            "s3cret\n",
            "{\"auths\": {\"s3cret\": 1}}",
            "token: s3cret\n",
            "password: s3cret\n",
            "production: s3cret\n",
            "specs3cret\n",
            "\u{1}spec: s3cret",
        ] {
            let findings = Findings::default();
            assert!(SPEC.refuses(text.as_bytes(), &Arc::from("x.yaml"), Vec::new, &findings), "{text:?}");
            let told = format!("{:?}", findings.into_sorted(&Arc::from("x.yaml")));
            assert!(!told.contains("s3cret") && told.contains("does not begin as a spec does"), "{told}");
        }
    }

    #[test]
    fn what_is_wrong_with_a_stranger_is_told_without_an_excerpt() {
        let file: Arc<str> = Arc::from("x.yaml");
        for (text, code) in [
            ("- s3cret\n", "wrong-shape"),
            ("s3cret\n", "wrong-shape"),
            ("s3cret\u{1}: 1\n", "yaml-control"),
            (&*format!("s3cret: {}", "[".repeat(200)), "yaml-nesting"),
            ("s3cret: [\n", "foreign-file"),
            ("s3cret: 1\ns3cret: 2\n", "foreign-file"),
            ("s3cret: !x 1\n", "foreign-file"),
        ] {
            let findings = Findings::default();
            assert!(super::super::parse_as(&SPEC, text.as_bytes(), &file, 0, &findings).is_none());
            let told = findings.into_sorted(&file);
            assert_eq!(told.iter().map(|d| d.code).collect::<Vec<_>>(), [code], "{text:?}");
            assert!(!format!("{told:?}").contains("s3cret"), "{told:?}");
        }
    }

    #[test]
    fn the_place_is_that_of_the_first_thing() {
        let findings = Findings::default();
        assert!(SPEC.refuses(b"# a\r\n\n  x: 1\n", &Arc::from("x.yaml"), Vec::new, &findings));
        let place = findings.into_sorted(&Arc::from("x.yaml")).remove(0).place.unwrap();
        assert_eq!((place.line, place.column), (Some(3), Some(3)));
    }
}
