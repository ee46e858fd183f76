//! No two files of `src` use each other, not even by way of others: what both need stands below both.
//!
//! Read as text: `use` lines and paths that begin with `crate::` or `super::`, outside of test modules. A name that a `mod.rs`
//! hands on counts for the file that it comes from.

#![allow(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    reason = "a test that cannot read its own source must stop"
)]

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};

/// A module by the parts of its path; the crate itself has none.
type Module = Vec<String>;

#[test]
fn no_two_files_use_each_other() {
    let house = House::of(Path::new(env!("CARGO_MANIFEST_DIR")).join("src").as_path());
    let in_circles: BTreeSet<String> = house
        .rooms
        .keys()
        .filter(|module| house.reaches(module, module))
        .map(|module| module.join("/"))
        .collect();
    let stories: Vec<String> = in_circles.iter().map(|name| house.story(name)).collect();
    assert!(stories.is_empty(), "move what both need below both:\n{}", stories.join("\n"));
}

#[test]
fn a_circle_is_found_through_a_room_that_hands_names_on() {
    let files = [
        ("", "pub mod room; use crate::room::Shown;"),
        ("room", "mod one; mod two; pub use one::{Shown, inner::*}; use two::Hidden;"),
        ("room/one", "use super::Hidden; // use crate::other;\nconst S: &str = \"crate::other::x\";"),
        ("room/two", "fn f(x: crate::room::Shown) {}\n#[cfg(test)]\nmod tests { use crate::other::y; }"),
        ("other", "#[cfg(test)]\nmod tests;\nuse crate::{room::{Shown as S, self}};"),
    ];
    let house = House::from(files.map(|(name, text)| (module(name), text.to_owned())));
    let [one, two, other] = ["room/one", "room/two", "other"].map(module);
    assert!(house.reaches(&one, &one) && house.reaches(&two, &one) && house.reaches(&other, &two));
    assert!(!house.reaches(&one, &other) && !house.reaches(&other, &other));
    assert_eq!(house.story("room/one"), "room/one -> room/two -> room/one");
}

/// Every module with the modules that it uses.
struct House {
    rooms: BTreeMap<Module, BTreeSet<Module>>,
}

impl House {
    fn of(src: &Path) -> Self {
        let mut files = Vec::new();
        collect(src, &mut files);
        Self::from(files.into_iter().map(|path| {
            let name = path.strip_prefix(src).unwrap().with_extension("");
            let name = name.to_str().unwrap().replace('\\', "/");
            let name = name.strip_suffix("/mod").unwrap_or(&name);
            (module(if name == "lib" { "" } else { name }), fs::read_to_string(&path).unwrap())
        }))
    }

    fn from(files: impl IntoIterator<Item = (Module, String)>) -> Self {
        let texts: BTreeMap<Module, String> =
            files.into_iter().map(|(module, text)| (module, bare(&text))).collect();
        // What a module brings in: its last name, and from where.
        let mut names: BTreeMap<(Module, String), Module> = BTreeMap::new();
        let mut used: BTreeMap<Module, Vec<Module>> = BTreeMap::new();
        for (own, text) in &texts {
            let mut paths = Vec::new();
            for (is_public, tree) in uses(text) {
                let mut leaves = Vec::new();
                expand(&tree, "", &mut leaves);
                for leaf in leaves {
                    let (path, name) = leaf.split_once(" as ").unwrap_or((&leaf, ""));
                    let Some(full) = full_path(path.trim(), own, &texts) else { continue };
                    let name =
                        if name.is_empty() { full.last().cloned() } else { Some(name.trim().to_owned()) };
                    names.insert((own.clone(), name.unwrap_or_default()), full.clone());
                    if !is_public {
                        paths.push(full);
                    }
                }
            }
            paths.extend(inline_paths(text).iter().filter_map(|path| full_path(path, own, &texts)));
            used.insert(own.clone(), paths);
        }
        let home = |path: &Module| home(path, &texts, &names, 0);
        let rooms = used.into_iter().map(|(own, paths)| {
            let others = paths.iter().filter_map(home).filter(|other| *other != own);
            (own.clone(), others.collect())
        });
        Self { rooms: rooms.collect() }
    }

    /// Whether a module uses another one, itself or by way of others.
    fn reaches(&self, from: &Module, to: &Module) -> bool {
        self.way(from, to).is_some()
    }

    /// A shortest way.
    fn way(&self, from: &Module, to: &Module) -> Option<Vec<Module>> {
        let mut ways = std::collections::VecDeque::from([vec![from.clone()]]);
        let mut seen = BTreeSet::new();
        while let Some(way) = ways.pop_front() {
            for next in &self.rooms[way.last()?] {
                let longer: Vec<Module> = way.iter().chain([next]).cloned().collect();
                if next == to {
                    return Some(longer);
                }
                if seen.insert(next.clone()) {
                    ways.push_back(longer);
                }
            }
        }
        None
    }

    fn story(&self, name: &str) -> String {
        let way = self.way(&module(name), &module(name)).unwrap_or_default();
        way.iter().map(|module| module.join("/")).collect::<Vec<_>>().join(" -> ")
    }
}

fn module(name: &str) -> Module {
    name.split('/').filter(|part| !part.is_empty()).map(str::to_owned).collect()
}

fn collect(folder: &Path, files: &mut Vec<PathBuf>) {
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            collect(&path, files);
        } else if path.extension().is_some_and(|end| end == "rs") {
            files.push(path);
        }
    }
}

/// A text without its test module, its comments and what stands in quotes.
fn bare(text: &str) -> String {
    // A test module in a file of its own ends nothing: what follows its line is read on.
    let begins = |(at, mark): (usize, &str)| {
        let line = text[at + mark.len()..].lines().next();
        line.is_some_and(|line| line.ends_with('{') || line.ends_with('}')).then_some(at)
    };
    let end = text.match_indices("#[cfg(test)]\nmod ").find_map(begins);
    let text = &text[..end.unwrap_or(text.len())];
    let mut bare = String::new();
    for line in text.lines() {
        let code = line.split("//").next().unwrap_or_default().replace("\\\"", "").replace("'\"'", "");
        let outside: String = code.split('"').step_by(2).collect();
        bare.push_str(&outside);
        bare.push(' ');
    }
    bare
}

/// The trees of all `use` lines, and whether they hand names on.
fn uses(text: &str) -> Vec<(bool, String)> {
    let starts =
        text.match_indices("use ").filter(|(at, _)| text[..*at].ends_with([' ', ')', ';', '}']) || *at == 0);
    starts
        .map(|(at, word)| {
            let before = text[..at].trim_end();
            let is_public = before.ends_with("pub")
                || before
                    .rsplit("pub(")
                    .next()
                    .is_some_and(|end| end.ends_with(')') && !end.contains([';', '{', '}']));
            (is_public, text[at + word.len()..].split(';').next().unwrap_or_default().trim().to_owned())
        })
        .collect()
}

/// `a::{b, c::{d, e}}` becomes `a::b`, `a::c::d` and `a::c::e`.
fn expand(tree: &str, before: &str, leaves: &mut Vec<String>) {
    let Some((head, inner)) = tree.split_once('{') else {
        leaves.push(format!("{before}{}", tree.trim()).trim_end_matches("::self").to_owned());
        return;
    };
    let (before, mut depth, mut from) = (format!("{before}{}", head.trim()), 0, 0);
    let inner = inner.trim_end().strip_suffix('}').unwrap_or(inner);
    for (at, sign) in inner.char_indices().chain([(inner.len(), ',')]) {
        match sign {
            '{' => depth += 1,
            '}' => depth -= 1,
            ',' if depth == 0 => {
                let item = inner[from..at].trim();
                if !item.is_empty() {
                    expand(item, &before, leaves);
                }
                from = at + 1;
            }
            _ => {}
        }
    }
}

/// Paths in the code itself.
fn inline_paths(text: &str) -> Vec<String> {
    let is_path = |sign: char| sign.is_alphanumeric() || matches!(sign, '_' | ':');
    let words = text.split(|sign: char| !is_path(sign));
    words
        .filter(|word| word.starts_with("crate::") || word.starts_with("super::"))
        .map(str::to_owned)
        .collect()
}

/// From the root of the crate; `None` for what is not of this crate.
fn full_path(path: &str, own: &Module, texts: &BTreeMap<Module, String>) -> Option<Module> {
    let mut parts: Vec<&str> = path.split("::").map(str::trim).filter(|part| !part.is_empty()).collect();
    let mut base = own.clone();
    match *parts.first()? {
        "crate" => base.clear(),
        "self" => {}
        "super" => drop(base.pop()),
        child => {
            base.push(child.to_owned());
            texts.contains_key(&base).then_some(())?;
        }
    }
    parts.remove(0);
    while parts.first() == Some(&"super") {
        base.pop();
        parts.remove(0);
    }
    base.extend(parts.into_iter().map(str::to_owned));
    Some(base)
}

/// The file that a path leads to, past those that only hand names on.
fn home(
    path: &Module,
    texts: &BTreeMap<Module, String>,
    names: &BTreeMap<(Module, String), Module>,
    depth: u8,
) -> Option<Module> {
    let known = (0..=path.len()).rev().find(|length| texts.contains_key(&path[..*length]))?;
    let (file, rest) = path.split_at(known);
    let handed = rest.first().and_then(|name| names.get(&(file.to_vec(), name.clone())));
    match handed {
        // A name may be handed on from room to room, but not for ever.
        Some(next) if depth < 16 && next != path => {
            let longer: Module = next.iter().chain(&rest[1..]).cloned().collect();
            home(&longer, texts, names, depth + 1)
        }
        _ => Some(file.to_vec()),
    }
}
