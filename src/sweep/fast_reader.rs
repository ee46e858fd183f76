//! All rows of a file, the short way: nothing is explained here.
//!
//! Rows without surprises are read straight from the bytes; others are cut into fields first. The first row that is not
//! right ends it, and [`careful`](super::explaining_reader) then reads everything again and says what is wrong. What is accepted
//! here is accepted there with the same numbers.

use super::columns::{Layout, UNUSED};
use super::convert::{Numbers, convert};
use super::dialect::Dialect;
use super::fields::{Cutter, Field};
use super::kept_column::KeptColumn;
use super::number::{leading, number};
use super::order::is_above;
use super::samples::Samples;
use memchr::{memchr2, memchr3};

/// Rows and what is known about them.
#[derive(Debug, Clone, Copy)]
pub(super) struct Rows<'a> {
    /// The text.
    pub text: &'a [u8],
    /// The same text with `.` as the decimal mark, byte for byte in the same places; `None` where rows must be cut up.
    pub plain: Option<&'a [u8]>,
    /// Offset of the first row.
    pub start: usize,
    /// How they are cut up.
    pub dialect: Dialect<'a>,
    /// What they hold.
    pub layout: &'a Layout,
    /// What each field holds, see [`Layout::roles`].
    pub roles: &'a [u8],
}

/// Room to work in.
#[derive(Debug)]
pub(super) struct Room<'a> {
    /// Cuts up the rows of the text.
    pub cutter: Cutter<'a>,
    /// The fields of the row at hand.
    pub fields: &'a mut Vec<Field>,
    /// The digits of the number at hand.
    pub digits: &'a mut Vec<u8>,
    /// The frequencies of the file before.
    pub frequencies: &'a mut KeptColumn,
}

/// Role of the field that holds the frequency: the first of the [`Numbers`].
const FREQUENCY: u8 = 0;

/// Adds all rows to the samples; false as soon as something is not right.
pub(super) fn read_rows(rows: &Rows<'_>, room: &mut Room<'_>, samples: &mut Samples) -> bool {
    if rows.dialect.by_blanks() {
        read_parted::<true>(rows, room, samples)
    } else {
        read_parted::<false>(rows, room, samples)
    }
}

/// As [`read_rows`]; `BLANKS` is whether runs of blanks part the fields, known here for speed.
fn read_parted<const BLANKS: bool>(rows: &Rows<'_>, room: &mut Room<'_>, samples: &mut Samples) -> bool {
    let mut numbers = Numbers::default();
    let mut at = rows.start;
    let (mut not_rising, mut not_falling, mut before) = (false, false, f64::NAN);
    while let Some(start) = rows.dialect.next_row(rows.text, at) {
        let (row, kept) = (samples.len(), &mut *room.frequencies);
        let next =
            rows.plain.and_then(|plain| straight::<BLANKS>(rows, plain, start, (row, kept), &mut numbers));
        let Some(next) = next.or_else(|| cut_up(rows, start, room, &mut numbers)) else { return false };
        at = next;
        let frequency_hz = rows.layout.hertz(&numbers);
        let Ok((ln_magnitude, phase_rad)) = convert(rows.layout.form, &numbers) else { return false };
        // Before the first row there is none to compare with.
        not_rising |= !before.is_nan() && !is_above(frequency_hz, before);
        not_falling |= !before.is_nan() && !is_above(before, frequency_hz);
        before = frequency_hz;
        if !is_frequency(frequency_hz) || (not_rising & not_falling) {
            return false;
        }
        samples.push(frequency_hz, ln_magnitude, phase_rad);
    }
    true
}

/// Frequencies of sweeps, Hz: a decade in eleven days, and far above any converter; common practice, no source.
pub(crate) const LEAST_HZ: f64 = 1e-6;
pub(crate) const MOST_HZ: f64 = 1e12;

/// Whether a sweep may have this frequency.
#[inline]
pub(super) fn is_frequency(hertz: f64) -> bool {
    (LEAST_HZ..=MOST_HZ).contains(&hertz)
}

/// The numbers of the row at `start` and the start of the next line; `None` for any surprise.
#[inline]
fn straight<const BLANKS: bool>(
    rows: &Rows<'_>,
    plain: &[u8],
    start: usize,
    (row, kept): (usize, &mut KeptColumn),
    numbers: &mut Numbers,
) -> Option<usize> {
    let dialect = rows.dialect;
    let mut rest = plain.get(start..)?;
    let mut roles = rows.roles.iter();
    while let Some(role) = roles.next() {
        rest = field::<BLANKS>(skip_blanks(rest, dialect), *role, dialect, (row, kept), numbers)?;
        let after = skip_blanks(rest, dialect);
        let parted = after.len() < rest.len();
        rest = after;
        if roles.as_slice().is_empty() {
            break;
        }
        if !BLANKS {
            rest = rest.strip_prefix(&[dialect.delimiter])?;
        } else if !parted {
            // The line ends too early, or something follows a number.
            return None;
        }
    }
    let rest = match rest {
        [b'\n', rest @ ..] | [b'\r', b'\n', rest @ ..] => rest,
        [] | [b'\r'] => &[],
        _ => return None,
    };
    Some(plain.len() - rest.len())
}

/// Reads one field, if it has a role, and returns what follows it.
#[inline]
fn field<'a, const BLANKS: bool>(
    rest: &'a [u8],
    role: u8,
    dialect: Dialect<'_>,
    (row, kept): (usize, &mut KeptColumn),
    numbers: &mut Numbers,
) -> Option<&'a [u8]> {
    let Some(into) = numbers.get_mut(usize::from(role)) else {
        debug_assert_eq!(role, UNUSED);
        let length = unused::<BLANKS>(rest, dialect);
        return if BLANKS && length == 0 { None } else { rest.get(length..) };
    };
    let (value, length) = if role == FREQUENCY { kept.number(row, rest, leading)? } else { leading(rest)? };
    if !value.is_finite() {
        return None;
    }
    *into = value;
    rest.get(length..)
}

#[inline]
fn skip_blanks<'a>(mut rest: &'a [u8], dialect: Dialect<'_>) -> &'a [u8] {
    while let Some((first, after)) = rest.split_first()
        && *first <= b' '
        && dialect.is_blank(*first)
    {
        rest = after;
    }
    rest
}

/// Length of a field that is not read.
fn unused<const BLANKS: bool>(rest: &[u8], dialect: Dialect<'_>) -> usize {
    let end =
        if BLANKS { memchr3(b' ', b'\t', b'\n', rest) } else { memchr2(dialect.delimiter, b'\n', rest) };
    end.unwrap_or(rest.len())
}

/// As [`straight`], by way of fields.
fn cut_up(rows: &Rows<'_>, start: usize, room: &mut Room<'_>, numbers: &mut Numbers) -> Option<usize> {
    let next = room.cutter.cut(start, room.fields).ok()?;
    if room.fields.len() != rows.layout.fields {
        return None;
    }
    for (into, place) in numbers.iter_mut().zip(rows.layout.places()) {
        let field = room.fields.get(*place)?.raw(rows.text);
        *into = number(field, rows.dialect.decimal_comma, room.digits).ok()?;
    }
    Some(next)
}
