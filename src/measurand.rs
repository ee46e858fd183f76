//! What is measured on a loop gain: one table, from which specs, checks, results, baselines, histories and reports take names, keys and
//! units. Counts of crossovers and the gain at places that a spec names are no measurands: there is one of each place, or no uncertainty.
//!
//! **Why are values of a measurand bare numbers?** They are handled side by side, in loops over the table. [`Measurand::unit`] is their
//! unit, and the readers of files hand on nothing else.

use crate::quantity::Unit;

/// A quantity intended to be measured (the term of the international vocabulary of metrology, JCGM 200:2012, 2.3).
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Measurand {
    /// The highest falling crossover, Hz.
    Crossover,
    /// The phase margin nearest to 0, deg.
    PhaseMargin,
    /// Gain margin, dB.
    GainMargin,
    /// Gain reduction margin, dB.
    GainReductionMargin,
    /// Smallest distance to the critical point, a bare number.
    StabilityMargin,
    /// Delay margin, s.
    DelayMargin,
}

/// The change of a value that is unwelcome.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Unwelcome {
    /// To a smaller value: a margin is lost.
    Drop,
    /// To a larger value.
    Rise,
    /// Either way, in proportion: a place in frequency.
    Shift,
}

impl Unwelcome {
    /// Its key in a spec: `{drop: 3 deg}`.
    #[must_use]
    pub const fn key(self) -> &'static str {
        match self {
            Self::Drop => "drop",
            Self::Rise => "rise",
            Self::Shift => "shift",
        }
    }

    /// How a value that is worse compares with one that is better.
    #[must_use]
    pub const fn comparative(self) -> &'static str {
        match self {
            Self::Drop => "smaller",
            Self::Rise => "larger",
            Self::Shift => "another",
        }
    }

    /// Whether a value is worse than another.
    #[must_use]
    pub fn is_worse(self, value: f64, than: f64) -> bool {
        match self {
            Self::Drop => value < than,
            Self::Rise => value > than,
            Self::Shift => value != than,
        }
    }
}

/// What there is to know of a measurand.
#[derive(Debug, Clone, Copy)]
struct Entry {
    /// Its name in a spec.
    name: &'static str,
    /// Its key in results and baselines: the name with its unit.
    key: &'static str,
    unit: Unit,
    unwelcome: Unwelcome,
    /// What it is, for those who write specs.
    meaning: &'static str,
    /// A limit, a change against the baseline and a movement worth an action, as a spec would write them.
    examples: [&'static str; 3],
    /// What a sweep lacks that has none, and what to do about it.
    absent: [&'static str; 2],
    /// What to do about a value below its limit.
    too_low: &'static str,
    /// What to do about a value above its limit.
    too_high: &'static str,
}

const LEAD: &str = "repeat the sweep once; if it stays, the compensation lacks lead at this corner: check its parts and the output \
                    capacitors, then the design";
const SLOPE: &str = "repeat the sweep once; if it stays, the gain falls too slowly beyond the crossover: check the poles of the \
                     compensation and the output capacitors";
const CROSSOVER: &str = "look at the sweep: extend the band to where the gain crosses 0 dB, and check the gain column's unit and \
                         the probes";
const PHASE_CROSSOVER: &str = "look at the sweep: extend the band to where the phase passes the critical point's direction, and check \
                               the phase column's unit";
const SAMPLE: &str = "look at the sweep, and let the band reach to where it is measured";
const OSCILLATION: &str = "the loop comes close to oscillation when its gain falls (start-up, low input, current limit): raise the \
                           low-frequency phase or the gain";

impl Measurand {
    /// All of them, in the order of the checks.
    pub const ALL: [Self; 6] = [
        Self::Crossover,
        Self::PhaseMargin,
        Self::GainMargin,
        Self::GainReductionMargin,
        Self::StabilityMargin,
        Self::DelayMargin,
    ];

    const fn entry(self) -> Entry {
        match self {
            Self::Crossover => Entry {
                name: "crossover",
                key: "crossover_hz",
                unit: Unit::Hz,
                unwelcome: Unwelcome::Shift,
                meaning: "The highest falling crossover, Hz.",
                examples: ["{min: 8 kHz, max: 30 kHz}", "10 %", "2 %"],
                absent: ["no falling crossover", CROSSOVER],
                too_low: "the loop is slower than declared: check input voltage, load and the parts of the compensation network",
                too_high: "the loop is faster than declared: check input voltage, load, output capacitors and the parts of the \
                           compensation network",
            },
            Self::PhaseMargin => Entry {
                name: "phase_margin",
                key: "phase_margin_deg",
                unit: Unit::Deg,
                unwelcome: Unwelcome::Drop,
                meaning: "Size of the phase margin nearest to 0, deg. Common practice: at least 45 deg.",
                examples: ["{min: 50 deg}", "3 deg", "1 deg"],
                absent: ["no crossover", CROSSOVER],
                too_low: LEAD,
                too_high: LEAD,
            },
            Self::GainMargin => Entry {
                name: "gain_margin",
                key: "gain_margin_db",
                unit: Unit::Db,
                unwelcome: Unwelcome::Drop,
                meaning: "Gain margin, dB. Common practice: at least 6 dB.",
                examples: ["{min: 10 dB}", "1 dB", "0.5 dB"],
                absent: ["no phase crossover", PHASE_CROSSOVER],
                too_low: SLOPE,
                too_high: SLOPE,
            },
            Self::GainReductionMargin => Entry {
                name: "gain_reduction_margin",
                key: "gain_reduction_margin_db",
                unit: Unit::Db,
                unwelcome: Unwelcome::Drop,
                meaning: "How far the gain may fall, dB; for conditionally stable loops.",
                examples: ["{min: 6 dB}", "1 dB", "0.5 dB"],
                absent: ["no phase crossover above 0 dB", PHASE_CROSSOVER],
                too_low: OSCILLATION,
                too_high: OSCILLATION,
            },
            Self::StabilityMargin => Entry {
                name: "stability_margin",
                key: "stability_margin",
                unit: Unit::One,
                unwelcome: Unwelcome::Drop,
                meaning: "Smallest distance to the critical point, a bare number. Common practice: at least 0.5.",
                examples: ["{min: 0.5}", "0.05", "0.02"],
                absent: ["no sample", SAMPLE],
                too_low: LEAD,
                too_high: LEAD,
            },
            Self::DelayMargin => Entry {
                name: "delay_margin",
                key: "delay_margin_s",
                unit: Unit::S,
                unwelcome: Unwelcome::Drop,
                meaning: "Extra delay that the loop bears, s.",
                examples: ["{min: 2 us}", "0.5 us", "0.2 us"],
                absent: ["no crossover", CROSSOVER],
                too_low: LEAD,
                too_high: LEAD,
            },
        }
    }

    /// The measurand of a name in a spec.
    #[must_use]
    pub fn named(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|measurand| measurand.name() == name)
    }

    /// The measurand of a key in results.
    #[must_use]
    pub fn of_key(key: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|measurand| measurand.key() == key)
    }

    /// Its name in a spec.
    #[must_use]
    pub const fn name(self) -> &'static str {
        self.entry().name
    }

    /// Its name in a sentence.
    #[must_use]
    pub fn title(self) -> String {
        self.name().replace('_', " ")
    }

    /// Its key in results and baselines: the name with its unit.
    #[must_use]
    pub const fn key(self) -> &'static str {
        self.entry().key
    }

    /// The unit that it is measured in.
    #[must_use]
    pub const fn unit(self) -> Unit {
        self.entry().unit
    }

    /// What it is, a sentence for those who write specs.
    #[must_use]
    pub const fn meaning(self) -> &'static str {
        self.entry().meaning
    }

    /// A limit as a spec would write it: `{min: 50 deg}`.
    #[must_use]
    pub const fn limit_example(self) -> &'static str {
        let [limit, ..] = self.entry().examples;
        limit
    }

    /// A change as a spec would write it: `3 deg`.
    #[must_use]
    pub const fn change_example(self) -> &'static str {
        let [_, change, _] = self.entry().examples;
        change
    }

    /// A movement worth an action as a spec would write it: `1 deg`.
    #[must_use]
    pub const fn movement_example(self) -> &'static str {
        let [.., movement] = self.entry().examples;
        movement
    }

    /// What a sweep lacks that has none: `no crossover`.
    #[must_use]
    pub const fn absent(self) -> &'static str {
        let [lacks, _] = self.entry().absent;
        lacks
    }

    /// What to do about a sweep that has none.
    #[must_use]
    pub const fn remedy_where_absent(self) -> &'static str {
        let [_, remedy] = self.entry().absent;
        remedy
    }

    /// What to do about a value on the wrong side of its limit.
    #[must_use]
    pub const fn remedy(self, is_too_low: bool) -> &'static str {
        let entry = self.entry();
        if is_too_low { entry.too_low } else { entry.too_high }
    }

    /// The value as a limit holds it: of a phase margin the size, whose sign tells rising from falling crossovers.
    #[must_use]
    pub const fn held(self, value: f64) -> f64 {
        if matches!(self, Self::PhaseMargin) { value.abs() } else { value }
    }

    /// The change that a comparison watches for.
    #[must_use]
    pub const fn unwelcome(self) -> Unwelcome {
        self.entry().unwelcome
    }

    /// Whether the value is itself a place on the frequency axis, which needs no other beside it.
    #[must_use]
    pub const fn is_place(self) -> bool {
        matches!(self.unit(), Unit::Hz)
    }

    /// Whether a change is told relative to the accepted value.
    #[must_use]
    pub const fn is_relative(self) -> bool {
        matches!(self.unwelcome(), Unwelcome::Shift)
    }
}

/// Something of every measurand that has it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PerMeasurand<T>([Option<T>; Measurand::ALL.len()]);

impl<T> Default for PerMeasurand<T> {
    fn default() -> Self {
        Self([const { None }; Measurand::ALL.len()])
    }
}

impl<T: Copy> PerMeasurand<T> {
    /// Asks for each in turn, in the order of the checks.
    #[must_use]
    pub fn of(each: impl FnMut(Measurand) -> Option<T>) -> Self {
        Self(Measurand::ALL.map(each))
    }

    /// With one set, or taken out.
    ///
    /// ```
    /// use loopgauge::measurand::{Measurand, PerMeasurand};
    /// let drops = PerMeasurand::default().with(Measurand::PhaseMargin, Some(3.0));
    /// assert_eq!(drops.get(Measurand::PhaseMargin), Some(3.0));
    /// assert_eq!(drops.get(Measurand::GainMargin), None);
    /// ```
    #[must_use]
    pub fn with(mut self, measurand: Measurand, value: Option<T>) -> Self {
        if let Some(own) = self.0.get_mut(measurand as usize) {
            *own = value;
        }
        self
    }

    /// What one has.
    #[must_use]
    pub fn get(&self, measurand: Measurand) -> Option<T> {
        self.0.get(measurand as usize).copied().flatten()
    }

    /// What one has, to change it.
    pub fn get_mut(&mut self, measurand: Measurand) -> Option<&mut T> {
        self.0.get_mut(measurand as usize)?.as_mut()
    }

    /// Those that are there, in the order of the checks.
    pub fn iter(&self) -> impl Iterator<Item = (Measurand, T)> {
        Measurand::ALL.into_iter().zip(self.0).filter_map(|(measurand, value)| Some((measurand, value?)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_place_in_the_table_is_the_place_in_the_array() {
        let all = PerMeasurand::of(Some);
        for (i, measurand) in Measurand::ALL.into_iter().enumerate() {
            assert_eq!((measurand as usize, all.get(measurand)), (i, Some(measurand)));
            assert_eq!(Measurand::named(measurand.name()), Some(measurand));
            assert_eq!(Measurand::of_key(measurand.key()), Some(measurand));
        }
    }

    #[test]
    fn a_key_is_the_name_with_its_unit() {
        for measurand in Measurand::ALL {
            let unit = match measurand.unit() {
                Unit::One => String::new(),
                unit => format!("_{}", unit.symbol().to_lowercase()),
            };
            assert_eq!(measurand.key(), format!("{}{unit}", measurand.name()));
        }
    }
}
