//! Lines that begin with a point: which of them mean something.

use crate::diagnostic::nearest;

/// What is done with a command.
pub(super) enum Command {
    Param,
    Subckt,
    Ends,
    Include,
    Global,
    End,
    /// Belongs to what was skipped already.
    Silent,
    /// Of no effect on a small-signal loop, which is said.
    Skipped,
    /// May change values; what to write instead.
    Refused(&'static str),
    /// With the one that may have been meant.
    Unknown(Option<&'static str>),
}

/// What is read.
const READ: [&str; 6] = [".param", ".subckt", ".ends", ".include", ".global", ".end"];

/// Analyses, output and settings of a simulator.
const SKIPPED: [&str; 28] = [
    ".ac", ".tran", ".op", ".dc", ".tf", ".pz", ".sens", ".noise", ".disto", ".four", ".fourier", ".sp",
    ".control", ".options", ".option", ".opt", ".print", ".plot", ".probe", ".meas", ".measure", ".save",
    ".width", ".ic", ".nodeset", ".temp", ".model", ".title",
];

/// The command of this name in small letters.
pub(super) fn command(name: &str) -> Command {
    match name {
        ".param" | ".params" => Command::Param,
        ".subckt" => Command::Subckt,
        ".ends" => Command::Ends,
        ".include" | ".inc" => Command::Include,
        ".global" => Command::Global,
        ".end" => Command::End,
        ".endc" => Command::Silent,
        ".func" => Command::Refused("write the function out where it is used"),
        ".lib" => Command::Refused("use `.include` for a file without sections"),
        ".if" | ".elseif" | ".else" | ".endif" => {
            Command::Refused("write the choice into the expression: `{a > 1 ? 2 : 3}`")
        }
        ".step" | ".alter" | ".csparam" => Command::Refused(
            "write one value with `.param`; corners set theirs by `circuit.parameters` of the spec",
        ),
        _ if SKIPPED.contains(&name) => Command::Skipped,
        _ => Command::Unknown(nearest(name, READ)),
    }
}
