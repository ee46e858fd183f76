//! Finds the spec of a product and reads each one once.

use super::files::{Fence, YAML_LIMIT, label, path_of, read_regular};
use crate::diagnostic::{Diagnostic, nearest};
use crate::spec::{self, Files, LoadedSpec};
use std::collections::HashMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};

/// Spec files and what they extend, read from disk: nothing outside the folder of specs.
pub struct Disk {
    fence: Fence,
    /// A file that was named on the command line: it may be anywhere.
    named: Option<String>,
}

impl Disk {
    /// Everything from a folder of specs.
    pub fn folder(folder: &Path) -> Self {
        Self { fence: Fence::around(folder), named: None }
    }

    /// One spec file, and what lies beside and below it.
    pub fn file(file: &Path) -> Self {
        Self::file_in(file, file.parent().unwrap_or(Path::new("")))
    }

    #[cfg(feature = "cli")]
    /// One file of specs, and what lies in the folder of specs where it lies in that, as it does when runs are judged; else what lies
    /// beside and below it.
    pub fn named(file: &Path, specs: &Path) -> Self {
        let folder = place(specs);
        if folder.is_dir() && Fence::around(&folder).holds(file) {
            Self::file_in(file, &folder)
        } else {
            Self::file(file)
        }
    }

    /// One spec file, and what lies in a folder of specs.
    pub fn file_in(file: &Path, folder: &Path) -> Self {
        Self { fence: Fence::around(folder), named: Some(label(file)) }
    }
}

impl Files for Disk {
    fn read(&self, path: &str) -> Result<Vec<u8>, String> {
        // What is no file at all has no text to show, and is refused as that.
        let is_file = !fs::metadata(path).is_ok_and(|found| !found.is_file());
        if is_file && self.named.as_deref() != Some(path) && !self.fence.holds(&path_of(path)) {
            return Err(format!("it leads out of the folder of specs, {}", label(self.fence.folder())));
        }
        let mut bytes = Vec::new();
        match read_regular(&path_of(path), &path.into(), YAML_LIMIT, &mut bytes) {
            Ok(()) => Ok(bytes),
            Err(diagnostic) => Err(diagnostic.message),
        }
    }
}

/// Where specs are looked for unless another place is named.
pub const SPECS: &str = "specs";

/// Code of a product without a spec.
pub const NO_SPEC: &str = "spec-missing";

/// A spec, or what is wrong with it.
pub type Loaded = Result<LoadedSpec, Vec<Diagnostic>>;

/// The specs that runs are judged against.
pub struct Specs {
    root: PathBuf,
    is_folder: bool,
    loaded: Mutex<HashMap<String, Arc<Loaded>>>,
}

/// The place of the specs: as given, or the nearest usual folder from here upwards, as far as the work tree of git reaches, where
/// there is none here.
pub fn place(given: &Path) -> PathBuf {
    if given != Path::new(SPECS) || given.exists() {
        return given.to_owned();
    }
    let mut folder = PathBuf::from(".");
    let mut here = fs::canonicalize(&folder).ok();
    while let Some(real) = here.filter(|here| !here.join(".git").exists()) {
        folder = if folder == Path::new(".") { "..".into() } else { folder.join("..") };
        if folder.join(SPECS).is_dir() {
            return folder.join(SPECS);
        }
        here = real.parent().map(Path::to_owned);
    }
    given.to_owned()
}

impl Specs {
    /// Specs under the place given, see [`place`].
    ///
    /// # Errors
    /// When there is nothing of that name.
    pub fn new(given: &Path) -> Result<Self, Diagnostic> {
        let root = &place(given);
        let found = fs::metadata(root).map_err(|error| {
            let file: Arc<str> = label(root).into();
            Diagnostic::error("specs-missing", format!("the specs cannot be read: {error}"))
                .in_file(&file)
                .with_help("name a folder that holds PRODUCT.yaml, or one spec file, with --specs")
        })?;
        Ok(Self { root: root.to_owned(), is_folder: found.is_dir(), loaded: Mutex::new(HashMap::new()) })
    }

    #[cfg(feature = "cli")]
    /// Whether there is a folder of specs, and not one file.
    pub const fn is_folder(&self) -> bool {
        self.is_folder
    }

    #[cfg(feature = "cli")]
    /// The folder that all of them lie in.
    pub fn folder(&self) -> PathBuf {
        if self.is_folder {
            self.root.clone()
        } else {
            self.root.parent().unwrap_or(Path::new("")).to_owned()
        }
    }

    /// The spec of a product.
    pub fn of(&self, product: &str) -> Arc<Loaded> {
        let key = if self.is_folder { product } else { "" };
        let mut loaded = self.loaded.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(known) = loaded.get(key) {
            return Arc::clone(known);
        }
        let fresh = Arc::new(self.load(product));
        loaded.insert(key.to_owned(), Arc::clone(&fresh));
        fresh
    }

    /// The file that holds the spec of a product, as shown.
    pub fn file(&self, product: &str) -> String {
        label(&self.path(product))
    }

    fn path(&self, product: &str) -> PathBuf {
        if self.is_folder { self.root.join(format!("{product}.yaml")) } else { self.root.clone() }
    }

    fn load(&self, product: &str) -> Loaded {
        let path = self.path(product);
        if self.is_folder && !path.exists() {
            return Err(vec![self.no_spec(product)]);
        }
        let disk = if self.is_folder { Disk::folder(&self.root) } else { Disk::file(&self.root) };
        let loaded = spec::load(&label(&path), &disk)?;
        if self.is_folder && loaded.spec.product != product {
            let message =
                format!("declares the product `{}`, its name says `{product}`", loaded.spec.product);
            let problem = Diagnostic::error("spec-name", message)
                .with_help("name the file PRODUCT.yaml after the product that it declares");
            return Err(vec![loaded.at("product", problem)]);
        }
        Ok(loaded)
    }

    /// That a product has no spec; its place is where the product is named.
    fn no_spec(&self, product: &str) -> Diagnostic {
        let file = self.file(product);
        let known: Vec<String> = fs::read_dir(&self.root)
            .into_iter()
            .flatten()
            .filter_map(|entry| Some(entry.ok()?.file_name().to_str()?.strip_suffix(".yaml")?.to_owned()))
            .collect();
        let near = nearest(product, known.iter().map(String::as_str));
        let help = near.map_or_else(
            || "write a spec for the product, or name another place with --specs".to_owned(),
            |near| format!("did you mean the product `{near}`?"),
        );
        let message = format!("there is no spec for the product `{product}`: {file} is not there");
        Diagnostic::error(NO_SPEC, message).with_help(help)
    }
}
