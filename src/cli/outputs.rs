//! Feeds the reports of `check`, run by run, in order. An output that fails is named and dropped; the others go on.

use super::args::{CheckArgs, CheckFormat};
use super::console::Console;
use crate::check::RunOutcome;
use crate::diagnostic::Diagnostic;
use crate::disk::discover::RunPlace;
use crate::disk::files::label;
use crate::disk::judge::Trouble;
use crate::history::{Address, PackedJson};
use crate::output::{Kind, OutputFile};
use crate::report::annotation::{Annotation, SarifWriter, WorkflowCommands};
use crate::report::html::{HtmlPlan, HtmlRun, HtmlWriter, html_run};
use crate::report::junit::{self, JunitWriter};
use crate::report::markdown::{MarkdownReport, RunMarkdown, markdown_run};
use crate::report::terminal::{RunText, Style, TerminalSpool, render_run};
use crate::report::{JsonWriter, ShardNote, Tally, run_json};
use std::collections::HashSet;
use std::ffi::OsStr;
use std::fmt::Display;
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// Which pieces of a run are wanted.
#[derive(Debug, Clone)]
pub struct Wanted {
    json: bool,
    /// Runs are recorded.
    record: bool,
    junit: bool,
    html: Option<Arc<HtmlPlan>>,
    markdown: bool,
    text: Option<Style>,
    notes: bool,
}

/// The pieces of one run, made in a worker thread.
pub struct Pieces {
    json: io::Result<Vec<u8>>,
    /// What is recorded; `None` when nothing is, or when it could not be made.
    packed: Option<PackedJson>,
    junit: io::Result<Vec<u8>>,
    html: Option<HtmlRun>,
    markdown: Option<RunMarkdown>,
    text: Option<RunText>,
    notes: Vec<Annotation>,
}

impl Wanted {
    /// Whether a result shall tell what it rests on.
    pub const fn traces(&self) -> bool {
        self.json || self.record || self.html.is_some()
    }

    /// Whether corners shall carry what their plots are drawn from.
    pub const fn plots(&self) -> bool {
        self.html.is_some()
    }

    /// Makes the pieces of a judged run.
    pub fn pieces(&self, run: &RunOutcome) -> Pieces {
        let nothing = || Ok(Vec::new());
        let json = if self.json || self.record { run_json(run) } else { nothing() };
        let packed = json.as_ref().ok().filter(|_| self.record).map(|json| PackedJson::of(json));
        Pieces {
            json,
            packed,
            junit: if self.junit { junit::suite(run) } else { nothing() },
            html: self.html.as_ref().map(|plan| html_run(run, plan)),
            markdown: self.markdown.then(|| markdown_run(run)),
            text: self.text.map(|style| render_run(run, style)),
            notes: if self.notes { Annotation::of_run(run) } else { Vec::new() },
        }
    }

    /// Makes the JUnit suite of a run without a verdict.
    pub fn unread_suite(&self, place: &RunPlace, trouble: &Trouble) -> io::Result<Vec<u8>> {
        match &trouble.known {
            _ if !self.junit => Ok(Vec::new()),
            Some(known) => junit::unread_suite(known),
            None => junit::unreadable_suite(&place.name(), &trouble.problems),
        }
    }
}

impl Pieces {
    /// The run's object in the JSON result as it is recorded; `None` when nobody wants it.
    pub const fn packed(&self) -> Option<&PackedJson> {
        self.packed.as_ref()
    }
}

/// Where JUnit suites go.
enum Junit {
    File {
        writer: Box<JunitWriter<OutputFile>>,
        path: PathBuf,
    },
    /// With the names of the files written: none takes the place of another.
    Folder(PathBuf, HashSet<String>),
}

/// All outputs of a `check`.
pub struct Outputs {
    json: Option<(JsonWriter<OutputFile>, PathBuf)>,
    record: bool,
    junit: Option<Junit>,
    html: Option<(HtmlWriter<OutputFile>, Arc<HtmlPlan>, PathBuf)>,
    markdown: Option<(OutputFile, MarkdownReport, PathBuf)>,
    terminal: Option<TerminalSpool>,
    sarif: Option<(SarifWriter<OutputFile>, PathBuf)>,
    commands: Option<WorkflowCommands>,
    /// The sum over all runs.
    pub tally: Tally,
}

/// Whether an output is standard output.
pub fn is_stdout(path: &Path) -> bool {
    path == Path::new("-")
}

/// Begins an output; says why where it cannot be. Every output of every command comes through here, or through what it calls:
/// [`OutputFile`] guards what stands at its place.
pub fn create(path: &Path, kind: Kind) -> Result<OutputFile, String> {
    if is_stdout(path) {
        Ok(OutputFile::stdout())
    } else {
        OutputFile::create(path, kind).map_err(|e| e.to_string())
    }
}

fn is_folder(path: &Path) -> bool {
    path.is_dir() || path.as_os_str().to_string_lossy().ends_with(['/', std::path::MAIN_SEPARATOR])
}

/// Says that an output could not be written.
pub fn cannot_write(path: &Path, error: impl Display) -> String {
    if is_stdout(path) {
        format!("cannot write to standard output: {error}")
    } else {
        format!("cannot write {}: {error}", path.display())
    }
}

/// Whether two outputs would take each other's place. Devices and pipes take both.
pub fn is_same(one: &Path, other: &Path) -> bool {
    let place = |path: &Path| -> Option<PathBuf> {
        if let Ok(found) = std::fs::metadata(path) {
            return if found.is_file() { path.canonicalize().ok() } else { None };
        }
        let folder = path.parent().filter(|parent| !parent.as_os_str().is_empty()).unwrap_or(Path::new("."));
        Some(folder.canonicalize().ok()?.join(path.file_name()?))
    };
    !is_stdout(one) && !is_stdout(other) && place(one).is_some_and(|found| Some(found) == place(other))
}

/// Outputs that would take each other's place are refused.
pub fn apart(outputs: &[(&str, &Option<PathBuf>)]) -> Result<(), String> {
    let given: Vec<(&str, &Path)> =
        outputs.iter().filter_map(|(name, path)| Some((*name, path.as_deref()?))).collect();
    for (index, (name, path)) in given.iter().enumerate() {
        for (other_name, other) in given.iter().skip(index + 1) {
            if is_stdout(path) && is_stdout(other) {
                return Err(format!(
                    "only one of {name} and {other_name} can go to standard output: give the other one a file name"
                ));
            }
            if is_same(path, other) {
                return Err(format!(
                    "{name} and {other_name} both name {}: give each a file of its own",
                    path.display()
                ));
            }
        }
    }
    Ok(())
}

/// The error of the first of these outputs that would take the place of the history.
pub fn spares_history(address: &OsStr, outputs: &[(&str, &Option<PathBuf>)]) -> Result<(), String> {
    let Ok(Address::File(history)) = Address::parse(address) else { return Ok(()) };
    let taken = outputs.iter().find(|(_, path)| path.as_deref().is_some_and(|path| is_same(path, &history)));
    taken.map_or(Ok(()), |(option, _)| {
        Err(format!(
            "{option} names the history {}, which it would take the place of: give it another file",
            history.display()
        ))
    })
}

/// A file that is asked for, unless it is the history that is read; that is said.
pub fn spared<'a>(
    option: &str,
    path: &'a Option<PathBuf>,
    history: &OsStr,
    console: &mut Console,
) -> Option<&'a Path> {
    match spares_history(history, &[(option, path)]) {
        Ok(()) => path.as_deref(),
        Err(text) => {
            console.fault(&text);
            None
        }
    }
}

/// The files that `check` is asked to write, by option.
pub fn given(args: &CheckArgs) -> [(&'static str, &Option<PathBuf>); 5] {
    [
        ("--json", &args.json),
        ("--junit", &args.junit),
        ("--html", &args.html),
        ("--markdown", &args.markdown),
        ("--sarif", &args.sarif),
    ]
}

/// What is opened at a path that is asked for; why it cannot be is said.
fn opened<T>(
    path: &Option<PathBuf>,
    console: &mut Console,
    open: impl FnOnce(&Path) -> Result<T, String>,
) -> Option<T> {
    open(path.as_deref()?).map_err(|text| console.fault(&text)).ok()
}

impl Junit {
    fn open(path: &Path) -> Result<Self, String> {
        if is_folder(path) {
            std::fs::create_dir_all(path).map_err(|error| cannot_write(path, error))?;
            return Ok(Self::Folder(path.to_owned(), HashSet::new()));
        }
        let writer = Box::new(JunitWriter::new(create(path, Kind::Junit)?));
        Ok(Self::File { writer, path: path.to_owned() })
    }
}

impl Outputs {
    /// Opens the outputs; one that cannot be opened is named, the others go on.
    pub fn open(args: &CheckArgs, every_check: bool, console: &mut Console) -> Self {
        // Standard output carries one result.
        let is_free = !given(args).iter().any(|(_, path)| path.as_deref().is_some_and(is_stdout));
        Self {
            terminal: is_free.then(|| TerminalSpool::new(console.stdout_style(every_check))),
            json: opened(&args.json, console, |path| {
                let writer = JsonWriter::new(create(path, Kind::Json)?).map_err(|e| cannot_write(path, e))?;
                Ok((writer, path.to_owned()))
            }),
            record: args.record.is_some(),
            junit: opened(&args.junit, console, Junit::open),
            html: opened(&args.html, console, |path| {
                let (file, plan) = (create(path, Kind::Html)?, Arc::new(HtmlPlan::new()));
                Ok((HtmlWriter::new(file, Arc::clone(&plan)), plan, path.to_owned()))
            }),
            markdown: opened(&args.markdown, console, |path| {
                Ok((create(path, Kind::Markdown)?, MarkdownReport::new(), path.to_owned()))
            }),
            sarif: opened(&args.sarif, console, |path| {
                let writer =
                    SarifWriter::new(create(path, Kind::Sarif)?).map_err(|e| cannot_write(path, e))?;
                Ok((writer, path.to_owned()))
            }),
            commands: (args.format == CheckFormat::Github && is_free).then(WorkflowCommands::default),
            tally: Tally::new(),
        }
    }

    /// Which pieces the open outputs want.
    pub fn wanted(&self) -> Wanted {
        Wanted {
            json: self.json.is_some(),
            record: self.record,
            junit: self.junit.is_some(),
            html: self.html.as_ref().map(|(_, plan, _)| Arc::clone(plan)),
            markdown: self.markdown.is_some(),
            text: self.terminal.as_ref().map(TerminalSpool::style),
            notes: self.sarif.is_some() || self.commands.is_some(),
        }
    }

    /// Appends a judged run.
    pub fn add(&mut self, place: &RunPlace, run: &RunOutcome, pieces: Pieces, console: &mut Console) {
        self.tally.add(run);
        if let Some((writer, path)) = &mut self.json
            && let Err(error) = pieces.json.and_then(|bytes| writer.append(&bytes))
        {
            console.fault(&cannot_write(path, error));
            self.json = None;
        }
        self.add_suite(&place.name(), pieces.junit, console);
        if let (Some((writer, _, path)), Some(piece)) = (&mut self.html, pieces.html)
            && let Err(error) = writer.append(piece)
        {
            console.fault(&cannot_write(path, error));
            self.html = None;
        }
        if let (Some((_, report, _)), Some(pieces)) = (&mut self.markdown, pieces.markdown) {
            report.add(pieces);
        }
        self.add_notes(pieces.notes, console);
        if let (Some(spool), Some(text)) = (&mut self.terminal, &pieces.text)
            && let Err(error) = spool.append(text)
        {
            console.fault(&format!("cannot write the report: {error}"));
            self.terminal = None;
        }
    }

    /// Appends a run that could not be read, with its suite.
    pub fn add_unreadable(
        &mut self,
        place: &RunPlace,
        problems: &[Diagnostic],
        suite: io::Result<Vec<u8>>,
        console: &mut Console,
    ) {
        self.add_all(Some(&place.label), problems, console);
        self.tally.add_unreadable();
        self.add_suite(&place.name(), suite, console);
    }

    /// Appends that there is nothing to judge: at the place of the problem, else at all the places given.
    pub fn add_nothing(&mut self, runs: &[PathBuf], problem: &Diagnostic, console: &mut Console) {
        let problems = std::slice::from_ref(problem);
        self.add_all(None, problems, console);
        let given = || runs.iter().map(|run| label(run)).collect::<Vec<_>>().join(", ");
        let name = problem.place.as_ref().map_or_else(given, |place| place.file.to_string());
        self.add_suite(&name, junit::unreadable_suite(&name, problems), console);
    }

    /// Appends problems that belong to no run.
    pub fn add_problems(&mut self, problems: &[Diagnostic], console: &mut Console) {
        self.add_all(None, problems, console);
    }

    fn add_notes(&mut self, notes: Vec<Annotation>, console: &mut Console) {
        if let Some((writer, path)) = &mut self.sarif
            && let Err(error) = notes.iter().try_for_each(|note| writer.append(note))
        {
            console.fault(&cannot_write(path, error));
            self.sarif = None;
        }
        if let Some(commands) = &mut self.commands {
            notes.into_iter().for_each(|note| commands.add(note));
        }
    }

    fn add_all(&mut self, run: Option<&str>, problems: &[Diagnostic], console: &mut Console) {
        self.add_notes(problems.iter().map(Annotation::of_problem).collect(), console);
        if let Some((writer, path)) = &mut self.json
            && let Err(error) = problems.iter().try_for_each(|problem| writer.append_error(problem))
        {
            console.fault(&cannot_write(path, error));
            self.json = None;
        }
        if let Some((writer, ..)) = &mut self.html {
            writer.append_problems(run, problems);
        }
        if let Some((_, report, _)) = &mut self.markdown {
            report.add_problems(run, problems);
        }
    }

    fn add_suite(&mut self, run: &str, suite: io::Result<Vec<u8>>, console: &mut Console) {
        let result = match &mut self.junit {
            None => return,
            Some(Junit::File { writer, path }) => {
                suite.and_then(|suite| writer.append(&suite)).map_err(|e| cannot_write(path, e))
            }
            Some(Junit::Folder(folder, written)) => {
                let path = folder.join(new_name(run, written));
                suite.map_err(|e| cannot_write(&path, e)).and_then(|suite| write_suite(&path, &suite))
            }
        };
        if let Err(text) = result {
            console.fault(&text);
            // The other files of a folder may still be writable.
            if matches!(self.junit, Some(Junit::File { .. })) {
                self.junit = None;
            }
        }
    }

    /// Writes the ends and puts the files in place. `shard`: which part of the runs this is, where it is not all.
    pub fn finish(self, shard: Option<&ShardNote>, console: &mut Console) {
        let Self { json, junit, html, markdown, terminal, sarif, commands, tally, .. } = self;
        if let Some((writer, path)) = json {
            let written = writer.finish(&tally, shard).map_err(|e| cannot_write(&path, e));
            commit(written, console);
        }
        if let Some(Junit::File { writer, path }) = junit {
            let written = writer.finish().map_err(|e| cannot_write(&path, e)).map(|(file, summary)| {
                if let Some(note) = summary.note() {
                    console.note(&note);
                }
                file
            });
            commit(written, console);
        }
        if let Some((writer, _, path)) = html {
            let written = writer.finish(&tally).map_err(|e| cannot_write(&path, e)).map(|(file, summary)| {
                if let Some(note) = summary.note() {
                    console.note(&note);
                }
                file
            });
            commit(written, console);
        }
        if let Some((mut file, report, path)) = markdown {
            let written = report.finish(&mut file, &tally).map_err(|e| cannot_write(&path, e));
            commit(written.map(|()| file), console);
        }
        if let Some((writer, path)) = sarif {
            commit(writer.finish().map_err(|e| cannot_write(&path, e)), console);
        }
        if let Some(spool) = terminal {
            let mut stdout = io::BufWriter::new(io::stdout().lock());
            let written = spool.finish(&mut stdout, &tally);
            let written =
                written.and_then(|()| commands.map_or(Ok(()), |commands| commands.write(&mut stdout)));
            match written.and_then(|()| stdout.flush()) {
                Ok(()) => {}
                // The reader went away, as `head` does: nobody is left to read the rest.
                Err(error) if error.kind() == io::ErrorKind::BrokenPipe => {}
                Err(error) => console.fault(&format!("cannot write to standard output: {error}")),
            }
        }
    }
}

/// The file name of a suite; the second one of the same name is numbered.
fn new_name(run: &str, written: &mut HashSet<String>) -> String {
    let mut name = junit::file_name(run);
    let mut number = 2;
    while !written.insert(name.clone()) {
        name = junit::file_name(&format!("{run}-{number}"));
        number += 1;
    }
    name
}

fn write_suite(path: &Path, suite: &[u8]) -> Result<(), String> {
    let file = create(path, Kind::Junit)?;
    let mut writer = JunitWriter::new(file);
    writer.append(suite).map_err(|e| cannot_write(path, e))?;
    let (file, _) = writer.finish().map_err(|e| cannot_write(path, e))?;
    file.commit().map_err(|e| e.to_string())
}

/// Writes one output from beginning to end; says why where it cannot be.
pub fn write_whole(
    path: &Path,
    kind: Kind,
    console: &mut Console,
    write: impl FnOnce(&mut OutputFile) -> io::Result<()>,
) {
    let written = create(path, kind).and_then(|mut file| {
        write(&mut file).map_err(|error| cannot_write(path, error))?;
        Ok(file)
    });
    commit(written, console);
}

/// Writes a result to standard output. A reader that went away, as `head` does, is no fault.
pub fn print(text: &str, console: &mut Console) {
    let mut file = OutputFile::stdout();
    let written = file.write_all(text.as_bytes()).map_err(|error| cannot_write(Path::new("-"), error));
    commit(written.map(|()| file), console);
}

/// Puts a written file in place.
pub fn commit(written: Result<OutputFile, String>, console: &mut Console) {
    if let Err(text) = written.and_then(|file| file.commit().map_err(|e| e.to_string())) {
        console.fault(&text);
    }
}
