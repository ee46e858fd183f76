//! What may be typed.

use super::check_args::{AcceptArgs, CheckArgs, MergeArgs};
use super::compare_args::CompareArgs;
use super::history_args::{DriftArgs, HistoryCommand};
use super::lint_args::LintArgs;
use super::predict_args::PredictArgs;
use super::setup_args::{BeginArgs, CompletionsArgs, HelpArgs, ManArgs, SchemaArgs};
use super::sweep_args::{InspectArgs, LevelsArgs};
use clap::{Parser, Subcommand, ValueEnum};

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
