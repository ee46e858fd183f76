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
use super::solve::Equations;
use super::stamps::{Amount, Basis, Stamp, Structure, structure, voltage};
use super::unfit::Unfit;
use super::values::{Part, Sheet, Values};
use crate::sweep::Complex64;
use std::collections::{BTreeMap, HashMap};
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
    /// Place of each stamp in the entries.
    slots: Vec<usize>,
    /// Stamps that move with a varied part, by the value that moves them.
    pulls: Vec<Pull>,
    /// Unknowns: the voltages of the two sides; and the injection's current, whose equation has the 1 V.
    output: usize,
    input: usize,
    source: usize,
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
    /// Entries that do not depend on frequency, and those that are multiplied by j omega.
    fixed: Vec<f64>,
    rates: Vec<f64>,
    /// Entry, line and factor.
    delays: Vec<(usize, usize, f64)>,
    /// Varied part, pull and factor: the derivative of the stamp's amount with respect to the change.
    slopes: Vec<(usize, usize, f64)>,
}

/// Works out loop gains of a [`Model`]; one a thread.
#[derive(Debug, Clone)]
pub struct Solver {
    model: Arc<Inner>,
    state: State,
    equations: Equations,
    turns: Vec<Complex64>,
    pulled: Vec<Complex64>,
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
        let structure = structure(flat, &values.elements);
        if structure.unknowns > MOST_UNKNOWNS {
            return Err(Unfit::TooLarge { unknowns: structure.unknowns, most: MOST_UNKNOWNS });
        }
        let plan = plan(&structure, &values.elements).map_err(|unknown| Unfit::Singular {
            at_hz: None,
            what: unknown_name(&sheet, &structure, unknown),
        })?;
        let (output, input, source) = sides(netlist, &structure, injection)
            .ok_or_else(|| Unfit::GroundedSource { name: setting.injection.to_owned() })?;
        let slots = slots(&plan, &structure);
        let pulls = pulls(&structure);
        let mut inner = Inner {
            sheet,
            structure,
            plan,
            nominal,
            slots,
            pulls,
            output,
            input,
            source,
            start: State::default(),
        };
        let mut start = State { values, ..State::default() };
        inner.entries(&mut start);
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
            equations: Equations::new(&self.inner.plan),
            turns: Vec::new(),
            pulled: Vec::new(),
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
        self.model.entries(&mut self.state);
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
        self.equations.solve_transposed(&self.model.plan, self.model.input);
        self.pull(hz);
        slopes.fill(Complex64::default());
        for (part, pull, factor) in &self.state.slopes {
            if let (Some(slope), Some(pulled)) = (slopes.get_mut(*part), self.pulled.get(*pull)) {
                *slope += pulled * factor;
            }
        }
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
        let entries = &mut self.equations.entries;
        entries.clear();
        let parts = self.state.fixed.iter().zip(&self.state.rates);
        entries.extend(parts.map(|(fixed, rate)| Complex64::new(*fixed, omega * rate)));
        self.turns.clear();
        let delays = model.structure.delays.iter().filter_map(|delay| self.state.values.elements.get(*delay));
        self.turns.extend(delays.map(|delay| Complex64::cis(-omega * delay)));
        for (slot, line, factor) in &self.state.delays {
            if let (Some(entry), Some(turn)) = (entries.get_mut(*slot), self.turns.get(*line)) {
                *entry += turn * factor;
            }
        }
        if !self.equations.solve(&model.plan, model.source) {
            let what = "all voltages".to_owned();
            return Err(Unfit::Singular { at_hz: Some(hz), what });
        }
        let side = |at: usize| self.equations.solution.get(at).copied().unwrap_or_default();
        Ok((side(model.output), side(model.input)))
    }

    /// For each pull what the loop gain feels of it, but for a common factor.
    fn pull(&mut self, hz: f64) {
        let omega = std::f64::consts::TAU * hz;
        let Equations { solution, adjoint, .. } = &self.equations;
        let turn = |line: usize| self.turns.get(line).copied().unwrap_or_default();
        self.pulled.clear();
        self.pulled.extend(self.model.pulls.iter().map(|Pull { stamp, .. }| {
            let (Some(y), Some(x)) = (adjoint.get(stamp.row), solution.get(stamp.column)) else {
                return Complex64::default();
            };
            let felt = y * x * stamp.sign;
            match stamp.basis {
                Basis::One => felt,
                Basis::Rate => felt * Complex64::new(0.0, omega),
                Basis::Delay(line) => felt * turn(line),
                Basis::DelayRate(line) => felt * turn(line) * Complex64::new(0.0, -omega),
            }
        }));
    }
}

impl Inner {
    /// The entries of the equations for values.
    fn entries(&self, state: &mut State) {
        let count = self.plan.entries.len();
        for entries in [&mut state.fixed, &mut state.rates] {
            entries.clear();
            entries.resize(count, 0.0);
        }
        state.delays.clear();
        for (stamp, slot) in self.structure.stamps.iter().zip(&self.slots) {
            let amount = stamp.sign * stamp.amount.of(&state.values.elements);
            let entries = match stamp.basis {
                Basis::One => &mut state.fixed,
                Basis::Rate => &mut state.rates,
                Basis::Delay(line) | Basis::DelayRate(line) => {
                    state.delays.push((*slot, line, amount));
                    continue;
                }
            };
            if let Some(entry) = entries.get_mut(*slot) {
                *entry += amount;
            }
        }
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
                let pulls = self.pulls.iter().enumerate().skip(from);
                for (index, pull) in pulls.take_while(|(_, pull)| pull.value == *value) {
                    let elements = &state.values.elements;
                    let own = match pull.stamp.basis {
                        Basis::DelayRate(_) => Some(pull.stamp.amount.of(elements)),
                        _ => pull
                            .stamp
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
                    state.slopes.push((part, index, factor));
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

/// The entry of each stamp.
fn slots(plan: &Plan, structure: &Structure) -> Vec<usize> {
    let entries = plan.entries.iter().enumerate();
    let numbers: HashMap<(u32, u32), usize> = entries.map(|(slot, entry)| (*entry, slot)).collect();
    let slot = |stamp: &Stamp| {
        let entry = (u32::try_from(stamp.row).ok()?, u32::try_from(stamp.column).ok()?);
        numbers.get(&entry).copied()
    };
    structure.stamps.iter().filter_map(slot).collect()
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
    for stamp in &structure.stamps {
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
    Plan::new(structure.unknowns, &entries)
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
