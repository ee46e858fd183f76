//! `schema`, `completions` and `man`: what the program tells about itself to other programs.

use super::args::Cli;
use super::console::Console;
use super::outputs::{cannot_write, commit, print};
use super::{PASSED, UNREADABLE};
use crate::manual::CHAPTERS;
use crate::output::{Kind, OutputFile};
use crate::report::manual_page;
use crate::schema::{Subject, document};
use clap::{Args, Command, CommandFactory, ValueEnum};
use std::io::Write;
use std::path::{Path, PathBuf};

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

/// Runs `schema`.
pub fn schema(args: &SchemaArgs, console: &mut Console) -> u8 {
    let subject = match args.what {
        None => Subject::Both,
        Some(What::Spec) => Subject::Spec,
        Some(What::Run) => Subject::Run,
    };
    print(&document(subject), console);
    status(console)
}

/// Runs `completions`.
pub fn completions(args: &CompletionsArgs, console: &mut Console) -> u8 {
    let mut text = Vec::new();
    clap_complete::generate(args.shell, &mut Cli::command(), "loopgauge", &mut text);
    print(&String::from_utf8_lossy(&text), console);
    status(console)
}

/// Runs `man`.
pub fn man(args: &ManArgs, console: &mut Console) -> u8 {
    let mut program = Cli::command();
    // Gives every command the options that hold for all of them.
    program.build();
    let Some(folder) = &args.to else {
        match page(&program) {
            Ok(text) => print(&String::from_utf8_lossy(&text), console),
            Err(error) => console.fault(&format!("the page cannot be made: {error}")),
        }
        return status(console);
    };
    let count = match args.section {
        Section::Commands => write_pages(folder, "loopgauge", &program, console),
        Section::Manual => write_chapters(folder, console),
    };
    if !console.has_errors() {
        print(&format!("{count} pages written to {}\n", folder.display()), console);
    }
    status(console)
}

fn status(console: &Console) -> u8 {
    if console.has_errors() { UNREADABLE } else { PASSED }
}

fn page(command: &Command) -> std::io::Result<Vec<u8>> {
    let mut text = Vec::new();
    let source = concat!("loopgauge ", env!("CARGO_PKG_VERSION"));
    clap_mangen::Man::new(command.clone()).source(source).manual("loopgauge").render(&mut text)?;
    Ok(text)
}

/// Writes the page of a command and of all below it, which it refers to; gives their number.
fn write_pages(folder: &Path, name: &str, command: &Command, console: &mut Console) -> usize {
    write_page(folder, name, command, console);
    let below = command.get_subcommands();
    1 + below.map(|c| write_pages(folder, &format!("{name}-{}", c.get_name()), c, console)).sum::<usize>()
}

fn write_page(folder: &Path, name: &str, command: &Command, console: &mut Console) {
    write_file(&folder.join(format!("{name}.1")), || page(command), console);
}

/// Writes a page for every chapter of the manual; gives their number.
fn write_chapters(folder: &Path, console: &mut Console) -> usize {
    for chapter in CHAPTERS {
        let path = folder.join(format!("loopgauge-{}.7", chapter.name));
        write_file(&path, || Ok(manual_page(chapter).into_bytes()), console);
    }
    CHAPTERS.len()
}

fn write_file(path: &Path, text: impl FnOnce() -> std::io::Result<Vec<u8>>, console: &mut Console) {
    let written = text().map_err(|error| cannot_write(path, error)).and_then(|text| {
        let mut file =
            OutputFile::create_with_folders(path, Kind::Page).map_err(|error| error.to_string())?;
        file.write_all(&text).map_err(|error| cannot_write(path, error))?;
        Ok(file)
    });
    commit(written, console);
}
