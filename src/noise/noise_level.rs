//! How large the noise is along a sweep.
//!
//! Sixth differences of neighbouring samples hold the noise and hardly anything of a curve that the samples carry.
//! Their mean squares over short blocks, on a log scale, follow a local straight line in ln f: noise may fall with
//! frequency or rise again, but does so over many samples. A block far above its neighbours' line is a resonance or
//! a spike, not noise, and is left out.
//!
//! A mean square of normal residuals is distributed like chi-squared; the mean of its logarithm and its variance are
//! those of digamma and trigamma (M. Abramowitz and I. Stegun, Handbook of Mathematical Functions, 6.3.18, 6.4.12 and
//! 26.4: from memory).

use super::gain_phase::Columns;
use super::grid::{DIFFERENCE, Grid};
use super::receivers::Shape;
use super::replicates::Evidence;
use super::residuals::{BLOCK, Power};
use crate::curve::Curve;

/// Most blocks to each side that the local line uses.
const REACH: usize = 3;
/// Degrees of freedom that are enough: with more, Student's correction is below 4 %.
const ENOUGH: f64 = 36.0;
/// Neighbouring sixth differences share samples: the sum of their squared correlations, C(24,12)/C(12,6)^2, is how many
/// of them are worth one that is independent.
const SHARED: f64 = 2_704_156.0 / 853_776.0;
/// A block this far above the line of its neighbours, in ln of the variance, is structure: three standard deviations
/// of a block.
const STRUCTURE: f64 = 2.2;
/// And this far below: a stretch of rounded, repeated values.
const FLAT: f64 = 4.0;
/// Steepest change of ln of the variance over ln f that noise is taken to have: -80 dB per decade, twice that of a loop gain with
/// two integrators.
const STEEPEST: f64 = 8.0;
/// The noise that a sweep's own differences show counts against what others say of it when its variance is smaller by this, in its
/// logarithm: half of the standard deviation, two standard errors of a block.
pub(super) const CLEARLY: f64 = 1.4;
/// Smallest noise that is told from rounding: variance, neper^2.
const LEAST: f64 = 1e-26;

/// Noise of one block.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
struct Block {
    /// Mean ln f.
    x: f64,
    /// ln of the mean square, freed of the bias of the logarithm.
    ln_s2: f64,
    /// ln of the ratio of the mean squares of gain and phase.
    ln_ratio: f64,
    /// Degrees of freedom.
    dof: f64,
    /// Variance of `ln_s2`.
    variance: f64,
}

/// The noise estimate along a sweep.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct Level {
    blocks: Vec<Block>,
    /// Centre, standard deviation and degrees of freedom of each block after the local line.
    line: Vec<(f64, f64, f64)>,
    rough: Vec<f64>,
    sorted: Vec<f64>,
    /// What the noise is held against: blocks and lines are multiples of it.
    shape: Shape,
    /// By how much correlation from sample to sample hides noise from differences.
    hidden: f64,
    /// Place and ln of the variance of the blocks of the samples' own differences, where there is better evidence.
    own: Vec<(f64, f64)>,
}

impl Level {
    /// From the residuals of the samples themselves; [`Self::draw_lines`] or [`Self::by_evidence`] is next. `false` when there are too few
    /// samples to tell.
    pub(crate) fn by_differences(
        &mut self,
        grid: &Grid,
        curve: &Curve,
        y: &Columns,
        powers: &mut Vec<Power>,
    ) -> bool {
        self.hidden = 1.0;
        powers.clear();
        powers.extend(grid.difference().iter().enumerate().map(|(start, weights)| {
            let [a, p] = y.weighted(start, weights);
            Power { ln_mag: a * a, angle: p * p }
        }));
        self.shape.choose(curve, powers, DIFFERENCE / 2, false);
        self.fill(curve.ln_f(), powers, DIFFERENCE / 2, |_| 2.0 / SHARED)
    }

    /// From what the samples leave their smoothed curve by, which tells more than differences do. `differences` are the
    /// powers of [`Self::by_differences`], taken where a sample is not smoothed; `norm2` is the variance of the curve at
    /// a sample per variance of a sample, 1 where it is not smoothed.
    pub(crate) fn by_residuals(
        &mut self,
        ln_f: &[f64],
        y: &Columns,
        smooth: &Columns,
        differences: &[Power],
        norm2: &[f64],
        residuals: &mut Vec<Power>,
    ) {
        residuals.clear();
        let gains = y.gain().iter().zip(smooth.gain()).map(|(y, s)| (y - s) * (y - s));
        let phases = y.phase().iter().zip(smooth.phase()).map(|(y, s)| (y - s) * (y - s));
        residuals.extend(gains.zip(phases).zip(norm2).enumerate().map(|(i, ((gain, phase), norm2))| {
            if *norm2 >= 1.0 {
                let near = i.saturating_sub(DIFFERENCE / 2).min(differences.len().saturating_sub(1));
                return differences.get(near).copied().unwrap_or_default();
            }
            // A fit by least squares leaves 1 - norm2 of the variance.
            let whole = 1.0 / (1.0 - norm2);
            Power { ln_mag: gain * whole, angle: phase * whole }
        }));
        self.fill(ln_f, residuals, 0, |i| match norm2.get(i) {
            Some(norm2) if *norm2 < 1.0 => 2.0 * (1.0 - norm2),
            _ => 2.0 / SHARED,
        });
        self.redraw_lines();
    }

    /// From what other sweeps of the same loop show, after [`Self::by_differences`]. A curve that bends more than its differences
    /// can follow makes those too large, and so does another sweep that is worse than this one: in each place the smaller counts,
    /// where the two clearly differ.
    pub(crate) fn by_evidence(&mut self, curve: &Curve, evidence: &Evidence) -> bool {
        self.own.clear();
        // Repeats that scatter as a whole do not show it in differences of neighbours: they have the last word.
        let from_twin = evidence.other.len() > 0;
        let absolute = |shape: &Shape, x: f64| 2.0 * shape.of_sample(curve.interval(x)).ln();
        let blocks = self.blocks.iter().filter(|_| from_twin);
        self.own.extend(blocks.map(|block| (block.x, block.ln_s2 + absolute(&self.shape, block.x))));
        self.shape.choose(curve, &evidence.powers, evidence.offset, true);
        let known = self.fill(curve.ln_f(), &evidence.powers, evidence.offset, |_| evidence.dof);
        for block in &mut self.blocks {
            let i = self.own.partition_point(|own| own.0 < block.x).min(self.own.len().saturating_sub(1));
            let Some(&(_, own)) = self.own.get(i) else { break };
            let own = own - absolute(&self.shape, block.x);
            if own < block.ln_s2 - CLEARLY {
                block.ln_s2 = own;
            }
        }
        self.draw_lines();
        self.hidden = evidence.hidden();
        known
    }

    /// Blocks of powers, the first of which belongs to sample `offset`.
    fn fill(&mut self, x: &[f64], powers: &[Power], offset: usize, dof: impl Fn(usize) -> f64) -> bool {
        let x = x.get(offset..).unwrap_or(&[]);
        self.blocks.clear();
        let count = powers.len() / BLOCK;
        if powers.len() < BLOCK / 2 {
            return false;
        }
        for b in 0..count.max(1) {
            let end = if b + 1 >= count { powers.len() } else { (b + 1) * BLOCK };
            let range = b * BLOCK..end;
            let (Some(x), Some(powers)) = (x.get(range.clone()), powers.get(range.clone())) else { continue };
            let n = powers.len() as f64;
            let whole = |i: usize| self.shape.per_unit(offset + b * BLOCK + i);
            let a = powers.iter().enumerate().map(|(i, p)| p.ln_mag * whole(i)).sum::<f64>() / n;
            let p = powers.iter().enumerate().map(|(i, p)| p.angle * whole(i)).sum::<f64>() / n;
            let dof = range.map(&dof).sum::<f64>();
            self.blocks.push(Block {
                x: x.iter().sum::<f64>() / n,
                ln_s2: (0.5 * (a + p)).max(LEAST).ln() + 1.0 / dof + 1.0 / (3.0 * dof * dof),
                ln_ratio: (a.max(LEAST) / p.max(LEAST)).ln(),
                dof,
                variance: trigamma(0.5 * dof),
            });
        }
        true
    }

    /// Lines through the neighbours of each block, resistant against structure.
    pub(crate) fn draw_lines(&mut self) {
        self.line.clear();
        for b in 0..self.blocks.len() {
            let (Some(own), range) = (self.blocks.get(b), window(&self.blocks, b)) else { continue };
            let near = self.blocks.get(range).unwrap_or(&[]);
            let rough = resistant_line(near, own.x);
            self.line.push(local_line(near, own.x, rough(own.x), near.iter().map(|block| rough(block.x))));
        }
    }

    /// Lines again, where those drawn before tell structure from noise.
    fn redraw_lines(&mut self) {
        // What the lines before say at each block: ln of the variance.
        self.rough.clear();
        let mut from = 0;
        for block in &self.blocks {
            while from + 2 < self.line.len() && self.line.get(from + 1).is_some_and(|next| next.0 <= block.x)
            {
                from += 1;
            }
            self.rough.push(match (self.line.get(from), self.line.get(from + 1)) {
                (Some(&(x0, s0, _)), Some(&(x1, s1, _))) => {
                    let part = ((block.x - x0) / (x1 - x0)).clamp(0.0, 1.0);
                    2.0 * (s0.ln() + part * (s1.ln() - s0.ln()))
                }
                (Some(&(_, s0, _)), None) => 2.0 * s0.ln(),
                _ => 0.0,
            });
        }
        self.line.clear();
        for b in 0..self.blocks.len() {
            let (Some(own), range) = (self.blocks.get(b), window(&self.blocks, b)) else { continue };
            let (near, rough) = (self.blocks.get(range.clone()), self.rough.get(range));
            let (near, rough) = (near.unwrap_or(&[]), rough.unwrap_or(&[]).iter().copied());
            self.line.push(local_line(near, own.x, self.rough.get(b).copied().unwrap_or(0.0), rough));
        }
    }

    /// Standard deviation about sample `i` / [`BLOCK`].
    pub(crate) fn of_block(&self, b: usize) -> f64 {
        let line = self.line.get(b.min(self.line.len().saturating_sub(1))).map_or(0.0, |line| line.1);
        line * self.shape.of_block(b)
    }

    /// Variance of sample `i` over that of its block.
    pub(crate) fn shape_of(&self, i: usize) -> f64 {
        self.shape.in_block(i)
    }

    /// Standard deviation at every sample: straight between the centres of the blocks.
    pub(crate) fn spread(&self, ln_f: &[f64], sigma: &mut Vec<f64>) {
        sigma.clear();
        let mut first = 0;
        for (b, &(x0, s0, _)) in self.line.iter().enumerate() {
            // The last two centres, or the only one, serve all that is left.
            let next = self.line.get(b + 1).map(|next| (next.0, next.1));
            let is_last = b + 2 >= self.line.len();
            let rest = ln_f.get(first..).unwrap_or(&[]);
            let to =
                next.filter(|_| !is_last).map_or(rest.len(), |(x1, _)| rest.partition_point(|x| *x < x1));
            let Some(part) = rest.get(..to) else { break };
            // Beyond the outer centres at most half a block: never down to nothing.
            let (slope, least) =
                next.map_or((0.0, s0), |(x1, s1)| ((s1 - s0) / (x1 - x0), 0.5 * f64::min(s0, s1)));
            sigma.extend(
                part.iter()
                    .zip(first..)
                    .map(|(x, i)| (s0 + slope * (x - x0)).max(least) * self.hidden * self.shape.of_sample(i)),
            );
            first += to;
            if is_last {
                break;
            }
        }
        sigma.resize(ln_f.len(), 0.0);
    }

    /// Degrees of freedom of the estimate at a place.
    pub(crate) fn dof(&self, ln_f: f64) -> f64 {
        let i = self.line.partition_point(|block| block.0 < ln_f);
        let near = [i.checked_sub(1), Some(i)].into_iter().flatten().filter_map(|i| self.line.get(i));
        near.map(|block| block.2).fold(f64::INFINITY, f64::min)
    }

    /// Standard deviations of gain and of phase as multiples of the common one; 1 and 1 unless they clearly differ, as
    /// when a file gives one of them with few digits.
    pub(crate) fn shares(&mut self) -> [f64; 2] {
        self.sorted.clear();
        self.sorted.extend(self.blocks.iter().map(|b| b.ln_ratio));
        self.sorted.sort_by(f64::total_cmp);
        let n = self.sorted.len();
        let Some(&median) = self.sorted.get(n / 2) else { return [1.0, 1.0] };
        // A mean square has the variance 2/dof in its logarithm; the two of a block share its degrees of freedom. The
        // median of n has pi/2 of the variance of their mean.
        let dof = self.blocks.iter().map(|b| b.dof).sum::<f64>() / n as f64;
        let sd = (2.0 * trigamma(0.25 * dof) * std::f64::consts::FRAC_PI_2 / n as f64).sqrt();
        if median.abs() < 3.0 * sd {
            return [1.0, 1.0];
        }
        let ratio = median.exp();
        [(2.0 * ratio / (1.0 + ratio)).sqrt(), (2.0 / (1.0 + ratio)).sqrt()]
    }
}

/// Trigamma by its asymptotic series, good to a per cent above 1 (Abramowitz and Stegun, 6.4.12: from memory).
fn trigamma(x: f64) -> f64 {
    let u = 1.0 / x;
    u * (1.0 + u * (0.5 + u * (1.0 / 6.0 - u * u / 30.0)))
}

/// The neighbours of block `b` that its line uses: as many as are enough.
fn window(blocks: &[Block], b: usize) -> std::ops::Range<usize> {
    let window = |reach: usize| {
        let from = b.saturating_sub(reach).min(blocks.len().saturating_sub(reach + 2));
        from..(b + reach + 1).max(reach + 2).min(blocks.len())
    };
    let enough = |range: &std::ops::Range<usize>| {
        let near = blocks.get(range.clone()).unwrap_or(&[]);
        near.iter().map(|block| block.dof).sum::<f64>() >= ENOUGH
    };
    (1..REACH).map(window).find(enough).unwrap_or_else(|| window(REACH))
}

/// Centre, standard deviation and degrees of freedom at `centre`, by a line through the blocks near it that are noise: not
/// too far from what is known roughly at each of them and, where none is left, at the centre (ln of the variance).
fn local_line(near: &[Block], centre: f64, known: f64, rough: impl Iterator<Item = f64>) -> (f64, f64, f64) {
    let width = near.last().zip(near.first()).map_or(1.0, |(last, first)| (last.x - first.x).max(1e-9));
    let per_step = (near.len().max(2) - 1) as f64 / width;
    let fade = 1.0 / (near.len() as f64 / 2.0 + 1.0);
    let mut weights = [0.0; 2 * REACH + 2];
    let (mut s0, mut s1, mut s2) = (0.0, 0.0, 0.0);
    for ((weight, block), rough) in weights.iter_mut().zip(near).zip(rough) {
        let d = block.x - centre;
        let off = block.ln_s2 - rough;
        if off < STRUCTURE && off > -FLAT {
            *weight = (1.0 - d.abs() * per_step * fade).max(0.1) * block.dof;
        }
        let w = *weight;
        s0 += w;
        s1 += w * d;
        s2 += w * d * d;
    }
    let det = s0 * s2 - s1 * s1;
    // The value of the line at the centre; of a mean where a line cannot be had.
    let (constant, slope) =
        if det > 1e-9 * s0 * s2 && s2 > 0.0 { (s2 / det, s1 / det) } else { (1.0 / s0, 0.0) };
    let (mut value, mut variance) = (0.0, 0.0);
    for (w, block) in weights.iter().zip(near) {
        let l = w * (constant - slope * (block.x - centre));
        value += l * block.ln_s2;
        variance += l * l * block.variance;
    }
    if !(s0 > 0.0 && value.is_finite()) {
        return (centre, (0.5 * known).exp(), 1.0);
    }
    (centre, (0.5 * value).exp(), (2.0 / variance).max(1.0))
}

/// A line through the outer thirds of the window, at the median of all residuals (J. W. Tukey's resistant line: from memory).
/// A third has at most two blocks and the smaller of two stands for it: noise is what is left when structure is gone.
fn resistant_line(window: &[Block], origin: f64) -> impl Fn(f64) -> f64 {
    let third = window.len() / 3;
    let smallest = |part: Option<&[Block]>| {
        let part = part.unwrap_or(&[]);
        let middle = part.iter().map(|b| b.x).sum::<f64>() / part.len().max(1) as f64;
        (middle, part.iter().map(|b| b.ln_s2).fold(f64::INFINITY, f64::min))
    };
    let ((x0, y0), (x1, y1)) = (smallest(window.get(..third)), smallest(window.get(window.len() - third..)));
    let slope = if x1 > x0 { ((y1 - y0) / (x1 - x0)).clamp(-STEEPEST, STEEPEST) } else { 0.0 };
    let mut rest = [f64::INFINITY; 2 * REACH + 2];
    for (slot, block) in rest.iter_mut().zip(window) {
        *slot = block.ln_s2 - slope * (block.x - origin);
    }
    rest.sort_unstable_by(f64::total_cmp);
    let level = rest.get(window.len().saturating_sub(1) / 2).copied().unwrap_or(0.0);
    move |x| level + slope * (x - origin)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::noise::simulated_noise::{analysed, grid, line, resonance, samples, sweep};

    /// Mean over seeds of ln(estimate / truth) at a sample.
    fn bias(shape: &dyn Fn(f64) -> [f64; 2], sigma: &dyn Fn(f64) -> f64, at: usize) -> f64 {
        let hz = grid(50);
        let truth = sigma((hz[at] / 1e3).ln());
        let of_seed = |seed| {
            let own = sweep(&hz, shape, &|x| [sigma(x); 2], seed);
            assert!(own.noise.is_known() && own.noise.shares() == [1.0, 1.0]);
            (own.noise.sigma()[at] / truth).ln()
        };
        (0..40).map(of_seed).sum::<f64>() / 40.0
    }

    #[test]
    fn constant_noise_is_found_all_along() {
        for at in [0, 3, 50, 100, 150, 197, 200] {
            let bias = bias(&line, &|_| 0.01, at);
            assert!(bias.abs() < 0.08, "{at}: {bias}");
        }
    }

    #[test]
    fn noise_that_falls_with_frequency_is_followed() {
        for at in [3, 50, 100, 150, 197] {
            let bias = bias(&line, &|x| 1e-3 * (-x).exp(), at);
            assert!(bias.abs() < 0.1, "{at}: {bias}");
        }
    }

    /// Without noise the sixth differences of a resonance are far above those of its neighbours.
    #[test]
    fn a_resonance_is_not_read_as_noise() {
        let hz = grid(50);
        for q in [3.0, 10.0, 30.0] {
            let own = sweep(&hz, &|x| resonance(x, q), &|_| [1e-4; 2], 7);
            for (at, sigma) in own.noise.sigma().iter().enumerate() {
                assert!((4e-5..3e-4).contains(sigma), "q {q}, {at}: {sigma}");
            }
        }
    }

    /// The median over 25 blocks of some 15 degrees of freedom tells the ratio to 10 %.
    #[test]
    fn gain_and_phase_may_differ() {
        let hz = grid(50);
        let (mut sum, mut level) = (0.0, 0.0);
        for seed in 0..20 {
            let own = sweep(&hz, &line, &|_| [0.02, 0.002], seed);
            let [gain, phase] = own.noise.shares();
            assert!((gain / phase / 10.0).ln().abs() < 0.35, "{gain} {phase}");
            sum += (gain / phase / 10.0).ln();
            // The larger of the two makes up nearly all of what is pooled.
            level += (own.noise.sigma()[100] * gain / 0.02).ln();
            // Squares of the shares have the mean 1.
            assert!((gain * gain + phase * phase - 2.0).abs() < 1e-12);
        }
        assert!((sum / 20.0).abs() < 0.06, "{}", sum / 20.0);
        assert!((level / 20.0).abs() < 0.1, "{}", level / 20.0);
    }

    /// Rounding to a step acts like noise of step / sqrt 12 where neighbours round differently (rectangular, JCGM 100:2008,
    /// F.2.2.1).
    #[test]
    fn a_rounded_phase_has_its_own_share() {
        let hz = grid(50);
        let mut rounded = samples(&hz, &|x| [-x, 1.0 - 2.0 * x], &|_| [1e-4, 0.0], 1);
        let step = 1f64.to_radians();
        rounded.planted().1.iter_mut().for_each(|p| *p = (*p / step).round() * step);
        let own = analysed(&rounded);
        let ([gain, phase], sigma) = (own.noise.shares(), own.noise.sigma()[100]);
        assert!((sigma * phase / (step / 12f64.sqrt()) - 1.0).abs() < 0.3, "{}", sigma * phase);
        assert!((sigma * gain / 1e-4 - 1.0).abs() < 0.5, "{}", sigma * gain);
    }

    /// Abramowitz and Stegun, table 6.1 and 6.4.4: trigamma of 1 is pi^2 / 6, of 2 less by 1, of n + 1 less by 1 / n^2.
    #[test]
    fn trigamma_is_good_to_a_per_cent() {
        let mut exact = std::f64::consts::PI.powi(2) / 6.0;
        for n in 1..40 {
            let x = f64::from(n);
            assert!((trigamma(x) / exact - 1.0).abs() < 0.011, "{n}");
            exact -= 1.0 / (x * x);
        }
    }

    #[test]
    fn too_few_samples_tell_nothing() {
        let hz: Vec<f64> = grid(50).into_iter().take(DIFFERENCE + 2).collect();
        let own = sweep(&hz, &line, &|_| [0.01; 2], 1);
        assert!(!own.noise.is_known());
        assert!(own.noise.sigma().iter().all(|sigma| *sigma == 0.0));
    }
}
