//! Values that stand on a sample which mains interference hit.

use super::least_squares::{Fit, Sample, length};
use crate::analysed::Analysed;
use crate::curve::{Curve, Span, db};
use crate::noise::{Spike, mains};
use crate::quantity::{number, with_unit};

/// Neighbours that a sample is held against, and of them the least.
const NEIGHBOURS: usize = 8;
const LEAST_NEIGHBOURS: usize = 6;
/// Smallest deviation, neper and rad: 0.17 dB, 1.1 deg. No verdict turns on less.
const LEAST: f64 = 0.02;
/// Scatters of the neighbours about their own parabola that a sample must deviate by. With the ten degrees of freedom that eight
/// neighbours leave, one in 60 000 does by chance (distribution F with 2 and 10 at 9^2/2: any table); only samples on a mains
/// multiple under a limit are asked.
const STANDS_OUT: f64 = 9.0;

/// The sample on a mains multiple that stands out and that a value read in `span` would hang on: one whose half steps to its
/// neighbours reach into the span. For a value at one frequency the span has two equal ends.
///
/// What the sweep's own noise estimate shows as spikes counts; beside it each such sample is held against its neighbours alone,
/// which works also at the ends of the sweep.
#[must_use]
pub fn mains_under(sweep: &Analysed, span: Span) -> Option<Spike> {
    let x = sweep.raw.ln_f();
    let reaches = |i: usize| {
        let Some(own) = x.get(i) else { return false };
        let below = i.checked_sub(1).and_then(|i| x.get(i)).unwrap_or(own);
        let above = x.get(i + 1).unwrap_or(own);
        span.to >= 0.5 * (below + own) - 1e-12 && span.from <= 0.5 * (own + above) + 1e-12
    };
    let known = sweep.noise.spikes().iter().filter(|spike| spike.mains.is_some() && reaches(spike.index));
    let larger = |a: &Spike, b: &Spike| length([a.ln_mag, a.angle]).total_cmp(&length([b.ln_mag, b.angle]));
    if let Some(spike) = known.copied().max_by(larger) {
        return Some(spike);
    }
    let from = x.partition_point(|&x| x < span.from).saturating_sub(1);
    let to = (x.partition_point(|&x| x <= span.to) + 1).min(x.len());
    (from..to).filter(|&i| reaches(i)).filter_map(|i| deviation(&sweep.raw, i)).max_by(larger)
}

/// How far a sample on a mains multiple lies from the parabola through its neighbours, if that is far.
fn deviation(raw: &Curve, i: usize) -> Option<Spike> {
    let mains = Some(mains(raw.frequency_hz(), i)?);
    let from = i.saturating_sub(NEIGHBOURS / 2).min(raw.len().saturating_sub(NEIGHBOURS + 1));
    let columns = raw.ln_f().iter().zip(raw.ln_mag()).zip(raw.angle()).enumerate();
    let near = columns.skip(from).take(NEIGHBOURS + 1);
    let samples: Vec<Sample> = near
        .filter(|(k, _)| *k != i)
        // In units of the noise, which is not known: 1.
        .map(|(_, ((x, a), p))| Sample { x: *x, y: [*a, *p], sigma: 1.0 })
        .collect();
    let (own, at_hz) = (*raw.ln_f().get(i)?, *raw.frequency_hz().get(i)?);
    if samples.len() < LEAST_NEIGHBOURS {
        return None;
    }
    let fit = Fit::through(&samples, own, 2)?;
    let offset = [raw.ln_mag().get(i)? - fit.value[0], raw.angle().get(i)? - fit.value[1]];
    let doubt = fit.scatter * fit.noise.hypot(1.0);
    let is_far = length(offset) > LEAST.max(STANDS_OUT * doubt);
    is_far.then_some(Spike { index: i, at_hz, ln_mag: offset[0], angle: offset[1], mains })
}

/// A sample that stands out, in words.
#[must_use]
pub fn spike_text(spike: &Spike) -> String {
    let gain = db(spike.ln_mag);
    let sign = if gain < 0.0 { "-" } else { "+" };
    let phase_sign = if spike.angle < 0.0 { "-" } else { "+" };
    let mains = match spike.mains {
        Some((mains, 1)) => format!(", on {mains} Hz: mains interference"),
        Some((mains, multiple)) => format!(", on {mains} Hz times {multiple}: mains interference"),
        None => String::new(),
    };
    format!(
        "one sample at {} stands out by {sign}{} dB and {phase_sign}{} deg{mains}; left out",
        with_unit(spike.at_hz, "Hz"),
        number(gain.abs(), 2),
        number(spike.angle.to_degrees().abs(), 2)
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::spec::CriticalPoint;
    use crate::sweep::Samples;

    /// An integrator with a ripple of a fifth of a per cent, its sample nearest to 120 Hz lifted.
    fn sweep(from_hz: f64, per_decade: f64, lift: f64) -> Analysed {
        let mut samples = Samples::default();
        for k in 0..100 {
            let hz = from_hz * 10f64.powf(f64::from(k) / per_decade);
            let ripple = 0.002 * (f64::from(k) * 2.4).sin();
            samples.push(hz, (1e4 / hz).ln() + ripple, -1.5 - ripple);
        }
        let far = |hz: f64| (hz / 120.0).ln().abs();
        let nearest = (0..100)
            .min_by(|a, b| far(samples.frequency_hz()[*a]).total_cmp(&far(samples.frequency_hz()[*b])));
        samples.planted().0[nearest.unwrap()] += lift;
        Analysed::of(&samples, CriticalPoint::MinusOne)
    }

    fn at(hz: f64) -> Span {
        Span { from: hz.ln(), to: hz.ln() }
    }

    #[test]
    fn hum_under_a_value_is_found_at_the_start_of_a_sweep_too() {
        for (from, per_decade) in [(110.0, 25.0), (100.0, 40.0), (100.0, 25.0), (30.0, 100.0)] {
            for lift in [0.05, 0.3, 1.0, -0.3] {
                let sweep = sweep(from, per_decade, lift);
                let spike = mains_under(&sweep, at(120.0)).unwrap();
                assert_eq!(spike.mains, Some((60, 2)));
                assert!((spike.ln_mag - lift).abs() < 0.02, "{from} {per_decade} {lift}: {spike:?}");
                assert_eq!(mains_under(&sweep, at(400.0)), None);
            }
            assert_eq!(mains_under(&sweep(from, per_decade, 0.0), at(120.0)), None);
        }
    }

    #[test]
    fn a_band_that_holds_the_sample_hangs_on_it() {
        let sweep = sweep(50.0, 40.0, 0.5);
        let band = |from: f64, to: f64| Span { from: from.ln(), to: to.ln() };
        assert!(mains_under(&sweep, band(60.0, 1e3)).is_some());
        assert!(mains_under(&sweep, band(150.0, 1e3)).is_none());
    }
}
