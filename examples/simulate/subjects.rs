//! The loops themselves: their exact values, and that they are what they are meant to be.

use super::loops::unstable_poles;
use super::table::Report;
use super::truth::Truth;
use super::work::{Subjects, parallel};
use loopgauge::measurand::Measurand;

/// An extremum of the gain closer to 0 dB than this, dB, would leave the number of crossovers to the noise.
const CLEAR_DB: f64 = 2.0;
/// The same for the phase and the ray, deg.
const CLEAR_DEG: f64 = 4.0;

/// The mode.
pub fn run(subjects: &Subjects) -> Report {
    let mut report = Report::default();
    report.heading("loops: exact values");
    let poles = parallel(&subjects.loops, |_, l| unstable_poles(l));
    let mut rows = Vec::new();
    for ((l, t), poles) in subjects.loops.iter().zip(&subjects.truths).zip(poles) {
        let mut row = vec![l.name.clone(), l.kind.label().to_owned(), t.crossovers.len().to_string()];
        let value = |q: Measurand| t.get(q).map_or_else(|| "-".to_owned(), |v| format!("{v:.4e}"));
        row.extend(Truth::KNOWN.into_iter().map(value));
        row.extend([format!("{:.1}", t.clear_db), format!("{:.1}", t.clear_deg)]);
        rows.push(row);
        if poles != 0 {
            report.miss(format!("loops: {} has {poles} right-half-plane poles in closed loop", l.name));
        }
        if t.clear_db < CLEAR_DB || t.clear_deg < CLEAR_DEG {
            report.miss(format!(
                "loops: {} is not clear: {:.2} dB, {:.2} deg",
                l.name, t.clear_db, t.clear_deg
            ));
        }
    }
    let mut header = vec!["loop", "kind", "crossovers"];
    header.extend(Truth::KNOWN.iter().map(|q| q.name()));
    header.extend(["clear dB", "clear deg"]);
    report.table(&header, &rows);
    report
}
