//! The HTML report of a large corpus: how large it becomes, how long `check --html` takes and what memory it needs.
//!
//! `cargo bench --bench html_corpus` writes the corpora (kept under the target folder) and prints a line for each;
//! `tests/html/drawn.py` tells how long a browser needs for the pages that it leaves there.

#[path = "check_corpus/child.rs"]
#[allow(dead_code, reason = "each bench takes what it needs")]
mod child;
#[path = "corpus/mod.rs"]
#[allow(dead_code, unused_imports, reason = "each bench takes what it needs")]
mod corpus;

use clap::Parser;
use std::error::Error;
use std::path::Path;
use std::process::Command;

/// Folder of corpora and pages, kept from bench to bench.
const FOLDER: &str = env!("CARGO_TARGET_TMPDIR");

#[derive(Debug, Parser)]
struct Arguments {
    /// Runs of six corners each.
    #[arg(long, value_delimiter = ',', default_values_t = [100, 1000, 10_000])]
    runs: Vec<usize>,
    /// Given by cargo.
    #[arg(long, hide = true)]
    bench: bool,
}

fn main() -> Result<(), Box<dyn Error>> {
    let arguments = Arguments::parse();
    println!("{:>7}{:>9}{:>10}{:>10}{:>10}{:>9}", "runs", "page MB", "wall s", "CPU s", "peak MB", "CPU");
    for &runs in &arguments.runs {
        let corpus = corpus::prepare(Path::new(FOLDER), runs)?;
        let page = Path::new(FOLDER).join(format!("corpus-{runs}.html"));
        let check = |html: bool| {
            let mut command = Command::new(env!("CARGO_BIN_EXE_loopgauge"));
            command.current_dir(&corpus.folder).args(["check", "runs", "--specs", "specs"]);
            command.arg("--json").arg(Path::new(FOLDER).join("html-corpus.json"));
            if html {
                command.arg("--html").arg(&page);
            }
            command
        };
        // The first one fills the file cache.
        child::measure(&mut check(false))?;
        let (without, with) = (child::measure(&mut check(false))?, child::measure(&mut check(true))?);
        println!(
            "{runs:7}{:9.2}{:10.2}{:10.2}{:10.1}{:8.2}x",
            std::fs::metadata(&page)?.len() as f64 / 1e6,
            with.wall.as_secs_f64(),
            with.cpu().as_secs_f64(),
            with.peak as f64 / 1e6,
            with.cpu().as_secs_f64() / without.cpu().as_secs_f64()
        );
    }
    Ok(())
}
