//! Patterns of `--only`: `?` is any character, `*` any number of them, `/` too, `[a-c]` one of a class and `[!a-c]` one outside of it,
//! `{a,b}` either, `**/` at the beginning or behind a `/` any folders or none; `\` takes the next character as it is.
//!
//! A pattern walks over the text with all places that it can have come to, so no pattern takes longer than its length times the text's.

use std::iter::Peekable;
use std::str::Chars;

/// More groups within each other are a mistake, and reading and matching go as deep as they do.
const DEEPEST: usize = 100;

/// A pattern that was read.
#[derive(Debug)]
pub struct Glob(Vec<Token>);

#[derive(Debug)]
enum Token {
    One(Class),
    Any,
    Either(Vec<Vec<Token>>),
}

/// The characters that one place may hold.
#[derive(Debug)]
struct Class {
    negated: bool,
    ranges: Vec<(char, char)>,
}

impl Glob {
    /// Reads a pattern; what is wrong with it when it is none.
    pub fn parse(pattern: &str) -> Result<Self, String> {
        let mut parser = Parser { chars: pattern.chars().peekable(), depth: 0 };
        parser.tokens().map(Self).map_err(|error| format!("error parsing glob '{pattern}': {error}"))
    }

    /// Whether all of a text is what the pattern says.
    pub fn meets(&self, text: &str) -> bool {
        let text: Vec<char> = text.chars().collect();
        let mut places = vec![false; text.len() + 1];
        if let Some(first) = places.first_mut() {
            *first = true;
        }
        walk(&self.0, &text, &mut places);
        places.last() == Some(&true)
    }
}

/// From the places before the tokens to those behind them: `places[i]` is before the character `i`.
fn walk(tokens: &[Token], text: &[char], places: &mut Vec<bool>) {
    for token in tokens {
        match token {
            Token::One(class) => {
                places.rotate_right(1);
                if let Some(first) = places.first_mut() {
                    *first = false;
                }
                places.iter_mut().skip(1).zip(text).for_each(|(place, &c)| *place = *place && class.holds(c));
            }
            Token::Any => {
                let mut reached = false;
                for place in places.iter_mut() {
                    reached |= *place;
                    *place = reached;
                }
            }
            Token::Either(branches) => {
                let before = std::mem::replace(places, vec![false; text.len() + 1]);
                for branch in branches {
                    let mut behind = before.clone();
                    walk(branch, text, &mut behind);
                    places.iter_mut().zip(behind).for_each(|(place, reached)| *place |= reached);
                }
            }
        }
    }
}

impl Class {
    fn holds(&self, c: char) -> bool {
        self.ranges.iter().any(|&(first, last)| (first..=last).contains(&c)) != self.negated
    }
}

impl Token {
    fn literal(c: char) -> Self {
        Self::One(Class { negated: false, ranges: vec![(c, c)] })
    }
}

struct Parser<'a> {
    chars: Peekable<Chars<'a>>,
    /// Groups that are open.
    depth: usize,
}

impl Parser<'_> {
    /// Up to the end, or to the `,` or `}` that ends a branch of a group.
    fn tokens(&mut self) -> Result<Vec<Token>, String> {
        let mut tokens = Vec::new();
        // A folder may begin here.
        let mut begins = true;
        while let Some(c) = self.chars.next_if(|&c| self.depth == 0 || !matches!(c, ',' | '}')) {
            let mut last = c;
            match c {
                '?' => tokens.push(Token::One(Class { negated: true, ranges: Vec::new() })),
                '*' => tokens.push(self.star(begins, &mut last)),
                '[' => tokens.push(Token::One(self.class()?)),
                '{' => tokens.extend(self.group()?),
                '}' => {
                    return Err(
                        "unopened alternate group; missing '{' (maybe escape '}' with '[}]'?)".to_owned()
                    );
                }
                '\\' => {
                    last = self.chars.next().ok_or("dangling '\\'")?;
                    tokens.push(Token::literal(last));
                }
                c => tokens.push(Token::literal(c)),
            }
            begins = last == '/';
        }
        Ok(tokens)
    }

    fn star(&mut self, begins: bool, last: &mut char) -> Token {
        let mut stars = 1;
        while self.chars.next_if_eq(&'*').is_some() {
            stars += 1;
        }
        if !begins || stars != 2 || self.chars.next_if_eq(&'/').is_none() {
            return Token::Any;
        }
        *last = '/';
        Token::Either(vec![Vec::new(), vec![Token::Any, Token::literal('/')]])
    }

    /// Behind the `{`; a branch that is empty is none.
    fn group(&mut self) -> Result<Option<Token>, String> {
        if self.depth == DEEPEST {
            return Err("too many nested alternate groups".to_owned());
        }
        self.depth += 1;
        let mut branches = Vec::new();
        loop {
            branches.extend(Some(self.tokens()?).filter(|branch| !branch.is_empty()));
            match self.chars.next() {
                Some(',') => {}
                Some(_) => break,
                None => {
                    return Err(
                        "unclosed alternate group; missing '}' (maybe escape '{' with '[{]'?)".to_owned()
                    );
                }
            }
        }
        self.depth -= 1;
        Ok((!branches.is_empty()).then_some(Token::Either(branches)))
    }

    /// Behind the `[`: a `]` that comes first is one of the class, and so is a `-` that comes first or last.
    fn class(&mut self) -> Result<Class, String> {
        let unclosed = "unclosed character class; missing ']'";
        let negated = self.chars.next_if(|c| matches!(c, '!' | '^')).is_some();
        let mut ranges = Vec::new();
        loop {
            let first = self.chars.next().ok_or(unclosed)?;
            if first == ']' && !ranges.is_empty() {
                return Ok(Class { negated, ranges });
            }
            if first == '[' && self.chars.peek() == Some(&':') {
                return Err("a class has no names such as '[:digit:]'; write '[0-9]'".to_owned());
            }
            if self.chars.next_if_eq(&'-').is_none() {
                ranges.push((first, first));
                continue;
            }
            if self.chars.peek().ok_or(unclosed)? == &']' {
                ranges.extend([(first, first), ('-', '-')]);
                continue;
            }
            let last = self.chars.next().ok_or(unclosed)?;
            if last < first {
                return Err(format!("invalid range; '{first}' > '{last}'"));
            }
            ranges.push((first, last));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::Glob;

    #[track_caller]
    fn check(pattern: &str, met: &[&str], unmet: &[&str]) {
        let glob = Glob::parse(pattern).unwrap();
        met.iter().for_each(|text| assert!(glob.meets(text), "{pattern} {text}"));
        unmet.iter().for_each(|text| assert!(!glob.meets(text), "{pattern} {text}"));
    }

    #[test]
    fn a_star_meets_any_text_and_the_slash_too() {
        check("*/phase_margin", &["24V-3A/phase_margin"], &["24V-3A/phase_margin2", "phase_margin"]);
        check("24V-3A*phase_margin", &["24V-3A/phase_margin", "24V-3A/regression.phase_margin"], &["24V/x"]);
        check("*", &["", "a/b"], &[]);
        check("a**b", &["ab", "a/x/b"], &["ba"]);
        check("", &[""], &["a"]);
    }

    #[test]
    fn a_question_mark_meets_one_character_also_beyond_ascii() {
        check("?2V/µ?", &["12V/µs", "32V/µΩ"], &["2V/µs", "112V/µs", "12V/µ"]);
    }

    #[test]
    fn a_class_meets_one_of_its_characters() {
        check("[13]2V", &["12V", "32V"], &["22V", "132V"]);
        check("[a-cx]", &["a", "b", "c", "x"], &["d", "-", ""]);
        check("[!a-c]", &["d", "/"], &["a", "b"]);
        check("[^a]", &["b"], &["a"]);
        check("[]-]", &["]", "-"], &["["]);
        check("[!]]", &["["], &["]"]);
        check("[a-]", &["a", "-"], &["b"]);
        check("[-a]", &["a", "-"], &["b"]);
    }

    #[test]
    fn a_group_meets_either_and_may_hold_groups() {
        check("{crossover,crossings}", &["crossover", "crossings"], &["cross", "crossover,crossings"]);
        check("a{b,c{d,*e}}f", &["abf", "acdf", "acxef", "acef"], &["acf", "af"]);
        check("a,b", &["a,b"], &["a", "b"]);
        check("a{}b{,c}", &["abc"], &["ab"]);
    }

    #[test]
    fn two_stars_before_a_slash_meet_folders_or_none() {
        check("**/phase", &["phase", "a/phase", "a/b/phase", "/phase"], &["aphase"]);
        check("a/**/b", &["a/b", "a/x/b", "a/x/y/b"], &["ab", "a/xb"]);
        check("a**/b", &["a/b", "ax/y/b"], &["ab"]);
        check("{x,**/}b", &["xb", "b", "a/b"], &["ab"]);
    }

    #[test]
    fn a_backslash_takes_the_next_character_as_it_is() {
        check(r"\*\[\{\\", &[r"*[{\"], &["a"]);
    }

    #[test]
    fn what_is_no_pattern_says_why() {
        for (pattern, why) in [
            ("[", "missing ']'"),
            ("[a", "missing ']'"),
            ("[a-", "missing ']'"),
            ("[]", "missing ']'"),
            ("[b-a]", "'b' > 'a'"),
            ("[[:digit:]]", "write '[0-9]'"),
            ("a}", "missing '{'"),
            ("{a}}", "missing '{'"),
            ("{a,b", "missing '}'"),
            ("{a,{b}", "missing '}'"),
            ("a\\", "dangling '\\'"),
            (&"{".repeat(101), "too many"),
        ] {
            let error = Glob::parse(pattern).unwrap_err();
            assert!(error.contains(why) && error.contains(pattern), "{pattern}: {error}");
        }
    }

    #[test]
    fn a_pattern_of_many_stars_ends_soon() {
        check(&"*a".repeat(200), &[&"a".repeat(1000)], &[&"b".repeat(1000)]);
    }
}
