//! A corner against its accepted baseline.

use super::compared::Compared;
use super::context::Context;
use super::limits::most_of_it;
use super::measure::{Estimate, Quantities};
use super::outcome::{Against, CheckOutcome};
use super::wording::{frequency_text, value_against, value_alone, value_text};
use crate::analysed::Analysed;
use crate::baseline::{
    Accepted, AcceptedCorner, AcceptedUnit, AcceptedValue, Change, Choice, Deviation, Present, Reference,
    Side, Station, change, choose, deviations, mean_curve,
};
use crate::curve::Span;
use crate::decision::{Limit, Verdict, decide};
use crate::measurand::{Measurand, Unwelcome};
use crate::quantity::{Unit, number};
use crate::spec::{DecisionRule, Regression};
use crate::uncertainty::{Budget, Chain};

/// What a comparison has to go by.
pub(super) struct Gate<'a> {
    /// What the corner is judged with.
    pub context: &'a Context<'a>,
    /// The accepted units of the product.
    pub accepted: &'a Accepted,
    /// The judged sweep.
    pub sweep: &'a Analysed,
    /// Its judged part.
    pub span: Span,
    /// What was measured on it.
    pub measured: &'a Quantities,
}

/// What the comparison came to.
#[derive(Default)]
pub(super) struct Comparisons {
    pub checks: Vec<CheckOutcome>,
    pub compared: Option<Compared>,
    pub findings: Vec<String>,
}

/// An allowed change: of what, in which unit, how much.
type Allowed = (Measurand, Unit, Limit);

/// The comparisons that a corner asks for, in the order of the checks.
pub(super) fn list(regression: &Regression) -> Vec<Allowed> {
    let allowed = |(measurand, most): (Measurand, f64)| {
        let is_relative = measurand.is_relative();
        let unit = if is_relative { Unit::One } else { measurand.unit() };
        let unwelcome = measurand.unwelcome();
        let (min, max) = (unwelcome != Unwelcome::Rise, unwelcome != Unwelcome::Drop);
        (measurand, unit, Limit { min: min.then_some(-most), max: max.then_some(most) })
    };
    regression.changes.iter().map(allowed).collect()
}

/// The name of a comparison's check.
pub(super) fn check_name(measurand: Measurand) -> String {
    format!("regression.{}", measurand.name())
}

/// The measured quantity as the baseline keeps it.
pub(super) fn value_of(measured: &Quantities, measurand: Measurand) -> Option<AcceptedValue> {
    measured.estimate(measurand).map(|Estimate { value, u, at_hz, at_least, budget, simulated, .. }| {
        AcceptedValue { value, u, at_hz, at_least, simulated, budget }
    })
}

const ACCEPT_ANEW: &str = "if the spec is meant so, accept the unit anew with `loopgauge accept`";

impl Gate<'_> {
    /// Judges all comparisons of the corner.
    pub(crate) fn judge(&self) -> Comparisons {
        let corner = self.context.corner;
        let allowed = list(&corner.regression);
        let all = |verdict, message: &str, remedy: &str| Comparisons {
            checks: allowed.iter().map(|allowed| bare(allowed, verdict, message, Some(remedy))).collect(),
            ..Comparisons::default()
        };
        if let Some(file) = self.accepted.unreadable.first() {
            return all(
                Verdict::Invalid,
                &format!("the baseline cannot be read: {file}"),
                "mend the file, take it as it was accepted, or accept the unit anew",
            );
        }
        let Context { spec, serial, .. } = self.context;
        match choose(self.accepted, serial, spec, corner) {
            Choice::Missing => all(
                Verdict::Missing,
                "the baseline has no accepted result of this corner",
                "accept a good run of the product with `loopgauge accept`",
            ),
            Choice::Differs(text) => all(Verdict::Invalid, &format!("not comparable: {text}"), ACCEPT_ANEW),
            Choice::Found(reference) => {
                let checks = allowed.iter().map(|allowed| self.compare(allowed, &reference)).collect();
                let (compared, findings) = self.curves(&reference);
                Comparisons { checks, compared: Some(compared), findings }
            }
        }
    }

    fn station(&self) -> Station<'_> {
        Station { name: self.context.station, accuracy: self.context.spec.accuracy }
    }

    fn curves(&self, reference: &Reference<'_>) -> (Compared, Vec<String>) {
        let units = reference.units();
        let noise = |ln_f| {
            let noise = &self.sweep.noise;
            noise.is_known().then(|| noise.at(&self.sweep.curve, ln_f))
        };
        let now = Present {
            curve: &self.sweep.curve,
            span: self.span,
            noise: &noise,
            chain: &Chain::of(self.context.spec),
            station: self.station(),
        };
        let [gain, phase] = deviations(&now, &units);
        let poor = units.iter().find_map(|(unit, _)| Some((unit, unit.anyway.as_deref()?)));
        let poor = poor.map(|(unit, reason)| {
            format!("accepted unit {} had not passed when it was accepted anyway: {reason}", unit.serial)
        });
        let deviation = deviation_text(gain, phase, reference);
        let with = units.iter().map(|(unit, _)| unit.serial.clone()).collect();
        let findings = deviation.into_iter().chain(poor).collect();
        (Compared { with, curve: mean_curve(&units), gain, phase }, findings)
    }

    fn compare(&self, allowed: &Allowed, reference: &Reference<'_>) -> CheckOutcome {
        let (measurand, ..) = *allowed;
        let units = reference.units();
        let now = value_of(self.measured, measurand);
        let with_value: Vec<(&AcceptedUnit, &AcceptedValue)> =
            units.iter().filter_map(|(unit, corner)| Some((*unit, corner.value(measurand)?))).collect();
        let Some(now) = now else { return lacking_now(allowed, &with_value) };
        if with_value.is_empty() {
            return lacking_then(allowed, &now, &units);
        }
        let bounds = with_value.iter().filter(|(_, value)| value.at_least).count();
        // A mean of bounds and values says nothing; bounds alone are compared with each other.
        let mixed = bounds > 0 && bounds < with_value.len();
        let sides: Vec<(&AcceptedUnit, &AcceptedValue)> =
            with_value.iter().copied().filter(|(_, value)| !(mixed && value.at_least)).collect();
        let then_is_bound = bounds > 0 && !mixed;
        let accepted: Vec<Side<'_>> = sides.iter().map(|(unit, value)| side(unit, value)).collect();
        let rule = self.context.spec.decision;
        let own = Side { value: &now, station: self.station() };
        let Some(change) = change(measurand, &own, &accepted, rule.coverage) else {
            return bare(
                allowed,
                Verdict::Invalid,
                "the accepted value is 0: no change of it can be told",
                Some(ACCEPT_ANEW),
            );
        };
        let place = sides.first().map_or(now.at_hz, |(_, value)| value.at_hz);
        let bound = Bound {
            now: now.at_least,
            then: then_is_bound,
            same_place: (now.at_hz / place - 1.0).abs() < 0.01,
        };
        let serials = sides.iter().map(|(unit, _)| unit.serial.as_str()).collect();
        let is_itself = matches!(reference, Reference::Itself(..));
        Comparison { allowed, now: &now, change, bound, serials, is_itself, rule }.outcome()
    }
}

/// A value as it was accepted.
fn side<'a>(unit: &'a AcceptedUnit, value: &'a AcceptedValue) -> Side<'a> {
    Side { value, station: Station { name: unit.station.as_deref(), accuracy: unit.accuracy } }
}

/// Which side is a lower bound, and whether two bounds are read at one place.
#[derive(Clone, Copy)]
struct Bound {
    now: bool,
    then: bool,
    same_place: bool,
}

struct Comparison<'a> {
    allowed: &'a Allowed,
    now: &'a AcceptedValue,
    change: Change,
    bound: Bound,
    serials: Vec<&'a str>,
    is_itself: bool,
    rule: DecisionRule,
}

impl Comparison<'_> {
    fn outcome(&self) -> CheckOutcome {
        let (measurand, unit, limit) = *self.allowed;
        let Change { value, u, accepted, units, spread, .. } = self.change;
        let decision = decide(value, u, &limit, self.rule);
        let is_bound = self.bound.now || self.bound.then;
        let verdict = self.with_bounds(decision.verdict);
        let expanded = u.map(|u| u * self.rule.coverage);
        let value_text = change_text(value, expanded, unit, measurand, &limit);
        CheckOutcome {
            value: Some(value),
            uncertainty: expanded,
            unit: Some(unit),
            limit: Some(limit),
            conformity: decision.conformity.filter(|_| !is_bound),
            at_hz: Some(self.now.at_hz),
            accepted: Some(Against { value: accepted, units, spread, of: self.of() }),
            remedy: self.remedy(verdict),
            message: self.message(&value_text),
            value_text: Some(value_text),
            ..CheckOutcome::bare(&check_name(measurand), verdict, "")
        }
    }

    /// A bound shows less than a value: at least so much now can show that little was lost, at least so much then that much
    /// was. Two bounds read at one place are the gain there, and compared as such; a loss of that shows nothing.
    fn with_bounds(&self, verdict: Verdict) -> Verdict {
        let Bound { now, then, same_place } = self.bound;
        let may_pass = match (now, then) {
            (_, false) => true,
            (true, true) => same_place,
            (false, true) => false,
        };
        match verdict {
            Verdict::Pass if !may_pass => Verdict::Undecided,
            Verdict::Fail if now => Verdict::Undecided,
            other => other,
        }
    }

    /// Whose the accepted value is.
    fn of(&self) -> String {
        match self.serials.as_slice() {
            [one] => (*one).to_owned(),
            many => format!("mean of {} units", many.len()),
        }
    }

    fn message(&self, change_text: &str) -> String {
        let (measurand, _, limit) = *self.allowed;
        let size = measurand.held(self.now.value);
        // Both as precisely as their difference is worth a word.
        let hint = self.change.u.map(|u| if measurand.is_relative() { u * self.change.accepted } else { u });
        let [now, then] = [size, self.change.accepted].map(|value| short(value, hint, measurand.unit()));
        let at_least = |is_bound| if is_bound { "at least " } else { "" };
        let whose = if self.is_itself { String::new() } else { format!(" ({})", self.of()) };
        let mut text = format!(
            "{} {}{now}, accepted {}{then}{whose}: change {}{change_text}, allowed {}",
            measurand.name().replace('_', " "),
            at_least(self.bound.now),
            at_least(self.bound.then),
            match (self.bound.now, self.bound.then) {
                (true, false) => "at least ",
                (false, true) => "at most ",
                _ => "",
            },
            allowed_text(measurand, &limit)
        );
        text.push_str(&self.remarks());
        text
    }

    fn remarks(&self) -> String {
        let mut text = String::new();
        if self.bound.now && self.bound.then {
            text.push_str(if self.bound.same_place {
                "; no phase crossover in the band then or now, the attenuation at its top is compared"
            } else {
                "; no phase crossover in the band then or now, and the two sweeps end at different frequencies"
            });
        }
        if self.change.u.is_none() {
            text.push_str("; the uncertainty of one of the two is not known");
        }
        if self.is_itself {
            return text;
        }
        match (self.change.spread, self.change.prediction) {
            (Some(spread), Some(prediction)) => {
                let unit = self.allowed.0.unit();
                let inside = if self.change.value.abs() <= prediction { "inside" } else { "outside" };
                text.push_str(&format!(
                    "; the units differ by {} (standard deviation), the change lies {inside} what one more unit may differ by (95 %)",
                    short(spread, Some(spread), unit),
                ));
            }
            _ => text.push_str("; by how much units differ is not known from one"),
        }
        text
    }

    fn remedy(&self, verdict: Verdict) -> Option<String> {
        let text = match verdict {
            Verdict::Fail => {
                "repeat the sweep once; if it stays, look at what changed since (firmware, parts, revision); if the change is meant, \
                 accept the new result with `loopgauge accept`"
            }
            Verdict::Undecided if self.bound.now || self.bound.then => {
                "sweep on to where the phase crosses, so that the margin itself can be compared"
            }
            Verdict::Undecided if self.change.u.is_none() => {
                "take sweeps whose noise can be told, then accept the unit anew"
            }
            Verdict::Undecided if self.change.from_chains > 0.5 => {
                "the allowed change lies inside the uncertainty; most of it is the measuring chains: compare on one station and \
                 name it in `station`"
            }
            Verdict::Undecided if self.change.from_spread > 0.5 => {
                "the allowed change lies inside the uncertainty; most of it is that few units were accepted: accept more, or this \
                 unit's own good result"
            }
            Verdict::Undecided => {
                // The chain's part is told above.
                let own = Budget { gain: 0.0, phase: 0.0, delay: 0.0, ..self.now.budget };
                let most = match own.largest() {
                    Some(_) => most_of_it(&own, self.now.at_hz),
                    None => "most of it is that of the accepted result: accept a cleaner one".to_owned(),
                };
                return Some(format!("the allowed change lies inside the uncertainty; {most}"));
            }
            _ => return None,
        };
        Some(text.to_owned())
    }
}

/// A value rounded to what its uncertainty leaves, without that.
fn short(value: f64, u: Option<f64>, unit: Unit) -> String {
    value_alone(value, u.filter(|u| *u > 0.0), unit, false)
}

/// The change with its uncertainty; a ratio in percent.
fn change_text(value: f64, expanded: Option<f64>, unit: Unit, measurand: Measurand, limit: &Limit) -> String {
    if !measurand.is_relative() {
        return value_against(value, expanded, unit, false, limit);
    }
    let percent = |bound: Option<f64>| bound.map(|bound| 100.0 * bound);
    let limit = Limit { min: percent(limit.min), max: percent(limit.max) };
    let text = value_against(100.0 * value, percent(expanded), Unit::One, false, &limit);
    format!("{} %", text.replace(" ± ", " % ± "))
}

/// `drop 3 deg`, `shift 10 %`.
fn allowed_text(measurand: Measurand, limit: &Limit) -> String {
    let most = limit.min.or(limit.max).map_or(0.0, f64::abs);
    let key = measurand.unwelcome().key();
    match (measurand.is_relative(), measurand.unit()) {
        (true, _) => format!("{key} {} %", number(100.0 * most, 10)),
        (false, Unit::S) => format!("{key} {}", value_text(most, None, Unit::S, false)),
        (false, unit) => format!("{key} {} {}", number(most, 10), unit.symbol()).trim_end().to_owned(),
    }
}

fn bare(allowed: &Allowed, verdict: Verdict, message: &str, remedy: Option<&str>) -> CheckOutcome {
    let (measurand, unit, limit) = *allowed;
    CheckOutcome {
        remedy: remedy.map(str::to_owned),
        ..CheckOutcome::bare(&check_name(measurand), verdict, message).against(unit, limit)
    }
}

/// What a quantity of which nothing was measured now is called, with its accepted value.
fn lacking_now(allowed: &Allowed, accepted: &[(&AcceptedUnit, &AcceptedValue)]) -> CheckOutcome {
    let (measurand, ..) = *allowed;
    let (title, unit) = (measurand.title(), measurand.unit());
    let Some((of, then)) = accepted.first() else {
        return match measurand {
            Measurand::GainReductionMargin => bare(
                allowed,
                Verdict::Pass,
                "no phase crossover above 0 dB in the band, then or now: no gain reduction margin that could drop",
                None,
            ),
            _ => bare(
                allowed,
                Verdict::Invalid,
                &format!("there is no {title} in the band, then or now"),
                Some("look at the sweep, and let the band reach to where the margin is read"),
            ),
        };
    };
    let then = value_text(then.value, None, unit, then.at_least);
    let message = format!("there is no {title} in the band now, accepted {then} ({})", of.serial);
    on_one_side(allowed, &message)
}

fn lacking_then(
    allowed: &Allowed,
    now: &AcceptedValue,
    units: &[(&AcceptedUnit, &AcceptedCorner)],
) -> CheckOutcome {
    let (measurand, ..) = *allowed;
    let (title, unit) = (measurand.title(), measurand.unit());
    let of = units.first().map_or("", |(unit, _)| unit.serial.as_str());
    let message = format!(
        "{title} {}, the accepted result of {of} has none to compare with",
        value_text(now.value, None, unit, now.at_least)
    );
    on_one_side(allowed, &message)
}

/// The outcome of a quantity that only one of the two results has.
fn on_one_side(allowed: &Allowed, message: &str) -> CheckOutcome {
    // A loop that lost its phase crossover above 0 dB may have gained or have moved out of the band.
    let is_open = allowed.0 == Measurand::GainReductionMargin;
    let remedy = "look at both curves; if the change is meant, accept the new result with `loopgauge accept`";
    let verdict = if is_open { Verdict::Undecided } else { Verdict::Invalid };
    bare(allowed, verdict, message, Some(remedy))
}

/// `against the accepted curve the gain deviates most at 12.3 kHz, by -1.2 dB, the phase at 9.8 kHz, by -4.1 deg`
fn deviation_text(
    gain: Option<Deviation>,
    phase: Option<Deviation>,
    reference: &Reference<'_>,
) -> Option<String> {
    let part = |what: &str, deviation: Option<Deviation>, unit: Unit, digits: f64| {
        deviation.map(|Deviation { value, at_hz }| {
            let size = short((value / digits).round() * digits, None, unit);
            let sign = if value > 0.0 { "+" } else { "" };
            format!("{what} by {sign}{size} at {}", frequency_text(at_hz))
        })
    };
    let parts: Vec<String> = [part("gain", gain, Unit::Db, 0.01), part("phase", phase, Unit::Deg, 0.1)]
        .into_iter()
        .flatten()
        .collect();
    let whose = match reference {
        Reference::Itself(..) => "the accepted curve".to_owned(),
        Reference::Others(units) => match units.as_slice() {
            [(unit, _)] => format!("the accepted curve of {}", unit.serial),
            many => format!("the mean of the {} accepted curves", many.len()),
        },
    };
    (!parts.is_empty()).then(|| format!("largest deviation from {whose} in the band: {}", parts.join(", ")))
}
