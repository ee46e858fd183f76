//! A strict reader of the reports: what a conforming parser refuses fails the test.

use quick_xml::Reader;
use quick_xml::events::{BytesStart, Event};
use std::collections::BTreeMap;

/// An element as it was read.
#[derive(Debug, Default)]
pub struct Element {
    pub name: String,
    pub attributes: BTreeMap<String, String>,
    pub text: String,
    pub children: Vec<Element>,
}

impl Element {
    pub fn all(&self, name: &str) -> Vec<&Self> {
        self.children.iter().filter(|child| child.name == name).collect()
    }

    #[track_caller]
    pub fn get(&self, attribute: &str) -> &str {
        self.attributes.get(attribute).unwrap_or_else(|| panic!("no {attribute}: {:?}", self.attributes))
    }

    #[track_caller]
    pub fn number(&self, attribute: &str) -> usize {
        self.get(attribute).parse().unwrap()
    }

    /// Whether this suite stands for a run that could not be read, or not as a whole.
    pub fn is_unreadable(&self) -> bool {
        let results = self.all("testcase").into_iter().flat_map(|case| &case.children);
        results.into_iter().any(|result| result.attributes.get("type").is_some_and(|t| t == "unreadable"))
    }

    /// `(classname, name)` of every case, in order.
    pub fn cases(&self) -> Vec<(String, String)> {
        let cases = self.all("testcase").into_iter();
        cases.map(|case| (case.get("classname").to_owned(), case.get("name").to_owned())).collect()
    }
}

/// Reads a report: legal characters only, no bare end mark, no doubled attribute, no raw line end in one, one root.
/// Every suite's counts are those of its cases, and no two cases share a name.
pub fn read(report: &[u8]) -> Element {
    let text = std::str::from_utf8(report).unwrap();
    for (at, c) in text.char_indices() {
        let legal = matches!(c, '\n' | '\t' | '\u{20}'..='\u{7e}' | '\u{a0}'..='\u{d7ff}' | '\u{e000}'..='\u{fffd}' | '\u{10000}'..);
        assert!(legal, "{c:?} at {at}");
    }
    let mut reader = Reader::from_str(text);
    reader.config_mut().check_comments = true;
    let (mut open, mut root): (Vec<Element>, Option<Element>) = (Vec::new(), None);
    loop {
        let closed = match reader.read_event().unwrap() {
            Event::Start(start) => {
                open.push(element(&start));
                None
            }
            Event::Empty(start) => Some(element(&start)),
            Event::End(_) => open.pop(),
            Event::Text(text) => {
                let text = text.decode().unwrap().into_owned();
                assert!(text.trim().is_empty(), "stray text {text:?}");
                None
            }
            Event::CData(data) => {
                open.last_mut().unwrap().text.push_str(&data.decode().unwrap());
                None
            }
            Event::Decl(_) => None,
            Event::Eof => break,
            other => panic!("unexpected {other:?}"),
        };
        if let Some(closed) = closed {
            match open.last_mut() {
                Some(parent) => parent.children.push(closed),
                None => assert!(root.replace(closed).is_none(), "two roots"),
            }
        }
    }
    assert!(open.is_empty(), "unclosed {open:?}");
    let root = root.unwrap();
    assert_eq!(root.name, "testsuites");
    root.children.iter().for_each(check_suite);
    root
}

fn element(start: &BytesStart<'_>) -> Element {
    let mut attributes = BTreeMap::new();
    for attribute in start.attributes() {
        let attribute = attribute.unwrap();
        let raw = std::str::from_utf8(&attribute.value).unwrap();
        assert!(!raw.contains(['\n', '\r', '\t', '<']), "{raw:?}");
        let value = quick_xml::escape::unescape(raw).unwrap().into_owned();
        let key = std::str::from_utf8(attribute.key.as_ref()).unwrap().to_owned();
        assert!(attributes.insert(key, value).is_none());
    }
    let name = std::str::from_utf8(start.name().as_ref()).unwrap().to_owned();
    Element { name, attributes, ..Element::default() }
}

fn check_suite(suite: &Element) {
    assert_eq!(suite.name, "testsuite");
    let cases = suite.all("testcase");
    let with = |name: &str| cases.iter().filter(|case| !case.all(name).is_empty()).count();
    assert!(!cases.is_empty());
    for (attribute, count) in [
        ("tests", cases.len()),
        ("errors", with("error")),
        ("failures", with("failure")),
        ("skipped", with("skipped")),
    ] {
        assert_eq!(suite.number(attribute), count, "{attribute} of {}", suite.get("name"));
    }
    assert!(cases.iter().all(|case| case.children.len() <= 1));
    let mut names = suite.cases();
    names.sort();
    names.dedup();
    assert_eq!(names.len(), cases.len(), "two cases of one name in {}", suite.get("name"));
}
