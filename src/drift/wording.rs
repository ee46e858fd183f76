//! How drift reads in sentences.

use super::{GroupStats, Lots};
use crate::check::{Unit, value_text};
use crate::quantity::{count_of, number};

/// What a quantity is called in a sentence: `phase margin`, `gain at 120Hz`.
#[must_use]
pub fn quantity_title(quantity: &str) -> String {
    if let Some((_, place)) = quantity.split_once('@') {
        let place = place.replacen("Hz-", "Hz to ", 1);
        return if place.contains(" to ") {
            format!("gain over {place}")
        } else {
            format!("gain at {place}")
        };
    }
    let stem =
        ["_hz", "_deg", "_db", "_s"].iter().find_map(|unit| quantity.strip_suffix(unit)).unwrap_or(quantity);
    stem.replace('_', " ")
}

/// A value rounded to what `resolution` (same unit, a spread or an uncertainty) makes sensible.
pub(super) fn value(value: f64, resolution: f64, unit: Unit) -> String {
    let text = value_text(value, Some(resolution).filter(|r| *r > 0.0), unit, false);
    text.split_once(" ± ").map_or_else(|| text.clone(), |(value, _)| value.to_owned())
}

/// How much the units of a history are worth, where those of one group are alike.
pub(super) fn alike(lots: Option<&Lots>) -> String {
    lots.map_or_else(String::new, |lots| {
        let worth = number(lots.independent, 2);
        format!(" (units of one group are alike: worth about {worth} independent ones)")
    })
}

/// `64 of 120 units, in 15 of 20 groups, have a lower bound only and are left out`; `None` where every unit has a value.
#[must_use]
pub fn bounds_left_out(groups: &[GroupStats]) -> Option<String> {
    let bounds: u64 = groups.iter().map(|group| group.bounds).sum();
    let all = bounds + groups.iter().map(|group| group.units).sum::<u64>();
    let with = groups.iter().filter(|group| group.bounds > 0).count();
    let (have, are) = if bounds == 1 { ("has", "is") } else { ("have", "are") };
    let (units, of) = (count_of(all, "unit"), count_of(groups.len() as u64, "group"));
    (bounds > 0).then(|| {
        format!("{bounds} of {units}, in {with} of {of}, {have} a lower bound only and {are} left out")
    })
}

/// Share of the units of a group with a lower bound only from which on its median is a bound, too, and the others do not tell what it did.
const TOO_MANY_BOUNDS: f64 = 0.5;

/// The newest group that anything was measured in, where too many of its units have a lower bound only to tell where it stands.
#[must_use]
pub fn newest_is_hidden(groups: &[GroupStats]) -> Option<usize> {
    let (place, newest) = groups.iter().enumerate().rfind(|(_, group)| group.bounds + group.units > 0)?;
    let all = newest.bounds + newest.units;
    (newest.bounds as f64 >= TOO_MANY_BOUNDS * all as f64).then_some(place)
}

/// A number of groups, one decimal below ten.
pub(super) fn groups(number: f64) -> String {
    if number < 10.0 { format!("{number:.1} groups") } else { format!("{number:.0} groups") }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quantities_read_as_words() {
        for (quantity, words) in [
            ("phase_margin_deg", "phase margin"),
            ("crossover_hz", "crossover"),
            ("delay_margin_s", "delay margin"),
            ("stability_margin", "stability margin"),
            ("gain@120Hz", "gain at 120Hz"),
            ("gain@150kHz-200kHz", "gain over 150kHz to 200kHz"),
        ] {
            assert_eq!(quantity_title(quantity), words);
        }
    }

    #[test]
    fn values_are_rounded_to_what_matters() {
        assert_eq!(value(52.3456, 0.42, Unit::Deg), "52.35 deg");
        assert_eq!(value(9310.4, 120.0, Unit::Hz), "9.31 kHz");
        assert_eq!(value(52.3456, 0.0, Unit::Deg), "52.346 deg");
    }
}
