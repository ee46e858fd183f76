//! What may be typed after `compare`.

use super::secrets::Typed;
use crate::disk::specs::SPECS;
use clap::{Args, ValueEnum};
use std::path::PathBuf;

/// Arguments of `compare`.
#[derive(Debug, Args)]
#[command(after_long_help = "\
Examples:
  loopgauge compare runs/RG-00042 runs/RG-00042-reworked
  loopgauge compare runs/rev-b runs/rev-c --json differences.json
  loopgauge compare --history line.db 2026-W14 2026-W18
  loopgauge compare --history line.db --over firmware 2.3.1 2.4.0 --product river-gauge-5v

Cautions: a difference holds for the corners that both sides have. What is common to all corners is a description, not a cause: \
several parts may do the same to a curve.")]
pub struct CompareArgs {
    /// A run.yaml, its folder, or a folder that is searched for runs; with --history the label of a build.
    #[arg(value_name = "A")]
    pub a: PathBuf,
    /// The same; its units are matched with those of A by product and serial, or where each side has one of a product.
    #[arg(value_name = "B")]
    pub b: PathBuf,
    /// Compare two builds of this history instead, A and B their labels: path of a file, or a postgresql:// address.
    #[arg(long, value_name = "HISTORY")]
    pub history: Option<Typed>,
    /// What A and B are labels of.
    #[arg(long, value_name = "WHAT", default_value = "build", requires = "history")]
    pub over: GroupsOver,
    /// Only this product of the history; all that have both builds by default.
    #[arg(long, value_name = "NAME", requires = "history")]
    pub product: Option<String>,
    /// The folder that holds PRODUCT.yaml for every product, or one spec file; `specs` is also looked for in the folders above.
    #[arg(long, value_name = "PATH", default_value = SPECS)]
    pub specs: PathBuf,
    /// Write the result as JSON. - is standard output.
    #[arg(long, value_name = "FILE")]
    pub json: Option<PathBuf>,
    /// Write a page with both curves of every corner over each other and their difference. - is standard output. A history keeps no
    /// curves.
    #[arg(long, value_name = "FILE", conflicts_with = "history")]
    pub html: Option<PathBuf>,
}

/// What the groups of a history are named after.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum GroupsOver {
    /// Lot or build labels.
    Build,
    /// Board revisions.
    Revision,
    /// Firmware versions.
    Firmware,
}
