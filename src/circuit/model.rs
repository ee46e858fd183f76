//! The loop gain of a netlist at one corner, with its derivatives.
//!
//! With 1 V between the two sides of the loop, T = V(output side)/V(input side), as a bench measures it: the voltage injection of
//! R. D. Middlebrook, "Measurement of loop gain in feedback systems", International Journal of Electronics 38(4), 1975, 485-512
//! (from memory). No sign is turned.
//!
//! Derivatives by the adjoint method (S. W. Director, R. A. Rohrer, "The generalized adjoint network and network sensitivities",
//! IEEE Transactions on Circuit Theory 16(3), 1969, 318-323): with A x = b and A' y = e, e picking V(input side), V changes by -y' dA x.
//! As V(output side) = V(input side) + 1 V, ln T changes by y' dA x / (V(output side) V(input side)).

use super::netlist::{Kind, Netlist};
use super::plan::{Plan, TRIES};
use super::solve::{Coefficients, Equations, RightSides};
use super::stamps::{Amount, Basis, Stamp, Structure, structure, voltage};
use super::unfit::Unfit;
use super::values::{Part, Sheet, Values};
use crate::sweep::Complex64;
use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::sync::Arc;

/// Frequencies at which an order of elimination is tried, in hertz: those of loops of converters lie between.
const TRIED_HZ: [f64; TRIES] = [10.0, 3e3, 1e6];
/// Most unknowns: a loop has some 50. A dense elimination of these takes a tenth of a second.
const MOST_UNKNOWNS: usize = 500;

/// What a corner makes of a netlist.
#[derive(Debug, Clone, Copy)]
pub struct Setting<'a> {
    /// The voltage source between the two sides of the loop: its + node is the output side, its - node the input side.
    pub injection: &'a str,
    /// Parameters of the top level and their values, in SI units.
    pub parameters: &'a [(String, f64)],
    /// Parts to be varied: elements, or parameters of the top level.
    pub vary: &'a [String],
}

/// The loop of a netlist at one corner: parameters set, injection and varied parts found. Cheap to clone.
#[derive(Debug, Clone)]
pub struct Model {
    inner: Arc<Inner>,
}

#[derive(Debug)]
struct Inner {
    sheet: Sheet,
    structure: Structure,
    plan: Plan,
    nominal: Vec<f64>,
    /// Number of each stamp's term.
    terms: Vec<usize>,
    /// Stamps that move with a varied part, by the value that moves them.
    pulls: Vec<Pull>,
    /// Unknowns: the voltages of the two sides.
    output: usize,
    input: usize,
    /// The 1 V in the equation of the injection's current, and the input side for the transposed equations.
    sides: RightSides,
    /// Numbers at nominal.
    start: State,
}

/// A stamp that moves with a value of an element.
#[derive(Debug, Clone, Copy)]
struct Pull {
    stamp: Stamp,
    /// The value of an element.
    value: usize,
}

/// Numbers for one change of the parts.
#[derive(Debug, Clone, Default)]
struct State {
    values: Values,
    coefficients: Coefficients,
    /// One varied part after the other.
    slopes: Vec<Slope>,
}

/// How a stamp moves with a varied part: the derivative of its amount with respect to the change.
#[derive(Debug, Clone, Copy)]
struct Slope {
    part: usize,
    row: usize,
    column: usize,
    basis: Basis,
    factor: f64,
}

/// Works out loop gains of a [`Model`]; one a thread.
#[derive(Debug, Clone)]
pub struct Solver {
    model: Arc<Inner>,
    state: State,
    equations: Equations,
    turns: Vec<Complex64>,
    slopes: Vec<(usize, f64)>,
}

impl Model {
    /// The loop of a netlist at a corner.
    ///
    /// # Errors
    ///
    /// [`Unfit`]: a name that is not there, a value that is not finite or not possible, a circuit that is not determined.
    pub fn new(netlist: &Netlist, setting: &Setting<'_>) -> Result<Self, Unfit> {
        let flat = &netlist.inner;
        let injection = source(netlist, setting.injection)?;
        let set = set_parameters(netlist, setting.parameters)?;
        let parts = parts(netlist, setting.vary)?;
        let sheet = Sheet::new(Arc::clone(flat), set, parts);
        let mut values = Values::default();
        sheet.fill(&[], &mut values)?;
        let nominal = nominal(&sheet, &values, setting.vary)?;
        possible(&sheet, &values)?;
        let mut structure = structure(flat, &values.elements);
        if structure.unknowns > MOST_UNKNOWNS {
            return Err(Unfit::TooLarge { unknowns: structure.unknowns, most: MOST_UNKNOWNS });
        }
        let plan = plan(&structure, &values.elements).map_err(|unknown| Unfit::Singular {
            at_hz: None,
            what: unknown_name(&sheet, &structure, unknown),
        })?;
        let (output, input, source) = sides(netlist, &structure, injection)
            .ok_or_else(|| Unfit::GroundedSource { name: setting.injection.to_owned() })?;
        structure.renumber(&plan.rows, &plan.columns);
        let terms = terms(&plan, &structure);
        let pulls = pulls(&structure);
        let number = |of: &[usize], at: usize| of.get(at).copied().unwrap_or(0);
        let (output, input) = (number(&plan.columns, output), number(&plan.columns, input));
        let sides = RightSides { row: number(&plan.rows, source), column: input };
        let mut inner = Inner {
            sheet,
            structure,
            plan,
            nominal,
            terms,
            pulls,
            output,
            input,
            sides,
            start: State::default(),
        };
        let mut start = State { values, ..State::default() };
        inner.coefficients(&mut start);
        inner.slopes(&[], &mut start, &mut Vec::new())?;
        inner.start = start;
        Ok(Self { inner: Arc::new(inner) })
    }

    /// Values of the varied parts, in the order in which they were named; in SI units.
    #[must_use]
    pub fn nominal(&self) -> &[f64] {
        &self.inner.nominal
    }

    /// Units of the varied parts, in the same order; empty where the netlist does not tell it.
    #[must_use]
    pub fn units(&self) -> Vec<&'static str> {
        let sheet = &self.inner.sheet;
        sheet.parts.iter().map(|part| sheet.unit(*part)).collect()
    }

    /// Memory to work loop gains out in, the parts at their nominal values.
    #[must_use]
    pub fn solver(&self) -> Solver {
        Solver {
            model: Arc::clone(&self.inner),
            state: self.inner.start.clone(),
            equations: Equations::default(),
            turns: Vec::new(),
            slopes: Vec::new(),
        }
    }
}

impl Solver {
    /// Sets the varied parts to nominal * exp(change), in the order in which they were named; those without a change are nominal.
    ///
    /// # Errors
    ///
    /// [`Unfit::NotFinite`] or [`Unfit::Impossible`]; the solver is then at no values that mean anything.
    pub fn set(&mut self, changes: &[f64]) -> Result<(), Unfit> {
        self.model.sheet.fill(changes, &mut self.state.values)?;
        possible(&self.model.sheet, &self.state.values)?;
        self.model.coefficients(&mut self.state);
        self.model.slopes(changes, &mut self.state, &mut self.slopes)
    }

    /// The loop gain at a frequency in hertz.
    ///
    /// # Errors
    ///
    /// [`Unfit::Singular`], [`Unfit::NoSignal`] where nothing arrives at the input side, [`Unfit::NoFrequency`].
    pub fn loop_gain(&mut self, hz: f64) -> Result<Complex64, Unfit> {
        let (output, input) = self.sides(hz)?;
        let gain = output / input;
        if gain.is_finite() { Ok(gain) } else { Err(Unfit::NoSignal { at_hz: hz, side: "input" }) }
    }

    /// The loop gain T, and in `slopes` for each varied part the derivative of ln T with respect to its change: the real part of
    /// ln |T|, the imaginary part of the phase in radians, each for a change of the part's logarithm.
    ///
    /// # Errors
    ///
    /// As [`Solver::loop_gain`], and [`Unfit::NoSignal`] where nothing comes back to the output side.
    pub fn with_slopes(&mut self, hz: f64, slopes: &mut [Complex64]) -> Result<Complex64, Unfit> {
        let (output, input) = self.sides(hz)?;
        let Inner { plan, sides, .. } = &*self.model;
        self.equations.solve_transposed(plan, &self.state.coefficients, *sides);
        self.feel(hz, slopes);
        let over = (output * input).inv();
        slopes.iter_mut().for_each(|slope| *slope *= over);
        let gain = output / input;
        if gain.is_finite() && slopes.iter().all(|slope| slope.is_finite()) {
            return Ok(gain);
        }
        let side = if gain.is_finite() { "output" } else { "input" };
        Err(Unfit::NoSignal { at_hz: hz, side })
    }

    /// Voltages of the output and the input side.
    fn sides(&mut self, hz: f64) -> Result<(Complex64, Complex64), Unfit> {
        if !(hz > 0.0 && hz.is_finite()) {
            return Err(Unfit::NoFrequency { hz });
        }
        let model = &self.model;
        let omega = std::f64::consts::TAU * hz;
        self.turns.clear();
        let delays = model.structure.delays.iter().filter_map(|delay| self.state.values.elements.get(*delay));
        self.turns.extend(delays.map(|delay| Complex64::cis(-omega * delay)));
        let of = &self.state.coefficients;
        if !self.equations.solve(&model.plan, of, model.sides, omega, &self.turns) {
            let what = "all voltages".to_owned();
            return Err(Unfit::Singular { at_hz: Some(hz), what });
        }
        let side = |at: usize| self.equations.solution.get(at).copied().unwrap_or_default();
        Ok((side(model.output), side(model.input)))
    }

    /// What the loop gain feels of each varied part, but for a common factor.
    fn feel(&self, hz: f64, slopes: &mut [Complex64]) {
        let omega = std::f64::consts::TAU * hz;
        let Equations { solution, adjoint, .. } = &self.equations;
        let turn = |line: usize| self.turns.get(line).copied().unwrap_or_default();
        slopes.fill(Complex64::default());
        for Slope { part, row, column, basis, factor } in &self.state.slopes {
            let (Some(y), Some(x)) = (adjoint.get(*row), solution.get(*column)) else { continue };
            let Some(slope) = slopes.get_mut(*part) else { continue };
            let felt = y * x * factor;
            *slope += match *basis {
                Basis::One => felt,
                Basis::Rate => Complex64::new(-omega * felt.im, omega * felt.re),
                Basis::Delay(line) => felt * turn(line),
                Basis::DelayRate(line) => felt * turn(line) * Complex64::new(0.0, -omega),
            };
        }
    }
}

impl Inner {
    /// The numbers of the equations for values.
    fn coefficients(&self, state: &mut State) {
        let State { values, coefficients, .. } = state;
        for numbers in [&mut coefficients.fixed, &mut coefficients.rates] {
            numbers.clear();
            numbers.resize(self.plan.terms.len(), 0.0);
        }
        coefficients.delays.clear();
        for (stamp, term) in self.structure.stamps.iter().zip(&self.terms) {
            let amount = stamp.sign * stamp.amount.of(&values.elements);
            let numbers = match stamp.basis {
                Basis::One => &mut coefficients.fixed,
                Basis::Rate => &mut coefficients.rates,
                Basis::Delay(line) | Basis::DelayRate(line) => {
                    coefficients.delays.push((*term, line, amount));
                    continue;
                }
            };
            if let Some(number) = numbers.get_mut(*term) {
                *number += amount;
            }
        }
        coefficients.prepare(&self.plan, self.sides);
    }

    /// How the amounts of the stamps move with the varied parts.
    fn slopes(
        &self,
        changes: &[f64],
        state: &mut State,
        memory: &mut Vec<(usize, f64)>,
    ) -> Result<(), Unfit> {
        state.slopes.clear();
        for part in 0..self.sheet.parts.len() {
            self.sheet.slopes(part, changes, &mut state.values, memory);
            for (value, slope) in memory.iter() {
                let from = self.pulls.partition_point(|pull| pull.value < *value);
                let pulls = self.pulls.iter().skip(from);
                for Pull { stamp, .. } in pulls.take_while(|pull| pull.value == *value) {
                    let elements = &state.values.elements;
                    let own = match stamp.basis {
                        Basis::DelayRate(_) => Some(stamp.amount.of(elements)),
                        _ => stamp
                            .amount
                            .slopes(elements)
                            .into_iter()
                            .flatten()
                            .find(|own| own.0 == *value)
                            .map(|own| own.1),
                    };
                    let factor = own.unwrap_or(0.0) * slope;
                    if !factor.is_finite() {
                        let what = format!("the change of `{}` with a varied part", self.sheet.name(*value));
                        return Err(Unfit::NotFinite { what, value: factor, place: None });
                    }
                    let Stamp { row, column, basis, sign, .. } = *stamp;
                    state.slopes.push(Slope { part, row, column, basis, factor: sign * factor });
                }
            }
        }
        Ok(())
    }
}

/// Index of the injection among the elements.
fn source(netlist: &Netlist, name: &str) -> Result<usize, Unfit> {
    let mut elements = netlist.inner.elements.iter();
    let wanted = name.to_lowercase();
    elements
        .position(|element| element.kind == Kind::Voltage && element.name.to_lowercase() == wanted)
        .ok_or_else(|| Unfit::NoSource {
            name: name.to_owned(),
            known: netlist.sources().map(str::to_owned).collect(),
        })
}

/// Unknowns: the voltages of the output and the input side, and the current of the injection.
fn sides(netlist: &Netlist, structure: &Structure, injection: usize) -> Option<(usize, usize, usize)> {
    let [output, input] = netlist.inner.elements.get(injection)?.nodes.get(..2)?.try_into().ok()?;
    let current = structure.currents.get(injection).copied().flatten();
    Some((voltage(output)?, voltage(input)?, current?))
}

/// The number of each stamp's term.
fn terms(plan: &Plan, structure: &Structure) -> Vec<usize> {
    let terms = plan.terms.iter().enumerate();
    let numbers: HashMap<(usize, usize), usize> =
        terms.map(|(number, term)| ((term.row, term.column), number)).collect();
    let number = |stamp: &Stamp| numbers.get(&(stamp.row, stamp.column)).copied();
    structure.stamps.iter().filter_map(number).collect()
}

/// Index of a parameter of the top level.
fn parameter(netlist: &Netlist, name: &str) -> Option<usize> {
    let wanted = name.to_lowercase();
    netlist.parameters().position(|known| known.to_lowercase() == wanted)
}

fn set_parameters(netlist: &Netlist, parameters: &[(String, f64)]) -> Result<Vec<Option<f64>>, Unfit> {
    let mut set = vec![None; netlist.inner.parameters.len()];
    for (name, value) in parameters {
        let slot = parameter(netlist, name).and_then(|index| set.get_mut(index));
        let Some(slot) = slot else {
            let known = netlist.parameters().map(str::to_owned).collect();
            return Err(Unfit::NoParameter { name: name.clone(), known });
        };
        if !value.is_finite() {
            return Err(Unfit::NotFinite { what: format!("`{name}`"), value: *value, place: None });
        }
        *slot = Some(*value);
    }
    Ok(set)
}

/// The parts of these names.
fn parts(netlist: &Netlist, names: &[String]) -> Result<Vec<Part>, Unfit> {
    let mut parts = Vec::with_capacity(names.len());
    let mut elements: HashMap<String, usize> = HashMap::new();
    let mut value = 0;
    for element in &netlist.inner.elements {
        if element.values.len() == 1 {
            elements.insert(element.name.to_lowercase(), value);
        }
        value += element.values.len();
    }
    for name in names {
        let element = elements.get(&name.to_lowercase()).map(|value| Part::Value(*value));
        let part = match (element, parameter(netlist, name).map(Part::Parameter)) {
            (Some(_), Some(_)) => return Err(Unfit::TwoParts { name: name.clone() }),
            (Some(part), None) | (None, Some(part)) => part,
            (None, None) => {
                let known = netlist.parts().chain(netlist.parameters()).map(str::to_owned).collect();
                return Err(Unfit::NoPart { name: name.clone(), known });
            }
        };
        if parts.contains(&part) {
            return Err(Unfit::VariedTwice { name: name.clone() });
        }
        parts.push(part);
    }
    Ok(parts)
}

fn nominal(sheet: &Sheet, values: &Values, names: &[String]) -> Result<Vec<f64>, Unfit> {
    let parts = sheet.parts.iter().zip(names);
    parts
        .map(|(part, name)| {
            let value = sheet.part(*part, values);
            if value == 0.0 {
                return Err(Unfit::ZeroPart { name: name.clone() });
            }
            if !value.is_finite() {
                return Err(Unfit::NotFinite { what: format!("`{name}`"), value, place: None });
            }
            Ok(value)
        })
        .collect()
}

/// Whether all values are possible ones.
fn possible(sheet: &Sheet, values: &Values) -> Result<(), Unfit> {
    for (index, value) in values.elements.iter().enumerate() {
        let Some((element, which)) = sheet.value_of.get(index) else { continue };
        let Some(element) = sheet.flat.elements.get(*element) else { continue };
        let wanted = match element.kind {
            Kind::Coupling if !(-1.0..=1.0).contains(value) => "a coupling from -1 to 1",
            Kind::Line if *which == 0 && *value <= 0.0 => "an impedance above 0",
            Kind::Line if *which == 1 && *value < 0.0 => "a delay of 0 or more",
            _ => continue,
        };
        let what = format!("the value of `{}`", element.name);
        let place = Some(sheet.flat.places.place(element.spot));
        return Err(Unfit::Impossible { what, value: *value, wanted, place });
    }
    Ok(())
}

/// The order of elimination for these values.
fn plan(structure: &Structure, values: &[f64]) -> Result<Plan, usize> {
    let mut entries: BTreeMap<(usize, usize), [Complex64; TRIES]> = BTreeMap::new();
    let mut moving = BTreeSet::new();
    for stamp in &structure.stamps {
        if stamp.basis != Basis::One {
            moving.insert((stamp.row, stamp.column));
        }
        let amount = stamp.sign * stamp.amount.of(values);
        let entry = entries.entry((stamp.row, stamp.column)).or_default();
        for (entry, hz) in entry.iter_mut().zip(TRIED_HZ) {
            let omega = std::f64::consts::TAU * hz;
            *entry += match stamp.basis {
                Basis::One => Complex64::new(amount, 0.0),
                Basis::Rate => Complex64::new(0.0, amount * omega),
                Basis::Delay(line) | Basis::DelayRate(line) => {
                    let delay = structure.delays.get(line).and_then(|delay| values.get(*delay));
                    Complex64::cis(-omega * delay.copied().unwrap_or(0.0)) * amount
                }
            };
        }
    }
    Plan::new(structure.unknowns, &entries, &moving)
}

/// What an unknown is, for people.
fn unknown_name(sheet: &Sheet, structure: &Structure, unknown: usize) -> String {
    if let Some(node) = sheet.flat.nodes.get(unknown + 1) {
        return format!("the voltage of the node `{node}`");
    }
    let element = structure.currents.iter().rposition(|first| first.is_some_and(|first| first <= unknown));
    let element = element.and_then(|element| sheet.flat.elements.get(element));
    format!("the current through `{}`", element.map_or("", |element| &element.name))
}

/// All stamps by the values that move them.
fn pulls(structure: &Structure) -> Vec<Pull> {
    let mut pulls = Vec::new();
    for stamp in &structure.stamps {
        for value in moved_by(stamp.amount).into_iter().flatten() {
            pulls.push(Pull { stamp: *stamp, value });
        }
        if let Basis::Delay(line) = stamp.basis
            && let Some(value) = structure.delays.get(line)
        {
            let stamp = Stamp { basis: Basis::DelayRate(line), ..*stamp };
            pulls.push(Pull { stamp, value: *value });
        }
    }
    pulls.sort_by_key(|pull| pull.value);
    pulls
}

const fn moved_by(amount: Amount) -> [Option<usize>; 3] {
    match amount {
        Amount::Unit => [None; 3],
        Amount::Value(value) | Amount::Inverse(value) => [Some(value), None, None],
        Amount::Mutual(coupling, one, other) => [Some(coupling), Some(one), Some(other)],
    }
}
