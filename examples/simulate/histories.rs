//! Histories of a product, of groups of units, as `drift` judges them.

use super::noise::Random;
use loopgauge::check::{Unit, Verdict};
use loopgauge::decision::Limit;
use loopgauge::drift::{
    GroupStats, Population, PopulationBuilder, ProductDrift, RecordHead, Running, Series, SeriesKey,
    Settings, Stations, judge,
};
use loopgauge::spec::{Chart, Drift, DriftAxis};

/// How many units the groups have.
#[derive(Clone, Copy, PartialEq)]
pub enum Units {
    Each(usize),
    /// Drawn evenly, 2 to 20.
    Uneven,
}

/// Groups in control: standard deviations of lots and of units, and the correlation of a lot with the one before.
#[derive(Clone, Copy, PartialEq)]
pub struct Scene {
    pub units: Units,
    pub lots: f64,
    pub unit: f64,
    pub correlation: f64,
}

impl Scene {
    pub fn name(&self) -> String {
        let units = match self.units {
            Units::Each(units) => units.to_string(),
            Units::Uneven => "2 to 20".to_owned(),
        };
        format!("{units} units, lots {}, units {}, correlation {}", self.lots, self.unit, self.correlation)
    }

    /// Standard deviation of the mean of a group, of a usual size.
    pub fn sigma(&self) -> f64 {
        let units = match self.units {
            Units::Each(units) => units as f64,
            // Harmonic mean of 2 to 20.
            Units::Uneven => 19.0 / (2..=20).map(|units| 1.0 / f64::from(units)).sum::<f64>(),
        };
        self.lots.hypot(self.unit / units.sqrt())
    }

    /// The values of one series, group by group.
    pub fn draw(&self, groups: usize, mean: impl Fn(usize) -> f64, random: &mut Random) -> Series {
        let mut lot = 0.0;
        let mut all = Running::default();
        let groups = (0..groups).map(|group| {
            let fresh = random.normal();
            lot = if group == 0 {
                fresh
            } else {
                self.correlation * lot + (1.0 - self.correlation.powi(2)).sqrt() * fresh
            };
            let units = match self.units {
                Units::Each(units) => units,
                Units::Uneven => 2 + (((random.even() + 1.0) / 2.0 * 19.0) as usize).min(18),
            };
            let mut own = Running::default();
            (0..units).for_each(|_| own.add(mean(group) + self.lots * lot + self.unit * random.normal()));
            all.join(&own);
            stats(&own)
        });
        let groups = groups.collect();
        Series { groups, all, references: Vec::new(), stations: Stations::default() }
    }
}

pub fn stats(own: &Running) -> GroupStats {
    let moments = own.moments();
    GroupStats {
        units: own.count(),
        mean: own.mean(),
        sd: own.sd(),
        min: moments.map(|moments| moments.min),
        max: moments.map(|moments| moments.max),
        uncertainty: Some(0.0),
        chain: Some(0.0),
        ..GroupStats::default()
    }
}

/// Builds in a row, measured at one station.
pub fn population(groups: usize) -> Population {
    let mut builder = PopulationBuilder::new(DriftAxis::Build);
    for group in 0..groups {
        builder.add(RecordHead {
            record: group as i64,
            serial: format!("RG-{group:05}"),
            revision: "B".to_owned(),
            firmware: None,
            build: Some(format!("B{group:04}")),
            taken_us: Some(group as i64 * 86_400_000_000),
            recorded_us: None,
            station: Some("bench-1".to_owned()),
            is_reference: false,
            verdict: Verdict::Pass,
        });
    }
    builder.finish()
}

/// Held against a limit far away.
pub fn judged(chart: Chart, population: &Population, series: Vec<Series>) -> ProductDrift {
    judged_at(chart, -1e3, population, series)
}

/// By the chart that keeps learning, about 50 with a limit at 42.
pub fn judged_near(population: &Population, series: Vec<Series>) -> ProductDrift {
    judged_at(Chart::ChangePoint, 42.0, population, series)
}

fn judged_at(chart: Chart, min: f64, population: &Population, series: Vec<Series>) -> ProductDrift {
    let drift = Drift { setup: Some(8), chart: Some(chart), ..Drift::default() };
    let settings = Settings { drift: Some(drift), family_rate: None };
    let keyed = series.into_iter().enumerate().map(|(index, series)| {
        let key = SeriesKey {
            corner: format!("corner-{index}"),
            quantity: "phase_margin_deg".to_owned(),
            unit: Unit::Deg,
            limit: Limit { min: Some(min), max: None },
        };
        (key, series)
    });
    judge("river-gauge-5v", &settings, population, keyed.collect())
}
