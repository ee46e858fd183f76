//! `loopgauge check` over a large corpus, against a floor: the least that any program must do with the same files.
//!
//! `cargo bench --bench check_corpus` writes the corpora (kept under the target folder), runs the floor and
//! `check` in turn as processes of their own, and prints what they used. `-- --runs 250 --repeat 1` makes it short.

mod child;
mod columns;
#[path = "../corpus/mod.rs"]
mod corpus;
mod decimal;
mod limit;

use child::Usage;
use clap::Parser;
use corpus::{Corpus, POINTS, SWEEPS_PER_RUN};
use std::error::Error;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Duration;

/// Folder of corpora and outputs, kept from bench to bench.
const FOLDER: &str = env!("CARGO_TARGET_TMPDIR");

#[derive(Debug, Parser)]
struct Arguments {
    /// Runs in the corpus that times are taken on.
    #[arg(long, default_value_t = 1000)]
    runs: usize,
    /// How often each is measured; medians are shown.
    #[arg(long, default_value_t = 5)]
    repeat: usize,
    /// Corpora for peak memory.
    #[arg(long, value_delimiter = ',', default_values_t = [250, 1000, 4000])]
    memory: Vec<usize>,
    /// Threads.
    #[arg(long, value_delimiter = ',', default_values_t = [1, 2])]
    jobs: Vec<usize>,
    /// Be the floor: go over the runs below this folder.
    #[arg(long)]
    limit: Option<PathBuf>,
    /// Given by cargo.
    #[arg(long, hide = true)]
    bench: bool,
}

fn main() -> Result<(), Box<dyn Error>> {
    let mut arguments = Arguments::parse();
    if let Some(folder) = &arguments.limit {
        println!("{:?}", limit::limit(folder, arguments.jobs.first().copied().unwrap_or(1))?);
        return Ok(());
    }
    if !columns::agree_with_std() {
        return Err("the floor's exp, sine and cosine are off".into());
    }
    if arguments.runs < 1000 {
        arguments.memory.retain(|runs| *runs <= arguments.runs);
    }
    times(&arguments)?;
    memory(&arguments.memory)
}

/// The floor over a corpus.
fn floor(corpus: &Corpus, jobs: usize) -> Result<Command, Box<dyn Error>> {
    let mut command = Command::new(std::env::current_exe()?);
    command.current_dir(&corpus.folder).args(["--limit", "runs", "--jobs", &jobs.to_string()]);
    Ok(command)
}

/// `loopgauge check` over a corpus, with both outputs.
fn check(corpus: &Corpus, jobs: usize) -> Command {
    let out = |name: &str| Path::new(FOLDER).join(name);
    let mut command = Command::new(env!("CARGO_BIN_EXE_loopgauge"));
    command.current_dir(&corpus.folder).args([
        "check",
        "runs",
        "--specs",
        "specs",
        "--jobs",
        &jobs.to_string(),
    ]);
    command.arg("--junit").arg(out("corpus.xml")).arg("--json").arg(out("corpus.json"));
    command
}

fn times(arguments: &Arguments) -> Result<(), Box<dyn Error>> {
    let corpus = corpus::prepare(Path::new(FOLDER), arguments.runs)?;
    let points = (corpus.runs * SWEEPS_PER_RUN * POINTS) as f64;
    println!(
        "{} runs, {} sweeps of {POINTS} points, {:.1} MB; medians of {}",
        corpus.runs,
        corpus.runs * SWEEPS_PER_RUN,
        limit::limit(&corpus.folder.join("runs"), 1)?.bytes as f64 / 1e6,
        arguments.repeat
    );
    println!(
        "{:14}{:>9}{:>9}{:>9}{:>9}{:>10}{:>11}{:>9}",
        "", "user s", "sys s", "CPU s", "wall s", "peak MB", "CPU ns/pt", "CPU"
    );
    // In turn, so that a busy spell of the machine meets all alike; the first round fills the file cache and is dropped.
    let mut used: Vec<[Vec<Usage>; 2]> = arguments.jobs.iter().map(|_| Default::default()).collect();
    for round in 0..=arguments.repeat {
        for (&jobs, [floors, checks]) in arguments.jobs.iter().zip(&mut used) {
            let pair =
                (child::measure(&mut floor(&corpus, jobs)?)?, child::measure(&mut check(&corpus, jobs))?);
            if round > 0 {
                floors.push(pair.0);
                checks.push(pair.1);
            }
        }
    }
    for (jobs, [floors, checks]) in arguments.jobs.iter().zip(&used) {
        let base = Usage::median_cpu(floors);
        for (name, all) in [("floor", floors), ("check", checks)] {
            if let (Some(usage), Some(cpu), Some(base)) = (Usage::median(all), Usage::median_cpu(all), base) {
                row(&format!("{name} --jobs {jobs}"), &usage, cpu, base, points);
            }
        }
    }
    Ok(())
}

fn row(name: &str, usage: &Usage, cpu: Duration, base: Duration, points: f64) {
    println!(
        "{name:14}{:9.3}{:9.3}{:9.3}{:9.3}{:10.1}{:11.1}{:8.2}x",
        usage.user.as_secs_f64(),
        usage.sys.as_secs_f64(),
        cpu.as_secs_f64(),
        usage.wall.as_secs_f64(),
        usage.peak as f64 / 1e6,
        cpu.as_secs_f64() * 1e9 / points,
        cpu.as_secs_f64() / base.as_secs_f64()
    );
}

fn memory(sizes: &[usize]) -> Result<(), Box<dyn Error>> {
    println!("\npeak memory of check --jobs 2");
    for &runs in sizes {
        let corpus = corpus::prepare(Path::new(FOLDER), runs)?;
        let usage = child::measure(&mut check(&corpus, 2))?;
        println!("{runs:6} runs{:9.1} MB", usage.peak as f64 / 1e6);
    }
    Ok(())
}
