//! How linearity is told: which levels agree, by how much others do not, and what to do.

use super::refused::invalid;
use crate::analysed::Analysed;
use crate::check::SweepInput;
use crate::check::levels::{Level, files};
use crate::check::measure::judged_span;
use crate::check::outcome::CheckOutcome;
use crate::check::wording::{frequency_text, hertz};
use crate::curve::Span;
use crate::decision::Verdict;
use crate::linearity::{Change, Comparison, Deviation, Relation, Selection};
use crate::margins::crossover;
use crate::quantity::number;
use crate::spec::Tolerances;

/// Two levels that were compared.
struct Pair<'a> {
    weak: usize,
    strong: usize,
    comparison: &'a Comparison,
}

/// The sentences of linearity.
pub(super) struct Words<'a> {
    pub(super) levels: &'a [Level],
    pub(super) sweeps: &'a [SweepInput<'a>],
    pub(super) tolerances: &'a Tolerances,
    pub(super) prepared: &'a [Analysed],
    pub(super) band: Option<Span>,
    /// Pairs of levels that agree, the weaker one first, as far as they were compared.
    pub(super) agreeing: Vec<(usize, usize)>,
}

impl Words<'_> {
    fn level(&self, i: usize) -> String {
        let level = self.levels.get(i);
        level.and_then(|l| l.text.clone()).unwrap_or_else(|| "the only level".to_owned())
    }

    fn file(&self, i: usize) -> String {
        self.levels.get(i).map_or_else(String::new, |l| files(l, self.sweeps).join(", "))
    }

    /// The check where a level is confirmed by another one.
    pub(super) fn confirmed(&self, i: usize, j: usize, comparison: Option<&Comparison>) -> CheckOutcome {
        let changes = comparison.map_or_else(String::new, |c| format!(": {}", self.changes(c, false)));
        let clean = comparison.and_then(|c| c.clean_hz).map_or_else(String::new, |(from, to)| {
            format!(
                ", compared from {} to {}; beyond, noise hides more than is allowed",
                frequency_text(from),
                frequency_text(to)
            )
        });
        let message = format!("{} is confirmed by {}{changes}{clean}", self.level(i), self.level(j));
        let range_hz = comparison.and_then(|c| c.range_hz).map(|(from, to)| hertz([from.ln(), to.ln()]));
        CheckOutcome { range_hz, ..CheckOutcome::bare("linearity", Verdict::Pass, message) }
    }

    /// The check where none is.
    pub(super) fn refused(&self, selection: &Selection) -> CheckOutcome {
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
                    "{} holds the numbers of {}: a copy confirms nothing",
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
