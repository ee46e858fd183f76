//! What a run says of the parts of its circuit.

use crate::check::{
    CauseOutcome, CircuitOutcome, PartChange, PartOutcome, Unit, cause_text, change_text, circuit_sentence,
    value_text,
};
use crate::quantity::{number, si};

/// Causes that are listed.
const CAUSES: usize = 3;
/// Probability below which a cause is not listed.
const CAUSE: f64 = 0.005;

/// A circuit in words.
#[derive(Debug, Clone, Copy)]
pub(in crate::report) struct CircuitStatement<'a>(&'a CircuitOutcome);

/// A part that the sweeps tell something of.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::report) struct PartRow<'a> {
    /// Its name.
    pub(in crate::report) part: &'a str,
    /// `10 uH`
    pub(in crate::report) nominal: String,
    /// `9.83 uH ± 0.12 uH`; `None` where the sweeps say nothing of its value.
    pub(in crate::report) value: Option<String>,
    /// `-1.7 %`, from nominal.
    pub(in crate::report) off: Option<String>,
    /// Share of the tolerance taken away, percent.
    pub(in crate::report) informed: u32,
    /// `-20 % ± 1 %`, since the accepted result.
    pub(in crate::report) moved: Option<String>,
}

impl<'a> CircuitStatement<'a> {
    /// Of a circuit.
    pub(in crate::report) const fn of(circuit: &'a CircuitOutcome) -> Self {
        Self(circuit)
    }

    /// What moved, in one sentence, where there is something to say: the finding of the run.
    pub(in crate::report) fn sentence(self) -> Option<String> {
        circuit_sentence(self.0)
    }

    /// Whether a part is named as what moved, or as beyond its tolerance.
    pub(in crate::report) fn is_cause_told(self) -> bool {
        let first = self.0.causes.first();
        first.is_some_and(|first| first.part != "nothing") && self.sentence().is_some()
    }

    /// Whose accepted result the movements are counted from.
    pub(in crate::report) fn since(self) -> Option<&'a str> {
        self.0.since.as_ref().map(|since| since.of.as_str())
    }

    /// The parts that the sweeps tell something of, in the order of the spec.
    pub(in crate::report) fn rows(self) -> Vec<PartRow<'a>> {
        let row = |own: &'a PartOutcome| {
            let value = own.value.zip(own.uncertainty);
            PartRow {
                part: &own.part,
                nominal: nominal_text(own),
                value: value.map(|(value, u)| part_text(value, Some(u), own.unit)),
                off: value.map(|(value, _)| off_text(value / own.nominal - 1.0)),
                // Rounded down: all of it is never taken away.
                informed: (100.0 * own.informed.clamp(0.0, 1.0)).floor() as u32,
                moved: self.moved(&own.part),
            }
        };
        self.0.parts.iter().map(row).filter(|row| row.value.is_some() || row.moved.is_some()).collect()
    }

    fn moved(self, part: &str) -> Option<String> {
        let own = |own: &&PartChange| own.part == part;
        let found = self.0.since.as_ref()?.parts.iter().find(own)?;
        let (change, u) = found.change.zip(found.uncertainty)?;
        Some(change_text(change, u))
    }

    /// The parts that they say nothing of.
    pub(in crate::report) fn silent(self) -> Option<String> {
        let told = self.rows();
        let is_told = |own: &PartOutcome| told.iter().any(|row| row.part == own.part);
        let silent: Vec<&str> =
            self.0.parts.iter().filter(|own| !is_told(own)).map(|own| own.part.as_str()).collect();
        (!silent.is_empty()).then(|| format!("the sweeps say nothing of {}", silent.join(", ")))
    }

    /// Pairs that are not told apart: `L1 and Cout: their product to 0.2 %`.
    pub(in crate::report) fn pairs(self) -> Vec<String> {
        let pair = |own: &crate::check::Together| {
            let [one, other] = &own.parts;
            format!("{one} and {other}: their {} to {} %", own.known, number(100.0 * own.uncertainty, 2))
        };
        self.0.together.iter().map(pair).collect()
    }

    /// The most probable causes with their probabilities: `Cout -20 % ± 1 % (0.98)`.
    pub(in crate::report) fn causes(self) -> Vec<String> {
        let is_listed = |cause: &&CauseOutcome| cause.probability >= CAUSE;
        self.0.causes.iter().take(CAUSES).filter(is_listed).map(cause_text).collect()
    }

    /// What the causes are causes of.
    pub(in crate::report) fn asked(self) -> &'static str {
        if self.0.since.is_some() { "what moved" } else { "what is beyond its tolerance" }
    }

    /// What parts inside their tolerances leave.
    pub(in crate::report) fn left(self) -> Option<String> {
        let left = number(self.0.unexplained?, 2);
        Some(format!("parts inside their tolerances leave at most {left} of 1 + |T| unexplained"))
    }

    /// All parts in one line: `L1 9.83 uH ± 0.12 uH (-1.7 %), …; the sweeps say nothing of Rl`.
    pub(in crate::report) fn parts_line(self) -> String {
        let rows = self.rows();
        let values = rows.iter().filter_map(|row| {
            let (value, off) = row.value.as_ref().zip(row.off.as_ref())?;
            Some(format!("{} {value} ({off})", row.part))
        });
        let values: Vec<String> = values.collect();
        let list = (!values.is_empty()).then(|| values.join(", "));
        list.into_iter().chain(self.silent()).collect::<Vec<_>>().join("; ")
    }

    /// What else there is to know, in one line: causes, pairs, what is left.
    pub(in crate::report) fn rest_line(self) -> String {
        let causes = self.causes();
        let causes =
            (!causes.is_empty()).then(|| format!("{}, by probability: {}", self.asked(), causes.join(", ")));
        let pairs = self.pairs();
        let pairs = (!pairs.is_empty()).then(|| format!("not told apart: {}", pairs.join(", ")));
        causes.into_iter().chain(pairs).chain(self.left()).collect::<Vec<_>>().join("; ")
    }
}

/// `-1.7 %`
fn off_text(share: f64) -> String {
    let percent = number(100.0 * share, 2);
    if share > 0.0 { format!("+{percent} %") } else { format!("{percent} %") }
}

fn nominal_text(own: &PartOutcome) -> String {
    let (scale, prefix) = prefix(own.nominal, own.unit);
    format!("{}{prefix}", number(own.nominal / scale, 4))
}

/// `9.83 uH ± 0.12 uH`; without a unit `350e-9 ± 12e-9`.
fn part_text(value: f64, uncertainty: Option<f64>, unit: &str) -> String {
    let (scale, prefix) = prefix(value, unit);
    let text = value_text(value / scale, uncertainty.map(|u| u / scale), Unit::One, false);
    format!("{}{prefix}", text.replace(" ± ", &format!("{prefix} ± ")))
}

/// Scale of a value, and what stands behind the number: ` uH`, or the power of ten where there is no unit.
fn prefix(value: f64, unit: &str) -> (f64, String) {
    if !unit.is_empty() {
        let (scale, prefix) = si(value);
        return (scale, format!(" {prefix}{unit}"));
    }
    if value == 0.0 || (1e-2..1e4).contains(&value.abs()) {
        return (1.0, String::new());
    }
    let thousands = (value.abs().log10() / 3.0).floor() as i32;
    (10f64.powi(3 * thousands), format!("e{}", 3 * thousands))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::sample;

    #[test]
    fn a_part_stands_with_its_prefix_and_a_parameter_without_a_unit() {
        assert_eq!(part_text(9.834e-6, Some(1.2e-7), "H"), "9.83 uH ± 0.12 uH");
        assert_eq!(part_text(1.0123e-2, Some(4e-4), "ohm"), "10.12 mohm ± 0.40 mohm");
        assert_eq!(part_text(3.5e-7, Some(1.2e-8), ""), "350e-9 ± 12e-9");
        assert_eq!(part_text(2.031, Some(0.012), ""), "2.031 ± 0.012");
    }

    #[test]
    fn a_part_that_nothing_is_known_of_is_no_result() {
        let circuit = sample::circuit();
        let told = CircuitStatement::of(&circuit);
        let rows = told.rows();
        assert_eq!(rows.iter().map(|row| row.part).collect::<Vec<_>>(), ["L1", "Cout"]);
        assert_eq!(rows[1].moved.as_deref(), Some("-20 % ± 1 %"));
        assert_eq!(told.silent().as_deref(), Some("the sweeps say nothing of COMPUTE"));
        assert!(!told.parts_line().contains("COMPUTE 3"), "{}", told.parts_line());
        assert_eq!(told.pairs(), ["L1 and Cout: their product to 0.2 %"]);
        assert!(told.is_cause_told());
        assert_eq!(told.causes(), ["Cout -20 % ± 1 % (0.98)", "several parts (0.02)"]);
    }
}
