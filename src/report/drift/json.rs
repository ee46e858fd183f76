//! The JSON result of `drift`. Units are Hz, deg, dB and s; what does not exist is `null`. Text stays as it is.
//!
//! A product and each series stand on a line of their own, so that two results compare well line by line.

use crate::check::{Limit, Unit, Verdict};
use crate::drift::{
    Ability, ChartPoint, ChartRun, FalseAlarms, GroupHead, GroupStats, ProductDrift, Range, Reach,
    ReferenceSeries, Retested, RuleOutcome, SeriesOutcome, Signal, Since, Slope, movement,
};
use crate::report::TOOL;
use serde::Serialize;
use std::io::{self, Write};

#[derive(Serialize)]
struct ProductBody<'a> {
    product: &'a str,
    over: &'static str,
    verdict: Option<Verdict>,
    groups: Vec<HeadBody<'a>>,
    retested: Vec<RetestedBody<'a>>,
    false_alarms: Option<FalseAlarmsBody>,
    notes: &'a [String],
}

#[derive(Serialize)]
struct HeadBody<'a> {
    group: &'a str,
    units: u64,
    records: u64,
    revisions: &'a [String],
    firmwares: &'a [Option<String>],
    stations: &'a [Option<String>],
}

#[derive(Serialize)]
struct RetestedBody<'a> {
    serial: &'a str,
    group: &'a str,
    verdicts: &'a [Verdict],
}

#[derive(Serialize)]
struct FalseAlarmsBody {
    charts: usize,
    one_chart: f64,
    any_chart: f64,
    is_held: bool,
}

#[derive(Serialize)]
struct SeriesBody<'a> {
    product: &'a str,
    corner: &'a str,
    quantity: &'a str,
    unit: Unit,
    over: &'static str,
    limit: Limit,
    verdict: Verdict,
    groups: Vec<GroupBody<'a>>,
    center: Option<f64>,
    sigma: Option<f64>,
    chart: Option<ChartBody<'a>>,
    signals: Vec<SignalBody<'a>>,
    movement: Option<MovementBody<'a>>,
    trend: Option<SlopeBody>,
    forecast: Option<ReachBody>,
    capability: Option<AbilityBody>,
    references: Vec<ReferenceBody<'a>>,
    rules: Vec<RuleBody<'a>>,
    message: &'a str,
}

#[derive(Serialize)]
struct GroupBody<'a> {
    group: &'a str,
    units: u64,
    bounds: u64,
    mean: Option<f64>,
    sd: Option<f64>,
    min: Option<f64>,
    max: Option<f64>,
    uncertainty: Option<f64>,
    chain: Option<f64>,
}

#[derive(Serialize)]
struct ChartBody<'a> {
    kind: &'static str,
    setup: usize,
    widening: f64,
    correlation: Option<f64>,
    points: Vec<PointBody<'a>>,
}

#[derive(Serialize)]
struct PointBody<'a> {
    group: Option<&'a str>,
    statistic: f64,
    low: f64,
    high: f64,
    sigma: f64,
}

#[derive(Serialize)]
struct SignalBody<'a> {
    group: Option<&'a str>,
    rule: &'static str,
    explained_by_station: bool,
    message: &'a str,
}

#[derive(Serialize)]
struct MovementBody<'a> {
    kind: &'static str,
    probability: WeightsBody,
    since: Option<SinceBody<'a>>,
    size: RangeBody,
    slope: RangeBody,
    level: RangeBody,
    threshold: Option<f64>,
    relevant: bool,
    towards_limit: bool,
    share_eaten: f64,
    earlier: Vec<EarlierBody<'a>>,
    left_out: Vec<&'a str>,
    correlation: Option<f64>,
    together_with: &'a [String],
}

#[derive(Serialize)]
struct WeightsBody {
    none: f64,
    step: f64,
    ramp: f64,
}

#[derive(Serialize)]
struct SinceBody<'a> {
    group: Option<&'a str>,
    low: Option<&'a str>,
    high: Option<&'a str>,
}

#[derive(Serialize)]
struct RangeBody {
    value: f64,
    low: f64,
    high: f64,
}

#[derive(Serialize)]
struct EarlierBody<'a> {
    kind: &'static str,
    since: Option<&'a str>,
    size: f64,
}

#[derive(Serialize)]
struct JointBody<'a> {
    product: &'a str,
    kind: &'static str,
    probability: f64,
    since: SinceBody<'a>,
    series: Vec<MovedBody<'a>>,
    worst: Option<WorstBody<'a>>,
    relevant: bool,
    share_eaten: f64,
    together_with: &'a [String],
    message: &'a str,
}

#[derive(Serialize)]
struct MovedBody<'a> {
    corner: &'a str,
    quantity: &'a str,
    unit: Unit,
    size: RangeBody,
    relevant: bool,
    share_eaten: f64,
}

/// The series that is nearest to its limit: where none is ahead, the one that ate most of its distance.
#[derive(Serialize)]
struct WorstBody<'a> {
    corner: &'a str,
    quantity: &'a str,
    share_eaten: Option<f64>,
    forecast: Option<ReachBody>,
}

#[derive(Serialize)]
struct SlopeBody {
    per_group: f64,
    low: f64,
    high: f64,
    level: f64,
    least_squares: f64,
}

#[derive(Serialize)]
struct ReachBody {
    reaches: Limit,
    in_groups: f64,
    low: Option<f64>,
    high: Option<f64>,
}

#[derive(Serialize)]
struct AbilityBody {
    ppk: f64,
    low: f64,
    units: u64,
    share: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    lots: Option<LotsBody>,
}

/// Scatter of lots and of units inside them.
#[derive(Serialize)]
struct LotsBody {
    between: f64,
    within: f64,
    freedom: f64,
    independent_units: f64,
}

#[derive(Serialize)]
struct ReferenceBody<'a> {
    serial: &'a str,
    station: Option<&'a str>,
    records: u64,
    mean: f64,
    sd: Option<f64>,
    trend: Option<RecordSlopeBody>,
}

/// A slope whose steps are records, not groups.
#[derive(Serialize)]
struct RecordSlopeBody {
    per_record: f64,
    low: f64,
    high: f64,
    level: f64,
    least_squares: f64,
}

#[derive(Serialize)]
struct RuleBody<'a> {
    rule: &'static str,
    verdict: Verdict,
    message: &'a str,
}

/// Writes the JSON result of any number of products.
///
/// # Errors
/// When the sink cannot be written.
pub fn write_drift_json(mut sink: impl Write, products: &[ProductDrift]) -> io::Result<()> {
    let series = || products.iter().flat_map(|product| product.series.iter().map(move |s| (product, s)));
    write!(sink, "{{\"format\":1,\"tool\":\"{TOOL}\",\n\"verdict\":")?;
    serde_json::to_writer(&mut sink, &Verdict::worst(series().map(|(_, series)| series.verdict)))?;
    sink.write_all(b",\n\"products\":[")?;
    write_lines(&mut sink, products.iter().map(ProductBody::from))?;
    sink.write_all(b"],\n\"movements\":[")?;
    let movements =
        products.iter().flat_map(|p| p.movements.iter().map(move |movement| joint_body(p, movement)));
    write_lines(&mut sink, movements)?;
    sink.write_all(b"],\n\"series\":[")?;
    write_lines(&mut sink, series().map(|(product, series)| series_body(product, series)))?;
    sink.write_all(b"]}\n")?;
    sink.flush()
}

/// The entries of a list, a line each.
fn write_lines<T: Serialize>(sink: &mut impl Write, entries: impl Iterator<Item = T>) -> io::Result<()> {
    let mut separator: &[u8] = b"\n";
    for entry in entries {
        sink.write_all(separator)?;
        serde_json::to_writer(&mut *sink, &entry)?;
        separator = b",\n";
    }
    Ok(())
}

impl<'a> From<&'a ProductDrift> for ProductBody<'a> {
    fn from(product: &'a ProductDrift) -> Self {
        Self {
            product: &product.product,
            over: product.over.name(),
            verdict: product.verdict,
            groups: product.groups.iter().map(HeadBody::from).collect(),
            retested: product.retested.iter().map(RetestedBody::from).collect(),
            false_alarms: product.false_alarms.map(FalseAlarmsBody::from),
            notes: &product.notes,
        }
    }
}

impl<'a> From<&'a GroupHead> for HeadBody<'a> {
    fn from(head: &'a GroupHead) -> Self {
        let GroupHead { label, units, records, revisions, firmwares, stations } = head;
        Self { group: label, units: *units, records: *records, revisions, firmwares, stations }
    }
}

impl<'a> From<&'a Retested> for RetestedBody<'a> {
    fn from(retested: &'a Retested) -> Self {
        let Retested { serial, group, verdicts } = retested;
        Self { serial, group, verdicts }
    }
}

impl From<FalseAlarms> for FalseAlarmsBody {
    fn from(alarms: FalseAlarms) -> Self {
        let FalseAlarms { charts, one_chart, any_chart, is_held } = alarms;
        Self { charts, one_chart, any_chart, is_held }
    }
}

fn series_body<'a>(product: &'a ProductDrift, series: &'a SeriesOutcome) -> SeriesBody<'a> {
    let heads = product.groups.as_slice();
    SeriesBody {
        product: &product.product,
        corner: &series.corner,
        quantity: &series.quantity,
        unit: series.unit,
        over: product.over.name(),
        limit: series.limit,
        verdict: series.verdict,
        groups: heads.iter().zip(&series.groups).map(|(head, stats)| group_body(head, stats)).collect(),
        center: series.chart.as_ref().map(|chart| chart.center),
        sigma: series.chart.as_ref().map(|chart| chart.sigma),
        chart: series.chart.as_ref().map(|chart| chart_body(heads, chart)),
        signals: series.signals.iter().map(|signal| signal_body(heads, signal)).collect(),
        movement: series.movement.as_ref().map(|movement| movement_body(heads, movement)),
        trend: series.trend.map(SlopeBody::from),
        forecast: series.forecast.map(ReachBody::from),
        capability: series.capability.map(AbilityBody::from),
        references: series.references.iter().map(ReferenceBody::from).collect(),
        rules: series.rules.iter().map(RuleBody::from).collect(),
        message: &series.message,
    }
}

fn label(heads: &[GroupHead], group: usize) -> Option<&str> {
    heads.get(group).map(|head| head.label.as_str())
}

fn group_body<'a>(head: &'a GroupHead, stats: &GroupStats) -> GroupBody<'a> {
    let GroupStats { units, bounds, mean, sd, min, max, uncertainty, chain } = *stats;
    GroupBody { group: &head.label, units, bounds, mean, sd, min, max, uncertainty, chain }
}

fn chart_body<'a>(heads: &'a [GroupHead], chart: &ChartRun) -> ChartBody<'a> {
    let point = |point: &ChartPoint| {
        let ChartPoint { group, statistic, low, high, sigma } = *point;
        PointBody { group: label(heads, group), statistic, low, high, sigma }
    };
    ChartBody {
        kind: super::words::chart_name(chart.kind),
        setup: chart.setup,
        widening: chart.widening,
        correlation: chart.correlation,
        points: chart.points.iter().map(point).collect(),
    }
}

fn signal_body<'a>(heads: &'a [GroupHead], signal: &'a Signal) -> SignalBody<'a> {
    let Signal { group, rule, message, explained_by_station, .. } = signal;
    let explained_by_station = *explained_by_station;
    SignalBody { group: label(heads, *group), rule, explained_by_station, message }
}

impl From<Range> for RangeBody {
    fn from(range: Range) -> Self {
        let Range { value, low, high } = range;
        Self { value, low, high }
    }
}

fn since_body(heads: &[GroupHead], since: Since) -> SinceBody<'_> {
    let Since { group, low, high } = since;
    SinceBody { group: label(heads, group), low: label(heads, low), high: label(heads, high) }
}

fn movement_body<'a>(heads: &'a [GroupHead], moved: &'a movement::Movement) -> MovementBody<'a> {
    let movement::Weights { none, step, ramp } = moved.probability;
    let earlier = moved.earlier.iter().map(|change| EarlierBody {
        kind: change.kind.name(),
        since: label(heads, change.since),
        size: change.size,
    });
    MovementBody {
        kind: moved.kind.name(),
        probability: WeightsBody { none, step, ramp },
        since: moved.since.map(|since| since_body(heads, since)),
        size: moved.size.into(),
        slope: moved.slope.into(),
        level: moved.level.into(),
        threshold: moved.threshold,
        relevant: moved.relevant,
        towards_limit: moved.towards_limit,
        share_eaten: moved.share_eaten,
        earlier: earlier.collect(),
        left_out: moved.left_out.iter().filter_map(|group| label(heads, *group)).collect(),
        correlation: moved.correlation,
        together_with: &moved.together_with,
    }
}

fn joint_body<'a>(product: &'a ProductDrift, joint: &'a movement::JointMovement) -> JointBody<'a> {
    let nearest = joint.nearest.and_then(|(place, reach)| Some((product.series.get(place)?, reach)));
    let ahead = nearest.map(|(series, reach)| WorstBody {
        corner: &series.corner,
        quantity: &series.quantity,
        share_eaten: series.movement.as_ref().map(|movement| movement.share_eaten),
        forecast: Some(reach.into()),
    });
    let most_eaten = joint.series.first().map(|moved| WorstBody {
        corner: &moved.corner,
        quantity: &moved.quantity,
        share_eaten: Some(moved.share_eaten),
        forecast: None,
    });
    JointBody {
        product: &product.product,
        kind: joint.kind.name(),
        probability: joint.probability,
        since: since_body(&product.groups, joint.since),
        series: joint.series.iter().map(moved_body).collect(),
        worst: ahead.or(most_eaten),
        relevant: joint.relevant,
        share_eaten: joint.share_eaten,
        together_with: &joint.together_with,
        message: &joint.message,
    }
}

fn moved_body(moved: &movement::Moved) -> MovedBody<'_> {
    MovedBody {
        corner: &moved.corner,
        quantity: &moved.quantity,
        unit: moved.unit,
        size: moved.size.into(),
        relevant: moved.relevant,
        share_eaten: moved.share_eaten,
    }
}

impl From<Slope> for SlopeBody {
    fn from(slope: Slope) -> Self {
        let Slope { per_group, low, high, level, least_squares } = slope;
        Self { per_group, low, high, level, least_squares }
    }
}

impl From<Slope> for RecordSlopeBody {
    fn from(slope: Slope) -> Self {
        let Slope { per_group, low, high, level, least_squares } = slope;
        Self { per_record: per_group, low, high, level, least_squares }
    }
}

impl From<Reach> for ReachBody {
    fn from(reach: Reach) -> Self {
        let Reach { limit, in_groups, low, high } = reach;
        Self { reaches: limit, in_groups, low, high }
    }
}

impl From<Ability> for AbilityBody {
    fn from(ability: Ability) -> Self {
        let Ability { ppk, low, units, share, lots, .. } = ability;
        let lots = lots.map(|lots| LotsBody {
            between: lots.between,
            within: lots.within,
            freedom: lots.freedom,
            independent_units: lots.independent,
        });
        Self { ppk, low, units, share, lots }
    }
}

impl<'a> From<&'a ReferenceSeries> for ReferenceBody<'a> {
    fn from(reference: &'a ReferenceSeries) -> Self {
        let ReferenceSeries { serial, station, records, mean, sd, trend } = reference;
        Self {
            serial,
            station: station.as_deref(),
            records: *records,
            mean: *mean,
            sd: *sd,
            trend: trend.map(RecordSlopeBody::from),
        }
    }
}

impl<'a> From<&'a RuleOutcome> for RuleBody<'a> {
    fn from(rule: &'a RuleOutcome) -> Self {
        let RuleOutcome { rule, verdict, message } = rule;
        Self { rule, verdict: *verdict, message }
    }
}
