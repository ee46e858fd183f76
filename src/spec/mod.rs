//! Specs: what a product must show.
//!
//! [`load`] reads a spec file with everything it extends; [`check_part`] checks a file that is only meant to be extended.
//! Files come in through [`Files`]. What the keys mean: `top_level` (the top level), `corner_overrides` (what a corner may override),
//! `limits`, `linearity`, `regression`, `reading`, `corners`, `waivers`, `drift`, `circuit`. What is legal but unwise: `lint`.

mod circuit;
mod corner_overrides;
mod corners;
mod drift;
mod extends;
mod in_unit;
mod labels;
mod limits;
mod linearity;
mod lint;
mod load;
mod model;
mod names;
pub(crate) mod plausible;
mod reading;
mod regression;
mod top_level;
mod waivers;

#[cfg(feature = "cli")]
pub(crate) use circuit::diagnosed;
pub use circuit::{load_netlist, predicted_band};
pub use extends::Files;
pub(crate) use labels::{condition, product};
pub use lint::{uncollected, unwise};
pub use load::{LoadedSpec, check_part, load};
pub use model::{
    Accuracy, Band, CIRCUIT_CHECK, Chart, Circuit, Corner, CriticalPoint, DecisionRule, Drift, DriftAxis,
    GainAt, GainLimit, Limits, Linearity, Regression, Relevant, Rule, Spec, Tolerances, Waiver, Window,
};
pub use reading::load_reading;
pub(crate) use reading::read as read_reading;
pub(crate) use top_level::version;

/// How spec files are known.
pub(crate) const SORT: crate::yaml::Sort = crate::yaml::Sort {
    what: "a spec",
    keys: &[
        "spec",
        "product",
        "title",
        "extends",
        "critical_point",
        "open_loop_poles",
        "band",
        "switching_frequency",
        "density",
        "accuracy",
        "decision",
        "injection_point",
        "limits",
        "linearity",
        "regression",
        "drift",
        "circuit",
        "corners",
        "waivers",
        "conditions_tolerance",
        "reading",
    ],
    written_by: Some("begin PRODUCT"),
};

#[cfg(test)]
mod tests {
    use super::*;

    /// The keys that the reader asks for are those that specs are known by.
    #[test]
    fn specs_are_known_by_the_keys_that_are_read() {
        let files = |_: &str| Ok(b"spec: 1\nunknown_key_: 1\n".to_vec());
        let errors = load("x.yaml", &files).unwrap_err();
        let help = errors.iter().find(|e| e.code == "unknown-key").unwrap().help.clone().unwrap();
        let mut read: Vec<&str> = help.rsplit("known here: ").next().unwrap().split(", ").collect();
        let mut known = SORT.keys.to_vec();
        read.sort_unstable();
        known.sort_unstable();
        assert_eq!(read, known);
    }
}
