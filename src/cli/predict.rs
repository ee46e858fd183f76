//! `predict`: what to expect of a loop from its netlist.

use super::console::Console;
use super::outputs::{apart, is_stdout, print, write_whole};
use super::predict_args::PredictArgs;
use super::{PASSED, UNREADABLE, threads};
use crate::circuit::predict::{Drawn, Judged, Part, Prediction, Study, Units, Wanted};
use crate::circuit::{Model, Netlist, Setting, Unfit};
use crate::diagnostic::Diagnostic;
use crate::disk::files::label;
use crate::disk::specs::Disk;
use crate::output::Kind;
use crate::report::html::write_predict_html;
use crate::report::{Predicted, render_predict, write_predict_json};
use crate::spec::{Corner, CriticalPoint, Limits, Spec, diagnosed, load, load_netlist, predicted_band};
use rayon::prelude::*;
use std::path::Path;

/// Units that a thread takes at once: some hundredth of a second.
const CHUNK: usize = 50;

/// What is to be predicted.
struct Loop {
    product: Option<String>,
    netlist: String,
    title: String,
    parts: Vec<Part>,
    corners: Vec<Place>,
    critical_point: CriticalPoint,
    open_loop_poles: u32,
}

/// One corner of it.
struct Place {
    name: String,
    conditions: Vec<(String, String)>,
    band_hz: [f64; 2],
    limits: Limits,
    model: Model,
}

/// Runs the command.
pub fn predict(args: &PredictArgs, console: &mut Console) -> u8 {
    if let Err(text) = apart(&[("--json", &args.json), ("--html", &args.html)]) {
        console.fault(&text);
        return UNREADABLE;
    }
    let Some(asked) = asked(args, console) else { return UNREADABLE };
    let pool = match threads::start(args.jobs) {
        Ok(pool) => pool,
        Err(text) => {
            console.fault(&text);
            return UNREADABLE;
        }
    };
    match pool.install(|| solved(&asked, args.html.is_some())) {
        Ok(prediction) => write(args, &asked, &prediction, console),
        Err((corner, unfit)) => {
            let message = format!("at the corner `{corner}`: {unfit}");
            console.show(&placed(Diagnostic { message, ..diagnosed(&unfit) }, &asked.netlist));
        }
    }
    if console.has_errors() { UNREADABLE } else { PASSED }
}

/// In the netlist, where it has no place in there yet.
fn placed(diagnostic: Diagnostic, netlist: &str) -> Diagnostic {
    if diagnostic.place.is_some() { diagnostic } else { diagnostic.in_file(&netlist.into()) }
}

/// Reads the spec, or the netlist; `None` where it cannot be read, which was said.
fn asked(args: &PredictArgs, console: &mut Console) -> Option<Loop> {
    let found = match (&args.spec, &args.netlist, &args.injection) {
        (Some(spec), ..) => of_spec(spec, &args.specs, console),
        (None, Some(netlist), Some(injection)) => of_netlist(netlist, injection, args, console),
        // The command line has one of the two.
        _ => Err(Vec::new()),
    };
    found.map_err(|problems| problems.iter().for_each(|problem| console.show(problem))).ok()
}

fn of_spec(path: &Path, specs: &Path, console: &mut Console) -> Result<Loop, Vec<Diagnostic>> {
    let file = label(path);
    let loaded = load(&file, &Disk::named(path, specs))?;
    loaded.warnings.iter().for_each(|warning| console.show(warning));
    let spec: &Spec = &loaded.spec;
    let Some(circuit) = &spec.circuit else {
        let help = "add for example `circuit: {netlist: circuits/river-gauge-5v.cir, injection: Vinj}`";
        let problem =
            Diagnostic::error("no-circuit", "the spec has no key `circuit`, so nothing can be predicted");
        return Err(vec![loaded.at("circuit", problem.with_help(help))]);
    };
    let place = |corner: &Corner, model: Model| Place {
        name: corner.name.clone(),
        conditions: corner
            .conditions
            .iter()
            .map(|(name, value)| (name.clone(), value.text().to_owned()))
            .collect(),
        band_hz: predicted_band(Some(spec), Some(corner)),
        limits: corner.limits.clone(),
        model,
    };
    let models = circuit.models(spec).map_err(|unfit| vec![loaded.at("circuit", diagnosed(&unfit))])?;
    Ok(Loop {
        product: Some(spec.product.clone()),
        netlist: circuit.netlist_file.clone(),
        title: circuit.netlist.title().to_owned(),
        parts: parts(&circuit.vary),
        corners: spec.corners.iter().zip(models).map(|(corner, model)| place(corner, model)).collect(),
        critical_point: spec.critical_point,
        open_loop_poles: spec.open_loop_poles,
    })
}

fn of_netlist(
    path: &Path,
    injection: &str,
    args: &PredictArgs,
    console: &mut Console,
) -> Result<Loop, Vec<Diagnostic>> {
    let file = label(path);
    let (netlist, warnings) = load_netlist(&file, &Disk::named(path, &args.specs))?;
    warnings.iter().for_each(|warning| console.show(warning));
    let in_file = |problem: Diagnostic| vec![placed(problem, &file)];
    let model = model(&netlist, injection, args).map_err(|unfit| in_file(diagnosed(&unfit)))?;
    let [from, to] = predicted_band(None, None);
    let band_hz = [args.from.unwrap_or(from), args.to.unwrap_or(to)];
    let [from, to] = band_hz;
    if from * 2.0 > to {
        let message =
            format!("the band from {from} Hz to {to} Hz is none: --to must be at least twice --from");
        return Err(in_file(Diagnostic::error("bad-band", message).with_help("give other ends of the band")));
    }
    let corner = Place {
        name: "nominal".to_owned(),
        conditions: Vec::new(),
        band_hz,
        limits: Limits::default(),
        model,
    };
    Ok(Loop {
        product: None,
        netlist: file.clone(),
        title: netlist.title().to_owned(),
        parts: parts(&args.vary),
        corners: vec![corner],
        critical_point: args.critical_point.unwrap_or(CriticalPoint::PlusOne),
        open_loop_poles: 0,
    })
}

fn model(netlist: &Netlist, injection: &str, args: &PredictArgs) -> Result<Model, Unfit> {
    let vary: Vec<String> = args.vary.iter().map(|(part, _)| part.clone()).collect();
    Model::new(netlist, &Setting { injection, parameters: &args.param, vary: &vary })
}

fn parts(vary: &[(String, f64)]) -> Vec<Part> {
    vary.iter().map(|(name, tolerance)| Part { name: name.clone(), tolerance: *tolerance }).collect()
}

/// Solves everything, corner by corner and unit by unit; what comes out does not hang on the threads. The corner that has no loop gain,
/// and why.
fn solved(asked: &Loop, fan: bool) -> Result<Prediction, (String, Unfit)> {
    let tolerances: Vec<f64> = asked.parts.iter().map(|part| part.tolerance).collect();
    let units = Units::draw(&tolerances);
    let one = |place: &Place| -> Result<Judged, (String, Unfit)> {
        let wanted = Wanted {
            corner: &place.name,
            critical_point: asked.critical_point,
            open_loop_poles: asked.open_loop_poles,
            band_hz: place.band_hz,
            limits: &place.limits,
        };
        let study =
            Study::new(wanted, place.model.clone(), &units).map_err(|unfit| (place.name.clone(), unfit))?;
        let starts: Vec<usize> = (0..units.len()).step_by(CHUNK).collect();
        let drawn = starts
            .par_iter()
            .flat_map_iter(|start| study.draw(&units, *start..(start + CHUNK).min(units.len()), fan));
        let drawn: Vec<Drawn> = drawn.collect();
        let failing = drawn.iter().map(Drawn::fails).collect();
        Ok(Judged { outcome: study.outcome(&drawn, fan), failing })
    };
    let corners: Result<Vec<Judged>, _> = asked.corners.iter().map(one).collect();
    Ok(Prediction::of(&asked.title, asked.parts.clone(), &units, corners?))
}

fn write(args: &PredictArgs, asked: &Loop, prediction: &Prediction, console: &mut Console) {
    let conditions: Vec<_> = asked.corners.iter().map(|place| place.conditions.clone()).collect();
    let predicted = Predicted {
        product: asked.product.as_deref(),
        netlist: &asked.netlist,
        conditions: &conditions,
        prediction,
    };
    if let Some(path) = &args.json {
        write_whole(path, Kind::Json, console, |file| write_predict_json(file, &predicted));
    }
    if let Some(path) = &args.html {
        write_whole(path, Kind::Html, console, |file| write_predict_html(file, &predicted));
    }
    let to_stdout = [&args.json, &args.html].into_iter().flatten().any(|path| is_stdout(path));
    if !to_stdout {
        print(&render_predict(&predicted, console.stdout_style(false)), console);
    }
}
