//! Pieces of one sweep, each a file: joined where they agree.
//!
//! Every frequency is taken from one piece, so that neighbours on the joined grid never lie closer than those of a piece: from the one
//! with clearly more points per decade (a close look at the crossover inside a coarse sweep), else from the one whose own ends are farther
//! away. Where pieces overlap, the smooth curves under them are compared at the points of both. What may part them is their noise, the
//! digits of their files and the interpolation between their points; more means that the loop, the level or the set-up changed between
//! them, and then nobody knows which is right.

use crate::analysed::Analysed;
use crate::curve::{LocalError, Span, db, wrap};
use crate::diagnostic::Diagnostic;
use crate::run::SweepEntry;
use crate::spec::CriticalPoint;
use crate::sweep::Samples;

/// Ratio of points per decade from which on the denser piece counts.
const DENSER: f64 = 1.5;
/// Part of the usual step below which a point beside a seam is left out.
const CLOSE: f64 = 0.25;
/// Probability that pieces of one sweep disagree by noise alone, over the whole overlap.
const BY_CHANCE: f64 = 1e-3;

/// Two pieces that do not agree where they overlap.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Disagreement {
    /// Places of the two in the entry's list of files.
    pub pieces: [usize; 2],
    /// Where they are farthest apart, Hz.
    pub at_hz: f64,
    /// By how much: dB and deg.
    pub by: [f64; 2],
    /// What noise, digits and interpolation allow there.
    pub allowed: [f64; 2],
}

impl Disagreement {
    /// In words, but for the place.
    #[must_use]
    pub fn text(&self, entry: &SweepEntry) -> String {
        let name = |piece: usize| entry.files.get(piece).map_or("a piece", String::as_str);
        let [gain, phase] = self.by;
        let [gain_allowed, phase_allowed] = self.allowed;
        format!(
            "{} and {} overlap and disagree by {gain:.3} dB and {phase:.2} deg, where their noise allows {gain_allowed:.3} dB and \
             {phase_allowed:.2} deg",
            name(self.pieces[0]),
            name(self.pieces[1]),
        )
    }

    /// What to do about it.
    pub const REMEDY: &str = "level, conditions or set-up changed between the pieces: take them again in one go, or list the right one alone";
}

/// Reads the one file of an entry.
pub type ReadPiece<'a> = dyn FnMut(&SweepEntry, &mut Samples) -> Result<(), Vec<Diagnostic>> + 'a;

/// Files that could not be read, with what is wrong with each.
pub type Unread = Vec<(String, Vec<Diagnostic>)>;

/// Reads the files of an entry, one after the other, into the samples of one sweep; says where pieces disagree. `read` is called with an
/// entry of a single file.
///
/// # Errors
/// What is wrong with the files, all of them, with the name of each.
pub fn read_entry(
    entry: &SweepEntry,
    samples: &mut Samples,
    read: &mut ReadPiece<'_>,
) -> Result<Option<Disagreement>, Unread> {
    samples.clear();
    if let [only] = entry.files.as_slice() {
        return read(entry, samples).map(|()| None).map_err(|errors| vec![(only.clone(), errors)]);
    }
    let (mut pieces, mut failed) = (Vec::new(), Vec::new());
    for file in &entry.files {
        let mut piece = Samples::default();
        let own = SweepEntry { files: vec![file.clone()], ..entry.clone() };
        match read(&own, &mut piece) {
            Ok(()) => pieces.push(piece),
            Err(errors) => failed.push((file.clone(), errors)),
        }
    }
    if !failed.is_empty() {
        return Err(failed);
    }
    Ok(join(&pieces, samples))
}

/// Joins pieces in any order; says where two of them disagree the most.
#[must_use]
pub fn join(pieces: &[Samples], into: &mut Samples) -> Option<Disagreement> {
    into.clear();
    let all: Vec<Analysed> = pieces.iter().map(|piece| Analysed::of(piece, CriticalPoint::PlusOne)).collect();
    let mut rows: Vec<(f64, usize, usize)> = Vec::new();
    for (own, piece) in pieces.iter().enumerate() {
        let hz = piece.frequency_hz().iter().enumerate();
        rows.extend(hz.filter(|(_, hz)| owner(pieces, **hz) == own).map(|(row, hz)| (*hz, own, row)));
    }
    rows.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut uncertainty = Vec::new();
    let mut last: Option<(f64, usize)> = None;
    for (hz, own, row) in rows {
        let Some(piece) = pieces.get(own) else { continue };
        let is_close = last.is_some_and(|(before, other)| {
            let step = pieces.get(other).map_or(0.0, step).min(step(piece));
            other != own && (hz / before).ln() < CLOSE * step
        });
        if is_close {
            continue;
        }
        let (Some(ln_mag), Some(phase)) = (piece.ln_magnitude().get(row), piece.phase_rad().get(row)) else {
            continue;
        };
        into.push(hz, *ln_mag, *phase);
        uncertainty.extend(piece.uncertainty().get(row));
        last = Some((hz, own));
    }
    into.set_uncertainty(uncertainty);
    let joined = Analysed::of(into, CriticalPoint::PlusOne);
    let pairs = (0..all.len()).flat_map(|a| (a + 1..all.len()).map(move |b| [a, b]));
    pairs
        .filter_map(|pair| disagreement(pair, &all, &joined))
        .max_by(|a, b| a.excess().total_cmp(&b.excess()))
}

impl Disagreement {
    /// By how much they are farther apart than is allowed, as a ratio.
    fn excess(&self) -> f64 {
        let ratios =
            self.by.iter().zip(&self.allowed).map(|(by, allowed)| by / allowed.max(f64::MIN_POSITIVE));
        ratios.fold(0.0, f64::max)
    }
}

/// ln of the ratio of neighbouring frequencies, on average.
fn step(piece: &Samples) -> f64 {
    let ends = piece.frequency_hz().first().zip(piece.frequency_hz().last());
    ends.map_or(0.0, |(from, to)| (to / from).ln() / piece.len().saturating_sub(1).max(1) as f64)
}

/// The piece that a frequency is taken from.
fn owner(pieces: &[Samples], hz: f64) -> usize {
    let ends = |piece: &Samples| Some((*piece.frequency_hz().first()?, *piece.frequency_hz().last()?));
    let reaching = pieces.iter().enumerate().filter_map(|(k, piece)| {
        let (from, to) = ends(piece)?;
        (from <= hz && hz <= to).then(|| (k, step(piece), (hz / from).ln().min((to / hz).ln())))
    });
    let better = |best: (usize, f64, f64), new: (usize, f64, f64)| {
        let is_denser = new.1 * DENSER < best.1;
        let is_sparser = best.1 * DENSER < new.1;
        if is_denser || !is_sparser && new.2 > best.2 { new } else { best }
    };
    reaching.reduce(better).map_or(0, |(k, ..)| k)
}

/// Where two pieces are farther apart than is allowed, the worst place.
fn disagreement(pair: [usize; 2], all: &[Analysed], joined: &Analysed) -> Option<Disagreement> {
    let [a, b] = [all.get(pair[0])?, all.get(pair[1])?];
    let (one, other) = (a.curve.span(), b.curve.span());
    let overlap = Span { from: one.from.max(other.from), to: one.to.min(other.to) };
    let places = || a.curve.ln_f().iter().chain(b.curve.ln_f()).copied().filter(|x| overlap.holds(*x));
    let count = places().count();
    if overlap.from > overlap.to || count == 0 {
        return None;
    }
    // Bound of the normal distribution's tail, exp(-k^2/2), over all comparisons of gain and phase.
    let coverage = (2.0 * (2.0 * count as f64 / BY_CHANCE).ln()).sqrt();
    let found = places().map(|x| {
        let (p, q) = (a.curve.at(x), b.curve.at(x));
        let (u, v) = (open(a, joined, x), open(b, joined, x));
        Disagreement {
            pieces: pair,
            at_hz: x.exp(),
            by: [db((p.ln_mag - q.ln_mag).abs()), wrap(p.angle - q.angle).abs().to_degrees()],
            allowed: [
                db(coverage * u.ln_mag.hypot(v.ln_mag)),
                (coverage * u.angle.hypot(v.angle)).to_degrees(),
            ],
        }
    });
    found.max_by(|a, b| a.excess().total_cmp(&b.excess())).filter(|worst| worst.excess() > 1.0)
}

/// Standard uncertainties of a piece's curve at a place. A piece of too few points to know its noise has that of the joined sweep.
fn open(piece: &Analysed, joined: &Analysed, x: f64) -> LocalError {
    let noise = if piece.noise.is_known() {
        piece.noise.at(&piece.curve, x)
    } else {
        joined.noise.at(&joined.curve, x)
    };
    let rounding = piece.rounding_at(x);
    let gap = piece.curve.interpolation_error(x);
    // Rounding of the arithmetic; files of many digits have no less.
    let least = 1e-9;
    let all =
        |noise: f64, rounding: f64, gap: f64| (noise.hypot(rounding)).hypot(gap / 3f64.sqrt()).max(least);
    LocalError {
        ln_mag: all(noise.ln_mag, rounding.ln_mag, gap.ln_mag),
        angle: all(noise.angle, rounding.angle, gap.angle),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::noise::simulated_noise::samples;

    fn grid(from: f64, to: f64, per_decade: f64) -> Vec<f64> {
        let count = ((to / from).log10() * per_decade).round() as i32;
        (0..=count).map(|k| from * 10f64.powf(f64::from(k) / per_decade)).collect()
    }

    fn piece(from: f64, to: f64, per_decade: f64, noise: f64, offset: [f64; 2], seed: u64) -> Samples {
        let shape = |x: f64| {
            [
                offset[0] - x - 0.5 * (1.0 + (x - 4.0).exp().powi(2)).ln(),
                offset[1] - 1.5 - (x - 4.0).exp().atan(),
            ]
        };
        samples(&grid(from, to, per_decade), &shape, &|_| [noise; 2], seed)
    }

    #[test]
    fn pieces_in_any_order_become_one_rising_sweep() {
        let low = piece(10.0, 2e3, 40.0, 0.0, [0.0; 2], 1);
        let high = piece(1e3, 1e5, 40.0, 0.0, [0.0; 2], 2);
        let (mut one, mut other) = (Samples::default(), Samples::default());
        assert_eq!(join(&[low.clone(), high.clone()], &mut one), None);
        assert_eq!(join(&[high, low], &mut other), None);
        assert_eq!(one, other);
        assert!(one.frequency_hz().windows(2).all(|w| w[0] < w[1]));
        assert_eq!([one.frequency_hz()[0], *one.frequency_hz().last().unwrap()].map(f64::round), [10.0, 1e5]);
        let steps: Vec<f64> = one.frequency_hz().windows(2).map(|w| (w[1] / w[0]).log10() * 40.0).collect();
        assert!(steps.iter().all(|step| (0.25..1.5).contains(step)), "{steps:?}");
    }

    #[test]
    fn a_close_look_replaces_its_range_and_a_gap_stays_one() {
        let coarse = piece(10.0, 1e5, 10.0, 0.0, [0.0; 2], 1);
        let close = piece(800.0, 1.3e3, 200.0, 0.0, [0.0; 2], 2);
        let mut joined = Samples::default();
        assert_eq!(join(&[coarse.clone(), close.clone()], &mut joined), None);
        let inside = joined.frequency_hz().iter().filter(|hz| (800.0..=1.3e3).contains(*hz)).count();
        assert_eq!(inside, close.len());
        let far = piece(2e5, 1e6, 10.0, 0.0, [0.0; 2], 3);
        assert_eq!(join(&[far.clone(), coarse.clone()], &mut joined), None);
        assert_eq!(joined.len(), far.len() + coarse.len());
    }

    #[test]
    fn noise_is_let_pass_and_a_change_is_not() {
        let mut false_alarms = 0;
        for seed in 0..200 {
            let low = piece(10.0, 3e3, 40.0, 0.01, [0.0; 2], 2 * seed);
            let high = piece(1e3, 1e5, 50.0, 0.01, [0.0; 2], 2 * seed + 1);
            false_alarms += usize::from(join(&[low, high], &mut Samples::default()).is_some());
        }
        assert!(false_alarms <= 2, "{false_alarms} of 200");
        for (offset, what) in [([0.06, 0.0], 0), ([0.0, 0.06], 1)] {
            let mut found = 0;
            for seed in 0..40 {
                let low = piece(10.0, 3e3, 40.0, 0.01, [0.0; 2], 2 * seed);
                let high = piece(1e3, 1e5, 50.0, 0.01, offset, 2 * seed + 1);
                let told = join(&[low, high], &mut Samples::default());
                found +=
                    usize::from(told.is_some_and(|d| {
                        d.by[what] > d.allowed[what] && (1e3..=3e3).contains(&d.at_hz.round())
                    }));
            }
            assert!(found >= 38, "{what}: {found} of 40");
        }
        // A whole turn is none.
        let turned = piece(1e3, 1e5, 50.0, 0.0, [0.0, std::f64::consts::TAU], 1);
        assert_eq!(join(&[piece(10.0, 3e3, 40.0, 0.0, [0.0; 2], 1), turned], &mut Samples::default()), None);
    }
}
