//! Paths in whole numbers of a plot's own units. The browser stretches them to the plot, strokes keep their width, and a script
//! can read the numbers back as values.

use std::fmt::Write;

/// Units of a frequency axis in a decade: a step is 0.06 %.
pub(crate) const PER_DECADE: f64 = 4000.0;
/// Units of a linear axis in a dB or a degree.
pub(crate) const PER_UNIT: f64 = 100.0;
/// Beyond this a coordinate is cut: far outside of every plot, and far inside of what browsers draw exactly (24 bits).
const FARTHEST: f64 = 4_000_000.0;

/// A place in a plot's own units, y downwards.
pub(crate) type Place = (i32, i32);

/// Of a frequency.
#[must_use]
pub(crate) fn across(hz: f64) -> i32 {
    whole(PER_DECADE * hz.log10())
}

/// Of a value of a linear axis, downwards.
#[must_use]
pub(crate) fn down(value: f64) -> i32 {
    whole(-PER_UNIT * value)
}

/// Rounded, and cut at [`FARTHEST`]; what is no number is 0.
#[must_use]
pub(crate) fn whole(units: f64) -> i32 {
    // In range by the cut; `as` makes 0 of what is no number.
    units.round().clamp(-FARTHEST, FARTHEST) as i32
}

/// A line through places, as the `d` of a path; empty for fewer than two.
#[must_use]
pub(crate) fn line(places: impl IntoIterator<Item = Place>) -> String {
    let mut text = String::new();
    let mut last: Option<Place> = None;
    let mut steps = 0;
    for (x, y) in places {
        match last {
            None => {
                let _ = write!(text, "M{x} {y}l");
            }
            Some((from_x, from_y)) => {
                push(&mut text, x - from_x);
                push(&mut text, y - from_y);
                steps += 1;
            }
        }
        last = Some((x, y));
    }
    if steps == 0 { String::new() } else { text }
}

/// An area between an upper and a lower edge, both from left to right; empty for fewer than two places each.
#[must_use]
pub(crate) fn area(upper: &[Place], lower: &[Place]) -> String {
    let mut text = line(upper.iter().chain(lower.iter().rev()).copied());
    if upper.len() < 2 || lower.len() < 2 {
        return String::new();
    }
    text.push('z');
    text
}

/// A dot at every place: lines of no length, which round caps make visible.
#[must_use]
pub(crate) fn dots(places: impl IntoIterator<Item = Place>) -> String {
    let mut text = String::new();
    let mut last: Option<Place> = None;
    for (x, y) in places {
        match last {
            None => {
                let _ = write!(text, "M{x} {y}h0");
            }
            Some((from_x, from_y)) => {
                text.push('m');
                let _ = write!(text, "{}", x - from_x);
                push(&mut text, y - from_y);
                text.push_str("h0");
            }
        }
        last = Some((x, y));
    }
    text
}

/// A number after another one: a minus sign parts them, else a blank does.
fn push(text: &mut String, number: i32) {
    if number >= 0 && !text.ends_with('l') {
        text.push(' ');
    }
    let _ = write!(text, "{number}");
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn paths_are_relative_whole_numbers() {
        assert_eq!(line([(8000, -5000), (8012, -4990), (8030, -5000)]), "M8000 -5000l12 10 18-10");
        assert_eq!(line([(1, 1)]), "");
        assert_eq!(line([]), "");
        assert_eq!(area(&[(0, 0), (5, 0)], &[(0, 9), (5, 9)]), "M0 0l5 0 0 9-5 0z");
        assert_eq!(dots([(1, 2), (4, 1)]), "M1 2h0m3-1h0");
    }

    #[test]
    fn values_become_units_and_wild_ones_are_cut() {
        assert_eq!(across(100.0), 8000);
        assert_eq!(down(-12.345), 1235);
        assert_eq!(whole(f64::MAX), 4_000_000);
        assert_eq!(whole(f64::NAN), 0);
        assert_eq!(across(0.0), -4_000_000);
    }
}
