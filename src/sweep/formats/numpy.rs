//! Arrays of NumPy: `npy` (NumPy Enhancement Proposal 1, versions 1 to 3 of the format; from memory) and `npz`, a ZIP archive of them.
//!
//! An archive names its columns by its arrays, a structured array by its fields; of a plain table of numbers columns are given by position.
//! A complex column has the parts `NAME_real` and `NAME_imag`, of the name `loop_gain` the standard ones.

use super::json_lines::part_names;
use super::table::{Lines, Table};
use super::{LARGEST, error};
use crate::diagnostic::Diagnostic;
use std::io::{Cursor, Read};
use std::sync::Arc;
use zip::ZipArchive;

const HELP: &str = "save arrays of real or complex numbers of one length, such as \
                    `numpy.savez(file, frequency_hz=f, gain_db=g, phase_deg=p)`";
/// Most arrays of an archive, and most columns of a table.
const MOST: usize = 1000;

/// A number type: how many bytes it has, and how it is read.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Kind {
    size: usize,
    letter: u8,
    is_big: bool,
}

/// What the header of an array says.
#[derive(Debug, Clone, PartialEq)]
struct Header {
    /// Names and types of the fields; one without a name where the array is plain.
    fields: Vec<(String, Kind)>,
    by_columns: bool,
    shape: Vec<usize>,
}

pub(super) fn single(bytes: &[u8], file: &Arc<str>) -> Result<Table, Vec<Diagnostic>> {
    let (names, columns) = array(bytes).map_err(|message| error(file, message, HELP))?;
    finish(names, columns, file)
}

pub(super) fn archive(bytes: &[u8], file: &Arc<str>) -> Result<Table, Vec<Diagnostic>> {
    let wrong = |message: &str| error(file, message, HELP);
    let (mut names, mut columns) = (Vec::new(), Vec::new());
    for (name, inner) in members(bytes, file)? {
        let (own, mut found) =
            array(&inner).map_err(|message| error(file, format!("holds an array that {message}"), HELP))?;
        // Single numbers beside the columns are settings.
        if found.iter().all(|column| column.len() <= 1) {
            continue;
        }
        // A plain array is one column, or the two parts of one.
        let is_plain = own.iter().all(|(own, _)| own.is_empty());
        if is_plain && own.len() > own.first().map_or(0, |(_, part)| 1 + usize::from(part.is_some())) {
            return Err(wrong("holds a table beside other arrays: give each column a name"));
        }
        names.extend(own.into_iter().map(|(own, part)| (if is_plain { name.clone() } else { own }, part)));
        columns.append(&mut found);
    }
    finish(names, columns, file)
}

/// The arrays of an archive, as bytes, with their names.
fn members(bytes: &[u8], file: &Arc<str>) -> Result<Vec<(String, Vec<u8>)>, Vec<Diagnostic>> {
    let wrong = |message: &str| error(file, message, HELP);
    let mut archive = ZipArchive::new(Cursor::new(bytes)).map_err(|_| wrong("is no archive of arrays"))?;
    if archive.len() > MOST {
        return Err(wrong("holds more arrays than any sweep needs"));
    }
    let (mut members, mut held) = (Vec::new(), 0);
    for index in 0..archive.len() {
        let mut part = archive.by_index(index).map_err(|_| wrong("is a damaged archive"))?;
        let name = part.name().map_err(|_| wrong("is a damaged archive"))?.into_owned();
        let name = name.strip_suffix(".npy").unwrap_or(&name).to_owned();
        let mut inner = Vec::new();
        let room = (LARGEST - held) as u64;
        let read = (&mut part).take(room + 1).read_to_end(&mut inner);
        held += inner.len();
        if held > LARGEST {
            return Err(wrong("holds more than 200 MB when it is unpacked; no sweep needs that"));
        }
        read.map_err(|_| wrong("is a damaged archive"))?;
        members.push((name, inner));
    }
    Ok(members)
}

/// A plain array of real numbers of up to two dimensions, row after row.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Matrix {
    pub(super) width: usize,
    pub(super) numbers: Vec<f64>,
}

/// The plain arrays of real numbers in an archive by their names; what else it holds is passed over.
pub(super) fn matrices(bytes: &[u8], file: &Arc<str>) -> Result<Vec<(String, Matrix)>, Vec<Diagnostic>> {
    let members = members(bytes, file)?;
    Ok(members.into_iter().filter_map(|(name, inner)| Some((name, matrix(&inner)?))).collect())
}

fn matrix(bytes: &[u8]) -> Option<Matrix> {
    let (header, data) = header(bytes)?;
    let [(_, kind)] = header.fields.as_slice() else { return None };
    let (rows, width) = match header.shape.as_slice() {
        [width] => (1, *width),
        [rows, width] => (*rows, *width),
        _ => return None,
    };
    let count = rows.checked_mul(width)?;
    if kind.letter == b'c' || data.len() < count.checked_mul(kind.size)? {
        return None;
    }
    let at = |k: usize| {
        let k = if header.by_columns { (k % width) * rows + k / width } else { k };
        kind.number(data.get(k * kind.size..(k + 1) * kind.size)?)
    };
    Some(Matrix { width, numbers: (0..count).map(at).collect::<Option<Vec<f64>>>()? })
}

/// Name of a column, and of a complex one which part it is.
type Name = (String, Option<usize>);

fn finish(names: Vec<Name>, columns: Vec<Vec<f64>>, file: &Arc<str>) -> Result<Table, Vec<Diagnostic>> {
    let length = columns.first().map_or(0, Vec::len);
    if columns.iter().any(|column| column.len() != length) {
        return Err(error(file, "holds columns of different lengths", HELP));
    }
    let is_named = names.iter().any(|(name, _)| !name.is_empty());
    let whole = |(name, part): Name| match part {
        Some(part) => part_names(&name).into_iter().nth(part).unwrap_or(name),
        None => name,
    };
    let names = if is_named { names.into_iter().map(whole).collect() } else { Vec::new() };
    Ok(Table { names, columns, lines: Lines::None })
}

/// Columns of an array and their names; those of a plain one are empty.
fn array(bytes: &[u8]) -> Result<(Vec<Name>, Vec<Vec<f64>>), String> {
    let (header, data) = header(bytes).ok_or("is no array of numbers")?;
    let (rows, width) = match header.shape.as_slice() {
        [] => (1, 1),
        [rows] => (*rows, 1),
        [rows, width] if header.fields.len() == 1 && *width <= MOST => (*rows, *width),
        _ => return Err("has more than two dimensions".to_owned()),
    };
    let item: usize = header.fields.iter().map(|(_, kind)| kind.size).sum();
    let wanted = rows.checked_mul(width).and_then(|count| count.checked_mul(item));
    if wanted.is_none_or(|wanted| data.len() < wanted) {
        return Err("is cut off".to_owned());
    }
    let (mut names, mut columns) = (Vec::new(), Vec::new());
    for place in 0..width {
        let mut offset = 0;
        for (name, kind) in &header.fields {
            let at = |row: usize| {
                let index = if header.by_columns { place * rows + row } else { row * width + place };
                data.get(index * item + offset..)
            };
            let part = |shift: usize, size: usize| -> Option<Vec<f64>> {
                (0..rows).map(|row| kind.number(at(row)?.get(shift..shift + size)?)).collect()
            };
            let parts = if kind.letter == b'c' { 2 } else { 1 };
            let size = kind.size / parts;
            for k in 0..parts {
                columns.push(part(k * size, size).ok_or("is no array of numbers")?);
                names.push((name.clone(), (parts > 1).then_some(k)));
            }
            offset += kind.size;
        }
    }
    Ok((names, columns))
}

impl Kind {
    fn parse(text: &str) -> Option<Self> {
        let (order, rest) = text.split_at_checked(1)?;
        let letter = *rest.as_bytes().first()?;
        let size = rest.get(1..)?.parse().ok()?;
        let is_known = match letter {
            b'f' => matches!(size, 4 | 8),
            b'c' => matches!(size, 8 | 16),
            b'i' | b'u' => matches!(size, 1 | 2 | 4 | 8),
            _ => false,
        };
        (is_known && matches!(order, "<" | ">" | "|" | "=")).then_some(Self {
            size,
            letter,
            is_big: order == ">",
        })
    }

    /// A real number, or a part of a complex one.
    fn number(self, bytes: &[u8]) -> Option<f64> {
        let mut little = [0_u8; 8];
        let into = little.get_mut(..bytes.len())?;
        into.copy_from_slice(bytes);
        if self.is_big {
            into.reverse();
        }
        let unsigned = u64::from_le_bytes(little);
        Some(match (self.letter, bytes.len()) {
            (b'f' | b'c', 8) => f64::from_bits(unsigned),
            (b'f' | b'c', 4) => f64::from(f32::from_bits(unsigned as u32)),
            (b'u', _) => unsigned as f64,
            (b'i', size) => {
                let unused = 64 - 8 * size as u32;
                ((unsigned << unused).cast_signed() >> unused) as f64
            }
            _ => return None,
        })
    }
}

/// The header and what follows it.
fn header(bytes: &[u8]) -> Option<(Header, &[u8])> {
    let rest = bytes.strip_prefix(b"\x93NUMPY")?;
    let (version, rest) = rest.split_at_checked(2)?;
    let (length, rest) = match version {
        [1, _] => {
            let (length, rest) = rest.split_first_chunk::<2>()?;
            (usize::from(u16::from_le_bytes(*length)), rest)
        }
        [2 | 3, _] => {
            let (length, rest) = rest.split_first_chunk::<4>()?;
            (u32::from_le_bytes(*length) as usize, rest)
        }
        _ => return None,
    };
    let (text, data) = rest.split_at_checked(length)?;
    let text = std::str::from_utf8(text).ok()?;
    let after = |key: &str| Some(text.split_once(&format!("'{key}':"))?.1.trim_start());
    let shape = after("shape")?.strip_prefix('(')?.split_once(')')?.0;
    let shape: Option<Vec<usize>> = shape
        .split(',')
        .map(str::trim)
        .filter(|part| !part.is_empty())
        .map(|part| part.parse().ok())
        .collect();
    let descr = after("descr")?;
    let fields = match descr.strip_prefix('[') {
        None => vec![(String::new(), Kind::parse(quoted(descr)?.0)?)],
        Some(list) => structured(list)?,
    };
    Some((Header { fields, by_columns: after("fortran_order")?.starts_with("True"), shape: shape? }, data))
}

/// Fields of a structured type: `('f', '<f8'), …]`.
fn structured(mut list: &str) -> Option<Vec<(String, Kind)>> {
    let mut fields = Vec::new();
    loop {
        list = list.trim_start_matches([' ', ',']);
        if list.starts_with(']') {
            return (!fields.is_empty() && fields.len() <= MOST).then_some(fields);
        }
        let (name, rest) = quoted(list.strip_prefix('(')?)?;
        let (kind, rest) = quoted(rest.trim_start_matches([' ', ',']))?;
        fields.push((name.to_owned(), Kind::parse(kind)?));
        list = rest.trim_start().strip_prefix(')')?;
    }
}

/// The text between quotes at the start, and what follows.
fn quoted(text: &str) -> Option<(&str, &str)> {
    let text = text.trim_start();
    let mark = text.chars().next().filter(|mark| matches!(mark, '\'' | '"'))?;
    text.get(1..)?.split_once(mark)
}
