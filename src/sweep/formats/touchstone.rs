//! Touchstone 1.0 files of one or two ports (EIA/IBIS Open Forum, Touchstone File Format Specification; from memory): an option line
//! `# Hz S RI R 50`, comments after `!`, per line the frequency and a pair of numbers for each parameter, of two ports in the order 11, 21, 12, 22.
//!
//! The loop gain is the one parameter of one port, and 21 of two: output over input. The others are named `s11_real`, `s11_imag` and so on.

use super::error;
use super::table::{Lines, Table};
use crate::diagnostic::Diagnostic;
use crate::sweep::reading::Columns;
use std::f64::consts::LN_10;
use std::sync::Arc;

const HELP: &str = "save it in version 1 with one or two ports, or export the loop gain as CSV";
/// Parameters of two ports in their order.
const TWO_PORTS: [&str; 4] = ["s11", "s21", "s12", "s22"];

/// How a pair tells a complex number.
#[derive(Clone, Copy)]
enum Pair {
    Parts,
    Magnitude,
    Decibels,
}

pub(super) fn table(bytes: &[u8], file: &Arc<str>, columns: &Columns) -> Result<Table, Vec<Diagnostic>> {
    let wrong = |line: usize, what: &str| error(file, format!("line {line} {what}"), HELP);
    let text = String::from_utf8_lossy(bytes);
    // What an option line leaves out is this.
    let (mut unit, mut pair, mut has_options) = (1e9, Pair::Magnitude, false);
    let mut table = Table { names: Vec::new(), columns: Vec::new(), lines: Lines::None };
    for (index, line) in text.lines().enumerate() {
        let line = line.split('!').next().unwrap_or_default().trim();
        if line.starts_with('[') {
            return Err(wrong(index + 1, "is a keyword of version 2"));
        }
        if let Some(options) = line.strip_prefix('#') {
            if !has_options {
                (unit, pair) = parsed(options);
                has_options = true;
            }
            continue;
        }
        if line.is_empty() {
            continue;
        }
        let numbers: Result<Vec<f64>, _> = line.split_whitespace().map(str::parse).collect();
        let Ok(numbers) = numbers else { return Err(wrong(index + 1, "holds something else than numbers")) };
        let (Some((frequency, pairs)), true) = (numbers.split_first(), matches!(numbers.len(), 3 | 9)) else {
            return Err(wrong(index + 1, "has no frequency with one pair of numbers, or with four"));
        };
        if table.columns.is_empty() {
            table.columns = vec![Vec::new(); numbers.len()];
            table.names = names(pairs.len() / 2, columns);
        }
        if table.columns.len() != numbers.len() {
            return Err(wrong(index + 1, "has another count of numbers than the first row"));
        }
        let parts = pairs.as_chunks::<2>().0.iter().flat_map(|[a, b]| parts(pair, *a, *b));
        let row = std::iter::once(frequency * unit).chain(parts);
        table.columns.iter_mut().zip(row).for_each(|(column, number)| column.push(number));
    }
    Ok(table)
}

/// Factor to Hz, and what a pair is.
fn parsed(options: &str) -> (f64, Pair) {
    let (mut unit, mut pair) = (1e9, Pair::Magnitude);
    for word in options.split_whitespace() {
        match word.to_ascii_uppercase().as_str() {
            "HZ" => unit = 1.0,
            "KHZ" => unit = 1e3,
            "MHZ" => unit = 1e6,
            "GHZ" => unit = 1e9,
            "RI" => pair = Pair::Parts,
            "MA" => pair = Pair::Magnitude,
            "DB" => pair = Pair::Decibels,
            _ => {}
        }
    }
    (unit, pair)
}

fn names(parameters: usize, columns: &Columns) -> Vec<String> {
    let is_declared = columns.real.is_some() || columns.imag.is_some();
    let of = |name: &str, is_loop_gain: bool| {
        if is_loop_gain && !is_declared {
            ["real".to_owned(), "imag".to_owned()]
        } else {
            [format!("{name}_real"), format!("{name}_imag")]
        }
    };
    let list: &[&str] = if parameters == 1 { &["s11"] } else { &TWO_PORTS };
    let parts = list.iter().flat_map(|name| of(name, parameters == 1 || *name == "s21"));
    std::iter::once("frequency_hz".to_owned()).chain(parts).collect()
}

/// Real and imaginary part.
fn parts(pair: Pair, a: f64, b: f64) -> [f64; 2] {
    let polar = |magnitude: f64| {
        let (sin, cos) = b.to_radians().sin_cos();
        [magnitude * cos, magnitude * sin]
    };
    match pair {
        Pair::Parts => [a, b],
        Pair::Magnitude => polar(a),
        Pair::Decibels => polar((a * LN_10 / 20.0).exp()),
    }
}
