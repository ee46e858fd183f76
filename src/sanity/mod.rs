//! Whether a curve can be the loop gain of the stable loop that it was measured on. Margins alone do not say so.
//!
//! | file | refuses |
//! | --- | --- |
//! | `probes` | both probes on one node, swapped sides, one sweep of a pair with its sign turned |
//! | `units` | phase in radians declared as degrees, ratios declared as dB |
//! | `folded_phase` | phase without its sign |
//! | `wrong_quantity` | a closed loop's response, a return difference, half the decibels in place of the loop gain |
//! | `noise_floor` | noise that hides gain and phase at an end of the band |
//! | `jumps` | steps between neighbouring samples: ranges switched |
//! | `crossover_count` | noise, chain or change with the level that leaves the number of crossovers open |
//! | `unresolved_resonance` | points too far apart to follow the phase near 0 dB |
//! | `low_frequency_plateau` | a flat low end that is coupling past the loop |
//! | `bode` | phase that contradicts what the gain makes it: sign, units |
//! | `closure` | a curve that does not close stably, gain above 1 at the top of the band |
//!
//! `usable_range` finds the part of a sweep that carries a verdict where noise, a step or a gap spoils the rest. `mains_interference` tells which values stand on a sample that mains interference hit.

mod bode;
mod closure;
mod crossover_count;
mod folded_phase;
mod jumps;
mod least_squares;
mod low_frequency_plateau;
mod mains_interference;
mod noise_floor;
mod probes;
mod units;
mod unresolved_resonance;
mod usable_range;
mod wrong_quantity;

pub use bode::{Kernel, contradiction};
pub use closure::{Closure, closure};
pub use crossover_count::{open_by_level, undetermined};
pub use folded_phase::folded;
pub use jumps::jump;
pub use low_frequency_plateau::{Plateau, coupling, plateau};
pub use mains_interference::{mains_under, spike_text};
pub use noise_floor::drowned;
pub use probes::{only_rises, same_node, turned};
pub use units::mistaken_column;
pub use unresolved_resonance::unresolved;
pub use usable_range::{Spoiled, Usable, usable};
pub use wrong_quantity::mistaken_quantity;

use crate::analysed::Analysed;
use crate::curve::Span;
use crate::quantity::with_unit;
use crate::spec::CriticalPoint;
use crate::uncertainty::Chain;

/// Why a sweep cannot be trusted, and what to do at the bench.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Refusal {
    /// What was seen and what was expected.
    pub message: String,
    /// What to do.
    pub remedy: String,
}

/// A sweep to be looked at.
#[derive(Debug, Clone, Copy)]
pub struct Subject<'a> {
    /// The sweep: samples, noise, smooth curve, crossings.
    pub sweep: &'a Analysed,
    /// Another sweep of the same loop, where there is one: what both show alike is no noise.
    pub second: Option<&'a Analysed>,
    /// The judged part of it.
    pub span: Span,
    /// Whether the sweep's own low end was left out.
    pub begins_late: bool,
    /// Right-half-plane poles of the open loop.
    pub open_loop_poles: u32,
    /// Where the curve was said to be measured.
    pub critical_point: CriticalPoint,
    /// What the measuring chain may be off by.
    pub chain: Chain,
}

/// The first reason to refuse a sweep, the most telling cause first; `None` when it is plausible on its usable part.
#[must_use]
pub fn refusal(
    subject: &Subject<'_>,
    usable: &Result<Usable, Refusal>,
    kernel: &mut Kernel,
) -> Option<Refusal> {
    let whole = same_node(&subject.sweep.curve, subject.span)
        .or_else(|| mistaken_column(subject))
        .or_else(|| folded(subject));
    let part = match usable {
        Ok(usable) => Subject { span: usable.span, begins_late: usable.begins_late(), ..*subject },
        // Swapped sides and the like show through what spoils the sweep, and are the better advice.
        Err(spoiled) => return whole.or_else(|| only_rises(subject)).or_else(|| Some(spoiled.clone())),
    };
    let part = &part;
    whole
        .or_else(|| only_rises(part))
        .or_else(|| coupling(part))
        .or_else(|| contradiction(part, kernel))
        .or_else(|| mistaken_quantity(part, kernel))
        .or_else(|| undetermined(part))
        .or_else(|| closure_refusal(part))
}

fn closure_refusal(subject: &Subject<'_>) -> Option<Refusal> {
    let top = subject.sweep.curve.at(subject.span.to);
    match closure(subject) {
        Closure::Stable => None,
        Closure::Unknown => Some(Refusal {
            message: format!(
                "the gain at the top of the band is still {:.1} dB at {}: what crosses beyond is unknown, so the sweep \
                 cannot show that the loop is stable",
                top.db(),
                with_unit(top.hz(), "Hz")
            ),
            remedy: "sweep on until the gain is below 0 dB for good; check that input and output side are not swapped \
                     and that the gain column is in the unit declared"
                .to_owned(),
        }),
        Closure::Rising => Some(Refusal {
            message: format!(
                "the gain rises at the end of the sweep, to {:.1} dB at {}: whether it is back above 0 dB beyond is unknown, so \
                 the sweep cannot show that the loop is stable",
                top.db(),
                with_unit(top.hz(), "Hz")
            ),
            remedy: "sweep on until the gain falls and is below 0 dB for good".to_owned(),
        }),
        Closure::LowEndOpen => {
            let from = with_unit(subject.span.from.exp(), "Hz");
            Some(Refusal {
                message: format!(
                    "below {from} the sweep was left out, and by the rest alone the loop may be stable or not: how often the phase passes \
                     the critical point's direction below is open"
                ),
                remedy: format!("inject more below {from}, measure more narrowly or average, so that the low end can be judged"),
            })
        }
        Closure::Unstable { poles } => Some(Refusal {
            message: format!(
                "the curve is not that of a stable closed loop: its crossings of the ray beyond the critical point, \
                 with open_loop_poles {}, {}",
                subject.open_loop_poles,
                match poles {
                    Some(1) => "leave 1 right-half-plane pole".to_owned(),
                    Some(n) => format!("leave {n} right-half-plane poles"),
                    None => "fit no number of poles".to_owned(),
                }
            ),
            remedy: "check critical_point (+1 around the closed loop, -1 in textbooks), the polarity of both probes and \
                     open_loop_poles; if they are right, the supply oscillates or was close to it: look at its output \
                     with the injection off before sweeping again"
                .to_owned(),
        }),
    }
}

#[cfg(test)]
mod testing {
    use super::Subject;
    use crate::analysed::Analysed;
    use crate::spec::CriticalPoint;
    use crate::sweep::Samples;
    use crate::uncertainty::Chain;
    use std::cell::Cell;

    thread_local! {
        static SEED: Cell<u64> = const { Cell::new(0x2545_f491_4f6c_dd1d) };
    }

    /// Nearly normal noise of standard deviation 1: twelve even numbers, summed. The same in every run of a test.
    pub fn hiss() -> f64 {
        let even = || {
            let mut seed = SEED.get();
            seed ^= seed << 13;
            seed ^= seed >> 7;
            seed ^= seed << 17;
            SEED.set(seed);
            (seed >> 11) as f64 / (1_u64 << 53) as f64
        };
        (0..12).map(|_| even()).sum::<f64>() - 6.0
    }

    /// A sweep from 100 Hz to 1 MHz of a curve given as ln of the magnitude and textbook phase.
    pub fn sweep(per_decade: f64, curve: impl Fn(f64) -> [f64; 2]) -> Analysed {
        let mut samples = Samples::default();
        for k in 0..=(4.0 * per_decade) as i32 {
            let hz = 100.0 * 10f64.powf(f64::from(k) / per_decade);
            let [ln_mag, phase] = curve(hz);
            samples.push(hz, ln_mag, phase);
        }
        Analysed::of(&samples, CriticalPoint::MinusOne)
    }

    pub fn subject(sweep: &Analysed) -> Subject<'_> {
        Subject {
            sweep,
            second: None,
            span: sweep.curve.span(),
            begins_late: false,
            open_loop_poles: 0,
            critical_point: CriticalPoint::MinusOne,
            chain: Chain::default(),
        }
    }
}
