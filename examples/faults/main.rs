//! Faults of the bench, planted one by one into sound simulated measurements: is each of them refused, and is nothing sound
//! refused?
//!
//! ```text
//! cargo run --release --example faults              # all variants, 3000 clean corners and more
//! cargo run --release --example faults -- --share 10
//! ```
//!
//! | file | what |
//! | --- | --- |
//! | `plants` | the loops: those of the simulation, and some that are flat from zero frequency up |
//! | `bench` | spec and run as texts, judged with sweeps in memory |
//! | `hiss` | noise of one sweep |
//! | `plan` | the faults |
//! | `case` | one variant of a fault: a loop and its sweeps |
//! | `fate` | what must come of a fault, and what came of it |
//! | `clean` | sound corners |

#![allow(
    clippy::expect_used,
    clippy::panic,
    clippy::indexing_slicing,
    reason = "a simulation that cannot be set up must stop; its tables have fixed sizes"
)]

pub(crate) mod bench;
pub(crate) mod case;
pub(crate) mod clean;
pub(crate) mod fate;
pub(crate) mod hiss;
pub(crate) mod plan;
pub(crate) mod plants;

#[allow(dead_code, reason = "shared with the simulation, which uses all of it")]
#[path = "../simulate/loops.rs"]
pub(crate) mod loops;
#[allow(dead_code, reason = "shared with the simulation, which uses all of it")]
#[path = "../simulate/noise.rs"]
pub(crate) mod noise;
#[allow(dead_code, reason = "shared with the simulation, which uses all of it")]
#[path = "../simulate/table.rs"]
pub(crate) mod table;
#[allow(dead_code, reason = "shared with the simulation, which uses all of it")]
#[path = "../simulate/truth.rs"]
pub(crate) mod truth;
#[allow(dead_code, reason = "shared with the simulation, which uses all of it")]
#[path = "../simulate/work.rs"]
pub(crate) mod work;

use fate::Fate;
use plan::{FAULTS, Fault};
use std::collections::BTreeMap;
use std::process::ExitCode;
use table::Report;

/// Variants of each fault.
pub const VARIANTS: usize = 60;
/// Clean corners.
pub const CLEAN: usize = 4000;

fn main() -> ExitCode {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let share = match words.as_slice() {
        [] => Some(1),
        [flag, number] if flag == "--share" => number.parse().ok().filter(|n| *n > 0),
        _ => None,
    };
    let Some(share) = share else {
        eprintln!("usage: faults [--share N]");
        return ExitCode::from(2);
    };
    let plants = plants::all();
    let mut report = Report::default();
    report.heading("faults");
    let tried = try_faults(&plants, share);
    print_faults(&mut report, &tried);
    report.add(clean::run(&plants, CLEAN / share));
    print!("{}", report.text);
    println!("\n## aims\n");
    if report.missed.is_empty() {
        println!("All are met.");
        return ExitCode::SUCCESS;
    }
    report.missed.iter().for_each(|aim| println!("missed: {aim}"));
    ExitCode::FAILURE
}

/// What one variant of a fault came to.
pub struct Tried {
    /// The fault.
    pub fault: &'static Fault,
    /// Number of the variant.
    pub variant: usize,
    /// Loop, noise, density.
    pub place: String,
    /// What came of it.
    pub fate: Fate,
}

/// Plants every fault in every `share`th of its variants.
pub fn try_faults(plants: &[plants::Plant], share: usize) -> Vec<Tried> {
    let list: Vec<(&'static Fault, usize)> = FAULTS
        .iter()
        .enumerate()
        .flat_map(|(k, fault)| (k % share..VARIANTS).step_by(share).map(move |variant| (fault, variant)))
        .collect();
    work::parallel(&list, |_, &(fault, variant)| {
        let (place, fate) = plan::try_variant(fault, variant, plants);
        Tried { fault, variant, place, fate }
    })
}

fn print_faults(report: &mut Report, tried: &[Tried]) {
    let mut rows = Vec::new();
    let mut missed = Vec::new();
    for fault in &FAULTS {
        let own: Vec<&Tried> = tried.iter().filter(|t| t.fault.name == fault.name).collect();
        let mut by: BTreeMap<&str, usize> = BTreeMap::new();
        let (mut caught, mut passed, mut failed) = (0, 0, 0);
        for one in &own {
            match &one.fate {
                Fate::Caught { check, .. } => {
                    caught += 1;
                    *by.entry(check).or_default() += 1;
                }
                Fate::Passed => passed += 1,
                Fate::Otherwise(_) => failed += 1,
            }
            if !matches!(one.fate, Fate::Caught { .. }) {
                let word = match &one.fate {
                    Fate::Otherwise(why) => why.clone(),
                    _ => "passed".to_owned(),
                };
                missed.push(vec![fault.name.to_owned(), one.variant.to_string(), one.place.clone(), word]);
            }
        }
        let by: Vec<String> = by.iter().map(|(check, count)| format!("{check} {count}")).collect();
        rows.push(vec![
            fault.name.to_owned(),
            own.len().to_string(),
            caught.to_string(),
            by.join(", "),
            passed.to_string(),
            failed.to_string(),
        ]);
        if passed > 0 {
            report.miss(format!("{}: {passed} of {} passed", fault.name, own.len()));
        }
    }
    report.table(&["fault", "variants", "caught", "by", "passed wrongly", "otherwise"], &rows);
    if !missed.is_empty() {
        report.line("\nNot caught as wanted:\n");
        report.table(&["fault", "variant", "place", "came to"], &missed);
    }
    report.line("\nMessages, one of each fault:\n");
    for fault in &FAULTS {
        let message = tried.iter().filter(|t| t.fault.name == fault.name).find_map(|t| match &t.fate {
            Fate::Caught { message, .. } => Some(message),
            _ => None,
        });
        if let Some(message) = message {
            report.line(format!("- {}: {message}", fault.name));
        }
    }
}
