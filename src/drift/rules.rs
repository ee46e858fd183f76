//! The rules held against one series: chart, forecast, capability; and what is told beside them.

use super::ahead::forecast_rule;
use super::judge::{SeriesKey, Settings};
use super::movement::{Kind, Movement, Observation, Told, movement};
use super::together::together;
use super::watch::{Watch, filled};
use super::words::{self, quantity_title};
use super::{
    Ability, Capability, ChartRun, GroupStats, Line, Lots, Population, Range, Reach, ReferenceSeries,
    RuleOutcome, Running, Series, SeriesOutcome, Signal, Slope, Trend, share_within_lots,
};
use crate::decision::Verdict;

/// A group with a mean: its place among the groups, and what was gathered.
pub(super) type Filled<'a> = (usize, f64, &'a GroupStats);

/// Holds the rules of a product against its series, one after the other.
pub(super) struct Rules<'a> {
    settings: &'a Settings,
    population: &'a Population,
    watch: Watch<'a>,
}

impl<'a> Rules<'a> {
    pub(super) fn new(settings: &'a Settings, population: &'a Population, watch: Watch<'a>) -> Self {
        Self { settings, population, watch }
    }

    pub(super) fn judge(&mut self, key: SeriesKey, series: &Series) -> SeriesOutcome {
        let filled = filled(series);
        let (chart, signals) = self.watch.run(&filled, key.unit).unzip();
        let signals = signals.unwrap_or_default();
        let told = self.movement(&filled, &key);
        let (moved, forecast) = told.map(|told| (told.movement, told.forecast)).unzip();
        let forecast = forecast.flatten();
        let units = series.all.moments();
        let lots = Lots::of(&series.groups);
        let capability =
            units.as_ref().and_then(|units| Capability::of_lots(units, lots.as_ref(), &key.limit));
        let share = units.as_ref().and_then(|units| share_within_lots(units, lots.as_ref(), &key.limit));
        let facts = Facts {
            key: &key,
            filled: &filled,
            chart: chart.as_ref(),
            signals: &signals,
            movement: moved.as_ref(),
            forecast,
            capability,
            lots,
            units: series.all.count(),
        };
        let rules = self.rules(&facts);
        let verdict = Verdict::worst(rules.iter().map(|rule| rule.verdict)).unwrap_or(Verdict::NotJudged);
        let message = rules
            .iter()
            .find(|rule| rule.verdict == verdict)
            .map_or_else(|| "not judged: the spec asks for no rule".to_owned(), |rule| rule.message.clone());
        let references = self.references(series);
        SeriesOutcome {
            corner: key.corner,
            quantity: key.quantity,
            unit: key.unit,
            limit: key.limit,
            verdict,
            groups: series.groups.clone(),
            chart,
            signals,
            trend: moved.as_ref().map(|moved| present_slope(moved, &filled)),
            movement: moved,
            forecast,
            capability: capability.map(|Capability { ppk, low }| Ability {
                ppk,
                low,
                units: series.all.count(),
                share,
                lots,
            }),
            references,
            rules,
            message,
        }
    }
}

/// What the rules of one series are judged by.
pub(super) struct Facts<'a> {
    pub(super) key: &'a SeriesKey,
    pub(super) filled: &'a [Filled<'a>],
    chart: Option<&'a ChartRun>,
    pub(super) signals: &'a [Signal],
    pub(super) movement: Option<&'a Movement>,
    pub(super) forecast: Option<Reach>,
    capability: Option<Capability>,
    lots: Option<Lots>,
    units: u64,
}

/// The slope of a movement, with that of least squares beside it.
fn present_slope(movement: &Movement, filled: &[Filled<'_>]) -> Slope {
    let points: Vec<(f64, f64)> = filled.iter().map(|(place, mean, _)| (*place as f64, *mean)).collect();
    let Range { value, low, high } = movement.slope;
    Slope {
        per_group: value,
        low,
        high,
        level: movement.level.value,
        least_squares: Line::of(&points).map_or(value, |line| line.slope),
    }
}

fn slope(trend: &Trend) -> Slope {
    Slope {
        per_group: trend.per_group,
        low: trend.low,
        high: trend.high,
        level: trend.level_at_newest,
        least_squares: trend.least_squares.per_group,
    }
}

impl Rules<'_> {
    fn rules(&self, facts: &Facts<'_>) -> Vec<RuleOutcome> {
        let Some(drift) = self.settings.drift else { return Vec::new() };
        let mut rules = Vec::new();
        if self.settings.chart().is_some() {
            rules.push(self.chart_rule(facts));
        }
        if let Some(groups) = drift.forecast_groups {
            rules.push(forecast_rule(facts, groups, self.population));
        }
        if let Some(min) = drift.capability_min {
            rules.push(capability_rule(facts, min));
        }
        rules
    }

    /// What explains a signal of that group.
    fn why_explained(&self, group: usize) -> &'static str {
        let names = self.population.groups.get(group).map_or(&[][..], |head| head.stations.as_slice());
        if names.contains(&None) {
            "no station is named there, so each run may have come from another one, whose accuracy explains as much: write \
             `station` in run.yaml"
        } else {
            "other stations measured there than before, and their accuracy explains as much"
        }
    }

    fn chart_rule(&self, facts: &Facts<'_>) -> RuleOutcome {
        let rule = |verdict, message| RuleOutcome { rule: "chart", verdict, message };
        let title = quantity_title(&facts.key.quantity);
        let Some(chart) = facts.chart else {
            let (have, need) = (facts.filled.len(), self.settings.setup());
            return rule(
                Verdict::NotJudged,
                format!(
                    "not judged: {} with values, the first {need} set the centre line and more are needed to watch",
                    words::count(have as u64, "group")
                ),
            );
        };
        let label = |group: usize| self.population.groups.get(group).map_or("", |head| head.label.as_str());
        let beyond = |signals: &[&Signal]| {
            let mut groups: Vec<usize> = signals.iter().map(|signal| signal.group).collect();
            groups.dedup();
            groups.len() as u64
        };
        let harmful: Vec<&Signal> =
            facts.signals.iter().filter(|signal| !is_harmless(signal, facts, chart)).collect();
        let shown: Vec<&Signal> =
            harmful.iter().copied().filter(|signal| !signal.explained_by_station).collect();
        let show = |value: f64| words::value(value, chart.sigma, facts.key.unit);
        if let (None, Some(first)) = (harmful.first(), facts.signals.first()) {
            let message = format!(
                "{title} moved, but is shown to do no harm: in {} {}{}",
                label(first.group),
                first.message,
                facts.movement.map(|moved| harmless_text(moved, facts)).unwrap_or_default()
            );
            return rule(Verdict::Pass, message);
        }
        match (shown.first(), harmful.first()) {
            (Some(first), _) => rule(
                Verdict::Fail,
                format!(
                    "{title} drifts: in {} {}; beyond the limits in {} of {} watched",
                    label(first.group),
                    first.message,
                    words::count(beyond(&shown), "group"),
                    chart.points.len()
                ),
            ),
            (None, Some(first)) => rule(
                Verdict::Undecided,
                format!(
                    "{title} moved: in {} {}; but {}",
                    label(first.group),
                    first.message,
                    self.why_explained(first.group)
                ),
            ),
            (None, None) => rule(
                Verdict::Pass,
                format!(
                    "{title} {}: {} watched, none beyond the limits about {} (spread of the means {})",
                    stays_text(facts.movement),
                    words::count(chart.points.len() as u64, "group"),
                    show(chart.center),
                    show(chart.sigma)
                ),
            ),
        }
    }

    /// What the series did, with what changed at the group where it began.
    fn movement(&self, filled: &[Filled<'_>], key: &SeriesKey) -> Option<Told> {
        let stations = |group: usize| self.population.groups.get(group).map(|head| &head.stations);
        let mut before = None;
        let observations: Vec<Observation> = filled
            .iter()
            .filter_map(|(place, _, group)| {
                let now = stations(*place);
                let new_station = before.replace(now).is_some_and(|before| before != now);
                Some(Observation { new_station, ..Observation::of(*place, group)? })
            })
            .collect();
        let setup = filled.get(..self.settings.setup().min(filled.len())).unwrap_or(filled);
        let centre = setup.iter().map(|(_, mean, _)| mean).sum::<f64>() / setup.len().max(1) as f64;
        let relevant = self.settings.drift.and_then(|drift| drift.relevant_for(&key.quantity, centre));
        let mut told = movement(&observations, &key.limit, relevant)?;
        let heads = told.movement.since.and_then(|since| {
            let before = filled.iter().rev().find(|(place, ..)| *place < since.group)?.0;
            self.population.groups.get(before).zip(self.population.groups.get(since.group))
        });
        told.movement.together_with =
            heads.map(|(before, after)| together(before, after)).unwrap_or_default();
        Some(told)
    }

    fn references(&self, series: &Series) -> Vec<ReferenceSeries> {
        let units = self.population.references.iter().zip(&series.references);
        units
            .filter_map(|((serial, station), values)| {
                let mut moments = Running::default();
                values.iter().for_each(|value| moments.add(*value));
                let points: Vec<Option<f64>> = values.iter().copied().map(Some).collect();
                Some(ReferenceSeries {
                    serial: serial.clone(),
                    station: station.clone(),
                    records: moments.count(),
                    mean: moments.mean()?,
                    sd: moments.sd(),
                    trend: Trend::of(&points).as_ref().map(slope),
                })
            })
            .collect()
    }
}

/// What a series does whose chart sees nothing.
fn stays_text(movement: Option<&Movement>) -> &'static str {
    match movement {
        Some(moved) if moved.since.is_some() => "moves, unseen by the chart",
        Some(moved) if moved.perhaps.is_some() => {
            "may have moved or only wander, as means do that go along with the group before, which more groups will tell"
        }
        _ => "stays",
    }
}

/// Whether a signal is only a finding: the group, and all that moved, lie where no limit is, or are shown to be too small for an action.
fn is_harmless(signal: &Signal, facts: &Facts<'_>, chart: &ChartRun) -> bool {
    let place = facts.filled.binary_search_by_key(&signal.group, |(group, ..)| *group).ok();
    let mean = place.and_then(|place| facts.filled.get(place)).map(|(_, mean, _)| *mean);
    let harmless = |mean: f64| {
        facts
            .movement
            .is_some_and(|moved| moved.is_harmless(mean - chart.center, chart.center, &facts.key.limit))
    };
    mean.is_some_and(harmless)
}

/// `; it changed by 0.1 deg (0.05 deg to 0.14 deg), from 2.2 deg on it is worth an action`
fn harmless_text(moved: &Movement, facts: &Facts<'_>) -> String {
    let Range { value, low, high } = moved.size;
    let show = |value: f64| words::value(value, 0.5 * (high - low), facts.key.unit);
    let size = match moved.kind {
        Kind::None => "the level stays".to_owned(),
        Kind::Step | Kind::Ramp => format!("it changed by {} ({} to {})", show(value), show(low), show(high)),
    };
    let least = moved
        .threshold
        .map(|least| format!(", from {} towards a limit on it is worth an action", show(least)));
    format!("; {size}{}", least.unwrap_or_default())
}

fn capability_rule(facts: &Facts<'_>, min: f64) -> RuleOutcome {
    let rule = |verdict, message| RuleOutcome { rule: "capability", verdict, message };
    let title = quantity_title(&facts.key.quantity);
    let Some(ability) = facts.capability else {
        return rule(
            Verdict::NotJudged,
            "not judged: a capability needs two units or more that are not all alike".to_owned(),
        );
    };
    rule(
        ability.verdict(min),
        format!(
            "Ppk of {title} is {:.2}, with 95 % confidence at least {:.2}, over {}{}; wanted {min} or more",
            ability.ppk,
            ability.low,
            words::count(facts.units, "unit"),
            words::alike(facts.lots.as_ref()),
        ),
    )
}
