//! `begin`: a spec to start from, or the folder of one unit.

use super::console::Console;
use super::outputs::{cannot_write, print};
use super::setup_args::BeginArgs;
use super::{PASSED, UNREADABLE};
use crate::begin::{Unit, checklist, plan, run_text, spec_text};
use crate::diagnostic::Diagnostic;
use crate::disk::discover::RUN_FILE;
use crate::disk::files::label;
use crate::disk::specs::Disk;
use crate::output::{OutputError, OutputFile};
use crate::quantity::{Level, count_of};
use crate::{run, spec};
use std::io::Write;
use std::path::Path;

/// Name of the page for the bench.
const CHECKLIST: &str = "checklist.txt";

/// Runs the command.
pub fn begin(args: &BeginArgs, console: &mut Console) -> u8 {
    let done = match (&args.product, &args.run) {
        (Some(product), _) => begin_spec(product, args.to.as_deref(), console),
        (None, Some(folder)) => begin_run(folder, args, console),
        (None, None) => None,
    };
    match done {
        Some(text) if !console.has_errors() => {
            print(&text, console);
            PASSED
        }
        _ => UNREADABLE,
    }
}

/// Writes a spec; gives what to say of it.
fn begin_spec(product: &str, to: Option<&Path>, console: &mut Console) -> Option<String> {
    let path = to.map_or_else(|| Path::new("specs").join(format!("{product}.yaml")), Path::to_owned);
    let text = spec_text(product);
    let bytes = |_: &str| Ok(text.clone().into_bytes());
    match spec::load(&label(&path), &bytes) {
        // What was typed may hold more than a name, a comment behind it for one.
        Ok(loaded) if loaded.spec.product == product => {}
        Ok(_) => {
            console.fault("PRODUCT: letters, digits, `.`, `_` and `-` are allowed, such as river-gauge-5v");
            return None;
        }
        Err(problems) => {
            // The text is sound but for the name put into it.
            problems.iter().take(1).for_each(|problem| console.fault(&in_words("PRODUCT", problem)));
            return None;
        }
    }
    if path == Path::new("-") {
        return Some(text);
    }
    write_new(&[(&path, &text)]).map_err(|problem| console.fault(&problem)).ok()?;
    let path = path.display();
    Some(format!("{path}: put the product's own numbers in, then run `loopgauge lint {path}`\n"))
}

/// Makes the folder of one unit; gives what to say of it.
fn begin_run(folder: &Path, args: &BeginArgs, console: &mut Console) -> Option<String> {
    let spec_path = args.spec.as_deref().unwrap_or(Path::new("specs"));
    if spec_path.is_dir() {
        console.fault(&format!(
            "--spec names a folder, {}: name the spec file of the product in it",
            spec_path.display()
        ));
        return None;
    }
    let loaded = match spec::load(&label(spec_path), &Disk::file(spec_path)) {
        Ok(loaded) => loaded,
        Err(problems) => {
            problems.iter().for_each(|problem| console.show(problem));
            return None;
        }
    };
    let plan = match plan(&loaded.spec, &args.level) {
        Ok(plan) => plan,
        Err(error) => {
            console.fault(&format!("--level: {error}; a level such as `{}` is wanted", Level::EXAMPLE));
            return None;
        }
    };
    let unit = unit_of(args);
    let (text, page) = (run_text(&plan, &unit), checklist(&plan, &unit));
    let (run_file, page_file) = (folder.join(RUN_FILE), folder.join(CHECKLIST));
    // What was typed may be no label or no time: a file that cannot be read is not written.
    let read = run::parse(text.as_bytes(), &label(&run_file), &label(folder))
        .and_then(|raw| raw.resolve(&loaded, &[]));
    if let Err(problems) = read {
        for problem in &problems {
            let key = problem.place.as_ref().and_then(|place| place.key.as_deref()).unwrap_or("begin");
            console.fault(&in_words(&format!("--{key}"), problem));
        }
        return None;
    }
    write_new(&[(&run_file, &text), (&page_file, &page.text)])
        .map_err(|problem| console.fault(&problem))
        .ok()?;
    Some(format!(
        "{}: {} sweeps of {} corners to collect\n{}: {} to print\n",
        run_file.display(),
        plan.sweeps(),
        plan.corners.len(),
        page_file.display(),
        count_of(page.pages as u64, "page")
    ))
}

/// What was typed of a unit.
fn unit_of(args: &BeginArgs) -> Unit {
    Unit {
        serial: args.serial.clone().unwrap_or_default(),
        revision: args.revision.clone().unwrap_or_default(),
        firmware: args.firmware.clone(),
        build: args.build.clone(),
        station: args.station.clone(),
        taken: args.taken.clone(),
    }
}

/// A finding about what was typed.
fn in_words(what: &str, problem: &Diagnostic) -> String {
    let help = problem.help.as_ref().map_or_else(String::new, |help| format!("; {help}"));
    format!("{what}: {}{help}", problem.message)
}

/// Writes files that must be new, with the folders above them: all, or none when one stands there already.
fn write_new(files: &[(&Path, &str)]) -> Result<(), String> {
    for (path, _) in files {
        if std::fs::symlink_metadata(path).is_ok() {
            return Err(OutputError::Exists { path: path.to_path_buf() }.to_string());
        }
    }
    let mut open = Vec::with_capacity(files.len());
    for (path, text) in files {
        let mut file = OutputFile::create_new(path).map_err(|error| error.to_string())?;
        file.write_all(text.as_bytes()).map_err(|error| cannot_write(path, error))?;
        open.push(file);
    }
    open.into_iter().try_for_each(|file| file.commit().map_err(|error| error.to_string()))
}
