//! Subcircuits put in where they are used, names to numbers.

use super::definition::{Definition, Element, Instance, Kind, Parameter};
use super::expression::{Expression, Step};
use super::flat::{Flat, FlatElement, FlatParameter, Places};
use super::order::in_order;
use super::read::{Declarations, MOST_LEVELS, meant};
use super::source::{Sources, Word};
use std::collections::{HashMap, HashSet};

/// Most elements and instances once all subcircuits are open: ten times what the loop of a converter has. Subcircuits that
/// use each other twice, twenty deep, would be a million.
const MOST_ELEMENTS: usize = 2_000;
/// Most parameters of all instances, and most steps of all expressions: both are worked out anew for each step of a fit.
const MOST_PARAMETERS: usize = 5_000;
const MOST_STEPS: usize = 100_000;

/// Opens the subcircuits of what was read; what is wrong is in `sources`.
pub(super) fn opened(declared: &Declarations, sources: &mut Sources) -> Flat {
    let mut flat = Flat { title: declared.title.clone(), nodes: vec!["0".to_owned()], ..Flat::default() };
    let globals = declared.globals.iter().map(Word::key).collect();
    let mut opener = Opener {
        sources,
        flat: &mut flat,
        scopes: Vec::new(),
        nodes: HashMap::from([("0".to_owned(), 0), ("gnd".to_owned(), 0)]),
        names: HashMap::new(),
        others: Vec::new(),
        globals,
        instances: 0,
        steps: 0,
    };
    opener.scope(Scope::of(&declared.top, None, String::new()), &[]);
    opener.flat.top = declared.top.all_parameters().count();
    opener.contents(0, 0);
    opener.resolve_others();
    flat.files = sources.names().iter().map(|name| name.to_string()).collect();
    flat.places = Places::new(sources.names());
    flat
}

/// A definition put to use, the netlist itself or an instance.
struct Scope<'a> {
    definition: &'a Definition,
    /// The scope in which it was defined, where names that it does not have are looked up.
    around: Option<usize>,
    /// Before the names of what is in it: `X1.X2.`.
    path: String,
    parameters: HashMap<String, usize>,
    /// The nodes that its ports are.
    ports: HashMap<String, usize>,
}

impl<'a> Scope<'a> {
    fn of(definition: &'a Definition, around: Option<usize>, path: String) -> Self {
        Self { definition, around, path, parameters: HashMap::new(), ports: HashMap::new() }
    }
}

struct Opener<'a, 'b> {
    sources: &'b mut Sources,
    flat: &'b mut Flat,
    scopes: Vec<Scope<'a>>,
    nodes: HashMap<String, usize>,
    /// Elements by their whole name.
    names: HashMap<String, usize>,
    /// For each element the whole names of those that it names, and where they are named.
    others: Vec<(usize, String, Vec<Word>)>,
    globals: HashSet<String>,
    instances: usize,
    steps: usize,
}

impl<'a> Opener<'a, '_> {
    /// Takes in a scope with its parameters, those of its head as `set`.
    fn scope(&mut self, scope: Scope<'a>, set: &[(String, Expression<usize>)]) -> usize {
        let definition = scope.definition;
        let index = self.scopes.len();
        let path = scope.path.clone();
        self.scopes.push(scope);
        let first = self.flat.parameters.len();
        let all: Vec<&Parameter> = definition.all_parameters().collect();
        if first + all.len() > MOST_PARAMETERS {
            self.too_many("parameters", MOST_PARAMETERS, definition);
            return index;
        }
        let names = all.iter().enumerate().map(|(at, parameter)| (parameter.name.key(), first + at));
        let names = names.collect();
        if let Some(scope) = self.scopes.get_mut(index) {
            scope.parameters = names;
        }
        for parameter in &all {
            let given = set.iter().find(|(name, _)| *name == parameter.name.key()).map(|(_, value)| value);
            let value = match given {
                Some(value) => value.clone(),
                None => self.bound(&parameter.value, index),
            };
            let name = format!("{path}{}", parameter.name.text);
            self.flat.parameters.push(FlatParameter { name, value });
        }
        self.put_in_order(first, &all);
        index
    }

    /// Parameters of a scope in an order in which each has a value when it is read.
    fn put_in_order(&mut self, first: usize, all: &[&Parameter]) {
        let reads: Vec<Vec<usize>> = self
            .flat
            .parameters
            .iter()
            .skip(first)
            .map(|parameter| parameter.value.reads().filter_map(|read| read.checked_sub(first)).collect())
            .collect();
        match in_order(&reads) {
            Ok(order) => self.flat.order.extend(order.into_iter().map(|index| first + index)),
            Err(circle) => {
                let names: Vec<&str> =
                    circle.iter().filter_map(|index| all.get(*index)).map(|p| p.name.text.as_str()).collect();
                let Some(at) = circle.first().and_then(|index| all.get(*index)) else { return };
                let message = format!("parameters go in a circle: {}", names.join(" needs "));
                self.sources.error("netlist-circle", at.value.spot, message, "give one of them a number");
            }
        }
    }

    fn too_many(&mut self, what: &str, most: usize, definition: &Definition) {
        let spot = definition.name.as_ref().map(|name| name.spot);
        let spot = spot.or_else(|| definition.instances.first().map(|instance| instance.name.spot));
        let Some(spot) = spot.or_else(|| definition.elements.first().map(|e| e.name.spot)) else { return };
        let message = format!("more than {most} {what} once the subcircuits are open");
        self.sources.error("netlist-size", spot, message, "keep what the loop needs");
    }

    /// An expression with its parameters found; an empty one where one is not.
    fn bound(&mut self, value: &Expression<Word>, scope: usize) -> Expression<usize> {
        self.steps += value.steps.len();
        let found = value.bound(|word| {
            let key = word.key();
            let read = self.parameter(&key, scope).map(Step::Read);
            read.or_else(|| constant(&key).map(Step::Number)).ok_or(word)
        });
        match found {
            Ok(bound) => bound,
            Err(word) => {
                self.no_parameter(word, scope);
                Expression { steps: Vec::new(), spot: value.spot }
            }
        }
    }

    fn no_parameter(&mut self, word: &Word, scope: usize) {
        if !self.sources.is_news("netlist-parameter", word.spot) {
            return;
        }
        let known: Vec<String> = self.known_parameters(scope);
        let otherwise = format!("write `.param {}=1`", word.text);
        let help = meant(&word.text, known.iter().map(String::as_str), &otherwise);
        let message = format!("there is no parameter `{}`", word.text);
        self.sources.error("netlist-parameter", word.spot, message, &help);
    }

    /// A scope and those around it, inmost first.
    fn around(&self, scope: usize) -> impl Iterator<Item = (usize, &Scope<'a>)> {
        let mut next = Some(scope);
        std::iter::from_fn(move || {
            let index = next?;
            let scope = self.scopes.get(index)?;
            next = scope.around;
            Some((index, scope))
        })
    }

    fn parameter(&self, key: &str, scope: usize) -> Option<usize> {
        self.around(scope).find_map(|(_, scope)| scope.parameters.get(key).copied())
    }

    fn known_parameters(&self, scope: usize) -> Vec<String> {
        let all = self.around(scope).flat_map(|(_, scope)| scope.definition.all_parameters());
        all.map(|parameter| parameter.name.text.clone()).collect()
    }

    fn node(&mut self, word: &Word, scope: usize) -> usize {
        let key = word.key();
        let Some(inside) = self.scopes.get(scope) else { return 0 };
        if let Some(port) = inside.ports.get(&key) {
            return *port;
        }
        let is_global = key == "0" || key == "gnd" || self.globals.contains(&key);
        let path = if is_global { "" } else { inside.path.as_str() };
        let whole = format!("{path}{}", word.text);
        let nodes = &mut self.flat.nodes;
        *self.nodes.entry(whole.to_lowercase()).or_insert_with(|| {
            nodes.push(whole);
            nodes.len() - 1
        })
    }

    /// Puts in what is in a scope.
    fn contents(&mut self, scope: usize, level: usize) {
        let Some(inside) = self.scopes.get(scope) else { return };
        let definition = inside.definition;
        for element in &definition.elements {
            if !self.has_room(definition) {
                return;
            }
            self.element(element, scope);
        }
        for instance in &definition.instances {
            if !self.has_room(definition) {
                return;
            }
            self.instances += 1;
            self.instance(instance, scope, level);
        }
    }

    fn has_room(&mut self, definition: &Definition) -> bool {
        if self.flat.elements.len() + self.instances >= MOST_ELEMENTS {
            self.too_many("elements and instances", MOST_ELEMENTS, definition);
            return false;
        }
        if self.steps > MOST_STEPS {
            self.too_many("parts of expressions", MOST_STEPS, definition);
            return false;
        }
        self.flat.parameters.len() <= MOST_PARAMETERS && !self.sources.is_full()
    }

    fn element(&mut self, element: &Element, scope: usize) {
        let path = self.scopes.get(scope).map(|scope| scope.path.clone()).unwrap_or_default();
        let nodes = element.nodes.iter().map(|word| self.node(word, scope)).collect();
        let values = element.values.iter().map(|value| self.bound(value, scope)).collect();
        let name = format!("{path}{}", element.name.text);
        let index = self.flat.elements.len();
        self.names.insert(name.to_lowercase(), index);
        if !element.others.is_empty() {
            self.others.push((index, path, element.others.clone()));
        }
        let (spot, kind) = (element.name.spot, element.kind);
        self.flat.elements.push(FlatElement { name, spot, kind, nodes, others: Vec::new(), values });
    }

    fn instance(&mut self, instance: &Instance, scope: usize, level: usize) {
        let Some((definition, around)) = self.definition(&instance.of, scope) else { return };
        let spot = instance.name.spot;
        if level >= MOST_LEVELS {
            let message = format!("subcircuits more than {MOST_LEVELS} deep: one of them uses itself");
            self.sources.error("netlist-circle", spot, message, "remove the instance that closes the circle");
            return;
        }
        if instance.nodes.len() != definition.ports.len() {
            let ports: Vec<&str> = definition.ports.iter().map(|port| port.text.as_str()).collect();
            let message = format!(
                "`{}` has {} nodes, `{}` has {}",
                instance.name.text,
                instance.nodes.len(),
                instance.of.text,
                ports.len()
            );
            self.sources.error("netlist-nodes", spot, message, &format!("its nodes are {}", ports.join(" ")));
            return;
        }
        let mut set = Vec::new();
        for parameter in &instance.overrides {
            let key = parameter.name.key();
            if !definition.settable.iter().any(|known| known.name.key() == key) {
                let known = definition.settable.iter().map(|known| known.name.text.as_str());
                let help = meant(&key, known, "only parameters in the line of `.subckt` can be set");
                let message = format!("`{}` has no parameter `{}`", instance.of.text, parameter.name.text);
                self.sources.error("netlist-parameter", parameter.name.spot, message, &help);
                continue;
            }
            let value = self.bound(&parameter.value, scope);
            set.push((key, value));
        }
        let path = self.scopes.get(scope).map(|scope| scope.path.as_str()).unwrap_or_default();
        let mut inside = Scope::of(definition, Some(around), format!("{path}{}.", instance.name.text));
        for (port, node) in definition.ports.iter().zip(&instance.nodes) {
            let node = self.node(node, scope);
            inside.ports.insert(port.key(), node);
        }
        let inside = self.scope(inside, &set);
        self.contents(inside, level + 1);
    }

    /// The subcircuit of a name, and the scope in which it was defined.
    fn definition(&mut self, name: &Word, scope: usize) -> Option<(&'a Definition, usize)> {
        let key = name.key();
        let found = self.around(scope).find_map(|(index, scope)| {
            let definition: &'a Definition = scope.definition;
            definition.inner(&key).map(|inner| (inner, index))
        });
        if found.is_none() && self.sources.is_news("netlist-subcircuit", name.spot) {
            let known: Vec<&str> = self
                .around(scope)
                .flat_map(|(_, scope)| &scope.definition.inner)
                .filter_map(|inner| inner.name.as_ref())
                .map(|name| name.text.as_str())
                .collect();
            let help = meant(&name.text, known.iter().copied(), "`.include` the file that has it");
            let message = format!("there is no subcircuit `{}`", name.text);
            self.sources.error("netlist-subcircuit", name.spot, message, &help);
        }
        found
    }

    /// Finds the sources and inductors that elements name.
    fn resolve_others(&mut self) {
        for (index, path, words) in std::mem::take(&mut self.others) {
            let kind = self.flat.elements.get(index).map(|element| element.kind);
            let wanted = if kind == Some(Kind::Coupling) { Kind::Inductor } else { Kind::Voltage };
            let mut found = Vec::new();
            for word in &words {
                let other = self.names.get(&format!("{path}{}", word.text).to_lowercase()).copied();
                let other_kind =
                    other.and_then(|other| self.flat.elements.get(other)).map(|other| other.kind);
                match other {
                    Some(other) if other_kind == Some(wanted) && !found.contains(&other) => found.push(other),
                    _ => self.no_partner(word, wanted),
                }
            }
            if let Some(element) = self.flat.elements.get_mut(index) {
                element.others = found;
            }
        }
    }

    fn no_partner(&mut self, word: &Word, wanted: Kind) {
        let (what, help) = if wanted == Kind::Inductor {
            ("inductor", "name inductors of the same subcircuit, each once")
        } else {
            ("voltage source", "put `Vsense a b 0` where the current flows that controls")
        };
        let message = format!("`{}` is no {what} beside this element", word.text);
        self.sources.error("netlist-partner", word.spot, message, help);
    }
}

/// What has a value without being declared.
fn constant(key: &str) -> Option<f64> {
    match key {
        "pi" => Some(std::f64::consts::PI),
        "e" => Some(std::f64::consts::E),
        _ => None,
    }
}
