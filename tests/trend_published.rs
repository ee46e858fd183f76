//! Lines, capability and tolerance against published figures.
//!
//! NIST StRD: Statistical Reference Datasets of the National Institute of Standards and Technology, public domain; the data stand
//! in `tests/nist/`, the certified values here.

#![allow(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    reason = "a test that cannot set up its case must stop"
)]

use loopgauge::decision::Limit;
use loopgauge::drift::{Capability, Line, Moments, student, tolerance_factor};

/// Rows of a data file, without its header.
fn rows(text: &str) -> Vec<Vec<f64>> {
    text.lines().skip(1).map(|line| line.split(',').map(|cell| cell.parse().unwrap()).collect()).collect()
}

fn moments(text: &str) -> Moments {
    let values: Vec<f64> = rows(text).iter().map(|row| row[0]).collect();
    Moments::of(&values).unwrap()
}

/// Whether the numbers agree to so many significant digits.
fn agree(found: f64, certified: f64, digits: i32) {
    let off = (found / certified - 1.0).abs();
    assert!(off < 0.5 * 10f64.powi(1 - digits), "{found}, certified {certified}: off by {off:e}");
}

/// NIST StRD, univariate: Michelso (average difficulty) and Mavro (low). The mean to all certified digits; the standard deviation to
/// those that the data keep as doubles.
#[test]
fn nist_michelso_and_mavro() {
    let michelso = moments(include_str!("nist/michelso.csv"));
    assert_eq!(michelso.count, 100);
    agree(michelso.mean, 299.852_4, 15);
    agree(michelso.sd.unwrap(), 0.079_010_547_819_051_8, 13);
    let mavro = moments(include_str!("nist/mavro.csv"));
    assert_eq!(mavro.count, 50);
    agree(mavro.mean, 2.001_856, 15);
    agree(mavro.sd.unwrap(), 0.000_429_123_454_003_053, 12);
}

/// NIST StRD, univariate: NumAcc4 (higher difficulty), values of 1e7 that differ by 0.1. A double keeps them to 1e-9, which leaves 8
/// digits of the standard deviation, whatever the formula.
#[test]
fn nist_numacc4() {
    let numacc = moments(include_str!("nist/numacc4.csv"));
    assert_eq!(numacc.count, 1001);
    agree(numacc.mean, 10_000_000.2, 15);
    agree(numacc.sd.unwrap(), 0.1, 8);
}

/// NIST StRD, linear regression: Norris (low difficulty); all certified values.
#[test]
fn nist_norris() {
    let points: Vec<(f64, f64)> =
        rows(include_str!("nist/norris.csv")).iter().map(|row| (row[1], row[0])).collect();
    let line = Line::of(&points).unwrap();
    assert_eq!(line.count, 36);
    let digits = 12;
    agree(line.at(0.0), -0.262_323_073_774_029, digits);
    agree(line.error_at(0.0), 0.232_818_234_301_152, digits);
    agree(line.slope, 1.002_116_818_020_45, digits);
    agree(line.slope_error, 0.000_429_796_848_199_937, digits);
    agree(line.residual_sd, 0.884_796_396_144_373, digits);
    agree(line.r_squared.unwrap(), 0.999_993_745_883_712, digits);
    let squares = 34.0 * line.residual_sd.powi(2);
    agree(squares, 26.617_398_529_422_4, digits);
    let f = (line.slope / line.slope_error).powi(2);
    agree(f, 5_436_385.540_797_85, digits);
    agree(f * line.residual_sd.powi(2), 4_255_954.132_323_69, digits);
}

/// JCGM 100:2008 (GUM), H.3: correction of a thermometer over temperature, line referred to 20 degC.
#[test]
fn gum_h_3() {
    let t = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511];
    let b = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160];
    let points: Vec<(f64, f64)> = t.iter().zip(b).map(|(t, b)| (t - 20.0, b)).collect();
    let line = Line::of(&points).unwrap();
    for (found, printed, half_digit) in [
        (line.at(0.0), -0.1712, 5e-5),
        (line.error_at(0.0), 0.0029, 5e-5),
        (line.slope, 0.00218, 5e-6),
        (line.slope_error, 0.00067, 5e-6),
        (line.residual_sd, 0.0035, 5e-5),
        (line.at(10.0), -0.1494, 5e-5),
        (line.error_at(10.0), 0.0041, 5e-5),
        (-line.mean_x * line.slope_error / line.error_at(0.0), -0.930, 5e-4),
    ] {
        assert!((found - printed).abs() <= half_digit, "{found}, printed {printed}");
    }
}

/// Quantiles of Student's t: any handbook's table; JCGM 100:2008, table G.2, for 95.45 %.
#[test]
fn students_quantiles() {
    for (freedom, t975, t995) in [
        (1.0, 12.7062, 63.6567),
        (2.0, 4.3027, 9.9248),
        (4.0, 2.7764, 4.6041),
        (9.0, 2.2622, 3.2498),
        (16.0, 2.1199, 2.9208),
        (30.0, 2.0423, 2.7500),
    ] {
        for (probability, printed) in [(0.975, t975), (0.995, t995)] {
            let found = student(probability, freedom).unwrap();
            assert!((found - printed).abs() <= 5.1e-5, "{freedom}: {found}, printed {printed}");
        }
    }
    for (freedom, printed) in [(4.0, 2.87), (10.0, 2.28), (50.0, 2.05)] {
        let found = student(0.5 + 0.5 * 0.9545, freedom).unwrap();
        assert!((found - printed).abs() <= 5.1e-3, "{freedom}: {found}, printed {printed}");
    }
    assert_eq!((student(1.0, 5.0), student(0.5, 0.0)), (None, None));
}

/// NIST/SEMATECH e-Handbook, 6.1.6: limits 8 and 20, mean 16, standard deviation 2.
#[test]
fn nist_capability() {
    let units = Moments { count: 50, mean: 16.0, sd: Some(2.0), min: 12.0, max: 20.0 };
    let ppk = |min, max| Capability::of(&units, &Limit { min, max }).unwrap().ppk;
    for (found, printed) in [
        (ppk(Some(8.0), Some(20.0)), 0.6667),
        (ppk(Some(8.0), None), 1.3333),
        (ppk(None, Some(20.0)), 0.6667),
    ] {
        assert!((found - printed).abs() <= 5e-5);
    }
}

/// A. F. Bissell, Applied Statistics 39, 1990 (from memory), Cpk 2/3: the lower end of his 95 % interval has 2.5 % below it, the
/// bound here 5 %, so it lies 1.6449 / 1.9600 of the way (normal quantiles of any handbook).
#[test]
fn bissells_lower_bound() {
    for (count, end) in [(30, 0.45771), (100, 0.55313)] {
        let units = Moments { count, mean: 16.0, sd: Some(2.0), min: 12.0, max: 20.0 };
        let found = Capability::of(&units, &Limit { min: Some(12.0), max: None }).unwrap().low;
        let bound = 2.0 / 3.0 - (2.0 / 3.0 - end) * 1.644_853_627 / 1.959_963_984_5;
        assert!((found - bound).abs() < 6e-6, "{found}, {bound}");
    }
}

/// One-sided tolerance factors, 95 % confidence, for 90, 95 and 99 % of the population (tables of ISO 16269-6, recomputed).
#[test]
fn one_sided_tolerance_factors() {
    for (units, factors) in [
        (5, [3.4066, 4.2027, 5.7411]),
        (10, [2.3546, 2.9110, 3.9811]),
        (20, [1.9260, 2.3960, 3.2952]),
        (30, [1.7773, 2.2198, 3.0639]),
        (50, [1.6456, 2.0650, 2.8624]),
        (100, [1.5267, 1.9265, 2.6840]),
    ] {
        for (content, printed) in [0.90, 0.95, 0.99].into_iter().zip(factors) {
            let found = tolerance_factor(units, content, 0.95).unwrap();
            assert!((found - printed).abs() <= 5.1e-5, "{units} {content}: {found}, printed {printed}");
        }
    }
}

/// NIST/SEMATECH e-Handbook, 7.2.6.3: 90 % of the population with 99 % confidence, by the non-central t.
#[test]
fn nist_tolerance_factors() {
    for (units, printed) in [(43, 1.8740), (6, 4.4111)] {
        let found = tolerance_factor(units, 0.90, 0.99).unwrap();
        assert!((found - printed).abs() <= 5.1e-5, "{units}: {found}, printed {printed}");
    }
}
