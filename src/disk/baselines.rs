//! Finds the accepted units of a product and reads each file once.

use super::files::{Fence, YAML_LIMIT, label, read_regular};
use crate::baseline::{self, Accepted, AcceptedUnit};
use crate::diagnostic::Diagnostic;
#[cfg(feature = "cli")]
use crate::yaml::first_key;
use std::collections::HashMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};

/// The accepted units of a product, and what is wrong with its files.
#[derive(Default)]
pub struct Loaded {
    /// The units.
    pub accepted: Accepted,
    /// Everything that is wrong.
    pub problems: Vec<Diagnostic>,
}

/// The baseline that runs are compared with.
pub struct Baselines {
    root: PathBuf,
    loaded: Mutex<HashMap<String, Arc<Loaded>>>,
}

impl Baselines {
    /// The baseline in a folder.
    ///
    /// # Errors
    /// When there is no such folder.
    pub fn new(root: &Path) -> Result<Self, Diagnostic> {
        let wrong = |message: String| {
            let file: Arc<str> = label(root).into();
            Err(Diagnostic::error("baseline-missing", message)
                .in_file(&file)
                .with_help("name the folder that `loopgauge accept` wrote, with --baseline"))
        };
        match fs::metadata(root) {
            Err(error) => wrong(format!("the baseline cannot be read: {error}")),
            Ok(found) if !found.is_dir() => wrong("the baseline is a folder, this is none".to_owned()),
            Ok(_) => Ok(Self { root: root.to_owned(), loaded: Mutex::new(HashMap::new()) }),
        }
    }

    /// The accepted units of a product.
    pub fn of(&self, product: &str) -> Arc<Loaded> {
        let mut loaded = self.loaded.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(known) = loaded.get(product) {
            return Arc::clone(known);
        }
        let fresh = Arc::new(load(&self.root, product));
        loaded.insert(product.to_owned(), Arc::clone(&fresh));
        fresh
    }
}

/// The baseline files of a product's folder, sorted. Hidden ones are none: they are being written.
///
/// # Errors
/// When the folder is there and cannot be listed.
pub fn files(folder: &Path) -> std::io::Result<Vec<PathBuf>> {
    let entries = match fs::read_dir(folder) {
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(Vec::new()),
        other => other?,
    };
    let mut files = Vec::new();
    for entry in entries {
        let path = entry?.path();
        let is_hidden = path.file_name().is_some_and(|name| name.to_string_lossy().starts_with('.'));
        if !is_hidden && path.extension().is_some_and(|extension| extension == "yaml") {
            files.push(path);
        }
    }
    files.sort();
    Ok(files)
}

#[cfg(feature = "cli")]
/// Whether a file is one that `accept` wrote, sound or damaged.
pub fn is_accepted(path: &Path) -> bool {
    let mut bytes = Vec::new();
    let read = read_regular(path, &label(path).into(), YAML_LIMIT, &mut bytes);
    read.is_ok() && first_key(&bytes) == Some("baseline")
}

fn load(root: &Path, product: &str) -> Loaded {
    let mut loaded = Loaded::default();
    let (folder, fence) = (root.join(product), Fence::around(root));
    let paths = match files(&folder) {
        Ok(paths) => paths,
        Err(error) => {
            let file: Arc<str> = label(&folder).into();
            let message = format!("the baseline's folder cannot be listed: {error}");
            loaded.problems.push(Diagnostic::error("folder-unreadable", message).in_file(&file));
            loaded.accepted.unreadable.push(file.to_string());
            return loaded;
        }
    };
    for path in paths {
        match read(&path, product, &fence) {
            Ok(unit) => loaded.accepted.units.push(unit),
            Err(problems) => {
                loaded.problems.extend(problems);
                loaded.accepted.unreadable.push(label(&path));
            }
        }
    }
    loaded
}

/// Reads a baseline file, which must be where `accept` would have written it.
fn read(path: &Path, product: &str, fence: &Fence) -> Result<AcceptedUnit, Vec<Diagnostic>> {
    let file: Arc<str> = label(path).into();
    if !fence.holds(path) {
        let message = "is a link that leads out of the baseline's folder";
        let outside = Diagnostic::error("baseline-outside", message).in_file(&file);
        return Err(vec![outside.with_help("put the accepted unit itself there")]);
    }
    let mut bytes = Vec::new();
    read_regular(path, &file, YAML_LIMIT, &mut bytes).map_err(|problem| vec![problem])?;
    let unit = baseline::parse(&bytes, &file)?;
    let wrong = |key, message: String, help: String| {
        let problem = Diagnostic::error("baseline-place", message).with_help(help);
        Err(vec![baseline::at(&bytes, &file, key, problem)])
    };
    if unit.product != product {
        return wrong(
            "product",
            format!("is of the product `{}`, it stands in the folder of `{product}`", unit.product),
            "accept runs with `loopgauge accept`, which finds the right place".to_owned(),
        );
    }
    let name = baseline::file_name(&unit.serial);
    if path.file_name().is_none_or(|own| own != name.as_str()) {
        return wrong(
            "serial",
            format!("is of the unit {}, whose file is {name}", unit.serial),
            format!("name it {name}, or remove it"),
        );
    }
    Ok(unit)
}
