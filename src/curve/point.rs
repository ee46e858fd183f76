//! A point of the loop gain: magnitude, angle, slopes, distance from the critical point.

use std::f64::consts::{PI, TAU};

/// Value and slope of the curve at a frequency.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point {
    /// ln(f/Hz).
    pub ln_f: f64,
    /// ln of the magnitude.
    pub ln_mag: f64,
    /// Angle from the critical point's direction, rad, unwrapped.
    pub angle: f64,
    /// d ln|T| / d ln f: -1 is -20 dB per decade.
    pub mag_slope: f64,
    /// d angle / d ln f, rad.
    pub angle_slope: f64,
}

impl Point {
    /// Frequency, Hz.
    #[must_use]
    pub fn hz(&self) -> f64 {
        self.ln_f.exp()
    }

    /// Magnitude, dB.
    #[must_use]
    pub fn db(&self) -> f64 {
        db(self.ln_mag)
    }

    /// Distance from the critical point.
    #[must_use]
    pub fn distance(&self) -> f64 {
        distance(self.ln_mag, self.angle)
    }
}

/// dB of a natural logarithm of a magnitude.
#[must_use]
pub fn db(ln_mag: f64) -> f64 {
    ln_mag * (20.0 / std::f64::consts::LN_10)
}

/// |T - c| with T of magnitude exp(`ln_mag`) at `angle` from the critical point c of magnitude 1.
///
/// Written as sqrt((|T| - 1)^2 + 4 |T| sin^2(angle/2)), which loses no digits close to the point.
#[must_use]
pub fn distance(ln_mag: f64, angle: f64) -> f64 {
    let half = (0.5 * angle).sin();
    let radial = ln_mag.exp_m1();
    let across = 4.0 * ln_mag.exp() * half * half;
    (radial * radial + across).sqrt()
}

/// An angle brought into (-pi, pi].
#[must_use]
pub fn wrap(angle: f64) -> f64 {
    // Most are inside already.
    if angle.abs() < 3.0 {
        return angle;
    }
    let wrapped = angle - TAU * (angle / TAU).round();
    if wrapped <= -PI { wrapped + TAU } else { wrapped }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn distances_keep_their_digits_near_the_point() {
        assert!((distance(1e-9, 0.0) - 1e-9).abs() < 1e-17);
        assert!((distance(0.0, PI) - 2.0).abs() < 1e-15);
        assert!((distance(0.0, 1e-9) - 1e-9).abs() < 1e-17);
        assert_eq!(wrap(PI), PI);
        assert_eq!(wrap(-PI), PI);
    }
}
