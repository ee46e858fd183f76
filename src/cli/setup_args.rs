//! What may be typed after `begin`, `schema`, `completions` and `man`: the commands that set up a bench, an editor, a shell.

use crate::quantity::Level;
use clap::{Args, ValueEnum};
use std::path::PathBuf;

/// Arguments of `begin`.
#[derive(Debug, Args)]
#[command(
    group(clap::ArgGroup::new("what").required(true).args(["product", "run"])),
    after_long_help = "\
Examples:
  loopgauge begin river-gauge-5v
  loopgauge begin river-gauge-5v --to -
  loopgauge begin --run runs/RG-00042 --spec specs/river-gauge-5v.yaml \\
      --serial RG-00042 --revision C
  loopgauge begin --run runs/RG-00043 --spec specs/river-gauge-5v.yaml \\
      --serial RG-00043 --revision C --firmware 2.3.1 --build 2026-W14 --level '-30 dBm'

Cautions: the numbers of a new spec are a start and no advice. The level is one too: begin weak, watch the output on an \
oscilloscope, and let `loopgauge levels` find what a corner bears. Sweeps are taken on live circuits: parts may carry \
dangerous voltage and be hot; follow the local codes, and have qualified people do it."
)]
pub struct BeginArgs {
    /// Write a commented spec for this product.
    #[arg(value_name = "PRODUCT")]
    pub product: Option<String>,
    /// Where the spec goes; specs/PRODUCT.yaml by default. - is standard output.
    #[arg(long, value_name = "FILE", requires = "product")]
    pub to: Option<PathBuf>,
    /// Make this folder for one unit: a run.yaml with every sweep that the spec asks for, and a checklist.txt.
    #[arg(long, value_name = "FOLDER", requires_all = ["spec", "serial", "revision"])]
    pub run: Option<PathBuf>,
    /// The spec file of the unit's product.
    #[arg(long, value_name = "SPEC", requires = "run")]
    pub spec: Option<PathBuf>,
    /// Serial number of the unit.
    #[arg(long, value_name = "TEXT", requires = "run")]
    pub serial: Option<String>,
    /// Its board revision.
    #[arg(long, value_name = "TEXT", requires = "run")]
    pub revision: Option<String>,
    /// Its firmware.
    #[arg(long, value_name = "TEXT", requires = "run")]
    pub firmware: Option<String>,
    /// Its lot or build label.
    #[arg(long, value_name = "TEXT", requires = "run")]
    pub build: Option<String>,
    /// Where it is measured.
    #[arg(long, value_name = "TEXT", requires = "run")]
    pub station: Option<String>,
    /// When it is measured, RFC 3339, such as 2026-04-02T09:15:00Z.
    #[arg(long, value_name = "TIME", requires = "run")]
    pub taken: Option<String>,
    /// The weaker of the two levels that every corner is swept at; the other one is the spec's `step` above.
    #[arg(long, value_name = "LEVEL", default_value = Level::EXAMPLE, allow_hyphen_values = true)]
    pub level: String,
}

/// Arguments of `schema`.
#[derive(Debug, Args)]
#[command(after_long_help = "\
Examples:
  loopgauge schema > loopgauge.schema.json
  loopgauge schema spec > spec.schema.json")]
pub struct SchemaArgs {
    /// Of what; of both when left out.
    #[arg(value_name = "WHAT")]
    pub what: Option<What>,
}

/// What a schema is wanted of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum What {
    /// Specs.
    Spec,
    /// Runs.
    Run,
}

/// Arguments of `completions`.
#[derive(Debug, Args)]
#[command(after_long_help = "\
Examples:
  loopgauge completions bash > ~/.local/share/bash-completion/completions/loopgauge
  loopgauge completions zsh > ~/.zfunc/_loopgauge
  loopgauge completions fish > ~/.config/fish/completions/loopgauge.fish")]
pub struct CompletionsArgs {
    /// The shell.
    #[arg(value_name = "SHELL")]
    pub shell: clap_complete::Shell,
}

/// Arguments of `man`.
#[derive(Debug, Args)]
#[command(after_long_help = "\
Examples:
  loopgauge man | man -l -
  loopgauge man --to ~/.local/share/man/man1
  loopgauge man --section 7 --to ~/.local/share/man/man7")]
pub struct ManArgs {
    /// Write the pages into this folder, as NAME.1 or NAME.7.
    #[arg(long, value_name = "FOLDER")]
    pub to: Option<PathBuf>,
    /// 1: the program and every command; 7: the chapters of the manual.
    #[arg(long, value_name = "NUMBER", default_value = "1", requires = "to")]
    pub section: Section,
}

/// Sections of manual pages.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Section {
    /// Commands.
    #[value(name = "1")]
    Commands,
    /// The manual.
    #[value(name = "7")]
    Manual,
}

/// Arguments of `help`.
#[derive(Debug, Args)]
#[command(after_long_help = "\
Examples:
  loopgauge help                      the chapters of the manual
  loopgauge help collecting | less
  loopgauge help history export")]
pub struct HelpArgs {
    /// A chapter, or a command.
    #[arg(value_name = "TOPIC")]
    pub topic: Vec<String>,
}
