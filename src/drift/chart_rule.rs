//! The rule of the chart: one verdict of what the chart signals and of what the movement is.
//!
//! | what is seen | verdict |
//! | --- | --- |
//! | no more groups than set the chart up | not judged |
//! | signals, each of a group and a movement that are shown to do no harm | passes, with the finding |
//! | signals of means that more likely go along with the group before than moved | undecided |
//! | signals that another station's accuracy explains | undecided |
//! | other signals | fails |
//! | no signal, but a movement worth an action that is as certain as a signal | fails; undecided where the accuracy of other stations explains as much |
//! | none of these | passes |
//! | what would pass, where of the newest group half of the units or more have a lower bound only | undecided |

use super::facts::{Facts, Settings};
use super::movement::{Kind, Movement};
use super::unit_spread::spread_change;
use super::wording::{self, bounds_left_out, newest_is_hidden, quantity_title};
use super::{ChartRun, Population, Range, RuleOutcome, Signal};
use crate::decision::Verdict;
use crate::quantity::count_of;

/// Holds the chart and the movement of a series.
pub(super) fn chart_rule(facts: &Facts<'_>, settings: &Settings, population: &Population) -> RuleOutcome {
    let title = quantity_title(&facts.key.quantity);
    let (verdict, text) = match facts.chart {
        Some(chart) => Charted { facts, chart, population }.told(&title),
        None => {
            let (have, need) = (count_of(facts.filled.len() as u64, "group"), settings.setup());
            let text = format!(
                "not judged: {have} with values, the first {need} set the centre line and more are needed to watch"
            );
            (Verdict::NotJudged, text)
        }
    };
    RuleOutcome { rule: "chart", verdict, message: text }
}

struct Charted<'a> {
    facts: &'a Facts<'a>,
    chart: &'a ChartRun,
    population: &'a Population,
}

impl Charted<'_> {
    /// The verdict, with what else is to be known of the means that are watched.
    fn told(&self, title: &str) -> (Verdict, String) {
        let (mut verdict, mut text) = self.verdict(title);
        text.push_str(&self.spread().unwrap_or_default());
        if let Some(bounds) = bounds_left_out(self.facts.groups) {
            text.push_str(&format!("; {bounds}"));
            let hidden = newest_is_hidden(self.facts.groups).filter(|_| verdict == Verdict::Pass);
            if let Some(group) = hidden {
                verdict = Verdict::Undecided;
                text.push_str(&format!(
                    "; {} has too many of them to tell where it stands",
                    self.label(group)
                ));
            }
        }
        (verdict, text)
    }

    /// What is said beside a signal where the spread from unit to unit changed.
    fn spread(&self) -> Option<String> {
        let first = self.facts.signals.first()?.group;
        // A movement that is placed behind what the chart shows is placed badly.
        let since = self.facts.movement.and_then(|moved| moved.since).map(|since| since.group);
        let at = since.filter(|since| *since <= first).unwrap_or(first);
        let change = spread_change(self.facts.filled, at)?;
        let show = |value: f64| wording::value(value, 0.1 * value, self.facts.key.unit);
        Some(format!(
            "; since {} the units of a group scatter by {}, {} before: look for what scatters, too",
            self.label(at),
            show(change.since),
            show(change.before)
        ))
    }

    fn verdict(&self, title: &str) -> (Verdict, String) {
        let harmful: Vec<&Signal> =
            self.facts.signals.iter().filter(|signal| !self.is_harmless(signal)).collect();
        let shown: Vec<&Signal> = harmful
            .iter()
            .copied()
            .filter(|signal| !signal.explained_by_station && !signal.wanders)
            .collect();
        if let Some(first) = shown.first() {
            return (Verdict::Fail, self.drifts(title, first, &shown));
        }
        let by_station = harmful.iter().any(|signal| signal.explained_by_station);
        let certain = |moved: &&Movement| !by_station && moved.signals(self.facts.level);
        if let Some(moved) = self.facts.movement.filter(certain) {
            return self.moves(title, moved);
        }
        if let Some(first) = harmful.first() {
            let label = self.label(first.group);
            let text = format!("{title} moved: in {label} {}; but {}", first.message, self.why(first));
            return (Verdict::Undecided, text);
        }
        let text = match self.facts.signals.first() {
            Some(first) => self.harmless_text(title, first),
            None => self.stays(title),
        };
        (Verdict::Pass, text)
    }

    fn label(&self, group: usize) -> &str {
        self.population.groups.get(group).map_or("", |head| head.label.as_str())
    }

    fn drifts(&self, title: &str, first: &Signal, shown: &[&Signal]) -> String {
        let mut groups: Vec<usize> = shown.iter().map(|signal| signal.group).collect();
        groups.dedup();
        format!(
            "{title} drifts: in {} {}; beyond the limits in {} of {} watched",
            self.label(first.group),
            first.message,
            count_of(groups.len() as u64, "group"),
            self.chart.points.len()
        )
    }

    /// What the movement says where the chart by itself says nothing.
    fn moves(&self, title: &str, moved: &Movement) -> (Verdict, String) {
        let since = moved.since.map_or(0, |since| since.group);
        let text = format!(
            "{title} drifts: it {} since {}, as certain as a signal of the chart, which shows none by itself",
            size_text(moved, self.facts),
            self.label(since)
        );
        if self.stations_leave(moved) {
            return (
                Verdict::Undecided,
                format!(
                    "{text}; but other stations measured there than before, and their accuracy explains as much"
                ),
            );
        }
        (Verdict::Fail, text)
    }

    /// Whether what moved is no more than stations and its own interval leave open, wherever inside that of its beginning it began.
    fn stations_leave(&self, moved: &Movement) -> bool {
        let Some(since) = moved.since else { return false };
        let doubt = |first: usize| {
            let (after, before): (Vec<usize>, Vec<usize>) =
                self.facts.filled.iter().map(|(group, ..)| *group).partition(|group| *group >= first);
            self.facts.stations.doubt(&after, &before)
        };
        let (doubt, half) = (
            (since.low..=since.high).map(doubt).fold(0.0, f64::max),
            0.5 * (moved.size.high - moved.size.low),
        );
        doubt > 0.0 && moved.size.value.abs() <= doubt.hypot(half)
    }

    /// What explains a signal.
    fn why(&self, signal: &Signal) -> &'static str {
        if signal.wanders && !signal.explained_by_station {
            return "means that go along with the group before wander as far by themselves, which is as likely here; more groups will \
                    tell";
        }
        let names = self.population.groups.get(signal.group).map_or(&[][..], |head| head.stations.as_slice());
        if names.contains(&None) {
            "no station is named there, so each run may have come from another one, whose accuracy explains as much: write \
             `station` in run.yaml"
        } else {
            "other stations measured there than before, and their accuracy explains as much"
        }
    }

    fn stays(&self, title: &str) -> String {
        let show = |value: f64| wording::value(value, self.chart.sigma, self.facts.key.unit);
        format!(
            "{title} {}: {} watched, none beyond the limits about {} (spread of the means {})",
            stays_text(self.facts.movement),
            count_of(self.chart.points.len() as u64, "group"),
            show(self.chart.center),
            show(self.chart.sigma)
        )
    }

    /// Whether a signal is only a finding: the group, and all that moved, lie where no limit is, or are shown to be too small for an action.
    fn is_harmless(&self, signal: &Signal) -> bool {
        let facts = self.facts;
        let place = facts.filled.binary_search_by_key(&signal.group, |(group, ..)| *group).ok();
        let mean = place.and_then(|place| facts.filled.get(place)).map(|(_, mean, _)| *mean);
        let center = self.chart.center;
        let harmless = |mean: f64| {
            facts.movement.is_some_and(|moved| moved.is_harmless(mean - center, center, &facts.key.limit))
        };
        mean.is_some_and(harmless)
    }

    /// `…; it changed by 0.1 deg (0.05 deg to 0.14 deg), from 2.2 deg on it is worth an action`
    fn harmless_text(&self, title: &str, first: &Signal) -> String {
        let facts = self.facts;
        let told = facts.movement.map(|moved| {
            let size = match moved.kind {
                Kind::None => "the level stays".to_owned(),
                Kind::Step | Kind::Ramp => format!("it {}", size_text(moved, facts)),
            };
            let show =
                |value: f64| wording::value(value, 0.5 * (moved.size.high - moved.size.low), facts.key.unit);
            let least = moved
                .threshold
                .map(|least| format!(", from {} towards a limit on it is worth an action", show(least)));
            format!("; {size}{}", least.unwrap_or_default())
        });
        format!(
            "{title} moved, but is shown to do no harm: in {} {}{}",
            self.label(first.group),
            first.message,
            told.unwrap_or_default()
        )
    }
}

/// `changed by 0.1 deg (0.05 deg to 0.14 deg)`
fn size_text(moved: &Movement, facts: &Facts<'_>) -> String {
    let Range { value, low, high } = moved.size;
    let show = |value: f64| wording::value(value, 0.5 * (high - low), facts.key.unit);
    format!("changed by {} ({} to {})", show(value), show(low), show(high))
}

/// What a series does whose chart sees nothing.
fn stays_text(movement: Option<&Movement>) -> &'static str {
    match movement {
        Some(moved) if moved.since.is_some() && moved.relevant => {
            "may have moved, less certain than a signal"
        }
        Some(moved) if moved.since.is_some() => "moved, but not by what is worth an action towards a limit",
        Some(moved) if moved.perhaps.is_some() => {
            "may have moved or only wander, as means do that go along with the group before, which more groups will tell"
        }
        _ => "stays",
    }
}
