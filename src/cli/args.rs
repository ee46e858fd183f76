//! What may be typed.

use super::secrets::Typed;
use super::setup_args::{BeginArgs, CompletionsArgs, HelpArgs, ManArgs, SchemaArgs};
use super::shard::Shard;
use crate::disk::specs::SPECS;
use crate::quantity::{Condition, ConditionValue, Hertz, Ratio};
use clap::{Args, Parser, Subcommand, ValueEnum};
use std::num::NonZeroUsize;
use std::path::PathBuf;

const LONG: &str = "\
Regression test harness for the loop stability of power converters: judges injected loop-gain sweeps against \
per-product specs.

A spec declares, per product, the corners and the limits that must hold there. A run is a folder with the sweeps of one \
unit and a run.yaml. Exit status of all commands: 0 all is well, 1 something was judged and did not pass, 2 an input could \
not be read, an output could not be written or the command line is wrong.";

const CAUTION: &str = "\
First steps:
  loopgauge begin river-gauge-5v                     a spec to start from
  loopgauge begin --run runs/RG-00042 --spec specs/river-gauge-5v.yaml \\
      --serial RG-00042 --revision C                 a folder and a checklist for one unit
  loopgauge lint specs                               is the spec sound, and wise?
  loopgauge check runs --junit result.xml            verdicts, for people and for CI

Cautions: sweeps are taken on live circuits. Parts may carry dangerous voltage and be hot; isolate the injection \
transformer and the probes, and mind that an electronic load can disturb the loop. Follow the local codes, and have \
qualified people do it.";

/// Judges injected loop-gain sweeps of power converters against specs.
#[derive(Debug, Parser)]
#[command(name = "loopgauge", version, about, long_about = LONG, after_long_help = CAUTION, disable_help_subcommand = true)]
pub struct Cli {
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
    /// Whether to colour the output.
    // Without an order of its own it would move with the number of commands.
    #[arg(long, value_name = "WHEN", default_value = "auto", global = true, display_order = 100)]
    pub color: Color,
    /// Say everything, also what passes.
    #[arg(short, long, global = true, display_order = 101)]
    pub verbose: bool,
    /// Leave out progress, warnings, notes and plots; of `check` and `drift` print the verdict alone.
    #[arg(short, long, global = true, display_order = 102, conflicts_with = "verbose")]
    pub quiet: bool,
}

/// When to colour.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Color {
    /// On a terminal, unless NO_COLOR says no or CLICOLOR_FORCE says yes.
    Auto,
    /// Always.
    Always,
    /// Never.
    Never,
}

impl Color {
    /// Makes it the choice of all streams.
    pub fn write_global(self) {
        match self {
            Self::Auto => anstream::ColorChoice::Auto,
            Self::Always => anstream::ColorChoice::Always,
            Self::Never => anstream::ColorChoice::Never,
        }
        .write_global();
    }
}

/// The commands.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Judge runs against their specs.
    ///
    /// Refuses sweeps that cannot carry a verdict, computes the margins of the others with their uncertainty, and holds them
    /// against the limits of the specs. Exit status: 0 everything judged passed or is waived, 1 something did not pass, 2 an input could not be read, an
    /// output could not be written or the command line is wrong. Waivers end by the date of today, UTC, or by that of the
    /// environment variable SOURCE_DATE_EPOCH.
    Check(CheckArgs),
    /// Store judged runs as the baseline that `check --baseline` compares with.
    ///
    /// Judges the runs and writes a text file per unit, `DIR/PRODUCT/SERIAL.yaml`, that reads well in a diff: values with their
    /// uncertainties, the curve of every corner, and where they came from. Accepting a unit again replaces its file. Exit
    /// status: 0 when all runs were accepted, 1 when one was refused because it did not pass, 2 when an input could not be
    /// read, an output could not be written or the command line is wrong.
    Accept(AcceptArgs),
    /// Show what differs between two runs, two folders of runs, or two builds of a history.
    ///
    /// Corner by corner the difference of every value with its uncertainty and the largest deviation of the curves; over all corners of a
    /// product a flat gain, a delay, a resonance that moved, and what remains. Of two builds the difference of the means of their units,
    /// the worst first. What one station does to both sides cancels. Nothing is judged or accepted. Exit status: 0, differences or not; 2 when an input could not be read, nothing could be compared, an output
    /// could not be written or the command line is wrong.
    Compare(CompareArgs),
    /// Watch margins over builds: tables, control charts, trend, forecast, capability.
    ///
    /// Reads a history that `check --record` wrote; never makes or changes one. What is judged stands in `drift` of the newest
    /// record's spec. Exit status: 0 when no series fails, 1 when one does, 2 when the history cannot be read, has no such
    /// product, an output could not be written or the command line is wrong.
    Drift(DriftArgs),
    /// Look after a history: check, list, export, mark records.
    ///
    /// Exit status: 0 when it was done, 1 when `check` finds damage, 2 when the history cannot be read or written.
    History {
        /// What to do.
        #[command(subcommand)]
        command: HistoryCommand,
    },
    /// Show all crossings and margins of sweep files, without a spec.
    ///
    /// Each with its uncertainty, as far as noise and the distance of the points tell it. Nothing is judged. Exit status: 0, or
    /// 2 when a sweep could not be read, an output could not be written or the command line is wrong.
    Inspect(InspectArgs),
    /// Find how strongly a corner may be excited, frequency by frequency.
    ///
    /// Compares the sweeps of a corner at several levels. Per frequency it tells the strongest level that leaves gain and
    /// phase as the weaker ones have them, inside the tolerances of `linearity`, and gives a profile that stays the spec's
    /// `step` below and changes by at most 20 dB per decade. Exit status: 0 with a profile, 1 when the sweeps give none, 2
    /// when an input could not be read, an output could not be written or the command line is wrong.
    Levels(LevelsArgs),
    /// Tell what to expect of a loop from its netlist, before it is measured.
    ///
    /// For every corner of a spec with the key `circuit`: crossover and margins of the nominal circuit, their range over the tolerances of
    /// the parts, the share of units that would miss a limit, the parts that matter, and the corners that decide. Or the same of a netlist
    /// without a spec. Nothing is judged. Exit status: 0, whatever is predicted; 2 when an input could not be read or has no loop gain, an
    /// output could not be written or the command line is wrong.
    Predict(PredictArgs),
    /// Check specs and runs without judging.
    ///
    /// Every problem is shown with its place. Warnings tell what is legal but unwise: no accuracy, linearity waived, too few
    /// points, a band that ends too early, a limit below common practice, waivers at their end, corners of which the runs
    /// given have no sweep. Waivers are held against today, UTC, or the date of the environment variable SOURCE_DATE_EPOCH.
    /// Exit status: 0 when all are sound (warnings allowed), 1 when there are warnings and --deny-warnings was given, 2 when one
    /// is not sound.
    Lint(LintArgs),
    /// Put the JSON results of the shards of a `check` together.
    ///
    /// Gives the same bytes as one `check` over all runs. Every shard must be there, once, written by one version. Exit status:
    /// as of `check` over all runs.
    Merge(MergeArgs),
    /// Write a commented spec to start from, or the folder of one unit with a checklist for the bench.
    ///
    /// With PRODUCT: a spec that loads as it is and whose comments say what to decide. With --run: a folder with a run.yaml
    /// that lists every sweep the spec asks for, two levels a step apart for each corner, and a checklist.txt to print. What
    /// exists is never overwritten. Exit status: 0 when all is written, 2 when it is not.
    Begin(BeginArgs),
    /// Print the JSON Schema of specs and runs, for editors.
    ///
    /// JSON Schema 2020-12 with descriptions, units, examples and defaults. Exit status: 0, or 2 when it cannot be written.
    Schema(SchemaArgs),
    /// Print completions for a shell.
    ///
    /// Exit status: 0, or 2 when they cannot be written.
    Completions(CompletionsArgs),
    /// Print the manual page, or write the pages of all commands or of the manual's chapters.
    ///
    /// Without --to the page of the program goes to standard output. Exit status: 0, or 2 when a page cannot be written.
    Man(ManArgs),
    /// Read a chapter of the manual, or the help of a command.
    ///
    /// Without a word: the list of chapters. A command's name shows its help. Exit status: 0, or 2 when there is no such
    /// chapter or command.
    Help(HelpArgs),
}

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
    #[arg(long, value_name = "N")]
    pub jobs: Option<NonZeroUsize>,
}

/// Arguments of `drift`.
#[derive(Debug, Args)]
#[command(after_long_help = "\
Examples:
  loopgauge drift --history line.db
  loopgauge drift --history line.db --product river-gauge-5v --json drift.json --junit drift.xml
  loopgauge drift --history line.db --spec specs/river-gauge-5v.yaml
  loopgauge drift --history postgresql://reader@db.example/line --false-alarms 1")]
pub struct DriftArgs {
    /// The history: path of a file, or a postgresql:// address.
    #[arg(long, value_name = "HISTORY", required = true)]
    pub history: Typed,
    /// Only this product; all of them by default.
    #[arg(long, value_name = "NAME")]
    pub product: Option<String>,
    /// Write JUnit XML. - is standard output.
    #[arg(long, value_name = "FILE")]
    pub junit: Option<PathBuf>,
    /// Write the whole result as JSON. - is standard output.
    #[arg(long, value_name = "FILE")]
    pub json: Option<PathBuf>,
    /// Write a report for people as one HTML file. - is standard output.
    #[arg(long, value_name = "FILE")]
    pub html: Option<PathBuf>,
    /// Write Markdown: the series that fail or are undecided, at most 60 kB. - is standard output.
    #[arg(long, value_name = "FILE")]
    pub markdown: Option<PathBuf>,
    /// Judge what is recorded by this spec file, its product alone: by its `drift` and its limits instead of those of the newest
    /// record. Nothing is recorded again.
    #[arg(long, value_name = "FILE")]
    pub spec: Option<PathBuf>,
    /// Widen the charts' limits so that the probability that any chart of a product sounds within 20 groups without a cause
    /// stays below this, in percent, every chart alike.
    ///
    /// By default it stays below 5 %, the charts of a group judged together: one that moves alone must move further than many
    /// that move together.
    #[arg(long, value_name = "PERCENT", value_parser = percent)]
    pub false_alarms: Option<f64>,
    /// Keep the movements that are found in the history, for its view `movements`, in the place of those kept before.
    #[arg(long)]
    pub store: bool,
}

/// What `history` can do.
#[derive(Debug, Subcommand)]
pub enum HistoryCommand {
    /// Check that all of it is there and belongs together.
    Check {
        /// The history: path of a file, or a postgresql:// address.
        #[arg(value_name = "HISTORY")]
        history: Typed,
    },
    /// List records, a line each, columns separated by tabs.
    List(ListArgs),
    /// Print the result of a record as JSON, or the spec that it was judged by.
    Show(ShowArgs),
    /// Write all values as a table: a row per record, corner and quantity.
    Export(ExportArgs),
    /// Mark records so that they no longer count. They stay, with the reason.
    Mark(MarkArgs),
    /// Let marked records count again.
    Unmark(MarkArgs),
}

/// Arguments of `history list`.
#[derive(Debug, Args)]
pub struct ListArgs {
    /// The history: path of a file, or a postgresql:// address.
    #[arg(value_name = "HISTORY")]
    pub history: Typed,
    /// Of this product.
    #[arg(long, value_name = "NAME")]
    pub product: Option<String>,
    /// Of this serial number.
    #[arg(long, value_name = "SERIAL")]
    pub serial: Option<String>,
    /// Of this build.
    #[arg(long, value_name = "BUILD")]
    pub build: Option<String>,
    /// From this station.
    #[arg(long, value_name = "STATION")]
    pub station: Option<String>,
    /// Only marked ones.
    #[arg(long)]
    pub marked: bool,
}

/// Arguments of `history show`.
#[derive(Debug, Args)]
pub struct ShowArgs {
    /// The history: path of a file, or a postgresql:// address.
    #[arg(value_name = "HISTORY")]
    pub history: Typed,
    /// Number of the record, from `history list`.
    #[arg(value_name = "RECORD")]
    pub record: i64,
    /// Print the resolved spec instead of the result.
    #[arg(long)]
    pub spec: bool,
}

/// Arguments of `history export`.
#[derive(Debug, Args)]
pub struct ExportArgs {
    /// The history: path of a file, or a postgresql:// address.
    #[arg(value_name = "HISTORY")]
    pub history: Typed,
    /// Write CSV. - is standard output.
    #[arg(long, value_name = "FILE", required_unless_present = "parquet")]
    pub csv: Option<PathBuf>,
    /// Write Parquet, where the program was built with `--features parquet`. - is standard output.
    #[arg(long, value_name = "FILE")]
    pub parquet: Option<PathBuf>,
}

/// Arguments of `history mark` and `history unmark`.
#[derive(Debug, Args)]
pub struct MarkArgs {
    /// The history: path of a file, or a postgresql:// address.
    #[arg(value_name = "HISTORY")]
    pub history: Typed,
    /// Numbers of the records, from `history list`.
    #[arg(required = true, value_name = "RECORD")]
    pub records: Vec<i64>,
    /// Why; stays with the records.
    #[arg(long, value_name = "TEXT", required = true)]
    pub reason: String,
}

fn percent(text: &str) -> Result<f64, String> {
    let number = text.trim().trim_end_matches('%').trim_end().parse::<f64>();
    match number {
        Ok(percent) if percent > 0.0 && percent < 100.0 => Ok(percent),
        _ => Err("a percentage above 0 and below 100 is wanted, such as 5".to_owned()),
    }
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
    pub critical_point: Option<crate::spec::CriticalPoint>,
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
    pub with: Vec<crate::alteration::Alteration>,
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
    pub critical_point: Option<crate::spec::CriticalPoint>,
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
    #[arg(long, value_name = "N")]
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

fn critical_point(text: &str) -> Result<crate::spec::CriticalPoint, String> {
    match text {
        "+1" | "1" => Ok(crate::spec::CriticalPoint::PlusOne),
        "-1" => Ok(crate::spec::CriticalPoint::MinusOne),
        _ => Err("wanted +1 (swept around the closed loop) or -1 (textbook convention)".to_owned()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::CommandFactory;

    #[test]
    fn definition_is_sound() {
        Cli::command().debug_assert();
    }

    #[test]
    fn both_ways_of_writing_the_critical_point_work() {
        for words in [
            &["loopgauge", "inspect", "a.csv", "--critical-point", "-1"][..],
            &["loopgauge", "inspect", "a.csv", "--critical-point=-1"][..],
            &["loopgauge", "inspect", "--critical-point", "-1", "a.csv"][..],
        ] {
            let Command::Inspect(args) = Cli::try_parse_from(words).unwrap().command else { panic!() };
            assert_eq!(args.critical_point, Some(crate::spec::CriticalPoint::MinusOne));
            assert_eq!(args.sweeps.len(), 1);
        }
        assert!(Cli::try_parse_from(["loopgauge", "inspect", "a.csv", "--critical-point", "0"]).is_err());
    }
}
