//! `history`: looks after a history.

use super::console::Console;
use super::drift::diagnostic;
use super::history_args::{ExportArgs, HistoryCommand, ListArgs, MarkArgs, ShowArgs};
use super::outputs::{apart, cannot_write, commit, create, print, spared};
use super::{NOT_PASSED, PASSED, UNREADABLE};
use crate::history::{Address, Filter, History, HistoryError, RecordHead, RecordId};
use crate::output::{Kind, OutputFile};
use crate::quantity::count_of;
use crate::report::escape;
use std::ffi::OsStr;
use std::io::Write;
use std::path::Path;

/// Runs the command.
pub fn history(command: &HistoryCommand, console: &mut Console) -> u8 {
    let mut status = PASSED;
    let done = match command {
        HistoryCommand::Check { history } => check(history, console).map(|is_sound| {
            status = if is_sound { PASSED } else { NOT_PASSED };
        }),
        HistoryCommand::List(args) => list(args, console),
        HistoryCommand::Show(args) => show(args, console),
        HistoryCommand::Export(args) => export(args, console),
        HistoryCommand::Mark(args) => mark(args, true, console),
        HistoryCommand::Unmark(args) => mark(args, false, console),
    };
    if let Err(error) = done {
        console.show(&diagnostic(&error));
    }
    if console.has_errors() { UNREADABLE } else { status }
}

fn read(address: &OsStr) -> Result<History, HistoryError> {
    History::open_to_read(&Address::parse(address)?)
}

/// Whether it is sound.
fn check(address: &OsStr, console: &mut Console) -> Result<bool, HistoryError> {
    let report = read(address)?.check()?;
    let marked = if report.marked == 0 { String::new() } else { format!(", {} marked", report.marked) };
    let found = if report.problems.is_empty() { "sound" } else { "damaged: go back to a backup" };
    let mut text = format!(
        "{} records{marked}, {} corners, {} values: {found}\n",
        report.records, report.corners, report.values
    );
    for problem in &report.problems {
        text.push_str(&format!("  {}\n", escape::terminal(problem)));
    }
    if report.without_digests > 0 {
        let without = report.without_digests;
        let what = if without == 1 { "record has" } else { "records have" };
        text.push_str(&format!(
            "  {without} {what} no digests, recorded by an earlier version: a changed number there is not noticed\n"
        ));
    }
    print(&text, console);
    Ok(report.problems.is_empty())
}

fn list(args: &ListArgs, console: &mut Console) -> Result<(), HistoryError> {
    let filter = Filter {
        product: args.product.clone(),
        serial: args.serial.clone(),
        build: args.build.clone(),
        station: args.station.clone(),
        verdict: None,
        is_marked: args.marked.then_some(true),
    };
    let mut history = read(&args.history)?;
    let mut out = std::io::BufWriter::new(OutputFile::stdout());
    let mut broken = writeln!(out, "{}", LIST_HEAD).is_err();
    history.list(&filter, &mut |head| {
        broken = broken || writeln!(out, "{}", line(&head)).is_err();
    })?;
    let written = out.into_inner().map_err(|error| cannot_write(Path::new("-"), error.into_error()));
    commit(written, console);
    Ok(())
}

/// Columns of `history list`, separated by tabs so that any tool can cut them.
const LIST_HEAD: &str =
    "record\tverdict\tproduct\tserial\trevision\tfirmware\tbuild\ttaken\tstation\trun\tmark";

fn line(head: &RecordHead) -> String {
    let or_dash = |text: &Option<String>| text.clone().unwrap_or_else(|| "-".to_owned());
    let mark = match (&head.removed, &head.reason) {
        (Some(_), Some(reason)) => reason.clone(),
        _ => "-".to_owned(),
    };
    let fields = [
        head.id.to_string(),
        head.verdict.to_string(),
        head.product.clone(),
        head.serial.clone(),
        head.revision.clone(),
        or_dash(&head.firmware),
        or_dash(&head.build),
        or_dash(&head.taken),
        or_dash(&head.station),
        head.run.clone(),
        mark,
    ];
    fields.iter().map(|field| escape::terminal(field)).collect::<Vec<_>>().join("\t")
}

fn show(args: &ShowArgs, console: &mut Console) -> Result<(), HistoryError> {
    let mut history = read(&args.history)?;
    let record = RecordId(args.record);
    let text = if args.spec { history.spec_text(record)? } else { history.result(record)? };
    match text {
        Some(text) => print(&format!("{text}\n"), console),
        None => console.fault(&format!(
            "{}: there is no record {record}; `loopgauge history list` shows which there are",
            history.address()
        )),
    }
    Ok(())
}

/// Why there is no Parquet where the program was built without it.
const NO_PARQUET: &str = "--parquet: this program was built without it; build it with `--features parquet`, or \
                          write --csv";

fn export(args: &ExportArgs, console: &mut Console) -> Result<(), HistoryError> {
    if args.parquet.is_some() && cfg!(not(feature = "parquet")) {
        console.fault(NO_PARQUET);
        return Ok(());
    }
    let outputs = [("--csv", &args.csv), ("--parquet", &args.parquet)];
    if let Err(text) = apart(&outputs) {
        console.fault(&text);
        return Ok(());
    }
    let [csv, parquet] = outputs.map(|(option, path)| spared(option, path, &args.history, console));
    let mut history = read(&args.history)?;
    for (path, kind) in [(csv, Kind::Values), (parquet, Kind::Parquet)] {
        let Some(path) = path else { continue };
        match create(path, kind) {
            Ok(mut file) => {
                match kind {
                    #[cfg(feature = "parquet")]
                    Kind::Parquet => history.export_parquet(&mut file)?,
                    _ => history.export_csv(&mut file)?,
                }
                commit(Ok(file), console);
            }
            Err(text) => console.fault(&text),
        }
    }
    Ok(())
}

fn mark(args: &MarkArgs, on: bool, console: &mut Console) -> Result<(), HistoryError> {
    let mut history = History::open_to_mark(&Address::parse(&args.history)?)?;
    let records: Vec<RecordId> = args.records.iter().copied().map(RecordId).collect();
    let now = time::UtcDateTime::now();
    if on {
        history.mark(&records, &args.reason, now)?;
    } else {
        history.unmark(&records, &args.reason, now)?;
    }
    let what = if on { "marked: they stay and do not count" } else { "count again" };
    print(&format!("{} {what}\n", count_of(records.len() as u64, "record")), console);
    Ok(())
}
