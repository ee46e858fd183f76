//! Straight lines and parabolas through a few samples.

/// A sample: ln f, ln of the magnitude and angle, standard deviation of each.
#[derive(Debug, Clone, Copy)]
pub(super) struct Sample {
    pub(super) x: f64,
    pub(super) y: [f64; 2],
    pub(super) sigma: f64,
}

/// Size of a change in gain and phase, neper and rad taken as one complex number.
pub(super) fn length(y: [f64; 2]) -> f64 {
    y[0].hypot(y[1])
}

/// A fit, read at one place.
#[derive(Debug, Clone, Copy)]
pub(super) struct Fit {
    pub(super) value: [f64; 2],
    /// Standard deviation of each component of it.
    pub(super) noise: f64,
    /// The same, from what the samples leave where that is more.
    pub(super) doubt: f64,
    /// rms of each component that the samples leave of the line.
    pub(super) scatter: f64,
}

impl Fit {
    /// A polynomial of `degree` 1 or 2 by least squares, by polynomials orthogonal over the samples (any text on least squares).
    pub(super) fn through(samples: &[Sample], at: f64, degree: usize) -> Option<Self> {
        let n = samples.len() as f64;
        let mean = samples.iter().map(|s| s.x).sum::<f64>() / n;
        let square = samples.iter().map(|s| (s.x - mean).powi(2)).sum::<f64>();
        let cube = samples.iter().map(|s| (s.x - mean).powi(3)).sum::<f64>();
        let basis = |x: f64| {
            let d = x - mean;
            [1.0, d, if degree > 1 { d * d - d * cube / square - square / n } else { 0.0 }]
        };
        let mut norm = [0.0; 3];
        let mut dot = [[0.0; 2]; 3];
        for s in samples {
            for ((q, norm), dot) in basis(s.x).into_iter().zip(&mut norm).zip(&mut dot) {
                *norm += q * q;
                dot[0] += q * s.y[0];
                dot[1] += q * s.y[1];
            }
        }
        if square <= 0.0 {
            return None;
        }
        let value = |x: f64| {
            let terms = basis(x).into_iter().zip(norm).zip(dot).filter(|((_, norm), _)| *norm > 0.0);
            terms.fold([0.0; 2], |[a, p], ((q, norm), dot)| [a + q * dot[0] / norm, p + q * dot[1] / norm])
        };
        let own = basis(at);
        let variance: f64 = samples
            .iter()
            .map(|s| {
                let terms = basis(s.x).into_iter().zip(own).zip(norm).filter(|(_, norm)| *norm > 0.0);
                let weight: f64 = terms.map(|((q, own), norm)| q * own / norm).sum();
                (weight * s.sigma).powi(2)
            })
            .sum();
        let left: f64 = samples
            .iter()
            .map(|s| {
                let fit = value(s.x);
                (s.y[0] - fit[0]).powi(2) + (s.y[1] - fit[1]).powi(2)
            })
            .sum();
        let free = 2.0 * (n - degree as f64 - 1.0).max(1.0);
        let scatter = (left / free).sqrt();
        // Noise that is larger here than the sweep's estimate says widens the step's own.
        let sigma2 = samples.iter().map(|s| s.sigma * s.sigma).sum::<f64>() / n;
        let excess = if sigma2 > 0.0 { (scatter * scatter / sigma2).max(1.0) } else { 1.0 };
        Some(Self { value: value(at), noise: variance.sqrt(), doubt: (variance * excess).sqrt(), scatter })
    }
}
