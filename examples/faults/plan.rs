//! The faults: what each of them does to a sound measurement, and what must come of it.

use super::bench::judge;
use super::case::{Case, DENSITIES, Planted};
use super::fate::{Fate, Wanted, fate};
use super::hiss::{Hiss, Sweep, grid};
use super::loops::Kind;
use super::noise::Random;
use super::plants::{Plant, touching, turned};
use num_complex::Complex64;
use std::f64::consts::{LN_10, TAU};

const MODE: u64 = 10;

/// A fault.
pub struct Fault {
    pub name: &'static str,
    pub wanted: Wanted,
    /// Which plants it can be planted in.
    suits: fn(&Plant) -> bool,
    plant: fn(&Case<'_>, &mut Random) -> Planted,
}

const fn any(_: &Plant) -> bool {
    true
}

/// Steep from the start of the band on: most of the loop's low end can be a plateau.
fn has_room_below(plant: &Plant) -> bool {
    plant.kind.is_some_and(|kind| kind != Kind::Resonant) && plant.at(500.0).norm() > 30.0
}

/// Everything that is planted.
pub const FAULTS: [Fault; 27] = [
    Fault {
        name: "sides swapped",
        wanted: Wanted::Refused(&["swapped"]),
        suits: any,
        plant: |case, random| {
            case.both(random, |_, t| if case.closed { turned(turned(t).inv()) } else { t.inv() })
        },
    },
    Fault {
        name: "wrong critical point",
        wanted: Wanted::Refused(&["critical"]),
        suits: any,
        plant: |case, random| case.both(random, |_, t| turned(t)),
    },
    Fault {
        name: "phase mirrored",
        wanted: Wanted::Refused(&["phase", "stable"]),
        suits: any,
        plant: |case, random| case.both(random, |_, t| t.conj()),
    },
    Fault {
        name: "both probes on one node",
        wanted: Wanted::Refused(&["one node"]),
        suits: any,
        plant: |case, random| {
            let leak = 0.02 + 0.1 * case.share();
            case.both(random, |hz, _| {
                // A ratio of 1, as the analyzer writes it, with a little of the resistor's drop at high frequencies.
                let ratio = 1.0 + Complex64::new(0.0, leak * hz / case.plant.to_hz);
                if case.closed { turned(ratio) } else { ratio }
            })
        },
    },
    Fault {
        name: "copied sweep",
        wanted: Wanted::Refused(&["copy"]),
        suits: any,
        plant: |case, random| {
            let mut planted = case.both(random, |_, t| t);
            planted.sweeps[1] = planted.sweeps[0].clone();
            planted
        },
    },
    Fault {
        name: "phase in rad as deg",
        wanted: Wanted::Refused(&["radians", "deg or rad"]),
        suits: any,
        plant: |case, random| {
            case.written(random, |sweep| sweep.phase_rad.iter_mut().for_each(|p| *p = p.to_radians()))
        },
    },
    Fault {
        name: "ratio as dB",
        wanted: Wanted::Refused(&["dB or ratio", "unit"]),
        suits: any,
        plant: |case, random| {
            case.written(random, |sweep| {
                sweep.ln_magnitude.iter_mut().for_each(|a| *a = a.exp() * LN_10 / 20.0)
            })
        },
    },
    Fault {
        name: "frequency in kHz",
        wanted: Wanted::Refused(&["kHz"]),
        suits: any,
        plant: |case, random| {
            case.written(random, |sweep| sweep.frequency_hz.iter_mut().for_each(|f| *f /= 1e3))
        },
    },
    Fault {
        name: "frequency in rad/s",
        wanted: Wanted::Refused(&["rad/s"]),
        suits: any,
        plant: |case, random| {
            case.written(random, |sweep| sweep.frequency_hz.iter_mut().for_each(|f| *f *= TAU))
        },
    },
    Fault {
        name: "jump in gain, 0.5 to 3 dB",
        wanted: Wanted::Refused(&["jumps"]),
        suits: any,
        plant: |case, random| {
            let at = case.hz[case.inside()];
            let step = 10f64.powf((0.5 + 2.5 * (case.k as f64 / 59.0)) / 20.0);
            let step = if case.k % 2 == 0 { step } else { 1.0 / step };
            case.both(random, |hz, t| if hz >= at { t * step } else { t })
        },
    },
    Fault {
        name: "jump in phase, 5 to 30 deg",
        wanted: Wanted::Refused(&["jumps"]),
        suits: any,
        plant: |case, random| {
            let at = case.hz[case.inside()];
            let step = (5.0 + 25.0 * (case.k as f64 / 59.0)).to_radians();
            let step = if case.k % 2 == 0 { step } else { -step };
            case.both(random, |hz, t| if hz >= at { t * Complex64::from_polar(1.0, step) } else { t })
        },
    },
    Fault {
        name: "another range over a part, 1 dB and 5 deg",
        wanted: Wanted::Refused(&["jumps"]),
        suits: any,
        plant: |case, random| {
            let from = case.hz[case.inside() * 2 / 3];
            let step = Complex64::from_polar(10f64.powf(1.0 / 20.0), 5f64.to_radians());
            case.both(random, |hz, t| if hz >= from && hz < 6.0 * from { t * step } else { t })
        },
    },
    Fault {
        name: "mains on one sample",
        wanted: Wanted::Found("mains interference"),
        suits: any,
        plant: |case, random| {
            let hum = f64::from([50, 60][case.k % 2] * [2, 3, 5, 7][case.k / 2 % 4]);
            spiked(&case.raised_from_below(2.0), random, hum)
        },
    },
    Fault {
        name: "mains under gain@120Hz",
        wanted: Wanted::GainRefused,
        suits: any,
        plant: |case, random| spiked(&case.raised_from_below(2.0), random, 120.0),
    },
    Fault {
        name: "mains under gain@120Hz, first samples",
        wanted: Wanted::GainRefused,
        suits: any,
        plant: |case, random| spiked(case, random, 120.0),
    },
    Fault {
        name: "crossovers left open by noise",
        wanted: Wanted::Refused(&["crossovers"]),
        suits: any,
        plant: |case, random| {
            let sigma = 0.02 + 0.03 * case.share();
            let fc = 2e3 + 6e3 * (case.k % 7) as f64 / 6.0;
            let quality = 2.0 + (case.k % 5) as f64;
            // The top within a part of the noise of 0 dB.
            let top_db = (case.k % 11) as f64 / 10.0 - 0.5;
            let plant = touching(fc, 4.0 * fc, quality, top_db * sigma * 20.0 / LN_10);
            let hiss = Hiss { at_crossover: sigma, power: 0.0, most: sigma };
            let hz = grid(&plant, case.density());
            let own = Case { plant: &plant, k: case.k, hz, hiss, closed: case.closed };
            let planted = own.both(random, |_, t| t);
            Planted { plant: Some(plant), ..planted }
        },
    },
    Fault {
        name: "plateau by coupling, phase its own",
        wanted: Wanted::Refused(&["coupling"]),
        suits: has_room_below,
        plant: |case, random| {
            // 45 to 135 deg on either side.
            let phase = 45.0 + 90.0 * case.share();
            plateau(case, random, if case.k % 2 == 0 { phase } else { -phase })
        },
    },
    Fault {
        name: "plateau by coupling, in phase",
        wanted: Wanted::Found("is flat at"),
        // A conditionally stable loop that begins at 0 deg does not close: refused for that.
        suits: |plant| has_room_below(plant) && plant.kind != Some(Kind::Conditional),
        plant: |case, random| plateau(case, random, 40.0 * case.share() - 20.0),
    },
    Fault {
        name: "top below the noise floor",
        wanted: Wanted::Refused(&["noise"]),
        suits: any,
        plant: |case, random| {
            let floor = case.plant.at(case.plant.to_hz / (2.0 + 4.0 * case.share())).norm().min(0.5);
            let mut planted = case.both(random, |_, t| t);
            for sweep in &mut planted.sweeps {
                add(sweep, random, |_, _| floor);
            }
            planted
        },
    },
    Fault {
        name: "low end drowned",
        wanted: Wanted::Refused(&["noise"]),
        suits: |plant| plant.at(200.0).norm() > 20.0,
        plant: |case, random| {
            // The input side holds 1/T of the output and noise of its own.
            let hidden = case.plant.at(150.0 + 300.0 * case.share()).norm();
            let mut planted = case.both(random, |_, t| t);
            for sweep in &mut planted.sweeps {
                for (a, p) in sweep.ln_magnitude.iter_mut().zip(&mut sweep.phase_rad) {
                    let t = Complex64::from_polar(a.exp(), *p);
                    let measured = t / (1.0 + t / hidden * random.complex());
                    (*a, *p) = (measured.norm().ln(), measured.arg());
                }
            }
            planted
        },
    },
    Fault {
        name: "levels of noise alone",
        wanted: Wanted::Refused(&["noise", "crossovers"]),
        suits: any,
        plant: |case, random| {
            let floor = 0.3 + case.share();
            let mut planted = case.both(random, |_, t| t);
            for sweep in &mut planted.sweeps {
                add(sweep, random, |_, size| floor * size);
            }
            planted
        },
    },
    Fault {
        name: "levels that differ by noise alone",
        wanted: Wanted::NotBlamed,
        suits: |plant| plant.kind != Some(Kind::Resonant),
        plant: |case, random| {
            let hiss = Hiss { at_crossover: 0.01 + 0.03 * case.share(), power: 0.5, most: 0.1 };
            let own = Case { plant: case.plant, k: case.k, hz: case.hz.clone(), hiss, closed: case.closed };
            own.both(random, |_, t| t)
        },
    },
    Fault {
        name: "weak level that lies",
        wanted: Wanted::Refused(&["not always the true one"]),
        suits: any,
        plant: |case, random| {
            let size = 0.1 + 0.3 * case.share();
            let count = 3 + case.k % 3;
            case.levels(count, random, |level, hz, t| match (level, case.k % 2) {
                (0, 0) => t * (1.0 - size * case.near(hz)),
                (0, _) => t * Complex64::from_polar(1.0, -1.5 * size * case.near(hz)),
                _ => t,
            })
        },
    },
    Fault {
        name: "two weak levels that lie",
        wanted: Wanted::Refused(&["not always the true one"]),
        suits: any,
        plant: |case, random| {
            let size = 0.15 + 0.25 * case.share();
            case.levels(5, random, |level, hz, t| match level {
                0 => t * (1.0 - 1.6 * size * case.near(hz)),
                1 => t * (1.0 - size * case.near(hz)),
                _ => t,
            })
        },
    },
    Fault {
        name: "one sweep of a pair turned",
        wanted: Wanted::Refused(&["half a turn apart"]),
        suits: any,
        plant: |case, random| {
            case.levels(2, random, |level, _, t| if level == case.k % 2 { turned(t) } else { t })
        },
    },
    Fault {
        name: "all levels over-driven",
        wanted: Wanted::Refused(&["changes"]),
        suits: any,
        plant: |case, random| {
            let count = 2 + case.k % 4;
            let size = 0.1 + 0.1 * case.share();
            case.levels(count, random, |level, hz, t| {
                let part = (size * 1.5f64.powi(level as i32)).min(0.7);
                match case.k % 3 {
                    0 => t * (1.0 - part * case.near(hz)),
                    1 => t * (1.0 - part),
                    _ => t * Complex64::from_polar(1.0, -1.4 * part * case.near(hz)),
                }
            })
        },
    },
    Fault {
        name: "over-driven but for the weakest",
        wanted: Wanted::Refused(&["changes"]),
        suits: any,
        plant: |case, random| {
            let count = 2 + case.k % 3;
            let size = 0.12 + 0.1 * case.share();
            case.levels(count, random, |level, hz, t| {
                let part = if level == 0 { 0.0 } else { (size * 1.6f64.powi(level as i32 - 1)).min(0.7) };
                t * (1.0 - part * case.near(hz))
            })
        },
    },
];

/// Adds noise of its own to what was measured: `size` of frequency and magnitude.
fn add(sweep: &mut Sweep, random: &mut Random, size: impl Fn(f64, f64) -> f64) {
    let columns = sweep.frequency_hz.iter().zip(&mut sweep.ln_magnitude).zip(&mut sweep.phase_rad);
    for ((hz, a), p) in columns {
        let measured = Complex64::from_polar(a.exp(), *p) + size(*hz, a.exp()) * random.complex();
        (*a, *p) = (measured.norm().ln(), measured.arg());
    }
}

/// Interference of 1 to 6 dB on the sample nearest to `hum`, the same in both sweeps.
fn spiked(case: &Case<'_>, random: &mut Random, hum: f64) -> Planted {
    let nearest = |sweep: &Sweep| {
        let far = |i: &usize| (sweep.frequency_hz[*i] / hum).ln().abs();
        (0..sweep.frequency_hz.len()).min_by(|a, b| far(a).total_cmp(&far(b))).unwrap_or(0)
    };
    // 1 to 6 dB, and well out of the noise.
    let size = (0.12 + 0.88 * case.share()).max(12.0 * case.hiss.sigma(hum / case.plant.crossover_hz));
    let hit = 1.0 + Complex64::from_polar(size, TAU * (case.k as f64 * 0.377).fract());
    // No hum takes a sample down to nothing.
    let hit = if hit.norm() < 0.5 { hit / hit.norm() * 0.5 } else { hit };
    case.written(random, |sweep| {
        let i = nearest(sweep);
        sweep.ln_magnitude[i] += hit.norm().ln();
        sweep.phase_rad[i] += hit.arg();
    })
}

/// Coupling that leaves a ratio of its own, `phase_deg` from the textbook loop gain's direction, where the loop gain is larger.
fn plateau(case: &Case<'_>, random: &mut Random, phase_deg: f64) -> Planted {
    // Ten times less than the loop gain 0.6 decades above the start of the band.
    let height = case.plant.at(4.0 * case.plant.from_hz).norm() / 10.0;
    let coupled = Complex64::from_polar(height.max(2.0), phase_deg.to_radians());
    case.both(random, |_, t| (t.inv() + coupled.inv()).inv())
}

/// Plants a fault and judges it.
pub fn try_variant(fault: &Fault, k: usize, plants: &[Plant]) -> (String, Fate) {
    let suited: Vec<&Plant> = plants.iter().filter(|plant| (fault.suits)(plant)).collect();
    // 7 has no factor in common with the counts in use: the kinds of loops turn.
    let plant = suited[(7 * k + 3) % suited.len()];
    let hz = grid(plant, DENSITIES[k % 4]);
    let case = Case { plant, k, hz, hiss: Hiss::of(k), closed: k / 2 % 2 == 1 };
    let number = FAULTS.iter().position(|other| other.name == fault.name).unwrap_or(0);
    let mut random = Random::of(MODE, number, k);
    let planted = (fault.plant)(&case, &mut random);
    let plant = planted.plant.as_ref().unwrap_or(plant);
    let place = format!(
        "{}, noise {} f^-{}, {} per decade, critical point {}",
        plant.name,
        case.hiss.at_crossover,
        case.hiss.power,
        DENSITIES[k % 4],
        if case.closed { "+1" } else { "-1" }
    );
    let sweeps: Result<Vec<_>, _> = planted.sweeps.iter().map(Sweep::samples).collect();
    let fate = match sweeps {
        Ok(sweeps) => fate(fault.wanted, &judge(plant, &planted.setup, &sweeps)),
        // A ratio of 6000 and more read as decibels comes no further than this.
        Err(error) => Fate::Caught { check: "reader".to_owned(), message: error.to_string() },
    };
    (place, fate)
}
