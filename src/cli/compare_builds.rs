//! `compare --history`: two builds of a history side by side.

use super::compare_args::{CompareArgs, GroupsOver};
use super::console::Console;
use super::drift::{diagnostic, grouped, unknown};
use super::outputs::{is_stdout, print, spared, write_whole};
use super::{PASSED, UNREADABLE};
use crate::check::Unit;
use crate::decision::Limit;
use crate::diagnostic::{Diagnostic, nearest};
use crate::drift::{RecordValue, TwoGroups, TwoGroupsBuilder, natural};
use crate::history::{Address, History, HistoryError, RecordHead};
use crate::output::Kind;
use crate::quantity::listed;
use crate::report::{GroupNames, render_two_groups, write_two_groups_json};
use crate::spec::DriftAxis;
use std::collections::{BTreeSet, HashMap};
use std::ffi::OsStr;

/// Runs the command.
pub fn compare_builds(args: &CompareArgs, history: &OsStr, console: &mut Console) -> u8 {
    let products = match gathered(args, history) {
        Ok(products) => products,
        Err(problem) => {
            console.show(&problem);
            return UNREADABLE;
        }
    };
    if products.iter().all(|product| product.differences.is_empty()) {
        console.fault("nothing can be compared: no corner has values in both builds");
    }
    let labels = labels(args);
    let names = GroupNames { over: word(args.over), a: &labels[0], b: &labels[1] };
    if let Some(path) = spared("--json", &args.json, history, console) {
        write_whole(path, Kind::Json, console, |file| write_two_groups_json(file, &names, &products));
    }
    if !args.json.as_deref().is_some_and(is_stdout) {
        print(&render_two_groups(&names, &products, console.stdout_style(false)), console);
    }
    if console.has_errors() { UNREADABLE } else { PASSED }
}

const fn word(over: GroupsOver) -> &'static str {
    match over {
        GroupsOver::Build => "build",
        GroupsOver::Revision => "revision",
        GroupsOver::Firmware => "firmware",
    }
}

const fn axis(over: GroupsOver) -> DriftAxis {
    match over {
        GroupsOver::Build => DriftAxis::Build,
        GroupsOver::Revision => DriftAxis::Revision,
        GroupsOver::Firmware => DriftAxis::Firmware,
    }
}

/// What is no text is in no history: it is looked for as it is shown.
fn labels(args: &CompareArgs) -> [String; 2] {
    [&args.a, &args.b].map(|label| label.to_string_lossy().into_owned())
}

fn gathered(args: &CompareArgs, history: &OsStr) -> Result<Vec<TwoGroups>, Diagnostic> {
    let told = |error: HistoryError| diagnostic(&error);
    let address = Address::parse(history).map_err(told)?;
    let mut history = History::open_to_read(&address).map_err(told)?;
    let known = history.products().map_err(told)?;
    let chosen: Vec<&String> = match &args.product {
        None => known.iter().collect(),
        Some(wanted) => {
            let found = known.iter().find(|product| *product == wanted);
            vec![found.ok_or_else(|| unknown(&address, wanted, &known))?]
        }
    };
    let (mut products, mut seen) = (Vec::new(), Seen::default());
    for product in chosen {
        products.extend(of_product(&mut history, product, args, &mut seen).map_err(told)?);
    }
    if products.is_empty() { Err(seen.problem(args, &address)) } else { Ok(products) }
}

/// The labels that were met.
#[derive(Debug, Default)]
struct Seen {
    labels: BTreeSet<String>,
}

impl Seen {
    fn add(&mut self, over: GroupsOver, head: &RecordHead) {
        let label = match over {
            GroupsOver::Build => head.build.as_ref(),
            GroupsOver::Revision => Some(&head.revision),
            GroupsOver::Firmware => head.firmware.as_ref(),
        };
        if let Some(label) = label.filter(|label| !head.is_reference && !self.labels.contains(*label)) {
            self.labels.insert(label.clone());
        }
    }

    /// Why there is nothing to compare.
    fn problem(&self, args: &CompareArgs, address: &Address) -> Diagnostic {
        let what = word(args.over);
        let of =
            args.product.as_ref().map_or_else(|| "the history".to_owned(), |own| format!("product `{own}`"));
        let file = address.to_string().as_str().into();
        let problem = |text: String, help: String| {
            Diagnostic::error("history-build", text).in_file(&file).with_help(help)
        };
        let labels = labels(args);
        let Some(absent) = labels.iter().find(|label| !self.labels.contains(*label)) else {
            return problem(
                format!("no product has units of {what} `{}` and of {what} `{}`", labels[0], labels[1]),
                "`loopgauge history list` shows which records are of which build".to_owned(),
            );
        };
        let mut held: Vec<&str> = self.labels.iter().map(String::as_str).collect();
        held.sort_by(|a, b| natural(a, b));
        let help = match nearest(absent, held.iter().copied()) {
            Some(near) => format!("did you mean `{near}`?"),
            None if held.is_empty() => {
                format!("none of its records has a {what}; --over names what A and B are labels of")
            }
            None => format!("it has {}; --over names what A and B are labels of", listed(&held, LISTED)),
        };
        problem(format!("{of} has no unit of {what} `{absent}`"), help)
    }
}

/// Most labels that a message lists.
const LISTED: usize = 8;

fn of_product(
    history: &mut History,
    product: &str,
    args: &CompareArgs,
    seen: &mut Seen,
) -> Result<Option<TwoGroups>, HistoryError> {
    let Some(settings) = history.newest_settings(product)? else { return Ok(None) };
    let mut builder = TwoGroupsBuilder::new(axis(args.over), labels(args), settings.coverage);
    history.records(product, &mut |head| {
        seen.add(args.over, &head);
        builder.add_record(&grouped(head));
    })?;
    if !builder.has_both() {
        return Ok(None);
    }
    history.values(product, &mut |row| {
        let Some(unit) = Unit::of_symbol(&row.series.unit) else { return };
        let value = RecordValue {
            record: row.record.0,
            value: row.value,
            uncertainty: row.uncertainty,
            chain: row.chain,
            at_least: row.at_least,
        };
        builder.add_value((&row.series.corner, &row.series.quantity, unit), &value);
    })?;
    let limits: HashMap<(&str, &str), Limit> = settings
        .limits
        .iter()
        .map(|own| ((own.corner.as_str(), own.quantity.as_str()), Limit { min: own.min, max: own.max }))
        .collect();
    Ok(Some(builder.finish(product, &|corner, quantity| limits.get(&(corner, quantity)).copied())))
}
