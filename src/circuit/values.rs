//! Values of all parameters and elements at one corner, and how they move with the varied parts.

use super::netlist::{Dual, Expression, Flat, Kind};
use super::unfit::Unfit;
use std::collections::BTreeSet;

/// A part that is varied.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Part {
    /// Index of a parameter.
    Parameter(usize),
    /// Index of a value of an element.
    Value(usize),
}

/// What of a netlist has values, and in which order they are worked out.
#[derive(Debug)]
pub(super) struct Sheet {
    pub(super) flat: std::sync::Arc<Flat>,
    /// What the corner sets, by the index of the parameter.
    pub(super) set: Vec<Option<f64>>,
    pub(super) parts: Vec<Part>,
    /// For each value of an element, its element and which of its values.
    pub(super) value_of: Vec<(usize, usize)>,
    /// What depends on each part.
    reach: Vec<Reach>,
}

/// Indices in the order in which they are worked out.
#[derive(Debug, Default)]
struct Reach {
    parameters: Vec<usize>,
    values: Vec<usize>,
}

/// Numbers of a sheet for one change of its parts.
#[derive(Debug, Clone, Default)]
pub(super) struct Values {
    parameters: Vec<f64>,
    slopes: Vec<f64>,
    /// Those of all elements, one after the other.
    pub(super) elements: Vec<f64>,
    stack: Vec<Dual>,
}

impl Sheet {
    pub(super) fn new(flat: std::sync::Arc<Flat>, set: Vec<Option<f64>>, parts: Vec<Part>) -> Self {
        let elements = flat.elements.iter().enumerate();
        let value_of =
            elements.flat_map(|(at, element)| (0..element.values.len()).map(move |which| (at, which)));
        let value_of = value_of.collect();
        let mut sheet = Self { flat, set, parts, value_of, reach: Vec::new() };
        sheet.reach = sheet.parts.iter().map(|part| sheet.reach_of(*part)).collect();
        sheet
    }

    /// The unit of a resistor, a capacitor, an inductor. Empty for everything else: nobody knows the unit of a parameter.
    pub(super) fn unit(&self, part: Part) -> &'static str {
        let Part::Value(value) = part else { return "" };
        let element = self.value_of.get(value).and_then(|(at, _)| self.flat.elements.get(*at));
        match element.map(|element| element.kind) {
            Some(Kind::Resistor) => "ohm",
            Some(Kind::Capacitor) => "F",
            Some(Kind::Inductor) => "H",
            _ => "",
        }
    }

    fn reach_of(&self, part: Part) -> Reach {
        let start = match part {
            Part::Value(value) => return Reach { parameters: Vec::new(), values: vec![value] },
            Part::Parameter(start) => start,
        };
        let mut reached = BTreeSet::from([start]);
        let mut reach = Reach::default();
        let reads = |value: &Expression<usize>, reached: &BTreeSet<usize>| {
            value.reads().any(|read| reached.contains(read))
        };
        for index in &self.flat.order {
            let is_set = self.set.get(*index).copied().flatten().is_some();
            let parameter = self.flat.parameters.get(*index);
            let depends = !is_set && parameter.is_some_and(|parameter| reads(&parameter.value, &reached));
            if *index == start || depends {
                reached.insert(*index);
                reach.parameters.push(*index);
            }
        }
        let values = (0..self.value_of.len())
            .filter(|value| self.value(*value).is_some_and(|value| reads(value, &reached)));
        reach.values = values.collect();
        reach
    }

    /// The expression of a value.
    fn value(&self, value: usize) -> Option<&Expression<usize>> {
        let (element, which) = self.value_of.get(value)?;
        self.flat.elements.get(*element)?.values.get(*which)
    }

    /// The element of a value, for messages.
    pub(super) fn name(&self, value: usize) -> &str {
        let element = self.value_of.get(value).and_then(|(element, _)| self.flat.elements.get(*element));
        element.map_or("", |element| &element.name)
    }

    /// The part that is varied here, with its factor.
    fn factor(&self, part: Part, changes: &[f64]) -> f64 {
        let index = self.parts.iter().position(|varied| *varied == part);
        index.and_then(|index| changes.get(index)).map_or(1.0, |change| change.exp())
    }

    /// Works all of it out for parts changed by the factors exp(change).
    pub(super) fn fill(&self, changes: &[f64], into: &mut Values) -> Result<(), Unfit> {
        into.parameters.clear();
        into.parameters.resize(self.flat.parameters.len(), f64::NAN);
        into.slopes.clear();
        into.slopes.resize(self.flat.parameters.len(), 0.0);
        for index in &self.flat.order {
            let value = self.parameter(*index, into).value * self.factor(Part::Parameter(*index), changes);
            if let Some(slot) = into.parameters.get_mut(*index) {
                *slot = value;
            }
        }
        into.elements.clear();
        for index in 0..self.value_of.len() {
            let Some(expression) = self.value(index) else { continue };
            let parameters = &into.parameters;
            let read = |read: usize| Dual::constant(parameters.get(read).copied().unwrap_or(f64::NAN));
            let value =
                expression.value(read, &mut into.stack).value * self.factor(Part::Value(index), changes);
            if !value.is_finite() {
                let what = format!("the value of `{}`", self.name(index));
                let place = Some(self.flat.places.place(expression.spot));
                return Err(Unfit::NotFinite { what, value, place });
            }
            into.elements.push(value);
        }
        Ok(())
    }

    /// The value of a parameter without its own change, and its derivative, from those worked out before it.
    fn parameter(&self, index: usize, values: &mut Values) -> Dual {
        if let Some(set) = self.set.get(index).copied().flatten() {
            return Dual::constant(set);
        }
        let Some(parameter) = self.flat.parameters.get(index) else { return Dual::constant(f64::NAN) };
        let (parameters, slopes) = (&values.parameters, &values.slopes);
        let read = |read: usize| Dual {
            value: parameters.get(read).copied().unwrap_or(f64::NAN),
            slope: slopes.get(read).copied().unwrap_or(0.0),
        };
        parameter.value.value(read, &mut values.stack)
    }

    /// The derivatives of the values of elements with respect to the change of a part, after [`Sheet::fill`]; those that are not 0.
    pub(super) fn slopes(
        &self,
        part: usize,
        changes: &[f64],
        values: &mut Values,
        into: &mut Vec<(usize, f64)>,
    ) {
        into.clear();
        let (Some(varied), Some(reach)) = (self.parts.get(part), self.reach.get(part)) else { return };
        for index in &reach.parameters {
            let own = if *varied == Part::Parameter(*index) {
                values.parameters.get(*index).copied()
            } else {
                None
            };
            let through =
                self.parameter(*index, values).slope * self.factor(Part::Parameter(*index), changes);
            if let Some(slot) = values.slopes.get_mut(*index) {
                *slot = through + own.unwrap_or(0.0);
            }
        }
        for index in &reach.values {
            let Some(expression) = self.value(*index) else { continue };
            let (parameters, slopes) = (&values.parameters, &values.slopes);
            let read = |read: usize| Dual {
                value: parameters.get(read).copied().unwrap_or(f64::NAN),
                slope: slopes.get(read).copied().unwrap_or(0.0),
            };
            let through =
                expression.value(read, &mut values.stack).slope * self.factor(Part::Value(*index), changes);
            let own =
                if *varied == Part::Value(*index) { values.elements.get(*index).copied() } else { None };
            let slope = through + own.unwrap_or(0.0);
            if slope != 0.0 {
                into.push((*index, slope));
            }
        }
        for index in &reach.parameters {
            if let Some(slot) = values.slopes.get_mut(*index) {
                *slot = 0.0;
            }
        }
    }

    /// The value of a part.
    pub(super) fn part(&self, part: Part, values: &Values) -> f64 {
        let found = match part {
            Part::Parameter(index) => values.parameters.get(index),
            Part::Value(index) => values.elements.get(index),
        };
        found.copied().unwrap_or(f64::NAN)
    }
}
