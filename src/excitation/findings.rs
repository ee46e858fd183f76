//! What the levels of a corner show, one sentence each.

use super::flat_pair::FlatPair;
use super::level_pair::Quantity;
use super::noise_limits::{Headroom, Noisy};
use super::outcome::LevelsOutcome;
use super::point::{NoiseAt, SurveyPoint};
use super::strongest_level::Break;
use super::tried::Tried;
use crate::check::{SAME_LEVEL_DB, frequency_text};
use crate::coverage;
use crate::curve::Span;
use crate::quantity::number;
use crate::spec::Band;

/// Ranges that one sentence lists; more are counted.
const LISTED: usize = 3;

/// Steps between the strongest unchanged level and the first changed one from which a third between them has a step of room
/// on both sides.
const WIDE_STEPS: f64 = 2.0;

/// All sentences: what was left out, what breaks first, where there is no profile, where noise is too much.
pub(super) fn findings(
    outcome: &LevelsOutcome,
    tried: &[Tried<'_>],
    band: Option<Band>,
    copies: &[String],
) -> Vec<String> {
    let words = Words { outcome };
    let mut found: Vec<String> = copies
        .iter()
        .map(|files| {
            format!("{files} holds the numbers of another sweep, to the last digit: a copy shows nothing and is left out")
        })
        .collect();
    for (level, tried) in outcome.levels.iter().zip(tried) {
        if !tried.sweep.noise.is_known() {
            found.push(format!(
                "the noise of {} is not known, it has too few points: it is not compared",
                level.level
            ));
        }
    }
    let span = band.map(|b| Span { from: b.from.hz().ln(), to: b.to.hz().ln() });
    if let (Some(weakest), Some(span)) = (tried.first(), span)
        && let Some(gap) = coverage::gap(&weakest.sweep.curve, span, None)
    {
        found.push(format!("the weakest level does not cover the band: {gap}; there is no profile beyond"));
    }
    found.extend(words.flat_pair());
    found.extend(words.first_break());
    found.extend(words.not_broken());
    found.extend(words.between());
    found.extend(words.dead_zone());
    found.extend(words.profile_in_dead_zone());
    found.extend(words.changed_throughout());
    found.extend(words.unclear());
    for headroom in [Headroom::Untried, Headroom::Slope, Headroom::None] {
        found.extend([true, false].into_iter().filter_map(|has_profile| words.noisy(headroom, has_profile)));
    }
    found
}

struct Words<'a> {
    outcome: &'a LevelsOutcome,
}

impl Words<'_> {
    fn points(&self) -> &[SurveyPoint] {
        &self.outcome.survey.points
    }

    fn level(&self, i: usize) -> &str {
        self.outcome.levels.get(i).map_or("", |level| level.level.as_str())
    }

    /// Where points are of a kind; `None` when none is.
    fn where_(&self, is: impl Fn(&SurveyPoint) -> bool) -> Option<String> {
        let mut ranges: Vec<[f64; 2]> = Vec::new();
        let mut open = false;
        for point in self.points() {
            let hz = point.frequency_hz;
            match ranges.last_mut() {
                Some(range) if is(point) && open => range[1] = hz,
                _ if is(point) => ranges.push([hz, hz]),
                _ => {}
            }
            open = is(point);
        }
        ranges_text(ranges)
    }

    /// The weakest level that changes something, where, and the worst of it.
    fn first_break(&self) -> Option<String> {
        let first = self.points().iter().filter_map(|p| p.breaks).map(|b| b.level).min()?;
        let breaks_here = |p: &SurveyPoint| p.breaks.is_some_and(|b| b.level == first);
        let ranges = self.where_(breaks_here)?;
        let worst = self
            .points()
            .iter()
            .filter_map(|p| Some((p.frequency_hz, p.breaks.filter(|b| b.level == first)?)))
            .max_by(|a, b| a.1.cause.size().total_cmp(&b.1.cause.size()));
        let worst = worst.map_or_else(String::new, |(hz, found)| {
            format!("; most at {}: {}", frequency_text(hz), self.cause(&found))
        });
        Some(format!("{} is the first level to change the result, {ranges}{worst}", self.level(first)))
    }

    /// The pair of constant levels; `None` without any point.
    fn flat_pair(&self) -> Option<String> {
        self.points().first()?;
        let both =
            |[weak, strong]: [f64; 2]| format!("{} and {}", self.dbm_text(weak), self.dbm_text(strong));
        Some(match self.outcome.survey.flat {
            FlatPair::Does(pair) => format!(
                "one flat pair of levels does for the whole band: {}, where the source has no profile",
                both(pair)
            ),
            FlatPair::NotShown => format!(
                "no flat pair of levels does for the whole band: {} no level is shown to leave the result unchanged",
                self.where_(|p| p.strongest.is_none())?
            ),
            FlatPair::Crossed { least, most } => format!(
                "no flat pair of levels does for the whole band: the dead zone at {} asks for {} at least, and at {} no more than {} is shown to leave the result unchanged",
                frequency_text(least.1),
                self.dbm_text(least.0),
                frequency_text(most.1),
                self.dbm_text(most.0)
            ),
            FlatPair::Noisy { pair, range_hz: [from, to] } => format!(
                "no flat pair of levels does for the whole band: {} would, but {} their noise hides more than the tolerances allow: average more there",
                both(pair),
                range_text(from, to)
            ),
        })
    }

    /// A level as the run writes it, where it was tried.
    fn dbm_text(&self, dbm: f64) -> String {
        let tried = self.outcome.levels.iter().find(|level| (level.dbm - dbm).abs() < SAME_LEVEL_DB);
        tried.map_or_else(|| format!("{} dBm", number(dbm, 4)), |level| level.level.clone())
    }

    fn cause(&self, found: &Break) -> String {
        let (what, unit) = match found.cause.quantity {
            Quantity::Gain => ("gain", "dB"),
            Quantity::Phase => ("phase", "deg"),
        };
        let sign = if found.cause.change < 0.0 { "-" } else { "+" };
        format!(
            "{what} {sign}{} {unit} against {} (allowed {} {unit})",
            number(found.cause.change.abs(), 2),
            self.level(found.against),
            number(found.cause.tolerance, 4)
        )
    }

    fn not_broken(&self) -> Option<String> {
        let is = |p: &SurveyPoint| p.strongest.is_some() && p.breaks.is_none();
        let ranges = self.where_(is)?;
        let strongest = self.outcome.levels.last().map_or("", |level| level.level.as_str());
        Some(format!(
            "no level tried, up to {strongest}, changes the result {ranges}: stronger ones may do there"
        ))
    }

    /// Where the strongest unchanged level and the first changed one are so far apart that a level between them would show
    /// more.
    fn between(&self) -> Option<String> {
        let step = self.outcome.tolerances.step.db();
        let is = |p: &SurveyPoint| {
            let changed = self.outcome.dbm(p.breaks.map(|found| found.level));
            let apart = self.outcome.dbm(p.strongest).zip(changed).map(|(good, changed)| changed - good);
            apart.is_some_and(|apart| apart >= WIDE_STEPS * step)
        };
        let ranges = self.where_(is)?;
        let example = self.points().iter().find(|p| is(p))?;
        let (good, changed) = (example.strongest?, example.breaks?.level);
        Some(format!(
            "{ranges} the levels are far apart, such as {} and {}: one between them may do",
            self.level(good),
            self.level(changed)
        ))
    }

    fn dead_zone(&self) -> Option<String> {
        let odd = |p: &SurveyPoint| p.strongest.is_some() && p.weakest > 0;
        let ranges = self.where_(odd)?;
        let weakest = self.points().iter().filter(|p| odd(p)).map(|p| p.weakest).max()?;
        Some(format!(
            "below {} the gain falls, while the stronger levels agree, {ranges}: the loop has a dead zone there, weak levels \
             are the wrong ones",
            self.level(weakest)
        ))
    }

    fn profile_in_dead_zone(&self) -> Option<String> {
        let inside = |p: &SurveyPoint| {
            let least = self.outcome.dbm(Some(p.weakest).filter(|weakest| *weakest > 0));
            p.level_dbm.zip(least).is_some_and(|(level, least)| level < least)
        };
        let ranges = self.where_(inside)?;
        Some(format!(
            "the profile reaches into the dead zone {ranges}: do not use it there, no level stands both above the dead zone \
             and a step below what changes the result"
        ))
    }

    fn changed_throughout(&self) -> Option<String> {
        let ranges = self.where_(|p| p.strongest.is_none() && p.breaks.is_some())?;
        let weakest = self.outcome.levels.first().map_or("", |level| level.level.as_str());
        Some(format!(
            "{ranges} no level is shown to leave the result unchanged, so there is no profile: sweep this range below {weakest}"
        ))
    }

    fn unclear(&self) -> Option<String> {
        let ranges = self.where_(|p| p.strongest.is_none() && p.breaks.is_none())?;
        Some(format!(
            "{ranges} no two levels a step apart can be compared within the tolerances, for noise or because sweeps end, so \
             there is no profile"
        ))
    }

    /// All ranges with too much noise and the same thing to do about it.
    fn noisy(&self, headroom: Headroom, has_profile: bool) -> Option<String> {
        let is = |range: &&Noisy| range.headroom == headroom && range.noise.is_some() == has_profile;
        let alike: Vec<&Noisy> = self.outcome.survey.noisy.iter().filter(is).collect();
        let place = ranges_text(alike.iter().map(|range| range.range_hz).collect())?;
        let most = |noise: fn(&Noisy) -> Option<NoiseAt>| {
            let most = alike.iter().filter_map(|range| noise(range)).reduce(NoiseAt::worst);
            most.map_or_else(
                || "unknown".to_owned(),
                |most| format!("{} dB and {} deg", number(most.gain_db, 2), number(most.phase_deg, 2)),
            )
        };
        let strongest = most(|range| range.noise_at_strongest);
        let noise = if has_profile {
            format!(
                "{place} the noise at the profile's level is up to {}, above a third of a tolerance; at the strongest unchanged \
                 level it is up to {strongest}",
                most(|range| range.noise)
            )
        } else {
            format!("{place} the noise at the strongest level tried is up to {strongest}")
        };
        let advice = match headroom {
            Headroom::Untried => "not broken at the strongest level tried: try stronger",
            Headroom::Slope => {
                "the profile is lower than it must be here, for its slope: sweep this range by itself"
            }
            Headroom::None => {
                "a stronger level is changed here: average more, or use a narrower receiver bandwidth"
            }
        };
        Some(format!("{noise}; {advice}"))
    }
}

/// `from 1 kHz to 2 kHz`, `at 1 kHz`.
fn range_text(from: f64, to: f64) -> String {
    if from < to {
        format!("from {} to {}", frequency_text(from), frequency_text(to))
    } else {
        format!("at {}", frequency_text(from))
    }
}

/// The widest ranges, in their order.
fn ranges_text(mut ranges: Vec<[f64; 2]>) -> Option<String> {
    let more = ranges.len().saturating_sub(LISTED);
    if more > 0 {
        let width = |range: &[f64; 2]| range[1] / range[0];
        ranges.sort_by(|a, b| width(b).total_cmp(&width(a)));
        ranges.truncate(LISTED);
        ranges.sort_by(|a, b| a[0].total_cmp(&b[0]));
    }
    let mut parts: Vec<String> = ranges.iter().map(|[from, to]| range_text(*from, *to)).collect();
    if more > 0 {
        let places = if more == 1 { "place" } else { "places" };
        parts.push(format!("and in {more} smaller {places}"));
    }
    (!parts.is_empty()).then(|| parts.join(", "))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_widest_ranges_are_listed_in_their_order() {
        assert_eq!(ranges_text(Vec::new()), None);
        assert_eq!(ranges_text(vec![[1e3, 1e3], [2e3, 3e3]]).unwrap(), "at 1 kHz, from 2 kHz to 3 kHz");
        let many = vec![[1.0, 1.0], [2.0, 4.0], [5.0, 5.5], [6.0, 60.0], [70.0, 90.0]];
        assert_eq!(
            ranges_text(many).unwrap(),
            "from 2 Hz to 4 Hz, from 6 Hz to 60 Hz, from 70 Hz to 90 Hz, and in 2 smaller places"
        );
    }
}
