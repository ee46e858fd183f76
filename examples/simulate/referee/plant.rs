//! A loop gain as its poles, zeros and delay: critical point -1, no pole in the right half plane.
//!
//! The phase is a sum over the factors and so needs no unwrapping, and the poles of the closed loop follow exactly from the
//! argument principle.

use num_complex::Complex64;
use std::f64::consts::{PI, TAU};

/// A pair of poles or zeros: its frequency, Hz, and its quality.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pair {
    pub hz: f64,
    pub q: f64,
}

/// The factors of a loop gain.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Plant {
    /// Magnitude at 1 Hz of gain and integrators alone.
    pub gain: f64,
    pub integrators: i32,
    /// Hz; in the right half plane when negative.
    pub zeros_hz: Vec<f64>,
    pub poles_hz: Vec<f64>,
    pub zero_pairs: Vec<Pair>,
    pub pole_pairs: Vec<Pair>,
    pub delay_s: f64,
}

impl Plant {
    /// So many integrators, gain 1 at 1 Hz.
    pub fn new(integrators: i32) -> Self {
        Self { gain: 1.0, integrators, ..Self::default() }
    }

    pub fn zero(mut self, hz: f64) -> Self {
        self.zeros_hz.push(hz);
        self
    }

    pub fn pole(mut self, hz: f64) -> Self {
        self.poles_hz.push(hz);
        self
    }

    pub fn zero_pair(mut self, hz: f64, q: f64) -> Self {
        self.zero_pairs.push(Pair { hz, q });
        self
    }

    pub fn pole_pair(mut self, hz: f64, q: f64) -> Self {
        self.pole_pairs.push(Pair { hz, q });
        self
    }

    pub fn delay(mut self, seconds: f64) -> Self {
        self.delay_s += seconds;
        self
    }

    /// The same with its gain set to magnitude 1 at a frequency.
    pub fn crossing_at(mut self, hz: f64) -> Self {
        self.gain /= self.at(hz).norm();
        self
    }

    /// The loop gain at a frequency.
    pub fn at(&self, hz: f64) -> Complex64 {
        let corner = |corner_hz: f64| Complex64::new(1.0, hz / corner_hz);
        let pair = |p: &Pair| {
            let x = hz / p.hz;
            Complex64::new(1.0 - x * x, x / p.q)
        };
        let above = self.zeros_hz.iter().map(|&z| corner(z)).product::<Complex64>()
            * self.zero_pairs.iter().map(pair).product::<Complex64>();
        let below = self.poles_hz.iter().map(|&p| corner(p)).product::<Complex64>()
            * self.pole_pairs.iter().map(pair).product::<Complex64>();
        let turn = Complex64::from_polar(self.gain, -TAU * hz * self.delay_s);
        turn * above / below * Complex64::new(0.0, hz).powi(-self.integrators)
    }

    /// Its phase, rad, continuous from zero frequency up, where it is -90 deg for each integrator.
    pub fn phase(&self, hz: f64) -> f64 {
        let corners = |list: &[f64]| list.iter().map(|c| (hz / c).atan()).sum::<f64>();
        let pairs = |list: &[Pair]| {
            let angle = |p: &Pair| (hz / p.hz / p.q).atan2(1.0 - (hz / p.hz).powi(2));
            list.iter().map(angle).sum::<f64>()
        };
        corners(&self.zeros_hz) - corners(&self.poles_hz) + pairs(&self.zero_pairs)
            - pairs(&self.pole_pairs)
            - 0.5 * PI * f64::from(self.integrators)
            - TAU * hz * self.delay_s
    }

    /// Poles of the closed loop in the right half plane, by the argument principle: from zero frequency, where the loop gain
    /// lies on the positive real axis of its closing arc, each pass of its phase downwards through an odd multiple of -180 deg
    /// with more than magnitude 1 is two of them, each pass upwards takes two away.
    pub fn unstable_poles(&self, about_hz: f64) -> i32 {
        let grid = self.grid(about_hz);
        // Half turns past -180 deg, counted down.
        let turns = |phase: f64| ((-phase - PI) / TAU).floor() as i32 + 1;
        let mut count = turns(self.phase(grid[0]));
        for pair in grid.windows(2) {
            let (low, high) = (turns(self.phase(pair[0])), turns(self.phase(pair[1])));
            for turn in low.min(high)..low.max(high) {
                let ray = -PI - TAU * f64::from(turn);
                let hz = self.where_phase_is(ray, pair[0], pair[1]);
                if self.at(hz).norm() > 1.0 {
                    count += if high > low { 1 } else { -1 };
                }
            }
        }
        2 * count
    }

    /// From far below all corners to far above, denser about the pairs.
    fn grid(&self, about_hz: f64) -> Vec<f64> {
        const DECADES: (i32, i32) = (-6, 3);
        const PER_DECADE: i32 = 120;
        let mut grid: Vec<f64> = (DECADES.0 * PER_DECADE..=DECADES.1 * PER_DECADE)
            .map(|k| about_hz * 10f64.powf(f64::from(k) / f64::from(PER_DECADE)))
            .collect();
        for p in self.pole_pairs.iter().chain(&self.zero_pairs) {
            // Four widths of the resonance on both sides, twenty points to a width.
            grid.extend((-80..=80).map(|k| p.hz * (f64::from(k) / 20.0 / p.q.max(1.0)).exp()));
        }
        grid.sort_by(f64::total_cmp);
        grid
    }

    fn where_phase_is(&self, ray: f64, mut low: f64, mut high: f64) -> f64 {
        let above = self.phase(low) > ray;
        for _ in 0..60 {
            let middle = 0.5 * (low + high);
            if (self.phase(middle) > ray) == above {
                low = middle;
            } else {
                high = middle;
            }
        }
        0.5 * (low + high)
    }
}
