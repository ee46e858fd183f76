//! Order of the frequencies.

use super::samples::Samples;

/// Least step between neighbours, as a part of the frequency. Below, their logarithms are no longer told apart, and no slope is
/// known between them; a sweep with a million points per decade has steps of 2e-6.
const LEAST_STEP: f64 = 1e-12;

/// Whether a frequency lies above another.
#[inline]
pub(super) fn is_above(upper: f64, lower: f64) -> bool {
    upper > lower * (1.0 + LEAST_STEP)
}

/// Whether every frequency lies above the one before it.
pub(super) fn rises(frequency_hz: &[f64]) -> bool {
    frequency_hz.iter().zip(frequency_hz.iter().skip(1)).all(|(before, after)| is_above(*after, *before))
}

/// Turns a strictly falling sweep round. False, with the samples as they were, when it neither rises nor falls.
pub(super) fn put_in_order(samples: &mut Samples) -> bool {
    if rises(&samples.frequency_hz) {
        return true;
    }
    let falls =
        samples.frequency_hz.iter().zip(samples.frequency_hz.iter().skip(1)).all(|(a, b)| is_above(*a, *b));
    if falls {
        samples.frequency_hz.reverse();
        samples.ln_magnitude.reverse();
        samples.phase_rad.reverse();
    }
    falls
}

/// Indices of the samples that break the order which most of the neighbours have, and whether that order rises.
pub(super) fn breaks(frequency_hz: &[f64]) -> (bool, impl Iterator<Item = usize> + '_) {
    let pairs = || frequency_hz.iter().zip(frequency_hz.iter().skip(1));
    let rising = pairs().filter(|(a, b)| a < b).count() >= pairs().filter(|(a, b)| a > b).count();
    let broken = pairs()
        .enumerate()
        .filter(move |(_, (a, b))| if rising { !is_above(**b, **a) } else { !is_above(**a, **b) })
        .map(|(index, _)| index + 1);
    (rising, broken)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn most_neighbours_say_which_way_it_goes() {
        let found = |values: &[f64]| {
            let (rising, broken) = breaks(values);
            (rising, broken.collect::<Vec<_>>())
        };
        assert_eq!(found(&[100.0, 1.0, 2.0, 3.0]), (true, vec![1]));
        assert_eq!(found(&[4.0, 3.0, 3.0, 2.0]), (false, vec![2]));
        assert_eq!(found(&[1.0, 1.0, 1.0]), (true, vec![1, 2]));
        // What a logarithm does not tell apart is one frequency.
        assert_eq!(found(&[1.0, 1.0_f64.next_up(), 2.0]), (true, vec![1]));
        assert_eq!(found(&[1.0, 1.0 + 1e-11, 2.0]), (true, vec![]));
    }

    #[test]
    fn a_falling_sweep_is_turned_round() {
        let mut samples = Samples {
            frequency_hz: vec![3.0, 2.0, 1.0],
            ln_magnitude: vec![30.0, 20.0, 10.0],
            phase_rad: vec![0.3, 0.2, 0.1],
            uncertainty: vec![],
        };
        assert!(put_in_order(&mut samples));
        assert_eq!(samples.frequency_hz, [1.0, 2.0, 3.0]);
        assert_eq!(samples.ln_magnitude, [10.0, 20.0, 30.0]);
        assert_eq!(samples.phase_rad, [0.1, 0.2, 0.3]);
        samples.frequency_hz = vec![1.0, 3.0, 2.0];
        assert!(!put_in_order(&mut samples));
    }
}
