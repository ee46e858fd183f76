//! Passwords of databases on the command line: nothing of them is echoed, whatever place they were typed at by mistake.

use crate::history::{Address, ServerAddress, may_be_part_of_address, may_hold_secret};
use clap::ArgMatches;
use std::ffi::{OsStr, OsString};
use std::fmt;
use std::ops::Deref;
use std::path::Path;

/// The address of a history as typed. Its debug form shows no password.
#[derive(Clone, PartialEq, Eq)]
pub struct Typed(OsString);

impl From<OsString> for Typed {
    fn from(text: OsString) -> Self {
        Self(text)
    }
}

impl Deref for Typed {
    type Target = OsStr;

    fn deref(&self) -> &OsStr {
        &self.0
    }
}

impl fmt::Debug for Typed {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:?}", Address::parse(self))
    }
}

/// What takes the place of a word that is not echoed.
const HIDDEN: &str = "(hidden)";
/// The address of a history behind which paths may stand.
const RECORD: &str = "record";
/// The address of a history behind which only numbers may stand; text for people; patterns.
const NO_PATHS: [&str; 4] = ["history", "reason", "anyway", "only"];

/// What is said of a password outside the address of a history.
pub const STRAY: &str = "the command line holds what looks like the address of a database, or a part of it, where none is wanted \
                         (not shown here, a password may be in it): give the whole address, in quotes, to --record or --history; a \
                         file of such a name is written with `./` before it";

/// The words, those hidden that may be the address of a database or belong to one: for messages that echo words.
pub fn hidden(words: &[OsString]) -> Vec<OsString> {
    let mut inside = false;
    let rests = (0..words.len()).map(|at| words.get(at..).unwrap_or_default());
    let shown = rests.filter_map(|rest| {
        let word = rest.first()?;
        let text = word.to_string_lossy();
        let (option, value) = match text.split_once('=').filter(|_| text.starts_with('-')) {
            Some((option, value)) => (option, Some(value)),
            None => ("", Some(&*text).filter(|text| !text.starts_with('-'))),
        };
        let begins =
            if option.is_empty() { begins_address(rest) } else { value.is_some_and(may_be_part_of_address) };
        inside = value.is_some() && (begins || (inside && option.is_empty()));
        let joint = if option.is_empty() { "" } else { "=" };
        Some(match value.map(OsStr::new).and_then(whole) {
            Some(server) => {
                inside = false;
                format!("{option}{joint}{server}").into()
            }
            None if may_be_part_of_address(option.trim_start_matches('-')) => HIDDEN.into(),
            None if inside => format!("{option}{joint}{HIDDEN}").into(),
            None if may_hold_secret(text.trim_start_matches('-')) => HIDDEN.into(),
            None => word.clone(),
        })
    });
    shown.collect()
}

/// An address to which nothing behind it can belong.
fn whole(word: &OsStr) -> Option<ServerAddress> {
    match Address::parse(word) {
        Ok(Address::Postgres(server)) => Some(server).filter(|server| !server.may_be_cut()),
        _ => None,
    }
}

/// Whether an address begins with the first of these words: `password` of `password = …` does as well.
fn begins_address(words: &[OsString]) -> bool {
    let text = |at| words.get(at).map(|word: &OsString| word.to_string_lossy()).unwrap_or_default();
    let (first, second) = (text(0), text(1));
    may_be_part_of_address(&first)
        || (second.starts_with('=') && may_be_part_of_address(&format!("{first}=")))
}

/// Whether a password may stand where no address of a history is wanted: then nothing is done, since a message, a result or the name
/// of a file would show it.
pub fn is_stray(matches: &ArgMatches, words: &[OsString]) -> bool {
    if let Some((_, inner)) = matches.subcommand() {
        return is_stray(inner, words);
    }
    matches.ids().map(clap::Id::as_str).any(|id| {
        let mut values = matches.get_raw(id).into_iter().flatten();
        if id == RECORD {
            return values.any(|address| is_cut(address, words));
        }
        // Together, as `password = …` is a secret, and the last of these words is none by itself.
        let missing: Vec<_> = values.filter(|value| is_no_file(value)).map(OsStr::to_string_lossy).collect();
        !NO_PATHS.contains(&id) && may_hold_secret(&missing.join(" "))
    })
}

/// Whether the words behind an address may be its rest, parted by blanks.
fn is_cut(address: &OsStr, words: &[OsString]) -> bool {
    let parsed = Address::parse(address);
    let is_address = |word: &&OsString| {
        let text = word.to_string_lossy();
        word.as_os_str() == address
            || text.split_once('=').is_some_and(|(_, value)| *value == *address.to_string_lossy())
    };
    let behind = words.iter().skip_while(|word| !is_address(word)).skip(1);
    let mut rest = behind.take_while(|word| !word.to_string_lossy().starts_with('-'));
    match parsed {
        Err(_) => rest.any(|word| is_no_file(word)),
        Ok(Address::Postgres(server)) if server.may_be_cut() => {
            rest.any(|word| word.to_string_lossy().contains('@') && is_no_file(word))
        }
        Ok(_) => false,
    }
}

fn is_no_file(word: &OsStr) -> bool {
    !Path::new(word).exists()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_of_an_address_are_hidden() {
        for (line, want) in [
            ("drift --history line.db runs", "drift --history line.db runs"),
            ("drift --history=postgresql://b:s3cret@db x", "drift --history=postgresql://b@db x"),
            ("history show 3 postgresql://b:s3cret@db x", "history show 3 postgresql://b@db x"),
            ("history show 3 mysql://b:s3cret@db", "history show 3 (hidden)"),
            ("history check postgresql://b:12 s3cret@db", "history check (hidden) (hidden)"),
            ("history check host=db password=s3cret", "history check (hidden) (hidden)"),
            (
                "drift --history host=db password = s3cret -v",
                "drift --history (hidden) (hidden) (hidden) (hidden) -v",
            ),
            ("history check password = s3cret", "history check (hidden) (hidden) (hidden)"),
            ("history check postgresql://b:s3 cr et@db", "history check (hidden) (hidden) (hidden)"),
            (
                "drift --record=postgresql://b:s3 cret@db --json x",
                "drift --record=(hidden) (hidden) --json x",
            ),
            ("drift --password=s3cret --json=x.json", "drift (hidden) --json=x.json"),
            ("drift --postgresql://b:s3cret@db", "drift (hidden)"),
            ("drift --postgresql://b:s3=x:cret@db", "drift (hidden)"),
            ("drift --history=mysql://b:s3cret@db", "drift --history=(hidden)"),
            ("b:s3cret@db", "(hidden)"),
        ] {
            let words: Vec<OsString> = line.split(' ').map(OsString::from).collect();
            let shown: Vec<String> =
                hidden(&words).into_iter().map(|word| word.into_string().unwrap()).collect();
            assert_eq!(shown.join(" "), want);
        }
    }

    #[test]
    fn debug_output_shows_no_password() {
        for text in ["postgresql://b:s3cret@db/line", "host=db password=s3cret"] {
            assert!(!format!("{:?}", Typed::from(OsString::from(text))).contains("s3cret"));
        }
    }
}
