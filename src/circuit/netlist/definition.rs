//! What a netlist declares, before its subcircuits are opened.

use super::expression::Expression;
use super::source::{Spot, Word};
use std::collections::HashMap;

/// Sorts of elements, as the first letter of a name says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Kind {
    /// R
    Resistor,
    /// C
    Capacitor,
    /// L
    Inductor,
    /// K: between inductors that it names.
    Coupling,
    /// E
    VoltageByVoltage,
    /// G
    CurrentByVoltage,
    /// F
    CurrentByCurrent,
    /// H
    VoltageByCurrent,
    /// V
    Voltage,
    /// I
    Current,
    /// T: impedance and delay are its values.
    Line,
}

/// An element.
#[derive(Debug, Clone)]
pub(crate) struct Element {
    pub(crate) name: Word,
    pub(crate) kind: Kind,
    pub(crate) nodes: Vec<Word>,
    /// Sources whose current controls it, inductors that it couples.
    pub(crate) others: Vec<Word>,
    pub(crate) values: Vec<Expression<Word>>,
}

/// A subcircuit put to use.
#[derive(Debug, Clone)]
pub(crate) struct Instance {
    pub(crate) name: Word,
    pub(crate) nodes: Vec<Word>,
    pub(crate) of: Word,
    pub(crate) overrides: Vec<Parameter>,
}

/// A parameter and what it is.
#[derive(Debug, Clone)]
pub(crate) struct Parameter {
    pub(crate) name: Word,
    pub(crate) value: Expression<Word>,
}

/// A subcircuit, or the whole netlist, which has no ports.
#[derive(Debug, Clone, Default)]
pub(crate) struct Definition {
    pub(crate) name: Option<Word>,
    pub(crate) ports: Vec<Word>,
    /// Those of its head, which an instance may set.
    pub(crate) settable: Vec<Parameter>,
    pub(crate) parameters: Vec<Parameter>,
    pub(crate) elements: Vec<Element>,
    pub(crate) instances: Vec<Instance>,
    pub(crate) inner: Vec<Definition>,
    /// Elements and instances by name.
    pub(crate) names: HashMap<String, Spot>,
    /// Parameters by name.
    pub(crate) parameter_names: HashMap<String, Spot>,
    /// Indices of inner subcircuits by name.
    pub(crate) inner_names: HashMap<String, usize>,
}

impl Definition {
    /// A subcircuit defined in it, by its name in small letters.
    pub(crate) fn inner(&self, key: &str) -> Option<&Self> {
        self.inner_names.get(key).and_then(|index| self.inner.get(*index))
    }

    /// All its parameters, those of its head first.
    pub(crate) fn all_parameters(&self) -> impl Iterator<Item = &Parameter> {
        self.settable.iter().chain(&self.parameters)
    }
}
