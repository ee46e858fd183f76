//! Four numbers at once. Compilers make vector instructions of it; sums are taken in the same order on every processor.

use std::ops::{Add, AddAssign, Mul, Sub, SubAssign};

/// Four numbers side by side.
#[allow(non_camel_case_types, reason = "named as in `std::simd`")]
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct f64x4([f64; 4]);

impl f64x4 {
    pub(crate) const ZERO: Self = Self([0.0; 4]);

    #[inline]
    pub(crate) const fn new(numbers: [f64; 4]) -> Self {
        Self(numbers)
    }

    #[inline]
    pub(crate) const fn splat(number: f64) -> Self {
        Self([number; 4])
    }

    #[inline]
    pub(crate) const fn as_array(&self) -> &[f64; 4] {
        &self.0
    }

    #[inline]
    pub(crate) const fn to_array(self) -> [f64; 4] {
        self.0
    }

    #[inline]
    pub(crate) const fn reduce_add(self) -> f64 {
        let [a, b, c, d] = self.0;
        (a + b) + (c + d)
    }

    #[inline]
    fn with(self, other: Self, operation: impl Fn(f64, f64) -> f64) -> Self {
        let ([a, b, c, d], [e, f, g, h]) = (self.0, other.0);
        Self([operation(a, e), operation(b, f), operation(c, g), operation(d, h)])
    }
}

impl Add for f64x4 {
    type Output = Self;
    #[inline]
    fn add(self, other: Self) -> Self {
        self.with(other, |a, b| a + b)
    }
}

impl Sub for f64x4 {
    type Output = Self;
    #[inline]
    fn sub(self, other: Self) -> Self {
        self.with(other, |a, b| a - b)
    }
}

impl Mul for f64x4 {
    type Output = Self;
    #[inline]
    fn mul(self, other: Self) -> Self {
        self.with(other, |a, b| a * b)
    }
}

impl Mul<f64> for f64x4 {
    type Output = Self;
    #[inline]
    fn mul(self, factor: f64) -> Self {
        self * Self::splat(factor)
    }
}

impl AddAssign for f64x4 {
    #[inline]
    fn add_assign(&mut self, other: Self) {
        *self = *self + other;
    }
}

impl SubAssign for f64x4 {
    #[inline]
    fn sub_assign(&mut self, other: Self) {
        *self = *self - other;
    }
}
