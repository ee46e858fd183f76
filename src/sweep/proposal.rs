//! A `reading` that would read a file which is not understood: a proposal for people, which the program itself never uses.
//!
//! Candidates come from what stands in the file: what parts its fields, its decimal mark, the lines above and below its numbers, words
//! and units in its header. One makes sense when it reads every row, with frequencies in one direction (the reader sees to both), and
//! what comes out can be the loop gain of a converter: see [`is_plausible`]. Candidates that give the same samples are one.
//! A proposal is made when exactly one makes sense; of several the first two are named.

use super::column_names::{Role, frequency_unit, is_degrees, role, words};
use super::reading::{AngleUnit, Column, ColumnRef, Columns, Format, FrequencyUnit, GainUnit, Reading};
use super::samples::Samples;
use super::table_block::{Block, blocks, texts};
use super::{Scratch, read};
use num_complex::Complex64;
use std::f64::consts::{FRAC_PI_2, TAU};
use std::fmt::Write;
use std::sync::Arc;

/// Larger files are not tried, bytes: each candidate reads all of it.
const LARGEST: usize = 4 << 20;
/// Bytes that all candidates together may read: a second or two. With more of them none is tried, since one that was left out might make
/// sense, too.
const MOST_READ: usize = 400 << 20;
/// Columns that are looked at.
const MOST_COLUMNS: usize = 12;

/// What a file could be read by.
#[derive(Debug, Clone, PartialEq)]
pub enum Proposal {
    /// By nothing that makes sense.
    Nothing,
    /// By one reading, as a block of YAML.
    One(String),
    /// By more than one; two of them.
    Several([String; 2]),
}

/// Looks for the readings that make sense of a file. It is meant for files that the declared one does not read.
#[must_use]
pub fn propose(bytes: &[u8]) -> Proposal {
    if bytes.len() > LARGEST {
        return Proposal::Nothing;
    }
    let file: Arc<str> = "sweep".into();
    let (mut scratch, mut found): (Scratch, Vec<(Reading, Samples)>) = (Scratch::default(), Vec::new());
    let candidates = candidates(bytes);
    if candidates.len().saturating_mul(bytes.len()) > MOST_READ {
        return Proposal::Nothing;
    }
    for reading in candidates {
        let mut samples = Samples::default();
        let reads = read(bytes, &file, &reading, &mut scratch, &mut samples).is_ok();
        if reads && is_plausible(&samples) && found.iter().all(|(_, known)| !is_alike(known, &samples)) {
            found.push((reading, samples));
        }
        if found.len() > 1 {
            break;
        }
    }
    let mut texts = found.iter().map(|(reading, _)| yaml(reading));
    match (texts.next(), texts.next()) {
        (None, _) => Proposal::Nothing,
        (Some(one), None) => Proposal::One(one),
        (Some(one), Some(other)) => Proposal::Several([one, other]),
    }
}

/// Every reading that is worth a try, the simplest first.
fn candidates(bytes: &[u8]) -> Vec<Reading> {
    let mut list: Vec<Reading> = [Format::Touchstone, Format::JsonLines]
        .into_iter()
        .map(|format| Reading { format, ..Reading::default() })
        .collect();
    for (encoding, text) in texts(bytes) {
        for block in blocks(&text) {
            let base = block.reading(encoding);
            if block.has_header {
                // Standard names say all that there is to say.
                list.push(base.clone());
            }
            list.extend(columns(&block).into_iter().map(|columns| Reading { columns, ..base.clone() }));
        }
    }
    list
}

/// A column with its words, in lower case.
struct Named {
    column: ColumnRef,
    words: Vec<String>,
    role: Option<Role>,
}

impl Named {
    fn of(block: &Block, index: usize) -> Self {
        let name = block.names.get(index).map_or("", String::as_str);
        let unit = block.units.get(index).map_or("", String::as_str);
        let words = words(name).chain(words(unit)).collect::<Vec<_>>();
        let role = role(&words);
        // A name that says something else, such as `time` or `temperature`, is not taken for a loop gain.
        let role = role.or_else(|| name.chars().filter(|c| c.is_alphabetic()).nth(2).map(|_| Role::Other));
        Self { column: block.column(index), words, role }
    }

    fn may_be(&self, role: Role) -> bool {
        self.role.is_none_or(|own| own == role)
    }

    fn says(&self, word: &str) -> bool {
        self.words.iter().any(|own| own == word)
    }

    fn frequency_units(&self) -> Vec<FrequencyUnit> {
        match frequency_unit(&self.words) {
            Some((unit, _)) => vec![unit],
            None => [1.0, 1e3, 1e6].map(FrequencyUnit).into(),
        }
    }

    fn gain_units(&self) -> Vec<GainUnit> {
        match (self.says("db"), self.says("ratio") || self.says("abs")) {
            (true, _) => vec![GainUnit::Decibel],
            (false, true) => vec![GainUnit::Ratio],
            (false, false) => vec![GainUnit::Decibel, GainUnit::Ratio],
        }
    }

    fn angle_units(&self) -> Vec<AngleUnit> {
        match (is_degrees(&self.words), self.says("rad")) {
            (true, _) => vec![AngleUnit::Degree],
            (false, true) => vec![AngleUnit::Radian],
            (false, false) => vec![AngleUnit::Degree, AngleUnit::Radian],
        }
    }
}

/// Every way to take the columns of a block.
fn columns(block: &Block) -> Vec<Columns> {
    let named: Vec<Named> = (0..block.width.min(MOST_COLUMNS)).map(|index| Named::of(block, index)).collect();
    let mut list = Vec::new();
    let of = |role: Role| named.iter().enumerate().filter(move |(_, column)| column.may_be(role));
    for (f, frequency) in of(Role::Frequency) {
        let frequencies: Vec<Column<FrequencyUnit>> = frequency
            .frequency_units()
            .into_iter()
            .map(|unit| Column { column: frequency.column.clone(), unit })
            .collect();
        let mut pairs: Vec<Columns> = Vec::new();
        for (g, gain) in of(Role::Gain).filter(|(g, _)| *g != f) {
            for (_, phase) in of(Role::Phase).filter(|(p, _)| *p != f && *p != g) {
                pairs.extend(polar(gain, phase));
            }
        }
        for (r, real) in of(Role::Real).filter(|(r, _)| *r != f) {
            // The real part stands first wherever nobody says which is which.
            for (_, imag) in of(Role::Imag).filter(|(i, _)| *i != f && *i > r) {
                let [real, imag] = [&real.column, &imag.column].map(|column| Some(column.clone()));
                pairs.push(Columns { real, imag, ..Columns::default() });
            }
        }
        for frequency in frequencies {
            list.extend(
                pairs.iter().map(|pair| Columns { frequency: Some(frequency.clone()), ..pair.clone() }),
            );
        }
    }
    list
}

fn polar(gain: &Named, phase: &Named) -> Vec<Columns> {
    let mut list = Vec::new();
    for unit in gain.gain_units() {
        for angle in phase.angle_units() {
            list.push(Columns {
                gain: Some(Column { column: gain.column.clone(), unit }),
                phase: Some(Column { column: phase.column.clone(), unit: angle }),
                ..Columns::default()
            });
        }
    }
    list
}

/// Whether two readings show one loop.
fn is_alike(a: &Samples, b: &Samples) -> bool {
    let close = |a: &[f64], b: &[f64]| {
        a.len() == b.len() && a.iter().zip(b).all(|(a, b)| (a - b).abs() <= 1e-9 * (1.0 + a.abs()))
    };
    close(a.frequency_hz(), b.frequency_hz())
        && close(a.ln_magnitude(), b.ln_magnitude())
        && close(a.phase_rad(), b.phase_rad())
}

/// Sweeps of converters lie inside, Hz: from drifts of a minute's tenth to well above any switching frequency (common practice, no source).
const LOWEST_HZ: f64 = 0.1;
const HIGHEST_HZ: f64 = 30e6;
/// A sweep reaches over a decade and half, and up to a kilohertz.
const LEAST_RATIO: f64 = 5.0;
const LEAST_TOP_HZ: f64 = 1e3;
/// Largest gain or attenuation, neper: 160 dB, more than any receiver tells apart.
const MOST_NEPER: f64 = 18.5;
/// Phases, rad: turns that an unwrapped sweep may have, and how far the phase of a loop moves at least.
const MOST_ANGLE: f64 = 8.0 * TAU;
const LEAST_MOVE: f64 = 0.15;
/// Largest step of the phase from sample to sample, rad, in all but few places.
const SMALL_STEP: f64 = 1.2;
/// How closely the phase follows the slope of the gain, 1: everywhere. Of loops with right-half-plane zeros, filters and dead time the least
/// is 0.38 (`demo-data`); what has nothing to do with the gain is about 0.
const LEAST_BODE: f64 = 0.3;
/// Below this gain, neper, delay alone turns the phase.
const LEAST_GAIN: f64 = -1.0;

/// Whether samples can be the loop gain of a converter: frequencies that such sweeps have; a gain that falls through 1; a phase that moves,
/// in small steps; and the two related as they are wherever a loop is of minimum phase and little more, a quarter of a turn for
/// each 20 dB per decade, whatever the sign (H. W. Bode, Network Analysis and Feedback Amplifier Design, 1945, chapter 14: from memory).
fn is_plausible(samples: &Samples) -> bool {
    let (hz, ln_mag, phase) = (samples.frequency_hz(), samples.ln_magnitude(), samples.phase_rad());
    let (Some(first), Some(last)) = (hz.first(), hz.last()) else { return false };
    let band =
        *first >= LOWEST_HZ && *last <= HIGHEST_HZ && *last >= LEAST_TOP_HZ && last / first >= LEAST_RATIO;
    let third = ln_mag.len().div_ceil(3);
    let mean = |part: Option<&[f64]>| part.map_or(0.0, |part| part.iter().sum::<f64>() / part.len() as f64);
    let falls = mean(ln_mag.get(..third)) > 0.0 && mean(ln_mag.get(ln_mag.len() - third..)) < 0.0;
    let bounded = ln_mag.iter().all(|gain| gain.abs() <= MOST_NEPER)
        && phase.iter().all(|angle| angle.abs() <= MOST_ANGLE);
    band && falls && bounded && moves(phase) && bode(hz, ln_mag, phase) >= LEAST_BODE
}

/// Whether the phase moves, and mostly in small steps.
fn moves(phase: &[f64]) -> bool {
    let steps: Vec<f64> = phase
        .windows(2)
        .map(|w| turned(w.last().unwrap_or(&0.0) - w.first().unwrap_or(&0.0)).abs())
        .collect();
    let large = steps.iter().filter(|step| **step > SMALL_STEP).count();
    let reach = phase
        .iter()
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), angle| (low.min(*angle), high.max(*angle)));
    10 * large <= steps.len() && reach.1 - reach.0 >= LEAST_MOVE
}

fn turned(angle: f64) -> f64 {
    angle - (angle / TAU).round() * TAU
}

/// Mean of the direction of twice the difference between the phase and a quarter turn times the slope of the gain: 1 when it is a whole
/// number of half turns everywhere, 0 when it is anything.
fn bode(hz: &[f64], ln_mag: &[f64], phase: &[f64]) -> f64 {
    // Over a few samples, so that noise does not make the slope.
    let span = (hz.len() / 20).max(1);
    let mut sum = Complex64::ZERO;
    let mut count = 0.0;
    let at = |list: &[f64], k: usize| list.get(k).copied().unwrap_or(0.0);
    for k in (span..hz.len().saturating_sub(span)).filter(|k| at(ln_mag, *k) > LEAST_GAIN) {
        let (from, to) = (k - span, k + span);
        let slope = (at(ln_mag, to) - at(ln_mag, from)) / (at(hz, to) / at(hz, from)).ln();
        let angle = 2.0 * (at(phase, k) - FRAC_PI_2 * slope);
        sum += Complex64::from_polar(1.0, angle);
        count += 1.0;
    }
    if count > 0.0 { (sum / count).re } else { 0.0 }
}

/// The block of YAML that declares a reading; what is as by default is left out.
fn yaml(reading: &Reading) -> String {
    let (mut text, usual) = ("reading:\n".to_owned(), Reading::default());
    let mut line = |key: &str, value: String, is_usual: bool| {
        if !is_usual {
            // Writing to a string cannot fail.
            let _ = writeln!(text, "  {key}: {value}");
        }
    };
    let format = match reading.format {
        Format::Touchstone => "touchstone",
        Format::JsonLines => "jsonl",
        _ => "text",
    };
    line("format", format.to_owned(), reading.format == usual.format);
    line("encoding", reading.encoding.name().to_lowercase(), reading.encoding == usual.encoding);
    let delimiter = match reading.delimiter {
        '\t' => "tab".to_owned(),
        ' ' => "space".to_owned(),
        other => format!("\"{other}\""),
    };
    line("delimiter", delimiter, reading.delimiter == usual.delimiter);
    line("decimal", format!("\"{}\"", reading.decimal), reading.decimal == usual.decimal);
    line("comment", format!("\"{}\"", reading.comment), reading.comment == usual.comment);
    line("skip_rows", reading.skip_rows.to_string(), reading.skip_rows == 0);
    line("header", "false".to_owned(), reading.header);
    line("units_row", "true".to_owned(), !reading.units_row);
    line("footer_rows", reading.footer_rows.to_string(), reading.footer_rows == 0);
    if reading.columns != usual.columns {
        text.push_str("  columns:\n");
        push_columns(&mut text, &reading.columns);
    }
    text
}

fn push_columns(text: &mut String, columns: &Columns) {
    let named = |column: &ColumnRef| match column {
        ColumnRef::Name(name) => format!("\"{}\"", name.replace('\\', "\\\\").replace('"', "\\\"")),
        ColumnRef::Position(position) => position.to_string(),
    };
    let mut line = |key: &str, column: &ColumnRef, unit: Option<&str>| {
        let value =
            unit.map_or_else(|| named(column), |unit| format!("{{column: {}, unit: {unit}}}", named(column)));
        let _ = writeln!(text, "    {key}: {value}");
    };
    if let Some(Column { column, unit }) = &columns.frequency {
        let unit = match unit.0 {
            1.0 => "Hz",
            1e3 => "kHz",
            1e6 => "MHz",
            _ => "rad/s",
        };
        line("frequency", column, Some(unit));
    }
    if let Some(Column { column, unit }) = &columns.gain {
        line("gain", column, Some(if *unit == GainUnit::Decibel { "dB" } else { "ratio" }));
    }
    if let Some(Column { column, unit }) = &columns.phase {
        line("phase", column, Some(if *unit == AngleUnit::Degree { "deg" } else { "rad" }));
    }
    for (key, column) in [("real", &columns.real), ("imag", &columns.imag)] {
        column.iter().for_each(|column| line(key, column, None));
    }
}
