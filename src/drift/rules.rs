//! The rules held against one series: chart, forecast, capability; and what is told beside them.

use super::ahead::forecast_rule;
use super::chart::{Point, Setup};
use super::judge::{SeriesKey, Settings};
use super::step::step;
use super::together::together;
use super::watch::{Watch, harmonic_units, spread_of_units};
use super::words::{self, quantity_title};
use super::{
    Ability, Capability, ChartRun, Forecast, GroupStats, Lots, Population, Reach, ReferenceSeries,
    RuleOutcome, Running, Series, SeriesOutcome, Signal, Slope, StepFound, Trend, share_within_lots,
};
use crate::decision::Verdict;

/// A group with a mean: its place among the groups, and what was gathered.
pub(super) type Filled<'a> = (usize, f64, &'a GroupStats);

/// Groups that a step is looked for in: of more, the newest. What stepped before them is history, and the search takes the square
/// of their number.
const MOST_GROUPS_FOR_A_STEP: usize = 500;

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
        let filled: Vec<Filled<'_>> = series
            .groups
            .iter()
            .enumerate()
            .filter_map(|(index, group)| Some((index, group.mean?, group)))
            .collect();
        let (chart, signals) = self.watch.run(&filled, key.unit).unzip();
        let signals = signals.unwrap_or_default();
        let means: Vec<Option<f64>> = series.groups.iter().map(|group| group.mean).collect();
        let trend = Trend::of(upto_newest(&means));
        let forecast = trend.and_then(|trend| Forecast::of(&trend, &key.limit));
        let units = series.all.moments();
        let lots = Lots::of(&series.groups);
        let capability =
            units.as_ref().and_then(|units| Capability::of_lots(units, lots.as_ref(), &key.limit));
        let share = units.as_ref().and_then(|units| share_within_lots(units, lots.as_ref(), &key.limit));
        let step = self.step(&filled, trend.as_ref());
        let facts = Facts {
            step: step.as_ref(),
            key: &key,
            filled: &filled,
            chart: chart.as_ref(),
            signals: &signals,
            trend,
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
            trend: trend.as_ref().map(slope),
            forecast: forecast.map(reach),
            capability: capability.map(|Capability { ppk, low }| Ability {
                ppk,
                low,
                units: series.all.count(),
                share,
                lots,
            }),
            step,
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
    pub(super) step: Option<&'a StepFound>,
    pub(super) trend: Option<Trend>,
    pub(super) forecast: Option<Forecast>,
    capability: Option<Capability>,
    lots: Option<Lots>,
    units: u64,
}

/// The groups up to the newest that has a value: from it on a forecast counts.
fn upto_newest(means: &[Option<f64>]) -> &[Option<f64>] {
    let end = means.iter().rposition(Option::is_some).map_or(0, |last| last + 1);
    means.get(..end).unwrap_or(means)
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

fn reach(forecast: Forecast) -> Reach {
    let Forecast { reaches, in_groups, low, high } = forecast;
    Reach { limit: reaches, in_groups, low: Some(low), high }
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
        let shown: Vec<&Signal> =
            facts.signals.iter().filter(|signal| !signal.explained_by_station).collect();
        let show = |value: f64| words::value(value, chart.sigma, facts.key.unit);
        let all: Vec<&Signal> = facts.signals.iter().collect();
        match (shown.first(), all.first()) {
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
                    "{title} stays: {} watched, none beyond the limits about {} (spread of the means {})",
                    words::count(chart.points.len() as u64, "group"),
                    show(chart.center),
                    show(chart.sigma)
                ),
            ),
        }
    }

    /// The most likely step of the level; `None` where a straight line through the means leaves less scatter: then it drifts.
    fn step(&self, filled: &[Filled<'_>], trend: Option<&Trend>) -> Option<StepFound> {
        let filled = filled.get(filled.len().saturating_sub(MOST_GROUPS_FOR_A_STEP)..)?;
        let means: Vec<f64> = filled.iter().map(|(_, mean, _)| *mean).collect();
        let setup = Setup::new(&means)?;
        let (within, units) = (spread_of_units(filled), harmonic_units(filled));
        let points: Vec<Point> = filled
            .iter()
            .map(|(_, mean, group)| {
                let size = usize::try_from(group.units).unwrap_or(usize::MAX);
                Point { value: *mean, sigma: setup.sigma_of_group(within, size, units) }
            })
            .collect();
        let found = step(&points)?;
        let newest = filled.last()?.0 as f64;
        let about_line = trend.filter(|trend| trend.excludes_zero()).map(|trend| {
            let squares = filled.iter().zip(&points).map(|((x, mean, _), point)| {
                let line = trend.level_at_newest + trend.per_group * (*x as f64 - newest);
                ((mean - line) / point.sigma).powi(2)
            });
            (squares.sum::<f64>() / (points.len() as f64 - 2.0)).sqrt()
        });
        if about_line.is_some_and(|scatter| scatter <= found.scatter) {
            return None;
        }
        let before = filled.get(found.index.checked_sub(1)?)?.0;
        let after = filled.get(found.index)?.0;
        let heads = self.population.groups.get(before).zip(self.population.groups.get(after));
        Some(StepFound {
            group: after,
            size: found.size,
            standard_error: found.error,
            chance: found.chance,
            together_with: heads.map(|(before, after)| together(before, after)).unwrap_or_default(),
        })
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
