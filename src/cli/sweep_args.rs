//! What may be typed after `inspect` and `levels`: the commands that look at sweeps and judge nothing.

use super::critical_point::critical_point;
use crate::alteration::Alteration;
use crate::disk::specs::SPECS;
use crate::spec::CriticalPoint;
use clap::Args;
use std::path::PathBuf;

/// Arguments of `inspect`.
#[derive(Debug, Args)]
#[command(after_long_help = "\
Examples:
  loopgauge inspect sweep.csv --critical-point +1
  loopgauge inspect *.csv --critical-point -1 --reading layout.yaml --json -
  loopgauge inspect sweep.csv --spec specs/river-gauge-5v.yaml --corner 24V-3A
  loopgauge inspect sweep.csv --critical-point +1 --with 'gain:3 dB' --with 'lead:5 kHz,50 kHz'

Cautions: --with multiplies the measured curve by exact factors. It knows nothing of saturation, of sampling, of an operating \
point that moves with the change, or of a network that loads the stage before it: build the change, and sweep again.")]
pub struct InspectArgs {
    /// Sweep files. - is standard input.
    #[arg(required = true, value_name = "SWEEP")]
    pub sweeps: Vec<PathBuf>,
    /// Where the loop gain must never be: +1 when swept around the closed loop, -1 in the textbook convention.
    #[arg(
        long,
        value_name = "POINT",
        allow_hyphen_values = true,
        value_parser = critical_point,
        required_unless_present = "spec",
        conflicts_with = "spec"
    )]
    pub critical_point: Option<CriticalPoint>,
    /// Read the files as the `reading` of this spec says, take its critical point, and show beside the values what its limits would
    /// say. No verdict of a run is given.
    #[arg(long, value_name = "FILE", conflicts_with = "reading")]
    pub spec: Option<PathBuf>,
    /// Whose limits are shown; needed where the corners of the spec have different ones.
    #[arg(long, value_name = "NAME", requires = "spec", conflicts_with = "critical_point")]
    pub corner: Option<String>,
    /// How the files are laid out: a YAML file that holds the map of `reading`.
    #[arg(long, value_name = "FILE")]
    pub reading: Option<PathBuf>,
    /// Show crossover and margins also with a change of the loop: `gain:3 dB`, `delay:0.5 us`, `lead:ZERO,POLE`, `lag:POLE,ZERO`. May be
    /// repeated, one change made after the other.
    #[arg(long, value_name = "CHANGE")]
    pub with: Vec<Alteration>,
    /// Draw gain and phase over frequency as text also where standard output is no terminal.
    #[arg(long, conflicts_with = "quiet")]
    pub plot: bool,
    /// Write the result as JSON. - is standard output.
    #[arg(long, value_name = "FILE")]
    pub json: Option<PathBuf>,
}

/// Arguments of `levels`.
#[derive(Debug, Args)]
#[command(after_long_help = "\
Examples:
  loopgauge levels runs/RG-00042 --corner 24V-3A
  loopgauge levels runs/RG-00042 --corner 24V-3A --csv profile.csv --json -

Cautions: a profile holds for the corner, the unit and the injection point that were swept. Begin at the weakest level, \
raise it step by step, and watch the output on an oscilloscope: too much injection can push it out of its range, and \
what it feeds with it.")]
pub struct LevelsArgs {
    /// A run.yaml or its folder.
    #[arg(value_name = "RUN")]
    pub run: PathBuf,
    /// The corner; needed when more than one was swept at several levels.
    #[arg(long, value_name = "NAME")]
    pub corner: Option<String>,
    /// The folder that holds PRODUCT.yaml for every product, or one spec file; `specs` is also looked for in the folders above.
    #[arg(long, value_name = "PATH", default_value = SPECS)]
    pub specs: PathBuf,
    /// Write the profile as CSV with the columns frequency_hz and level_dbm. - is standard output.
    #[arg(long, value_name = "FILE")]
    pub csv: Option<PathBuf>,
    /// Write the whole result as JSON. - is standard output.
    #[arg(long, value_name = "FILE")]
    pub json: Option<PathBuf>,
}
