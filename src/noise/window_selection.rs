//! How many samples a local fit takes, chosen block by block from the data.
//!
//! Windows are tried as long as each agrees, within the noise, with one of half its width (O. V. Lepski's comparison of
//! estimators; A. Goldenshluger and A. Nemirovski 1997: from memory). The widest that agrees is used, less a quarter, so that
//! what bias is left is small beside the noise.

use super::gain_phase::Columns;
use super::grid::{Fits, Grid, STRIDE, TRIED};
use super::residuals::BLOCK;

/// Squared difference of two windows, over what the noise makes of it, up to which they agree: 1 on average without bias.
/// Together with the quarter less that is used, 6 keeps the stated uncertainties true over the simulated loops
/// (`examples/simulate`) and halves the error of single points.
const AGREE: f64 = 4.0;
/// The same at a single sample beyond which a window is too long there, however well it agrees around: a narrow peak. By chance exp(-14).
const ALONE: f64 = 14.0;
/// The same over a few neighbouring samples, summed: a resonance of some samples' width. By chance 3e-8 for independent ones (chi-squared
/// with 8 degrees of freedom).
const TOGETHER: f64 = 25.0;
/// How many samples those are.
const FEW: usize = 4;
/// Noise below this, neper, moves nothing that is reported.
const SILENT: f64 = 1e-7;
/// Blocks about a growing one whose sums it reads, with one to spare: the longest half window.
const NEAR: usize = 32 / BLOCK + 1;
/// A block that stays as it is.
const STOPPED: u8 = u8::MAX;

/// Squared differences of two windows inside a block, in units of the noise: their sum, what the noise makes of it on average, and
/// over its average the largest single one and the largest sum of a few neighbours.
#[derive(Debug, Clone, Copy, Default)]
struct Sum {
    seen: f64,
    expected: f64,
    worst: f64,
    together: f64,
}

/// Chooses windows. Memory is reused.
#[derive(Debug, Clone, Default)]
pub(crate) struct Chooser {
    /// How many of the windows tried have agreed, block by block.
    held: Vec<u8>,
    near: Vec<bool>,
    /// Squared differences and what the noise makes of them, block by block.
    sums: Vec<Sum>,
    fits: Vec<Columns>,
    /// Twice as much is let through, half as much more at single samples, and no resonance is looked for.
    pub(crate) lenient: bool,
}

impl Chooser {
    /// Fills `rungs`, one for each sample of `y`, whose noise in each block is `sigma` with its shares for gain and phase; `shape` is the
    /// variance of a sample over that of its block.
    pub(crate) fn choose(
        &mut self,
        grid: &Grid,
        sigma: impl Fn(usize) -> f64,
        shape: impl Fn(usize) -> f64,
        shares: [f64; 2],
        y: &Columns,
        rungs: &mut [u8],
    ) {
        self.held.clear();
        self.held.extend((0..y.len().div_ceil(BLOCK)).map(|b| if sigma(b) < SILENT { STOPPED } else { 0 }));
        self.fits.resize_with(TRIED.len(), Columns::default);
        for step in 0..TRIED.len() {
            if !self.held.iter().any(|&held| grows(held, step)) {
                break;
            }
            let Some(fits) = grid.tried(step) else { break };
            self.compare(step, grid, fits, [&sigma, &shape], shares, y);
            self.grow(step);
        }
        self.settle(rungs);
    }

    /// Compares the windows of a step with those of half their width.
    fn compare(
        &mut self,
        step: usize,
        grid: &Grid,
        fits: &Fits,
        [sigma, shape]: [&dyn Fn(usize) -> f64; 2],
        shares: [f64; 2],
        y: &Columns,
    ) {
        let (blocks, n) = (self.held.len(), y.len());
        let stride = STRIDE.get(step).copied().unwrap_or(1);
        let half_of = step.checked_sub(1);
        // Whitened: gain and phase weigh by their own noise.
        let [a, p] = shares.map(|share| 1.0 / share.max(1e-9).powi(2));
        self.near.clear();
        self.near.extend((0..blocks).map(|b| {
            let about = self.held.get(b.saturating_sub(NEAR)..(b + NEAR + 1).min(blocks)).unwrap_or(&[]);
            about.iter().any(|&held| grows(held, step))
        }));
        self.sums.clear();
        self.sums.resize(blocks, Sum::default());
        let (below, from_here) = self.fits.split_at_mut(step);
        let Some(values) = from_here.first_mut() else { return };
        values.resize(n);
        let narrower = half_of.and_then(|step| below.get(step)).unwrap_or(y);
        let narrower_fits = half_of.and_then(|step| grid.tried(step));
        let mut last = [0.0; FEW];
        for (b, sum) in self.sums.iter_mut().enumerate() {
            if self.near.get(b) != Some(&true) {
                last = [0.0; FEW];
                continue;
            }
            // The noise hardly changes inside a block, but for its shape.
            let middle = sigma(b);
            let per_noise = 1.0 / (2.0 * middle * middle).max(f64::MIN_POSITIVE);
            let first = (b * BLOCK).next_multiple_of(stride);
            let (rows, narrower_rows) = (fits.rows(first), narrower_fits.map(|fits| fits.rows(first)));
            for i in (first..((b + 1) * BLOCK).min(n)).step_by(stride) {
                let (from, row) = rows.row(i);
                let value = y.weighted(from, row);
                values.set(i, value);
                let other = narrower.get(i);
                let (d, e) = (value[0] - other[0], value[1] - other[1]);
                let seen = (a * d * d + p * e * e) * per_noise / shape(i);
                let expected = narrower_rows.map_or(1.0, |rows| rows.norm2(i)) - rows.norm2(i);
                sum.seen += seen;
                sum.expected += expected;
                last.rotate_left(1);
                last[FEW - 1] = seen / expected;
                sum.worst = sum.worst.max(last[FEW - 1]);
                sum.together = sum.together.max(last.iter().sum());
            }
        }
    }

    /// Lets blocks grow where their windows agree.
    fn grow(&mut self, step: usize) {
        let blocks = self.held.len();
        let (agree, alone, together) =
            if self.lenient { (2.0 * AGREE, 1.5 * ALONE, f64::INFINITY) } else { (AGREE, ALONE, TOGETHER) };
        let reach = TRIED.get(step).map_or(1, |half| half.div_ceil(BLOCK));
        for (b, held) in self.held.iter_mut().enumerate() {
            if !grows(*held, step) {
                continue;
            }
            let window = self.sums.get(b.saturating_sub(reach)..(b + reach + 1).min(blocks)).unwrap_or(&[]);
            let whole = window.iter().fold(Sum::default(), |a, b| Sum {
                seen: a.seen + b.seen,
                expected: a.expected + b.expected,
                worst: a.worst.max(b.worst),
                together: a.together.max(b.together),
            });
            let agrees = whole.seen <= agree * whole.expected;
            let is_smooth = whole.worst <= alone && whole.together <= together;
            if whole.expected > 0.0 && agrees && is_smooth {
                *held += 1;
            }
        }
    }

    /// No jumps from block to block.
    fn settle(&mut self, rungs: &mut [u8]) {
        for held in &mut self.held {
            *held = if *held == STOPPED { 0 } else { *held };
        }
        let mut before = STOPPED - 1;
        for held in &mut self.held {
            *held = (*held).min(before + 1);
            before = *held;
        }
        for held in self.held.iter_mut().rev() {
            *held = (*held).min(before + 1);
            before = *held;
        }
        for (rungs, held) in rungs.chunks_mut(BLOCK).zip(&self.held) {
            rungs.fill(*held);
        }
    }
}

/// Whether all windows of a block before this step have agreed.
fn grows(held: u8, step: usize) -> bool {
    held != STOPPED && usize::from(held) == step
}

#[cfg(test)]
mod tests {
    use crate::noise::simulated_noise::{grid, line, resonance, sweep};

    #[test]
    fn nothing_is_smoothed_without_noise() {
        let hz = grid(50);
        for shape in [&line as &dyn Fn(f64) -> [f64; 2], &|x| resonance(x, 5.0)] {
            let own = sweep(&hz, shape, &|_| [0.0; 2], 1);
            assert!((0..hz.len()).all(|i| own.noise.half_width(i) == 0));
            assert_eq!(own.curve.ln_mag(), own.raw.ln_mag());
            assert_eq!(own.curve.angle(), own.raw.angle());
        }
    }

    #[test]
    fn a_noisy_line_is_fitted_with_the_widest_windows() {
        let hz = grid(50);
        let mut widest = 0;
        for seed in 0..20 {
            let own = sweep(&hz, &line, &|_| [0.01; 2], seed);
            widest += (0..hz.len()).filter(|i| own.noise.half_width(*i) == 24).count();
        }
        assert!(widest * 10 >= 20 * hz.len() * 9, "{widest}");
    }

    #[test]
    fn a_resonance_is_fitted_with_narrow_windows() {
        let hz = grid(100);
        let mut wide = 0;
        for seed in 0..20 {
            let own = sweep(&hz, &|x| resonance(x, 10.0), &|_| [0.005; 2], seed);
            let middle = 200;
            assert!(own.noise.half_width(middle) <= 3, "{seed}: {}", own.noise.half_width(middle));
            wide += u32::from(own.noise.half_width(50) >= 12 && own.noise.half_width(350) >= 12);
            // Its peak stands: 20 dB.
            let peak = own.curve.ln_mag().iter().fold(f64::MIN, |a, b| a.max(*b));
            assert!((peak - 10f64.ln()).abs() < 0.02, "{seed}: {peak}");
        }
        // By chance a window stops now and then.
        assert!(wide >= 18, "{wide}");
    }

    #[test]
    fn windows_change_step_by_step() {
        let hz = grid(100);
        let own = sweep(&hz, &|x| resonance(x, 10.0), &|_| [0.005; 2], 3);
        let rung = |i| [0, 3, 6, 12, 24].iter().position(|half| *half == own.noise.half_width(i)).unwrap();
        assert!((1..hz.len()).all(|i| rung(i).abs_diff(rung(i - 1)) <= 1));
    }
}
