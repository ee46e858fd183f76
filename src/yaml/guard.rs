//! What is refused before the parser sees it: it takes minutes or gigabytes over some small texts, and its errors about
//! bytes carry no line.
//!
//! **Why is the parser guarded?** A few kilobytes of aliases or of open brackets cost it gigabytes or minutes. Size,
//! nesting and expanded nodes are bounded before it sees the text.

use super::Findings;
use super::nesting::deepest_flow;
use super::source::Source;
use crate::diagnostic::Diagnostic;
use std::sync::Arc;

/// Largest file, bytes.
const MOST_BYTES: usize = 10_000_000;
/// Deepest nesting of lists and maps.
pub(super) const MOST_LEVELS: usize = 100;
/// Most values in a file, those behind an alias counted each time.
pub(super) const MOST_NODES: usize = 100_000;
/// Most bytes that could begin a value. The parser keeps about 130 bytes for each of its events before anything is counted;
/// a file of [`MOST_NODES`] values has at most three such bytes for each, the rest is room for text.
const MOST_INDICATORS: usize = 500_000;

/// The text of a file that is safe to parse; `None` when it is not, with the reason among the findings.
pub(super) fn source(bytes: &[u8], file: &Arc<str>, rank: usize, findings: &Findings) -> Option<Arc<Source>> {
    let refuse = |code, message: String, help: &str| {
        findings.push(Diagnostic::error(code, message).in_file(file).with_help(help));
        None
    };
    if bytes.len() > MOST_BYTES {
        let message = format!("the file has {} bytes, at most {MOST_BYTES} are read", bytes.len());
        return refuse("yaml-size", message, "split it, or check that this is the file you meant");
    }
    if bytes.starts_with(&[0xff, 0xfe]) || bytes.starts_with(&[0xfe, 0xff]) {
        let message = "the file is UTF-16, UTF-8 is wanted".to_owned();
        return refuse("yaml-encoding", message, "save it as UTF-8");
    }
    let text = match std::str::from_utf8(bytes) {
        Ok(text) => text,
        Err(error) => {
            let good = bytes.get(..error.valid_up_to()).unwrap_or(&[]);
            let byte = bytes.get(good.len()).copied().unwrap_or(0);
            let source = Source::new(file, rank, &String::from_utf8_lossy(good));
            let place = source.place(good.len(), None);
            let message = format!("the byte 0x{byte:02x} is not UTF-8");
            let diagnostic = Diagnostic::error("yaml-encoding", message).with_help("save the file as UTF-8");
            findings.push(Diagnostic { place: Some(place), ..diagnostic });
            return None;
        }
    };
    let source = Arc::new(Source::new(file, rank, text.strip_prefix('\u{feff}').unwrap_or(text)));
    match trouble(&source.text) {
        None => Some(source),
        Some((at, code, message, help)) => {
            let excerpt = source.excerpt(&(at..at + 1));
            let diagnostic = Diagnostic::error(code, message).with_help(help);
            findings.push(Diagnostic {
                place: Some(source.place(at, None)),
                excerpt: Some(excerpt),
                ..diagnostic
            });
            None
        }
    }
}

/// The first thing in the text that the parser must not see.
fn trouble(text: &str) -> Option<(usize, &'static str, String, &'static str)> {
    if let Some((at, c)) = text.char_indices().find(|(_, c)| is_refused(*c)) {
        let message = format!("the control character U+{:04X} is not allowed", u32::from(c));
        return Some((at, "yaml-control", message, "remove it, or write it as an escape in double quotes"));
    }
    if let Some(at) = directive(text) {
        let message = "YAML directives (lines that begin with `%`) are not allowed".to_owned();
        return Some((at, "yaml-directive", message, "remove the line, or quote the text"));
    }
    let indicators = memchr::memchr3_iter(b'[', b'{', b',', text.as_bytes()).count()
        + memchr::memchr3_iter(b':', b'-', b'?', text.as_bytes()).count();
    if indicators > MOST_INDICATORS {
        let message = format!("the file has more than {MOST_NODES} values");
        return Some((0, "yaml-nodes", message, "split it, or check that this is the file you meant"));
    }
    if let Some(at) = deepest_flow(text, MOST_LEVELS) {
        let message = format!("more than {MOST_LEVELS} `[` or `{{` are open here");
        return Some((at, "yaml-nesting", message, "close the brackets, or quote the text"));
    }
    None
}

/// Characters that YAML 1.1 does not take (section 5.1, printable characters).
const fn is_refused(c: char) -> bool {
    matches!(c, '\0'..='\u{8}' | '\u{b}' | '\u{c}' | '\u{e}'..='\u{1f}' | '\u{7f}'..='\u{84}' | '\u{86}'..='\u{9f}'
        | '\u{feff}' | '\u{fffe}' | '\u{ffff}')
}

/// The first line that begins with `%`. The parser compares every `%TAG` with all before it.
fn directive(text: &str) -> Option<usize> {
    memchr::memchr_iter(b'%', text.as_bytes()).find(|at| {
        at.checked_sub(1).is_none_or(|before| matches!(text.as_bytes().get(before), Some(b'\n' | b'\r')))
    })
}
