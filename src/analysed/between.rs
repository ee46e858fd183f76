//! What a resonance as narrow as the steps does between the points, where the curve through them does not show it.
//!
//! The samples about each interval are held against the function with one pole through them (`curve/one_pole.rs`). Where that leaves the
//! curve by more than its noise, the peak or the notch between the points may be where it says. Of windows of four samples to the left, about and
//! to the right of an interval the one that says least beyond its noise counts: beside a step of the measurement they contradict each other.

use super::Analysed;
use crate::curve::{LocalError, OnePole, wrap};

/// Bend of four samples, neper and rad, below which nothing sharp is beside them. Near a simple resonance of half-width w, points h apart
/// bend by 2 (h/w)^3 and the cubic is off by 0.14 (h/w)^4: 0.02 leaves 0.003 dB.
const BENT: f64 = 0.02;
/// The same in standard deviations of a sample's noise: by chance one in 130, since a third difference has 4.5 of its own in each part.
const BENT_NOISE: f64 = 14.0;
/// Standard deviations of its noise by which the function must leave the curve; by chance exp(-4).
const SURE: f64 = 2.0;
/// The same where a sweep is refused for it.
const CERTAIN: f64 = 4.0;
/// Places looked at between two points, beside that of the pole.
const PLACES: usize = 8;

/// What a place between two points may hold.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sharp {
    /// The place, ln(f/Hz).
    pub ln_f: f64,
    /// ln of the magnitude that a resonance there has.
    pub ln_mag: f64,
    /// Its angle from the critical point's direction, rad.
    pub angle: f64,
    /// How far the curve is from that.
    pub open: LocalError,
    /// That in standard deviations of its noise, squared.
    sure: f64,
}

impl Sharp {
    /// Whether it is beyond doubt that the curve is not what is there; by chance exp(-16).
    #[must_use]
    pub fn is_sure(&self) -> bool {
        self.sure > CERTAIN * CERTAIN
    }
}

/// What the samples of an interval say.
struct Beside<'a> {
    sweep: &'a Analysed,
    windows: [Option<(usize, OnePole)>; 3],
}

impl Analysed {
    /// What the curve may be off by at a frequency, where a resonance is as narrow as the steps.
    #[must_use]
    pub fn sharp_at(&self, ln_f: f64) -> Option<Sharp> {
        let beside = Beside::of(self, self.curve.interval(ln_f))?;
        beside.at(ln_f)
    }

    /// Finds all such places between the points; none where the noise is not known.
    pub(super) fn find_sharp(&mut self) {
        let mut found = std::mem::take(&mut self.sharp);
        found.clear();
        let x = if self.noise.is_known() { self.raw.ln_f() } else { &[] };
        for i in 0..x.len().saturating_sub(1) {
            let Some(beside) = Beside::of(self, i) else { continue };
            let (Some(&from), Some(&to)) = (x.get(i), x.get(i + 1)) else { continue };
            let even = (1..PLACES).map(|k| from + (to - from) * k as f64 / PLACES as f64);
            let poles = beside.windows.iter().flatten().map(|(_, own)| own.at());
            let places = even.chain(poles.filter(|x| (from..to).contains(x)));
            found.extend(places.filter_map(|ln_f| beside.at(ln_f)));
        }
        self.sharp = found;
    }

    /// Variance of a sample, neper and rad: of its noise, and of what its digits leave.
    fn variance_of_sample(&self, i: usize) -> f64 {
        let sigma = self.noise.sigma().get(i).copied().unwrap_or(0.0);
        let [gain, phase] = self.steps;
        sigma * sigma + gain.max(phase).powi(2) / 12.0
    }
}

impl<'a> Beside<'a> {
    /// `None` where the samples beside the interval do not bend, or one of them is a spike.
    fn of(sweep: &'a Analysed, i: usize) -> Option<Self> {
        let mut bent = false;
        let mut windows = [None; 3];
        let mut nodes = [i.checked_sub(2), i.checked_sub(1), Some(i)];
        for first in &mut nodes {
            *first = first.filter(|first| first + 4 <= sweep.raw.len());
            bent |= first.is_some_and(|first| is_bent(sweep, first));
        }
        if !bent {
            return None;
        }
        for (window, first) in windows.iter_mut().zip(nodes) {
            let Some(first) = first else { continue };
            if sweep.noise.spikes().iter().any(|spike| (first..first + 4).contains(&spike.index)) {
                return None;
            }
            *window = OnePole::through(&sweep.raw, first).map(|own| (first, own));
        }
        Some(Self { sweep, windows })
    }

    /// What the window says that says least, of those that say something.
    fn at(&self, ln_f: f64) -> Option<Sharp> {
        let curve = self.sweep.curve.at(ln_f);
        let mut least: Option<(f64, Sharp)> = None;
        for (first, own) in self.windows.iter().flatten() {
            let Some(told) = own.told(ln_f) else { continue };
            let (gain, phase) = (told.ln_mag - curve.ln_mag, wrap(told.angle - curve.angle));
            let size = gain * gain + phase * phase;
            let noise = |k: usize| self.sweep.variance_of_sample(first + k);
            let noise: f64 = told.weights.iter().enumerate().map(|(k, weight)| weight * noise(k)).sum();
            // Both parts have that much.
            let sure = size / (2.0 * noise).max(f64::MIN_POSITIVE);
            if sure < SURE * SURE {
                continue;
            }
            if least.is_none_or(|(known, _)| size < known) {
                let open = LocalError { ln_mag: gain.abs(), angle: phase.abs() };
                let angle = curve.angle + phase;
                least = Some((size, Sharp { ln_f, ln_mag: told.ln_mag, angle, open, sure }));
            }
        }
        least.map(|(_, sharp)| sharp)
    }
}

fn is_bent(sweep: &Analysed, first: usize) -> bool {
    let bend = |values: &[f64]| match values.get(first..first + 4) {
        Some(&[a, b, c, d]) => (d - a) - 3.0 * (c - b),
        _ => 0.0,
    };
    let (gain, phase) = (bend(sweep.raw.ln_mag()), bend(sweep.raw.angle()));
    let least = (BENT * BENT).max(BENT_NOISE * BENT_NOISE * sweep.variance_of_sample(first + 1));
    gain * gain + phase * phase > least
}

#[cfg(test)]
mod tests {
    use crate::noise::simulated_noise::{grid, line, resonance, sweep};

    /// Largest ln of the magnitude between the points near a resonance at `at` times 1 kHz, and what the curve has there.
    fn peaks(quality: f64, at: f64, noise: f64, seed: u64) -> (f64, f64) {
        let shape = |x: f64| {
            let [gain, phase] = resonance(x - at.ln(), quality);
            [gain - x, phase - 1.0]
        };
        let own = sweep(&grid(30), &shape, &|_| [noise; 2], seed);
        let near = own.sharp_in(own.curve.span()).filter(|sharp| (sharp.ln_f - (1e3 * at).ln()).abs() < 0.1);
        let told = near.map(|sharp| sharp.ln_mag).fold(f64::MIN, f64::max);
        let from = (1e3 * at).ln() - 0.1;
        let curve = (0..=100).map(|k| own.curve.at(from + 0.002 * f64::from(k)).ln_mag);
        (told, curve.fold(f64::MIN, f64::max))
    }

    /// A quality of 15 has a half-width of 0.033 in ln f, the points lie 0.077 apart. In the middle between two of them (10^(1/60)) the peak
    /// has the value of the quality, and the curve is 3 dB below it and more.
    #[test]
    fn a_peak_between_the_points_is_told() {
        let middle = 10f64.powf(1.0 / 60.0);
        let (told, curve) = peaks(15.0, middle, 0.0, 0);
        let exact = 15f64.ln() - middle.ln();
        assert!((told - exact).abs() < 0.05, "{told} {exact}");
        assert!(curve < exact - 0.3, "{curve} {exact}");
    }

    #[test]
    fn a_smooth_curve_and_its_noise_hold_none() {
        let of = |noise: f64, seed: u64| {
            let own = sweep(&grid(50), &line, &|_| [noise; 2], seed);
            own.sharp_in(own.curve.span()).filter(|sharp| sharp.is_sure()).count()
        };
        assert_eq!(of(0.0, 0), 0);
        let by_chance = (0..100).map(|seed| of(0.02, seed)).filter(|count| *count > 0).count();
        assert!(by_chance <= 5, "{by_chance}");
    }

    /// A gain that steps up by 6 dB between two points has no peak there: the curve may be anything between both sides.
    #[test]
    fn a_step_is_no_resonance() {
        let shape = |x: f64| [-x + if x > 0.03 { 0.69 } else { 0.0 }, 1.0];
        let own = sweep(&grid(30), &shape, &|_| [1e-6; 2], 1);
        let above = own.sharp_in(own.curve.span()).map(|sharp| sharp.ln_mag - (-(sharp.ln_f - 1e3_f64.ln())));
        let most = above.fold(f64::MIN, f64::max);
        assert!(most < 0.69 + 0.1, "{most}");
    }
}
