//! Complex linear equations of one circuit, solved at one frequency after the other.
//!
//! The elimination follows a [`Plan`]. Every solution is put back into the equations: the largest residual of a row, as a share of the
//! terms of that row (the componentwise backward error: W. Oettli, W. Prager, "Compatibility of approximate solution of linear
//! equations with given error bounds", Numerische Mathematik 6, 1964, 405-409), says of how different equations it would be the
//! exact solution. Is it more than rounding, the solution is refined once; does that not help, a dense elimination with
//! partial pivoting takes over.

use super::plan::Plan;
use crate::sweep::Complex64;
use nalgebra::{DMatrix, DVector};

/// Backward error that is rounding: a hundred units in the last place of a double.
const ROUNDING: f64 = 2e-14;
/// Backward error that is taken: three digits better than the loop gain is wanted.
const TAKEN: f64 = 1e-12;

/// Memory for the equations and their solution.
#[derive(Debug, Clone, Default)]
pub(super) struct Equations {
    /// Entries in the order of the plan.
    pub(super) entries: Vec<Complex64>,
    factors: Vec<Complex64>,
    inverses: Vec<Complex64>,
    rest: Vec<Complex64>,
    scale: Vec<f64>,
    /// The solution.
    pub(super) solution: Vec<Complex64>,
    /// The solution of the transposed equations.
    pub(super) adjoint: Vec<Complex64>,
    step: Vec<Complex64>,
    /// Where the plan was not good enough: all of it, eliminated densely.
    dense: Option<Box<Dense>>,
}

/// A dense elimination of the equations with rows and columns divided by these.
#[derive(Debug, Clone)]
struct Dense {
    factors: nalgebra::LU<Complex64, nalgebra::Dyn, nalgebra::Dyn>,
    transposed: nalgebra::LU<Complex64, nalgebra::Dyn, nalgebra::Dyn>,
    rows: Vec<f64>,
    columns: Vec<f64>,
}

impl Equations {
    pub(super) fn new(plan: &Plan) -> Self {
        Self { entries: vec![Complex64::default(); plan.entries.len()], ..Self::default() }
    }

    /// Solves for a right side of 1 in row `row`. `false` where no solution is good enough.
    pub(super) fn solve(&mut self, plan: &Plan, row: usize) -> bool {
        self.dense = None;
        self.eliminate(plan);
        self.rest_of(plan, row);
        self.solution.clone_from(&self.rest);
        forward(plan, &self.factors, &self.inverses, &mut self.solution, &mut self.step);
        if self.residual(plan, row) <= ROUNDING {
            return true;
        }
        self.refine(plan);
        if self.residual(plan, row) <= TAKEN {
            return true;
        }
        self.solve_densely(plan, row)
    }

    /// Solves the transposed equations for a right side of 1 in column `column`, after [`Equations::solve`].
    pub(super) fn solve_transposed(&mut self, plan: &Plan, column: usize) {
        let size = plan.pivots.len();
        self.adjoint.clear();
        self.adjoint.resize(size, Complex64::default());
        if let Some(right) = self.adjoint.get_mut(column) {
            *right = Complex64::new(1.0, 0.0);
        }
        match &self.dense {
            Some(dense) => dense.solve_transposed(&mut self.adjoint),
            None => backward(plan, &self.factors, &self.inverses, &mut self.adjoint, &mut self.step),
        }
    }

    /// The equations to triangles.
    fn eliminate(&mut self, plan: &Plan) {
        self.factors.clone_from(&self.entries);
        self.inverses.clear();
        let mut targets = plan.targets.iter();
        let mut left = self.factors.as_mut_slice();
        for pivot in &plan.pivots {
            let (columns, rows) = (pivot.columns.len(), pivot.rows.len());
            let Some((block, behind)) = left.split_at_mut_checked(1 + columns + rows) else { return };
            left = behind;
            let Some((own, sides)) = block.split_first_mut() else { return };
            let inverse = own.inv();
            self.inverses.push(inverse);
            let (right, below) = sides.split_at_mut(columns);
            for factor in below {
                *factor *= inverse;
                for (value, target) in right.iter().zip(&mut targets) {
                    if let Some(target) = left.get_mut(*target as usize) {
                        *target -= *factor * value;
                    }
                }
            }
        }
    }

    /// The right side.
    fn rest_of(&mut self, plan: &Plan, row: usize) {
        self.rest.clear();
        self.rest.resize(plan.pivots.len(), Complex64::default());
        if let Some(right) = self.rest.get_mut(row) {
            *right = Complex64::new(1.0, 0.0);
        }
    }

    /// What the solution leaves of the right side, and its largest share; infinite where something is not finite.
    fn residual(&mut self, plan: &Plan, row: usize) -> f64 {
        self.rest_of(plan, row);
        self.scale.clear();
        self.scale.extend(self.rest.iter().map(Complex64::l1_norm));
        for (value, (row, column)) in self.entries.iter().zip(&plan.entries) {
            let Some(x) = self.solution.get(*column as usize) else { continue };
            let at = *row as usize;
            if let (Some(rest), Some(scale)) = (self.rest.get_mut(at), self.scale.get_mut(at)) {
                *rest -= value * x;
                *scale += value.l1_norm() * x.l1_norm();
            }
        }
        let shares = self.rest.iter().zip(&self.scale);
        let shares = shares.map(|(rest, scale)| if *scale == 0.0 { 0.0 } else { rest.l1_norm() / scale });
        // A comparison with what is not a number would lose it.
        shares.fold(0.0, |most: f64, share| if share.is_finite() { most.max(share) } else { f64::INFINITY })
    }

    /// One step of refinement: the residual solved for, and added.
    fn refine(&mut self, plan: &Plan) {
        let mut change = std::mem::take(&mut self.rest);
        match &self.dense {
            Some(dense) => dense.solve(&mut change),
            None => forward(plan, &self.factors, &self.inverses, &mut change, &mut self.step),
        }
        for (value, change) in self.solution.iter_mut().zip(&change) {
            *value += change;
        }
        self.rest = change;
    }

    fn solve_densely(&mut self, plan: &Plan, row: usize) -> bool {
        self.dense = Some(Box::new(Dense::new(plan, &self.entries)));
        self.rest_of(plan, row);
        self.solution.fill(Complex64::default());
        self.refine(plan);
        for _ in 0..2 {
            if self.residual(plan, row) <= ROUNDING {
                return true;
            }
            self.refine(plan);
        }
        self.residual(plan, row) <= TAKEN
    }
}

/// Right side to solution, in place; `step` is memory.
fn forward(
    plan: &Plan,
    factors: &[Complex64],
    inverses: &[Complex64],
    side: &mut [Complex64],
    step: &mut Vec<Complex64>,
) {
    step.clear();
    for pivot in &plan.pivots {
        let value = side.get(pivot.row).copied().unwrap_or_default();
        step.push(value);
        if value == Complex64::default() {
            continue;
        }
        let below = factors.iter().skip(pivot.at + 1 + pivot.columns.len());
        for (row, factor) in pivot.rows.iter().zip(below) {
            if let Some(other) = side.get_mut(*row as usize) {
                *other -= factor * value;
            }
        }
    }
    for ((pivot, inverse), value) in plan.pivots.iter().zip(inverses).zip(step.iter()).rev() {
        let mut value = *value;
        for (column, factor) in pivot.columns.iter().zip(factors.iter().skip(pivot.at + 1)) {
            if let Some(other) = side.get(*column as usize) {
                value -= factor * other;
            }
        }
        if let Some(own) = side.get_mut(pivot.column) {
            *own = value * inverse;
        }
    }
}

/// The same for the transposed equations.
fn backward(
    plan: &Plan,
    factors: &[Complex64],
    inverses: &[Complex64],
    side: &mut [Complex64],
    step: &mut Vec<Complex64>,
) {
    step.clear();
    for (pivot, inverse) in plan.pivots.iter().zip(inverses) {
        let value = side.get(pivot.column).copied().unwrap_or_default() * inverse;
        step.push(value);
        if value == Complex64::default() {
            continue;
        }
        for (column, factor) in pivot.columns.iter().zip(factors.iter().skip(pivot.at + 1)) {
            if let Some(other) = side.get_mut(*column as usize) {
                *other -= factor * value;
            }
        }
    }
    for (pivot, value) in plan.pivots.iter().zip(step.iter()).rev() {
        let mut value = *value;
        let below = factors.iter().skip(pivot.at + 1 + pivot.columns.len());
        for (row, factor) in pivot.rows.iter().zip(below) {
            if let Some(other) = side.get(*row as usize) {
                value -= factor * other;
            }
        }
        if let Some(own) = side.get_mut(pivot.row) {
            *own = value;
        }
    }
}

impl Dense {
    fn new(plan: &Plan, entries: &[Complex64]) -> Self {
        let size = plan.pivots.len();
        let mut matrix = DMatrix::<Complex64>::zeros(size, size);
        for (value, (row, column)) in entries.iter().zip(&plan.entries) {
            if let Some(entry) = matrix.get_mut((*row as usize, *column as usize)) {
                *entry += value;
            }
        }
        let or_one = |largest: f64| if largest > 0.0 && largest.is_finite() { largest } else { 1.0 };
        let largest = |values: &mut dyn Iterator<Item = &Complex64>| {
            or_one(values.fold(0.0, |most: f64, value| most.max(value.norm())))
        };
        let rows: Vec<f64> = matrix.row_iter().map(|row| largest(&mut row.iter())).collect();
        for (mut row, by) in matrix.row_iter_mut().zip(&rows) {
            row /= Complex64::new(*by, 0.0);
        }
        let columns: Vec<f64> = matrix.column_iter().map(|column| largest(&mut column.iter())).collect();
        for (mut column, by) in matrix.column_iter_mut().zip(&columns) {
            column /= Complex64::new(*by, 0.0);
        }
        let transposed = matrix.transpose().lu();
        Self { factors: matrix.lu(), transposed, rows, columns }
    }

    /// Right side to solution, in place; not a number where there is none.
    fn solve(&self, side: &mut Vec<Complex64>) {
        solve_scaled(&self.factors, side, &self.rows, &self.columns);
    }

    fn solve_transposed(&self, side: &mut Vec<Complex64>) {
        solve_scaled(&self.transposed, side, &self.columns, &self.rows);
    }
}

fn solve_scaled(
    factors: &nalgebra::LU<Complex64, nalgebra::Dyn, nalgebra::Dyn>,
    side: &mut Vec<Complex64>,
    before: &[f64],
    after: &[f64],
) {
    let scaled = side.iter().zip(before).map(|(value, by)| value / by);
    let mut vector = DVector::from_iterator(side.len(), scaled);
    let is_solved = factors.solve_mut(&mut vector);
    side.clear();
    let nothing = Complex64::new(f64::NAN, f64::NAN);
    side.extend(vector.iter().zip(after).map(|(value, by)| if is_solved { value / by } else { nothing }));
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeMap;

    /// Equations with a few entries in each row, of all sizes, from a fixed generator.
    fn some_equations(size: usize) -> BTreeMap<(usize, usize), [Complex64; 3]> {
        let mut state = 1u64;
        let mut next = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 33) as f64 / f64::from(u32::MAX) * 2.0 - 0.5
        };
        let mut entries = BTreeMap::new();
        for row in 0..size {
            for column in [row, (row * 7 + 3) % size, (row * 5 + 1) % size] {
                let value = Complex64::new(next(), next()) * 10f64.powf(6.0 * next());
                entries.insert((row, column), [value; 3]);
            }
        }
        entries
    }

    #[test]
    fn the_plan_and_the_dense_elimination_agree() {
        for size in [1, 2, 5, 40] {
            let given = some_equations(size);
            let plan = Plan::new(size, &given).unwrap();
            let mut equations = Equations::new(&plan);
            for (slot, (row, column)) in plan.entries.iter().enumerate() {
                let value = given.get(&(*row as usize, *column as usize));
                equations.entries[slot] = value.map_or_else(Complex64::default, |value| value[0]);
            }
            assert!(equations.solve(&plan, 0) && equations.dense.is_none());
            equations.solve_transposed(&plan, size - 1);
            let (solution, adjoint) = (equations.solution.clone(), equations.adjoint.clone());
            assert!(equations.solve_densely(&plan, 0));
            equations.solve_transposed(&plan, size - 1);
            let pairs =
                solution.iter().zip(&equations.solution).chain(adjoint.iter().zip(&equations.adjoint));
            let largest =
                solution.iter().chain(&adjoint).fold(0.0, |most: f64, value| most.max(value.norm()));
            pairs.for_each(|(one, other)| assert!((one - other).norm() <= 1e-9 * largest, "{one} {other}"));
        }
    }

    #[test]
    fn equations_without_a_solution_are_told() {
        let one = [Complex64::new(1.0, 0.0); 3];
        let singular = BTreeMap::from([((0, 0), one), ((0, 1), one), ((1, 0), one), ((1, 1), one)]);
        assert!(Plan::new(2, &singular).is_err());
        let regular = BTreeMap::from([
            ((0, 0), one),
            ((0, 1), one),
            ((1, 0), one),
            ((1, 1), [Complex64::default(); 3]),
        ]);
        let plan = Plan::new(2, &regular).unwrap();
        let mut equations = Equations::new(&plan);
        equations.entries.fill(Complex64::new(1.0, 0.0));
        assert!(!equations.solve(&plan, 0));
    }
}
