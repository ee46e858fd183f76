//! One corner: its nominal loop, its loop with the parts of a unit, and what all units show together.

use super::draws::Units;
use super::grid::{refine, regular, solve};
use super::nearness::nearest;
use super::outcome::{CheckShare, CornerOutcome, Fan, FanPoint, Nominal, Quantity, Range, Stability};
use super::reading::{Found, Reading, limit, next_to};
use crate::analysed::Analysed;
use crate::circuit::{Model, Solver, Unfit};
use crate::curve::{Curve, Span, db};
use crate::decision::Limit;
use crate::margins::Crossings;
use crate::measurand::Measurand;
use crate::quantity::Decibel;
use crate::sanity::{Closure, Subject, closure};
use crate::spec::{CriticalPoint, GainAt, Limits};
use crate::sweep::{Complex64, Samples};
use crate::uncertainty::Chain;
use std::ops::Range as Indices;

/// What a corner is looked at for.
#[derive(Debug, Clone, Copy)]
pub struct Wanted<'a> {
    /// Name of the corner.
    pub corner: &'a str,
    /// Where the loop gain must never be.
    pub critical_point: CriticalPoint,
    /// Right-half-plane poles of the open loop.
    pub open_loop_poles: u32,
    /// The band that is judged, Hz, rising.
    pub band_hz: [f64; 2],
    /// What must hold.
    pub limits: &'a Limits,
}

/// Points per decade to begin with, of the nominal curve.
const NOMINAL_DENSITY: f64 = 60.0;
/// Error of the curve between the points, neper or rad: every margin of the nominal curve is good to a tenth of what is asked, 1e-4.
const NOMINAL_TOLERANCE: f64 = 1e-5;
/// Most points of a nominal curve.
const NOMINAL_MOST: usize = 20_000;
/// The same for the units: 0.01 dB and 0.06 deg are far below what their spread leaves open.
const UNIT_DENSITY: f64 = 12.0;
const UNIT_TOLERANCE: f64 = 1e-3;
const UNIT_MOST: usize = 400;
/// Units whose curves the points for all units are laid for: resonances stand elsewhere in each.
const SCOUTS: usize = 24;
/// How far beyond the band the nominal loop is looked at to tell whether it closes stably, as factors of its ends; with so many points
/// per decade.
const BEYOND: [f64; 2] = [100.0, 4.0];
const BEYOND_DENSITY: f64 = 100.0;

/// A corner ready for its units.
pub struct Study<'a> {
    wanted: Wanted<'a>,
    model: Model,
    nominal: Reading,
    curve: Curve,
    stability: Stability,
    sensitivity: Vec<Vec<Option<f64>>>,
    /// Frequencies that units are solved at, ln f.
    ln_f: Vec<f64>,
    /// Phase of the nominal loop at the first of them, rad.
    beside_rad: f64,
}

/// What one unit shows at a corner.
#[derive(Debug, Clone)]
pub struct Drawn {
    /// Values of [`Study::quantities`].
    values: Vec<Option<f64>>,
    at_least: bool,
    /// Whether each check is missed, in the order of the limits.
    missed: Vec<bool>,
    /// Why it has no margins at all.
    lost: Option<Lost>,
    /// dB and deg at the frequencies of the fan.
    curve: Vec<[f64; 2]>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Lost {
    /// Its closed loop has poles in the right half plane.
    Unstable,
    /// Its circuit has no solution.
    Unsolved,
}

impl Drawn {
    /// Whether any check is missed.
    #[must_use]
    pub fn fails(&self) -> bool {
        self.lost.is_some() || self.missed.contains(&true)
    }
}

/// Memory of a thread.
#[derive(Default)]
struct Scratch {
    samples: Samples,
    curve: Curve,
    crossings: Crossings,
}

impl<'a> Study<'a> {
    /// Solves the nominal loop, and finds the points that the loops of `units` are solved at.
    ///
    /// # Errors
    /// When the nominal loop has no gain at a frequency.
    pub fn new(wanted: Wanted<'a>, model: Model, units: &Units) -> Result<Self, Unfit> {
        let mut solver = model.solver();
        let [from, to] = reach(&wanted);
        let mut ln_f = regular(from, to, NOMINAL_DENSITY);
        refine(&mut solver, &mut ln_f, NOMINAL_TOLERANCE, NOMINAL_MOST)?;
        let mut scratch = Scratch::default();
        solve(&mut solver, &ln_f, 0.0, &mut scratch.samples)?;
        let beside_rad = scratch.samples.phase_rad().first().copied().unwrap_or(0.0);
        scratch.read(wanted.critical_point);
        let nominal = Reading::of(&scratch.curve, &scratch.crossings, band(&wanted), wanted.limits);
        let stability = stability(&wanted, &mut solver);
        let sensitivity = sensitivity(&nominal, &model, &mut solver)?;
        let mut ln_f = regular(from, to, UNIT_DENSITY);
        for unit in std::iter::once(&[][..]).chain((0..units.len().min(SCOUTS)).map(|unit| units.of(unit))) {
            // A unit without a solution lays no points; it is counted when all are drawn.
            if solver.set(unit).is_ok() {
                let _ = refine(&mut solver, &mut ln_f, UNIT_TOLERANCE, UNIT_MOST);
            }
        }
        let curve = scratch.curve;
        Ok(Self { wanted, model, nominal, curve, stability, sensitivity, ln_f, beside_rad })
    }

    /// The loops of some units; `curves`: whether their curves are kept. What is drawn does not hang on how the units are dealt out.
    #[must_use]
    pub fn draw(&self, units: &Units, which: Indices<usize>, curves: bool) -> Vec<Drawn> {
        let (mut solver, mut scratch) = (self.model.solver(), Scratch::default());
        which.map(|unit| self.one(&mut solver, units.of(unit), curves, &mut scratch)).collect()
    }

    fn one(&self, solver: &mut Solver, parts: &[f64], curves: bool, scratch: &mut Scratch) -> Drawn {
        let solved =
            solver.set(parts).and_then(|()| solve(solver, &self.ln_f, self.beside_rad, &mut scratch.samples));
        if solved.is_err() {
            return self.lost(Lost::Unsolved, Vec::new());
        }
        scratch.read(self.wanted.critical_point);
        let columns = scratch.curve.ln_mag().iter().zip(scratch.curve.angle()).take(if curves {
            usize::MAX
        } else {
            0
        });
        let curve = columns.map(|(a, p)| [db(*a), p.to_degrees()]).collect();
        let limits = self.wanted.limits;
        let reading = Reading::of(&scratch.curve, &scratch.crossings, band(&self.wanted), limits);
        if self.stability.poles_of(reading.around - self.nominal.around) {
            return self.lost(Lost::Unstable, curve);
        }
        Drawn {
            values: self.values(&reading),
            at_least: reading.measured.get(Measurand::GainMargin).is_some_and(|found| found.at_least),
            missed: reading.missed(limits),
            lost: None,
            curve,
        }
    }

    fn lost(&self, lost: Lost, curve: Vec<[f64; 2]>) -> Drawn {
        let missed = vec![true; self.wanted.limits.checks().count()];
        Drawn {
            values: vec![None; self.quantities().len()],
            at_least: false,
            missed,
            lost: Some(lost),
            curve,
        }
    }

    /// What is told of the corner, in this order.
    #[must_use]
    pub fn quantities(&self) -> Vec<Quantity> {
        quantities(self.wanted.limits)
    }

    /// The values of a unit, angles next to the nominal one.
    fn values(&self, reading: &Reading) -> Vec<Option<f64>> {
        let measured = Measurand::ALL.into_iter().map(|measurand| {
            let own = reading.measured.get(measurand)?.value;
            match self.nominal.measured.get(measurand) {
                Some(nominal) if measurand == Measurand::PhaseMargin => Some(next_to(nominal.value, own)),
                _ => Some(own),
            }
        });
        measured.chain(reading.gains.iter().map(|found| Some(found.value))).collect()
    }

    /// Puts all units together; `fan`: whether their curves are, too.
    #[must_use]
    pub fn outcome(self, drawn: &[Drawn], fan: bool) -> CornerOutcome {
        let quantities = self.quantities();
        let ranges = (0..quantities.len()).map(|k| range(drawn, k, &quantities)).collect();
        let limits = self.wanted.limits;
        let checks = limits.checks().enumerate().map(|(k, check)| {
            let missed = drawn.iter().filter(|unit| unit.missed.get(k) == Some(&true)).count();
            CheckShare::of(check, missed, drawn.len())
        });
        let count = |lost| drawn.iter().filter(|unit| unit.lost == Some(lost)).count();
        let mut outcome = CornerOutcome {
            corner: self.wanted.corner.to_owned(),
            band_hz: self.wanted.band_hz,
            nominal: Nominal::of(&self.nominal, limits, self.stability),
            ranges,
            checks: checks.collect(),
            failing: drawn.iter().filter(|unit| unit.fails()).count(),
            unstable: count(Lost::Unstable),
            unsolved: count(Lost::Unsolved),
            sensitivity: self.sensitivity.clone(),
            fan: fan.then(|| self.fan(drawn)),
            limits: quantities.iter().map(|quantity| limit_of(quantity, limits)).collect(),
            quantities,
            nearest: None,
        };
        outcome.nearest = nearest(&outcome);
        outcome
    }

    fn fan(&self, drawn: &[Drawn]) -> Fan {
        let at = |k: usize, column: usize| {
            let values = drawn.iter().filter_map(|unit| unit.curve.get(k)?.get(column).copied());
            let mut values: Vec<f64> = values.collect();
            values.sort_by(f64::total_cmp);
            Some([quantile(&values, 0.025)?, quantile(&values, 0.975)?])
        };
        let row = |(k, x): (usize, &f64)| {
            let point = self.curve.at(*x);
            let own = [point.db(), point.angle.to_degrees()];
            let gain_db = at(k, 0).unwrap_or([own[0]; 2]);
            let angle_deg = at(k, 1).unwrap_or([own[1]; 2]);
            FanPoint { frequency_hz: x.exp(), nominal: own, gain_db, angle_deg }
        };
        Fan { points: self.ln_f.iter().enumerate().map(row).collect() }
    }
}

impl Scratch {
    fn read(&mut self, critical_point: CriticalPoint) {
        self.curve.fill(&self.samples, critical_point);
        self.crossings.find(&self.curve);
    }
}

/// What is told of a corner with these limits.
fn quantities(limits: &Limits) -> Vec<Quantity> {
    let gains = limits.gain.iter().map(|gain| Quantity::Gain(gain.check.clone()));
    Measurand::ALL.into_iter().map(Quantity::Measurand).chain(gains).collect()
}

/// The limit of a quantity.
fn limit_of(quantity: &Quantity, limits: &Limits) -> Option<Limit> {
    match quantity {
        Quantity::Measurand(measurand) => Some(limit(limits.windows.get(*measurand)?, |value| value)),
        Quantity::Gain(check) => {
            let gain = limits.gain.iter().find(|gain| gain.check == *check)?;
            Some(limit(gain.window, Decibel::db))
        }
    }
}

fn band(wanted: &Wanted<'_>) -> Span {
    let [from, to] = wanted.band_hz;
    Span { from: from.ln(), to: to.ln() }
}

/// The band with every frequency that a limit of the gain names.
fn reach(wanted: &Wanted<'_>) -> [f64; 2] {
    let named = wanted.limits.gain.iter().flat_map(|gain| match gain.at {
        GainAt::Frequency(f) => [f.hz(); 2],
        GainAt::Band(band) => [band.from.hz(), band.to.hz()],
    });
    let [from, to] = wanted.band_hz;
    named.fold([from, to], |[from, to], hz| [from.min(hz), to.max(hz)])
}

/// Whether the nominal loop closes stably, looked at beyond the band: a netlist can be asked where a bench is not.
fn stability(wanted: &Wanted<'_>, solver: &mut Solver) -> Stability {
    let [from, to] = reach(wanted);
    let [from, to] = [from / BEYOND[0], to * BEYOND[1]];
    let mut samples = Samples::default();
    if solve(solver, &regular(from, to, BEYOND_DENSITY), 0.0, &mut samples).is_err() {
        // So far from the band a circuit may have no signal left.
        return Stability::Unknown;
    }
    let sweep = Analysed::of(&samples, wanted.critical_point);
    let subject = Subject {
        sweep: &sweep,
        second: None,
        span: sweep.curve.span(),
        begins_late: false,
        open_loop_poles: wanted.open_loop_poles,
        critical_point: wanted.critical_point,
        chain: Chain::default(),
    };
    match closure(&subject) {
        Closure::Stable => Stability::Stable,
        Closure::Unstable { poles } => Stability::Unstable { poles },
        Closure::LowEndOpen | Closure::Unknown | Closure::Rising => Stability::Unknown,
    }
}

/// Change of every quantity per +1 % of every part, from the slopes of the loop gain where the nominal value was found: that a crossing
/// moves with them is in the value's sensitivity, and a smallest or largest value is flat where it is found.
fn sensitivity(
    nominal: &Reading,
    model: &Model,
    solver: &mut Solver,
) -> Result<Vec<Vec<Option<f64>>>, Unfit> {
    const PERCENT: f64 = 0.01;
    /// What rounding leaves of slopes that are 0, as a share of the largest.
    const ROUNDING: f64 = 1e-12;
    let mut slopes = vec![Complex64::default(); model.nominal().len()];
    let found = Measurand::ALL.into_iter().map(|measurand| nominal.measured.get(measurand));
    let found = found.chain(nominal.gains.iter().map(|gain| Some(*gain)));
    let mut of = |found: Option<Found>| {
        let Some(found) = found else { return Ok(vec![None; slopes.len()]) };
        solver.with_slopes(found.at_hz, &mut slopes)?;
        let [gain, phase] = found.slope;
        let largest = slopes.iter().map(|slope| slope.norm()).fold(0.0, f64::max);
        let least = ROUNDING * gain.hypot(phase) * largest;
        let told = |slope: f64| if slope.abs() < least { 0.0 } else { slope };
        let change = |slope: &Complex64| PERCENT * told(gain * slope.re + phase * slope.im);
        Ok(slopes.iter().map(|slope| Some(change(slope)).filter(|change| change.is_finite())).collect())
    };
    found.map(&mut of).collect()
}

/// The range of one quantity over the units that have it.
fn range(drawn: &[Drawn], k: usize, quantities: &[Quantity]) -> Option<Range> {
    let values = drawn.iter().filter_map(|unit| unit.values.get(k).copied().flatten());
    let mut values: Vec<f64> = values.collect();
    values.sort_by(f64::total_cmp);
    let is_margin = quantities.get(k) == Some(&Quantity::Measurand(Measurand::GainMargin));
    Some(Range {
        low: quantile(&values, 0.025)?,
        high: quantile(&values, 0.975)?,
        without: drawn.len() - values.len(),
        at_least: is_margin && drawn.iter().any(|unit| unit.at_least),
    })
}

/// The value below which a share of sorted values lies, between neighbours on a straight line (the definition with (n - 1) steps);
/// `None` of none.
fn quantile(sorted: &[f64], share: f64) -> Option<f64> {
    let place = share * sorted.len().checked_sub(1)? as f64;
    let (low, part) = (place.floor() as usize, place.fract());
    let (a, b) = (*sorted.get(low)?, *sorted.get(low + 1).or(sorted.get(low))?);
    Some(a + part * (b - a))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::circuit::{Includes, Netlist};
    use crate::quantity::Unit;

    struct Nothing;

    impl Includes for Nothing {
        fn open(&mut self, _: &str, path: &str) -> Result<(String, String), String> {
            Err(format!("{path} is not there"))
        }
    }

    /// An integrator behind a filter whose resonance, of Q 45, stands above the crossover and comes near to 0 dB.
    const RESONANT: &str = "integrator and resonance
Vinj out in AC 1
R1 in n 1k
Rn n 0 1g
C1 n y {1/(2*pi*1k*1k)}
E1 y 0 0 n 1e9
L1 y m 10u
Rs m f 0.07
C2 f 0 {1/(10u*(2*pi*50k)^2)}
E2 out 0 f 0 1
";

    fn model(vary: &[&str]) -> Model {
        let (netlist, found) = Netlist::parse("loop.cir", RESONANT, &mut Nothing);
        assert_eq!(found, []);
        let vary: Vec<String> = vary.iter().map(|part| (*part).to_owned()).collect();
        let setting = crate::circuit::Setting { injection: "Vinj", parameters: &[], vary: &vary };
        Model::new(&netlist.unwrap(), &setting).unwrap()
    }

    fn wanted(limits: &Limits) -> Wanted<'_> {
        Wanted {
            corner: "one",
            critical_point: CriticalPoint::PlusOne,
            open_loop_poles: 0,
            band_hz: [100.0, 300e3],
            limits,
        }
    }

    /// The points that all units share tell of each unit what a grid of its own would.
    #[test]
    fn a_sharp_resonance_that_moves_from_unit_to_unit_is_followed() {
        let (limits, model) = (Limits::default(), model(&["C2", "L1", "R1"]));
        let units = Units::draw(&[0.2, 0.2, 0.3]);
        let study = Study::new(wanted(&limits), model.clone(), &units).unwrap();
        let drawn = study.draw(&units, 100..160, false);
        let mut solver = model.solver();
        let (mut scratch, mut others) = (Scratch::default(), Vec::new());
        for (unit, drawn) in (100..160).zip(&drawn) {
            solver.set(units.of(unit)).unwrap();
            let mut ln_f = regular(100.0, 300e3, 60.0);
            refine(&mut solver, &mut ln_f, 1e-5, 20_000).unwrap();
            solve(&mut solver, &ln_f, study.beside_rad, &mut scratch.samples).unwrap();
            scratch.read(CriticalPoint::PlusOne);
            let own = Reading::of(&scratch.curve, &scratch.crossings, band(&study.wanted), &limits);
            let is_unstable = own.around != study.nominal.around;
            let values = if is_unstable { vec![None; Measurand::ALL.len()] } else { study.values(&own) };
            let same = drawn.values.iter().zip(&values).enumerate().all(|(k, (found, exact))| {
                let slack = |exact: f64| match Measurand::ALL.get(k).map(|own| own.unit()) {
                    Some(Unit::Hz) => 3e-3 * exact,
                    Some(Unit::S) => 1e-2 * exact,
                    Some(Unit::Deg) => 0.3,
                    Some(Unit::Db) => 0.03,
                    _ => 5e-3,
                };
                match (found, exact) {
                    (Some(found), Some(exact)) => (found - exact).abs() < slack(*exact),
                    (found, exact) => found.is_none() && exact.is_none(),
                }
            });
            let is_lost = drawn.lost == is_unstable.then_some(Lost::Unstable);
            others.extend((!same || !is_lost).then(|| (unit, drawn.clone(), values)));
        }
        // A resonance that just reaches 0 dB may do so on one grid and not on the other.
        assert!(others.len() <= 2, "{others:#?}");
        // Some of them reach 0 dB at the resonance and go round the critical point, others do not.
        let unstable = drawn.iter().filter(|unit| unit.lost.is_some()).count();
        assert!((3..57).contains(&unstable), "{unstable}");
    }

    #[test]
    fn quantiles_lie_between_their_neighbours() {
        let sorted: Vec<f64> = (0..=40).map(f64::from).collect();
        assert_eq!(
            [0.025, 0.5, 0.9875].map(|share| quantile(&sorted, share)),
            [Some(1.0), Some(20.0), Some(39.5)]
        );
        assert_eq!((quantile(&[], 0.5), quantile(&[7.0], 0.975)), (None, Some(7.0)));
    }
}
