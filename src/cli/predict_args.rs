//! What may be typed after `predict`.

use super::critical_point::critical_point;
use super::threads::jobs;
use crate::disk::specs::SPECS;
use crate::quantity::{Condition, ConditionValue, Hertz, Ratio};
use crate::spec::CriticalPoint;
use clap::Args;
use std::num::NonZeroUsize;
use std::path::PathBuf;

/// Arguments of `predict`.
#[derive(Debug, Args)]
#[command(after_long_help = "\
Examples:
  loopgauge predict specs/river-gauge-5v.yaml
  loopgauge predict specs/river-gauge-5v.yaml --html predicted.html --json predicted.json
  loopgauge predict --netlist loop.cir --injection Vinj --vary 'Cout=20 %' --vary 'L1=20 %' --param VIN=24

Cautions: a prediction is as good as its netlist. It knows small signals alone, parts that vary independently and evenly inside their \
tolerances, and nothing of layout, ageing or a control that saturates. It replaces no measurement.")]
pub struct PredictArgs {
    /// A spec with the key `circuit`.
    #[arg(value_name = "SPEC", required_unless_present = "netlist", conflicts_with_all = ["netlist", "injection", "vary", "param", "from", "to", "critical_point"])]
    pub spec: Option<PathBuf>,
    /// A netlist in place of a spec.
    #[arg(long, value_name = "FILE", requires = "injection")]
    pub netlist: Option<PathBuf>,
    /// The voltage source between the two sides of the loop: its + node is the output side, its - node the input side.
    #[arg(long, value_name = "NAME", requires = "netlist")]
    pub injection: Option<String>,
    /// A part or parameter that varies, with the half-width of its tolerance, such as `Cout=20 %`; may be repeated.
    #[arg(long, value_name = "PART=TOLERANCE", value_parser = tolerance)]
    pub vary: Vec<(String, f64)>,
    /// A parameter of the netlist, such as `VIN=24` or `VIN=24 V`; may be repeated.
    #[arg(long, value_name = "NAME=VALUE", value_parser = parameter, allow_hyphen_values = true)]
    pub param: Vec<(String, f64)>,
    /// Lower end of the band; 10 Hz by default.
    #[arg(long, value_name = "FREQUENCY", value_parser = frequency)]
    pub from: Option<f64>,
    /// Upper end of the band; 1 MHz by default.
    #[arg(long, value_name = "FREQUENCY", value_parser = frequency)]
    pub to: Option<f64>,
    /// Where the loop gain must never be: +1 where the netlist's loop holds its own inversion, as a bench sweeps it; -1 in the textbook
    /// convention. +1 by default.
    #[arg(long, value_name = "POINT", allow_hyphen_values = true, value_parser = critical_point)]
    pub critical_point: Option<CriticalPoint>,
    /// The folder of specs that the spec may take files from where it lies in it; `specs` is also looked for in the folders above.
    #[arg(long, value_name = "PATH", default_value = SPECS)]
    pub specs: PathBuf,
    /// Write the result as JSON. - is standard output.
    #[arg(long, value_name = "FILE")]
    pub json: Option<PathBuf>,
    /// Write the report for people as one HTML file. - is standard output.
    #[arg(long, value_name = "FILE")]
    pub html: Option<PathBuf>,
    /// Threads to work with; as many as the machine has by default.
    #[arg(long, value_name = "N", value_parser = jobs)]
    pub jobs: Option<NonZeroUsize>,
}

/// Reads `PART=20 %`.
fn tolerance(text: &str) -> Result<(String, f64), String> {
    const WANTED: &str = "a part and the half-width of its tolerance are wanted, such as `Cout=20 %`";
    let (part, value) = named(text).ok_or(WANTED)?;
    let ratio = crate::quantity::parse::<Ratio>(value).map_err(|error| format!("{error}; {WANTED}"))?.ratio();
    if ratio > 0.0 && ratio <= 0.99 {
        return Ok((part.to_owned(), ratio));
    }
    Err(format!("`{value}` is not above 0 % and at most 99 %; {WANTED}"))
}

/// Reads `NAME=VALUE`, the value a bare number or one with the unit of a condition.
fn parameter(text: &str) -> Result<(String, f64), String> {
    const WANTED: &str = "a parameter and its value are wanted, such as `VIN=24` or `VIN=24 V`";
    let (name, value) = named(text).ok_or(WANTED)?;
    let bare = value.parse::<f64>().ok().filter(|number| number.is_finite());
    let number = bare.or_else(|| match Condition::parse(value).ok()?.value() {
        ConditionValue::Quantity { value, .. } => Some(value),
        ConditionValue::Word => None,
    });
    Ok((name.to_owned(), number.ok_or_else(|| format!("`{value}` is no number; {WANTED}"))?))
}

/// The two sides of `NAME=VALUE`.
fn named(text: &str) -> Option<(&str, &str)> {
    let (name, value) = text.split_once('=')?;
    let (name, value) = (name.trim(), value.trim());
    (!name.is_empty() && !value.is_empty()).then_some((name, value))
}

fn frequency(text: &str) -> Result<f64, String> {
    let hz = crate::quantity::parse::<Hertz>(text).map_err(|error| error.to_string())?.hz();
    if (1e-6..=1e12).contains(&hz) {
        Ok(hz)
    } else {
        Err("a frequency from 1 uHz to 1000 GHz is wanted".to_owned())
    }
}
