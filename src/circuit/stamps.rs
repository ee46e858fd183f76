//! Modified nodal analysis: which entries of the equations each element adds to.
//!
//! C.-W. Ho, A. E. Ruehli, P. A. Brennan, "The modified nodal approach to network analysis", IEEE Transactions on Circuits and
//! Systems 22(6), 1975, 504-509. Unknowns are the voltages of the nodes and the currents through sources, inductors, lines and
//! small resistors. The latter so that their large conductance does not swallow a small one at the same node.

use super::netlist::{Flat, FlatElement, Kind};

/// Below this a resistance, in ohms, has its current for an unknown.
const SMALL_OHM: f64 = 1.0;

/// How an entry depends on frequency.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Basis {
    /// Not at all.
    One,
    /// j omega
    Rate,
    /// exp(-j omega delay), with the index of the line.
    Delay(usize),
    /// The derivative of that with respect to the delay.
    DelayRate(usize),
}

/// What an entry is made of: an amount, worked out from values of elements, by their indices.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Amount {
    Unit,
    Value(usize),
    /// 1/value
    Inverse(usize),
    /// coupling * sqrt(inductance * inductance)
    Mutual(usize, usize, usize),
}

/// A term of an entry.
#[derive(Debug, Clone, Copy)]
pub(super) struct Stamp {
    pub(super) row: usize,
    pub(super) column: usize,
    pub(super) basis: Basis,
    pub(super) amount: Amount,
    pub(super) sign: f64,
}

/// The structure of the equations.
#[derive(Debug, Default)]
pub(super) struct Structure {
    /// Voltages of nodes but ground, then currents.
    pub(super) unknowns: usize,
    pub(super) stamps: Vec<Stamp>,
    /// The delay of each line, by the index of its value.
    pub(super) delays: Vec<usize>,
    /// For each element the unknown that is its current, or the first of them.
    pub(super) currents: Vec<Option<usize>>,
    /// Index of the first value of each element.
    pub(super) first_values: Vec<usize>,
}

/// The equations of a circuit; `values` are those of all elements one after the other.
pub(super) fn structure(flat: &Flat, values: &[f64]) -> Structure {
    let mut structure = Structure { unknowns: flat.nodes.len().saturating_sub(1), ..Structure::default() };
    let mut count = 0;
    for element in &flat.elements {
        structure.first_values.push(count);
        let is_small = values.get(count).is_some_and(|value| value.abs() < SMALL_OHM);
        let currents = match element.kind {
            Kind::Resistor if is_small => 1,
            Kind::Inductor | Kind::VoltageByVoltage | Kind::VoltageByCurrent | Kind::Voltage => 1,
            Kind::Line => 2,
            _ => 0,
        };
        structure.currents.push((currents > 0).then_some(structure.unknowns));
        structure.unknowns += currents;
        count += element.values.len();
    }
    for (index, element) in flat.elements.iter().enumerate() {
        structure.element(element, index);
    }
    structure
}

/// The unknown of a node; ground has none.
pub(super) const fn voltage(node: usize) -> Option<usize> {
    node.checked_sub(1)
}

impl Structure {
    /// Writes the rows and the columns of all stamps by other numbers.
    pub(super) fn renumber(&mut self, rows: &[usize], columns: &[usize]) {
        let number = |of: &[usize], at: usize| of.get(at).copied().unwrap_or(at);
        for stamp in &mut self.stamps {
            (stamp.row, stamp.column) = (number(rows, stamp.row), number(columns, stamp.column));
        }
    }

    fn current(&self, element: usize) -> Option<usize> {
        self.currents.get(element).copied().flatten()
    }

    fn value(&self, element: usize) -> usize {
        self.first_values.get(element).copied().unwrap_or(0)
    }

    fn put(&mut self, row: Option<usize>, column: Option<usize>, basis: Basis, amount: Amount, sign: f64) {
        if let (Some(row), Some(column)) = (row, column) {
            self.stamps.push(Stamp { row, column, basis, amount, sign });
        }
    }

    fn element(&mut self, element: &FlatElement, index: usize) {
        let value = self.value(index);
        let own = self.current(index);
        let [a, b, c, d] = {
            let node = |at: usize| element.nodes.get(at).copied().and_then(voltage);
            [node(0), node(1), node(2), node(3)]
        };
        let controller = element.others.first().and_then(|other| self.current(*other));
        match element.kind {
            Kind::Resistor if own.is_none() => {
                self.admittance([a, b], [a, b], Basis::One, Amount::Inverse(value));
            }
            Kind::Capacitor => self.admittance([a, b], [a, b], Basis::Rate, Amount::Value(value)),
            Kind::CurrentByVoltage => self.admittance([a, b], [c, d], Basis::One, Amount::Value(value)),
            Kind::CurrentByCurrent => {
                self.put(a, controller, Basis::One, Amount::Value(value), 1.0);
                self.put(b, controller, Basis::One, Amount::Value(value), -1.0);
            }
            Kind::Current => {}
            Kind::Coupling => self.coupling(element, value),
            Kind::Line => self.line([a, b, c, d], own, value),
            Kind::Resistor
            | Kind::Inductor
            | Kind::Voltage
            | Kind::VoltageByVoltage
            | Kind::VoltageByCurrent => {
                self.branch(a, b, own);
                match element.kind {
                    Kind::Resistor => self.put(own, own, Basis::One, Amount::Value(value), -1.0),
                    Kind::Inductor => self.put(own, own, Basis::Rate, Amount::Value(value), -1.0),
                    Kind::VoltageByVoltage => {
                        self.put(own, c, Basis::One, Amount::Value(value), -1.0);
                        self.put(own, d, Basis::One, Amount::Value(value), 1.0);
                    }
                    Kind::VoltageByCurrent => {
                        self.put(own, controller, Basis::One, Amount::Value(value), -1.0)
                    }
                    _ => {}
                }
            }
        }
    }

    /// A current from a to b by the voltage between c and d.
    fn admittance(&mut self, out: [Option<usize>; 2], by: [Option<usize>; 2], basis: Basis, amount: Amount) {
        for (row, out_sign) in out.into_iter().zip([1.0, -1.0]) {
            for (column, by_sign) in by.into_iter().zip([1.0, -1.0]) {
                self.put(row, column, basis, amount, out_sign * by_sign);
            }
        }
    }

    /// A current from a to b that is an unknown, and the voltage between them in its equation.
    fn branch(&mut self, a: Option<usize>, b: Option<usize>, own: Option<usize>) {
        for (node, sign) in [(a, 1.0), (b, -1.0)] {
            self.put(node, own, Basis::One, Amount::Unit, sign);
            self.put(own, node, Basis::One, Amount::Unit, sign);
        }
    }

    /// Each inductor with each.
    fn coupling(&mut self, element: &FlatElement, value: usize) {
        for (at, one) in element.others.iter().enumerate() {
            for other in element.others.iter().skip(at + 1) {
                let amount = Amount::Mutual(value, self.value(*one), self.value(*other));
                let (one, other) = (self.current(*one), self.current(*other));
                self.put(one, other, Basis::Rate, amount, -1.0);
                self.put(other, one, Basis::Rate, amount, -1.0);
            }
        }
    }

    /// What arrives at one end is what the other end sent: v1 - Z i1 = (v2 + Z i2) exp(-j omega delay), and the same with the
    /// ends exchanged (F. H. Branin, "Transient analysis of lossless transmission lines", Proceedings of the IEEE 55(11), 1967,
    /// 2012-2013).
    fn line(&mut self, [a, b, c, d]: [Option<usize>; 4], own: Option<usize>, value: usize) {
        let impedance = Amount::Value(value);
        let delay = Basis::Delay(self.delays.len());
        self.delays.push(value + 1);
        let other = own.map(|own| own + 1);
        self.branch(a, b, own);
        self.branch(c, d, other);
        for ((own, other), (plus, minus)) in [((own, other), (c, d)), ((other, own), (a, b))] {
            self.put(own, own, Basis::One, impedance, -1.0);
            self.put(own, other, delay, impedance, -1.0);
            self.put(own, plus, delay, Amount::Unit, -1.0);
            self.put(own, minus, delay, Amount::Unit, 1.0);
        }
    }
}

impl Amount {
    /// The amount, from the values of all elements.
    pub(super) fn of(self, values: &[f64]) -> f64 {
        let value = |index: usize| values.get(index).copied().unwrap_or(f64::NAN);
        match self {
            Self::Unit => 1.0,
            Self::Value(index) => value(index),
            Self::Inverse(index) => 1.0 / value(index),
            Self::Mutual(coupling, one, other) => value(coupling) * (value(one) * value(other)).sqrt(),
        }
    }

    /// The values that it depends on, with the derivatives.
    pub(super) fn slopes(self, values: &[f64]) -> [Option<(usize, f64)>; 3] {
        let value = |index: usize| values.get(index).copied().unwrap_or(f64::NAN);
        match self {
            Self::Unit => [None; 3],
            Self::Value(index) => [Some((index, 1.0)), None, None],
            Self::Inverse(index) => [Some((index, -1.0 / value(index) / value(index))), None, None],
            Self::Mutual(coupling, one, other) => {
                let mean = (value(one) * value(other)).sqrt();
                let half = value(coupling) * mean / 2.0;
                [Some((coupling, mean)), Some((one, half / value(one))), Some((other, half / value(other)))]
            }
        }
    }
}
