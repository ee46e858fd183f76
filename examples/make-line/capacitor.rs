//! The story of another maker's output capacitor: 14 builds of three units of the 5 V rail.

use super::Line;
use super::rail::{Bench, Rail};
use loopgauge::history::HistoryError;
use loopgauge::quantity::calendar::rfc_3339;
use time::UtcDateTime;

const BUILDS: u32 = 14;
const UNITS: u32 = 3;
/// The first build with capacitors of the other maker, which have so much less.
const OTHER_MAKER_FROM: u32 = 9;
const LESS: f64 = 0.15;
/// Share of their tolerance that the parts of a unit scatter over.
const SCATTER: f64 = 0.3;

impl Line {
    /// Judges and records all units.
    pub(super) fn of_a_capacitor(&mut self) -> Result<(), HistoryError> {
        let mut rail = Rail::as_it_stands(2028);
        let cout = rail.place("Cout");
        for build in 0..BUILDS {
            for unit in 0..UNITS {
                let mut changes = rail.parts(SCATTER);
                if build >= OTHER_MAKER_FROM {
                    changes[cout] += (-LESS).ln_1p();
                }
                let taken = 1_767_600_000 + 14 * 86_400 * i64::from(build) + 3_600 * i64::from(unit);
                let taken = UtcDateTime::from_unix_timestamp(taken).map(rfc_3339);
                let run = rail.judged(&Bench {
                    serial: format!("RG-{:05}", 100 * (build + 1) + unit),
                    build: format!("2026-W{:02}", 2 + 2 * build),
                    taken: taken.expect("a time of this century"),
                    changes,
                    makes: &|_, gain| gain,
                    baseline: None,
                });
                let (resolved, drift) = (rail.loaded.resolved.clone(), rail.loaded.spec.drift);
                self.keep(run, resolved, drift.as_ref())?;
            }
        }
        Ok(())
    }
}
