//! What accepting a run stores.

use super::outcome::{CornerOutcome, RunOutcome};
use crate::baseline::{AcceptedCorner, AcceptedUnit};
use crate::provenance::FileDigest;
use crate::spec::Spec;

/// The accepted unit of a judged run, with the corners that gave values. The run must have been judged with its curves kept and
/// its files traced; `tool` is what judged it, `anyway` why it is accepted although it did not pass.
#[must_use]
pub fn accept(run: &RunOutcome, spec: &Spec, tool: &str, anyway: Option<&str>) -> Option<AcceptedUnit> {
    let provenance = run.provenance.as_ref()?;
    let corner = |corner| accepted_corner(corner, spec, &provenance.files);
    Some(AcceptedUnit {
        product: run.product.clone(),
        serial: run.serial.clone(),
        revision: run.revision.clone(),
        firmware: run.firmware.clone(),
        build: run.build.clone(),
        station: run.station.clone(),
        taken: run.taken.clone(),
        tool: tool.to_owned(),
        verdict: run.verdict.word().to_owned(),
        anyway: anyway.filter(|_| !run.verdict.is_good()).map(str::to_owned),
        spec_sha256: provenance.spec.sha256.to_string(),
        critical_point: spec.critical_point,
        open_loop_poles: spec.open_loop_poles,
        coverage: spec.decision.coverage,
        accuracy: spec.accuracy,
        corners: run.corners.iter().filter_map(corner).collect(),
    })
}

/// A corner that gave values.
fn accepted_corner(corner: &CornerOutcome, spec: &Spec, digests: &[FileDigest]) -> Option<AcceptedCorner> {
    let (kept, judged, measured) = (corner.keepsake.as_ref()?, corner.judged.as_ref()?, corner.measured?);
    let digest_of = |name: &String| {
        let digest = digests.iter().find(|file| file.file == *name)?;
        Some((name.clone(), digest.sha256.clone()))
    };
    let band = spec.corners.iter().find(|own| own.name == corner.corner).and_then(|own| own.band);
    Some(AcceptedCorner {
        name: corner.corner.clone(),
        conditions: corner.conditions.clone(),
        band_hz: band.map(|band| [band.from.hz(), band.to.hz()]),
        level: judged.level.clone(),
        files: judged.files.iter().filter_map(digest_of).collect(),
        // A curve of 200 MB has fewer crossings than that.
        crossings: u32::try_from(measured.crossings).unwrap_or(u32::MAX),
        values: kept.values.clone(),
        curve: kept.curve.clone(),
    })
}
