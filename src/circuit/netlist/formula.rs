//! Text of an expression to its steps.

use super::cards::Card;
use super::expression::{Expression, One, Step, Two};
use super::scale::number;
use super::source::Word;
use crate::diagnostic::nearest;
use std::ops::Range;

/// Most brackets, signs and functions within each other: the reader calls itself for each.
const MOST_LEVELS: usize = 50;
/// Most steps of an expression: a page of it.
const MOST_STEPS: usize = 1000;

/// What is wrong, and where in the card's text.
pub(super) struct Wrong {
    pub(super) at: Range<usize>,
    pub(super) message: String,
    pub(super) help: String,
}

const ONE: [(&str, One); 11] = [
    ("sqrt", One::Sqrt),
    ("exp", One::Exp),
    ("ln", One::Ln),
    ("log", One::Ln),
    ("log10", One::Log10),
    ("sin", One::Sin),
    ("cos", One::Cos),
    ("tan", One::Tan),
    ("atan", One::Atan),
    ("abs", One::Abs),
    ("sgn", One::Sign),
];

const TWO: [(&str, Two); 4] =
    [("min", Two::Smaller), ("max", Two::Larger), ("pow", Two::Power), ("pwr", Two::PowerOfSize)];

/// Longer signs first; the number says how tightly a sign binds.
const SIGNS: [(&str, Two, u8); 15] = [
    ("||", Two::Or, 1),
    ("&&", Two::And, 2),
    ("<=", Two::LessOrEqual, 3),
    (">=", Two::MoreOrEqual, 3),
    ("==", Two::Equal, 3),
    ("!=", Two::Unequal, 3),
    ("**", Two::Power, POWER),
    ("<", Two::Less, 3),
    (">", Two::More, 3),
    ("+", Two::Plus, 4),
    ("-", Two::Minus, 4),
    ("*", Two::Times, 5),
    ("/", Two::Over, 5),
    ("^", Two::Power, POWER),
    ("\u{2212}", Two::Minus, 4),
];

/// How tightly a power binds: more than a sign before it.
const POWER: u8 = 7;

/// Reads the expression at `range` of a card.
pub(super) fn expression(card: &Card, range: Range<usize>) -> Result<Expression<Word>, Wrong> {
    let mut reader = Reader { card, at: range.start, end: range.end, steps: Vec::new(), levels: 0 };
    reader.choice()?;
    if !reader.rest().is_empty() {
        let found = reader.rest().chars().next().unwrap_or(' ');
        return Err(
            reader.wrong(format!("`{found}` where an operator or the end of the expression is wanted"))
        );
    }
    Ok(Expression { steps: reader.steps, spot: card.spot(range) })
}

struct Reader<'a> {
    card: &'a Card,
    at: usize,
    end: usize,
    steps: Vec<Step<Word>>,
    levels: usize,
}

impl<'a> Reader<'a> {
    /// What is left, without blanks before it.
    fn rest(&mut self) -> &'a str {
        let card: &'a Card = self.card;
        let rest = card.text.get(self.at..self.end).unwrap_or("");
        let trimmed = rest.trim_start();
        self.at += rest.len() - trimmed.len();
        trimmed
    }

    fn wrong(&mut self, message: String) -> Wrong {
        let length = self.rest().chars().next().map_or(0, char::len_utf8);
        let help =
            "write numbers, parameters, `+ - * / ^`, brackets and functions such as `sqrt(x)`".to_owned();
        Wrong { at: self.at..self.at + length, message, help }
    }

    fn takes(&mut self, sign: &str) -> bool {
        let is_there = self.rest().starts_with(sign);
        self.at += if is_there { sign.len() } else { 0 };
        is_there
    }

    fn wants(&mut self, sign: &str) -> Result<(), Wrong> {
        if self.takes(sign) { Ok(()) } else { Err(self.wrong(format!("`{sign}` is wanted here"))) }
    }

    fn push(&mut self, step: Step<Word>) -> Result<(), Wrong> {
        if self.steps.len() >= MOST_STEPS {
            return Err(self.wrong(format!("the expression has more than {MOST_STEPS} parts")));
        }
        self.steps.push(step);
        Ok(())
    }

    /// Reads something inside something.
    fn deeper(&mut self, read: impl FnOnce(&mut Self) -> Result<(), Wrong>) -> Result<(), Wrong> {
        if self.levels >= MOST_LEVELS {
            return Err(
                self.wrong(format!("more than {MOST_LEVELS} brackets, signs or functions in each other"))
            );
        }
        self.levels += 1;
        let result = read(self);
        self.levels -= 1;
        result
    }

    /// `condition ? one : other`, or what binds more tightly.
    fn choice(&mut self) -> Result<(), Wrong> {
        self.binary(1)?;
        if self.takes("?") {
            self.deeper(Self::choice)?;
            self.wants(":")?;
            self.deeper(Self::choice)?;
            self.push(Step::Choose)?;
        }
        Ok(())
    }

    fn binary(&mut self, least: u8) -> Result<(), Wrong> {
        self.signed()?;
        let mut before = None;
        loop {
            let rest = self.rest();
            let Some((sign, two, level)) = SIGNS.iter().find(|(sign, ..)| rest.starts_with(sign)) else {
                return Ok(());
            };
            if *level < least {
                return Ok(());
            }
            if *level == POWER && before == Some(POWER) {
                return Err(self.wrong(
                    "a power of a power, which is read in two ways: put one of them in brackets".to_owned(),
                ));
            }
            self.at += sign.len();
            self.deeper(|reader| reader.binary(level + 1))?;
            self.push(Step::Two(*two))?;
            before = Some(*level);
        }
    }

    fn signed(&mut self) -> Result<(), Wrong> {
        let one = match self.rest().chars().next() {
            Some('-' | '\u{2212}') => One::Negative,
            Some('!') => One::Not,
            Some('+') => {
                self.at += 1;
                return self.deeper(|reader| reader.binary(POWER));
            }
            _ => return self.atom(),
        };
        self.at += self.rest().chars().next().map_or(0, char::len_utf8);
        self.deeper(|reader| reader.binary(POWER))?;
        self.push(Step::One(one))
    }

    fn atom(&mut self) -> Result<(), Wrong> {
        let rest = self.rest();
        let Some(first) = rest.chars().next() else {
            return Err(self.wrong("the expression ends where a value is wanted".to_owned()));
        };
        if first.is_ascii_digit() || first == '.' {
            let Some((value, length)) = number(rest) else {
                return Err(self.wrong("this is no number".to_owned()));
            };
            self.at += length;
            return self.push(Step::Number(value));
        }
        if first == '(' {
            self.at += 1;
            self.deeper(Self::choice)?;
            return self.wants(")");
        }
        let length = rest.find(|c: char| !(c.is_alphanumeric() || c == '_')).unwrap_or(rest.len());
        if length == 0 {
            return Err(self.wrong(format!("`{first}` where a value is wanted")));
        }
        let from = self.at;
        self.at += length;
        let text = rest.get(..length).unwrap_or("").to_owned();
        if self.takes("(") {
            return self.deeper(|reader| reader.call(&text, from..from + length));
        }
        let spot = self.card.spot(from..from + length);
        self.push(Step::Read(Word { text, spot }))
    }

    /// A function, its bracket being open.
    fn call(&mut self, name: &str, at: Range<usize>) -> Result<(), Wrong> {
        let key = name.to_lowercase();
        let one = ONE.iter().find(|(known, _)| *known == key).map(|(_, one)| Step::One(*one));
        let two = TWO.iter().find(|(known, _)| *known == key).map(|(_, two)| Step::Two(*two));
        let is_of_two = two.is_some();
        let Some(step) = one.or(two) else {
            let names = || ONE.iter().map(|(known, _)| *known).chain(TWO.iter().map(|(known, _)| *known));
            let help = match nearest(&key, names()) {
                Some(near) => format!("did you mean `{near}`?"),
                None => format!("known are {}", names().collect::<Vec<_>>().join(", ")),
            };
            return Err(Wrong { at, message: format!("there is no function `{name}`"), help });
        };
        self.choice()?;
        if is_of_two {
            self.wants(",")?;
            self.choice()?;
        }
        self.wants(")")?;
        self.push(step)
    }
}

#[cfg(test)]
mod tests {
    use super::super::cards::cards;
    use super::super::expression::Dual;
    use super::super::source::Sources;
    use super::*;

    fn read(text: &str) -> Result<Expression<Word>, Wrong> {
        let mut sources = Sources::default();
        let file = sources.add("a.cir", &format!("title\n{text}"));
        let card = cards(&mut sources, file, 1).remove(0);
        let end = card.text.len();
        expression(&card, 0..end)
    }

    /// With `x` for the only parameter.
    fn at(text: &str, x: f64) -> Dual {
        let read = read(text).unwrap_or_else(|wrong| panic!("{text}: {}", wrong.message));
        let bound = read.bound(|_| Ok::<_, ()>(Step::Read(0usize))).unwrap();
        bound.value(|_| Dual { value: x, slope: 1.0 }, &mut Vec::new())
    }

    #[test]
    fn expressions_have_the_value_that_their_signs_say() {
        let known = [
            ("1+2*3", 7.0),
            ("(1+2)*3", 9.0),
            ("-2^2", -4.0),
            ("2**-1", 0.5),
            ("2^-(1+1)", 0.25),
            ("8/4/2", 1.0),
            ("1-2-3", -4.0),
            ("1k*2m", 2.0),
            ("3>2 ? 10 : 20", 10.0),
            ("1 ? 0 ? 1 : 2 : 3", 2.0),
            ("!1 || 2<=2 && 1!=1", 0.0),
            ("min(3, max(1,2))", 2.0),
            ("pwr(-2,2) + pow(-2,3)", -4.0),
            ("log10(1000)+ln(exp(2))+log(exp(1))", 6.0),
            ("sgn(-3)*abs(-2)", -2.0),
            ("4*atan(1)", std::f64::consts::PI),
            ("--1", 1.0),
            ("0 ? 1/0 : 1", 1.0),
        ];
        for (text, value) in known {
            let found = at(text, 0.0).value;
            assert!((found - value).abs() <= 1e-15 * value.abs(), "{text}: {found}");
        }
    }

    #[test]
    fn slopes_are_those_of_small_changes() {
        let texts = [
            "x*x+1/x-x",
            "sqrt(x)",
            "exp(x)",
            "ln(x)",
            "log10(x)",
            "sin(x)",
            "cos(x)",
            "tan(x)",
            "atan(x)",
            "abs(-x)",
            "x^2.5",
            "2^x",
            "x^x",
            "pwr(-x,3)",
            "min(x,9)*max(x,0.1)",
            "x>1?x*3:x",
            "-x*sgn(-x)",
        ];
        for text in texts {
            let (x, step) = (1.3, 1e-6);
            let wanted = (at(text, x + step).value - at(text, x - step).value) / (2.0 * step);
            let found = at(text, x).slope;
            assert!((found - wanted).abs() <= 1e-8 * wanted.abs().max(1.0), "{text}: {found} not {wanted}");
        }
    }

    #[test]
    fn what_is_no_expression_is_refused_where_it_goes_wrong() {
        let wrong = [
            ("1+", "the expression ends where a value is wanted"),
            ("1 2", "`2` where an operator or the end of the expression is wanted"),
            ("foo(1)", "there is no function `foo`"),
            ("min(1)", "`,` is wanted here"),
            ("(1", "`)` is wanted here"),
            ("2^3^2", "a power of a power, which is read in two ways: put one of them in brackets"),
            ("1k5", "this is no number"),
            ("a ? b", "`:` is wanted here"),
            ("#", "`#` where a value is wanted"),
        ];
        for (text, message) in wrong {
            assert_eq!(read(text).err().map(|wrong| wrong.message).as_deref(), Some(message), "{text}");
        }
        assert!(read(&"(".repeat(5000)).is_err() && read(&"-".repeat(5000)).is_err());
        assert!(read(&format!("1{}", "+1".repeat(2000))).is_err());
    }
}
