//! Why a netlist gives no loop gain.

use crate::diagnostic::{Place, nearest};
use std::fmt;

/// Why there is no model, or no loop gain at a frequency.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub enum Unfit {
    /// The injection is no voltage source of the netlist.
    NoSource {
        /// What was asked for.
        name: String,
        /// The voltage sources that there are.
        known: Vec<String>,
    },
    /// A side of the injection is ground, where nothing can be measured.
    GroundedSource {
        /// The injection.
        name: String,
    },
    /// A parameter that is to be set is none of the netlist's top level.
    NoParameter {
        /// What was asked for.
        name: String,
        /// The parameters that there are.
        known: Vec<String>,
    },
    /// What is to be varied is neither an element with one value nor a parameter of the top level.
    NoPart {
        /// What was asked for.
        name: String,
        /// Elements and parameters that there are.
        known: Vec<String>,
    },
    /// The name is that of an element and of a parameter.
    TwoParts {
        /// What was asked for.
        name: String,
    },
    /// A part is to be varied twice.
    VariedTwice {
        /// What was asked for.
        name: String,
    },
    /// A part to be varied is 0, of which there is no share.
    ZeroPart {
        /// What was asked for.
        name: String,
    },
    /// Something has no finite value.
    NotFinite {
        /// What: an element or a parameter.
        what: String,
        /// Its value.
        value: f64,
        /// Where it stands.
        place: Option<Place>,
    },
    /// A value that the element cannot have.
    Impossible {
        /// The element.
        what: String,
        /// Its value.
        value: f64,
        /// What is wanted.
        wanted: &'static str,
        /// Where it stands.
        place: Option<Place>,
    },
    /// The circuit does not determine a voltage or a current.
    Singular {
        /// At which frequency, in hertz; `None` when at every.
        at_hz: Option<f64>,
        /// What is not determined: a node or the current of an element.
        what: String,
    },
    /// Nothing arrives at the input side, or nothing comes back: the loop gain has no finite logarithm.
    NoSignal {
        /// At which frequency, in hertz.
        at_hz: f64,
        /// The side without a signal: `input` or `output`.
        side: &'static str,
    },
    /// More unknowns than are solved for.
    TooLarge {
        /// How many there are.
        unknowns: usize,
        /// How many are solved for.
        most: usize,
    },
    /// No frequency.
    NoFrequency {
        /// What was asked for, in hertz.
        hz: f64,
    },
}

impl Unfit {
    /// Which key of a spec's `circuit` it is about: `injection`, `parameters`, `vary` or `netlist`.
    #[must_use]
    pub const fn key(&self) -> &'static str {
        match self {
            Self::NoSource { .. } | Self::GroundedSource { .. } | Self::NoSignal { .. } => "injection",
            Self::NoParameter { .. } => "parameters",
            Self::NoPart { .. }
            | Self::TwoParts { .. }
            | Self::VariedTwice { .. }
            | Self::ZeroPart { .. } => "vary",
            Self::NotFinite { .. }
            | Self::Impossible { .. }
            | Self::Singular { .. }
            | Self::TooLarge { .. }
            | Self::NoFrequency { .. } => "netlist",
        }
    }

    /// Where in the netlist, when it is about a place there.
    #[must_use]
    pub const fn place(&self) -> Option<&Place> {
        match self {
            Self::NotFinite { place, .. } | Self::Impossible { place, .. } => place.as_ref(),
            _ => None,
        }
    }

    /// How to mend it.
    #[must_use]
    pub fn help(&self) -> String {
        match self {
            Self::NoSource { name, known } => among(name, known, "voltage sources"),
            Self::NoParameter { name, known } => among(name, known, "parameters"),
            Self::NoPart { name, known } => among(name, known, "parts"),
            Self::GroundedSource { .. } => {
                "put the source into the loop: its + node to the output side, its - node to the input side".to_owned()
            }
            Self::TwoParts { .. } => "give the element or the parameter another name".to_owned(),
            Self::VariedTwice { .. } => "name it once".to_owned(),
            Self::ZeroPart { .. } => "give it a value, or do not vary it".to_owned(),
            Self::NotFinite { .. } => {
                "look for a division by 0 or a logarithm of 0, and whether the corner sets all parameters".to_owned()
            }
            Self::Impossible { wanted, .. } => format!("write {wanted}"),
            Self::Singular { .. } => "give every node a way to ground, such as `R1 node 0 1G`, and let no voltage sources or inductors \
                                      without resistance form a ring"
                .to_owned(),
            Self::NoSignal { .. } => "look whether the loop is closed by nothing but the injection".to_owned(),
            Self::TooLarge { .. } => "keep what the loop needs".to_owned(),
            Self::NoFrequency { .. } => "a frequency above 0 Hz is wanted".to_owned(),
        }
    }
}

/// The one that was meant, or some of those that there are.
fn among(name: &str, known: &[String], what: &str) -> String {
    if let Some(near) = nearest(name, known.iter().map(String::as_str)) {
        return format!("did you mean `{near}`?");
    }
    let names: Vec<&str> = known.iter().take(20).map(String::as_str).collect();
    if names.is_empty() {
        format!("the netlist has no {what}")
    } else {
        format!("{what} are {}", names.join(", "))
    }
}

impl fmt::Display for Unfit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NoSource { name, .. } => write!(f, "the netlist has no voltage source `{name}`"),
            Self::GroundedSource { name } => write!(f, "a side of the injection `{name}` is ground"),
            Self::NoParameter { name, .. } => {
                write!(f, "the netlist has no parameter `{name}` at its top level")
            }
            Self::NoPart { name, .. } => {
                write!(f, "the netlist has neither an element with one value nor a parameter `{name}`")
            }
            Self::TwoParts { name } => write!(f, "`{name}` is an element and a parameter"),
            Self::VariedTwice { name } => write!(f, "`{name}` is varied twice"),
            Self::ZeroPart { name } => write!(f, "`{name}` is 0, and a share of 0 is nothing"),
            Self::NotFinite { what, value, .. } => write!(f, "{what} is {value}, a finite value is wanted"),
            Self::Impossible { what, value, wanted, .. } => {
                write!(f, "{what} is {value}, {wanted} is wanted")
            }
            Self::Singular { at_hz: Some(hz), what } => {
                write!(f, "the circuit does not determine {what} at {hz} Hz")
            }
            Self::Singular { at_hz: None, what } => write!(f, "the circuit does not determine {what}"),
            Self::NoSignal { at_hz, side } => {
                write!(f, "there is no signal at the {side} side of the injection at {at_hz} Hz")
            }
            Self::TooLarge { unknowns, most } => {
                write!(
                    f,
                    "the circuit has {unknowns} unknown voltages and currents, at most {most} are solved for"
                )
            }
            Self::NoFrequency { hz } => write!(f, "{hz} Hz is no frequency"),
        }
    }
}

impl std::error::Error for Unfit {}
