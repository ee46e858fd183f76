//! The limits of a corner against what was measured.

use super::level_change::Errors;
use super::measure::{Estimate, Open, Quantities};
use super::outcome::CheckOutcome;
use super::wording::{frequency_text, hertz, limit_text, value_against, value_text};
use crate::analysed::Analysed;
use crate::curve::{Span, db};
use crate::decision::Limit;
use crate::decision::Verdict;
use crate::decision::{decide, meets};
use crate::margins::{Crossing, Extreme, Line, Located, Method, Place, gain_at, gain_extreme};
use crate::measurand::{Measurand, Unwelcome};
use crate::noise::Spike;
use crate::quantity::Unit;
use crate::quantity::{Decibel, count_of, number};
use crate::sanity::{Spoiled, Usable, mains_under};
use crate::spec::{CIRCUIT_CHECK, DecisionRule, GainAt, GainLimit, Limits, Window};
use crate::uncertainty::{Budget, Source};

/// Everything a limit is judged with.
pub(crate) struct Judge<'a> {
    /// The judged sweep.
    pub sweep: &'a Analysed,
    /// Its judged part.
    pub usable: &'a Usable,
    /// What uncertainties are made from.
    pub errors: Errors<'a>,
    /// The decision rule.
    pub rule: DecisionRule,
    /// What was measured.
    pub measured: &'a Quantities,
    /// By how much the gain may change with the level; `None` where nothing is said.
    pub gain_tolerance: Option<Decibel>,
}

/// What to do about a limit that lies inside the uncertainty.
fn undecided(budget: &Budget, at_hz: f64) -> String {
    format!(
        "the limit lies inside the uncertainty; {}; or make room in the design",
        most_of_it(budget, at_hz)
    )
}

/// What makes most of an uncertainty, and what to do about that.
pub(super) fn most_of_it(budget: &Budget, at_hz: f64) -> String {
    let place = frequency_text(at_hz);
    match budget.largest() {
        Some(Source::Noise) => {
            format!("most of it is noise: near {place} inject more as long as the result stays, measure more narrowly, or average repeats")
        }
        Some(Source::Level) => {
            "most of it is the change from the judged level to the stronger one: sweep at a weaker level, and let the supply warm up so \
             that nothing drifts between the two"
                .to_owned()
        }
        Some(Source::Rounding) => {
            "most of it is the rounding of the file: let the analyzer write more digits".to_owned()
        }
        Some(Source::Density) => format!("most of it is the distance between the points: sweep more densely near {place}"),
        Some(Source::ImpedanceRatio) => {
            "most of it is the impedance ratio: inject where the driving impedance is lower, or measure the ratio and declare \
             it in `injection_point`"
                .to_owned()
        }
        Some(Source::Delay) => {
            "most of it is the delay between the probes: use two alike with equal leads, and declare it in `accuracy`".to_owned()
        }
        Some(Source::Gain | Source::Phase) | None => {
            "calibrate the measuring chain better and declare it in `accuracy`".to_owned()
        }
    }
}

fn window<T: Copy>(window: &Window<T>, number: impl Fn(T) -> f64) -> Limit {
    Limit { min: window.min.map(&number), max: window.max.map(&number) }
}

/// The names of a corner's limit checks and what each of them is held against, in the order of [`Limits::checks`].
#[must_use]
pub fn list(limits: &Limits) -> Vec<(String, Unit, Limit)> {
    let of = |name: &str| {
        if let Some(measurand) = Measurand::named(name) {
            return Some((measurand.unit(), window(&limits.windows.get(measurand)?, |value| value)));
        }
        match limits.gain.iter().find(|gain| gain.check == name) {
            Some(gain) => Some((Unit::Db, window(&gain.window, Decibel::db))),
            None if name == CIRCUIT_CHECK => Some((Unit::One, Limit { min: None, max: limits.unexplained })),
            None => Some((Unit::One, window(&limits.crossings?, f64::from))),
        }
    };
    let entry = |name: &str| of(name).map(|(unit, limit)| (name.to_owned(), unit, limit));
    limits.checks().filter_map(entry).collect()
}

impl Judge<'_> {
    /// Judges one limit by the name of its check.
    #[must_use]
    pub(crate) fn judge(&self, name: &str, unit: Unit, limit: Limit, limits: &Limits) -> CheckOutcome {
        let Some(measurand) = Measurand::named(name) else {
            return match limits.gain.iter().find(|gain| gain.check == name) {
                Some(gain) => self.gain(gain, limit),
                None => self.crossings(name, limit),
            };
        };
        if let Some(open) = self.measured.open(measurand) {
            return self.open(name, unit, limit, open);
        }
        match (self.measured.estimate(measurand), measurand) {
            (Some(estimate), _) if estimate.at_least => self.bound(name, limit, estimate),
            (Some(estimate), _) => self.held(name, unit, limit, estimate),
            (None, Measurand::GainMargin) => no_gain_margin(name, limit),
            (None, Measurand::GainReductionMargin) => self.no_gain_reduction_margin(name, limit),
            (None, _) => self.absent(measurand, limit),
        }
    }

    /// The range, Hz, that a check stands on.
    #[must_use]
    pub(crate) fn range_hz(&self, name: &str, limits: &Limits) -> [f64; 2] {
        match limits.gain.iter().find(|gain| gain.check == name).map(|gain| gain.at) {
            Some(GainAt::Frequency(f)) => [f.hz(), f.hz()],
            Some(GainAt::Band(band)) => [band.from.hz(), band.to.hz()],
            None => hertz([self.usable.span.from, self.usable.span.to]),
        }
    }

    /// A value that exists against its limit.
    fn held(&self, name: &str, unit: Unit, limit: Limit, estimate: Estimate) -> CheckOutcome {
        // The phase margin keeps its sign, its magnitude is held against the limit.
        let size = Measurand::named(name).map_or(estimate.value, |own| own.held(estimate.value));
        let decision = decide(size, estimate.u, &limit, self.rule);
        let expanded = estimate.u.map(|u| u * self.rule.coverage);
        let shown = if size == estimate.value {
            value_against(estimate.value, expanded, unit, false, &limit)
        } else {
            value_text(estimate.value, expanded, unit, false)
        };
        let is_place = Measurand::named(name).is_some_and(Measurand::is_place);
        let place = if is_place || name.starts_with("gain@") && limits_one_frequency(name) {
            String::new()
        } else {
            format!(" at {}", frequency_text(estimate.at_hz))
        };
        let known = self.why_unknown(&estimate);
        let message = format!("{} {shown}{place}, limit {}{known}", title(name), limit_text(&limit, unit));
        CheckOutcome {
            value: Some(estimate.value),
            uncertainty: expanded,
            unit: Some(unit),
            limit: Some(limit),
            conformity: decision.conformity,
            at_hz: Some(estimate.at_hz),
            remedy: match decision.verdict {
                Verdict::Undecided => {
                    Some(undecided(&estimate.budget, estimate.sparse_at_hz.unwrap_or(estimate.at_hz)))
                }
                verdict => remedy(name, verdict, size, &limit),
            },
            value_text: Some(shown),
            ..CheckOutcome::bare(name, decision.verdict, message)
        }
    }

    /// What there is to say of an uncertainty that is not known, or not by the law of propagation.
    fn why_unknown(&self, estimate: &Estimate) -> &'static str {
        match estimate.u {
            Some(_) if estimate.simulated => "; its uncertainty is simulated",
            Some(_) => "",
            None if estimate.simulated => {
                "; its uncertainty is not known: within its errors the curve may have no such value at all"
            }
            None if !self.sweep.noise.is_known() => {
                "; its uncertainty is not known: too few points to tell the noise"
            }
            None => "; its uncertainty is not known: the curve runs along the line",
        }
    }

    /// A value that the judged part does not have.
    fn absent(&self, measurand: Measurand, limit: Limit) -> CheckOutcome {
        let outside = self.outside(measurand).map(|(line, hz)| {
            let line = match line {
                Line::Gain => "0 dB",
                Line::Phase => "the critical point's direction",
            };
            format!("; the sweep crosses {line} outside the band, at {}", frequency_text(hz))
        });
        let (unit, [from, to]) = (measurand.unit(), [self.usable.span.from, self.usable.span.to]);
        let message = format!(
            "{} between {} and {}: there is no {} to hold against the limit {}{}",
            measurand.absent(),
            frequency_text(from.exp()),
            frequency_text(to.exp()),
            measurand.title(),
            limit_text(&limit, unit),
            outside.unwrap_or_default()
        );
        CheckOutcome::bare(measurand.name(), Verdict::Invalid, message)
            .against(unit, limit)
            .to_do(measurand.remedy_where_absent())
    }

    /// The first crossing outside of the judged part at which a value could be read, Hz.
    fn outside(&self, measurand: Measurand) -> Option<(Line, f64)> {
        let (line, counts): (_, &dyn Fn(&Crossing) -> bool) = match Method::of(measurand).place {
            Place::Crossing(line) => (line, &|_| true),
            Place::SmallestCrossing(line, of) => (line, &move |c| of(c).is_some()),
            Place::Worst(_) => return None,
        };
        let all = line.crossings(&self.sweep.crossings).iter();
        let outside = all.filter(|c| !self.usable.span.holds(c.point.ln_f)).find(|c| counts(c))?;
        Some((line, outside.point.hz()))
    }

    fn crossings(&self, name: &str, limit: Limit) -> CheckOutcome {
        let count = self.measured.crossings as f64;
        let verdict = if meets(count, &limit) { Verdict::Pass } else { Verdict::Fail };
        let places: Vec<String> = self
            .sweep
            .crossings
            .gain_in(self.usable.span)
            .take(8)
            .map(|c| frequency_text(c.point.hz()))
            .collect();
        let list = if places.is_empty() { String::new() } else { format!(" at {}", places.join(", ")) };
        CheckOutcome {
            value: Some(count),
            uncertainty: Some(0.0),
            unit: Some(Unit::One),
            limit: Some(limit),
            conformity: Some(f64::from(u8::from(verdict == Verdict::Pass))),
            remedy: (verdict != Verdict::Pass).then(|| {
                "a loop that crosses 0 dB more than once has a resonance near its crossover: look for the input filter or \
                 an output network that the load brings"
                    .to_owned()
            }),
            ..CheckOutcome::bare(
                name,
                verdict,
                format!(
                    "{}{list}, limit {}",
                    count_of(self.measured.crossings as u64, "crossover"),
                    limit_text(&limit, Unit::One)
                ),
            )
        }
    }

    /// A smallest value that the sweep leaves open.
    fn open(&self, name: &str, unit: Unit, limit: Limit, open: Open) -> CheckOutcome {
        let (message, remedy) = match open {
            Open::Above | Open::Below => {
                let is_above = open == Open::Above;
                let judged = self.usable.span;
                let end = frequency_text(if is_above { judged.to } else { judged.from }.exp());
                let left_out = |s: &&Spoiled| {
                    if is_above { s.span.from >= judged.to } else { s.span.to <= judged.from }
                };
                let spoiled = self.usable.spoiled.iter().find(left_out);
                let cause = spoiled.map_or_else(String::new, |s| format!(": {}", s.cause.message));
                let remedy = spoiled.map_or_else(String::new, |s| s.cause.remedy.clone());
                let worse = Measurand::named(name).map_or("smaller", |own| own.unwelcome().comparative());
                let (there, here) = if is_above { ("beyond", "below") } else { ("below", "above") };
                (format!("{there} {end} the {} may be {worse} than {here}{cause}", title(name)), remedy)
            }
            Open::Between { at_hz } => {
                let place = frequency_text(at_hz);
                let message = format!(
                    "about {place} the points leave room for a crossing of the critical point's direction between them: there is \
                     no bound of the {}",
                    title(name)
                );
                let remedy =
                    format!("sweep about {place} at least twice as densely, inject more there, or average");
                (message, remedy)
            }
        };
        CheckOutcome::bare(name, Verdict::Invalid, message).against(unit, limit).to_do(remedy)
    }

    /// A lower bound: it can show that a lower limit is met, never that it is not.
    fn bound(&self, name: &str, limit: Limit, bound: Estimate) -> CheckOutcome {
        let expanded = bound.u.map(|u| u * self.rule.coverage);
        let slack = match self.rule.rule {
            crate::spec::Rule::Simple => Some(0.0),
            crate::spec::Rule::Guarded => expanded,
        };
        let surely = slack.map(|slack| bound.value - slack);
        let above = |limit: f64| surely.is_some_and(|value| value >= limit);
        let verdict = match (limit.min, limit.max) {
            (_, Some(max)) if surely.is_some_and(|value| value > max) => Verdict::Fail,
            (Some(min), None) if above(min) => Verdict::Pass,
            _ => Verdict::Undecided,
        };
        let at = frequency_text(bound.at_hz);
        let (why, remedy) = if bound.by_chain {
            let remedy = "calibrate the chain and declare a smaller `accuracy.phase`, `accuracy.delay` or `impedance_ratio`; or make room \
                          in the design";
            (format!("at {at} an error of the measuring chain may hide a phase crossover"), remedy)
        } else {
            let remedy = "sweep on to where the phase crosses, so that the margin itself can be read";
            let why = "no phase crossover in the band; the attenuation at";
            (format!("{why} {at}, supposing that the gain goes on falling"), remedy)
        };
        CheckOutcome {
            value: Some(bound.value),
            uncertainty: expanded,
            unit: Some(Unit::Db),
            limit: Some(limit),
            at_hz: Some(bound.at_hz),
            remedy: (verdict != Verdict::Pass).then(|| remedy.to_owned()),
            ..CheckOutcome::bare(
                name,
                verdict,
                format!(
                    "gain margin {} ({why}), limit {}{}",
                    value_against(bound.value, expanded, Unit::Db, true, &limit),
                    limit_text(&limit, Unit::Db),
                    self.why_unknown(&bound)
                ),
            )
        }
    }

    fn no_gain_reduction_margin(&self, name: &str, limit: Limit) -> CheckOutcome {
        let bottom = self.estimate(&gain_at(&self.sweep.curve, self.usable.span.from));
        let lower = Limit { max: None, ..limit };
        let shown = matches!(decide(bottom.value, bottom.u, &lower, self.rule).verdict, Verdict::Pass);
        let verdict = if shown && limit.max.is_none() { Verdict::Pass } else { Verdict::Undecided };
        let expanded = bottom.u.map(|u| u * self.rule.coverage);
        CheckOutcome {
            at_hz: Some(bottom.at_hz),
            remedy: (verdict != Verdict::Pass)
                .then(|| "sweep further down, to where the gain is above the limit".to_owned()),
            ..CheckOutcome::bare(
                name,
                verdict,
                format!(
                    "no phase crossover above 0 dB in the band, where the gain is up to {} at {}, limit {}{}",
                    value_against(bottom.value, expanded, Unit::Db, false, &limit),
                    frequency_text(bottom.at_hz),
                    limit_text(&limit, Unit::Db),
                    self.why_unknown(&bottom)
                ),
            )
            .against(Unit::Db, limit)
        }
    }

    fn gain(&self, gain: &GainLimit, limit: Limit) -> CheckOutcome {
        let inside = |x: f64| self.sweep.curve.span().holds(x);
        let (from, to) = match gain.at {
            GainAt::Frequency(f) => (f.hz().ln(), f.hz().ln()),
            GainAt::Band(band) => (band.from.hz().ln(), band.to.hz().ln()),
        };
        if !(inside(from) && inside(to)) {
            return self.uncovered(gain, limit);
        }
        if let Some(spoiled) = self.usable.spoils(Span { from, to }) {
            return CheckOutcome::bare(&gain.check, Verdict::Invalid, spoiled.cause.message.clone())
                .against(Unit::Db, limit)
                .to_do(spoiled.cause.remedy.clone());
        }
        if let Some(changed) = self.changes_with_level(gain, Span { from, to }, limit) {
            return changed;
        }
        if let Some(spike) = mains_under(self.sweep, Span { from, to }) {
            return self.hum(gain, limit, &spike);
        }
        let estimate = if from == to {
            self.estimate(&gain_at(&self.sweep.curve, from))
        } else {
            self.worst_gain(Span { from, to }, &limit)
        };
        // The frequency that the spec names is given back as it stands there.
        let at_hz = match gain.at {
            GainAt::Frequency(f) => f.hz(),
            GainAt::Band(band) => estimate.at_hz.clamp(band.from.hz(), band.to.hz()),
        };
        self.held(&gain.check, Unit::Db, limit, Estimate { at_hz, ..estimate })
    }

    /// A limit of the gain beyond the sweep.
    fn uncovered(&self, gain: &GainLimit, limit: Limit) -> CheckOutcome {
        CheckOutcome::bare(
            &gain.check,
            Verdict::Invalid,
            format!(
                "the sweep reaches from {} to {}: the limit's range is not covered",
                frequency_text(self.sweep.curve.span().from.exp()),
                frequency_text(self.sweep.curve.span().to.exp())
            ),
        )
        .against(Unit::Db, limit)
        .to_do("sweep over this range too, and let `band` in the spec include it")
    }

    /// A limit of the gain in a range where the gain changes with the level by more than is allowed.
    fn changes_with_level(&self, gain: &GainLimit, range: Span, limit: Limit) -> Option<CheckOutcome> {
        let (stronger, allowed) = (self.errors.level?, self.gain_tolerance?);
        let inner = self.sweep.curve.ln_f().iter().copied().filter(|x| *x > range.from && *x < range.to);
        let changes = [range.from, range.to].into_iter().chain(inner).map(|x| {
            let (change, noise) = stronger.change(self.sweep, &gain_at(&self.sweep.curve, x));
            (x, change, change.abs() - 2.0 * noise)
        });
        let (x, change, beyond) = changes.max_by(|a, b| a.2.total_cmp(&b.2))?;
        let allowed = Some(allowed).filter(|allowed| beyond > allowed.db())?;
        let sign = if change < 0.0 { "-" } else { "+" };
        let message = format!(
            "at {} the gain changes by {sign}{} dB from the judged level to the stronger one (allowed {allowed}): it cannot \
             be held against the limit {}",
            frequency_text(x.exp()),
            number(change.abs(), 2),
            limit_text(&limit, Unit::Db)
        );
        let remedy = "the injection is too strong there: inject less at these frequencies, and sweep both levels again";
        let invalid = CheckOutcome::bare(&gain.check, Verdict::Invalid, message).against(Unit::Db, limit);
        Some(CheckOutcome { at_hz: Some(x.exp()), ..invalid.to_do(remedy) })
    }

    /// A limit that stands on a sample which mains interference hit.
    fn hum(&self, gain: &GainLimit, limit: Limit, spike: &Spike) -> CheckOutcome {
        let (mains, multiple) = spike.mains.unwrap_or((0, 0));
        let message = format!(
            "the sample at {}, multiple {multiple} of {mains} Hz, stands out by {} and {} from its neighbours: mains \
             interference under the limit {}",
            frequency_text(spike.at_hz),
            value_text(db(spike.ln_mag), None, Unit::Db, false),
            value_text(spike.angle.to_degrees(), None, Unit::Deg, false),
            limit_text(&limit, Unit::Db)
        );
        let remedy = "sweep just beside the mains multiples, measure more narrowly or inject more there; look for hum \
                      loops in the leads and for ripple on the supply";
        let invalid = CheckOutcome::bare(&gain.check, Verdict::Invalid, message).against(Unit::Db, limit);
        CheckOutcome { at_hz: Some(spike.at_hz), ..invalid.to_do(remedy) }
    }

    /// The gain over a band that meets its limit least.
    fn worst_gain(&self, span: Span, limit: &Limit) -> Estimate {
        let extreme = |extreme, unwelcome| {
            let mut own = self.estimate(&gain_extreme(&self.sweep.curve, span, extreme));
            let between = self.sweep.sharp_in(span).map(|sharp| (db(sharp.ln_mag), sharp.ln_f));
            own.reach(unwelcome, between);
            own
        };
        let smallest = extreme(Extreme::Smallest, Unwelcome::Drop);
        let largest = extreme(Extreme::Largest, Unwelcome::Rise);
        let open = |own: &Estimate| own.budget.density * 3f64.sqrt();
        let (least, most) = (smallest.value - open(&smallest), largest.value + open(&largest));
        match (limit.min, limit.max) {
            (Some(min), Some(max)) if least - min <= max - most => smallest,
            (Some(_), None) => smallest,
            _ => largest,
        }
    }

    fn estimate(&self, located: &Located) -> Estimate {
        Estimate::new(located, 1.0, &self.errors, self.sweep)
    }
}

fn no_gain_margin(name: &str, limit: Limit) -> CheckOutcome {
    let message = "no phase crossover in the band, and the gain at its top is not below 0 dB: there is no bound of the gain margin";
    CheckOutcome::bare(name, Verdict::Invalid, message)
        .against(Unit::Db, limit)
        .to_do("sweep on until the gain is below 0 dB for good")
}

fn limits_one_frequency(name: &str) -> bool {
    !name.contains("Hz-")
}

/// What a check's value is called in a sentence.
fn title(name: &str) -> String {
    match name.split_once('@') {
        Some((_, place)) if limits_one_frequency(name) => format!("gain at {place}"),
        Some((_, place)) => format!("gain over {}", place.replacen("Hz-", "Hz to ", 1)),
        None => name.replace('_', " "),
    }
}

fn remedy(name: &str, verdict: Verdict, value: f64, limit: &Limit) -> Option<String> {
    const GAIN: &str = "check the compensation network and the conditions of this corner against the spec";
    let is_too_low = limit.min.is_some_and(|min| value < min);
    let remedy = Measurand::named(name).map_or(GAIN, |measurand| measurand.remedy(is_too_low));
    (verdict == Verdict::Fail).then(|| remedy.to_owned())
}
