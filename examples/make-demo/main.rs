//! Makes `demo-data/`: measured loop gains of the four rails of the river-gauge telemetry board, from a physical
//! model, with one fault planted in every run that is meant not to pass.
//!
//! ```text
//! cargo run --example make-demo            # writes ./demo-data
//! cargo run --example make-demo -- ROOT    # writes ROOT/demo-data
//! ```
//!
//! The same bytes come out at each call. Files that are there already are overwritten, others are left alone. The specs
//! are written by hand and not touched.

mod control;
mod measure;
mod noise;
mod plan;
mod products;
mod readme;
mod runs;
mod stage;
mod take;
mod write;

use std::io;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

fn main() -> ExitCode {
    let root = std::env::args_os().nth(1).map_or_else(|| PathBuf::from("."), PathBuf::from);
    match make(&root.join("demo-data")) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("demo data not written: {error}");
            ExitCode::FAILURE
        }
    }
}

/// Writes all runs and the table of them under `root`.
pub fn make(root: &Path) -> io::Result<()> {
    for plan in runs::ALL {
        let folder = root.join(plan.folder());
        std::fs::create_dir_all(&folder)?;
        for (name, text) in take::files(plan) {
            std::fs::write(folder.join(name), text)?;
        }
    }
    std::fs::write(root.join("README.md"), readme::table(runs::ALL))
}
