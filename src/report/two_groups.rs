//! The results of `compare --history`: JSON and text.

use super::compare::signed;
use super::escape::terminal;
use super::object::write_pretty;
use super::statement::count_of;
use super::terminal::palette::{self, paint};
use super::terminal::{Side, Style, columns, wrap};
use crate::check::{Unit, value_alone};
use crate::compare::Said;
use crate::drift::{GroupChange, GroupCommon, GroupMean, OneSided, TwoGroups};
use crate::measurand::Measurand;
use serde::Serialize;
use std::fmt::Write as _;
use std::io::{self, Write};

/// What two groups are called.
#[derive(Debug, Clone, Copy)]
pub struct GroupNames<'a> {
    /// What they are labels of: `build`.
    pub over: &'a str,
    /// The first.
    pub a: &'a str,
    /// The second.
    pub b: &'a str,
}

#[derive(Serialize)]
struct Body<'a> {
    format: u32,
    over: &'a str,
    a: &'a str,
    b: &'a str,
    products: &'a [TwoGroups],
}

/// Writes the JSON result. What does not exist is `null`.
///
/// # Errors
/// When the sink cannot be written.
pub fn write_two_groups_json(
    sink: impl Write,
    names: &GroupNames<'_>,
    products: &[TwoGroups],
) -> io::Result<()> {
    let GroupNames { over, a, b } = *names;
    write_pretty(sink, &Body { format: 1, over, a, b, products })
}

/// The text. Text from a history is shown harmless.
#[must_use]
pub fn render_two_groups(names: &GroupNames<'_>, products: &[TwoGroups], style: Style) -> String {
    let mut text = String::new();
    let _ = writeln!(text, "A {} {}", names.over, terminal(names.a));
    let _ = writeln!(text, "B {} {}", names.over, terminal(names.b));
    let _ = writeln!(text, "differences are B less A, of the means of the units; nothing is judged");
    for product in products {
        let _ = writeln!(text, "\n{}", paint(&terminal(&product.product), palette::STRONG, style));
        add_counts(&mut text, product);
        add_common(&mut text, &product.common);
        add_differences(&mut text, &product.differences);
        product.alone.iter().for_each(|alone| add_alone(&mut text, alone));
    }
    wrap(&text, style.width).into_owned()
}

fn add_counts(text: &mut String, product: &TwoGroups) {
    let [a, b] = product.units;
    let both = match product.in_both {
        0 => String::new(),
        n => format!(", {n} of them in both"),
    };
    let clear = product.differences.iter().filter(|own| own.is_clear());
    let (all, clear, nearer) = (
        product.differences.len(),
        clear.clone().count(),
        clear.filter(|own| own.is_towards_limit == Some(true)).count(),
    );
    let _ = writeln!(text, "  A {}, B {}{both}", count_of(a, "unit"), count_of(b, "unit"));
    let nearer = if nearer > 0 { format!(", {nearer} nearer to a limit") } else { String::new() };
    let _ = writeln!(text, "  {clear} of {} clear{nearer}", count_of(all as u64, "difference"));
    if a == 1 || b == 1 {
        let _ = writeln!(
            text,
            "  with one unit a difference holds for that unit, not for all that are built like it"
        );
    }
}

fn add_common(text: &mut String, common: &[GroupCommon]) {
    let told: Vec<[String; 2]> = common
        .iter()
        .filter(|own| own.said != Said::WithinUncertainty)
        .map(|own| [own.title(), common_text(own)])
        .collect();
    let Some(corners) = common.iter().map(|own| own.corners).max() else { return };
    let _ = writeln!(text, "  over {}", count_of(corners as u64, "corner"));
    for line in columns(&told, [Side::Left, Side::Left]) {
        let _ = writeln!(text, "    {line}");
    }
    let rest: Vec<String> =
        common.iter().filter(|own| own.said == Said::WithinUncertainty).map(GroupCommon::title).collect();
    if !rest.is_empty() {
        let _ = writeln!(text, "    no more than its uncertainty: {}", rest.join(", "));
    }
}

/// A difference as it reads: a ratio in percent.
fn told(change: f64, uncertainty: Option<f64>, quantity: &str, unit: Unit) -> String {
    if is_relative(quantity) {
        let text = signed(100.0 * change, uncertainty.map(|u| 100.0 * u), Unit::One);
        return match text.split_once(" ± ") {
            Some((value, u)) => format!("{value} % ± {u} %"),
            None => format!("{text} %"),
        };
    }
    signed(change, uncertainty, unit)
}

fn is_relative(quantity: &str) -> bool {
    Measurand::of_key(quantity).is_some_and(Measurand::is_relative)
}

fn common_text(own: &GroupCommon) -> String {
    let [low, high] = own.range.map(|end| told(end, own.uncertainty, &own.quantity, own.unit));
    let alone = |text: &str| text.split(" ± ").next().unwrap_or_default().to_owned();
    let corners = format!("corners {} to {}", alone(&low), alone(&high));
    match own.said {
        Said::Differs => format!("none in common: {corners}"),
        _ => format!("{}, {corners}", told(own.change, own.uncertainty, &own.quantity, own.unit)),
    }
}

fn add_differences(text: &mut String, differences: &[GroupChange]) {
    if differences.is_empty() {
        return;
    }
    let mut rows: Vec<[String; 7]> =
        vec![["corner", "", "A", "B", "B less A", "units", ""].map(str::to_owned)];
    rows.extend(differences.iter().map(row));
    let (left, right) = (Side::Left, Side::Right);
    for line in columns(&rows, [left, left, right, right, right, right, left]) {
        let _ = writeln!(text, "  {line}");
    }
}

fn row(own: &GroupChange) -> [String; 7] {
    // A crossover changes by a ratio; here in its unit, to be read beside the means.
    let scale = own.a.mean.filter(|_| is_relative(&own.quantity)).unwrap_or(1.0);
    let u = own.uncertainty.map(|u| u * scale);
    let mean =
        |of: &GroupMean| of.mean.map_or_else(|| "-".to_owned(), |mean| value_alone(mean, u, own.unit, false));
    let said = match own.change {
        None if own.a.bounds + own.b.bounds > 0 => "a lower bound tells no difference",
        None => "not known",
        Some(_) if own.uncertainty.is_none() => "uncertainty not known",
        Some(_) if !own.is_clear() => "no more than its uncertainty",
        Some(_) if own.is_towards_limit == Some(true) => "nearer to its limit",
        Some(_) => "",
    };
    let units = |of: &GroupMean| of.units + of.bounds;
    [
        terminal(&own.corner).into_owned(),
        terminal(&own.title()).into_owned(),
        mean(&own.a),
        mean(&own.b),
        own.change.map(|change| signed(change * scale, u, own.unit)).unwrap_or_default(),
        format!("{} and {}", units(&own.a), units(&own.b)),
        said.to_owned(),
    ]
}

fn add_alone(text: &mut String, alone: &OneSided) {
    let side = alone.side.name();
    let _ = writeln!(text, "  only in {side}: {}", terminal(&alone.corner));
}
