//! Feeds the reports of `check`, run by run, in order. An output that fails is named and dropped; the others go on.

use super::archive::{Archive, Judging};
use super::check_args::{CheckArgs, CheckFormat};
use super::console::Console;
pub use super::output_paths::{apart, cannot_write, create, is_stdout, spared, spares_history};
pub use super::pieces::{Pieces, Wanted};
use crate::check::RunOutcome;
use crate::diagnostic::Diagnostic;
use crate::disk::discover::RunPlace;
use crate::disk::files::label;
use crate::disk::judge::Trouble;
use crate::output::{Kind, OutputFile};
use crate::report::annotation::{Annotation, SarifWriter, WorkflowCommands};
use crate::report::html::{HtmlPlan, HtmlWriter};
use crate::report::junit::{self, JunitWriter};
use crate::report::markdown::MarkdownReport;
use crate::report::terminal::TerminalSpool;
use crate::report::{JsonWriter, ShardNote, Tally};
use std::collections::HashSet;
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;

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
    archive: Option<(Box<Archive>, Arc<HtmlPlan>, PathBuf)>,
    /// The sum over all runs.
    pub tally: Tally,
}

fn is_folder(path: &Path) -> bool {
    path.is_dir() || path.as_os_str().to_string_lossy().ends_with(['/', std::path::MAIN_SEPARATOR])
}

/// The files that `check` is asked to write, by option.
pub fn given(args: &CheckArgs) -> [(&'static str, &Option<PathBuf>); 6] {
    [
        ("--json", &args.json),
        ("--junit", &args.junit),
        ("--html", &args.html),
        ("--markdown", &args.markdown),
        ("--sarif", &args.sarif),
        ("--archive", &args.archive),
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
    pub fn open(args: &CheckArgs, every_check: bool, day: time::Date, console: &mut Console) -> Self {
        // One plan for both pages: they show the same.
        let plan = Arc::new(HtmlPlan::new());
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
                let (file, plan) = (create(path, Kind::Html)?, Arc::clone(&plan));
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
            archive: opened(&args.archive, console, |path| {
                let archive = Archive::open(path, Arc::clone(&plan), day.to_string(), args)?;
                Ok((Box::new(archive), Arc::clone(&plan), path.to_owned()))
            }),
            tally: Tally::new(),
        }
    }

    /// Adds a judged run to the archive, before it is appended to the reports.
    pub fn archive(
        &mut self,
        place: &RunPlace,
        run: &RunOutcome,
        pieces: &Pieces,
        judging: Judging<'_>,
        console: &mut Console,
    ) {
        if let Some((archive, _, path)) = &mut self.archive
            && let Err(error) = archive.add(place, run, pieces, judging)
        {
            console.fault(&cannot_write(path, error));
            self.archive = None;
        }
    }

    /// Which pieces the open outputs want.
    pub fn wanted(&self) -> Wanted {
        Wanted {
            json: self.json.is_some() || self.archive.is_some(),
            record: self.record,
            junit: self.junit.is_some() || self.archive.is_some(),
            html: [
                self.html.as_ref().map(|(_, plan, _)| plan),
                self.archive.as_ref().map(|(_, plan, _)| plan),
            ]
            .into_iter()
            .flatten()
            .next()
            .map(Arc::clone),
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

    /// Adds a run that could not be read to the archive, before it is appended to the reports.
    pub fn archive_unread(
        &mut self,
        place: &RunPlace,
        trouble: &Trouble,
        suite: &io::Result<Vec<u8>>,
        judging: Judging<'_>,
        console: &mut Console,
    ) {
        if let Some((archive, _, path)) = &mut self.archive
            && let Err(error) = archive.add_unread(place, trouble, suite, judging)
        {
            console.fault(&cannot_write(path, error));
            self.archive = None;
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
        let suite = junit::unreadable_suite(&name, problems);
        if let Some((archive, _, path)) = &mut self.archive
            && let Err(error) = archive.add_nothing(problem, &suite)
        {
            console.fault(&cannot_write(path, error));
            self.archive = None;
        }
        self.add_suite(&name, suite, console);
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
        if let Some((archive, _, path)) = &mut self.archive
            && let Err(error) = archive.add_problems(run, problems)
        {
            console.fault(&cannot_write(path, error));
            self.archive = None;
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
        let Self { json, junit, html, markdown, terminal, sarif, commands, archive, tally, .. } = self;
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
        if let Some((archive, _, path)) = archive {
            let unread = tally.unreadable;
            if unread > 0 {
                let (runs, them) = if unread == 1 { ("run", "it") } else { ("runs", "them") };
                console.note(&format!(
                    "{unread} {runs} could not be read: {} keeps what could be read of {them}, and judged again it ends with 2 as well",
                    label(&path)
                ));
            }
            commit(archive.finish(&tally, shard).map_err(|e| cannot_write(&path, e)), console);
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
