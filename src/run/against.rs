//! What the parts of a run file are read with.

use crate::spec::LoadedSpec;
use crate::yaml::Node;
use std::collections::HashMap;
use std::sync::Arc;

/// A run file as parsed.
#[derive(Debug, Clone)]
pub(super) struct RunFile {
    /// The file, as reached.
    pub(super) file: Arc<str>,
    /// Its folder, as reached.
    pub(super) folder: String,
    pub(super) root: Node,
}

/// What a run is checked against.
#[derive(Clone, Copy)]
pub(super) struct Against<'a> {
    pub(super) spec: &'a LoadedSpec,
    /// Names of the files in the run's folder.
    pub(super) names: &'a [String],
}

/// Position of each corner in the spec.
pub(super) type CornerIndex<'a> = HashMap<&'a str, usize>;
