//! What may be typed after `check`, `merge` and `accept`.

use super::secrets::Typed;
use super::shard::Shard;
use super::threads::jobs;
use crate::disk::specs::SPECS;
use clap::{Args, ValueEnum};
use std::num::NonZeroUsize;
use std::path::PathBuf;

/// Arguments of `check`.
#[derive(Debug, Args)]
#[command(after_long_help = "\
Examples:
  loopgauge check demo-data
  loopgauge check runs/RG-00042 --junit result.xml --json result.json
  loopgauge check runs --baseline baseline
  loopgauge check runs --html report.html
  loopgauge check runs --junit results/ --only '24V-*/phase_margin'

Cautions: a verdict holds for the sweeps that were given, at the corners that the spec declares. It replaces neither the \
judgement of an engineer nor a safety assessment.")]
pub struct CheckArgs {
    /// A run.yaml, its folder, or a folder that is searched for runs; - is a run file on standard input, its sweeps relative to here. Or, by
    /// itself, a file that --archive wrote.
    #[arg(required = true, value_name = "RUN")]
    pub runs: Vec<PathBuf>,
    /// The folder that holds PRODUCT.yaml for every product, or one spec file; `specs` is also looked for in the folders above.
    #[arg(long, value_name = "PATH", default_value = SPECS)]
    pub specs: PathBuf,
    /// Judge the changes against the accepted results in this folder, written by `accept`.
    #[arg(long, value_name = "DIR")]
    pub baseline: Option<PathBuf>,
    /// Write JUnit XML; a folder, or a path that ends in /, gets one file per run. - is standard output.
    #[arg(long, value_name = "FILE")]
    pub junit: Option<PathBuf>,
    /// Write the whole result as JSON. - is standard output.
    #[arg(long, value_name = "FILE")]
    pub json: Option<PathBuf>,
    /// Write Markdown for a pull request or a job's summary, at most 60 kB, the worst first. - is standard output.
    #[arg(long, value_name = "FILE")]
    pub markdown: Option<PathBuf>,
    /// Write what calls for action as SARIF, for code review. - is standard output.
    #[arg(long, value_name = "FILE")]
    pub sarif: Option<PathBuf>,
    /// How the result is shown: text, or github for text and a mark beside the file for each failure in that service's jobs.
    #[arg(long, value_name = "FORMAT", default_value = "text")]
    pub format: CheckFormat,
    /// Judge one part of the runs, such as 3/8, for one of eight machines; `merge` puts their JSON results together.
    #[arg(long, value_name = "K/N")]
    pub shard: Option<Shard>,
    /// Record every judged run in this history: path of an SQLite file, made when it is not there, or a postgresql:// address.
    #[arg(long, value_name = "HISTORY", conflicts_with = "only")]
    pub record: Option<Typed>,
    /// Write the report for people as one HTML file. - is standard output.
    #[arg(long, value_name = "FILE")]
    pub html: Option<PathBuf>,
    /// Write a zip file with all that the result rests on: run files, sweeps, specs, baseline, result, reports, digests.
    ///
    /// `check FILE.zip` judges it again from itself alone, as on the same day, and names what was changed in it.
    #[arg(long, value_name = "FILE", conflicts_with = "shard")]
    pub archive: Option<PathBuf>,
    /// Judge only checks whose CORNER/CHECK meets this pattern; may be repeated.
    #[arg(long, value_name = "GLOB")]
    pub only: Vec<String>,
    /// Judge a run in the making: corners of listed sweeps that are not there yet from what is there. They are missing, and the run
    /// does not pass.
    #[arg(long, conflicts_with = "record")]
    pub so_far: bool,
    /// Threads to work with; as many as the machine has by default.
    #[arg(long, value_name = "N", value_parser = jobs)]
    pub jobs: Option<NonZeroUsize>,
}

/// How `check` shows its result.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum CheckFormat {
    /// For people.
    Text,
    /// The same, and marks beside the files in the jobs of GitHub.
    Github,
}

/// Arguments of `merge`.
#[derive(Debug, Args)]
#[command(after_long_help = "\
Examples:
  loopgauge check runs --shard 1/2 --json part-1.json
  loopgauge check runs --shard 2/2 --json part-2.json
  loopgauge merge part-1.json part-2.json --json result.json")]
pub struct MergeArgs {
    /// The JSON results of all shards, in any order.
    #[arg(required = true, value_name = "RESULT")]
    pub results: Vec<PathBuf>,
    /// Write the whole result as JSON. - is standard output.
    #[arg(long, value_name = "FILE")]
    pub json: Option<PathBuf>,
}

/// Arguments of `accept`.
#[derive(Debug, Args)]
#[command(after_long_help = "\
Examples:
  loopgauge accept runs/RG-00042 --baseline baseline
  loopgauge accept runs/fw-2.4.0 --baseline baseline --replace
  loopgauge accept runs/RG-00042 --baseline baseline --anyway \"cold start is open: ECO 17\"")]
pub struct AcceptArgs {
    /// A run.yaml, its folder, or a folder that is searched for runs.
    #[arg(required = true, value_name = "RUN")]
    pub runs: Vec<PathBuf>,
    /// The folder of the baseline; made when it is not there.
    #[arg(long, value_name = "DIR", required = true)]
    pub baseline: PathBuf,
    /// The folder that holds PRODUCT.yaml for every product, or one spec file; `specs` is also looked for in the folders above.
    #[arg(long, value_name = "PATH", default_value = SPECS)]
    pub specs: PathBuf,
    /// Store runs that did not pass, too; the reason is stored with them.
    #[arg(long, value_name = "REASON")]
    pub anyway: Option<String>,
    /// Drop the other accepted units of the products, when all runs given of a product were accepted.
    #[arg(long)]
    pub replace: bool,
}
