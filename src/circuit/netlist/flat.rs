//! A netlist with its subcircuits opened.

use super::definition::Kind;
use super::expression::Expression;
use super::source::Spot;
use crate::diagnostic::Place;
use std::sync::Arc;

/// A netlist read, its subcircuits opened: ready for the parameters of a corner.
///
/// Cheap to clone.
#[derive(Debug, Clone)]
pub struct Netlist {
    pub(crate) inner: Arc<Flat>,
}

/// What a [`Netlist`] holds.
#[derive(Debug, Default)]
pub(crate) struct Flat {
    pub(crate) title: String,
    pub(crate) files: Vec<String>,
    /// Those of the top level first, `top` of them; `order` says in which order they have values.
    pub(crate) parameters: Vec<FlatParameter>,
    pub(crate) top: usize,
    pub(crate) order: Vec<usize>,
    /// Names of the nodes; the first is ground.
    pub(crate) nodes: Vec<String>,
    pub(crate) elements: Vec<FlatElement>,
    pub(crate) places: Places,
}

/// From spots to places.
#[derive(Debug, Default)]
pub(crate) struct Places {
    /// Names of the files.
    names: Vec<Arc<str>>,
}

impl Places {
    pub(crate) fn new(names: &[Arc<str>]) -> Self {
        Self { names: names.to_vec() }
    }

    /// The file and line of a spot.
    pub(crate) fn place(&self, spot: Spot) -> Place {
        Place {
            file: self.names.get(spot.file as usize).cloned().unwrap_or_default(),
            line: Some(u64::from(spot.line) + 1),
            column: None,
            key: None,
        }
    }
}

/// A parameter of the top level or of one instance of a subcircuit.
#[derive(Debug)]
pub(crate) struct FlatParameter {
    /// With the instances before it: `X1.gain`.
    pub(crate) name: String,
    pub(crate) value: Expression<usize>,
}

/// An element between numbered nodes.
#[derive(Debug)]
pub(crate) struct FlatElement {
    /// With the instances before it: `X1.R2`.
    pub(crate) name: String,
    pub(crate) spot: Spot,
    pub(crate) kind: Kind,
    pub(crate) nodes: Vec<usize>,
    /// Indices of the elements that it names.
    pub(crate) others: Vec<usize>,
    pub(crate) values: Vec<Expression<usize>>,
}

impl Netlist {
    /// The first line of the netlist.
    #[must_use]
    pub fn title(&self) -> &str {
        &self.inner.title
    }

    /// Names of the voltage sources, in the order of the text: one of them is the injection.
    pub fn sources(&self) -> impl Iterator<Item = &str> {
        let sources = self.inner.elements.iter().filter(|element| element.kind == Kind::Voltage);
        sources.map(|element| element.name.as_str())
    }

    /// Names of the parameters of the top level, in the order of the text: what a corner can set.
    pub fn parameters(&self) -> impl Iterator<Item = &str> {
        self.inner.parameters.iter().take(self.inner.top).map(|parameter| parameter.name.as_str())
    }

    /// Names of the elements that have a value, in the order of the text: what can be varied beside the parameters.
    pub fn parts(&self) -> impl Iterator<Item = &str> {
        let parts = self.inner.elements.iter().filter(|element| element.values.len() == 1);
        parts.map(|element| element.name.as_str())
    }

    /// All files that were read, the netlist itself first; a file included twice is there twice.
    #[must_use]
    pub fn files(&self) -> &[String] {
        &self.inner.files
    }
}
