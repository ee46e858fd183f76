//! Simulated sweeps: the simulation itself is sound, and a small share of each of its modes meets its aim.

#![allow(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    reason = "a test that cannot set up its case must stop"
)]

#[expect(dead_code, reason = "the simulation's own entry, built as an example, is not called here")]
#[path = "../examples/simulate/main.rs"]
mod simulate;

use loopgauge::measurand::Measurand;
use simulate::bench::{Bench, Levels, invalid, measured};
use simulate::loops::Kind;
use simulate::noise::{Chain, Declared, Grid, Model, Noise, Random};
use simulate::truth::Truth;
use simulate::work::Subjects;
use std::sync::LazyLock;

static SUBJECTS: LazyLock<Subjects> = LazyLock::new(Subjects::all);

fn missed(mode: &str, share: usize) -> Vec<String> {
    simulate::simulate(mode, share, 1, &SUBJECTS).missed
}

fn truth(name: &str) -> &'static Truth {
    let index = SUBJECTS.loops.iter().position(|l| l.name == name).unwrap();
    &SUBJECTS.truths[index]
}

#[test]
fn the_loops_are_stable_and_leave_no_crossing_to_chance() {
    assert_eq!(missed("loops", 1), Vec::<String>::new());
    assert!(SUBJECTS.loops.len() >= 60);
    let with_gain_margin = SUBJECTS.truths.iter().filter(|t| t.get(Measurand::GainMargin).is_some()).count();
    assert!(10 * with_gain_margin >= 9 * SUBJECTS.loops.len());
    for (l, t) in SUBJECTS.loops.iter().zip(&SUBJECTS.truths) {
        let fc = t.get(Measurand::Crossover).unwrap();
        assert!((1.999e3..50.001e3).contains(&fc), "{}: {fc}", l.name);
        assert_eq!(
            l.kind == Kind::Conditional,
            t.get(Measurand::GainReductionMargin).is_some(),
            "{}",
            l.name
        );
    }
}

/// Closed forms of two kinds: 90 deg - atan(1/5) - 360 deg f tau, and K / (s (1 + s/a) (1 + s/b)), which meets the ray at
/// sqrt(a b) with a magnitude of K / (a + b) (both by hand).
#[test]
fn exact_values_are_those_of_closed_forms() {
    let margin = truth("dead time 10k 8 us").get(Measurand::PhaseMargin).unwrap();
    assert!((margin - (90.0 - 0.2f64.atan().to_degrees() - 360.0 * 10e3 * 8e-6)).abs() < 1e-9);
    let delay = truth("dead time 10k 8 us").get(Measurand::DelayMargin).unwrap();
    assert!((delay - margin / 360.0 / 10e3).abs() < 1e-15);
    let (fc, a, b) = (20e3_f64, 40e3_f64, 200e3_f64);
    let k = fc * (fc / a).hypot(1.0) * (fc / b).hypot(1.0);
    let lag = truth("lag 20k 40k");
    assert!((lag.get(Measurand::GainMargin).unwrap() - 20.0 * ((a + b) / k).log10()).abs() < 1e-9);
    assert!((lag.phase_crossovers[0].0 - (a * b).sqrt()).abs() < 1e-6);
}

/// What dense sweeps without noise may be off: interpolation and smoothing.
const WITHOUT_NOISE: f64 = 0.005;

#[test]
fn without_noise_the_library_finds_the_exact_values() {
    for (l, t) in SUBJECTS.loops.iter().zip(&SUBJECTS.truths) {
        let mut random = Random::of(99, 0, 0);
        let grid = Grid::new(l, 100.0, t.get(Measurand::Crossover).unwrap());
        let chain = Chain::draw(&Declared::NONE, &mut random);
        let sweep = grid.take(&chain, &Noise::new(Model::Constant, 0.0), &mut random);
        let corner = Bench::new(l, &Declared::NONE, &[], Levels::One).judge(&[sweep]);
        assert_eq!(invalid(&corner).next(), None, "{}", l.name);
        assert_eq!(corner.measured.unwrap().crossings, t.crossovers.len(), "{}", l.name);
        for quantity in Truth::KNOWN {
            let (own, exact) = (measured(&corner, quantity).map(|m| m.value), t.get(quantity));
            assert_eq!(own.is_some(), exact.is_some(), "{} {quantity:?}", l.name);
            if let Some((own, exact)) = own.zip(exact) {
                assert!((own / exact - 1.0).abs() < WITHOUT_NOISE, "{} {quantity:?}: {own}, {exact}", l.name);
            }
        }
    }
}

#[test]
fn noise_has_the_size_that_it_says() {
    let l = &SUBJECTS.loops[0];
    let grid = Grid::new(l, 1000.0, SUBJECTS.truths[0].get(Measurand::Crossover).unwrap());
    let mut random = Random::of(99, 1, 0);
    let chain = Chain::draw(&Declared::NONE, &mut random);
    let sweep = grid.take(&chain, &Noise::new(Model::Constant, 0.01), &mut random);
    let (mut gain, mut phase) = (0.0, 0.0);
    for (k, t) in grid.t.iter().enumerate() {
        gain += (sweep.ln_magnitude()[k] - t.norm().ln()).powi(2);
        let turned = sweep.phase_rad()[k] - t.arg();
        phase += turned.sin().powi(2);
    }
    for sum in [gain, phase] {
        let rms = (sum / grid.t.len() as f64).sqrt();
        // 3700 points tell an rms to 1.2 %.
        assert!((rms / 0.01 - 1.0).abs() < 0.05, "{rms}");
    }
}

#[test]
fn the_same_numbers_come_out_again() {
    let text = || simulate::simulate("coverage", 400, 1, &SUBJECTS).text;
    assert_eq!(text(), text());
}

#[test]
fn no_level_is_judged_that_is_not_linear() {
    let missed = missed("linearity", 20);
    assert!(missed.iter().all(|aim| !aim.contains("not linear")), "{missed:?}");
}

#[test]
fn the_truth_lies_inside_the_uncertainty() {
    assert_eq!(missed("coverage", 30), Vec::<String>::new());
}

#[test]
fn verdicts_at_the_limit_are_rarely_wrong() {
    assert_eq!(missed("acceptance", 40), Vec::<String>::new());
}

#[test]
fn a_ruler_is_beaten() {
    assert_eq!(missed("margins", 30), Vec::<String>::new());
}

#[test]
fn the_strongest_confirmable_level_is_judged() {
    assert_eq!(missed("linearity", 20), Vec::<String>::new());
}

#[test]
fn linear_corners_are_not_accused_of_a_dead_zone_and_dead_zones_are_found() {
    assert_eq!(simulate::levels::run(1, 25).missed, Vec::<String>::new());
}

#[test]
fn the_true_change_lies_inside_its_uncertainty() {
    assert_eq!(missed("regression", 10), Vec::<String>::new());
}

#[test]
fn sound_corners_raise_no_alarm() {
    assert_eq!(missed("clean", 20), Vec::<String>::new());
}

#[test]
fn a_chart_that_learns_holds_its_rate_and_sees_a_step_soon() {
    assert_eq!(missed("learning", 50), Vec::<String>::new());
}

#[test]
fn bounds_of_capability_hold_the_truth_where_units_of_a_lot_are_alike() {
    assert_eq!(missed("lots", 20), Vec::<String>::new());
}

#[test]
fn charts_have_their_run_lengths_and_false_alarms() {
    assert_eq!(missed("charts", 20), Vec::<String>::new());
}

#[test]
fn the_true_trend_lies_inside_its_interval() {
    assert_eq!(missed("trend", 20), Vec::<String>::new());
}

/// The referee itself: its loops, its exact values and its bench against closed forms.
mod referee {
    use super::simulate::referee::classes::CLASSES;
    use super::simulate::referee::draw::Draw;
    use super::simulate::referee::judge::{Asked, Bench, lenient};
    use super::simulate::referee::plant::Plant;
    use super::simulate::referee::receivers::{Digits, Receivers, sides};
    use super::simulate::referee::scene::{Density, Key, Scene, exact};
    use super::simulate::referee::{self, survey};
    use loopgauge::measurand::Measurand;
    use num_complex::Complex64;
    use std::f64::consts::TAU;

    /// Product of polynomials, lowest power first.
    fn times(a: &[f64], b: &[f64]) -> Vec<f64> {
        let mut product = vec![0.0; a.len() + b.len() - 1];
        for (i, x) in a.iter().enumerate() {
            for (j, y) in b.iter().enumerate() {
                product[i + j] += x * y;
            }
        }
        product
    }

    /// Roots of a polynomial, all at once (Durand and Kerner's iteration: any numerical handbook, from memory).
    fn roots(polynomial: &[f64]) -> Vec<Complex64> {
        let degree = polynomial.len() - 1;
        let monic: Vec<f64> = polynomial.iter().map(|c| c / polynomial[degree]).collect();
        let value = |z: Complex64| monic.iter().rev().fold(Complex64::ZERO, |sum, &c| sum * z + c);
        // No root is farther out than the largest of these (Fujiwara's bound: from memory).
        let reach = |k: usize| 2.0 * monic[degree - k].abs().powf(1.0 / k as f64);
        let radius = (1..=degree).map(reach).fold(0.0, f64::max);
        let mut found: Vec<Complex64> = (0..degree)
            .map(|k| Complex64::from_polar(radius, TAU * (k as f64 + 0.3) / degree as f64))
            .collect();
        for _ in 0..20_000 {
            let mut moved = 0.0_f64;
            for i in 0..degree {
                let others: Complex64 =
                    (0..degree).filter(|&k| k != i).map(|k| found[i] - found[k]).product();
                let step = value(found[i]) / others;
                found[i] -= step;
                moved = moved.max(step.norm() / found[i].norm());
            }
            if moved < 1e-12 {
                break;
            }
        }
        found
    }

    /// Right-half-plane roots of numerator plus denominator, frequencies scaled to the crossover.
    fn unstable_roots(plant: &Plant, fc: f64) -> usize {
        let corner = |hz: &f64| vec![1.0, fc / hz];
        let pair = |hz: f64, q: f64| vec![1.0, fc / hz / q, (fc / hz).powi(2)];
        let product = |corners: &[f64], pairs: Vec<Vec<f64>>| {
            corners.iter().map(corner).chain(pairs).fold(vec![1.0], |sum, p| times(&sum, &p))
        };
        let zero_pairs = plant.zero_pairs.iter().map(|p| pair(p.hz, p.q)).collect();
        let pole_pairs = plant.pole_pairs.iter().map(|p| pair(p.hz, p.q)).collect();
        let mut above = product(&plant.zeros_hz, zero_pairs);
        above.iter_mut().for_each(|c| *c *= plant.gain);
        let mut below = product(&plant.poles_hz, pole_pairs);
        let integrators = plant.integrators as usize;
        below.iter_mut().for_each(|c| *c *= fc.powi(plant.integrators));
        below.splice(0..0, std::iter::repeat_n(0.0, integrators));
        let length = above.len().max(below.len());
        let at = |list: &[f64], k: usize| list.get(k).copied().unwrap_or(0.0);
        let sum: Vec<f64> = (0..length).map(|k| at(&above, k) + at(&below, k)).collect();
        roots(&sum).iter().filter(|root| root.re > 0.0).count()
    }

    /// Loops without delay, sound and unsound: the argument principle against the roots of the characteristic polynomial.
    #[test]
    fn unstable_poles_are_the_roots_of_the_closed_loop() {
        let (mut stable, mut unstable) = (0, 0);
        for (class, family) in CLASSES.iter().enumerate() {
            let mut d = Draw::of(7, 90, class, 0);
            for _ in 0..30 {
                let (mut plant, fc) = (family.draw)(&mut d);
                plant.delay_s = 0.0;
                plant = plant.crossing_at(fc);
                plant.gain *= d.log(0.02, 50.0);
                // Nearly on the edge neither of the two has enough digits.
                let edge = (0..4000)
                    .map(|k| fc * 10f64.powf(f64::from(k) / 500.0 - 4.0))
                    .map(|hz| (1.0 + plant.at(hz)).norm())
                    .fold(f64::INFINITY, f64::min);
                if edge < 1e-3 {
                    continue;
                }
                let counted = plant.unstable_poles(fc);
                assert_eq!(counted as usize, unstable_roots(&plant, fc), "{} {plant:?}", family.name);
                stable += usize::from(counted == 0);
                unstable += usize::from(counted > 0);
            }
        }
        assert!(stable > 100 && unstable > 50, "{stable} {unstable}");
    }

    #[test]
    fn the_phase_of_a_loop_is_that_of_its_gain() {
        for (class, family) in CLASSES.iter().enumerate() {
            let mut d = Draw::of(7, 91, class, 0);
            let (plant, fc) = (family.draw)(&mut d);
            for k in -40..40 {
                let hz = fc * 10f64.powf(f64::from(k) / 20.0);
                let off = (plant.phase(hz) - plant.at(hz).arg()) / TAU;
                assert!((off - off.round()).abs() < 1e-9, "{} at {hz}", family.name);
            }
        }
    }

    /// One integrator and a delay tau: phase margin 90 deg - 360 deg f tau, phase crossover at 1 / (4 tau), gain margin
    /// 1 / (4 f tau) (by hand). With a zero at z and two integrators the phase margin is atan(f/z).
    #[test]
    fn exact_values_of_the_referee_are_those_of_closed_forms() {
        let (fc, tau) = (10e3, 5e-6);
        let truth = exact(&Plant::new(1).delay(tau).crossing_at(fc), 300.0, 200e3);
        let near = |q: Measurand, value: f64| {
            let found = truth.get(q).unwrap();
            assert!((found / value - 1.0).abs() < 1e-9, "{q:?}: {found}, {value}");
        };
        let margin = 90.0 - 360.0 * fc * tau;
        near(Measurand::Crossover, fc);
        near(Measurand::PhaseMargin, margin);
        near(Measurand::DelayMargin, margin / 360.0 / fc);
        near(Measurand::GainMargin, -20.0 * (4.0 * fc * tau).log10());
        let truth = exact(&Plant::new(2).zero(4e3).crossing_at(fc), 300.0, 200e3);
        assert!((truth.get(Measurand::PhaseMargin).unwrap() - 2.5f64.atan().to_degrees()).abs() < 1e-9);
        assert_eq!(truth.get(Measurand::GainMargin), None);
    }

    #[test]
    fn the_sides_differ_by_the_injection_and_their_ratio_is_the_loop_gain() {
        let t = Complex64::new(-0.3, -1.7);
        let [input, output] = sides(t, 0.25);
        assert!((input - output - 0.25).norm() < 1e-15);
        assert!((-output / input - t).norm() < 1e-14);
    }

    /// 40 000 points of one loop gain: each component to 0.4 %, correlations to 0.005.
    #[test]
    fn the_receivers_have_the_noise_that_they_say() {
        let t = Complex64::new(0.2, -6.0);
        let (hz, t) = (vec![1e3; 40_000], vec![t; 40_000]);
        for (correlation, range) in [(0.0, 0.0), (0.8, 0.0), (0.0, 1e-3)] {
            let receivers =
                Receivers { floor: [2e-3, 1e-3], corner_hz: 1e3, range, averaged_below_hz: 4e3, correlation };
            let mut d = Draw::of(7, 92, 0, 0);
            let off: Vec<Complex64> =
                receivers.measure(&hz, &t, 1.0, &mut d).iter().map(|m| m / t[0] - 1.0).collect();
            // The floor is doubled in power by its 1/f part at the corner, and halved in size by four averages. The input side is
            // 0.165 and 1.0 of the injection: ranges end at 0.316 and at 1 (10 dB below).
            let [input, output] = sides(t[0], 1.0).map(|side| side.norm());
            assert!(input < 0.316 && output > 0.9 && output < 1.0);
            let one = |floor: f64, scale: f64| 0.5 * (2f64.sqrt() * floor).hypot(range * scale);
            let wanted = (one(2e-3, 10f64.powf(-0.5)) / input).hypot(one(1e-3, 1.0) / output);
            assert!((receivers.relative(1e3, t[0], 1.0) / wanted - 1.0).abs() < 1e-9);
            let mean = |f: &dyn Fn(usize) -> f64| (1..off.len()).map(f).sum::<f64>() / (off.len() - 1) as f64;
            let rms = mean(&|k| off[k].re * off[k].re).sqrt();
            assert!((rms / wanted - 1.0).abs() < 0.02, "{rms} {wanted}");
            let from_point_to_point = mean(&|k| off[k].im * off[k - 1].im) / mean(&|k| off[k].im * off[k].im);
            assert!((from_point_to_point - correlation).abs() < 0.02, "{from_point_to_point}");
        }
    }

    #[test]
    fn a_file_has_the_digits_that_it_says() {
        let t = Complex64::from_polar(3.0, 1.0);
        assert_eq!(Digits::Decimals(1).numbers(t), [9.5, 57.3]);
        assert_eq!(Digits::Decimals(3).numbers(t), [9.542, 57.296]);
        assert_eq!(
            Digits::Ratio.numbers(Complex64::new(1.234_567_8, -0.000_123_456_78)),
            [1.23457, -1.23457e-4]
        );
        for digits in Digits::ALL {
            let read = digits.read(digits.numbers(t));
            assert!((read / t - 1.0).norm() < 0.01);
            assert_eq!(
                digits.numbers(read).map(|v| (v * 1e9).round()),
                digits.numbers(t).map(|v| (v * 1e9).round())
            );
        }
    }

    fn keys() -> impl Iterator<Item = Key> {
        (0..CLASSES.len() * Density::ALL.len()).map(|k| Key {
            seed: 7,
            class: k % CLASSES.len(),
            density: k / CLASSES.len(),
            number: 0,
        })
    }

    #[test]
    fn every_family_has_sound_loops_at_every_density() {
        assert!(CLASSES.len() >= 16);
        for key in keys() {
            let scene = Scene::bench(key, survey::MODE);
            let crossover = scene.exact(Asked::Crossover).unwrap();
            assert_eq!(scene.plant.unstable_poles(crossover), 0, "{}", key.text());
            assert!(scene.exact(Asked::Phase).unwrap().abs() >= 25.0);
            assert!(scene.from_hz <= crossover / 7.9 && scene.to_hz >= crossover * 1.5);
            assert!((scene.plant.at(crossover).norm() - 1.0).abs() < 1e-9);
            assert_eq!(scene.hz.first(), Some(&scene.from_hz));
            assert!((scene.hz.last().unwrap() / scene.to_hz - 1.0).abs() < 1e-12);
            let widest = scene.hz.windows(2).map(|w| (w[1] / w[0]).log10()).fold(0.0, f64::max);
            assert!(1.0 / widest >= scene.declared_density(), "{}", key.text());
            let truth = exact(&scene.plant, scene.from_hz, scene.to_hz);
            assert_eq!(truth.get(Measurand::GainMargin), scene.exact(Asked::Gain));
        }
    }

    /// Dense, without noise and digits cut off: the library must find what the referee holds it against.
    #[test]
    fn without_noise_the_library_agrees_with_the_referee() {
        let dense = Density::ALL.iter().position(|d| *d == Density::PerDecade(200)).unwrap();
        for class in 0..CLASSES.len() {
            let key = Key { seed: 7, class, density: dense, number: 0 };
            let mut scene = Scene::plain(key, &mut key.draw(93), (8.0, 100.0), (1e-5, 2e-5));
            scene.receivers.floor = [1e-7; 2];
            scene.receivers.range = 0.0;
            scene.digits = Digits::All;
            let sweeps = scene.measure(&mut key.noise(93, 0));
            let judged = Bench::new(&scene, &lenient(&scene)).judge(&scene.hz, &sweeps);
            assert_eq!(judged.broken, None, "{}", key.text());
            for asked in Asked::ALL {
                let Some((stated, exact)) = judged.get(asked).filter(|s| !s.at_least).zip(scene.exact(asked))
                else {
                    continue;
                };
                let scale = if asked == Asked::GainAt { 20.0 } else { exact.abs() };
                assert!((stated.value - exact).abs() < 0.005 * scale, "{} {asked:?}", key.text());
            }
        }
    }

    /// 12 points per decade from a drowned low end up: over each block of samples the noise falls tenfold and more, and the difference of the
    /// sweeps, taken by itself, looks all noise. About the crossover it stands far out of it.
    #[test]
    fn a_change_with_the_level_is_seen_in_a_short_sweep_with_a_drowned_low_end() {
        let (key, repeat) = referee::parse_case("conditional/12/18", 13).unwrap();
        let scene = Scene::bench(key, survey::MODE);
        let sweeps = scene.measure(&mut key.noise(survey::MODE, repeat));
        let judged = Bench::new(&scene, &lenient(&scene)).judge(&scene.hz, &sweeps);
        for asked in [Asked::Crossover, Asked::Phase, Asked::Stability, Asked::Delay, Asked::GainAt] {
            let (stated, exact) = judged.get(asked).zip(scene.exact(asked)).unwrap();
            let u = stated.u.unwrap();
            assert!((stated.value - exact).abs() < u, "{asked:?}: {} ± {u}, exactly {exact}", stated.value);
        }
    }

    #[test]
    fn a_case_can_be_played_again() {
        let (key, repeat) = referee::parse_case("pfc-notch/lin/12.3", 5).unwrap();
        assert_eq!((key.text().as_str(), key.seed, repeat), ("pfc-notch/lin/12", 5, 3));
        assert_eq!(referee::parse_case("pfc-notch/11/12", 5), None);
        let again = || Scene::bench(key, survey::MODE).measure(&mut key.noise(survey::MODE, repeat));
        assert_eq!(again(), again());
        assert_ne!(again(), Scene::bench(key, survey::MODE).measure(&mut key.noise(survey::MODE, 0)));
    }

    #[test]
    fn every_mode_of_the_bench_gives_the_same_numbers_again() {
        for mode in referee::MODES {
            let text = || referee::run(mode, 7, 300).text;
            assert_eq!(text(), text(), "{mode}");
        }
    }
}
