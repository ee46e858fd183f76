//! From a record to a loop gain: which of the fits stands.

use super::fit::{Fit, Fitted, refined};
use super::record::Record;
use super::refusal::{Refused, looked_over, whole};

/// Standard uncertainties from which on the refined frequency is another one.
const CLEAR: f64 = 3.0;

/// The loop gain of a record.
///
/// # Errors
/// Why the record shows none.
pub(in crate::sweep) fn fitted(record: &Record) -> Result<Fitted, Refused> {
    let shape = whole(record)?;
    let middle = 0.5 * (shape.start + shape.end);
    let time: Vec<f64> = record.time.iter().map(|t| t - middle).collect();
    let at = |hz: f64| Fit::at(record, &time, hz, shape.per_second / record.hz);
    let known = at(record.hz).ok_or(Refused::Unfit)?;
    let refined = refined(record, &time, &known, shape.per_second / record.hz);
    let clear = refined.filter(|(fit, uncertainty)| (fit.hz - record.hz).abs() > CLEAR * uncertainty);
    let fit = clear.map_or(known, |(fit, _)| fit);
    looked_over(record, &time, &fit)?;
    Ok(fit.ratio())
}

#[cfg(test)]
mod tests;
