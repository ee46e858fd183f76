//! The checks that say whether a measurement can carry a verdict: collected, coverage, sanity, linearity.

use super::SweepInput;
use super::levels::{Level, files};
use super::measure::judged_span;
use super::outcome::CheckOutcome;
use super::wording::{frequency_text, hertz};
use crate::analysed::Analysed;
use crate::coverage::{gap, mistaken_unit};
use crate::curve::Span;
use crate::decision::Verdict;
use crate::linearity::{Change, Comparison, Deviation, Difference, Relation, Selection, compare, select};
use crate::margins::crossover;
use crate::pieces::Disagreement;
use crate::quantity::number;
use crate::run::SweepEntry;
use crate::sanity::{Kernel, Refusal, Subject, Usable, refusal, turned, usable};
use crate::spec::{Corner, Linearity, Spec, Tolerances};

fn invalid(check: &str, message: String, remedy: &str) -> CheckOutcome {
    CheckOutcome { remedy: Some(remedy.to_owned()), ..CheckOutcome::bare(check, Verdict::Invalid, message) }
}

/// A corner without a sweep.
fn missing(corner: &Corner, absent: &[String]) -> CheckOutcome {
    let conditions: Vec<String> = corner.conditions.iter().map(|(k, v)| format!("{k} {v}")).collect();
    let place = if conditions.is_empty() { String::new() } else { format!(" ({})", conditions.join(", ")) };
    let wanted = match &corner.linearity {
        Linearity::Required(t) => format!("sweep this corner at two levels at least {} apart", t.step),
        Linearity::Waived(_) => "sweep this corner".to_owned(),
    };
    let listed =
        if absent.is_empty() { String::new() } else { format!("; not there yet: {}", listed(absent)) };
    let message = format!("no sweep was collected at this corner{place}{listed}");
    CheckOutcome::bare("collected", Verdict::Missing, message).to_do(wanted)
}

/// Files of a corner that are named; more are counted.
const NAMED: usize = 8;

fn listed(files: &[String]) -> String {
    let named = files.iter().take(NAMED).map(String::as_str).collect::<Vec<_>>().join(", ");
    match files.len().saturating_sub(NAMED) {
        0 => named,
        more => format!("{named} and {more} more"),
    }
}

/// Whether anything was collected, at the conditions declared; `absent` are listed files that are not there yet.
pub(crate) fn collected(
    spec: &Spec,
    corner: &Corner,
    entries: &[&SweepEntry],
    absent: &[String],
) -> CheckOutcome {
    if entries.is_empty() {
        return missing(corner, absent);
    }
    let tolerance = spec.conditions_tolerance.map(|t| t.ratio());
    for entry in entries {
        for (name, actual) in &entry.actual {
            let Some((_, declared)) = corner.conditions.iter().find(|(known, _)| known == name) else {
                continue;
            };
            let Some(tolerance) = tolerance else { continue };
            if declared.admits(actual, tolerance) != Some(true) {
                return invalid(
                    "collected",
                    format!(
                        "{} was taken at {name} {actual}, the corner is {name} {declared} within {} %",
                        entry.name(),
                        number(tolerance * 100.0, 4)
                    ),
                    "set the condition and sweep again",
                );
            }
        }
    }
    let count = entries.len();
    if !absent.is_empty() {
        let message =
            format!("judged from what is there, {count} of its sweeps; not there yet: {}", listed(absent));
        let remedy = "collect them, and check again";
        return CheckOutcome::bare("collected", Verdict::Missing, message).to_do(remedy);
    }
    CheckOutcome::bare(
        "collected",
        Verdict::Pass,
        format!("{count} sweep{}", if count == 1 { "" } else { "s" }),
    )
}

/// Whether the judged level and the one that confirms it cover the band densely enough.
pub(crate) fn coverage(
    bound: &[(&Level, &Analysed, &Result<Usable, Refusal>)],
    corner: &Corner,
    band: Option<Span>,
    sweeps: &[SweepInput<'_>],
) -> CheckOutcome {
    for (level, sweep, _) in bound {
        let band = band.unwrap_or_else(|| sweep.curve.span());
        if let Some(message) = gap(&sweep.curve, band, corner.density) {
            let remedy = mistaken_unit(&sweep.curve, band)
                .unwrap_or("sweep the whole band with at least the declared density, in one go");
            return invalid("coverage", format!("{}: {message}", files(level, sweeps).join(", ")), remedy);
        }
    }
    let message = match band {
        Some(band) => {
            format!(
                "the band {} to {} is covered",
                frequency_text(band.from.exp()),
                frequency_text(band.to.exp())
            )
        }
        None => "no band is declared, the whole sweep is judged".to_owned(),
    };
    let part = band.or_else(|| bound.first().map(|(_, sweep, _)| sweep.curve.span())).map(range);
    CheckOutcome { range_hz: part, ..CheckOutcome::bare("coverage", Verdict::Pass, message) }
}

fn range(span: Span) -> [f64; 2] {
    hertz([span.from, span.to])
}

/// The part of a level's sweep that can be judged; another sweep of the corner tells noise from structure.
pub(crate) fn usable_part(
    sweep: &Analysed,
    second: Option<&Analysed>,
    spec: &Spec,
    band: Option<Span>,
) -> Result<Usable, Refusal> {
    usable(&subject(sweep, second, spec, band))
}

fn subject<'a>(
    sweep: &'a Analysed,
    second: Option<&'a Analysed>,
    spec: &Spec,
    band: Option<Span>,
) -> Subject<'a> {
    Subject {
        span: judged_span(&sweep.curve, band).unwrap_or_else(|| sweep.curve.span()),
        sweep,
        second,
        begins_late: false,
        open_loop_poles: spec.open_loop_poles,
        critical_point: spec.critical_point,
    }
}

/// A sweep of a level whose pieces disagree.
pub(crate) fn pieces_apart(level: &Level, sweeps: &[SweepInput<'_>]) -> Option<CheckOutcome> {
    let apart = |sweep: &SweepInput<'_>| sweep.disagreement.map(|found| (found, found.text(sweep.entry)));
    let (found, text) = level.members.iter().filter_map(|&m| sweeps.get(m)).find_map(apart)?;
    Some(invalid("sanity", format!("at {}: {text}", frequency_text(found.at_hz)), Disagreement::REMEDY))
}

/// Whether the judged level and the one that confirms it can be the loop gain of a stable loop.
pub(crate) fn sanity(
    bound: &[(&Level, &Analysed, &Result<Usable, Refusal>)],
    turned: Option<(String, String)>,
    spec: &Spec,
    band: Option<Span>,
    kernel: &mut Kernel,
) -> CheckOutcome {
    if let Some((weak, strong)) = turned {
        return invalid(
            "sanity",
            format!("{weak} and {strong} have phases half a turn apart: one of them has its sign turned"),
            "the polarity of a probe, or the convention, changed between the two sweeps: set both alike and sweep again",
        );
    }
    for (i, (level, sweep, usable)) in bound.iter().enumerate() {
        let second =
            bound.iter().enumerate().find(|(other, _)| *other != i).map(|(_, (_, second, _))| *second);
        let subject = subject(sweep, second, spec, band);
        if let Some(Refusal { message, remedy }) = refusal(&subject, usable, kernel) {
            let message = match &level.text {
                Some(text) if bound.len() > 1 => format!("at {text}: {message}"),
                _ => message,
            };
            return CheckOutcome::bare("sanity", Verdict::Invalid, message).to_do(remedy);
        }
    }
    let late =
        bound.first().and_then(|(_, _, usable)| usable.as_ref().ok()).filter(|u| !u.spoiled.is_empty());
    let message = match late {
        None => "the curve closes stably and its phase fits its gain".to_owned(),
        Some(usable) => format!(
            "from {} to {} the curve closes stably and its phase fits its gain; the rest is left out",
            frequency_text(usable.span.from.exp()),
            frequency_text(usable.span.to.exp())
        ),
    };
    let part = bound.first().and_then(|(_, _, usable)| usable.as_ref().ok()).map(|u| range(u.span));
    CheckOutcome { range_hz: part, ..CheckOutcome::bare("sanity", Verdict::Pass, message) }
}

/// What linearity came to, and which level is judged.
pub(crate) struct Choice {
    /// The check.
    pub check: CheckOutcome,
    /// The judged level and the one that confirms it; without a confirmed level the weakest stands for the corner.
    pub judged: (usize, Option<usize>),
    /// Files of two levels whose phases are half a turn apart.
    pub turned: Option<(String, String)>,
}

/// Finds the strongest level whose result a stronger one confirms.
pub(crate) fn linearity(
    levels: &[Level],
    prepared: &[Analysed],
    usable: &[Result<Usable, Refusal>],
    sweeps: &[SweepInput<'_>],
    corner: &Corner,
    band: Option<Span>,
    difference: &mut Difference,
) -> Choice {
    let tolerances = match &corner.linearity {
        Linearity::Waived(reason) => {
            let message = format!("waived in the spec: {reason}");
            let check = CheckOutcome::bare("linearity", Verdict::Waived, message);
            return Choice { check, judged: (0, None), turned: None };
        }
        Linearity::Required(tolerances) => tolerances,
    };
    let name = |i: usize| levels.get(i).map_or_else(String::new, |l| files(l, sweeps).join(", "));
    let turned = prepared.windows(2).enumerate().find_map(|(i, pair)| {
        let [weak, strong] = pair else { return None };
        let span = judged_span(&weak.curve, band)?;
        turned(&weak.curve, &strong.curve, span).then(|| (name(i), name(i + 1)))
    });
    if turned.is_some() {
        let check = CheckOutcome::bare("linearity", Verdict::NotJudged, "not judged: sanity is invalid");
        return Choice { check, judged: (0, None), turned };
    }
    let db: Vec<f64> = levels.iter().map(|l| l.db).collect();
    let copies: Vec<bool> = levels.iter().map(|l| l.copy_of.is_some() || l.shared).collect();
    let mut agreeing = Vec::new();
    let selection = select(&db, &copies, tolerances, |weak, strong| {
        let pair = prepared.get(weak).zip(prepared.get(strong));
        let common = pair.and_then(|(a, b)| Some((a, b, common_span((weak, a), (strong, b), usable, band)?)));
        let comparison = common
            .map_or_else(Comparison::default, |(a, b, span)| compare(a, b, span, tolerances, difference));
        if comparison.agrees(tolerances) && !comparison.identical {
            agreeing.push((weak, strong));
        }
        comparison
    });
    let words = Words { levels, sweeps, tolerances, prepared, band, agreeing };
    match selection.confirmed {
        Some((i, j)) => {
            let message = words.confirmed(i, j, selection.told_by.as_ref().map(|(_, _, c)| c));
            let check = CheckOutcome {
                range_hz: selection
                    .told_by
                    .as_ref()
                    .and_then(|(_, _, c)| c.range_hz)
                    .map(|(a, b)| hertz([a.ln(), b.ln()])),
                ..CheckOutcome::bare("linearity", Verdict::Pass, message)
            };
            Choice { check, judged: (i, Some(j)), turned: None }
        }
        None => Choice { check: words.refused(&selection), judged: (0, None), turned: None },
    }
}

/// What two levels can be compared on: the band as far as both sweeps reach and are usable.
fn common_span(
    (weak, a): (usize, &Analysed),
    (strong, b): (usize, &Analysed),
    usable: &[Result<Usable, Refusal>],
    band: Option<Span>,
) -> Option<Span> {
    let whole = b.curve.clip(judged_span(&a.curve, band)?)?;
    let clean = |level: usize| usable.get(level).and_then(|u| u.as_ref().ok()).map(|u| u.span);
    let part = |known: Span, own: Option<Span>| {
        let own = own.unwrap_or(known);
        Span { from: known.from.max(own.from), to: known.to.min(own.to) }
    };
    let both = part(part(whole, clean(weak)), clean(strong));
    Some(if both.from < both.to { both } else { whole })
}

/// Two levels that were compared.
struct Pair<'a> {
    weak: usize,
    strong: usize,
    comparison: &'a Comparison,
}

/// The sentences of linearity.
struct Words<'a> {
    levels: &'a [Level],
    sweeps: &'a [SweepInput<'a>],
    tolerances: &'a Tolerances,
    prepared: &'a [Analysed],
    band: Option<Span>,
    /// Pairs of levels that agree, the weaker one first, as far as they were compared.
    agreeing: Vec<(usize, usize)>,
}

impl Words<'_> {
    fn level(&self, i: usize) -> String {
        let level = self.levels.get(i);
        level.and_then(|l| l.text.clone()).unwrap_or_else(|| "the only level".to_owned())
    }

    fn file(&self, i: usize) -> String {
        self.levels.get(i).map_or_else(String::new, |l| files(l, self.sweeps).join(", "))
    }

    fn confirmed(&self, i: usize, j: usize, comparison: Option<&Comparison>) -> String {
        let changes = comparison.map_or_else(String::new, |c| format!(": {}", self.changes(c, false)));
        let clean = comparison.and_then(|c| c.clean_hz).map_or_else(String::new, |(from, to)| {
            format!(
                ", compared from {} to {}; beyond, noise hides more than is allowed",
                frequency_text(from),
                frequency_text(to)
            )
        });
        format!("{} is confirmed by {}{changes}{clean}", self.level(i), self.level(j))
    }

    fn refused(&self, selection: &Selection) -> CheckOutcome {
        let step = self.tolerances.step;
        if let Some(copy) = self.levels.iter().position(|l| l.shared) {
            return invalid(
                "linearity",
                format!(
                    "{} holds the numbers of a sweep of another corner, to the last digit",
                    self.file(copy)
                ),
                "a copied file shows nothing: collect this corner itself",
            );
        }
        if let Some((original, copy)) = self.copied(selection) {
            return invalid(
                "linearity",
                format!(
                    "{} holds the numbers of {}, to the last digit: a copy confirms nothing",
                    self.file(copy),
                    self.file(original)
                ),
                &format!("collect the second sweep itself, at least {step} stronger"),
            );
        }
        if self.levels.len() < 2 {
            return self.single();
        }
        match &selection.told_by {
            None => invalid(
                "linearity",
                format!("no two levels are at least {step} apart: {}", self.all_levels()),
                &format!("sweep again at least {step} stronger than the weakest level"),
            ),
            Some((weak, strong, comparison)) => {
                self.disagreeing(&Pair { weak: *weak, strong: *strong, comparison }, selection.contradicted)
            }
        }
    }

    /// Two levels that do not agree.
    fn disagreeing(&self, pair: &Pair<'_>, contradicted: bool) -> CheckOutcome {
        match self.agreeing.iter().copied().filter(|(a, _)| *a > pair.weak).min() {
            _ if pair.comparison.relation(self.tolerances) == Relation::Unclear => self.unclear(pair),
            // Levels are sorted: all that lie below the agreeing pair are the weak ones that contradict.
            Some(agreeing) if contradicted => self.weak_one_lies(pair, agreeing),
            _ => self.changed(pair),
        }
    }

    /// One level shows nothing.
    fn single(&self) -> CheckOutcome {
        let step = self.tolerances.step;
        let what = match self.levels.first().and_then(|l| l.text.as_deref()) {
            Some(text) => format!("only one level was collected, {text}"),
            None => "the run says no levels, so all sweeps of the corner are repeats of one".to_owned(),
        };
        invalid(
            "linearity",
            format!("{what}: nothing shows that the injection was not too strong"),
            &format!("sweep again at least {step} stronger, and give each sweep its `level`"),
        )
    }

    /// A level and its copy.
    fn copied(&self, selection: &Selection) -> Option<(usize, usize)> {
        let named = self.levels.iter().enumerate().find_map(|(i, l)| Some((l.copy_of?, i)));
        named.or_else(|| {
            selection
                .told_by
                .as_ref()
                .filter(|(_, _, c)| c.identical)
                .map(|(weak, strong, _)| (*weak, *strong))
        })
    }

    /// The result changes with the level.
    fn changed(&self, pair: &Pair<'_>) -> CheckOutcome {
        invalid(
            "linearity",
            format!(
                "the result changes from {} to {}: {}",
                self.level(pair.weak),
                self.level(pair.strong),
                self.changes(pair.comparison, true)
            ),
            &format!(
                "the injection is too strong there, or the weakest sweep is noise: look at the weakest; if it is clean, sweep at {}",
                self.weaker()
            ),
        )
    }

    /// Two stronger levels agree and a weaker one contradicts them.
    fn weak_one_lies(&self, pair: &Pair<'_>, (low, high): (usize, usize)) -> CheckOutcome {
        let weak = self.level(pair.weak);
        invalid(
            "linearity",
            format!(
                "{} and {} agree, but the weaker {weak} contradicts: from {weak} to {}, {}",
                self.level(low),
                self.level(high),
                self.level(pair.strong),
                self.changes(pair.comparison, true)
            ),
            &format!(
                "the weakest sweep is not always the true one: a dead zone or the resolution of a digital loop, pulse skipping and noise show in weak sweeps. Sweep {weak} again, watching the switching at that level; if the supply skips or the loop rests, force it into continuous switching or take {weak} out of the run; if {weak} repeats and the supply switches evenly, the stronger ones are both too strong: sweep at {}",
                self.weaker()
            ),
        )
    }

    /// The noise alone exceeds a tolerance.
    fn unclear(&self, pair: &Pair<'_>) -> CheckOutcome {
        let c = pair.comparison;
        if c.compared == 0 {
            return invalid(
                "linearity",
                format!(
                    "{} and {} have no common range inside the band",
                    self.level(pair.weak),
                    self.level(pair.strong)
                ),
                "sweep both levels over the whole band",
            );
        }
        let parts: Vec<String> = self.aspects(c).iter().filter_map(Aspect::too_noisy).collect();
        let what = if parts.is_empty() { "nothing could be compared".to_owned() } else { parts.join(", ") };
        invalid(
            "linearity",
            format!(
                "{} and {} cannot be told apart or alike, the noise of their difference alone is too large: {what}",
                self.level(pair.weak),
                self.level(pair.strong)
            ),
            &format!(
                "two noisy sweeps confirm nothing: measure more narrowly or average, repeat each level, or inject more there and confirm that with a level {} stronger",
                self.tolerances.step
            ),
        )
    }

    /// Two levels to try, below the weakest.
    fn weaker(&self) -> String {
        let step = self.tolerances.step.db();
        let weakest = self.levels.first().and_then(|level| level.text.as_deref()).unwrap_or("");
        let in_db = weakest.rsplit_once(' ').filter(|(_, unit)| matches!(*unit, "dBm" | "dBV"));
        match in_db.and_then(|(number, unit)| Some((number.parse::<f64>().ok()?, unit))) {
            Some((level, unit)) => {
                format!("{} {unit} and {} {unit}", number(level - 2.0 * step, 4), number(level - step, 4))
            }
            None => format!("{} dB and {} dB below {weakest}", number(step, 4), number(2.0 * step, 4)),
        }
    }

    /// Where a frequency lies beside the crossover of the weakest level.
    fn beside(&self, hz: f64) -> String {
        let crossover = self.prepared.first().and_then(|sweep| {
            let span = judged_span(&sweep.curve, self.band)?;
            crossover(&sweep.crossings, span).map(|found| found.value)
        });
        let Some(crossover) = crossover else { return String::new() };
        let place = if hz < crossover / 3.0 {
            "below"
        } else if hz > crossover * 3.0 {
            "above"
        } else {
            "about"
        };
        format!(", {place} the crossover ({})", frequency_text(crossover))
    }

    fn all_levels(&self) -> String {
        (0..self.levels.len()).map(|i| self.level(i)).collect::<Vec<_>>().join(", ")
    }

    /// What two levels are compared by, in the order in which it is told.
    fn aspects(&self, c: &Comparison) -> [Aspect; 4] {
        let t = self.tolerances;
        let percent = |v: f64| v * 100.0;
        let in_percent = |c: Change| Change { value: percent(c.value), noise: percent(c.noise) };
        let of_value = |what, unit, change: Option<Change>, tolerance| Aspect {
            what,
            unit,
            tolerance,
            change,
            at_hz: None,
            noise: change.map(|change| (change.noise, None)),
        };
        let of_curve = |what, unit, found: Option<Deviation>, tolerance| Aspect {
            what,
            unit,
            tolerance,
            change: found.map(|found| found.change),
            at_hz: found.map(|found| found.at_hz),
            noise: found.map(|found| (found.most_noise.0, Some(found.most_noise.1))),
        };
        let crossover = t.crossover.map(|v| percent(v.ratio()));
        [
            of_value("crossover", "%", c.crossover.map(in_percent), crossover),
            of_value("phase margin", "deg", c.phase_margin_deg, t.phase_margin.map(|v| v.deg())),
            of_curve("gain", "dB", c.gain_db, t.gain.map(|v| v.db())),
            of_curve("phase", "deg", c.phase_deg, t.phase.map(|v| v.deg())),
        ]
    }

    /// The changes with their tolerances; `only_beyond`: those that leave them.
    fn changes(&self, c: &Comparison, only_beyond: bool) -> String {
        if c.crossover_lost {
            return "only one of the two has a crossover in the band".to_owned();
        }
        if c.compared == 0 {
            return "the two sweeps have no common range inside the band".to_owned();
        }
        let mut parts: Vec<String> =
            self.aspects(c).iter().filter_map(|aspect| aspect.change(only_beyond)).collect();
        if let (true, Some(hz)) = (only_beyond, c.breaks_at_hz) {
            parts.push(format!("beyond the tolerance from {} on{}", frequency_text(hz), self.beside(hz)));
        }
        if parts.is_empty() { "nothing could be compared".to_owned() } else { parts.join(", ") }
    }
}

/// One of the things that two levels are compared by.
struct Aspect {
    what: &'static str,
    unit: &'static str,
    tolerance: Option<f64>,
    change: Option<Change>,
    /// Where the change is, Hz.
    at_hz: Option<f64>,
    /// Most noise of the difference, and where it is, Hz.
    noise: Option<(f64, Option<f64>)>,
}

impl Aspect {
    /// `gain +0.4 dB at 12 kHz (allowed 0.3 dB)`; `only_beyond`: if it leaves the tolerance.
    fn change(&self, only_beyond: bool) -> Option<String> {
        let (Change { value, noise }, tolerance) = (self.change?, self.tolerance?);
        if only_beyond && value.abs() - noise <= tolerance {
            return None;
        }
        let sign = if value < 0.0 { "-" } else { "+" };
        let size = format!("{sign}{} {}", number(value.abs(), 2), self.unit);
        Some(self.told(&size, self.at_hz, tolerance))
    }

    /// The same of the noise, where that alone exceeds the tolerance.
    fn too_noisy(&self) -> Option<String> {
        let ((noise, at_hz), tolerance) = (self.noise?, self.tolerance?);
        // Where the curve runs along 0 dB its noise moves a crossover anywhere.
        let size = if noise.is_finite() {
            format!("{} {}", number(noise, 2), self.unit)
        } else {
            "without a bound".to_owned()
        };
        (noise > tolerance).then(|| self.told(&size, at_hz, tolerance))
    }

    fn told(&self, size: &str, at_hz: Option<f64>, tolerance: f64) -> String {
        let place = at_hz.map_or_else(String::new, |hz| format!(" at {}", frequency_text(hz)));
        format!("{} {size}{place} (allowed {} {})", self.what, number(tolerance, 4), self.unit)
    }
}
