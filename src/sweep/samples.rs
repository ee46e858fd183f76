//! The samples of one sweep, as three parallel columns that can be filled again and again.

/// Samples of a loop gain as it was measured (not yet referred to a critical point).
///
/// Invariant, kept by the reader and by the constructors: either there is no sample, or there are at least 3, all numbers are
/// finite, frequencies are positive and rise strictly, and the three columns have one length. Phase is in radians, wrapped or
/// unwrapped as it came.
///
/// Samples that no file was read for come from one of the constructors, which look at every number:
///
/// ```
/// use loopgauge::sweep::Samples;
/// let good = Samples::from_db_deg(&[100.0, 1e3, 1e4], &[20.0, 0.0, -20.0], &[90.0, 60.0, 30.0])?;
/// assert_eq!(good.frequency_hz(), [100.0, 1e3, 1e4]);
///
/// let bad = Samples::from_db_deg(&[100.0, 1e3, 1e4], &[20.0, f64::NAN, -20.0], &[90.0, 60.0, 30.0]).unwrap_err();
/// assert_eq!(bad.to_string(), "`gain_db`, row 2 (index 1): NaN is not finite; measure the point again, or leave its row out");
/// # Ok::<(), loopgauge::sweep::BadSamples>(())
/// ```
///
/// The columns cannot be reached from outside, so that nothing passes them by:
///
/// ```compile_fail,E0616
/// # use loopgauge::sweep::Samples;
/// let mut samples = Samples::default();
/// samples.ln_magnitude.push(f64::NAN);
/// ```
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Samples {
    pub(super) frequency_hz: Vec<f64>,
    pub(super) ln_magnitude: Vec<f64>,
    pub(super) phase_rad: Vec<f64>,
    /// As long as the others, or empty.
    pub(super) uncertainty: Vec<f64>,
}

impl Samples {
    /// Frequency, Hz.
    #[must_use]
    pub fn frequency_hz(&self) -> &[f64] {
        &self.frequency_hz
    }

    /// Natural logarithm of the magnitude.
    #[must_use]
    pub fn ln_magnitude(&self) -> &[f64] {
        &self.ln_magnitude
    }

    /// Phase, rad.
    #[must_use]
    pub fn phase_rad(&self) -> &[f64] {
        &self.phase_rad
    }

    /// Standard uncertainty that each sample tells of itself, neper and rad, the larger of both; empty where samples do not tell, as all
    /// do that are no records over time.
    #[must_use]
    pub fn uncertainty(&self) -> &[f64] {
        &self.uncertainty
    }

    /// Tells how uncertain each sample is; numbers of another count are none.
    pub(crate) fn set_uncertainty(&mut self, uncertainty: Vec<f64>) {
        let fits = uncertainty.len() == self.len() && uncertainty.iter().all(|u| u.is_finite());
        self.uncertainty = if fits { uncertainty } else { Vec::new() };
    }

    /// Empties the columns and keeps their memory.
    pub fn clear(&mut self) {
        self.frequency_hz.clear();
        self.ln_magnitude.clear();
        self.phase_rad.clear();
        self.uncertainty.clear();
    }

    /// Adds a sample of which the caller knows that it keeps the invariant.
    #[inline]
    pub(crate) fn push(&mut self, frequency_hz: f64, ln_magnitude: f64, phase_rad: f64) {
        self.frequency_hz.push(frequency_hz);
        self.ln_magnitude.push(ln_magnitude);
        self.phase_rad.push(phase_rad);
    }

    /// Number of samples.
    #[must_use]
    pub fn len(&self) -> usize {
        self.frequency_hz.len()
    }

    /// Whether there is no sample.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.frequency_hz.is_empty()
    }

    /// A number that equals that of another sweep only when all samples are the same to the last digit (64 bits, mixed as
    /// by Fowler-Noll-Vo over whole words: accidents are out of reach, malice is not the concern).
    #[must_use]
    pub fn fingerprint(&self) -> u64 {
        let columns = [&self.frequency_hz, &self.ln_magnitude, &self.phase_rad];
        columns.into_iter().flatten().fold(0xcbf2_9ce4_8422_2325, |hash: u64, number| {
            (hash ^ number.to_bits()).wrapping_mul(0x0000_0100_0000_01b3).rotate_left(23)
        })
    }

    /// The columns of ln magnitude and phase, to plant faults in.
    #[cfg(test)]
    pub(crate) fn planted(&mut self) -> (&mut [f64], &mut [f64]) {
        (&mut self.ln_magnitude, &mut self.phase_rad)
    }
}
