//! Steps of elimination, and right sides through the triangles that they leave: of real or of complex numbers.

use super::plan::{Pivot, Steps};
use std::ops::{Mul, MulAssign, SubAssign};

/// Takes the steps: factors of the rows below each pivot, and the inverses of the pivots. Behind the entries of the steps may be others that
/// they change.
pub(super) fn eliminate<F>(steps: &Steps, entries: &mut [F], inverses: &mut Vec<F>, inverse: impl Fn(&F) -> F)
where
    F: Copy + Mul<Output = F> + MulAssign + SubAssign,
{
    inverses.clear();
    let mut targets = steps.targets.iter();
    let mut left = entries;
    for Pivot { right, below, .. } in &steps.pivots {
        let Some((block, behind)) = left.split_at_mut_checked(1 + right + below) else { return };
        left = behind;
        let Some((own, sides)) = block.split_first_mut() else { return };
        let inverse = inverse(own);
        inverses.push(inverse);
        let (right, below) = sides.split_at_mut(*right);
        for factor in below {
            *factor *= inverse;
            for (value, target) in right.iter().zip(&mut targets) {
                if let Some(target) = left.get_mut(*target as usize) {
                    *target -= *factor * *value;
                }
            }
        }
    }
}

/// What the steps left.
#[derive(Debug, Clone, Copy)]
pub(super) struct Triangles<'a, F> {
    pub(super) steps: &'a Steps,
    pub(super) factors: &'a [F],
    pub(super) inverses: &'a [F],
}

/// All in place. A solution takes first every part's `down`, then every part's `up`, the last part first.
impl<F: Copy> Triangles<'_, F> {
    pub(super) fn down<S: Side<F>>(&self, side: &mut [S]) {
        for (number, pivot) in (self.steps.first..).zip(&self.steps.pivots) {
            let value = side.get(number).copied().unwrap_or_default();
            if value != S::default() {
                take(self.below(pivot), value, side);
            }
        }
    }

    pub(super) fn up<S: Side<F>>(&self, side: &mut [S]) {
        for ((number, pivot), inverse) in self.numbered().zip(self.inverses.iter().rev()) {
            let value = left(self.right(pivot), number, side);
            if let Some(own) = side.get_mut(number) {
                *own = value * *inverse;
            }
        }
    }

    /// The same for the transposed equations.
    pub(super) fn down_transposed<S: Side<F>>(&self, side: &mut [S]) {
        let numbered = (self.steps.first..).zip(&self.steps.pivots);
        for ((number, pivot), inverse) in numbered.zip(self.inverses) {
            let Some(own) = side.get_mut(number).filter(|own| **own != S::default()) else { continue };
            let value = *own * *inverse;
            *own = value;
            take(self.right(pivot), value, side);
        }
    }

    pub(super) fn up_transposed<S: Side<F>>(&self, side: &mut [S]) {
        for (number, pivot) in self.numbered() {
            let value = left(self.below(pivot), number, side);
            if let Some(own) = side.get_mut(number) {
                *own = value;
            }
        }
    }

    /// The pivots with their numbers, the last one first.
    fn numbered(&self) -> impl Iterator<Item = (usize, &Pivot)> {
        let numbers = self.steps.first..self.steps.first + self.steps.pivots.len();
        numbers.zip(&self.steps.pivots).rev()
    }

    fn right(&self, pivot: &Pivot) -> impl Iterator<Item = (&u32, &F)> {
        self.entries(pivot.at + 1, pivot.right)
    }

    fn below(&self, pivot: &Pivot) -> impl Iterator<Item = (&u32, &F)> {
        self.entries(pivot.at + 1 + pivot.right, pivot.below)
    }

    fn entries(&self, from: usize, count: usize) -> impl Iterator<Item = (&u32, &F)> {
        let places = self.steps.places.get(from..from + count).unwrap_or_default();
        let factors = self.factors.get(from..from + count).unwrap_or_default();
        places.iter().zip(factors)
    }
}

/// Numbers of a right side.
pub(super) trait Side<F>: Copy + Default + PartialEq + SubAssign + Mul<F, Output = Self> {}

impl<F, S: Copy + Default + PartialEq + SubAssign + Mul<F, Output = S>> Side<F> for S {}

/// Takes the multiple of a value from each of these places.
fn take<'a, F: Copy + 'a, S: Side<F>>(
    entries: impl Iterator<Item = (&'a u32, &'a F)>,
    value: S,
    side: &mut [S],
) {
    for (place, factor) in entries {
        if let Some(other) = side.get_mut(*place as usize) {
            *other -= value * *factor;
        }
    }
}

/// A value less the multiples of those at these places.
fn left<'a, F: Copy + 'a, S: Side<F>>(
    entries: impl Iterator<Item = (&'a u32, &'a F)>,
    number: usize,
    side: &[S],
) -> S {
    let mut value = side.get(number).copied().unwrap_or_default();
    for (place, factor) in entries {
        if let Some(other) = side.get(*place as usize) {
            value -= *other * *factor;
        }
    }
    value
}
