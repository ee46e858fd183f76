//! The runs: 12 units a build, values that scatter and drift slowly.

use crate::sample;
use loopgauge::check::{Limit, Measured, RunOutcome, Unit, Verdict};
use loopgauge::measurand::Measurand;
use loopgauge::provenance::{FileDigest, Provenance, ResolvedSpec};
use loopgauge::quantity::calendar::rfc_3339;
use loopgauge::spec::{Chart, Drift, DriftAxis};
use loopgauge::uncertainty::Budget;
use time::UtcDateTime;

pub const PRODUCT: &str = "river-gauge-5v";
pub const TOOL: &str = concat!("loopgauge ", env!("CARGO_PKG_VERSION"));
pub const CORNERS: usize = 6;

pub const DRIFT: Drift = Drift {
    over: Some(DriftAxis::Build),
    setup: Some(8),
    chart: Some(Chart::Ewma),
    capability_min: Some(1.33),
    forecast_groups: Some(6),
    relevant: None,
};

/// 2020-01-01T00:00:00Z and ten minutes a run.
pub const fn taken_s(number: u64) -> i64 {
    1_577_836_800 + 600 * number.cast_signed()
}

/// A number in [0, 1) of a run and a place in it: the finaliser of splitmix64 (from memory), so that runs can be made in any order.
pub const fn random(number: u64, place: u64) -> f64 {
    let mut z =
        number.wrapping_mul(0x9e37_79b9_7f4a_7c15).wrapping_add(place.wrapping_mul(0xd1b5_4a32_d192_ed03));
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 53) as f64
}

pub fn serial(number: u64) -> String {
    format!("RG-{number:07}")
}

pub fn build(number: u64) -> String {
    format!("B{:06}", number / 12)
}

/// A run as `check` judges it.
pub fn run(number: u64) -> RunOutcome {
    let mut run = sample::passing(&serial(number), CORNERS);
    run.build = Some(build(number));
    run.taken = UtcDateTime::from_unix_timestamp(taken_s(number)).ok().map(rfc_3339);
    let mut place = 0;
    let mut wobble = || {
        place += 1;
        1.0 + 0.05 * (random(number, place) - 0.5)
    };
    for corner in &mut run.corners {
        for (at, from) in [("gain@120Hz", 41.25), ("gain@150kHz-200kHz", -12.5)] {
            let limit = Limit { min: (from > 0.0).then_some(30.0), max: (from < 0.0).then_some(-8.0) };
            corner.checks.push(sample::judged(
                at,
                Verdict::Pass,
                from * wobble(),
                Some(0.25),
                Unit::Db,
                limit,
            ));
        }
        let Some(set) = &mut corner.measured else { continue };
        let reduction = set.get(Measurand::GainMargin).map(|m| Measured { at_least: None, ..m });
        set.values = set.values.with(Measurand::GainReductionMargin, reduction);
        for measurand in Measurand::ALL {
            let Some(measured) = set.values.get_mut(measurand) else { continue };
            measured.value *= wobble();
            let part = |share: f64| measured.value * 0.01 * share;
            measured.budget = Some(Budget {
                rounding: 0.0,
                level: 0.0,
                gain: part(wobble()),
                phase: part(wobble()),
                delay: part(wobble()),
                noise: part(wobble()),
                density: part(wobble()),
                impedance_ratio: part(wobble()),
            });
        }
        for check in &mut corner.checks {
            check.value = check.value.map(|value| value * wobble());
        }
    }
    let names = run.corners.iter().flat_map(|corner| corner.judged.iter());
    let names = names.flat_map(|judged| judged.files.iter().chain(&judged.confirmed_by)).map(String::as_str);
    let files = std::iter::once("run.yaml").chain(names).map(|name| {
        let digest = FileDigest::of(name, format!("{number} {name}").as_bytes());
        FileDigest { bytes: 30_000, ..digest }
    });
    run.provenance = Some(Provenance { spec: ResolvedSpec::of(&spec()), files: files.collect() });
    run
}

/// As long as the resolved spec of a rail of the board.
fn spec() -> String {
    format!("{{\"product\":\"{PRODUCT}\",\"notes\":\"{}\"}}", "limits and corners ".repeat(200))
}
