//! Complex linear equations of one circuit, solved at one frequency after the other.
//!
//! The elimination follows a [`Plan`]: its head once for values of the parts, in real numbers ([`Coefficients`]), its tail at every frequency.
//! Every solution is put back into the equations, all of them: the largest residual of a row, as a share of the
//! terms of that row (the componentwise backward error: W. Oettli, W. Prager, "Compatibility of approximate solution of linear
//! equations with given error bounds", Numerische Mathematik 6, 1964, 405-409), says of how different equations it would be the
//! exact solution. Is it more than rounding, the solution is refined some times; does that not help, a dense elimination with
//! partial pivoting takes over.

use super::plan::Plan;
use super::triangles::{Triangles, eliminate};
use crate::sweep::Complex64;
use nalgebra::{DMatrix, DVector};

/// Backward error that is rounding: a hundred units in the last place of a double.
const ROUNDING: f64 = 2e-14;
/// Steps of refinement, at most.
const STEPS: usize = 5;
/// Backward error that is taken: three digits better than the loop gain is wanted.
const TAKEN: f64 = 1e-12;

/// The equations for values of the parts, at all frequencies. Numbers are in the order of the plan's terms.
#[derive(Debug, Clone, Default)]
pub(super) struct Coefficients {
    /// What does not depend on frequency, and what is multiplied by j omega.
    pub(super) fixed: Vec<f64>,
    pub(super) rates: Vec<f64>,
    /// Term, line and factor of exp(-j omega delay).
    pub(super) delays: Vec<(usize, usize, f64)>,
    head: Head,
}

/// What is the same at all frequencies of the elimination and of both right sides.
#[derive(Debug, Clone, Default)]
struct Head {
    /// Factors; behind them what the tail starts from.
    entries: Vec<f64>,
    inverses: Vec<f64>,
    /// What multiplies j omega in the tail.
    rates: Vec<f64>,
    side: Vec<f64>,
    transposed_side: Vec<f64>,
}

/// The right sides: 1 in a row, and 1 in a column for the transposed equations.
#[derive(Debug, Clone, Copy)]
pub(super) struct RightSides {
    pub(super) row: usize,
    pub(super) column: usize,
}

impl Coefficients {
    /// Works out what is the same at all frequencies; after every change of the coefficients.
    pub(super) fn prepare(&mut self, plan: &Plan, sides: RightSides) {
        let Self { fixed, rates, head, .. } = self;
        let from = plan.head.places.len();
        head.entries.clear();
        head.entries.resize(from + plan.tail.places.len(), 0.0);
        head.rates.clear();
        head.rates.resize(plan.tail.places.len(), 0.0);
        for ((term, fixed), rate) in plan.terms.iter().zip(fixed).zip(rates) {
            if let Some(entry) = head.entries.get_mut(term.entry) {
                *entry = *fixed;
            }
            let of_tail = term.entry.checked_sub(from).and_then(|at| head.rates.get_mut(at));
            if let Some(entry) = of_tail {
                *entry = *rate;
            }
        }
        eliminate(&plan.head, &mut head.entries, &mut head.inverses, |pivot| pivot.recip());
        let (mut side, mut transposed) =
            (std::mem::take(&mut head.side), std::mem::take(&mut head.transposed_side));
        one_at(&mut side, plan.rows.len(), sides.row, 1.0);
        one_at(&mut transposed, plan.rows.len(), sides.column, 1.0);
        let triangles = head.triangles(plan);
        triangles.down(&mut side);
        triangles.down_transposed(&mut transposed);
        (head.side, head.transposed_side) = (side, transposed);
    }
}

impl Head {
    fn triangles<'a>(&'a self, plan: &'a Plan) -> Triangles<'a, f64> {
        Triangles { steps: &plan.head, factors: &self.entries, inverses: &self.inverses }
    }
}

/// All zero but for one.
fn one_at<T: Clone + Default>(side: &mut Vec<T>, size: usize, at: usize, one: T) {
    side.clear();
    side.resize(size, T::default());
    if let Some(own) = side.get_mut(at) {
        *own = one;
    }
}

/// Memory for the equations at one frequency and their solution.
#[derive(Debug, Clone, Default)]
pub(super) struct Equations {
    /// As the plan has the terms.
    terms: Vec<Complex64>,
    factors: Vec<Complex64>,
    inverses: Vec<Complex64>,
    rest: Vec<Complex64>,
    /// The solution.
    pub(super) solution: Vec<Complex64>,
    /// The solution of the transposed equations.
    pub(super) adjoint: Vec<Complex64>,
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

/// Real numbers to complex ones.
fn complex(from: &[f64], to: &mut Vec<Complex64>) {
    to.clear();
    to.extend(from.iter().map(|value| Complex64::new(*value, 0.0)));
}

impl Equations {
    /// Solves for the right side at an angular frequency; `turns` are the lines' exp(-j omega delay). `false` where no solution is good
    /// enough.
    pub(super) fn solve(
        &mut self,
        plan: &Plan,
        of: &Coefficients,
        sides: RightSides,
        omega: f64,
        turns: &[Complex64],
    ) -> bool {
        self.dense = None;
        self.write(plan, of, omega, turns);
        eliminate(&plan.tail, &mut self.factors, &mut self.inverses, Complex64::inv);
        complex(&of.head.side, &mut self.solution);
        let tail = Triangles { steps: &plan.tail, factors: &self.factors, inverses: &self.inverses };
        tail.down(&mut self.solution);
        tail.up(&mut self.solution);
        of.head.triangles(plan).up(&mut self.solution);
        if self.is_solved(plan, sides.row, ROUNDING) {
            return true;
        }
        // Voltages that lie decades below their neighbours' take more than one step.
        for _ in 0..STEPS {
            self.refine(plan, of);
            if self.is_solved(plan, sides.row, ROUNDING) {
                return true;
            }
        }
        self.is_solved(plan, sides.row, TAKEN) || self.solve_densely(plan, of, sides.row)
    }

    /// Solves the transposed equations for their right side, after [`Equations::solve`].
    pub(super) fn solve_transposed(&mut self, plan: &Plan, of: &Coefficients, sides: RightSides) {
        if let Some(dense) = &self.dense {
            one_at(&mut self.adjoint, plan.rows.len(), sides.column, Complex64::new(1.0, 0.0));
            dense.solve_transposed(&mut self.adjoint);
            return;
        }
        complex(&of.head.transposed_side, &mut self.adjoint);
        let tail = Triangles { steps: &plan.tail, factors: &self.factors, inverses: &self.inverses };
        tail.down_transposed(&mut self.adjoint);
        tail.up_transposed(&mut self.adjoint);
        of.head.triangles(plan).up_transposed(&mut self.adjoint);
    }

    /// The numbers of the equations and of the tail at a frequency.
    fn write(&mut self, plan: &Plan, of: &Coefficients, omega: f64, turns: &[Complex64]) {
        let at = |(fixed, rate): (&f64, &f64)| Complex64::new(*fixed, omega * rate);
        self.terms.clear();
        self.terms.extend(of.fixed.iter().zip(&of.rates).map(at));
        let from = plan.head.places.len();
        self.factors.clear();
        self.factors.extend(of.head.entries.iter().skip(from).zip(&of.head.rates).map(at));
        for (number, line, factor) in &of.delays {
            let Some(turn) = turns.get(*line) else { continue };
            let entry = plan.terms.get(*number).and_then(|term| term.entry.checked_sub(from));
            let entry = entry.and_then(|entry| self.factors.get_mut(entry));
            for own in [self.terms.get_mut(*number), entry].into_iter().flatten() {
                *own += turn * factor;
            }
        }
    }

    /// What the solution leaves of the right side, and whether that is within `limit` of the terms of every row; not where something is not
    /// finite.
    fn is_solved(&mut self, plan: &Plan, row: usize, limit: f64) -> bool {
        let mut is_solved = true;
        self.rest.clear();
        let mut terms = self.terms.iter().zip(&plan.terms);
        let mut from = 0;
        for (number, end) in plan.ends.iter().enumerate() {
            let right = if number == row { 1.0 } else { 0.0 };
            let (mut rest, mut scale) = (Complex64::new(right, 0.0), right);
            for (value, term) in terms.by_ref().take(end - from) {
                let x = self.solution.get(term.column).copied().unwrap_or_default();
                rest -= value * x;
                scale += value.l1_norm() * x.l1_norm();
            }
            from = *end;
            // False as well for what is not a number.
            is_solved &= rest.l1_norm() <= limit * scale && scale.is_finite();
            self.rest.push(rest);
        }
        is_solved
    }

    /// One step of refinement: the residual solved for, and added.
    fn refine(&mut self, plan: &Plan, of: &Coefficients) {
        let mut change = std::mem::take(&mut self.rest);
        if let Some(dense) = &self.dense {
            dense.solve(&mut change);
        } else {
            let tail = Triangles { steps: &plan.tail, factors: &self.factors, inverses: &self.inverses };
            let head = of.head.triangles(plan);
            head.down(&mut change);
            tail.down(&mut change);
            tail.up(&mut change);
            head.up(&mut change);
        }
        for (value, change) in self.solution.iter_mut().zip(&change) {
            *value += change;
        }
        self.rest = change;
    }

    fn solve_densely(&mut self, plan: &Plan, of: &Coefficients, row: usize) -> bool {
        self.dense = Some(Box::new(Dense::new(plan, &self.terms)));
        one_at(&mut self.rest, plan.rows.len(), row, Complex64::new(1.0, 0.0));
        self.solution.fill(Complex64::default());
        self.refine(plan, of);
        for _ in 0..STEPS {
            if self.is_solved(plan, row, ROUNDING) {
                return true;
            }
            self.refine(plan, of);
        }
        self.is_solved(plan, row, TAKEN)
    }
}

impl Dense {
    fn new(plan: &Plan, terms: &[Complex64]) -> Self {
        let size = plan.rows.len();
        let mut matrix = DMatrix::<Complex64>::zeros(size, size);
        for (value, term) in terms.iter().zip(&plan.terms) {
            if let Some(entry) = matrix.get_mut((term.row, term.column)) {
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
    use super::super::plan::Term;
    use super::*;
    use std::collections::{BTreeMap, BTreeSet};

    type Given = BTreeMap<(usize, usize), [Complex64; 3]>;

    /// Equations with a few entries in each row, of all sizes, from a fixed generator; those depend on frequency whose row divides by `every`.
    fn some_equations(size: usize, every: usize) -> (Given, BTreeSet<(usize, usize)>) {
        let mut state = 1u64;
        let mut next = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 33) as f64 / f64::from(u32::MAX) * 2.0 - 0.5
        };
        let (mut entries, mut moving) = (BTreeMap::new(), BTreeSet::new());
        for row in 0..size {
            for column in [row, (row * 7 + 3) % size, (row * 5 + 1) % size] {
                let mut value = Complex64::new(next(), next()) * 10f64.powf(6.0 * next());
                if row % every == 0 && column != (row * 5 + 1) % size {
                    moving.insert((row, column));
                } else if !moving.contains(&(row, column)) {
                    value.im = 0.0;
                }
                entries.insert((row, column), [value; 3]);
            }
        }
        (entries, moving)
    }

    /// The numbers of given equations at an angular frequency of 1.
    fn coefficients(plan: &Plan, given: &Given, sides: RightSides) -> Coefficients {
        let mut of = Coefficients::default();
        of.fixed.resize(plan.terms.len(), 0.0);
        of.rates.resize(plan.terms.len(), 0.0);
        for ((row, column), value) in given {
            let own = |term: &Term| (term.row, term.column) == (plan.rows[*row], plan.columns[*column]);
            let number = plan.terms.iter().position(own).unwrap();
            (of.fixed[number], of.rates[number]) = (value[0].re, value[0].im);
        }
        of.prepare(plan, sides);
        of
    }

    #[test]
    fn the_plan_and_the_dense_elimination_agree() {
        for (size, every) in
            [1, 2, 5, 40].into_iter().flat_map(|size| [1, 2, 3, 7, 100].map(|every| (size, every)))
        {
            let (given, moving) = some_equations(size, every);
            let plan = Plan::new(size, &given, &moving).unwrap();
            assert_eq!(plan.head.pivots.len() + plan.tail.pivots.len(), size);
            assert!(every < 100 || size < 40 || !plan.head.pivots.is_empty(), "{size} {every}");
            let sides = RightSides { row: 0, column: size - 1 };
            let of = coefficients(&plan, &given, sides);
            let mut equations = Equations::default();
            assert!(equations.solve(&plan, &of, sides, 1.0, &[]) && equations.dense.is_none());
            equations.solve_transposed(&plan, &of, sides);
            let (solution, adjoint) = (equations.solution.clone(), equations.adjoint.clone());
            assert!(equations.solve_densely(&plan, &of, sides.row));
            equations.solve_transposed(&plan, &of, sides);
            let pairs =
                solution.iter().zip(&equations.solution).chain(adjoint.iter().zip(&equations.adjoint));
            let largest =
                solution.iter().chain(&adjoint).fold(0.0, |most: f64, value| most.max(value.norm()));
            pairs.for_each(|(one, other)| assert!((one - other).norm() <= 1e-9 * largest, "{one} {other}"));
        }
    }

    /// A pivot of the head that other values of the parts make zero: nothing but the residual tells.
    #[test]
    fn a_head_that_values_broke_is_eliminated_densely() {
        let value = |re: f64| [Complex64::new(re, 0.0); 3];
        let mut given = BTreeMap::from([
            ((0, 0), value(2.0)),
            ((0, 1), value(1.0)),
            ((1, 0), value(1.0)),
            ((1, 1), value(2.0)),
        ]);
        let plan = Plan::new(2, &given, &BTreeSet::new()).unwrap();
        assert_eq!(plan.head.pivots.len(), 2);
        let sides = RightSides { row: plan.rows[0], column: plan.columns[1] };
        for diagonal in [0.0, 1e-14] {
            given.insert((0, 0), value(diagonal));
            given.insert((1, 1), value(diagonal));
            let of = coefficients(&plan, &given, sides);
            let mut equations = Equations::default();
            assert!(equations.solve(&plan, &of, sides, 1.0, &[]));
            assert!((equations.solution[plan.columns[1]].re - 1.0).abs() < 1e-12);
            equations.solve_transposed(&plan, &of, sides);
            assert!((equations.adjoint[plan.rows[0]].re - 1.0).abs() < 1e-12);
            assert!(diagonal > 0.0 || equations.dense.is_some());
        }
    }

    #[test]
    fn equations_without_a_solution_are_told() {
        let one = [Complex64::new(1.0, 0.0); 3];
        let singular = BTreeMap::from([((0, 0), one), ((0, 1), one), ((1, 0), one), ((1, 1), one)]);
        let none = [Complex64::default(); 3];
        let regular = BTreeMap::from([((0, 0), one), ((0, 1), one), ((1, 0), one), ((1, 1), none)]);
        for moving in [BTreeSet::new(), BTreeSet::from([(0, 0)])] {
            assert!(Plan::new(2, &singular, &moving).is_err());
            let plan = Plan::new(2, &regular, &moving).unwrap();
            let sides = RightSides { row: 0, column: 0 };
            let of = coefficients(&plan, &singular, sides);
            assert!(!Equations::default().solve(&plan, &of, sides, 1.0, &[]));
        }
    }
}
