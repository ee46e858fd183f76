//! The samples of one sweep, as three parallel columns that can be filled again and again.

/// Samples of a loop gain as it was measured (not yet referred to a critical point).
///
/// Invariant, kept by the reader: at least 3 samples, all numbers finite, frequencies positive and strictly rising,
/// three columns of one length. Phase is in radians, wrapped or unwrapped as the file had it.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Samples {
    /// Frequency, Hz.
    pub frequency_hz: Vec<f64>,
    /// Natural logarithm of the magnitude.
    pub ln_magnitude: Vec<f64>,
    /// Phase, rad.
    pub phase_rad: Vec<f64>,
}

impl Samples {
    /// Empties the columns and keeps their memory.
    pub fn clear(&mut self) {
        self.frequency_hz.clear();
        self.ln_magnitude.clear();
        self.phase_rad.clear();
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
}

impl Samples {
    /// A number that equals that of another sweep only when all samples are the same to the last digit (64 bits, mixed as
    /// by Fowler-Noll-Vo over whole words: accidents are out of reach, malice is not the concern).
    #[must_use]
    pub fn fingerprint(&self) -> u64 {
        let columns = [&self.frequency_hz, &self.ln_magnitude, &self.phase_rad];
        columns.into_iter().flatten().fold(0xcbf2_9ce4_8422_2325, |hash: u64, number| {
            (hash ^ number.to_bits()).wrapping_mul(0x0000_0100_0000_01b3).rotate_left(23)
        })
    }
}
