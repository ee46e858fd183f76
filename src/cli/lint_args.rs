//! What may be typed after `lint`.

use crate::disk::specs::SPECS;
use clap::{Args, ValueEnum};
use std::path::PathBuf;

/// Arguments of `lint`.
#[derive(Debug, Args)]
#[command(after_long_help = "\
Examples:
  loopgauge lint specs
  loopgauge lint specs runs/RG-00042
  loopgauge lint --format json specs/river-gauge-5v.yaml")]
pub struct LintArgs {
    /// Spec files, run.yaml files, or folders that are searched for both. - is one of the files on standard input.
    #[arg(required = true, value_name = "SPEC")]
    pub paths: Vec<PathBuf>,
    /// Where the specs of runs are found: a folder that holds PRODUCT.yaml, or one spec file; `specs` is also looked for in the folders above.
    #[arg(long, value_name = "PATH", default_value = SPECS)]
    pub specs: PathBuf,
    /// How the findings are shown: text on standard error, json on standard output for editors, or github for text and a mark
    /// beside the file for each in that service's jobs.
    #[arg(long, value_name = "FORMAT", default_value = "text")]
    pub format: Format,
    /// Write the findings as JSON. - is standard output.
    #[arg(long, value_name = "FILE")]
    pub json: Option<PathBuf>,
    /// Write the findings as SARIF, for code review. - is standard output.
    #[arg(long, value_name = "FILE")]
    pub sarif: Option<PathBuf>,
    /// End with status 1 when there are warnings.
    #[arg(long)]
    pub deny_warnings: bool,
}

/// How `lint` shows what it finds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Format {
    /// For people.
    Text,
    /// For editors: one object with the list `findings`.
    Json,
    /// For people, and marks beside the files in the jobs of GitHub.
    Github,
}
