//! A level over frequency that changes nothing, with a step to spare.

use std::f64::consts::LN_10;

/// How steeply a profile may change, dB per decade.
///
/// The injection that a loop bears grows towards low frequencies as its gain does, by 20 dB per decade and integrator
/// (textbook asymptote); a steeper profile follows the steps between the levels tried, not the loop. It also keeps the
/// source's level nearly still while the loop settles from one frequency to the next: 0.7 dB at 30 points per decade
/// (common practice, no source).
pub const SLOPE_DB_PER_DECADE: f64 = 20.0;

/// Levels are given in these steps, dB, rounded down: finer than any source sets them.
const RESOLUTION_DB: f64 = 0.01;

/// The largest profile that lies nowhere above `bounds_dbm` less `step_db` and is nowhere steeper than
/// [`SLOPE_DB_PER_DECADE`]: it is only ever lowered. `None` bounds nothing. Gives dBm at every frequency, or nothing when
/// there is no bound at all.
pub(super) fn profile(ln_f: &[f64], bounds_dbm: &[Option<f64>], step_db: f64) -> Option<Vec<f64>> {
    let mut levels: Vec<f64> =
        bounds_dbm.iter().map(|bound| bound.map_or(f64::INFINITY, |dbm| dbm - step_db)).collect();
    let slope = SLOPE_DB_PER_DECADE / LN_10;
    let mut lower = |order: &mut dyn Iterator<Item = usize>| {
        let mut before: Option<(f64, f64)> = None;
        for i in order {
            let (Some(&x), Some(level)) = (ln_f.get(i), levels.get_mut(i)) else { continue };
            if let Some((x0, held)) = before {
                *level = level.min(held + slope * (x - x0).abs());
            }
            before = Some((x, *level));
        }
    };
    lower(&mut (0..ln_f.len()));
    lower(&mut (0..ln_f.len()).rev());
    // What is a whole number of steps but for rounding stays one.
    let down = |dbm: f64| (dbm / RESOLUTION_DB + 1e-6).floor() * RESOLUTION_DB;
    let clean = |dbm: f64| (down(dbm) * 1e6).round() / 1e6;
    levels.iter().all(|dbm| dbm.is_finite()).then(|| levels.into_iter().map(clean).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn decades(per_decade: u32, count: u32) -> Vec<f64> {
        (0..=count).map(|k| f64::from(k) / f64::from(per_decade) * LN_10).collect()
    }

    #[test]
    fn it_stays_a_step_below_and_changes_slowly() {
        let x = decades(20, 80);
        // A hole of 24 dB from 10 to 20 times the start.
        let bounds: Vec<Option<f64>> =
            x.iter().map(|&x| Some(if (LN_10..2.0 * LN_10).contains(&x) { -20.0 } else { 4.0 })).collect();
        let levels = profile(&x, &bounds, 3.0).unwrap();
        for (level, bound) in levels.iter().zip(&bounds) {
            assert!(*level <= bound.unwrap() - 3.0 + 1e-9, "{level} {bound:?}");
        }
        let steepest = levels.windows(2).map(|w| (w[1] - w[0]).abs()).fold(0.0, f64::max);
        assert!(steepest <= SLOPE_DB_PER_DECADE / 20.0 + RESOLUTION_DB, "{steepest}");
        // Where nothing forces it down it is as high as it may be.
        assert_eq!((levels[60], levels[80]), (-2.0, 1.0));
        assert_eq!((levels[0], levels[20], levels[39]), (-3.0, -23.0, -23.0));
    }

    #[test]
    fn what_is_not_bounded_follows_its_neighbours() {
        let x = decades(10, 4);
        let levels = profile(&x, &[Some(0.0), None, None, Some(0.0), None], 3.0).unwrap();
        assert_eq!(levels, [-3.0, -1.0, -1.0, -3.0, -1.0]);
        assert_eq!(profile(&x, &[None; 5], 3.0), None);
        // Rounded down, never up.
        assert_eq!(profile(&[0.0], &[Some(-20.001)], 3.0).unwrap(), [-23.01]);
        assert_eq!(profile(&[0.0], &[Some(-20.3)], 3.0).unwrap(), [-23.3]);
    }
}
