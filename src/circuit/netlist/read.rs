//! Files of a netlist to its definitions.

use super::cards::{Card, cards};
use super::commands::{Command, command};
use super::definition::{Definition, Parameter};
use super::element::{CardReader, Declared, declared};
use super::fields::Field;
use super::source::{Sources, Spot, Word};
use crate::diagnostic::nearest;
use std::collections::HashSet;

/// Most bytes of all files together; a netlist of a loop has some kilobytes, a library of models some hundred.
const MOST_BYTES: usize = 2_000_000;
/// Most files; each is read once for each time it is included.
const MOST_FILES: usize = 100;
/// Most files or subcircuits in each other: the reader calls itself for each.
pub(super) const MOST_LEVELS: usize = 20;
/// Most elements of a definition, and most of its parameters.
const MOST_DECLARED: usize = 2_000;

/// Where a netlist's other files come from.
pub trait Includes {
    /// The file that `from` (a name as this trait gives it, or the one the netlist was given) includes as `path`: its name
    /// as it is shown, and its text.
    ///
    /// # Errors
    ///
    /// A message that says why it cannot be read.
    fn open(&mut self, from: &str, path: &str) -> Result<(String, String), String>;
}

/// All that the files declare.
pub(super) struct Declarations {
    pub(super) title: String,
    pub(super) top: Definition,
    /// Nodes that are the same in all subcircuits.
    pub(super) globals: Vec<Word>,
}

/// Reads the files; what is wrong is in `sources`.
pub(super) fn read(
    file: &str,
    text: &str,
    includes: &mut dyn Includes,
    sources: &mut Sources,
) -> Declarations {
    let index = sources.add(file, text.strip_prefix('\u{feff}').unwrap_or(text));
    let title = sources.lines(index).first().map(|line| line.trim().to_owned()).unwrap_or_default();
    let mut reader = Reader {
        sources,
        includes,
        bytes: text.len(),
        open: vec![file.to_owned()],
        stack: Vec::new(),
        globals: Vec::new(),
    };
    if text.len() > MOST_BYTES {
        let spot = Spot { file: 0, line: 0, from: 0, to: 0 };
        reader.too_large(spot);
        return Declarations { title, top: Definition::default(), globals: Vec::new() };
    }
    let mut top = Definition::default();
    reader.file(index, 1, &mut top);
    reader.close_all(&mut top);
    Declarations { title, top, globals: reader.globals }
}

struct Reader<'a> {
    sources: &'a mut Sources,
    includes: &'a mut dyn Includes,
    bytes: usize,
    /// The files that include each other down to here.
    open: Vec<String>,
    /// Subcircuits that are not ended yet.
    stack: Vec<Definition>,
    globals: Vec<Word>,
}

impl Reader<'_> {
    fn too_large(&mut self, spot: Spot) {
        let message = format!("the files have more than {MOST_BYTES} bytes together");
        self.sources.error(
            "netlist-size",
            spot,
            message,
            "keep what the loop needs, and leave the rest away",
        );
    }

    fn file(&mut self, file: usize, skipped: usize, top: &mut Definition) {
        for card in cards(self.sources, file, skipped) {
            if !card.text.starts_with('.') {
                self.element(&card, top);
            } else if self.command(&card, top).is_none() {
                return;
            }
        }
    }

    fn element(&mut self, card: &Card, top: &mut Definition) {
        let Ok(declared) = declared(card, self.sources) else { return };
        let scope = self.stack.last_mut().unwrap_or(top);
        let name = match &declared {
            Declared::Element(element) => element.name.clone(),
            Declared::Instance(instance) => instance.name.clone(),
        };
        if scope.names.len() >= MOST_DECLARED {
            let message = format!("more than {MOST_DECLARED} elements");
            self.sources.error("netlist-size", name.spot, message, "keep what the loop needs");
            return;
        }
        if let Some(first) = scope.names.get(&name.key()) {
            let first = self.sources.place(*first);
            let message =
                format!("`{}` is there twice, first in line {}", name.text, first.line.unwrap_or(0));
            self.sources.error("netlist-name", name.spot, message, "give one of them another name");
            return;
        }
        scope.names.insert(name.key(), name.spot);
        match declared {
            Declared::Element(element) => scope.elements.push(element),
            Declared::Instance(instance) => scope.instances.push(instance),
        }
    }

    /// Does what a command says; `None` at the end of the file.
    fn command(&mut self, card: &Card, top: &mut Definition) -> Option<()> {
        let head = card.head();
        match command(&head.key()) {
            Command::Param => self.parameters(card, top),
            Command::Subckt => self.begin(card),
            Command::Ends => self.end(&head, card, top),
            Command::Include => self.include(card, &head, top),
            Command::Global => {
                let fields = CardReader { card, sources: self.sources }.fields().unwrap_or_default();
                self.globals.extend(fields.into_iter().map(|field| field.value));
            }
            Command::End => return None,
            Command::Silent => {}
            Command::Skipped => {
                let message = format!("`{}` is skipped: it has no part in the small-signal loop", head.text);
                self.sources.warn("netlist-skipped", head.spot, message, "nothing needs to be done");
            }
            Command::Refused(help) => {
                let message = format!("`{}` is not read, and it can change values", head.text);
                self.sources.error("netlist-command", head.spot, message, help);
            }
            Command::Unknown(near) => {
                let message = format!("`{}` is no command that is known", head.text);
                let help = near.map_or_else(
                    || "remove the line, or write `*` before it".to_owned(),
                    |near| format!("did you mean `{near}`?"),
                );
                self.sources.error("netlist-command", head.spot, message, &help);
            }
        }
        Some(())
    }

    fn parameters(&mut self, card: &Card, top: &mut Definition) {
        let mut reader = CardReader { card, sources: self.sources };
        let Ok(fields) = reader.fields() else { return };
        let Ok(parameters) = reader.parameters(&fields) else { return };
        if let Some(bare) = fields.iter().find(|field| field.name.is_none()) {
            let message = format!("`{}` belongs to no parameter", bare.value.text);
            let help = "write `.param a=1 b={2*a}`: an expression with blanks stands in braces";
            self.sources.error("netlist-field", bare.value.spot, message, help);
            return;
        }
        let scope = self.stack.last_mut().unwrap_or(top);
        for parameter in parameters {
            let name = &parameter.name;
            if let Some(first) = scope.parameter_names.get(&name.key()) {
                let line = self.sources.place(*first).line.unwrap_or(0);
                let message = format!("the parameter `{}` is there twice, first in line {line}", name.text);
                self.sources.error("netlist-name", name.spot, message, "keep one of them");
            } else if scope.parameters.len() >= MOST_DECLARED {
                let message = format!("more than {MOST_DECLARED} parameters");
                self.sources.error("netlist-size", name.spot, message, "keep what the loop needs");
            } else {
                scope.parameter_names.insert(name.key(), name.spot);
                scope.parameters.push(parameter);
            }
        }
    }

    fn begin(&mut self, card: &Card) {
        let mut reader = CardReader { card, sources: self.sources };
        let head = card.head();
        // Even a faulty head opens a scope, so that its `.ends` has a partner.
        let fields = reader.fields().unwrap_or_default();
        let settable: Vec<Parameter> = reader.parameters(&fields).unwrap_or_default();
        let mut words = fields
            .iter()
            .filter(|field| field.name.is_none() && !field.is("params:"))
            .map(|field: &Field| field.value.clone());
        let name = words.next();
        let ports: Vec<Word> = words.collect();
        if name.is_none() {
            let message = "`.subckt` without a name".to_owned();
            self.sources.error("netlist-subcircuit", head.spot, message, "write `.subckt NAME node node`");
        }
        let mut seen = HashSet::new();
        for port in ports.iter().filter(|port| !seen.insert(port.key())) {
            let message = format!("the node `{}` is there twice", port.text);
            let help = "give each node of a subcircuit a name of its own";
            self.sources.error("netlist-subcircuit", port.spot, message, help);
        }
        if self.stack.len() >= MOST_LEVELS {
            let message = format!("more than {MOST_LEVELS} subcircuits within each other");
            self.sources.error("netlist-subcircuit", head.spot, message, "end them with `.ends`");
            return;
        }
        let name = name.unwrap_or(head);
        let parameter_names = settable.iter().map(|p| (p.name.key(), p.name.spot)).collect();
        let name = Some(name);
        self.stack.push(Definition { name, ports, settable, parameter_names, ..Definition::default() });
    }

    fn end(&mut self, head: &Word, card: &Card, top: &mut Definition) {
        let Some(ended) = self.stack.pop() else {
            let message = "`.ends` ends no subcircuit".to_owned();
            self.sources.error(
                "netlist-subcircuit",
                head.spot,
                message,
                "remove it, or add `.subckt` before",
            );
            return;
        };
        let said = CardReader { card, sources: self.sources }.fields().unwrap_or_default();
        if let (Some(said), Some(name)) = (said.first(), &ended.name)
            && !said.is(&name.text)
        {
            let message = format!("`.ends {}` ends `{}`", said.value.text, name.text);
            let help = "write the name of the subcircuit that ends here, or none";
            self.sources.error("netlist-subcircuit", said.value.spot, message, help);
        }
        self.keep(ended, top);
    }

    /// Puts a subcircuit into what is around it.
    fn keep(&mut self, ended: Definition, top: &mut Definition) {
        let scope = self.stack.last_mut().unwrap_or(top);
        let Some(name) = ended.name.clone() else { return };
        if let Some(first) = scope.inner(&name.key()).and_then(|first| first.name.as_ref()) {
            let line = self.sources.place(first.spot).line.unwrap_or(0);
            let message = format!("the subcircuit `{}` is there twice, first in line {line}", name.text);
            self.sources.error("netlist-name", name.spot, message, "keep one of them");
        } else if scope.inner.len() >= MOST_DECLARED {
            let message = format!("more than {MOST_DECLARED} subcircuits");
            self.sources.error("netlist-size", name.spot, message, "keep what the loop needs");
        } else {
            scope.inner_names.insert(name.key(), scope.inner.len());
            scope.inner.push(ended);
        }
    }

    fn close_all(&mut self, top: &mut Definition) {
        while let Some(open) = self.stack.pop() {
            if let Some(name) = &open.name {
                let message = format!("the subcircuit `{}` is not ended", name.text);
                self.sources.error(
                    "netlist-subcircuit",
                    name.spot,
                    message,
                    "write `.ends` after its last line",
                );
            }
            self.keep(open, top);
        }
    }

    fn no_file(&mut self, spot: Spot, message: String, help: &str) {
        self.sources.error("netlist-include", spot, message, help);
    }

    fn include(&mut self, card: &Card, head: &Word, top: &mut Definition) {
        let rest = card.text.get(head.text.len()..).unwrap_or("");
        let path = rest.trim().trim_matches(['"', '\'']);
        let from = card.text.len() - rest.trim_start().len();
        let spot = card.spot(from..card.text.len());
        if path.is_empty() {
            return self.no_file(spot, "`.include` names no file".to_owned(), "write `.include parts.cir`");
        }
        if self.open.len() > MOST_LEVELS || self.sources.names().len() >= MOST_FILES {
            let message = format!("more than {MOST_FILES} files, or {MOST_LEVELS} in each other");
            return self.no_file(spot, message, "put what belongs together into one file");
        }
        let here = self.open.last().map_or("", String::as_str);
        let (name, text) = match self.includes.open(here, path) {
            Ok(found) => found,
            Err(message) => {
                return self.no_file(spot, message, "the path is relative to the file that includes it");
            }
        };
        if self.open.contains(&name) {
            let message = format!("`{name}` includes itself, by way of {}", self.open.join(", "));
            return self.no_file(spot, message, "remove one of the `.include`");
        }
        self.bytes = self.bytes.saturating_add(text.len());
        if self.bytes > MOST_BYTES {
            return self.too_large(spot);
        }
        let file = self.sources.add(&name, text.strip_prefix('\u{feff}').unwrap_or(&text));
        self.open.push(name);
        self.file(file, 0, top);
        self.open.pop();
    }
}

/// What may have been meant by a name, for the help of an error.
pub(super) fn meant<'a>(name: &str, known: impl Iterator<Item = &'a str> + Clone, otherwise: &str) -> String {
    match nearest(name, known.clone()) {
        Some(near) => format!("did you mean `{near}`?"),
        None => {
            let names: Vec<&str> = known.take(20).collect();
            if names.is_empty() {
                otherwise.to_owned()
            } else {
                format!("{otherwise}; there are {}", names.join(", "))
            }
        }
    }
}
