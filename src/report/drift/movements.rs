//! Movements as they are told: series that moved together are one entry, in every report in the same words.

use super::common_prefix::Scale;
use super::layout::{push_sentence, push_words};
use super::sentences;
use super::to_do::{about_cause, about_station};
use crate::check::{Verdict, limit_text, moved_text};
use crate::drift::{JointMovement, Kind, Moved, ProductDrift, SeriesOutcome};
use crate::quantity::number;
use crate::report::escape::terminal;
use crate::report::statement::phrase;
use crate::report::terminal::Style;
use crate::report::terminal::palette::{self, paint};
use std::collections::HashSet;

/// Names of corners or quantities that are written out.
const NAMED: usize = 4;
/// Harmless movements that are told one by one; the others are counted.
const HARMLESS: usize = 3;

/// How movements are listed and what stands in their brackets.
pub(in crate::report) const ORDER: &str =
    "the one that ate most of the distance to its limit first; in brackets 95 % intervals";

/// What is told of a movement. Text of the data stands in it as it is.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::report) struct Told {
    /// `ramp since 2026-W20 (2026-W18 to 2026-W24), probability 0.99`
    pub head: String,
    /// `28 series: phase margin, gain margin and crossover at all 8 corners`
    pub which: String,
    /// The series that ate most of the distance to its limit.
    pub worst: String,
    /// The first limit that is reached.
    pub next: Option<String>,
    /// `Cout -20 % ± 1 % (probability 0.98) explains all 28 changes of margins`.
    pub part: Option<String>,
    /// `chart fails in 24, forecast fails in 8`; empty where every rule passes.
    pub rules: String,
    /// What to do; `None` where nothing calls for action.
    pub to_do: Option<String>,
}

impl Told {
    /// What stands behind the head and the series, by name; what does not exist is left out.
    pub(in crate::report) fn named(&self) -> impl Iterator<Item = (&'static str, &str)> {
        let named = [
            ("circuit", self.part.as_deref()),
            ("worst", Some(self.worst.as_str())),
            ("ahead", self.next.as_deref()),
            ("rules", Some(self.rules.as_str()).filter(|rules| !rules.is_empty())),
        ];
        named.into_iter().filter_map(|(name, text)| Some((name, text?)))
    }
}

/// The words of a movement.
pub(in crate::report) fn told(product: &ProductDrift, joint: &JointMovement) -> Told {
    let [group, low, high] =
        [joint.since.group, joint.since.low, joint.since.high].map(|group| sentences::label(product, group));
    let since = if low == high { group.to_owned() } else { format!("{group} ({low} to {high})") };
    let probability = number(joint.probability, 2);
    Told {
        head: format!("{} since {since}, probability {probability}", joint.kind.name()),
        which: which(product, joint),
        worst: joint.series.first().map(|worst| worst_text(product, worst)).unwrap_or_default(),
        next: joint.nearest.filter(|_| joint.kind == Kind::Ramp).and_then(|(place, reach)| {
            let series = product.series.get(place)?;
            let ahead = sentences::ahead(series, &reach);
            Some(format!("{}: {ahead}", name(series)))
        }),
        part: joint.parts.as_ref().and_then(|parts| moved_text(&parts.causes, Some(&parts.since))),
        rules: rules(product, joint),
        to_do: advice(product, joint),
    }
}

/// `phase margin at 24V-3A`
fn name(series: &SeriesOutcome) -> String {
    format!("{} at {}", sentences::quantity(series), series.corner)
}

fn members<'a>(
    product: &'a ProductDrift,
    joint: &'a JointMovement,
) -> impl Iterator<Item = &'a SeriesOutcome> {
    joint.series.iter().filter_map(|moved| product.series.get(moved.series))
}

fn which(product: &ProductDrift, joint: &JointMovement) -> String {
    let mut titles: Vec<String> = Vec::new();
    for series in members(product, joint) {
        let title = sentences::quantity(series);
        if !titles.contains(&title) {
            titles.push(title);
        }
    }
    if joint.series.len() != titles.len() * joint.corners.len() {
        return scattered(product, joint, &titles);
    }
    let corners: HashSet<&str> = product.series.iter().map(|series| series.corner.as_str()).collect();
    let at = match joint.corners.as_slice() {
        [only] => only.clone(),
        all if all.len() == corners.len() => format!("all {} corners", all.len()),
        some if some.len() <= NAMED => sentences::and(some),
        some => format!("{} of {} corners", some.len(), corners.len()),
    };
    format!("{} series: {} at {at}", joint.series.len(), sentences::and(&titles))
}

/// Series of quantities that have corners of their own.
fn scattered(product: &ProductDrift, joint: &JointMovement, titles: &[String]) -> String {
    let count = joint.series.len();
    if count <= NAMED {
        let mut places: Vec<usize> = joint.series.iter().map(|moved| moved.series).collect();
        places.sort_unstable();
        let names: Vec<String> =
            places.iter().filter_map(|place| product.series.get(*place)).map(name).collect();
        return format!("{count} series: {}", sentences::and(&names));
    }
    let corners = joint.corners.len();
    format!("{count} series: {} at {corners} corners, not each at all of them", sentences::and(titles))
}

fn worst_text(product: &ProductDrift, moved: &Moved) -> String {
    let Some(series) = product.series.get(moved.series) else { return String::new() };
    let size = moved.size;
    let scale = Scale::new(size.value.abs(), (size.high - size.low) / 2.0, series.unit);
    let (way, [by, least, most]) = if size.value < 0.0 {
        ("down", [-size.value, -size.high, -size.low])
    } else {
        ("up", [size.value, size.low, size.high])
    };
    let limit = limit_text(&series.limit, series.unit);
    let eaten = if moved.share_eaten > 0.0 {
        format!("{} % of the way to its limit ({limit})", number(100.0 * moved.share_eaten, 2))
    } else {
        format!("away from its limit ({limit})")
    };
    format!(
        "{} {way} by {} ({} to {}), {eaten}",
        name(series),
        scale.text(by),
        scale.number(least),
        scale.number(most)
    )
}

/// How many series each rule does not pass in, the worst verdict first.
fn rules(product: &ProductDrift, joint: &JointMovement) -> String {
    let mut counts: Vec<(Verdict, &str, u64)> = Vec::new();
    for rule in members(product, joint).flat_map(|series| &series.rules) {
        if !matches!(rule.verdict, Verdict::Fail | Verdict::Undecided) {
            continue;
        }
        match counts.iter_mut().find(|(verdict, name, _)| (*verdict, *name) == (rule.verdict, rule.rule)) {
            Some((.., count)) => *count += 1,
            None => counts.push((rule.verdict, rule.rule, 1)),
        }
    }
    counts.sort_by_key(|(verdict, ..)| *verdict != Verdict::Fail);
    let texts = counts.iter().map(|(verdict, rule, count)| {
        let verdict = if *verdict == Verdict::Fail { "fails" } else { "is undecided" };
        format!("{rule} {verdict} in {count}")
    });
    texts.collect::<Vec<_>>().join(", ")
}

/// What the worst member calls for.
fn advice(product: &ProductDrift, joint: &JointMovement) -> Option<String> {
    let is_bad = |series: &&SeriesOutcome| matches!(series.verdict, Verdict::Fail | Verdict::Undecided);
    let worst = members(product, joint).find(is_bad).filter(|_| joint.relevant)?;
    Some(
        about_station(product, worst)
            .unwrap_or_else(|| about_cause(product, joint.since.group, &joint.together_with)),
    )
}

/// Series that a movement worth an action tells of: they are folded behind it.
pub(super) fn folded(product: &ProductDrift) -> HashSet<usize> {
    let relevant = product.movements.iter().filter(|joint| joint.relevant);
    relevant.flat_map(|joint| &joint.series).map(|moved| moved.series).collect()
}

/// Appends the movements of a product: those worth an action in full, the others in a line each.
pub(super) fn push(text: &mut String, product: &ProductDrift, style: Style) {
    let (relevant, harmless): (Vec<_>, Vec<_>) = product.movements.iter().partition(|joint| joint.relevant);
    if !relevant.is_empty() {
        text.push_str(&format!("  {}\n", paint(&format!("Movements, {ORDER}"), palette::STRONG, style)));
    }
    for (number, joint) in relevant.iter().enumerate() {
        let told = told(product, joint);
        let verdict = Verdict::worst(members(product, joint).map(|series| series.verdict));
        let verdict = verdict.unwrap_or(Verdict::NotJudged);
        let name = format!("{}. {}", number + 1, phrase(verdict));
        push_sentence(text, 2, &name, palette::of(verdict), &terminal(&told.head), style);
        push_words(text, 5, anstyle::Style::new(), &terminal(&told.which), style);
        for (name, line) in told.named() {
            push_words(text, 5, anstyle::Style::new(), &terminal(&format!("{name}: {line}")), style);
        }
        if let Some(advice) = told.to_do {
            push_words(text, 5, palette::REMEDY, &terminal(&format!("to do: {advice}")), style);
        }
    }
    push_harmless(text, product, &harmless, style);
}

fn push_harmless(text: &mut String, product: &ProductDrift, harmless: &[&JointMovement], style: Style) {
    if harmless.is_empty() {
        return;
    }
    text.push_str("\n  Moved, and not by what matters\n");
    for joint in harmless.iter().take(HARMLESS) {
        let told = told(product, joint);
        let line = format!("{}; {}; most: {}", told.head, told.which, told.worst);
        push_words(text, 4, anstyle::Style::new(), &terminal(&line), style);
    }
    if harmless.len() > HARMLESS {
        text.push_str(&format!("    and {} more\n", harmless.len() - HARMLESS));
    }
}

#[cfg(test)]
mod tests {
    use super::super::sample_drift;
    use super::*;
    use crate::drift::{Range, Since};

    fn joint(product: &ProductDrift, places: &[usize]) -> JointMovement {
        let moved = |place: &usize| {
            let SeriesOutcome { corner, quantity, unit, .. } = product.series[*place].clone();
            Moved {
                series: *place,
                corner,
                quantity,
                unit,
                size: Range::default(),
                relevant: true,
                share_eaten: 0.2,
            }
        };
        let each = |name: fn(&SeriesOutcome) -> &String| {
            let mut names: Vec<String> = Vec::new();
            for place in places {
                let name = name(&product.series[*place]);
                if !names.contains(name) {
                    names.push(name.clone());
                }
            }
            names
        };
        JointMovement {
            kind: Kind::Step,
            probability: 0.9,
            since: Since { group: 3, low: 3, high: 3 },
            series: places.iter().map(moved).collect(),
            corners: each(|series| &series.corner),
            quantities: each(|series| &series.quantity),
            relevant: true,
            share_eaten: 0.2,
            nearest: None,
            together_with: Vec::new(),
            parts: None,
            message: String::new(),
        }
    }

    /// Two quantities at two corners each, and each at a corner of its own.
    #[test]
    fn all_corners_are_said_only_where_each_quantity_moved_at_all_of_them() {
        let mut product = sample_drift::creeping();
        let first = product.series.remove(0);
        let of = |corner: &str, quantity: &str| {
            let (corner, quantity) = (corner.to_owned(), quantity.to_owned());
            SeriesOutcome { corner, quantity, ..first.clone() }
        };
        product.series = ["nom", "hot"]
            .into_iter()
            .flat_map(|corner| ["phase_margin_deg", "gain_margin_db"].map(|quantity| of(corner, quantity)))
            .collect();
        let told = |places: &[usize]| which(&product, &joint(&product, places));
        assert_eq!(told(&[0, 1, 2, 3]), "4 series: phase margin and gain margin at all 2 corners");
        assert_eq!(told(&[0, 3]), "2 series: phase margin at nom and gain margin at hot");
        assert_eq!(
            told(&[3, 0, 1]),
            "3 series: phase margin at nom, gain margin at nom and gain margin at hot"
        );
        product.series.extend(["phase_margin_deg", "gain_margin_db"].map(|quantity| of("cold", quantity)));
        assert_eq!(
            which(&product, &joint(&product, &[0, 1, 2, 3, 4])),
            "5 series: phase margin and gain margin at 3 corners, not each at all of them"
        );
    }
}
