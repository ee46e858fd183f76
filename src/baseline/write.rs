//! An accepted unit as text: a line for what may change by itself, so that a diff tells what did.

use super::yaml_scalar::{decimals, quoted, rounded};
use super::{AcceptedCorner, AcceptedUnit, AcceptedValue, Points, Row};
use crate::quantity::number;
use crate::spec::CriticalPoint;
use crate::uncertainty::Budget;
use std::fmt::Write;

/// Digits of an uncertainty for people.
const U_DIGITS: usize = 3;
/// Digits of a simulated one: nothing else tells it.
const SIMULATED_DIGITS: usize = 6;
/// Digits of a frequency: a ten-millionth moves no curve.
const HZ_DIGITS: usize = 7;
/// Digits that tell any two numbers apart, where neighbours lie closer than that.
const ALL_DIGITS: usize = 17;

/// The text of an accepted unit, YAML. The same unit gives the same text.
#[must_use]
pub fn text(unit: &AcceptedUnit) -> String {
    let mut text = String::with_capacity(4096 * (1 + unit.corners.len()));
    text.push_str(
        "# An accepted unit, written by `loopgauge accept`, read by `loopgauge check --baseline`.\n",
    );
    text.push_str("# u and what follows at_hz are standard uncertainties and what makes them; deg counts from the critical point.\n");
    text.push_str("baseline: 1\n");
    let mut line = |key: &str, value: &str| push(&mut text, format_args!("{key}: {value}\n"));
    line("product", &quoted(&unit.product));
    line("serial", &quoted(&unit.serial));
    line("revision", &quoted(&unit.revision));
    let labels = [
        ("firmware", &unit.firmware),
        ("build", &unit.build),
        ("station", &unit.station),
        ("taken", &unit.taken),
    ];
    for (key, label) in labels {
        if let Some(label) = label {
            line(key, &quoted(label));
        }
    }
    line("tool", &quoted(&unit.tool));
    line("verdict", &quoted(&unit.verdict));
    if let Some(reason) = &unit.anyway {
        line("anyway", &quoted(reason));
    }
    line("spec_sha256", &quoted(&unit.spec_sha256));
    line(
        "critical_point",
        match unit.critical_point {
            CriticalPoint::PlusOne => "+1",
            CriticalPoint::MinusOne => "-1",
        },
    );
    line("open_loop_poles", &unit.open_loop_poles.to_string());
    line("coverage", &exact(unit.coverage));
    let [gain, phase, delay] =
        [unit.accuracy.gain.db(), unit.accuracy.phase.deg(), unit.accuracy.delay.s()].map(exact);
    line("accuracy", &format!("{{gain_db: {gain}, phase_deg: {phase}, delay_s: {delay}}}"));
    text.push_str("corners:\n");
    unit.corners.iter().for_each(|corner| push_corner(&mut text, corner));
    text
}

/// Writing to a string cannot fail.
fn push(text: &mut String, line: std::fmt::Arguments<'_>) {
    let _ = text.write_fmt(line);
}

/// A number with all its digits.
fn exact(value: f64) -> String {
    // Small ones would become a row of zeros.
    if value != 0.0 && value.abs() < 1e-4 { format!("{value:e}") } else { format!("{value}") }
}

fn push_corner(text: &mut String, corner: &AcceptedCorner) {
    push(text, format_args!("  - corner: {}\n", quoted(&corner.name)));
    let map = |pairs: &[(String, String)]| {
        let pairs: Vec<String> =
            pairs.iter().map(|(key, value)| format!("{}: {}", quoted(key), quoted(value))).collect();
        format!("{{{}}}", pairs.join(", "))
    };
    push(text, format_args!("    conditions: {}\n", map(&corner.conditions)));
    if let Some([from, to]) = corner.band_hz {
        push(text, format_args!("    band_hz: [{}, {}]\n", exact(from), exact(to)));
    }
    if let Some(level) = &corner.level {
        push(text, format_args!("    level: {}\n", quoted(level)));
    }
    text.push_str("    files:\n");
    for (file, digest) in &corner.files {
        push(text, format_args!("      - {{file: {}, sha256: {}}}\n", quoted(file), quoted(digest)));
    }
    push(text, format_args!("    crossings: {}\n", corner.crossings));
    text.push_str(if corner.values.is_empty() { "    values: {}\n" } else { "    values:\n" });
    for (quantity, value) in &corner.values {
        push(text, format_args!("      {}: {}\n", quantity.key(), value_text(value)));
    }
    push_curve(text, &corner.curve);
}

/// `{value: 52.31, u: 0.304, at_hz: 9310.4, gain: -0.092, phase: 0.289}`
fn value_text(value: &AcceptedValue) -> String {
    let Budget { noise, density, rounding, level, impedance_ratio, .. } = value.budget;
    let own = noise.hypot(density).hypot(rounding).hypot(level).hypot(impedance_ratio);
    let decimals = decimals(own).or_else(|| value.u.and_then(decimals));
    let mut parts = vec![format!("value: {}", rounded(value.value, decimals))];
    if value.at_least {
        parts.push("at_least: true".to_owned());
    }
    if let Some(u) = value.u {
        let digits = if value.simulated { SIMULATED_DIGITS } else { U_DIGITS };
        parts.push(format!("u: {}", number(u, digits)));
    }
    if value.simulated {
        parts.push("simulated: true".to_owned());
    }
    parts.push(format!("at_hz: {}", number(value.at_hz, HZ_DIGITS)));
    for (source, part) in value.budget.sources() {
        // A part that has no finite size says nothing that can be compared.
        let part = if part.is_finite() { rounded(part, decimals) } else { "0".to_owned() };
        if part != "0" {
            parts.push(format!("{}: {part}", source.name()));
        }
    }
    format!("{{{}}}", parts.join(", "))
}

/// Columns of a curve, without and with its noise.
pub(super) const COLUMNS: [&str; 2] = ["Hz dB deg", "Hz dB deg u_dB u_deg"];

fn push_curve(text: &mut String, curve: &Points) {
    let with_noise = curve.rows.iter().all(|row| row.noise.is_some());
    let [short, long] = COLUMNS;
    push(text, format_args!("    curve: |\n      {}\n", if with_noise { long } else { short }));
    let hz = |row: &Row, digits| number(row.hz, digits);
    let meet = |pair: &[Row]| matches!(pair, [a, b] if hz(a, HZ_DIGITS) == hz(b, HZ_DIGITS));
    let digits = if curve.rows.windows(2).any(meet) { ALL_DIGITS } else { HZ_DIGITS };
    for row in &curve.rows {
        // Rounding stays a fortieth of what thinning may leave open, and less.
        push(text, format_args!("      {} {:.4} {:.3}", hz(row, digits), row.db, row.deg));
        if let Some([gain, angle]) = row.noise.filter(|_| with_noise) {
            push(text, format_args!(" {} {}", number(gain, 2), number(angle, 2)));
        }
        text.push('\n');
    }
}
