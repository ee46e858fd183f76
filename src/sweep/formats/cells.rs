//! Complex numbers in one field: `1+2i`, `1-2j`, `(1+2j)`, `(1,2)`, and pairs of gain and phase as simulators write them, `(40dB,170deg)`.
//!
//! A column that is declared as both parts of a complex number, `real: z` with `imag: z`, or as both gain and phase, holds such fields.
//! The first part takes its place, the second one a column at the end of the row; the text is then read on as any other.

use crate::diagnostic::Diagnostic;
use crate::sweep::decode::decode;
use crate::sweep::dialect::{Dialect, line_ends};
use crate::sweep::fields::{Cutter, Field};
use crate::sweep::number::number;
use crate::sweep::problems::{Source, shown, uncut};
use crate::sweep::reading::{AngleUnit, ColumnRef, Columns, GainUnit, Reading};
use std::fmt::Write;
use std::sync::Arc;

/// What a field of a shared column holds.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Pair {
    /// Real and imaginary part.
    Parts,
    /// Gain and phase in these units.
    Polar(GainUnit, AngleUnit),
}

/// Calls `visit` with both columns of every pair that is declared.
fn pairs(columns: &mut Columns, mut visit: impl FnMut(&mut ColumnRef, &mut ColumnRef, Pair)) {
    let c = columns;
    for (a, b) in [
        (&mut c.real, &mut c.imag),
        (&mut c.input_real, &mut c.input_imag),
        (&mut c.output_real, &mut c.output_imag),
    ] {
        if let (Some(a), Some(b)) = (a, b) {
            visit(a, b, Pair::Parts);
        }
    }
    for (a, b) in [
        (&mut c.gain, &mut c.phase),
        (&mut c.input_magnitude, &mut c.input_phase),
        (&mut c.output_magnitude, &mut c.output_phase),
    ] {
        if let (Some(a), Some(b)) = (a, b) {
            let pair = Pair::Polar(a.unit, b.unit);
            visit(&mut a.column, &mut b.column, pair);
        }
    }
}

/// Whether any field is to be parted.
pub(super) fn any(columns: &Columns) -> bool {
    let mut any = false;
    pairs(&mut columns.clone(), |a, b, _| any |= a == b);
    any
}

/// The text with parted fields, and how it is read on.
///
/// # Errors
/// What is wrong with the text or with a pair.
pub(super) fn parted(
    bytes: &[u8],
    file: &Arc<str>,
    reading: &Reading,
) -> Result<(String, Reading), Vec<Diagnostic>> {
    let dialect = Dialect::new(reading, file)?;
    let mut buffer = String::new();
    let source = decode(bytes, reading, file, dialect, &mut buffer)?;
    let text = source.text.as_bytes();
    let mut cutter = Cutter::new(text, dialect);
    let mut own = Reading {
        header: reading.header,
        units_row: reading.units_row,
        frequency_unit: reading.frequency_unit,
        skip_rows: reading.skip_rows,
        comment: String::new(),
        columns: reading.columns.clone(),
        ..Reading::default()
    };
    let (mut fields, mut at, mut row, mut line) = (Vec::new(), 0, 0_usize, source.first_line);
    // Lines that were passed over keep the numbers of the others.
    let mut out = "\n".repeat(reading.skip_rows);
    let mut places: Vec<(usize, Pair)> = Vec::new();
    while let Some(start) = dialect.next_row(text, at) {
        let above = line_ends(text, at, start);
        out.push_str(&"\n".repeat(above as usize));
        line += above;
        let next = cutter.cut(start, &mut fields).map_err(|why| {
            let (code, message, place, help) = uncut(why, start);
            vec![source.error(code, message, line, None, place..place + 1).with_help(help)]
        })?;
        if row == 0 {
            places = placed(&mut own.columns, source.text, &fields, reading.header);
        }
        let is_data = !reading.header || row > usize::from(reading.units_row);
        let written =
            Row { source: &source, line, fields: &fields, is_data, decimal_comma: dialect.decimal_comma };
        written.write(&places, &mut out).map_err(|error| vec![error])?;
        let ends = line_ends(text, start, next);
        out.push_str(&"\n".repeat(ends.max(1) as usize));
        line += ends;
        (at, row) = (next, row + 1);
    }
    Ok((out, own))
}

/// Where the shared columns stand, and declares the columns that their second numbers come into. One that is not there is told when the
/// text is read on.
fn placed(columns: &mut Columns, text: &str, fields: &[Field], has_header: bool) -> Vec<(usize, Pair)> {
    let mut places = Vec::new();
    pairs(columns, |a, b, pair| {
        let place = match &*a {
            ColumnRef::Position(position) => position.checked_sub(1).filter(|at| *at < fields.len()),
            ColumnRef::Name(name) => {
                let name = name.trim_matches([' ', '\t']);
                fields.iter().position(|field| has_header && field.content(text) == name)
            }
        };
        if let Some(place) = place.filter(|_| a == b) {
            *a = ColumnRef::Position(place + 1);
            *b = ColumnRef::Position(fields.len() + places.len() + 1);
            places.push((place, pair));
        }
    });
    places
}

/// A row to be written anew.
struct Row<'a> {
    source: &'a Source<'a>,
    line: u64,
    fields: &'a [Field],
    is_data: bool,
    decimal_comma: bool,
}

impl Row<'_> {
    fn write(&self, places: &[(usize, Pair)], out: &mut String) -> Result<(), Diagnostic> {
        let mut seconds: Vec<String> =
            places.iter().map(|(place, _)| format!("second of {}", place + 1)).collect();
        for (index, field) in self.fields.iter().enumerate() {
            let content = field.content(self.source.text);
            let shared = places.iter().zip(&mut seconds).find(|((place, _), _)| *place == index);
            let own = match shared.filter(|_| self.is_data) {
                Some(((_, pair), second)) => {
                    let [a, b] = numbers(&content, *pair, self.decimal_comma)
                        .ok_or_else(|| self.no_pair(index, *field, &content, *pair))?;
                    *second = format!("{b:?}");
                    format!("{a:?}")
                }
                None if self.is_data && self.decimal_comma => swapped(&content),
                None => content.into_owned(),
            };
            push(out, index, &own);
        }
        for (second, index) in seconds.iter().zip(self.fields.len()..) {
            push(out, index, second);
        }
        Ok(())
    }

    fn no_pair(&self, index: usize, field: Field, content: &str, pair: Pair) -> Diagnostic {
        let wanted = match pair {
            Pair::Parts => "a complex number such as `1+2i` or `(1,2)`",
            Pair::Polar(GainUnit::Decibel, AngleUnit::Degree) => "gain and phase such as `(40dB,170deg)`",
            Pair::Polar(..) => "gain and phase in the declared units, such as `(0.5,1.2)`",
        };
        let message = format!("{} is not {wanted}", shown(content));
        let part = field.start..field.end;
        let error = self.source.error("sweep-number", message, self.line, Some(index + 1), part);
        error.with_help("a column that is declared as both numbers of a pair holds both in every field")
    }
}

/// Commas for points and points for commas, so that a stray point does not pass for a decimal mark.
fn swapped(content: &str) -> String {
    let swap = |c| match c {
        ',' => '.',
        '.' => ',',
        other => other,
    };
    content.chars().map(swap).collect()
}

fn push(out: &mut String, index: usize, content: &str) {
    let comma = if index > 0 { "," } else { "" };
    // Memory takes what is written.
    let _ = write!(out, "{comma}\"{}\"", content.replace('"', "\"\""));
}

/// The two numbers of a field.
fn numbers(field: &str, pair: Pair, decimal_comma: bool) -> Option<[f64; 2]> {
    let field: String = field.chars().filter(|c| !matches!(c, ' ' | '\t')).collect();
    let inner = field.strip_prefix('(').and_then(|rest| rest.strip_suffix(')')).unwrap_or(&field);
    let apart = inner.split_once(if decimal_comma { ';' } else { ',' });
    let parse = |text: &str| number(text.as_bytes(), decimal_comma, &mut Vec::new()).ok();
    match pair {
        Pair::Polar(gain, phase) => {
            let (a, b) = apart?;
            let a = if gain == GainUnit::Decibel { a.strip_suffix("dB").unwrap_or(a) } else { a };
            let units: &[&str] = if phase == AngleUnit::Degree { &["deg", "\u{b0}"] } else { &["rad"] };
            let b = units.iter().find_map(|unit| b.strip_suffix(unit)).unwrap_or(b);
            Some([parse(a)?, parse(b)?])
        }
        Pair::Parts => match apart {
            Some((a, b)) => Some([parse(a)?, parse(b)?]),
            None => {
                // A plain number is none: the column may be named for both by mistake.
                let both = inner.strip_suffix(['i', 'j'])?;
                // The sign of the imaginary part is the last one that belongs to no exponent.
                let bytes = both.as_bytes();
                let is_sign = |at: &usize| {
                    let before = at.checked_sub(1).and_then(|at| bytes.get(at));
                    matches!(bytes.get(*at), Some(b'+' | b'-')) && !matches!(before, Some(b'e' | b'E'))
                };
                let (real, imag) =
                    both.split_at_checked((0..bytes.len()).rev().find(is_sign).unwrap_or(0))?;
                // `1+-2j` is written, too.
                let real = if imag.starts_with('-') { real.strip_suffix('+').unwrap_or(real) } else { real };
                let imag = imag.strip_prefix('+').unwrap_or(imag);
                let imag = match imag {
                    "" => 1.0,
                    "-" => -1.0,
                    other => parse(other)?,
                };
                Some([if real.is_empty() { 0.0 } else { parse(real)? }, imag])
            }
        },
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn complex_numbers_and_pairs_are_parted() {
        let parts = |text| numbers(text, Pair::Parts, false);
        for (text, wanted) in [
            ("1+2i", [1.0, 2.0]),
            ("1-2j", [1.0, -2.0]),
            ("(1+2j)", [1.0, 2.0]),
            ("(1, -2)", [1.0, -2.0]),
            ("-1.5e-3 + 2e+1i", [-1.5e-3, 20.0]),
            ("1+-2j", [1.0, -2.0]),
            ("-3e-2j", [0.0, -3e-2]),
            ("1+i", [1.0, 1.0]),
            ("-j", [0.0, -1.0]),
        ] {
            assert_eq!(parts(text), Some(wanted), "{text}");
        }
        for text in ["", "4.5", "i+1", "1+2", "1+2k", "(1+2j", "1,2,3", "nan+1j", "1++2j", "40dB"] {
            assert_eq!(parts(text), None, "{text}");
        }
        assert_eq!(numbers("(1,5;-2,5)", Pair::Parts, true), Some([1.5, -2.5]));
        assert_eq!(numbers("1,5+2,5i", Pair::Parts, true), Some([1.5, 2.5]));
        let db = Pair::Polar(GainUnit::Decibel, AngleUnit::Degree);
        assert_eq!(numbers("(40dB,170deg)", db, false), Some([40.0, 170.0]));
        assert_eq!(numbers("(4.0e+01dB,-1.7e+02\u{b0})", db, false), Some([40.0, -170.0]));
        assert_eq!(numbers("(40,170)", db, false), Some([40.0, 170.0]));
        assert_eq!(numbers("(40dB,2rad)", db, false), None);
        assert_eq!(
            numbers("(0.5,2rad)", Pair::Polar(GainUnit::Ratio, AngleUnit::Radian), false),
            Some([0.5, 2.0])
        );
    }
}
