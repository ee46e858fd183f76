//! The card of an element to the element.

use super::cards::Card;
use super::definition::{Element, Instance, Kind, Parameter};
use super::devices::refusal;
use super::expression::{Expression, Step, Two};
use super::fields::{Field, fields};
use super::formula::expression;
use super::scale::number;
use super::source::{Sources, Spot, Word};
use std::collections::HashSet;
use std::ops::Range;

/// What a card declares.
pub(super) enum Declared {
    Element(Element),
    Instance(Instance),
}

/// The error was reported.
pub(super) struct Reported;

type Read<T> = Result<T, Reported>;

/// Reads cards, reporting what is wrong with them.
pub(super) struct CardReader<'a> {
    pub(super) card: &'a Card,
    pub(super) sources: &'a mut Sources,
}

/// The element that a card declares.
pub(super) fn declared(card: &Card, sources: &mut Sources) -> Read<Declared> {
    CardReader { card, sources }.declared()
}

impl CardReader<'_> {
    fn refuse<T>(&mut self, spot: Spot, message: String, help: &str) -> Read<T> {
        self.sources.error("netlist-element", spot, message, help);
        Err(Reported)
    }

    /// The fields after the first word.
    pub(super) fn fields(&mut self) -> Read<Vec<Field>> {
        fields(self.card).map_err(|(at, message)| {
            let help = "write `name=value`, and expressions in `{` and `}`";
            self.sources.error("netlist-field", self.card.spot(at), message, help);
            Reported
        })
    }

    /// The expression that stands at `range`.
    pub(super) fn expression(&mut self, range: Range<usize>) -> Read<Expression<Word>> {
        expression(self.card, range).map_err(|wrong| {
            let spot = self.card.spot(wrong.at);
            self.sources.error("netlist-expression", spot, wrong.message, &wrong.help);
            Reported
        })
    }

    fn declared(&mut self) -> Read<Declared> {
        let name = self.card.head();
        let letter = name.text.chars().next().unwrap_or(' ').to_ascii_uppercase();
        if letter == 'X' {
            return Ok(Declared::Instance(self.instance(name)?));
        }
        let (kind, nodes) = match letter {
            'R' => (Kind::Resistor, 2),
            'C' => (Kind::Capacitor, 2),
            'L' => (Kind::Inductor, 2),
            'K' => (Kind::Coupling, 0),
            'E' => (Kind::VoltageByVoltage, 4),
            'G' => (Kind::CurrentByVoltage, 4),
            'F' => (Kind::CurrentByCurrent, 2),
            'H' => (Kind::VoltageByCurrent, 2),
            'V' => (Kind::Voltage, 2),
            'I' => (Kind::Current, 2),
            'T' => (Kind::Line, 4),
            _ => {
                let (what, help) = refusal(letter);
                return self.refuse(name.spot, format!("`{}` is {what}", name.text), help);
            }
        };
        let fields = self.fields()?;
        let is_source = matches!(kind, Kind::Voltage | Kind::Current);
        let fields = if is_source { fields } else { self.plain(fields)? };
        let mut words = fields.iter().filter(|field| field.name.is_none());
        let node_words: Vec<Word> = words.by_ref().take(nodes).map(|field| field.value.clone()).collect();
        if node_words.len() < nodes {
            let message = format!("`{}` has {} nodes, {nodes} are wanted", name.text, node_words.len());
            return self.refuse(self.card.whole(), message, form(kind));
        }
        let rest: Vec<&Field> = words.collect();
        let (others, values) = match kind {
            Kind::Voltage | Kind::Current => (Vec::new(), Vec::new()),
            Kind::Line => (Vec::new(), self.line(&name, &fields)?),
            Kind::Coupling => self.after_names(&name, kind, &rest, 2, usize::MAX)?,
            Kind::CurrentByCurrent | Kind::VoltageByCurrent => self.after_names(&name, kind, &rest, 1, 1)?,
            _ => self.after_names(&name, kind, &rest, 0, 0)?,
        };
        Ok(Declared::Element(Element { name, kind, nodes: node_words, others, values }))
    }

    /// Fields of which none makes the element something other than linear.
    fn plain(&mut self, fields: Vec<Field>) -> Read<Vec<Field>> {
        let is_line = self.card.text.starts_with(['t', 'T']);
        for field in &fields {
            let word = field.name.as_ref().unwrap_or(&field.value);
            let key = if field.is_braced && field.name.is_none() { String::new() } else { word.key() };
            let help = match (key.as_str(), &field.name) {
                ("poly", _) => "write one linear element for each of its terms: `E1 out+ out- in+ in- gain`",
                ("value" | "vol" | "cur", _) => {
                    "write the linear part about the operating point: `E1 out+ out- in+ in- gain`"
                }
                ("table" | "laplace" | "freq" | "chebyshev", _) => {
                    "build its frequency response from R, C, L and controlled sources"
                }
                ("ic", Some(_)) => continue,
                ("r" | "c" | "l", Some(_)) => "write the value alone: `R1 a b 10k`, `R1 a b {expression}`",
                (_, Some(_)) if !is_line => "leave it away and write the value as it is at the corner",
                _ => continue,
            };
            let spot = word.spot;
            return self.refuse(spot, format!("`{}` is not read in a linear element", word.text), help);
        }
        Ok(fields)
    }

    /// Names of other elements, then one value.
    fn after_names(
        &mut self,
        name: &Word,
        kind: Kind,
        rest: &[&Field],
        least: usize,
        most: usize,
    ) -> Read<(Vec<Word>, Vec<Expression<Word>>)> {
        let words: Vec<&&Field> = rest.iter().filter(|field| field.name.is_none()).collect();
        let Some((value, others)) = words.split_last().filter(|(_, others)| others.len() >= least) else {
            let message = format!("`{}` has no value, or a name too few", name.text);
            return self.refuse(self.card.whole(), message, form(kind));
        };
        if let Some(extra) = words.get(most.saturating_add(1)) {
            let (spot, text) = (extra.value.spot, extra.value.text.clone());
            return self.refuse(spot, format!("`{text}` is a word too many"), form(kind));
        }
        let value = self.value(value)?;
        Ok((others.iter().map(|field| field.value.clone()).collect(), vec![value]))
    }

    /// A number, or an expression in braces.
    fn value(&mut self, field: &Field) -> Read<Expression<Word>> {
        let text = field.value.text.as_str();
        let bare = text.strip_prefix(['-', '+']).unwrap_or(text);
        if field.is_braced || number(bare).is_some_and(|(_, length)| length == bare.len()) {
            return self.expression(field.range.clone());
        }
        let help = format!("write a number such as `4.7k`, or `{{{text}}}` for a parameter or an expression");
        self.refuse(field.value.spot, format!("`{text}` is no number"), &help)
    }

    /// Impedance and delay of a transmission line.
    fn line(&mut self, name: &Word, fields: &[Field]) -> Read<Vec<Expression<Word>>> {
        let mut found: [Option<Expression<Word>>; 4] = [None, None, None, None];
        for field in fields.iter().filter(|field| field.name.as_ref().is_some_and(|name| name.key() != "ic"))
        {
            let key = field.name.as_ref().map(Word::key).unwrap_or_default();
            let index = ["z0", "td", "f", "nl"].iter().position(|known| *known == key);
            let Some(slot) = index.and_then(|index| found.get_mut(index)) else {
                return self.refuse(field.value.spot, format!("`{key}` is not known here"), form(Kind::Line));
            };
            *slot = Some(self.expression(field.range.clone())?);
        }
        if let Some(extra) = fields.iter().filter(|field| field.name.is_none()).nth(4) {
            let (spot, text) = (extra.value.spot, extra.value.text.clone());
            return self.refuse(spot, format!("`{text}` is a word too many"), form(Kind::Line));
        }
        match found {
            [Some(impedance), Some(delay), None, None] => Ok(vec![impedance, delay]),
            [Some(impedance), None, Some(frequency), length] => {
                // A quarter of a wavelength where nothing is said, as in SPICE.
                let mut steps = length.map_or(vec![Step::Number(0.25)], |length| length.steps);
                let spot = frequency.spot;
                steps.extend(frequency.steps);
                steps.push(Step::Two(Two::Over));
                Ok(vec![impedance, Expression { steps, spot }])
            }
            _ => {
                let message = format!("`{}` lacks Z0, or has not one of TD and F", name.text);
                self.refuse(self.card.whole(), message, form(Kind::Line))
            }
        }
    }

    fn instance(&mut self, name: Word) -> Read<Instance> {
        let fields = self.fields()?;
        let plain: Vec<&Field> =
            fields.iter().filter(|field| field.name.is_none() && !field.is("params:")).collect();
        let help = "write `X1 node node NAME`, and `X1 node node NAME a=1` to set parameters";
        let Some((of, nodes)) = plain.split_last() else {
            let message = format!("`{}` names no subcircuit", name.text);
            return self.refuse(self.card.whole(), message, help);
        };
        if let Some(braced) = plain.iter().find(|field| field.is_braced) {
            return self.refuse(braced.value.spot, "a value with no name before it".to_owned(), help);
        }
        let (of, nodes) = (of.value.clone(), nodes.iter().map(|field| field.value.clone()).collect());
        let overrides = self.parameters(&fields)?;
        Ok(Instance { name, nodes, of, overrides })
    }

    /// The `name=value` among the fields; a name that stands twice is an error.
    pub(super) fn parameters(&mut self, fields: &[Field]) -> Read<Vec<Parameter>> {
        let mut parameters: Vec<Parameter> = Vec::new();
        let mut seen = HashSet::new();
        for field in fields {
            let Some(name) = &field.name else { continue };
            let starts_well = name.text.starts_with(|c: char| c.is_alphabetic() || c == '_');
            if !starts_well || name.text.contains(|c: char| !(c.is_alphanumeric() || c == '_')) {
                let message = format!("`{}` is no name of a parameter", name.text);
                let help = "write a letter, then letters, digits and `_`";
                return self.refuse(name.spot, message, help);
            }
            if !seen.insert(name.key()) {
                let message = format!("`{}` is set twice", name.text);
                return self.refuse(name.spot, message, "leave one of them away");
            }
            let value = self.expression(field.range.clone())?;
            parameters.push(Parameter { name: name.clone(), value });
        }
        Ok(parameters)
    }
}

/// How an element is written.
const fn form(kind: Kind) -> &'static str {
    match kind {
        Kind::Resistor => "write `R1 a b 10k`",
        Kind::Capacitor => "write `C1 a b 10u`",
        Kind::Inductor => "write `L1 a b 10u`",
        Kind::Coupling => "write `K1 L1 L2 0.99`",
        Kind::VoltageByVoltage => "write `E1 out+ out- in+ in- gain`",
        Kind::CurrentByVoltage => "write `G1 out+ out- in+ in- transconductance`",
        Kind::CurrentByCurrent => "write `F1 out+ out- V1 gain`: V1 carries the current that controls",
        Kind::VoltageByCurrent => {
            "write `H1 out+ out- V1 transresistance`: V1 carries the current that controls"
        }
        Kind::Voltage => "write `V1 plus minus DC 5`",
        Kind::Current => "write `I1 plus minus DC 1`",
        Kind::Line => "write `T1 a 0 b 0 Z0=50 TD=10n`, or with `F=10MEG NL=0.25`",
    }
}
