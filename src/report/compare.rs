//! The results of `compare`: JSON and text.

use super::escape::terminal;
use super::object::write_pretty;
use super::terminal::palette::{self, paint};
use super::terminal::{Side, Style, columns, wrap};
use crate::check::{Unit, frequency_text, value_alone, value_text};
use crate::compare::{Alone, Common, CornerComparison, Effect, ProductComparison, Said, ValueChange};
use crate::quantity::number;
use serde::Serialize;
use std::fmt::Write as _;
use std::io::{self, Write};

#[derive(Serialize)]
struct Body<'a> {
    format: u32,
    a: &'a str,
    b: &'a str,
    products: &'a [ProductComparison],
}

/// Writes the JSON result; `sides` are the two arguments. What does not exist is `null`.
///
/// # Errors
/// When the sink cannot be written.
pub fn write_compare_json(
    sink: impl Write,
    [a, b]: [&str; 2],
    products: &[ProductComparison],
) -> io::Result<()> {
    write_pretty(sink, &Body { format: 1, a, b, products })
}

/// The text of a comparison. Text from files is shown harmless.
#[must_use]
pub fn render_compare([a, b]: [&str; 2], products: &[ProductComparison], style: Style) -> String {
    let mut text = String::new();
    let _ = writeln!(text, "A {}", terminal(a));
    let _ = writeln!(text, "B {}", terminal(b));
    let _ = writeln!(text, "differences are B less A; nothing is judged");
    for product in products {
        let _ = writeln!(text, "\n{}", paint(&terminal(&product.product), palette::STRONG, style));
        if let Some(common) = &product.common {
            add_common(&mut text, common);
        }
        product.corners.iter().for_each(|corner| add_corner(&mut text, corner));
        product.alone.iter().for_each(|alone| add_alone(&mut text, alone));
    }
    wrap(&text, style.width).into_owned()
}

fn add_common(text: &mut String, common: &Common) {
    let _ = writeln!(text, "  {}", common_of(common));
    for (name, said) in common_facts(common) {
        let _ = writeln!(text, "    {name:<10}{said}");
    }
}

/// How many corners it is of.
pub(super) fn common_of(common: &Common) -> String {
    match common.corners {
        1 => "of one corner".to_owned(),
        many => format!("common to {many} corners"),
    }
}

/// What is common, by name. Clean already.
pub(super) fn common_facts(common: &Common) -> Vec<(&'static str, String)> {
    let gain = common.gain_db.map(|effect| effect_text(&effect, Unit::Db, "not flat"));
    let delay = common.delay_s.map(|effect| effect_text(&effect, Unit::S, "no delay fits the phase"));
    let known = |said: Option<String>| said.unwrap_or_else(|| "not known".to_owned());
    let mut facts = vec![("gain", known(gain)), ("delay", known(delay))];
    if let Some(moved) = &common.resonance {
        let way = if moved.by > 0.0 { "up" } else { "down" };
        let percent = number(100.0 * moved.by.abs(), 2);
        let at = value_alone(moved.at_hz, Some(0.05 * moved.at_hz), Unit::Hz, false);
        facts.push(("resonance ", format!("about {at} moved {way} by about {percent} %")));
    }
    let rest =
        [(&common.remaining_gain_db, Unit::Db, "gain"), (&common.remaining_phase_deg, Unit::Deg, "phase")];
    let rest: Vec<String> = rest
        .into_iter()
        .filter_map(|(remains, unit, name)| {
            let remains = remains.as_ref()?;
            let value = signed(remains.value, None, unit);
            Some(format!(
                "{name} {value} at {} ({})",
                frequency_text(remains.at_hz),
                terminal(&remains.corner)
            ))
        })
        .collect();
    let rest = if rest.is_empty() { "no more than their uncertainties".to_owned() } else { rest.join(", ") };
    facts.push(("what remains: ", rest));
    facts
}

fn effect_text(effect: &Effect, unit: Unit, unlike: &str) -> String {
    let value = signed(effect.value, Some(effect.uncertainty), unit);
    let [low, high] = effect.range.map(|end| signed(end, None, unit));
    let spread = effect.spread.map_or(String::new(), |_| format!(", corners {low} to {high}"));
    match effect.said {
        Said::Common => format!("{value}{spread}"),
        Said::WithinUncertainty => format!("{value}: no more than its uncertainty"),
        Said::Differs => format!("none in common: corners {low} to {high}"),
        Said::Unlike => format!("none in common: {unlike}; on average {value}"),
    }
}

pub(super) fn signed(value: f64, uncertainty: Option<f64>, unit: Unit) -> String {
    let text = value_text(value, uncertainty, unit, false);
    if value > 0.0 { format!("+{text}") } else { text }
}

/// The same as pages show it, with a minus sign that is one.
pub(super) fn signed_text(value: f64, uncertainty: Option<f64>, unit: Unit) -> String {
    signed(value, uncertainty, unit).replace('-', "\u{2212}")
}

/// The unit, or both.
pub(super) fn serials(corner: &CornerComparison) -> String {
    let [a, b] = &corner.serials;
    if a == b { terminal(a).into_owned() } else { format!("{} and {}", terminal(a), terminal(b)) }
}

fn add_corner(text: &mut String, corner: &CornerComparison) {
    let serials = serials(corner);
    let apart = if corner.same_station { "" } else { ", not known to be one station: both chains count" };
    let _ = writeln!(text, "  {}, {serials}{apart}", terminal(&corner.corner));
    let rows: Vec<[String; 5]> = corner.changes.iter().map(row).collect();
    for line in columns(&rows, [Side::Left, Side::Right, Side::Right, Side::Right, Side::Left]) {
        let _ = writeln!(text, "    {line}");
    }
    for only in &corner.only {
        let _ = writeln!(text, "    {only}");
    }
    let said = curves_text(corner);
    let _ = writeln!(text, "    the curves differ most by: {said}");
}

/// Where the curves differ most.
pub(super) fn curves_text(corner: &CornerComparison) -> String {
    let parts = [("gain", corner.gain_db, Unit::Db), ("phase", corner.phase_deg, Unit::Deg)];
    let parts: Vec<String> = parts
        .into_iter()
        .filter_map(|(name, found, unit)| {
            let found = found?;
            Some(format!("{name} {} at {}", signed(found.value, None, unit), frequency_text(found.at_hz)))
        })
        .collect();
    if parts.is_empty() { "no more than their uncertainties".to_owned() } else { parts.join(", ") }
}

/// A change: name, both values, difference, and what is to be said of it.
pub(super) fn row(change: &ValueChange) -> [String; 5] {
    let unit = change.quantity.unit();
    // A crossover changes by a ratio; here in its unit, to be read beside the values.
    let scale = if change.quantity.is_relative() { change.a } else { 1.0 };
    let u = change.uncertainty.map(|u| u * scale);
    let own = |value| value_alone(value, u, unit, false);
    let difference = change.change.map(|own| signed(own * scale, u, unit));
    let said = match change.change {
        None => "a lower bound tells no difference",
        Some(_) if change.uncertainty.is_none() => "uncertainty not known",
        Some(_) if !change.counts() => "no more than its uncertainty",
        Some(_) => "",
    };
    [change.quantity.title(), own(change.a), own(change.b), difference.unwrap_or_default(), said.to_owned()]
}

fn add_alone(text: &mut String, alone: &Alone) {
    let _ = writeln!(text, "  {}", alone_text(alone));
}

/// What one side alone has.
pub(super) fn alone_text(alone: &Alone) -> String {
    let side = alone.side.name();
    let what = match &alone.corner {
        Some(corner) => format!("{} of {}", terminal(corner), terminal(&alone.run)),
        None => terminal(&alone.run).into_owned(),
    };
    format!("only in {side}: {what}; {}", terminal(&alone.why))
}
