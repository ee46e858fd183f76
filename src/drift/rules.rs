//! The rules held against one series: chart, forecast, capability; and what is told beside them.

use super::chart_rule::chart_rule;
use super::coincidence::inside;
use super::control_charts::{Watch, filled};
use super::facts::{Facts, Filled, SeriesKey, Settings};
use super::forecast_rule::forecast_rule;
use super::movement::{Movement, Observation, Told, movement};
use super::newest_level::standing;
use super::stations::Stations;
use super::wording::{self, quantity_title};
use super::{
    Ability, Capability, Line, Lots, Population, Range, ReferenceMove, ReferenceSeries, RuleOutcome, Running,
    Series, SeriesOutcome, Slope, Trend, share_within_lots,
};
use crate::decision::{Limit, Verdict};
use crate::quantity::count_of;

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
        let compared = series.compared();
        let groups = compared.as_deref().unwrap_or(&series.groups);
        let filled = filled(groups);
        let (chart, signals) = self.watch.run(&filled, &series.stations, key.unit).unzip();
        let mut signals = signals.unwrap_or_default();
        let told = self.movement(&filled, &series.stations, &key);
        let (moved, forecast) = told.map(|told| (told.movement, told.forecast)).unzip();
        let forecast = forecast.flatten();
        signals.iter_mut().for_each(|signal| {
            signal.wanders = moved.as_ref().is_some_and(|moved| moved.explains(signal.group))
        });
        let units = series.all.moments();
        let now =
            moved.as_ref().zip(units.as_ref()).and_then(|(moved, units)| standing(moved, groups, units));
        let lots = now.as_ref().map_or_else(|| Lots::of(groups), |now| now.lots);
        let known = now.as_ref().map_or(lots, |now| Some(now.known));
        let units = now.as_ref().map(|now| now.units).or(units);
        let capability =
            units.as_ref().and_then(|units| Capability::of_lots(units, known.as_ref(), &key.limit));
        let share = units.as_ref().and_then(|units| share_within_lots(units, known.as_ref(), &key.limit));
        let facts = Facts {
            key: &key,
            groups: &series.groups,
            filled: &filled,
            chart: chart.as_ref(),
            signals: &signals,
            level: filled.last().map_or(0.0, |(newest, ..)| self.watch.level(*newest)),
            movement: moved.as_ref(),
            forecast,
            capability,
            lots,
            stations: &series.stations,
            taken_out: now.is_some(),
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
                taken_out: now.is_some(),
            }),
            references,
            rules,
            message,
        }
    }
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

/// What the values of a reference unit did, each a group of its own: no limit is theirs.
fn reference_move(values: &[f64]) -> Option<ReferenceMove> {
    let records = values.iter().enumerate();
    let observations: Vec<Observation> = records
        .map(|(place, &mean)| Observation { place, mean, units: 1, sd: None, new_station: false })
        .collect();
    let moved = movement(&observations, &Limit { min: None, max: None }, None)?.movement;
    Some(ReferenceMove {
        kind: moved.kind,
        probability: 1.0 - moved.probability.none,
        since: moved.since.map(|since| since.group as u64 + 1),
        size: moved.size,
    })
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
            rules.push(chart_rule(facts, self.settings, self.population));
        }
        if let Some(groups) = drift.forecast_groups {
            rules.push(forecast_rule(facts, groups, self.population));
        }
        if let Some(min) = drift.capability_min {
            rules.push(capability_rule(facts, min));
        }
        rules
    }

    /// What the series did, with what changed at the group where it began.
    fn movement(&self, filled: &[Filled<'_>], stations: &Stations, key: &SeriesKey) -> Option<Told> {
        let mut before = None;
        let observations: Vec<Observation> = filled
            .iter()
            .filter_map(|(place, _, group)| {
                let new_station =
                    before.replace(*place).is_some_and(|before| stations.is_unknown(before, *place));
                Some(Observation { new_station, ..Observation::of(*place, group)? })
            })
            .collect();
        let setup = filled.get(..self.settings.setup().min(filled.len())).unwrap_or(filled);
        let centre = setup.iter().map(|(_, mean, _)| mean).sum::<f64>() / setup.len().max(1) as f64;
        let relevant = self.settings.drift.and_then(|drift| drift.relevant_for(&key.quantity, centre));
        let mut told = movement(&observations, &key.limit, relevant)?;
        // Explanations count from the newest group that has a value, a forecast from the newest of all.
        let newest = self.population.groups.len().saturating_sub(1);
        let missing = filled.last().map_or(0, |(last, ..)| newest.saturating_sub(*last));
        told.forecast = told.forecast.map(|forecast| forecast.later(missing as f64));
        let places: Vec<usize> = filled.iter().map(|(place, ..)| *place).collect();
        told.movement.together_with = told
            .movement
            .since
            .map(|since| inside(&self.population.groups, &places, since))
            .unwrap_or_default();
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
                    moved: reference_move(values),
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
            "Ppk of {title}{} is {:.2}, with 95 % confidence at least {:.2}, over {}{}; wanted {min} or more",
            if facts.taken_out { " where it stands now, what moved taken out," } else { "" },
            ability.ppk,
            ability.low,
            count_of(facts.units, "unit"),
            wording::alike(facts.lots.as_ref()),
        ),
    )
}
