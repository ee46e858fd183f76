//! The sweeps that a spec asks of one unit.

use crate::quantity::{Level, QuantityError, split};
use crate::spec::{Corner, Linearity, Spec};
use std::collections::HashSet;

/// A sweep to collect.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SweepPlan {
    /// The level, as a run file has it.
    pub level: String,
    /// Name of its file.
    pub file: String,
}

/// A corner and its sweeps, the weakest first.
#[derive(Debug, Clone)]
pub struct CornerPlan<'a> {
    /// The corner.
    pub corner: &'a Corner,
    /// One sweep where linearity is waived, else two, `step` apart.
    pub sweeps: Vec<SweepPlan>,
}

/// All that a spec asks of one unit.
#[derive(Debug, Clone)]
pub struct Plan<'a> {
    /// The spec.
    pub spec: &'a Spec,
    /// Its corners, in its order.
    pub corners: Vec<CornerPlan<'a>>,
}

impl Plan<'_> {
    /// How many sweeps.
    #[must_use]
    pub fn sweeps(&self) -> usize {
        self.corners.iter().map(|corner| corner.sweeps.len()).sum()
    }
}

/// Plans every sweep, with `weakest` (such as `-26 dBm`) as the weaker level everywhere.
///
/// # Errors
/// When `weakest` is no level.
pub fn plan<'a>(spec: &'a Spec, weakest: &str) -> Result<Plan<'a>, QuantityError> {
    let weakest = Level::parse(weakest)?;
    let mut taken = HashSet::new();
    let mut corners = Vec::with_capacity(spec.corners.len());
    for corner in &spec.corners {
        let stem = free_stem(&corner.name, &mut taken);
        let mut levels = vec![weakest.text().to_owned()];
        if let Linearity::Required(tolerances) = &corner.linearity {
            levels.push(raised(&weakest, tolerances.step.db())?);
        }
        let sweep = |level: String| {
            let file = format!("{stem}_{}.csv", level.split_whitespace().collect::<String>());
            SweepPlan { level, file }
        };
        corners.push(CornerPlan { corner, sweeps: levels.into_iter().map(sweep).collect() });
    }
    Ok(Plan { spec, corners })
}

/// A level at least `step_db` above, in the same unit: decibels to a hundredth, voltages to four digits, rounded up.
fn raised(level: &Level, step_db: f64) -> Result<String, QuantityError> {
    let (number, unit) = split(level.text())?;
    // Dust of binary fractions must not round a whole number up.
    let up = |value: f64, grain: f64| ((value / grain - 1e-6).ceil() * grain * 1e9).round() / 1e9;
    let raised = if matches!(unit, "dBm" | "dBV") {
        up(number + step_db, 0.01)
    } else {
        let value = number * 10_f64.powf(step_db / 20.0);
        up(value, 10_f64.powf(value.log10().floor() - 3.0))
    };
    Ok(format!("{raised} {unit}"))
}

/// A corner's name as the start of a file name that no other corner has, upper and lower case apart or not.
fn free_stem(name: &str, taken: &mut HashSet<String>) -> String {
    let keep =
        |c: char| if c.is_alphanumeric() || matches!(c, '.' | '_' | '-' | '+' | '%') { c } else { '-' };
    let stem: String = name.chars().map(keep).collect();
    let mut candidate = stem.clone();
    let mut number = 2;
    while !taken.insert(candidate.to_lowercase()) {
        candidate = format!("{stem}-{number}");
        number += 1;
    }
    candidate
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn levels_rise_by_a_step_in_their_own_unit() {
        for (level, step, wanted) in [
            ("-26 dBm", 3.0, "-23 dBm"),
            ("-26.5dBm", 3.0, "-23.5 dBm"),
            ("-40 dBV", 2.345, "-37.65 dBV"),
            // A factor of 1.41254: 10^(3/20).
            ("10 mVrms", 3.0, "14.13 mVrms"),
            ("20 mVpp", 6.0, "39.91 mVpp"),
        ] {
            let low = Level::parse(level).unwrap();
            let high = raised(&low, step).unwrap();
            assert_eq!(high, wanted);
            let rise = Level::parse(&high).unwrap().dbv() - low.dbv();
            assert!(rise >= step - 1e-9 && rise < step + 0.011, "{level}: {rise}");
        }
    }

    #[test]
    fn file_names_stay_apart() {
        let mut taken = HashSet::new();
        let names = ["24V-3A", "a/b", "a b", "A B", "-30 degC"].map(|name| free_stem(name, &mut taken));
        assert_eq!(names, ["24V-3A", "a-b", "a-b-2", "A-B-3", "-30-degC"]);
    }
}
