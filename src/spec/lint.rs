//! What is legal in a spec but unwise: what `lint` warns of beside errors.
//!
//! A spec is looked at as a whole, every entry of `corners` with what it inherits; a finding stands at the key concerned, or at
//! the top where a key is missing.

use super::corners::{product_of, shared_keys};
use super::{Corner, Linearity, LoadedSpec};
use crate::diagnostic::Diagnostic;
use crate::measurand::Measurand;
use crate::quantity::calendar::day;
use crate::quantity::{Decibel, Hertz};
use crate::yaml::{Findings, Value, merge};
use std::sync::Arc;
use time::{Date, Duration};

/// Least margins that are commonly asked for: 45 deg, 6 dB, and a distance of 0.5 to the critical point; common practice,
/// no source.
const LEAST_PHASE_MARGIN: f64 = 45.0;
const LEAST_GAIN_MARGIN: f64 = 6.0;
const LEAST_STABILITY_MARGIN: f64 = 0.5;

/// Days before its end from which a waiver is spoken of: time enough to mend what it covers; common practice, no source.
const SOON: i64 = 30;

/// Everything unwise, by place. `today` is the day, UTC, that waivers are held against.
#[must_use]
pub fn unwise(loaded: &LoadedSpec, today: Date) -> Vec<Diagnostic> {
    let findings = Findings::default();
    let root = Value::root(&loaded.root, &findings);
    accuracy(&root);
    each_entry(&root, &loaded.spec.corners, &mut |item, corners, _| {
        let merged = merge(shared_keys(&loaded.root), shared_keys(item.node));
        let layer = Value { node: &merged, ..root };
        // All corners of an entry have the same limits.
        if let Some(corner) = corners.first() {
            limits(&layer, corner);
            linearity(&layer, corner);
            density(&layer, corner);
            band(&layer, corner);
        }
    });
    with(&root, &["waivers"], &mut |list| waivers(list, today));
    findings.into_sorted(&Arc::from(loaded.spec.file.as_str()))
}

/// The corners that no run has a sweep for; `collected` has one flag for each corner of the spec.
#[must_use]
pub fn uncollected(loaded: &LoadedSpec, collected: &[bool]) -> Vec<Diagnostic> {
    let findings = Findings::default();
    let root = Value::root(&loaded.root, &findings);
    each_entry(&root, &loaded.spec.corners, &mut |item, corners, first| {
        let flags = collected.iter().skip(first);
        let missed = corners.iter().zip(flags).filter(|(_, collected)| !**collected);
        let names: Vec<&str> = missed.map(|(corner, _)| corner.name.as_str()).collect();
        let Some((least, others)) = names.split_first() else { return };
        let others = if others.is_empty() { String::new() } else { format!(" and {} more", others.len()) };
        let message = format!("no run given here has a sweep for the corner `{least}`{others}");
        with(item, &["name"], &mut |name| {
            const HELP: &str = "collect it, give more runs, or remove the corner";
            warn(name, "corner-uncollected", message.clone(), HELP);
        });
    });
    findings.into_sorted(&Arc::from(loaded.spec.file.as_str()))
}

/// Hands on every entry of `corners` with the corners that it multiplies out to and the position of the first of them.
fn each_entry(root: &Value<'_>, corners: &[Corner], then: &mut dyn FnMut(&Value<'_>, &[Corner], usize)) {
    let mut first = 0;
    with(root, &["corners"], &mut |list| {
        for item in list.items("a list").into_iter().flatten() {
            let end = first + product_of(item.node);
            then(&item, corners.get(first..end).unwrap_or(&[]), first);
            first = end;
        }
    });
}

fn warn(at: &Value<'_>, code: &'static str, message: String, help: &str) {
    at.report(Diagnostic::warning(code, message).with_help(help));
}

/// Hands the value of a path of keys on, where there is one.
fn with(value: &Value<'_>, keys: &[&str], then: &mut dyn FnMut(&Value<'_>)) {
    match keys.split_first() {
        None => then(value),
        Some((key, rest)) => {
            if let Some(entry) = value.node.entry(key) {
                with(&value.inner(entry), rest, then);
            }
        }
    }
}

fn accuracy(root: &Value<'_>) {
    const HELP: &str =
        "add for example `accuracy: {gain: 0.1 dB, phase: 0.5 deg}`, from the chain's data sheet";
    const WHY: &str = "is not declared and counts as 0, so verdicts are sharper than the measurement";
    if root.node.get("accuracy").is_none() {
        return warn(root, "no-accuracy", format!("`accuracy` {WHY}"), HELP);
    }
    with(root, &["accuracy"], &mut |value| {
        for (key, example) in [("gain", "gain: 0.1 dB"), ("phase", "phase: 0.5 deg")] {
            if value.node.get(key).is_none() {
                let message = format!("`accuracy.{key}` {WHY}");
                warn(value, "no-accuracy", message, &format!("add for example `{example}`"));
            }
        }
    });
}

fn limits(layer: &Value<'_>, corner: &Corner) {
    let limits = &corner.limits;
    for (measurand, least, unit) in [
        (Measurand::PhaseMargin, LEAST_PHASE_MARGIN, " deg"),
        (Measurand::GainMargin, LEAST_GAIN_MARGIN, " dB"),
        (Measurand::StabilityMargin, LEAST_STABILITY_MARGIN, ""),
    ] {
        let Some(given) = limits.least(measurand).filter(|given| *given < least) else { continue };
        let what = measurand.title();
        with(layer, &["limits", measurand.name(), "min"], &mut |at| {
            let message =
                format!("{given}{unit} is below {least}{unit}, the least {what} of common practice");
            warn(
                at,
                "limit-below-practice",
                message,
                "raise it, or tell in a comment why this loop may have less",
            );
        });
    }
}

fn linearity(layer: &Value<'_>, corner: &Corner) {
    if matches!(corner.linearity, Linearity::Waived(_)) {
        with(layer, &["linearity", "waived"], &mut |at| {
            let message = "linearity is waived: nothing shows that the injection is weak enough".to_owned();
            warn(
                at,
                "linearity-waived",
                message,
                "sweep at two levels and write `linearity: {crossover: 2 %, phase_margin: 2 deg}`",
            );
        });
    }
}

/// How far a smooth loop's values are left open between points at [`KNOWN_DENSITY`], as a local cubic reads them: the worst of
/// 14 smooth textbook loops (those of `tests/published` without a sharp resonance) over 25 positions of the grid.
const OPEN_CROSSOVER: f64 = 0.000_23;
const OPEN_PHASE_MARGIN: f64 = 0.013;
const OPEN_GAIN_MARGIN: f64 = 0.013;
const OPEN_STABILITY_MARGIN: f64 = 0.002;
/// Points per decade of the figures above; they fall with the fourth power of the density, as a cubic's error does.
const KNOWN_DENSITY: f64 = 15.0;
/// The part of what is held that may stay open: a third adds a twentieth to what it is added to in squares.
const OPEN_PART: f64 = 1.0 / 3.0;
/// Points that a resonance needs within its half-power width: with fewer no interpolation finds it.
const POINTS_IN_A_RESONANCE: f64 = 3.0;

fn density(layer: &Value<'_>, corner: &Corner) {
    let Some(density) = corner.density else {
        let message = "`density` is not declared, so a sweep of three points would do".to_owned();
        return warn(layer, "no-density", message, "add for example `density: 30`");
    };
    let Some((needed, why)) = needed_density(corner).filter(|(needed, _)| density < *needed) else { return };
    with(layer, &["density"], &mut |at| {
        let message = format!("{density} points per decade are too few: {why} needs {needed}");
        warn(
            at,
            "density-low",
            message,
            &format!("write `density: {needed}` or more, or hold it less tightly"),
        );
    });
}

/// Points per decade that what is held at a corner needs, rounded up, and what needs the most.
fn needed_density(corner: &Corner) -> Option<(f64, String)> {
    let mut needs: Vec<(f64, String)> = Vec::new();
    let mut change = |open: f64, held: Option<f64>, what: &str| {
        if let Some(held) = held.filter(|held| *held > 0.0) {
            needs.push((KNOWN_DENSITY * (open / (OPEN_PART * held)).powf(0.25), what.to_owned()));
        }
    };
    if let Linearity::Required(held) = &corner.linearity {
        change(OPEN_CROSSOVER, held.crossover.map(|r| r.ratio()), "`linearity.crossover`");
        change(OPEN_PHASE_MARGIN, held.phase_margin.map(|a| a.deg()), "`linearity.phase_margin`");
    }
    for (measurand, open) in [
        (Measurand::Crossover, OPEN_CROSSOVER),
        (Measurand::PhaseMargin, OPEN_PHASE_MARGIN),
        (Measurand::GainMargin, OPEN_GAIN_MARGIN),
        (Measurand::StabilityMargin, OPEN_STABILITY_MARGIN),
    ] {
        let what = format!("`regression.{}`", measurand.name());
        change(open, corner.regression.changes.get(measurand), &what);
    }
    let distance = corner.limits.least(Measurand::StabilityMargin);
    let phase = corner.limits.least(Measurand::PhaseMargin);
    // On the unit circle the distance to the critical point is the chord of the phase margin.
    let chord = phase.map(|deg| 2.0 * (deg.to_radians() / 2.0).sin());
    // On the ray through it, that is what the gain lacks of 0 dB.
    let gain = corner.limits.least(Measurand::GainMargin).map(|db| 1.0 - 10_f64.powf(-db / 20.0));
    for (distance, what) in [
        (distance, "`limits.stability_margin`"),
        (chord, "`limits.phase_margin`"),
        (gain, "`limits.gain_margin`"),
    ] {
        if let Some(distance) = distance.filter(|distance| *distance > 0.0) {
            needs.push((density_past(distance), what.to_owned()));
        }
    }
    needs.into_iter().max_by(|a, b| a.0.total_cmp(&b.0)).map(|(needed, why)| (needed.ceil(), why))
}

/// Points per decade that show a loop which passes the critical point at a distance. One that falls by 20 dB per decade moves
/// by 1 for a factor of e in frequency, so its closed loop peaks like a resonance with a half-power width of twice the distance.
fn density_past(distance: f64) -> f64 {
    POINTS_IN_A_RESONANCE * std::f64::consts::LN_10 / (2.0 * distance)
}

fn band(layer: &Value<'_>, corner: &Corner) {
    let Some(band) = corner.band else {
        let message = "`band` is not declared, so every sweep is judged as far as it goes".to_owned();
        return warn(layer, "no-band", message, "add for example `band: {from: 100 Hz, to: 200 kHz}`");
    };
    let window = corner.limits.windows.get(Measurand::Crossover);
    let top = window.and_then(|window| window.max.or(window.min)).and_then(Hertz::new);
    let margin = corner.limits.least(Measurand::GainMargin).and_then(Decibel::new);
    let (Some(top), Some(margin)) = (top, margin) else { return };
    // From a crossover at the top of its window the gain falls by 20 dB per decade at least where it is designed well: before
    // this frequency neither a phase crossover nor the end of the band can show the gain margin that is asked for.
    let Some(needed) = Hertz::new(top.hz() * 10_f64.powf(margin.db() / 20.0)) else {
        return;
    };
    if band.to >= needed {
        return;
    }
    with(layer, &["band", "to"], &mut |at| {
        let message = format!(
            "the band ends at {}: with a crossover at {top} and 20 dB per decade the gain has fallen by {margin} only at {needed}",
            band.to
        );
        warn(
            at,
            "band-short",
            message,
            "end the band well past the phase crossover, or the gain margin stays undecided",
        );
    });
}

fn waivers(list: &Value<'_>, today: Date) {
    let soon = today.saturating_add(Duration::days(SOON));
    let Some(items) = list.items("a list") else { return };
    for item in items {
        with(&item, &["until"], &mut |at| {
            let Some(until) = at.scalar().and_then(day) else { return };
            if until < today {
                let message = format!("the waiver has ended on {until}: the true verdict stands");
                warn(at, "waiver-ended", message, "remove it, or renew it with its reason");
            } else if until <= soon {
                let days = (until - today).whole_days();
                let message = match days {
                    0 => "the waiver ends today".to_owned(),
                    1 => "the waiver ends tomorrow".to_owned(),
                    _ => format!("the waiver ends in {days} days"),
                };
                warn(at, "waiver-ends", message, "mend what it covers, or renew it with its reason");
            }
        });
    }
}
