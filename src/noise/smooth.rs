//! The local fit: each sample is replaced by the value of a cubic fitted by least squares to the samples around it
//! (local polynomial regression: J. Fan and I. Gijbels, Local Polynomial Modelling and Its Applications, 1996: from
//! memory).
//!
//! How many samples a fit takes is chosen block by block from the data. A window is taken as long as it agrees, within
//! the noise, with one of half its width; then one step less, so that what bias is left is small beside the noise.
//! Where the curve bends faster than its noise hides, as it does without noise, the samples stay as they are and the
//! curve is their interpolation.

use super::grid::{Grid, HALF_OF, LADDER, STRIDE};
use super::level::{BLOCK, Level, Power};
use super::spikes::{Spike, mend};
use crate::curve::{Curve, LocalError};
use std::sync::Arc;

/// Squared difference of two windows, over what the noise makes of it, up to which they agree. It is 1 on average
/// without bias and varies by about 0.5.
const AGREE: f64 = 3.0;
/// Noise below this, neper, moves nothing that is reported.
const SILENT: f64 = 1e-7;
/// Blocks about a growing one whose sums it reads, with one to spare: the longest half window.
const NEAR: usize = LONGEST_HALF / BLOCK + 1;
/// Grids that are kept: the levels of a corner may have one each.
const KEPT: usize = 4;
/// Longest window that the ladder has, with the three samples that an interpolation reaches beyond.
const LONGEST: usize = 2 * LONGEST_HALF + 1 + 8;
/// The longest half window of the ladder.
pub(crate) const LONGEST_HALF: usize = 24;

/// What is known of a sweep's noise, and how its curve was smoothed.
#[derive(Debug, Clone, Default)]
pub struct Noise {
    grid: Option<Arc<Grid>>,
    known: bool,
    level: Level,
    sigma: Vec<f64>,
    shares: [f64; 2],
    rungs: Vec<u8>,
    fit: Vec<f64>,
    spikes: Vec<Spike>,
}

impl Noise {
    /// Whether there were enough samples to tell.
    #[must_use]
    pub fn is_known(&self) -> bool {
        self.known
    }

    /// Standard deviation of each sample, relative (neper and rad), gain and phase pooled.
    #[must_use]
    pub fn sigma(&self) -> &[f64] {
        &self.sigma
    }

    /// Standard uncertainty from noise of the smoothed curve at each sample, relative (neper and rad), gain and phase
    /// pooled; Student's correction included.
    #[must_use]
    pub fn fit(&self) -> &[f64] {
        &self.fit
    }

    /// What the pooled values are multiplied with for gain and for phase.
    #[must_use]
    pub fn shares(&self) -> [f64; 2] {
        self.shares
    }

    /// Samples that stand out; the smoothed curve does not follow them.
    #[must_use]
    pub fn spikes(&self) -> &[Spike] {
        &self.spikes
    }

    /// Samples on each side that the fit at sample `i` takes; 0: the sample itself.
    #[must_use]
    pub fn half_width(&self, i: usize) -> usize {
        self.rungs.get(i).and_then(|&rung| LADDER.get(usize::from(rung))).copied().unwrap_or(0)
    }

    /// Standard uncertainty from noise of the smoothed curve at any frequency, neper and rad: the weights of all samples
    /// that the interpolated value hangs on, squared and summed.
    #[must_use]
    pub fn at(&self, curve: &Curve, ln_f: f64) -> LocalError {
        let Some(grid) = &self.grid else { return LocalError::default() };
        let nodes = curve.nodes(ln_f);
        let mut weights = [0.0; LONGEST];
        let mut base = usize::MAX;
        for (i, _) in nodes.clone() {
            let from = grid.fits(self.rung(i)).map_or(i, |fits| fits.row(i).0);
            base = base.min(from);
        }
        for (i, node) in nodes {
            match grid.fits(self.rung(i)) {
                None => {
                    if let Some(weight) = weights.get_mut(i - base) {
                        *weight += node;
                    }
                }
                Some(fits) => {
                    let (from, row) = fits.row(i);
                    let held = weights.get_mut(from - base..).unwrap_or(&mut []);
                    held.iter_mut().zip(row).for_each(|(sum, w)| *sum += node * w);
                }
            }
        }
        let sigma = self.sigma.get(base..).unwrap_or(&[]);
        let variance: f64 = weights.iter().zip(sigma).map(|(w, s)| (w * s).powi(2)).sum();
        let pooled = variance.sqrt() * student(self.level.dof(ln_f));
        LocalError { ln_mag: pooled * self.shares[0], angle: pooled * self.shares[1] }
    }

    /// Errors of the smoothed curve at a part of the samples, neper and rad, that standard normal `draws` at all samples
    /// make.
    pub(crate) fn disturb(
        &self,
        part: std::ops::Range<usize>,
        draws: &[[f64; 2]],
        errors: &mut Vec<[f64; 2]>,
    ) {
        errors.clear();
        let [gain, phase] = self.shares;
        let scaled = |j: usize, weight: f64| {
            let (sigma, draw) =
                (self.sigma.get(j).copied().unwrap_or(0.0), draws.get(j).copied().unwrap_or([0.0; 2]));
            [weight * sigma * draw[0], weight * sigma * draw[1]]
        };
        errors.extend(part.map(|i| {
            let fits = self.grid.as_ref().and_then(|grid| grid.fits(self.rung(i)));
            let [a, p] = match fits {
                None => scaled(i, 1.0),
                Some(fits) => {
                    let (from, row) = fits.row(i);
                    row.iter().enumerate().fold([0.0; 2], |[a, p], (k, weight)| {
                        let [b, q] = scaled(from + k, *weight);
                        [a + b, p + q]
                    })
                }
            };
            [gain * a, phase * p]
        }));
    }

    fn rung(&self, i: usize) -> usize {
        self.rungs.get(i).map_or(0, |&rung| usize::from(rung))
    }
}

/// By how much an interval of twice the standard uncertainty must be widened when that comes from few degrees of freedom:
/// quantile of Student's distribution over that of the normal one at 2 (Abramowitz and Stegun, 26.7.5: from memory;
/// JCGM 100:2008, G.3).
fn student(dof: f64) -> f64 {
    let u = 1.0 / dof.max(1.0);
    1.0 + u * (1.25 + u * (147.0 / 96.0 + u * 549.0 / 384.0))
}

/// Scatter of repeats of one measurement about their mean, on the mean's samples.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Repeats {
    /// Squared standard error of the mean at each sample: ln of the magnitude, phase.
    pub(crate) powers: Vec<Power>,
    /// Degrees of freedom at each sample, gain and phase together.
    pub(crate) dof: f64,
}

impl Repeats {
    /// Forgets the repeats of another measurement.
    pub fn clear(&mut self, count: usize) {
        self.powers.clear();
        self.dof = 2.0 * (count.max(2) - 1) as f64;
    }

    /// Adds a sample: squared standard errors of the mean of ln of the magnitude and of the phase.
    pub fn push(&mut self, ln_mag: f64, angle: f64) {
        self.powers.push(Power { ln_mag, angle });
    }
}

/// Estimates the noise of sweeps and smooths them. Memory is reused from sweep to sweep, weights as long as the grid
/// stays the same.
#[derive(Debug, Clone, Default)]
pub struct Smoother {
    grids: Vec<Arc<Grid>>,
    powers: Vec<Power>,
    residuals: Vec<Power>,
    y: Vec<[f64; 2]>,
    fits: Vec<Vec<[f64; 2]>>,
    sums: Vec<(f64, f64)>,
    blocks: Vec<u8>,
}

impl Smoother {
    /// Smooths `raw` into `smooth` and fills `noise`.
    pub fn smooth(&mut self, raw: &Curve, repeats: Option<&Repeats>, noise: &mut Noise, smooth: &mut Curve) {
        let n = raw.len();
        let grid = self.grid(raw);
        self.y.clear();
        self.y.extend(raw.ln_mag().iter().zip(raw.angle()).map(|(a, p)| [*a, *p]));
        let from_samples = noise.level.from_differences(&grid, raw.ln_f(), &self.y, &mut self.powers);
        noise.known = match repeats {
            Some(repeats) => noise.level.from_repeats(raw.ln_f(), &repeats.powers, repeats.dof),
            None => from_samples,
        };
        noise.shares = if noise.known { noise.level.shares() } else { [1.0, 1.0] };
        noise.level.spread(raw.ln_f(), &mut noise.sigma);
        noise.rungs.clear();
        noise.rungs.resize(n, 0);
        noise.spikes.clear();
        if noise.known {
            mend(raw, &self.powers, &noise.sigma, &mut self.y, &mut noise.spikes);
            self.choose(&grid, noise);
        }
        self.apply(&grid, noise);
        if noise.known && repeats.is_none() {
            let norm2 = |i: usize| grid.norm2(noise.rungs.get(i).map_or(0, |&rung| usize::from(rung)), i);
            // After smoothing, the first buffer holds the samples.
            let smoothed = noise.rungs.iter().any(|rung| *rung > 0);
            let samples = if smoothed { self.fits.first() } else { None };
            if let Some(samples) = samples {
                noise.level.from_residuals(
                    raw.ln_f(),
                    samples,
                    &self.y,
                    &self.powers,
                    norm2,
                    &mut self.residuals,
                );
                noise.level.spread(raw.ln_f(), &mut noise.sigma);
            }
        }
        noise.fit.clear();
        let factors = noise.rungs.iter().enumerate().map(|(i, &rung)| grid.norm2(usize::from(rung), i));
        noise.fit.extend(factors.zip(&noise.sigma).map(|(norm2, sigma)| sigma * norm2.sqrt()));
        for (fit, x) in noise.fit.chunks_mut(BLOCK).zip(raw.ln_f().chunks(BLOCK)) {
            let factor = x.first().map_or(1.0, |x| student(noise.level.dof(*x)));
            fit.iter_mut().for_each(|fit| *fit *= factor);
        }
        noise.grid = Some(grid);
        smooth.follow(raw, &self.y);
    }

    /// The weights for the curve's grid, kept or new.
    fn grid(&mut self, raw: &Curve) -> Arc<Grid> {
        match self.grids.iter().position(|grid| grid.is_of(raw.frequency_hz())) {
            Some(i) => {
                self.grids.swap(0, i);
            }
            None => {
                self.grids.truncate(KEPT - 1);
                self.grids.insert(0, Arc::new(Grid::new(raw.frequency_hz(), raw.ln_f())));
            }
        }
        self.grids.first().cloned().unwrap_or_default()
    }

    /// Chooses the rung of every sample, block by block.
    fn choose(&mut self, grid: &Grid, noise: &mut Noise) {
        let n = self.y.len();
        let blocks = n.div_ceil(BLOCK);
        self.blocks.clear();
        self.blocks.resize(blocks, 0);
        // Whitened: gain and phase weigh by their own noise.
        let [a, p] = noise.shares.map(|share| 1.0 / share.max(1e-9).powi(2));
        let most = self.powers_of_silence(noise);
        for (b, silent) in most.iter().enumerate() {
            if *silent && let Some(rung) = self.blocks.get_mut(b) {
                *rung = u8::MAX;
            }
        }
        self.fits.resize_with(LADDER.len(), Vec::new);
        let mut near = Vec::with_capacity(blocks);
        for rung in 1..grid.rungs() {
            let Some(fits) = grid.fits(rung) else { break };
            let half_of = HALF_OF.get(rung).copied().unwrap_or(0);
            let stride = STRIDE.get(rung).copied().unwrap_or(1);
            let (below, from_here) = self.fits.split_at_mut(rung);
            let Some(values) = from_here.first_mut() else { break };
            values.resize(n, [0.0; 2]);
            self.sums.clear();
            self.sums.resize(blocks, (0.0, 0.0));
            let narrower = if half_of == 0 { Some(&self.y) } else { below.get(half_of) };
            near.clear();
            near.extend((0..blocks).map(|b| {
                let about =
                    self.blocks.get(b.saturating_sub(NEAR)..(b + NEAR + 1).min(blocks)).unwrap_or(&[]);
                about.iter().any(|&held| grows(held, rung))
            }));
            for i in (0..n).step_by(stride) {
                let block = i / BLOCK;
                if near.get(block) != Some(&true) {
                    continue;
                }
                let value = fit_at(fits, i, &self.y);
                if let Some(slot) = values.get_mut(i) {
                    *slot = value;
                }
                let (Some(other), Some(sigma)) = (narrower.and_then(|y| y.get(i)), noise.sigma.get(i)) else {
                    continue;
                };
                let d2 = a * (value[0] - other[0]).powi(2) + p * (value[1] - other[1]).powi(2);
                let expected = 2.0 * sigma * sigma * (grid.norm2(half_of, i) - fits.norm2(i)).max(0.0);
                if let Some(sum) = self.sums.get_mut(block) {
                    sum.0 += d2 / (sigma * sigma).max(f64::MIN_POSITIVE);
                    sum.1 += expected / (sigma * sigma).max(f64::MIN_POSITIVE);
                }
            }
            let reach = LADDER.get(rung).map_or(1, |half| half.div_ceil(BLOCK));
            let mut grown = false;
            for b in 0..blocks {
                if !self.blocks.get(b).is_some_and(|&held| grows(held, rung)) {
                    continue;
                }
                let window =
                    self.sums.get(b.saturating_sub(reach)..(b + reach + 1).min(blocks)).unwrap_or(&[]);
                let (seen, expected) = window.iter().fold((0.0, 0.0), |(s, e), w| (s + w.0, e + w.1));
                if expected > 0.0
                    && seen <= AGREE * expected
                    && let Some(held) = self.blocks.get_mut(b)
                {
                    *held = u8::try_from(rung).unwrap_or(0);
                    grown = true;
                }
            }
            if !grown {
                break;
            }
        }
        self.settle(noise);
    }

    /// Blocks whose noise is too small to matter.
    fn powers_of_silence(&self, noise: &Noise) -> Vec<bool> {
        noise.sigma.chunks(BLOCK).map(|sigma| sigma.iter().all(|s| *s < SILENT)).collect()
    }

    /// One step less than what agreed, and no jumps from block to block.
    fn settle(&mut self, noise: &mut Noise) {
        self.blocks
            .iter_mut()
            .for_each(|rung| *rung = if *rung == u8::MAX { 0 } else { rung.saturating_sub(1) });
        let mut limit = |order: &mut dyn Iterator<Item = usize>| {
            let mut before = u8::MAX - 1;
            for b in order {
                if let Some(rung) = self.blocks.get_mut(b) {
                    *rung = (*rung).min(before + 1);
                    before = *rung;
                }
            }
        };
        let blocks = noise.rungs.len().div_ceil(BLOCK);
        limit(&mut (0..blocks));
        limit(&mut (0..blocks).rev());
        for (rungs, chosen) in noise.rungs.chunks_mut(BLOCK).zip(&self.blocks) {
            rungs.fill(*chosen);
        }
    }

    /// Replaces the samples by their fits.
    fn apply(&mut self, grid: &Grid, noise: &Noise) {
        if noise.rungs.iter().all(|rung| *rung == 0) {
            return;
        }
        self.fits.resize_with(LADDER.len(), Vec::new);
        let Some(out) = self.fits.first_mut() else { return };
        out.clear();
        out.extend(noise.rungs.iter().enumerate().map(|(i, &rung)| match grid.fits(usize::from(rung)) {
            Some(fits) => fit_at(fits, i, &self.y),
            None => self.y.get(i).copied().unwrap_or([0.0; 2]),
        }));
        std::mem::swap(out, &mut self.y);
    }
}

/// Whether a block's window has agreed so far and may grow to this rung.
fn grows(held: u8, rung: usize) -> bool {
    held != u8::MAX && usize::from(held) + 1 == rung
}

/// The fit at sample `i`.
fn fit_at(fits: &super::grid::Fits, i: usize, y: &[[f64; 2]]) -> [f64; 2] {
    let (from, row) = fits.row(i);
    let window = y.get(from..from + row.len()).unwrap_or(&[]);
    row.iter().zip(window).fold([0.0; 2], |[a, p], (w, y)| [a + w * y[0], p + w * y[1]])
}
