//! Units drawn from the tolerances.

use rand_distr::{Distribution, Uniform};
use rand_pcg::Pcg64;
use rand_pcg::rand_core::SeedableRng;

/// Units that are drawn. The ends of a range of 95 % stand on the outer 50 of each side, which leaves some 3 % of its width open; a share
/// of 1 % is known to 0.2 %.
pub const DRAWS: usize = 2_000;

/// The same units are drawn on any machine and in any order.
const SEED: u64 = 0x6c6f_6f70_6761_7567;

/// The parts of every unit: natural logarithms of part over nominal.
///
/// A unit is the same one at every corner, so that what a corner shows of it tells of the others.
#[derive(Debug, Clone, PartialEq)]
pub struct Units {
    parts: usize,
    changes: Vec<f64>,
}

impl Units {
    /// Draws [`DRAWS`] units; every part is uniform between nominal times 1 - t and 1 + t, independent of the others. Without parts there is
    /// nothing to draw.
    ///
    /// ```
    /// use loopgauge::circuit::predict::{DRAWS, Units};
    /// let units = Units::draw(&[0.2, 0.05]);
    /// assert_eq!(units.len(), DRAWS);
    /// assert!((0..units.len()).all(|k| units.of(k).iter().all(|change| change.exp() < 1.2)));
    /// assert_eq!(units, Units::draw(&[0.2, 0.05]));
    /// ```
    #[must_use]
    pub fn draw(tolerances: &[f64]) -> Self {
        let parts = tolerances.len();
        let mut random = Pcg64::seed_from_u64(SEED);
        let Ok(unit) = Uniform::new_inclusive(-1.0, 1.0) else { return Self { parts, changes: Vec::new() } };
        let each = std::iter::repeat_n(tolerances, DRAWS).flatten();
        Self {
            parts,
            changes: each.map(|tolerance| (tolerance * unit.sample(&mut random)).ln_1p()).collect(),
        }
    }

    /// How many there are.
    #[must_use]
    pub fn len(&self) -> usize {
        self.changes.len().checked_div(self.parts).unwrap_or(0)
    }

    /// Whether there is none: nothing varies.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.changes.is_empty()
    }

    /// The parts of one unit; empty beyond the last.
    #[must_use]
    pub fn of(&self, unit: usize) -> &[f64] {
        self.changes.get(unit * self.parts..(unit + 1) * self.parts).unwrap_or(&[])
    }
}
