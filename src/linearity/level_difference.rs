//! What changes from one level to the next, and what that says of the two.

use crate::spec::Tolerances;

/// A change with its expanded noise, in the unit of the quantity.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Change {
    /// Size, with sign (strong less weak).
    pub value: f64,
    /// Expanded noise of it, coverage factor 2.
    pub noise: f64,
}

/// A deviation of the curve and where it was found.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Deviation {
    /// The change; of all samples the one whose size less its noise is largest.
    pub change: Change,
    /// Frequency, Hz.
    pub at_hz: f64,
    /// Largest noise at any sample compared, in the unit of the quantity, and its frequency, Hz.
    pub most_noise: (f64, f64),
}
/// What two levels are to each other.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Relation {
    /// Inside every tolerance.
    Agrees,
    /// Beyond a tolerance by more than the noise.
    Differs,
    /// The noise alone exceeds a tolerance, or nothing could be compared.
    Unclear,
}

/// What changes from a weaker to a stronger level. `None` is what could not be compared.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Comparison {
    /// Relative change of the crossover frequency.
    pub crossover: Option<Change>,
    /// Change of the phase margin, deg.
    pub phase_margin_deg: Option<Change>,
    /// Largest deviation of the gain, dB.
    pub gain_db: Option<Deviation>,
    /// Largest deviation of the phase, deg.
    pub phase_deg: Option<Deviation>,
    /// Lowest frequency at which gain or phase leaves its tolerance, Hz.
    pub breaks_at_hz: Option<f64>,
    /// One of the two has a crossover and the other has none.
    pub crossover_lost: bool,
    /// One is a copy of the other: what both have is the same, but for digits or single rows.
    pub identical: bool,
    /// Samples compared.
    pub compared: usize,
    /// Range that was compared, Hz.
    pub range_hz: Option<(f64, f64)>,
    /// The same, where noise hides more than is allowed in other parts of the band.
    pub clean_hz: Option<(f64, f64)>,
}
impl Comparison {
    /// What the two levels are to each other under the tolerances given. Without a crossover in either, the tolerances that
    /// need one are left out.
    #[must_use]
    pub fn relation(&self, tolerances: &Tolerances) -> Relation {
        if self.crossover_lost {
            return Relation::Differs;
        }
        if self.compared == 0 {
            return Relation::Unclear;
        }
        let curve = |deviation: Option<Deviation>, tolerance: Option<f64>| {
            let Some(tolerance) = tolerance else { return Relation::Agrees };
            deviation.map_or(Relation::Unclear, |d| {
                let most = Change { noise: d.most_noise.0, ..d.change };
                match related(d.change, tolerance) {
                    Relation::Differs => Relation::Differs,
                    _ if most.noise > tolerance => Relation::Unclear,
                    _ => Relation::Agrees,
                }
            })
        };
        let value = |change: Option<Change>, tolerance: Option<f64>| {
            let Some(tolerance) = tolerance else { return Relation::Agrees };
            change.map_or(Relation::Unclear, |change| related(change, tolerance))
        };
        let mut relations = [
            curve(self.gain_db, tolerances.gain.map(|t| t.db())),
            curve(self.phase_deg, tolerances.phase.map(|t| t.deg())),
            Relation::Agrees,
            Relation::Agrees,
        ];
        if self.crossover.is_none() {
            // Something must be left to compare.
            if tolerances.gain.is_none() && tolerances.phase.is_none() {
                return Relation::Unclear;
            }
        } else {
            relations[2] = value(self.crossover, tolerances.crossover.map(|t| t.ratio()));
            relations[3] = value(self.phase_margin_deg, tolerances.phase_margin.map(|t| t.deg()));
        }
        if relations.contains(&Relation::Differs) {
            Relation::Differs
        } else if relations.contains(&Relation::Unclear) {
            Relation::Unclear
        } else {
            Relation::Agrees
        }
    }

    /// Whether the two levels agree inside every tolerance given. What was not comparable does not agree.
    #[must_use]
    pub fn agrees(&self, tolerances: &Tolerances) -> bool {
        self.relation(tolerances) == Relation::Agrees
    }
}

fn related(change: Change, tolerance: f64) -> Relation {
    if change.value.abs() - change.noise > tolerance {
        Relation::Differs
    } else if change.noise > tolerance {
        Relation::Unclear
    } else {
        Relation::Agrees
    }
}
