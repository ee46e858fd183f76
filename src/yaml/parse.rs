//! From bytes to a tree.

use super::node::{Kind, Node};
use super::source::Source;
use super::syntax_hints::hint;
use super::walk::{Plan, State, Trouble, pass};
use super::{Findings, Sort, guard};
use crate::diagnostic::Diagnostic;
use std::ops::Range;
use std::sync::Arc;

/// The tree of a file that must be of a sort: of any other one nothing is shown.
pub(crate) fn parse_as(
    sort: &Sort,
    bytes: &[u8],
    file: &Arc<str>,
    rank: usize,
    findings: &Findings,
) -> Option<Node> {
    let told = || {
        let own = Findings::default();
        // A stranger gives no tree.
        let _ = parse_begun(bytes, file, rank, None, &own);
        own.into_sorted(file)
    };
    if sort.refuses(bytes, file, told, findings) {
        return None;
    }
    parse_begun(bytes, file, rank, Some(sort), findings)
}

/// As [`parse_as`], of no sort.
#[cfg(test)]
pub(crate) fn parse(bytes: &[u8], file: &Arc<str>, rank: usize, findings: &Findings) -> Option<Node> {
    parse_begun(bytes, file, rank, None, findings)
}

/// The tree of a file, `None` when there is none. What is wrong goes to `findings`, also when there is a tree.
///
/// `rank` says how many `extends` away from the file that was asked for this one is.
fn parse_begun(
    bytes: &[u8],
    file: &Arc<str>,
    rank: usize,
    sort: Option<&Sort>,
    findings: &Findings,
) -> Option<Node> {
    let source = guard::source(bytes, file, rank, findings)?;
    let node = tree(&source, findings)?;
    match node.kind {
        Kind::Map(_) => Some(node),
        Kind::Null => {
            let help = sort.map(Sort::how_to_begin);
            let empty = Diagnostic::error("yaml-empty", "the file is empty").in_file(file);
            findings.push(Diagnostic { help, ..empty });
            None
        }
        Kind::Scalar { .. } | Kind::List(_) => {
            let range = node.first_offset().map_or(0..0, |(at, length)| at..at + length);
            let found = if matches!(node.kind, Kind::List(_)) { "a list" } else { "a single text" };
            let message = format!("the file holds {found}, a map of `key: value` lines is wanted");
            note(&source, range, Diagnostic::error("wrong-shape", message), findings);
            None
        }
    }
}

fn tree(source: &Arc<Source>, findings: &Findings) -> Option<Node> {
    let (result, state) = pass(source, Plan::Guess);
    match result {
        Ok(node) => {
            note_all(source, state, findings);
            return Some(node);
        }
        Err(error) if state.stopped.is_some() => return refuse(source, &error, state, findings),
        // Wrong by the parser's or by this pass's own judgement: the next pass tells.
        Err(_) => {}
    }
    let (result, state) = pass(source, Plan::Shape);
    let shape = match result {
        Ok(shape) => shape,
        Err(error) => return refuse(source, &error, state, findings),
    };
    let (result, state) = pass(source, Plan::Known(&shape));
    match result {
        Ok(node) => {
            note_all(source, state, findings);
            Some(node)
        }
        Err(error) => refuse(source, &error, state, findings),
    }
}

fn note(source: &Source, range: Range<usize>, diagnostic: Diagnostic, findings: &Findings) {
    let excerpt = Some(source.excerpt(&range));
    findings.push(Diagnostic { place: Some(source.place(range.start, None)), excerpt, ..diagnostic });
}

fn note_all(source: &Source, state: State<'_>, findings: &Findings) {
    for Trouble { code, message, help, range } in state.noted {
        note(source, range.unwrap_or(0..0), Diagnostic::error(code, message).with_help(help), findings);
    }
}

/// What to do where nothing better is known.
const LOOK_AROUND: &str = "check the indentation, brackets and quotes here and on the line above";

/// Reports why a pass ended.
fn refuse(
    source: &Source,
    error: &serde_yaml::Error,
    mut state: State<'_>,
    findings: &Findings,
) -> Option<Node> {
    let at = error.location().map_or(0, |location| location.index().min(source.text.len()));
    let stopped = state.stopped.take();
    note_all(source, state, findings);
    let Trouble { code, message, help, range } =
        stopped.unwrap_or_else(|| of_the_parser(source, at, &error.to_string()));
    let mut diagnostic = Diagnostic::error(code, message);
    let common = (help == LOOK_AROUND).then(|| hint(source, at)).flatten();
    if let Some(help) = common {
        diagnostic = diagnostic.with_help(help);
    } else if !help.is_empty() {
        diagnostic = diagnostic.with_help(help);
    }
    note(source, range.unwrap_or(at..at + 1), diagnostic, findings);
    None
}

/// The parser's own errors, in this program's words where they are common.
fn of_the_parser(source: &Source, at: usize, message: &str) -> Trouble {
    let trouble =
        |code, message: &str, help, range| Trouble { code, message: message.to_owned(), help, range };
    if message.contains("more than one document") {
        let range = second_document(&source.text);
        return trouble(
            "yaml-documents",
            "a second YAML document begins here",
            "keep one document a file",
            range,
        );
    }
    if message.contains("repetition limit") {
        return trouble("yaml-nodes", "aliases multiply to too many values", "write the values out", None);
    }
    if message.contains("recursion limit") {
        return trouble("yaml-nesting", "lists and maps are nested too deep", "check the indentation", None);
    }
    if message.contains("unknown anchor") {
        return trouble(
            "yaml-syntax",
            "an alias (`*name`) without its anchor (`&name`)",
            "quote the text",
            None,
        );
    }
    if message.contains("a text as the key") {
        return trouble("yaml-key", "a list or a map cannot be a key", "write `key: value`", None);
    }
    let line = source.excerpt(&(at..at + 1));
    let before = line.text.get(..line.mark.start).unwrap_or("");
    if source.text.as_bytes().get(at) == Some(&b'\t') || before.trim_start_matches(' ').starts_with('\t') {
        return trouble("yaml-syntax", "a tab cannot indent", "indent with blanks", None);
    }
    let help = match source.text.as_bytes().get(at) {
        Some(b'@' | b'`' | b'%' | b'*' | b'&' | b'!') => "put the text in quotes",
        _ => LOOK_AROUND,
    };
    trouble("yaml-syntax", &format!("not YAML: {}", without_places(message)), help, None)
}

/// The message without its ` at line 5 column 3`: the place stands elsewhere.
fn without_places(message: &str) -> String {
    let mut parts = message.split(" at line ");
    let mut text = parts.next().unwrap_or("").to_owned();
    for part in parts {
        let numbers = |c: char| c.is_ascii_digit() || c == ' ';
        let rest = part.trim_start_matches(numbers);
        text.push_str(rest.strip_prefix("column").map_or(rest, |rest| rest.trim_start_matches(numbers)));
    }
    text
}

/// The `---` of the second document.
fn second_document(text: &str) -> Option<Range<usize>> {
    let mut offset = 0;
    let mut content = false;
    for line in text.split_inclusive('\n') {
        if content && line.starts_with("---") {
            return Some(offset..offset + 3);
        }
        content |= !line.trim().is_empty() && !line.starts_with('#');
        offset += line.len();
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    fn passes(text: &str) -> (Option<String>, String) {
        let source = Arc::new(Source::new(&Arc::from("f"), 0, text));
        let fast = pass(&source, Plan::Guess).0.ok().map(|node| format!("{:?}", strip(&node)));
        let shape = pass(&source, Plan::Shape).0.unwrap();
        let exact = pass(&source, Plan::Known(&shape)).0.unwrap();
        (fast, format!("{:?}", strip(&exact)))
    }

    /// Texts and offsets of a tree, in order.
    fn strip(node: &Node) -> Vec<(String, Option<usize>)> {
        match &node.kind {
            Kind::Null => vec![("~".to_owned(), None)],
            Kind::Scalar { text, plain } => vec![(format!("{text}/{plain}"), node.offset)],
            Kind::List(items) => items.iter().flat_map(strip).collect(),
            Kind::Map(entries) => {
                let entry = |e: &super::super::Entry| {
                    let mut list = vec![(e.key.to_string(), e.offset)];
                    list.extend(strip(&e.value));
                    list
                };
                entries.iter().flat_map(entry).collect()
            }
        }
    }

    #[test]
    fn one_pass_and_two_passes_agree() {
        let text = "a: 1\nb: {c: true, d: 2.10, e: \"x\", f: ~, g: 'null'}\nh:\n  - {i: -26 dBm}\n  - j: 007\nk: &x +1\n";
        let (fast, exact) = passes(text);
        assert_eq!(fast.as_deref(), Some(exact.as_str()));
        // Numbers in a list, and nothing behind a key, take a second pass.
        let (fast, exact) = passes("a: [0.1, 10]\nb:\n");
        assert_eq!(fast, None);
        assert!(exact.contains("0.1/true") && exact.contains("10/true"), "{exact}");
    }

    #[test]
    fn the_parsers_words_lose_their_places() {
        let told = "did not find expected ',' or '}' at line 4 column 1, while parsing a flow mapping at line 3 column 4";
        let bare = "did not find expected ',' or '}', while parsing a flow mapping";
        assert_eq!(without_places(told), bare);
    }
}
