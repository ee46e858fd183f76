//! `help`: chapters of the manual, and the help of commands.

use super::console::Console;
use super::outputs::print;
use super::setup_args::HelpArgs;
use super::{PASSED, UNREADABLE};
use crate::manual::{CHAPTERS, chapter};
use crate::report::render_chapter;
use clap::Command;
use std::fmt::Write as _;

/// Runs `help` of a program with these commands.
pub fn help(args: &HelpArgs, mut program: Command, console: &mut Console) -> u8 {
    // Gives every command the options that hold for all of them.
    program.build();
    let text = match args.topic.as_slice() {
        [] => Some(contents(&mut program)),
        [name] if chapter(name).is_some() => {
            chapter(name).map(|chapter| render_chapter(chapter, console.stdout_style(false)))
        }
        words => command_help(&mut program, words),
    };
    match text {
        Some(text) => print(&text, console),
        None => console.fault(&format!(
            "there is no chapter and no command `{}`; wanted one of {}, or a command; `loopgauge help` tells what they are about",
            args.topic.join(" "),
            CHAPTERS.iter().map(|chapter| chapter.name).collect::<Vec<_>>().join(", ")
        )),
    }
    if console.has_errors() { UNREADABLE } else { PASSED }
}

/// The program's help and the list of chapters.
fn contents(program: &mut Command) -> String {
    let mut out = program.render_help().to_string();
    out.push_str("\nChapters of the manual, read by `loopgauge help CHAPTER`:\n");
    for chapter in CHAPTERS {
        let _ = writeln!(out, "  {:<12} {}", chapter.name, chapter.title());
    }
    out
}

/// The help of a command, named by the words that lead to it.
fn command_help(program: &mut Command, words: &[String]) -> Option<String> {
    let mut command = program;
    for word in words {
        command = command.find_subcommand_mut(word)?;
    }
    Some(command.render_long_help().to_string())
}
