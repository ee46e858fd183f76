//! What may be typed after `drift` and `history`.

use super::secrets::Typed;
use clap::{Args, Subcommand};
use std::path::PathBuf;

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

fn percent(text: &str) -> Result<f64, String> {
    let number = text.trim().trim_end_matches('%').trim_end().parse::<f64>();
    match number {
        Ok(percent) if percent > 0.0 && percent < 100.0 => Ok(percent),
        _ => Err("a percentage above 0 and below 100 is wanted, such as 5".to_owned()),
    }
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
