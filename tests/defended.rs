//! Verdicts that can be defended, and refusals that cannot: loops whose exact values follow from their formulas, measured by two
//! receivers with constant noise, judged through spec and run as anybody would.

#![allow(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    reason = "a test that cannot set up its case must stop"
)]

use loopgauge::check::{CheckOutcome, CornerOutcome, Options, Verdict, Workspace, judge_run};
use loopgauge::run::{self, SweepEntry};
use loopgauge::spec;
use loopgauge::sweep::{Complex64, Reading, Samples};
use rand_distr::{Distribution, StandardNormal};
use rand_pcg::Pcg64;
use rand_pcg::rand_core::SeedableRng;
use std::f64::consts::TAU;

/// A loop gain in the textbook convention, over frequency in Hz.
type Loop<'a> = &'a dyn Fn(f64) -> Complex64;

fn j(x: f64) -> Complex64 {
    Complex64::new(0.0, x)
}

/// 1 / (1 - w^2 + j w / q) with w = f / f0.
fn second_order(hz: f64, f0: f64, q: f64) -> Complex64 {
    let w = hz / f0;
    1.0 / Complex64::new(1.0 - w * w, w / q)
}

/// An integrator that crosses 0 dB near 10 kHz, a pole at 80 kHz and 1 us of delay.
fn plain(hz: f64) -> Complex64 {
    j(-1e4 / hz) / (1.0 + j(hz / 8e4)) * Complex64::from_polar(1.0, -TAU * hz * 1e-6)
}

fn grid(from: f64, to: f64, per_decade: f64) -> Vec<f64> {
    let count = ((to / from).log10() * per_decade).round() as i32;
    (0..=count).map(|k| from * (to / from).powf(f64::from(k) / f64::from(count))).collect()
}

/// Two receivers that add complex noise of `floor` times the injection to each side.
fn measured(hz: &[f64], the_loop: Loop<'_>, floor: f64, seed: u64) -> Vec<Complex64> {
    let mut random = Pcg64::seed_from_u64(seed);
    let mut noise = || {
        let mut draw = || -> f64 { StandardNormal.sample(&mut random) };
        Complex64::new(floor * draw(), floor * draw())
    };
    hz.iter()
        .map(|hz| {
            let t = the_loop(*hz);
            (t / (1.0 + t) + noise()) / (1.0 / (1.0 + t) + noise())
        })
        .collect()
}

/// A weak level, and one 3 dB stronger with less noise.
fn pair(hz: &[f64], the_loop: Loop<'_>, floor: f64, seed: u64) -> [Vec<Complex64>; 2] {
    [measured(hz, the_loop, floor, 2 * seed), measured(hz, the_loop, floor / 2f64.sqrt(), 2 * seed + 1)]
}

fn judge(hz: &[f64], limits: &str, sweeps: &[Vec<Complex64>]) -> CornerOutcome {
    let samples: Vec<Samples> = sweeps.iter().map(|t| Samples::from_complex(hz, t).unwrap()).collect();
    judge_samples(hz, limits, &samples)
}

fn judge_samples(hz: &[f64], limits: &str, sweeps: &[Samples]) -> CornerOutcome {
    let levels: Vec<usize> = (0..sweeps.len()).map(|k| 3 * k).collect();
    judge_levels(hz, limits, sweeps, &levels)
}

/// The same with each sweep's level, dBm.
fn judge_levels(hz: &[f64], limits: &str, sweeps: &[Samples], levels: &[usize]) -> CornerOutcome {
    let (from, to) = (hz[0], hz[hz.len() - 1]);
    let text = format!(
        "spec: 1\nproduct: bench-loop\ncritical_point: -1\nband: {{from: {from} Hz, to: {to} Hz}}\nlimits: {{{limits}}}\n\
         linearity: {{step: 3 dB, crossover: 2 %, phase_margin: 2 deg, gain: 1 dB, phase: 5 deg, band: [0.1, 10]}}\n\
         corners: [{{name: only}}]\n"
    );
    let spec = spec::load("bench-loop.yaml", &|_: &str| Ok(text.clone().into_bytes())).unwrap();
    let mut text = "run: 1\nproduct: bench-loop\nserial: S-1\nrevision: A\nsweeps:\n".to_owned();
    for (k, level) in levels.iter().enumerate() {
        text.push_str(&format!("  - {{file: {k}.csv, corner: only, level: {level} dBm}}\n"));
    }
    let run = run::parse(text.as_bytes(), "run.yaml", ".").unwrap().resolve(&spec, &[]).unwrap();
    let options = Options::new(time::macros::date!(2026 - 04 - 02));
    let mut read = |entry: &SweepEntry, _: &Reading, samples: &mut Samples| {
        let k: usize = entry.name().trim_end_matches(".csv").parse().unwrap();
        samples.clone_from(&sweeps[k]);
        Ok(())
    };
    let outcome = judge_run(&run, None, &options, &mut Workspace::default(), &mut read).unwrap().unwrap();
    outcome.corners.into_iter().next().unwrap()
}

fn check<'a>(corner: &'a CornerOutcome, name: &str) -> &'a CheckOutcome {
    corner.checks.iter().find(|check| check.check == name).unwrap()
}

fn told(corner: &CornerOutcome) -> Vec<String> {
    corner.checks.iter().map(|c| format!("{}: {} {}", c.check, c.verdict, c.message)).collect()
}

/// Value and uncertainty of a check.
fn stated(corner: &CornerOutcome, name: &str) -> (f64, f64) {
    let check = check(corner, name);
    (check.value.unwrap(), check.uncertainty.unwrap())
}

/// The frequency where a loop's gain is 1, by bisection.
fn exact_crossover(the_loop: Loop<'_>) -> f64 {
    let (mut low, mut high) = (1e3_f64, 1e5_f64);
    for _ in 0..100 {
        let middle = (low * high).sqrt();
        if the_loop(middle).norm() > 1.0 { low = middle } else { high = middle }
    }
    low
}

// -- Passes that must not be ---------------------------------------------------------------------------------------------

/// A second output filter at 95 kHz, Q 40, whose peak lies between samples at 40 points per decade: one sample shows it in both sweeps.
/// The exact gain margin is far below the limit.
#[test]
fn a_resonance_that_one_sample_shows_in_both_sweeps_is_not_thrown_away() {
    let filtered = |hz: f64| plain(hz) * second_order(hz, 95e3, 40.0);
    for seed in 0..10 {
        // The grid is moved so that another part of the peak is seen.
        let hz = grid(100.0 * 10f64.powf(seed as f64 / 400.0), 400e3, 40.0);
        let corner = judge(
            &hz,
            "gain_margin: {min: 10 dB}, stability_margin: {min: 0.6}",
            &pair(&hz, &filtered, 1e-6, seed),
        );
        for name in ["gain_margin", "stability_margin"] {
            assert_ne!(check(&corner, name).verdict, Verdict::Pass, "{seed}: {:?}", told(&corner));
        }
    }
}

/// Zeros and poles of an input filter at 48 kHz lift the gain over 0 dB once more; at 40 points per decade a sample or two are above.
#[test]
fn crossovers_that_both_sweeps_show_are_counted() {
    let filtered = |hz: f64| {
        let t = 3.4 * plain(hz);
        t * second_order(hz, 50e3, 25.0) / second_order(hz, 46e3, 8.0)
    };
    for seed in 0..10 {
        let hz = grid(100.0 * 10f64.powf(seed as f64 / 400.0), 400e3, 40.0);
        let corner = judge(&hz, "crossings: {max: 1}", &pair(&hz, &filtered, 1e-6, seed));
        assert_ne!(check(&corner, "crossings").verdict, Verdict::Pass, "{seed}: {:?}", told(&corner));
    }
}

/// The gain rises with the square of the level: what is seen from the judged level to the next is what the judged one is off by.
#[test]
fn what_changes_with_the_level_widens_the_uncertainty() {
    let hz = grid(100.0, 400e3, 40.0);
    let at = |level: f64| move |hz: f64| plain(hz) * Complex64::from_polar(1.0, 0.025 * level);
    // Levels 3 dB apart: squares of 1 and 2. Phase margins rise by 1.4 deg from one to the next.
    let sweeps = [measured(&hz, &at(1.0), 1e-6, 1), measured(&hz, &at(2.0), 1e-6, 2)];
    let corner = judge(&hz, "phase_margin: {min: 10 deg}", &sweeps);
    let margin = corner.measured.unwrap().get(loopgauge::measurand::Measurand::PhaseMargin).unwrap();
    let (u, budget) = (margin.uncertainty.unwrap(), margin.budget.unwrap());
    let exact = 180.0 + plain(exact_crossover(&plain)).arg().to_degrees();
    assert!((margin.value - exact).abs() < u, "{} ± {u}, exactly {exact}", margin.value);
    assert!((budget.level / u - 1.0).abs() < 0.05 && u > 1.4, "{budget:?} {u}");
    let limit = format!("phase_margin: {{min: {} deg}}", exact + 0.5);
    assert_eq!(check(&judge(&hz, &limit, &sweeps), "phase_margin").verdict, Verdict::Undecided);
}

/// A drift of the gain and a change with the level cancel in the gain, so that the two sweeps differ in phase alone. What changed once may
/// have changed the gain, too.
#[test]
fn a_change_that_shows_in_phase_alone_widens_the_crossover() {
    let hz = grid(100.0, 400e3, 40.0);
    let at = |phase: f64| move |hz: f64| plain(hz) * Complex64::from_polar(1.004, phase);
    let sweeps = [measured(&hz, &at(0.005), 1e-6, 1), measured(&hz, &at(0.02), 1e-6, 2)];
    let corner = judge(&hz, "crossover: {min: 1 kHz}", &sweeps);
    let ((value, u), exact) = (stated(&corner, "crossover"), exact_crossover(&plain));
    assert!((value - exact).abs() < u, "{value} ± {u}, exactly {exact}");
}

/// The gap at an end of the sweep has neighbours on one side alone.
#[test]
fn a_value_in_the_last_gap_of_a_coarse_sweep_knows_its_interpolation() {
    let filtered = |hz: f64| plain(hz) * second_order(hz, 3e5, 2.0);
    for part in [0.3, 0.5, 0.7] {
        let hz = grid(200.0, 200e3, 10.0);
        let at = hz[hz.len() - 2] * (hz[hz.len() - 1] / hz[hz.len() - 2]).powf(part);
        let limit = format!("crossover: {{min: 1 kHz}}, gain: [{{at: {at} Hz, max: 0 dB}}]");
        let corner = judge(&hz, &limit, &pair(&hz, &filtered, 1e-6, 7));
        let gain = corner.checks.iter().find(|check| check.check.starts_with("gain@")).unwrap();
        let (value, u, exact) =
            (gain.value.unwrap(), gain.uncertainty.unwrap(), 20.0 * filtered(at).norm().log10());
        assert!((value - exact).abs() < u, "{part}: {value} ± {u}, exactly {exact}");
    }
}

/// 3 dB of change at 600 Hz, where the band of the comparison has ended: the limit there is invalid, and nothing else.
#[test]
fn a_limit_of_the_gain_is_compared_at_its_own_frequency() {
    let hz = grid(100.0, 400e3, 40.0);
    let changed = |hz: f64| plain(hz) * (1.0 + 0.41 / (1.0 + (hz / 600.0).powi(6) / 2.0));
    let sweeps = [measured(&hz, &plain, 1e-5, 1), measured(&hz, &changed, 1e-5, 2)];
    let corner = judge(&hz, "phase_margin: {min: 30 deg}, gain: [{at: 600 Hz, min: 20 dB}]", &sweeps);
    let gain = check(&corner, "gain@600Hz");
    assert_eq!(gain.verdict, Verdict::Invalid, "{:?}", told(&corner));
    assert!(
        gain.message.contains("changes by +") && gain.message.contains("allowed 1 dB"),
        "{}",
        gain.message
    );
    assert_eq!(check(&corner, "phase_margin").verdict, Verdict::Pass);
}

/// The phase dips to the ray at one sample of a coarse sweep: no bound of the gain margin.
#[test]
fn points_that_leave_room_for_a_crossing_give_no_bound() {
    let hz = grid(1e3, 1e6, 16.0 / 3.0);
    let sweep: Vec<Complex64> = hz
        .iter()
        .map(|f| {
            let x = (f / hz[11]).ln();
            // Angle from the critical point: 70 deg away, and at one sample on the ray.
            let angle = 70.0 - 70.8 * (-(x * x) / 0.02).exp();
            Complex64::from_polar(1e4 / f, (angle - 180.0).to_radians())
        })
        .collect();
    let other: Vec<Complex64> = sweep.iter().map(|t| t * 1.0001).collect();
    let corner = judge(&hz, "gain_margin: {min: 30 dB}", &[sweep, other]);
    assert_ne!(check(&corner, "gain_margin").verdict, Verdict::Pass, "{:?}", told(&corner));
}

#[test]
fn other_quantities_than_the_loop_gain_are_refused() {
    let hz = grid(100.0, 400e3, 40.0);
    type Turn = fn(Complex64) -> Complex64;
    let others: [(&str, Turn, &str); 3] = [
        ("T/(1+T)", |t| t / (1.0 + t), "T/(1+T)"),
        ("1+T", |t| 1.0 + t, "1+T"),
        ("half the dB", |t| Complex64::from_polar(t.norm().sqrt(), t.arg()), "twice the gain"),
    ];
    for (name, turn, words) in others {
        let sweeps = pair(&hz, &plain, 2e-5, 3).map(|sweep| sweep.into_iter().map(turn).collect::<Vec<_>>());
        let corner = judge(&hz, "stability_margin: {min: 0.01}", &sweeps);
        let sanity = check(&corner, "sanity");
        assert!(
            sanity.verdict == Verdict::Invalid && sanity.message.contains(words),
            "{name}: {:?}",
            told(&corner)
        );
    }
}

// -- Sound sweeps that are judged ----------------------------------------------------------------------------------------

/// 0.5 % of the injection on each receiver drowns the input side below some 300 Hz. The crossover is 30 times higher.
#[test]
fn a_drowned_low_end_costs_what_stands_on_it() {
    let hz = grid(20.0, 400e3, 40.0);
    let limits = "crossover: {min: 5 kHz, max: 20 kHz}, phase_margin: {min: 45 deg}, stability_margin: {min: 0.4}, \
                  gain: [{at: 30 Hz, min: 30 dB}, {at: 2 kHz, min: 10 dB}]";
    for seed in 0..20 {
        let corner = judge(&hz, limits, &pair(&hz, &plain, 5e-3, seed));
        for name in ["sanity", "linearity", "crossover", "phase_margin", "stability_margin", "gain@2kHz"] {
            assert_eq!(check(&corner, name).verdict, Verdict::Pass, "{seed} {name}: {:#?}", told(&corner));
        }
        let low = check(&corner, "gain@30Hz");
        assert!(low.verdict == Verdict::Invalid && low.message.contains("the noise is"), "{}", low.message);
        let finding = corner.findings.iter().find(|f| f.contains("left out")).unwrap();
        assert!(finding.contains("judged is") && finding.contains("inject more"), "{finding}");
    }
}

/// The same loop with positive feedback at direct current, whose sign only the drowned low end shows, is not argued for.
#[test]
fn an_unstable_loop_with_a_drowned_low_end_does_not_pass() {
    let hz = grid(20.0, 400e3, 40.0);
    for (k, turn) in [-1.0, 1.0].into_iter().enumerate() {
        let wrong =
            move |hz: f64| turn * plain(hz) * Complex64::from_polar(1.0, if turn > 0.0 { -1.9 } else { 0.0 });
        for seed in 0..20 {
            let corner = judge(
                &hz,
                "stability_margin: {min: 0.01}",
                &pair(&hz, &wrong, 5e-3, 100 + 20 * k as u64 + seed),
            );
            assert_eq!(corner.verdict, Verdict::Invalid, "{seed}: {:?}", told(&corner));
        }
    }
}

/// Q 30 at 50 points per decade, the same in both sweeps and without noise that matters.
#[test]
fn a_clean_resonance_is_no_jump() {
    for part in 0..10 {
        let centre = 1e3 * 10f64.powf(f64::from(part) / 500.0);
        let resonant = move |hz: f64| {
            let pair = second_order(hz, centre, 30.0) / second_order(hz, 1.1 * centre, 30.0);
            plain(hz) * pair
        };
        let hz = grid(100.0, 400e3, 50.0);
        let corner = judge(&hz, "phase_margin: {min: 45 deg}", &pair(&hz, &resonant, 1e-6, part as u64));
        assert!(told(&corner).iter().all(|text| !text.contains("jumps")), "{part}: {:?}", told(&corner));
    }
}

/// Two sweeps that a coarse file makes equal in every digit may both be true; in a fine file they are one.
#[test]
fn equal_numbers_are_a_copy_only_where_the_file_has_digits() {
    let hz = grid(1e3, 100e3, 12.0);
    let rounded = |step: f64| {
        let to = |value: f64| (value / step).round() * step;
        let gain: Vec<f64> = hz.iter().map(|f| to(20.0 * plain(*f).norm().log10())).collect();
        let phase: Vec<f64> = hz.iter().map(|f| to(plain(*f).arg().to_degrees())).collect();
        Samples::from_db_deg(&hz, &gain, &phase).unwrap()
    };
    let verdict = |step: f64| {
        let sweep = rounded(step);
        let corner = judge_samples(&hz, "phase_margin: {min: 45 deg}", &[sweep.clone(), sweep]);
        (check(&corner, "linearity").verdict, told(&corner))
    };
    let (coarse, why) = verdict(0.1);
    assert_eq!(coarse, Verdict::Pass, "{why:?}");
    assert_eq!(verdict(0.001).0, Verdict::Invalid);
}

/// 20 dB a decade at 20 points a decade are 1 dB from sample to sample: digits of 0.1 dB round all of them alike, by up to 0.05 dB, which is
/// 0.6 % of the crossover. No sweep shows it.
#[test]
fn digits_that_round_a_straight_stretch_alike_are_in_the_uncertainty() {
    let hz = grid(100.0, 1e6, 20.0);
    let rounded = |sweep: &Vec<Complex64>| {
        let digit = |v: f64| (v * 10.0).round() / 10.0;
        let gain: Vec<f64> = sweep.iter().map(|t| digit(20.0 * t.norm().log10())).collect();
        let phase: Vec<f64> = sweep.iter().map(|t| digit(t.arg().to_degrees())).collect();
        Samples::from_db_deg(&hz, &gain, &phase).unwrap()
    };
    let mut outside = 0;
    for k in 0..20 {
        let off_db = -0.05 + 0.005 * (f64::from(k) + 0.5);
        let straight = move |hz: f64| j(-1e4 * 10f64.powf(off_db / 20.0) / hz) / (1.0 + j(hz / 8e5));
        // Each level twice: the mean of two has digits of its own.
        let sweeps: Vec<Samples> =
            (0..2).flat_map(|r| pair(&hz, &straight, 2e-4, 2 * k as u64 + r)).map(|s| rounded(&s)).collect();
        let corner = judge_levels(&hz, "crossover: {min: 1 kHz}", &sweeps, &[0, 3, 0, 3]);
        let (value, u) = stated(&corner, "crossover");
        let error = (value - exact_crossover(&straight)).abs();
        outside += i32::from(error > u);
        assert!(error < 1.25 * u && u < 0.01 * value, "{off_db} dB: {error} of {u}");
    }
    // One of twenty may be.
    assert!(outside <= 2, "{outside}");
}
