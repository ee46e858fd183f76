//! Help for a file whose columns have names of their own: the `reading` that its header and its first row speak for. It is shown and not used.

use super::column_names::{Role, frequency_unit, is_degrees, role, words};
use super::dialect::{DELIMITERS, Dialect};
use super::fields::{Cutter, Field};
use super::number::number;
use super::problems::is_pair;

/// Most columns of a header that is looked at.
const MOST_COLUMNS: usize = 50;
/// Longest name of a column that is shown, in characters.
const LONGEST_NAME: usize = 60;

/// A column by its name and what stands below it.
struct Seen {
    /// As it is declared: the name in quotes, or the position.
    shown: String,
    words: Vec<String>,
    role: Option<Role>,
    /// What stands in the first row of numbers.
    value: String,
}

/// A `reading` with every column, where the header and the first row below leave no choice. `start` and `next` are where the two begin.
pub(super) fn speaks_for(text: &str, dialect: Dialect<'_>, start: usize, next: usize) -> Option<String> {
    let own = DELIMITERS.iter().filter(|(delimiter, _)| *delimiter == dialect.delimiter);
    let others = DELIMITERS.iter().filter(|(delimiter, _)| *delimiter != dialect.delimiter);
    own.chain(others).find_map(|&(delimiter, word)| {
        let other = Dialect { delimiter, ..dialect };
        let seen = columns(text, other, start, next)?;
        let mut parts = Vec::new();
        if delimiter != dialect.delimiter {
            parts.push(format!("delimiter: {word}"));
        }
        let numbers = |decimal_comma: bool| {
            let plain = seen.iter().filter(|column| column.role.is_some() && !is_pair(&column.value));
            let mut buffer = Vec::new();
            plain
                .into_iter()
                .all(|column| number(column.value.as_bytes(), decimal_comma, &mut buffer).is_ok())
        };
        match (numbers(dialect.decimal_comma), numbers(!dialect.decimal_comma)) {
            (true, _) => {}
            (false, true) if !dialect.decimal_comma && delimiter != b',' => {
                parts.push("decimal: \",\"".to_owned());
            }
            _ => return None,
        }
        parts.push(format!("columns: {{{}}}", declared(&seen)?));
        Some(format!("`reading: {{{}}}`", parts.join(", ")))
    })
}

/// The columns as a delimiter parts them; `None` where it does not, or where it parts the two rows differently.
fn columns(text: &str, dialect: Dialect<'_>, start: usize, next: usize) -> Option<Vec<Seen>> {
    let mut cutter = Cutter::new(text.as_bytes(), dialect);
    let (mut names, mut values): (Vec<Field>, Vec<Field>) = (Vec::new(), Vec::new());
    cutter.cut(start, &mut names).ok()?;
    cutter.cut(dialect.next_row(text.as_bytes(), next)?, &mut values).ok()?;
    if names.len() != values.len() || !(2..=MOST_COLUMNS).contains(&names.len()) {
        return None;
    }
    let contents: Vec<String> = names.iter().map(|name| name.content(text).trim().to_owned()).collect();
    let shown = |index: usize, name: &String| {
        let is_harmless = !name.is_empty()
            && name.chars().count() <= LONGEST_NAME
            && name.chars().all(|c| c.is_alphanumeric() || " ()[]/_-.%°|".contains(c))
            && contents.iter().filter(|other| *other == name).count() == 1;
        if is_harmless { format!("\"{name}\"") } else { (index + 1).to_string() }
    };
    let seen = contents.iter().zip(&values).enumerate().map(|(index, (name, value))| {
        let words: Vec<String> = words(name).collect();
        let role = role(&words);
        Seen { shown: shown(index, name), words, role, value: value.content(text).trim().to_owned() }
    });
    Some(seen.collect())
}

/// The columns as they are declared; `None` where more than one could be meant or a unit is not told.
fn declared(seen: &[Seen]) -> Option<String> {
    let only = |role: Role| {
        let mut those = seen.iter().filter(|column| column.role == Some(role) && !is_pair(&column.value));
        those.next().filter(|_| those.next().is_none())
    };
    let frequency =
        |column: &Seen, unit: &str| format!("frequency: {{column: {}, unit: {unit}}}", column.shown);
    let mut pairs = seen.iter().filter(|column| is_pair(&column.value));
    if let Some(pair) = pairs.next().filter(|_| pairs.next().is_none()) {
        // Beside a pair there is mostly nothing but the frequency; programs that write pairs mostly write it in hertz.
        let beside = || seen.first().filter(|first| seen.len() == 2 && !is_pair(&first.value));
        let column = only(Role::Frequency).or_else(beside)?;
        let unit = frequency_unit(&column.words).map_or("Hz", |(_, unit)| unit);
        return Some(format!("{}, {}", frequency(column, unit), both(pair)?));
    }
    let column = only(Role::Frequency)?;
    let frequency = frequency(column, frequency_unit(&column.words)?.1);
    if let (Some(real), Some(imag)) = (only(Role::Real), only(Role::Imag)) {
        return Some(format!("{frequency}, real: {}, imag: {}", real.shown, imag.shown));
    }
    let (gain, phase) = (only(Role::Gain)?, only(Role::Phase)?);
    let says = |column: &Seen, word: &str| column.words.iter().any(|own| own == word);
    let gain_unit = match (says(gain, "db"), says(gain, "ratio") || says(gain, "abs")) {
        (true, _) => "dB",
        (false, true) => "ratio",
        (false, false) => return None,
    };
    let phase_unit = match (is_degrees(&phase.words), says(phase, "rad")) {
        (true, _) => "deg",
        (false, true) => "rad",
        (false, false) => return None,
    };
    Some(format!(
        "{frequency}, gain: {{column: {}, unit: {gain_unit}}}, phase: {{column: {}, unit: {phase_unit}}}",
        gain.shown, phase.shown
    ))
}

/// One column as both numbers of a pair.
fn both(pair: &Seen) -> Option<String> {
    let (value, name) = (pair.value.to_lowercase(), &pair.shown);
    let unit = |units: [&'static str; 2]| units.into_iter().find(|unit| value.contains(&unit.to_lowercase()));
    match (value.contains("db"), unit(["deg", "rad"])) {
        (true, Some(angle)) => {
            Some(format!("gain: {{column: {name}, unit: dB}}, phase: {{column: {name}, unit: {angle}}}"))
        }
        (false, None) => Some(format!("real: {name}, imag: {name}")),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sweep::reading::Reading;

    fn help(text: &str) -> Option<String> {
        let reading = Reading::default();
        let dialect = Dialect::new(&reading, &"f.csv".into()).unwrap();
        speaks_for(text, dialect, 0, text.find('\n').unwrap() + 1)
    }

    #[test]
    fn names_with_units_speak_for_one_reading() {
        for (text, columns) in [
            (
                "f/kHz,mag/dB,arg/deg\n0.1,40,-90\n",
                "columns: {frequency: {column: \"f/kHz\", unit: kHz}, gain: {column: \"mag/dB\", unit: dB}, \
                 phase: {column: \"arg/deg\", unit: deg}}",
            ),
            (
                "Freq (Hz);Re;Im\n0,1;40;-90,5\n",
                "delimiter: \";\", decimal: \",\", columns: {frequency: {column: \"Freq (Hz)\", unit: Hz}, real: \"Re\", imag: \"Im\"}",
            ),
            (
                "f\tT\n90\t2.2e-01+1.3e+02i\n",
                "delimiter: tab, columns: {frequency: {column: \"f\", unit: Hz}, real: \"T\", imag: \"T\"}",
            ),
            (
                "x\tV(a)/V(b)\n90\t(40dB,170deg)\n",
                "delimiter: tab, columns: {frequency: {column: \"x\", unit: Hz}, gain: {column: \"V(a)/V(b)\", unit: dB}, \
                 phase: {column: \"V(a)/V(b)\", unit: deg}}",
            ),
        ] {
            assert_eq!(help(text).as_deref(), Some(format!("`reading: {{{columns}}}`").as_str()), "{text}");
        }
    }

    #[test]
    fn what_leaves_a_choice_gives_no_help() {
        for text in [
            "f,gain,phase\n1,40,-90\n",
            "f_hz,gain_db,mag_db,phase_deg\n1,40,40,-90\n",
            "f (Hz),gain (dB),phase (deg)\nx,y,z\n",
            "f (Hz);gain (dB);phase (deg)\n1;2\n",
            "one line of text\nanother one\n",
        ] {
            assert_eq!(help(text), None, "{text}");
        }
    }
}
