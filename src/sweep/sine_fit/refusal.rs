//! Records that show no loop gain, and why.

use super::basis::{Side, dot};
use super::fit::Fit;
use super::record::Record;
use crate::sweep::problems::hertz;
use std::f64::consts::{PI, TAU};

/// Fewest samples: what ten parameters leave of them tells the noise to 15 %.
const FEWEST: usize = 32;
/// Most samples.
const MOST: usize = 1_000_000;
/// Fewest periods: below, a drift and a sine look alike.
const PERIODS: f64 = 2.0;
/// Fewest samples a period: at four the third harmonic falls on the frequency itself, and tells nothing of a loop driven too hard.
const PER_PERIOD: f64 = 5.0;
/// Largest part of harmonics in the larger side. A cubic non-linearity that makes so much third harmonic changes the gain by three times
/// as much (describing function of x + k x^3: gain 1 + 3/4 k A^2, third harmonic k A^2 / 4; A. Gelb and W. E. Vander Velde, 1968: from
/// memory), 1 dB at 4 %: what two levels are usually allowed to differ by.
const HARMONICS: f64 = 0.04;
/// Multiple of what noise alone makes that harmonics are shown by.
const SHOWN: f64 = 3.0;
/// Standard uncertainties that an amplitude must have on one side at least.
const PRESENT: f64 = 5.0;
/// Largest difference of the frequency found from the declared one, as a part of it: at -20 dB per decade 0.04 dB.
const OTHER: f64 = 0.005;
/// Samples in a run at the extreme that make a clipped one, at least.
const RUN: usize = 3;
/// Multiple of the samples that a rounded sine has at its extreme; fifty per cent cover harmonics that are let pass.
const TOO_MANY: f64 = 1.5;
/// Frequencies looked at for another line.
const LOOKED_AT: usize = 600;
/// Most samples of a record that is searched for one: the work is their product.
const SEARCHED: usize = 50_000;

/// Why a record shows no loop gain.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(in crate::sweep) enum Refused {
    /// Too few samples.
    Few(usize),
    /// Too many samples.
    Many(usize),
    /// Times do not rise from the sample of this index on.
    Times(usize),
    /// So many periods.
    Short(f64),
    /// So many samples a period.
    Coarse(f64),
    /// A side stays at its extreme value; its name and how many samples do.
    Clipped(&'static str, usize),
    /// A side that never changes.
    Silent(&'static str),
    /// The frequency is not there; the one that is, where it shows.
    Absent(Option<f64>),
    /// Harmonics of a side as a part of the larger side's sine.
    Driven(&'static str, f64),
    /// Sine and drift cannot be told apart at these times.
    Unfit,
}

impl Refused {
    /// What was seen and what is wanted, after "the record at 1 kHz", and what to do.
    pub fn told(self) -> (String, &'static str) {
        match self {
            Self::Few(count) => (
                format!("has {count} samples; at least {FEWEST} are wanted"),
                "record more samples, over at least two periods",
            ),
            Self::Many(count) => (
                format!("has {count} samples; at most {MOST} are read"),
                "export a shorter part of the record: a hundred periods are plenty",
            ),
            Self::Times(_) => (
                "has times that do not rise from sample to sample".to_owned(),
                "export the times with more digits, and one record of each frequency",
            ),
            Self::Short(periods) => (
                format!("holds {periods:.2} periods; at least {PERIODS} are wanted"),
                "record longer; ten periods and more lower the uncertainty",
            ),
            Self::Coarse(count) => (
                format!("has {count:.2} samples a period; at least {PER_PERIOD} are wanted"),
                "sample faster: below two a period the record shows another frequency, below five no harmonic that tells of a loop \
                 driven too hard",
            ),
            Self::Clipped(side, count) => (
                format!("is clipped: {count} samples of the {side} side stand at its extreme value"),
                "widen the vertical range of that channel, and record again",
            ),
            Self::Silent(side) => (
                format!("has an {side} side that never changes"),
                "check the probe of that side, and its range",
            ),
            Self::Absent(Some(hz)) => (
                format!("does not show the declared frequency but {}", hertz(six_digits(hz))),
                "declare the frequency that the generator had",
            ),
            Self::Absent(None) => (
                "does not show the declared frequency on either side".to_owned(),
                "check the frequency and its unit, and that the injection was on; a longer record shows weaker signals",
            ),
            Self::Driven(side, share) => (
                format!(
                    "shows a loop that is driven too hard: the harmonics of the {side} side are {:.1} % of the sine, more than {:.0} %",
                    100.0 * share,
                    100.0 * HARMONICS
                ),
                "inject less: harmonics show that the loop is not linear before its gain does",
            ),
            Self::Unfit => (
                "cannot be fitted: a sine and a drift look alike at its times".to_owned(),
                "record evenly over at least two periods",
            ),
        }
    }
}

fn six_digits(value: f64) -> f64 {
    format!("{value:.5e}").parse().unwrap_or(value)
}

/// First and last time, s, and samples per second.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Shape {
    pub start: f64,
    pub end: f64,
    pub per_second: f64,
}

const SIDES: [&str; 2] = ["input", "output"];

/// What shows before any fit.
///
/// # Errors
/// Why no fit is worth it.
pub(super) fn whole(record: &Record) -> Result<Shape, Refused> {
    let count = record.time.len();
    if count < FEWEST {
        return Err(Refused::Few(count));
    }
    if count > MOST {
        return Err(Refused::Many(count));
    }
    let broken = record.time.windows(2).position(|pair| !matches!(pair, [a, b] if a < b));
    if let Some(at) = broken {
        return Err(Refused::Times(at + 1));
    }
    let (start, end) =
        record.time.first().zip(record.time.last()).map_or((0.0, 0.0), |(start, end)| (*start, *end));
    let per_second = (count - 1) as f64 / (end - start);
    // The last sample stands for an interval, too; a thousandth is rounding of the times.
    let periods = count as f64 / per_second * record.hz;
    if periods < PERIODS * 0.999 {
        return Err(Refused::Short(periods));
    }
    let per_period = per_second / record.hz;
    if per_period < PER_PERIOD * 0.999 {
        return Err(Refused::Coarse(per_period));
    }
    for (name, side) in SIDES.into_iter().zip([&record.input, &record.output]) {
        let [low, high] = extremes(side);
        if low >= high {
            return Err(Refused::Silent(name));
        }
        if let Some(count) = clipped(side, low, high) {
            return Err(Refused::Clipped(name, count));
        }
    }
    Ok(Shape { start, end, per_second })
}

fn extremes(values: &[f64]) -> [f64; 2] {
    let low = values.iter().copied().fold(f64::INFINITY, f64::min);
    [low, values.iter().copied().fold(f64::NEG_INFINITY, f64::max)]
}

/// Samples at an extreme value, where they are more than rounding makes of a sine.
///
/// A sine of amplitude A spends acos(1 - q/A) / pi of its time within one step q of its peak.
fn clipped(values: &[f64], low: f64, high: f64) -> Option<usize> {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let span = high - low;
    let steps = sorted.iter().zip(sorted.iter().skip(1)).map(|(a, b)| b - a);
    // Steps of a converter as its file writes them are equal but for their rounding.
    let step = steps.filter(|step| *step > 1e-9 * span).fold(span, f64::min);
    let share = (1.0 - 2.0 * step / span).clamp(-1.0, 1.0).acos() / PI;
    let expected = share * values.len() as f64;
    let too_many = (TOO_MANY * expected + 3.0 * expected.sqrt() + 2.0) as usize;
    [low, high].into_iter().find_map(|extreme| {
        let is_at = |value: &f64| (value - extreme).abs() <= 1e-9 * span;
        let count = values.iter().filter(|value| is_at(value)).count();
        let longest = values.chunk_by(|a, b| is_at(a) && is_at(b)).map(<[f64]>::len).max().unwrap_or(0);
        (count > too_many && longest >= RUN).then_some(count)
    })
}

/// What a fit shows.
///
/// # Errors
/// Why its loop gain is none.
pub(super) fn looked_over(record: &Record, time: &[f64], fit: &Fit) -> Result<(), Refused> {
    let uncertain = fit.amplitude_uncertainties();
    let is_absent = |(side, u): (&Side, &f64)| side.amplitude.norm() < PRESENT * u;
    let all_absent = fit.sides.iter().zip(&uncertain).all(is_absent);
    if !all_absent && (fit.hz - record.hz).abs() > OTHER * record.hz {
        return Err(Refused::Absent(Some(fit.hz)));
    }
    let sides = || fit.sides.iter().zip([&record.input, &record.output]);
    let shares = sides().map(|(side, values)| explained(side.amplitude.norm(), values));
    if shares.fold(0.0, f64::max) < 0.5 {
        let of_side =
            |(side, values): (&Side, &Vec<f64>)| louder(record.hz, side.amplitude.norm(), time, values);
        if let Some(hz) = sides().find_map(of_side) {
            return Err(Refused::Absent(Some(hz)));
        }
    }
    if all_absent {
        return Err(Refused::Absent(None));
    }
    let larger = fit.sides.iter().map(|side| side.amplitude.norm()).fold(0.0, f64::max);
    for (name, side) in SIDES.into_iter().zip(&fit.sides) {
        let noise = side.harmonics_of_noise;
        let clean = (side.harmonics * side.harmonics - noise * noise).max(0.0).sqrt();
        if clean > HARMONICS * larger && side.harmonics > SHOWN * noise {
            return Err(Refused::Driven(name, clean / larger));
        }
    }
    Ok(())
}

/// The part of what changes in a side that a sine of this amplitude makes.
fn explained(amplitude: f64, values: &[f64]) -> f64 {
    let count = values.len() as f64;
    let mean = values.iter().sum::<f64>() / count;
    let all: f64 = values.iter().map(|v| (v - mean).powi(2)).sum();
    0.5 * amplitude * amplitude * count / all.max(f64::MIN_POSITIVE)
}

/// A frequency within a factor of two that is at least twice as strong as the declared one, and not the same line.
fn louder(hz: f64, amplitude: f64, time: &[f64], values: &[f64]) -> Option<f64> {
    if values.len() > SEARCHED {
        return None;
    }
    let span = time.last()? - time.first()?;
    let step = (0.5 / span).max(1.5 * hz / LOOKED_AT as f64);
    let mean = values.iter().sum::<f64>() / values.len() as f64;
    let level: Vec<f64> = values.iter().map(|v| v - mean).collect();
    let strength = |at: f64| {
        let (sine, cosine): (Vec<f64>, Vec<f64>) = time.iter().map(|t| (TAU * at * t).sin_cos()).unzip();
        2.0 * dot(&level, &sine).hypot(dot(&level, &cosine)) / values.len() as f64
    };
    let tried = (0..=(1.5 * hz / step) as usize).map(|k| 0.5 * hz + k as f64 * step);
    let other = tried.filter(|at| (at - hz).abs() * span > 0.75);
    let (at, most) = other
        .map(|at| (at, strength(at)))
        .fold((hz, 0.0), |best, new| if new.1 > best.1 { new } else { best });
    // The strongest of so many frequencies has this part of white noise, at most.
    let of_noise = (4.0 * (LOOKED_AT as f64).ln() / values.len() as f64).max(0.1);
    (most > 2.0 * amplitude && explained(most, values) > of_noise).then_some(at)
}
