//! Movements made by hand and drawn ones: what is told of them.

use super::*;
use crate::decision::Limit;

const FREE: Limit = Limit { min: Some(-100.0), max: None };

fn observations(values: &[f64]) -> Vec<Observation> {
    let all = values.iter().enumerate();
    all.map(|(place, &mean)| Observation { place, mean, units: 5, sd: Some(1.5), new_station: false })
        .collect()
}

fn told(values: &[f64], limit: &Limit) -> Told {
    movement(&observations(values), limit, None).unwrap()
}

/// Standard normal values, the same each time.
fn noise(count: usize, seed: u64) -> Vec<f64> {
    use rand_distr::{Distribution, StandardNormal};
    use rand_pcg::{Pcg64, rand_core::SeedableRng};
    let mut random = Pcg64::seed_from_u64(seed);
    (0..count).map(|_| StandardNormal.sample(&mut random)).collect()
}

fn with(seed: u64, level: impl Fn(usize) -> f64) -> Vec<f64> {
    noise(24, seed).iter().enumerate().map(|(k, value)| value + level(k)).collect()
}

/// Means of a calm product of which each goes along with the one before (AR(1)) wander as far as movements do. They are seldom called
/// moved, and where they look so it is said that these groups do not tell.
#[test]
fn means_that_wander_are_seldom_called_moved() {
    for (correlation, most) in [(0.5_f64, 60), (0.8, 100)] {
        let (mut moved, mut open) = (0, 0);
        for seed in 0..400 {
            let mut last = 0.0;
            let values: Vec<f64> = noise(24, 7000 + seed)
                .into_iter()
                .enumerate()
                .map(|(k, fresh)| {
                    let share = if k == 0 { 1.0 } else { (1.0 - correlation * correlation).sqrt() };
                    last = correlation * last + share * fresh;
                    last
                })
                .collect();
            let of = |(place, mean): (usize, &f64)| Observation {
                place,
                mean: *mean,
                units: 5,
                sd: Some(1e-3),
                new_station: false,
            };
            let series: Vec<Observation> = values.iter().enumerate().map(of).collect();
            let found = movement(&series, &FREE, None).unwrap().movement;
            moved += usize::from(found.kind != Kind::None);
            open += usize::from(found.perhaps.is_some());
            assert!(found.kind == Kind::None || found.perhaps.is_none(), "{found:?}");
        }
        println!("{correlation}: {moved} moved, {open} open of 400");
        assert!(moved < most && open > 10, "{correlation}: {moved} {open}");
    }
}

/// Another station is off by 1.2 standard deviations of a mean, and nobody knows which of the two is right.
#[test]
fn a_forecast_holds_the_truth_whatever_another_station_makes_of_it() {
    let (mut held, mut slopes, tries) = (0, 0, 400);
    for seed in 0..tries {
        let off = if seed % 2 == 0 { 1.2 } else { -1.2 };
        let at = 6 + (seed % 12) as usize;
        let values =
            with(9000 + seed, |k| (if k >= at { off } else { 0.0 }) - 0.3 * (k + 1).saturating_sub(8) as f64);
        let mut series = observations(&values);
        series[at].new_station = true;
        // The product stands at -4.8 in the newest group.
        let found = movement(&series, &Limit { min: Some(-7.8), max: None }, None).unwrap();
        let ahead = found.forecast;
        held += usize::from(ahead.is_some_and(|ahead| {
            ahead.low.is_some_and(|low| low <= 10.0) && ahead.high.is_none_or(|high| high >= 10.0)
        }));
        let slope = found.movement.slope;
        slopes += usize::from(slope.low <= -0.3 && slope.high >= -0.3);
    }
    println!("{held} forecasts, {slopes} slopes of {tries}");
    assert!(held * 100 > 92 * tries as usize && slopes * 100 > 92 * tries as usize, "{held} {slopes}");
}

/// Nothing overflows where one explanation is the only one by hundreds of orders of magnitude: long histories whose newest groups
/// lie thousands of standard deviations off.
#[test]
fn what_is_beyond_all_doubt_is_told() {
    for (newest, size) in [(1, 8e2), (2, 8e2), (2, 1e6), (40, 1e5), (150, -1e7)] {
        let values: Vec<f64> = noise(300, 5)
            .iter()
            .enumerate()
            .map(|(k, v)| 50.0 + v + if k + newest >= 300 { size } else { 0.0 })
            .collect();
        let told = told(&values, &Limit { min: Some(10.0), max: Some(2e3) });
        let moved = told.movement;
        let sum = moved.probability.none + moved.probability.step + moved.probability.ramp;
        assert!((sum - 1.0).abs() < 1e-6, "{moved:?}");
        for range in [moved.size, moved.slope, moved.level] {
            assert!(range.low <= range.value && range.value <= range.high, "{newest} {size}: {moved:?}");
        }
        assert!(newest < 3 || moved.kind == Kind::Step, "{newest} {size}: {moved:?}");
    }
}

/// Annual flow of the Nile at Aswan, 1871 to 1970, 1e8 m3: one step after 1898 (G. W. Cobb, *The problem of the Nile*, Biometrika 65,
/// 1978; values from memory). Means before and after 1098 and 850: any table of them.
#[test]
fn the_nile_stepped_in_1899() {
    let flow = [
        1120, 1160, 963, 1210, 1160, 1160, 813, 1230, 1370, 1140, 995, 935, 1110, 994, 1020, 960, 1180, 799,
        958, 1140, 1100, 1210, 1150, 1250, 1260, 1220, 1030, 1100, 774, 840, 874, 694, 940, 833, 701, 916,
        692, 1020, 1050, 969, 831, 726, 456, 824, 702, 1120, 1100, 832, 764, 821, 768, 845, 864, 862, 698,
        845, 744, 796, 1040, 759, 781, 865, 845, 944, 984, 897, 822, 1010, 771, 676, 649, 846, 812, 742, 801,
        1040, 860, 874, 848, 890, 744, 749, 838, 1050, 918, 986, 797, 923, 975, 815, 1020, 906, 901, 1170,
        912, 746, 919, 718, 714, 740,
    ];
    let values: Vec<f64> = flow.iter().map(|value| f64::from(*value)).collect();
    let moved = told(&values, &Limit { min: Some(400.0), max: None }).movement;
    assert_eq!(moved.kind, Kind::Step, "{moved:?}");
    let since = moved.since.unwrap();
    assert_eq!(1871 + since.group, 1899, "{moved:?}");
    assert!(moved.probability.step > 0.8 && since.low >= 24 && since.high <= 30, "{moved:?}");
    assert!(moved.size.low < -248.0 && moved.size.high > -248.0 && moved.size.high < -150.0, "{moved:?}");
}

/// Only the unit changes: what is told follows it.
#[test]
fn a_shift_changes_nothing_and_a_scale_scales() {
    for seed in 0..4 {
        let values = with(seed, |k| -0.4 * k.saturating_sub(9) as f64);
        let plain = told(&values, &Limit { min: Some(-15.0), max: None });
        let scaled: Vec<Observation> = observations(&values)
            .into_iter()
            .map(|o| Observation { mean: 1e-6 * (o.mean + 40.0), sd: o.sd.map(|sd| 1e-6 * sd), ..o })
            .collect();
        let limit = Limit { min: Some(25e-6), max: None };
        let other = movement(&scaled, &limit, None).unwrap();
        let (a, b) = (&plain.movement, &other.movement);
        assert_eq!((a.kind, a.since, a.relevant), (b.kind, b.since, b.relevant));
        let pairs = [
            (a.probability.ramp, b.probability.ramp),
            (a.size.low, 1e6 * b.size.low),
            (a.slope.high, 1e6 * b.slope.high),
            (a.level.value + 40.0, 1e6 * b.level.value),
            (plain.forecast.unwrap().in_groups, other.forecast.unwrap().in_groups),
        ];
        for (a, b) in pairs {
            assert!((a - b).abs() < 1e-3 * a.abs().max(1.0), "{a} {b}");
        }
    }
}

#[test]
fn a_step_seen_backwards_is_the_opposite_step() {
    let values = with(3, |k| if k < 14 { 0.0 } else { 5.0 });
    let mut backwards = values.clone();
    backwards.reverse();
    let (a, b) = (told(&values, &FREE).movement, told(&backwards, &FREE).movement);
    assert_eq!((a.kind, b.kind), (Kind::Step, Kind::Step));
    assert_eq!(a.since.unwrap().group, 24 - b.since.unwrap().group);
    assert!((a.size.value + b.size.value).abs() < 0.3, "{} {}", a.size.value, b.size.value);
}

#[test]
fn probabilities_add_up_and_values_lie_in_their_intervals() {
    for seed in 0..20 {
        let values = with(seed, |k| -0.2 * k.saturating_sub(seed as usize) as f64);
        let told = told(&values, &Limit { min: Some(-8.0), max: None });
        let moved = told.movement;
        let Weights { none, step, ramp } = moved.probability;
        assert!((none + step + ramp - 1.0).abs() < 1e-9, "{moved:?}");
        for range in [moved.size, moved.slope, moved.level] {
            assert!(range.low <= range.value && range.value <= range.high, "{moved:?}");
        }
        if let Some(since) = moved.since {
            assert!(since.low <= since.group && since.group <= since.high && since.high < 24, "{moved:?}");
        }
        assert_eq!(moved.kind == Kind::None, moved.since.is_none());
        if let Some(Reach { in_groups, low, high, .. }) = told.forecast {
            assert!(low.is_none_or(|low| low <= in_groups), "{moved:?}");
            assert!(high.is_none_or(|high| high >= in_groups), "{moved:?}");
        }
    }
}

/// One bad lot, wherever it is, the newest included, makes neither a step nor a ramp; it is named.
#[test]
fn one_bad_lot_is_no_movement() {
    for place in 0..24 {
        for size in [12.0, -60.0] {
            let values = with(5, |k| if k == place { size } else { 0.0 });
            let moved = told(&values, &FREE).movement;
            assert_eq!(moved.kind, Kind::None, "{size} at {place}: {moved:?}");
            assert_eq!(moved.left_out, [place], "{size} at {place}: {moved:?}");
            // Of the newest group alone it stays open whether the level is there.
            assert!(place == 23 || moved.level.value.abs() < 1.0, "{moved:?}");
        }
    }
    let two = with(5, |k| if k >= 22 { 12.0 } else { 0.0 });
    let moved = told(&two, &FREE).movement;
    assert_eq!((moved.kind, moved.since.unwrap().group), (Kind::Step, 22), "two groups are a step");
}

/// A step up, later a creep: the creep counts, the step is told.
#[test]
fn of_several_changes_the_newest_counts() {
    let values = with(2, |k| {
        let step = if k < 6 { 0.0 } else { 9.0 };
        step - 0.8 * k.saturating_sub(13) as f64
    });
    let told = told(&values, &Limit { min: Some(-4.0), max: None });
    let moved = told.movement;
    assert_eq!(moved.kind, Kind::Ramp, "{moved:?}");
    assert!(moved.slope.low < -0.8 && moved.slope.high > -0.8, "{moved:?}");
    assert_eq!(moved.earlier.len(), 1, "{moved:?}");
    assert_eq!((moved.earlier[0].kind, moved.earlier[0].since), (Kind::Step, 6));
    assert!((moved.earlier[0].size - 9.0).abs() < 1.5, "{moved:?}");
    // From 9 - 7.2 = 1.8 down to -4.
    let ahead = told.forecast.unwrap();
    assert!(ahead.low.unwrap() < 7.25 && ahead.high.is_none_or(|high| high > 7.25), "{ahead:?}");
}

/// A ramp that has ended is not the present slope.
#[test]
fn what_has_levelled_does_not_move() {
    let values = with(4, |k| -1.5 * k.clamp(6, 14) as f64);
    let moved = told(&values, &FREE).movement;
    assert_ne!(moved.kind, Kind::Ramp, "{moved:?}");
    assert!(moved.slope.low <= 0.0 && moved.slope.high >= 0.0, "{moved:?}");
}

#[test]
fn the_way_to_the_limit_and_what_matters() {
    let values = with(1, |k| if k < 12 { 50.0 } else { 46.0 });
    let towards = told(&values, &Limit { min: Some(40.0), max: None }).movement;
    assert!(towards.towards_limit && towards.relevant, "{towards:?}");
    assert!((towards.share_eaten - 0.4).abs() < 0.1, "{towards:?}");
    assert!((towards.threshold.unwrap() - 1.0).abs() < 0.1, "{towards:?}");
    let away = told(&values, &Limit { min: None, max: Some(60.0) }).movement;
    assert!(!away.towards_limit && !away.relevant && away.share_eaten < 0.0, "{away:?}");
    let small = movement(&observations(&values), &Limit { min: Some(40.0), max: None }, Some(9.0)).unwrap();
    assert!(small.movement.towards_limit && !small.movement.relevant);
    let limit = Limit { min: Some(40.0), max: None };
    assert!(small.movement.is_harmless(-4.0, 50.0, &limit) && !towards.is_harmless(-4.0, 50.0, &limit));
    assert!(!small.movement.is_harmless(-9.5, 50.0, &limit), "a lot that is off by more is no small thing");
}

#[test]
fn few_groups_constant_ones_and_thousands() {
    assert_eq!(movement(&observations(&[1.0; 4]), &FREE, None), None);
    let constant = told(&[52.0; 9], &FREE).movement;
    assert_eq!(constant.kind, Kind::None, "{constant:?}");
    assert_eq!(told(&[0.0; 9], &FREE).movement.kind, Kind::None);
    let made_up = told(&[5.0, 5.0, 5.0, 5.0, 6.0, 6.0, 6.0], &FREE).movement;
    assert_eq!((made_up.kind, made_up.since.unwrap().group), (Kind::Step, 4), "{made_up:?}");
    let long: Vec<f64> =
        noise(2_000, 8).iter().enumerate().map(|(k, v)| v + if k < 1_900 { 0.0 } else { 4.0 }).collect();
    let moved = told(&long, &FREE).movement;
    assert_eq!(moved.kind, Kind::Step);
    assert!(moved.since.unwrap().group.abs_diff(1_900) <= 1, "{moved:?}");
}

/// Lots that follow each other closely: no trend is shown where none is, and the correlation is told.
#[test]
fn correlated_lots_show_no_trend() {
    let mut shown = 0;
    let mut named = 0;
    for seed in 0..60 {
        let mut last = 0.0;
        let values: Vec<f64> = noise(40, 900 + seed)
            .iter()
            .map(|value| {
                last = 0.8 * last + 0.6 * value;
                last
            })
            .collect();
        let moved = told(&values, &FREE).movement;
        shown += usize::from(moved.slope.excludes_zero());
        named += usize::from(moved.correlation.is_some_and(|r| r > 0.3));
    }
    // 5 % and three standard errors; blind would be none named.
    assert!(shown <= 8 && named >= 20, "{shown} {named}");
}
