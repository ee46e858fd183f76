//! `schema`, `completions` and `man`: what the program tells about itself to other programs.

use super::args::Cli;
use super::console::Console;
use super::outputs::{cannot_write, commit, print};
use super::setup_args::{CompletionsArgs, ManArgs, SchemaArgs, Section, What};
use super::{PASSED, UNREADABLE};
use crate::manual::CHAPTERS;
use crate::output::{Kind, OutputFile};
use crate::report::manual_page;
use crate::schema::{Subject, document};
use clap::{Command, CommandFactory};
use std::io::Write;
use std::path::Path;

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
