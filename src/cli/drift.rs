//! `drift`: margins over builds, from a history.

use super::console::Console;
use super::drift_parts::add_parts;
use super::history_args::DriftArgs;
use super::outputs::{apart, cannot_write, commit, create, is_stdout, print, spared, write_whole};
use super::{NOT_PASSED, PASSED, UNREADABLE};
use crate::check::Unit;
use crate::decision::{Limit, Verdict};
use crate::diagnostic::{Diagnostic, nearest};
use crate::disk::files::label;
use crate::disk::specs::Disk;
use crate::drift::{
    Population, PopulationBuilder, ProductDrift, RecordHead, RecordValue, Series, SeriesBuilder, SeriesKey,
    Settings, judge,
};
use crate::history::{self, Address, History, HistoryError};
use crate::output::Kind;
use crate::quantity::calendar::micros;
use crate::report::html::write_drift_html;
use crate::report::markdown::write_drift_markdown;
use crate::report::{render_drift, write_drift_json, write_drift_junit};
use crate::spec;
use std::collections::HashMap;
use std::ffi::OsStr;
use std::path::{Path, PathBuf};

/// Runs the command.
pub fn drift(args: &DriftArgs, verbose: bool, console: &mut Console) -> u8 {
    if let Err(text) = apart(&outputs(args)) {
        console.fault(&text);
        return UNREADABLE;
    }
    let given = match &args.spec {
        None => None,
        Some(path) => match of_spec(path) {
            Ok(given) => Some(given),
            Err(problems) => {
                problems.iter().for_each(|problem| console.show(problem));
                return UNREADABLE;
            }
        },
    };
    let products = match judged(args, given.as_ref()) {
        Ok(products) => products,
        Err(problem) => {
            console.show(&problem);
            return UNREADABLE;
        }
    };
    write(args, &products, verbose, console);
    if args.store
        && let Err(error) = store(&args.history, &products)
    {
        console.show(&diagnostic(&error));
    }
    let fails = products.iter().any(|product| product.verdict == Some(Verdict::Fail));
    if console.has_errors() {
        UNREADABLE
    } else if fails {
        NOT_PASSED
    } else {
        PASSED
    }
}

fn store(history: &OsStr, products: &[ProductDrift]) -> Result<(), HistoryError> {
    let address = Address::parse(history)?;
    History::open_to_record(&address)?.store_movements(products, time::UtcDateTime::now())
}

/// The files that are asked for, by option.
fn outputs(args: &DriftArgs) -> [(&'static str, &Option<PathBuf>); 4] {
    [("--json", &args.json), ("--junit", &args.junit), ("--html", &args.html), ("--markdown", &args.markdown)]
}

/// A history's error as the console shows it.
pub fn diagnostic(error: &HistoryError) -> Diagnostic {
    let run = error.run.as_ref().map(|run| format!("; the run {run} is not recorded")).unwrap_or_default();
    let shown = Diagnostic::error(error.kind.code(), format!("{}{run}", error.what))
        .in_file(&error.place.as_str().into());
    if error.help.is_empty() { shown } else { shown.with_help(error.help.clone()) }
}

/// What a history is judged by instead of what is recorded.
struct Given {
    product: String,
    settings: history::Settings,
}

/// Reads `--spec`.
fn of_spec(path: &Path) -> Result<Given, Vec<Diagnostic>> {
    let file = label(path);
    let wrong = |message: &str, help: &str| {
        let problem = Diagnostic::error("drift-spec", message.to_owned()).in_file(&file.as_str().into());
        vec![problem.with_help(help.to_owned())]
    };
    if path.is_dir() {
        return Err(wrong("--spec names a folder", "name the spec file of the product in it"));
    }
    let loaded = spec::load(&file, &Disk::file(path))?;
    if loaded.spec.drift.is_none() {
        return Err(wrong("the spec has no `drift`: there is nothing to judge a history by", ADD_DRIFT));
    }
    Ok(Given { product: loaded.spec.product.clone(), settings: history::declared(&loaded.spec) })
}

/// A block to begin with.
const ADD_DRIFT: &str = "add a block such as `drift: {over: build, chart: changepoint, capability: {min: 1.33}, forecast: {groups: 6}}`";

fn judged(args: &DriftArgs, given: Option<&Given>) -> Result<Vec<ProductDrift>, Diagnostic> {
    let told = |error: HistoryError| diagnostic(&error);
    let address = Address::parse(&args.history).map_err(told)?;
    let mut history = History::open_to_read(&address).map_err(told)?;
    let known = history.products().map_err(told)?;
    if let (Some(given), Some(asked)) = (given, args.product.as_ref())
        && given.product != *asked
    {
        let message =
            format!("--spec declares the product `{}`, --product asks for `{asked}`", given.product);
        return Err(
            Diagnostic::error("drift-spec", message).with_help("leave --product out, or name its spec")
        );
    }
    let chosen: Vec<&String> = match args.product.as_ref().or(given.map(|given| &given.product)) {
        None => known.iter().collect(),
        Some(wanted) => {
            let found = known.iter().find(|product| *product == wanted);
            vec![found.ok_or_else(|| unknown(&address, wanted, &known))?]
        }
    };
    chosen.into_iter().map(|product| of_product(&mut history, product, args, given).map_err(told)).collect()
}

/// A product that is not there.
pub fn unknown(address: &Address, wanted: &str, known: &[String]) -> Diagnostic {
    let help = match nearest(wanted, known.iter().map(String::as_str)) {
        Some(near) => format!("did you mean the product `{near}`?"),
        None if known.is_empty() => "it holds no record yet".to_owned(),
        None => format!("it holds {}", known.join(", ")),
    };
    let file = address.to_string().as_str().into();
    Diagnostic::error("history-product", format!("the history has no product `{wanted}`"))
        .in_file(&file)
        .with_help(help)
}

fn of_product(
    history: &mut History,
    product: &str,
    args: &DriftArgs,
    given: Option<&Given>,
) -> Result<ProductDrift, HistoryError> {
    let newest = match given {
        Some(given) => Some(given.settings.clone()),
        None => history.newest_settings(product)?,
    };
    let (drift, limits) = newest.map(|newest| (newest.drift, newest.limits)).unwrap_or_default();
    let settings = Settings { drift, family_rate: args.false_alarms.map(|percent| percent / 100.0) };
    let mut builder = PopulationBuilder::new(settings.over());
    let mut records = Vec::new();
    history.records(product, &mut |head| {
        records.push(head.id.0);
        builder.add(grouped(head));
    })?;
    let population = builder.finish();
    let keys: Vec<SeriesKey> = limits
        .into_iter()
        .filter_map(|limit| {
            Some(SeriesKey {
                unit: Unit::of_symbol(&limit.unit)?,
                corner: limit.corner,
                quantity: limit.quantity,
                limit: Limit { min: limit.min, max: limit.max },
            })
        })
        .collect();
    let series = gather(history, product, &population, &keys)?;
    let mut drift = judge(product, &settings, &population, keys.into_iter().zip(series).collect());
    add_parts(history, &mut drift, &population, &records)?;
    Ok(drift)
}

/// A record as far as groups need it.
pub fn grouped(head: crate::history::RecordHead) -> RecordHead {
    RecordHead {
        record: head.id.0,
        serial: head.serial,
        revision: head.revision,
        firmware: head.firmware,
        build: head.build,
        taken_us: head.taken_us,
        recorded_us: micros(&head.recorded),
        station: head.station,
        is_reference: head.is_reference,
        verdict: head.verdict,
    }
}

/// The values of every series, in one walk through the history.
fn gather(
    history: &mut History,
    product: &str,
    population: &Population,
    keys: &[SeriesKey],
) -> Result<Vec<Series>, HistoryError> {
    let mut builders: Vec<SeriesBuilder> = keys.iter().map(|_| SeriesBuilder::new(population)).collect();
    let places: HashMap<(&str, &str), usize> = keys
        .iter()
        .enumerate()
        .map(|(place, key)| ((key.corner.as_str(), key.quantity.as_str()), place))
        .collect();
    // Rows of one series mostly follow each other.
    let mut last: Option<(i64, Option<usize>)> = None;
    history.values(product, &mut |row| {
        let place = match last {
            Some((series, place)) if series == row.series_id => place,
            _ => places.get(&(row.series.corner.as_str(), row.series.quantity.as_str())).copied(),
        };
        last = Some((row.series_id, place));
        if let Some(builder) = place.and_then(|place| builders.get_mut(place)) {
            let value = RecordValue {
                record: row.record.0,
                value: row.value,
                uncertainty: row.uncertainty,
                chain: row.chain,
                at_least: row.at_least,
            };
            builder.add(population, &value);
        }
    })?;
    Ok(builders.into_iter().map(|builder| builder.finish()).collect())
}

fn write(args: &DriftArgs, products: &[ProductDrift], verbose: bool, console: &mut Console) {
    let [json, junit, html, markdown] =
        outputs(args).map(|(option, path)| spared(option, path, &args.history, console));
    if let Some(path) = json {
        write_whole(path, Kind::Json, console, |file| write_drift_json(file, products));
    }
    if let Some(path) = junit {
        let written = create(path, Kind::Junit).and_then(|file| {
            let (file, summary) =
                write_drift_junit(file, products).map_err(|error| cannot_write(path, error))?;
            if let Some(note) = summary.note() {
                console.note(&note);
            }
            Ok(file)
        });
        commit(written, console);
    }
    if let Some(path) = html {
        write_whole(path, Kind::Html, console, |file| write_drift_html(file, products));
    }
    if let Some(path) = markdown {
        write_whole(path, Kind::Markdown, console, |file| write_drift_markdown(file, products));
    }
    if !outputs(args).iter().any(|(_, path)| path.as_deref().is_some_and(is_stdout)) {
        let text = render_drift(products, console.stdout_style(verbose));
        print(&text, console);
    }
}
