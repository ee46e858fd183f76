//! The local fit: each sample is replaced by the value of a cubic fitted by least squares to the samples around it
//! (local polynomial regression: J. Fan and I. Gijbels, Local Polynomial Modelling and Its Applications, 1996: from
//! memory).
//!
//! How many samples a fit takes is chosen from the data ([`super::window_selection`]). Where the curve bends faster than its noise
//! hides, as it does without noise, the samples stay as they are and the curve is their interpolation.

use super::gain_phase::Columns;
use super::grid::{Grid, USED};
use super::noise_level::Level;
use super::replicates::{Evidence, Twins, rounding};
use super::residuals::{BLOCK, Power};
use super::spikes::{Spike, mend};
use super::window_selection::Chooser;
use crate::curve::{Curve, LocalError};
use std::sync::Arc;

/// Grids that are kept at least: the levels of a corner may have one each.
const KEPT: usize = 4;
/// Samples up to which more are kept: some 20 grids of usual sweeps.
const KEPT_SAMPLES: usize = 8_192;
/// Longest window that the ladder has, with the three samples that an interpolation reaches beyond.
const LONGEST: usize = 2 * LONGEST_HALF + 1 + 12;
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
    correlation: f64,
    /// What each sample tells of its own uncertainty: its noise is at least that. Empty where samples do not tell.
    least: Vec<f64>,
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

    /// Correlation of the noise of neighbouring samples, as far as several sweeps show it; 0: none, or not known.
    #[must_use]
    pub fn correlation(&self) -> f64 {
        self.correlation
    }

    /// Samples that stand out; the smoothed curve does not follow them.
    #[must_use]
    pub fn spikes(&self) -> &[Spike] {
        &self.spikes
    }

    /// Standard uncertainty from noise of a sample that stands as it was measured; none where it was smoothed, since neighbours then share
    /// most of theirs.
    #[must_use]
    pub fn own_of_sample(&self, i: usize) -> LocalError {
        if self.rung(i) > 0 {
            return LocalError::default();
        }
        let sigma = self.sigma.get(i).copied().unwrap_or(0.0);
        LocalError { ln_mag: sigma * self.shares[0], angle: sigma * self.shares[1] }
    }

    /// Samples on each side that the fit at sample `i` takes; 0: the sample itself.
    #[must_use]
    pub fn half_width(&self, i: usize) -> usize {
        usize::from(self.rung(i)).checked_sub(1).and_then(|step| USED.get(step)).copied().unwrap_or(0)
    }

    /// Standard uncertainty from noise of the smoothed curve at any frequency, neper and rad: the weights of all samples
    /// that the interpolated value hangs on, squared and summed.
    #[must_use]
    pub fn at(&self, curve: &Curve, ln_f: f64) -> LocalError {
        let Some(grid) = &self.grid else { return LocalError::default() };
        let nodes = curve.nodes(ln_f);
        let mut weights = [0.0; LONGEST];
        let (mut base, mut end) = (usize::MAX, 0);
        for (i, _) in nodes.clone() {
            let from = grid.fits(self.rung(i)).map_or(i, |fits| fits.row(i).0);
            base = base.min(from);
        }
        for (i, node) in nodes {
            match grid.fits(self.rung(i)) {
                None => {
                    end = end.max(i + 1);
                    if let Some(weight) = weights.get_mut(i - base) {
                        *weight += node;
                    }
                }
                Some(fits) => {
                    let (from, row) = fits.row(i);
                    end = end.max(from + row.len());
                    let held = weights.get_mut(from - base..).unwrap_or(&mut []);
                    held.iter_mut().zip(row).for_each(|(sum, w)| *sum += node * w);
                }
            }
        }
        let sigma = self.sigma.get(base..).unwrap_or(&[]);
        let pairs = weights.iter().zip(sigma).take(end.saturating_sub(base));
        let variance = correlated(pairs.map(|(w, s)| w * s), self.correlation);
        let pooled = variance.sqrt() * student(self.level.dof(ln_f) * self.pooling());
        LocalError { ln_mag: pooled * self.shares[0], angle: pooled * self.shares[1] }
    }

    /// Errors of the smoothed curve at a part of the samples, neper and rad, that standard normal `draws` make; the first of these belongs to
    /// sample `base`, and they reach as far as the windows of the samples do. The draws are scaled in place.
    pub(crate) fn disturb(
        &self,
        part: std::ops::Range<usize>,
        base: usize,
        draws: &mut Columns,
        errors: &mut Vec<[f64; 2]>,
    ) {
        let [gain, phase] = self.shares;
        let sigma = self.sigma.get(base..).unwrap_or(&[]);
        for ((a, p), sigma) in draws.pairs_mut().zip(sigma) {
            (*a, *p) = (gain * sigma * *a, phase * sigma * *p);
        }
        errors.clear();
        errors.extend(part.map(|i| match self.grid.as_ref().and_then(|grid| grid.fits(self.rung(i))) {
            None => draws.get(i.saturating_sub(base)),
            Some(fits) => {
                let (from, row) = fits.row(i);
                draws.weighted(from.saturating_sub(base), row)
            }
        }));
    }

    /// Part of the degrees of freedom that is left when one of gain and phase has most of the noise: half of them when it
    /// has all (Satterthwaite's formula, JCGM 100:2008, G.4.1).
    fn pooling(&self) -> f64 {
        let [a, p] = self.shares.map(|share| share * share);
        (a + p).powi(2) / (2.0 * (a * a + p * p)).max(f64::MIN_POSITIVE)
    }

    fn rung(&self, i: usize) -> u8 {
        self.rungs.get(i).copied().unwrap_or(0)
    }
}

/// Factor on a variance that is clearly less: exp(-1.4), see [`CLEARLY`](super::noise_level::CLEARLY).
const FAR_LESS: f64 = 0.246_596_963_941_606_5;

/// Noise of a difference at a sample as its own samples show it, or as that of the two sweeps makes it, where this is clearly less.
fn limited(own: f64, of_sweeps: Option<[&Noise; 2]>, i: usize) -> f64 {
    let Some([weak, strong]) = of_sweeps.filter(|[a, b]| a.known && b.known) else { return own };
    let at = |noise: &Noise| noise.sigma.get(i).map(|sigma| sigma * sigma);
    let Some((a, b)) = at(weak).zip(at(strong)) else { return own };
    // ln of both over own, doubled, lies below -CLEARLY.
    if a + b < FAR_LESS * own * own { (a + b).sqrt() } else { own }
}

/// Variance of a weighted sum of unit noise whose correlation is `r` to the power of the distance.
fn correlated(weights: impl Iterator<Item = f64>, r: f64) -> f64 {
    if r == 0.0 {
        return weights.fold(0.0, |sum, w| sum + w * w);
    }
    let (mut sum, mut before) = (0.0, 0.0);
    for w in weights {
        sum += w * (w + 2.0 * r * before);
        before = w + r * before;
    }
    sum
}

/// By how much an interval of twice the standard uncertainty must be widened when that comes from few degrees of freedom:
/// quantile of Student's distribution over that of the normal one at 2 (Abramowitz and Stegun, 26.7.5: from memory;
/// JCGM 100:2008, G.3).
fn student(dof: f64) -> f64 {
    let u = 1.0 / dof.max(1.0);
    1.0 + u * (1.25 + u * (147.0 / 96.0 + u * 549.0 / 384.0))
}

/// Estimates the noise of sweeps and smooths them. Memory is reused from sweep to sweep, weights as long as the grid
/// stays the same.
#[derive(Debug, Clone, Default)]
pub struct Smoother {
    grids: Vec<Arc<Grid>>,
    powers: Vec<Power>,
    residuals: Vec<Power>,
    y: Columns,
    smoothed: Columns,
    /// Variance of the curve at each sample per variance of a sample.
    norm2: Vec<f64>,
    chooser: Chooser,
    twins: Twins,
}

impl Smoother {
    /// For the difference of two sweeps that should be the same: it is smooth or the two do not agree, so wider windows are
    /// tried before noise is held to be structure.
    #[must_use]
    pub fn for_differences() -> Self {
        let mut own = Self::default();
        own.chooser.lenient = true;
        own
    }

    /// Compares two sweeps of one loop and writes down what they say of each other's noise. `shares` are the parts of the squared noise of
    /// their difference that belong to each. `false` when they tell nothing of each other.
    pub fn compare(
        &mut self,
        weak: &Curve,
        strong: &Curve,
        shares: [f64; 2],
        [of_weak, of_strong]: [&mut Evidence; 2],
    ) -> bool {
        let grid = self.grid(weak);
        if !self.twins.take(&grid, weak, strong) {
            return false;
        }
        self.twins.tell(&grid, shares[0], weak, strong, of_weak);
        self.twins.tell(&grid, shares[1], strong, weak, of_strong);
        true
    }

    /// Adds the rounding of the repeats to what their scatter shows of their mean; `steps` as they are in [`Analysed`](crate::analysed::Analysed).
    pub fn add_rounding(&mut self, mean: &Curve, steps: [f64; 2], evidence: &mut Evidence) {
        let grid = self.grid(mean);
        evidence.add(rounding(&grid, mean, steps));
    }

    /// Smooths `raw` into `smooth` and fills `noise`. `evidence` is what other sweeps of the same loop say of the noise, `least` what each
    /// sample says of its own; empty when none does.
    pub fn smooth(
        &mut self,
        raw: &Curve,
        evidence: Option<&Evidence>,
        least: &[f64],
        noise: &mut Noise,
        smooth: &mut Curve,
    ) {
        noise.least.clear();
        noise.least.extend_from_slice(least);
        self.smooth_beside(raw, evidence, None, noise, smooth);
    }

    /// Smooths the difference `raw` of two sweeps, whose own noises say what it can have: they know how the noise of the receivers goes with
    /// the loop gain, which the difference alone does not. Noise that neighbours share counts as a change, which looks the same.
    pub fn smooth_difference(
        &mut self,
        raw: &Curve,
        of_sweeps: [&Noise; 2],
        noise: &mut Noise,
        smooth: &mut Curve,
    ) {
        // The weights that the two sweeps were smoothed with serve their difference.
        let known = |grid: &&Arc<Grid>| grid.is_of(raw.frequency_hz());
        if let Some(grid) = of_sweeps.iter().filter_map(|noise| noise.grid.as_ref()).find(known)
            && !self.grids.iter().any(|kept| Arc::ptr_eq(kept, grid))
        {
            self.grids.clear();
            self.grids.push(grid.clone());
        }
        noise.least.clear();
        let [weak, strong] = of_sweeps;
        noise.least.extend(weak.least.iter().zip(&strong.least).map(|(a, b)| a.hypot(*b)));
        self.smooth_beside(raw, None, Some(of_sweeps), noise, smooth);
    }

    fn smooth_beside(
        &mut self,
        raw: &Curve,
        evidence: Option<&Evidence>,
        of_sweeps: Option<[&Noise; 2]>,
        noise: &mut Noise,
        smooth: &mut Curve,
    ) {
        let n = raw.len();
        let grid = self.grid(raw);
        self.y.copy(raw.ln_mag(), raw.angle());
        let from_samples = noise.level.by_differences(&grid, raw, &self.y, &mut self.powers);
        noise.known = match evidence {
            Some(evidence) => noise.level.by_evidence(raw, evidence),
            None => {
                noise.level.draw_lines();
                from_samples
            }
        };
        noise.correlation = evidence.map_or(0.0, |evidence| evidence.correlation);
        noise.shares = if noise.known { noise.level.shares() } else { [1.0, 1.0] };
        noise.rungs.clear();
        noise.rungs.resize(n, 0);
        noise.spikes.clear();
        if noise.known {
            let of_block = |b: usize| {
                let middle = (b * BLOCK + BLOCK / 2).min(n.saturating_sub(1));
                limited(noise.level.of_block(b), of_sweeps, middle)
            };
            let other = evidence.map(|evidence| &evidence.other).filter(|other| other.len() == n);
            mend(raw, &self.powers, of_block, other, &mut self.y, &mut noise.spikes);
            let shape = |i: usize| noise.level.shape_of(i);
            self.chooser.choose(&grid, of_block, shape, noise.shares, &self.y, &mut noise.rungs);
        }
        self.norm2.clear();
        if noise.rungs.iter().any(|rung| *rung > 0) {
            self.apply(&grid, &noise.rungs);
            if evidence.is_none() {
                let (y, smoothed, norm2) = (&self.y, &self.smoothed, &self.norm2);
                noise.level.by_residuals(raw.ln_f(), y, smoothed, &self.powers, norm2, &mut self.residuals);
            }
            std::mem::swap(&mut self.y, &mut self.smoothed);
        }
        self.norm2.resize(n, 1.0);
        if noise.correlation > 0.0 {
            self.correlate(&grid, noise);
        }
        noise.level.spread(raw.ln_f(), &mut noise.sigma);
        for (i, sigma) in noise.sigma.iter_mut().enumerate() {
            *sigma = limited(*sigma, of_sweeps, i);
        }
        if noise.least.len() == n {
            noise.known = true;
            noise.sigma.iter_mut().zip(&noise.least).for_each(|(sigma, least)| *sigma = sigma.max(*least));
        }
        noise.fit.clear();
        noise.fit.extend(self.norm2.iter().zip(&noise.sigma).map(|(norm2, sigma)| sigma * norm2.sqrt()));
        let pooling = noise.pooling();
        for (fit, x) in noise.fit.chunks_mut(BLOCK).zip(raw.ln_f().chunks(BLOCK)) {
            let factor = x.first().map_or(1.0, |x| student(noise.level.dof(*x) * pooling));
            fit.iter_mut().for_each(|fit| *fit *= factor);
        }
        noise.grid = Some(grid);
        smooth.follow(raw, self.y.gain(), self.y.phase());
    }

    /// The weights for the curve's grid, kept or new; the one used last stands first.
    fn grid(&mut self, raw: &Curve) -> Arc<Grid> {
        match self.grids.iter().position(|grid| grid.is_of(raw.frequency_hz())) {
            Some(i) => {
                if let Some(used) = self.grids.get_mut(..=i) {
                    used.rotate_right(1);
                }
            }
            None => {
                let mut samples = raw.len();
                let kept = self.grids.iter().enumerate().take_while(|(i, grid)| {
                    samples += grid.len();
                    i + 1 < KEPT || samples <= KEPT_SAMPLES
                });
                self.grids.truncate(kept.count());
                self.grids.insert(0, Arc::new(Grid::new(raw.frequency_hz(), raw.ln_f())));
            }
        }
        self.grids.first().cloned().unwrap_or_default()
    }

    /// Variances of the fits under noise that neighbours share.
    fn correlate(&mut self, grid: &Grid, noise: &Noise) {
        for (i, norm2) in self.norm2.iter_mut().enumerate() {
            if let Some(fits) = grid.fits(noise.rung(i)) {
                *norm2 = correlated(fits.row(i).1.iter().copied(), noise.correlation);
            }
        }
    }

    /// The fits at all samples.
    fn apply(&mut self, grid: &Grid, rungs: &[u8]) {
        self.smoothed.copy(self.y.gain(), self.y.phase());
        for (b, rungs) in rungs.chunks(BLOCK).enumerate() {
            // A rung holds for a whole block.
            let samples = b * BLOCK..b * BLOCK + rungs.len();
            match rungs.first().and_then(|rung| grid.fits(*rung)) {
                None => self.norm2.extend(samples.map(|_| 1.0)),
                Some(fits) => {
                    let rows = fits.rows(samples.start);
                    for i in samples {
                        let (from, row) = rows.row(i);
                        self.smoothed.set(i, self.y.weighted(from, row));
                        self.norm2.push(rows.norm2(i));
                    }
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::noise::simulated_noise::{analysed, grid, line, resonance, samples, sweep};

    #[test]
    fn far_less_is_clearly_less() {
        assert_eq!(FAR_LESS, (-crate::noise::noise_level::CLEARLY).exp());
    }

    /// JCGM 100:2008, table G.2, t for 95.45 %: 2.87 with 4 degrees of freedom, 2.28 with 10, 2.05 with 50.
    #[test]
    fn few_degrees_of_freedom_widen_as_students_distribution_does() {
        for (dof, t) in [(4.0, 2.87), (10.0, 2.28), (50.0, 2.05), (1e9, 2.0)] {
            assert!((2.0 * student(dof) - t).abs() < 0.01, "{dof}");
        }
    }

    /// rms error of the curve at a place over seeds, and rms of what is stated, gain and phase together.
    fn spread(shape: &dyn Fn(f64) -> [f64; 2], sigma: f64, x: f64) -> (f64, f64) {
        const SEEDS: u64 = 300;
        let hz = grid(40);
        let ln_f = 1e3_f64.ln() + x;
        let [ln_mag, angle] = shape(x);
        let (mut seen, mut stated) = (0.0, 0.0);
        for seed in 0..SEEDS {
            let own = sweep(&hz, shape, &|_| [sigma; 2], seed);
            let (point, noise) = (own.curve.at(ln_f), own.noise.at(&own.curve, ln_f));
            seen += (point.ln_mag - ln_mag).powi(2) + (point.angle - angle).powi(2);
            stated += noise.ln_mag.powi(2) + noise.angle.powi(2);
        }
        let rms = |sum: f64| (sum / (2 * SEEDS) as f64).sqrt();
        (rms(seen), rms(stated))
    }

    /// 600 values tell a standard deviation to 3 %; Student's factor adds some per cent to what is stated.
    #[test]
    fn what_is_stated_at_a_place_is_what_many_sweeps_show() {
        for x in [0.0, 0.6789, -1.5, 3.0] {
            let (seen, stated) = spread(&line, 0.01, x);
            assert!((0.95..1.15).contains(&(stated / seen)), "{x}: {seen}, {stated}");
            // Far below that of a sample.
            assert!(seen < 0.004, "{seen}");
        }
        // The first samples hang on a window to one side.
        let (seen, stated) = spread(&line, 0.01, -4.6);
        assert!((0.9..1.2).contains(&(stated / seen)), "{seen}, {stated}");
        let (seen, stated) = spread(&|x| resonance(x, 2.0), 0.01, 0.0);
        assert!((0.85..1.2).contains(&(stated / seen)), "at a resonance: {seen}, {stated}");
    }

    /// At a sample the fit's own variance and the sum over the nodes are one thing.
    #[test]
    fn at_a_sample_both_ways_agree() {
        let hz = grid(40);
        let own = sweep(&hz, &line, &|_| [0.01; 2], 1);
        for i in [0, 1, 40, 80, 120, 159, 160] {
            let noise = own.noise.at(&own.curve, own.curve.ln_f()[i]);
            // The noise differs a little over the window.
            assert!((noise.ln_mag / own.noise.fit()[i] - 1.0).abs() < 0.1, "{i}");
        }
    }

    /// Draws of 1 at all samples shift a fit, which keeps a constant, by the noise of a sample.
    #[test]
    fn disturbances_are_the_fits_of_their_draws() {
        let hz = grid(40);
        let own = sweep(&hz, &line, &|_| [0.01; 2], 1);
        let mut errors = Vec::new();
        let mut draws = Columns::default();
        draws.copy(&vec![1.0; hz.len()], &vec![-2.0; hz.len()]);
        own.noise.disturb(0..hz.len(), 0, &mut draws, &mut errors);
        for (error, sigma) in errors.iter().zip(own.noise.sigma()) {
            assert!((error[0] / sigma - 1.0).abs() < 0.15, "{error:?} {sigma}");
            assert!((error[1] + 2.0 * error[0]).abs() < 1e-12);
        }
    }

    /// Sweeps of many grids in turn, each with a grid of its own, are smoothed as by a smoother that has seen no other.
    #[test]
    fn a_grid_of_its_own_tells_the_same_as_a_kept_one() {
        let mut shared = Smoother::default();
        for round in 0..2 {
            for k in 0..30 {
                let hz: Vec<f64> = grid(40 + 50 * u32::from(k == 7))
                    .iter()
                    .map(|f| f * (1.0 + 1e-3 * f64::from(k)))
                    .collect();
                let samples = samples(&hz, &line, &|_| [0.01; 2], round);
                let alone = analysed(&samples);
                let mut own = crate::analysed::Analysed::default();
                own.take(&samples, crate::spec::CriticalPoint::PlusOne);
                own.smooth(None, &mut shared);
                assert_eq!(own.curve, alone.curve, "{k}");
                assert_eq!(own.noise.fit(), alone.noise.fit(), "{k}");
                assert!(shared.grids.len() >= KEPT.min(k as usize + 1));
                assert!(shared.grids.iter().map(|grid| grid.len()).sum::<usize>() <= KEPT_SAMPLES);
            }
        }
    }
}
