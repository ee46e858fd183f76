//! `circuit`: the netlist behind the loop, what of it the corners set, and what varies from unit to unit.
//!
//! The netlist and what it includes come in as the spec's own files do, and errors in them stand in them. That every corner has a
//! model is tried here, so that what is wrong is told at the key that it comes from and not once units are judged.

use super::extends::{Files, beside};
use super::plausible::{LONGEST_NAME, MOST_VARIED, TOLERANCE, UNEXPLAINED};
use super::{Band, Circuit, Corner, Spec};
use crate::circuit::{Includes, Model, Netlist, Setting, Unfit};
use crate::diagnostic::{Diagnostic, has_errors, nearest};
use crate::provenance::FileDigest;
use crate::quantity::{Condition, ConditionValue, Ratio};
use crate::yaml::{Entry, Sign, Value};
use std::collections::HashSet;
use std::sync::Arc;

/// A circuit and the files that it was read from.
pub(super) struct Found {
    pub(super) circuit: Circuit,
    /// The netlist first, as reached.
    pub(super) files: Vec<FileDigest>,
}

/// What the spec says besides, as far as a circuit hangs on it.
pub(super) struct Around<'a> {
    pub(super) corners: &'a [Corner],
    /// Whether the spec must be whole.
    pub(super) whole: bool,
    /// Whether the corners are what the spec means, so that they can be held against the circuit.
    pub(super) sound: bool,
}

/// Reads `circuit`.
pub(super) fn read(value: &Value<'_>, files: &dyn Files, around: &Around<'_>) -> Option<Found> {
    let fields = value.fields("a map such as `{netlist: circuits/river-gauge-5v.cir, injection: Vinj}`")?;
    let required = |key: &'static str, example: &str| match around.whole {
        true => fields.required(key, example),
        false => fields.get(key),
    };
    let file = required("netlist", "netlist: circuits/river-gauge-5v.cir");
    let injection = required("injection", "injection: Vinj");
    let name = injection.as_ref().and_then(|value| value.label("a voltage source such as `Vinj`"));
    let given = fields.get("parameters");
    let parameters = given.as_ref().map_or(Some(Vec::new()), |value| parameters(value));
    let given_vary = fields.get("vary");
    let vary = given_vary.as_ref().map_or(Some(Vec::new()), |value| vary(value));
    let unexplained = fields.get("limits").map_or(Some(None), |value| limits(&value).map(Some));
    fields.finish();
    let file = file?;
    let (netlist, netlist_file, read) = netlist(&file, files)?;
    let circuit = Circuit {
        netlist,
        netlist_file,
        injection: name?.to_owned(),
        parameters: parameters?,
        vary: vary?,
        unexplained: unexplained?,
    };
    let places = Places { circuit: *value, netlist: file, injection, parameters: given, vary: given_vary };
    let fits = fits_corners(&circuit, around, &places);
    if fits && around.sound && around.whole {
        each_corner(&circuit, around.corners, &places);
    }
    Some(Found { circuit, files: read })
}

/// Where the parts of the key stand.
struct Places<'a> {
    circuit: Value<'a>,
    netlist: Value<'a>,
    injection: Option<Value<'a>>,
    parameters: Option<Value<'a>>,
    vary: Option<Value<'a>>,
}

impl Places<'_> {
    /// Reports at an entry of a map of the key, or at the key where there is none.
    fn report(&self, map: Option<&Value<'_>>, key: &str, diagnostic: Diagnostic) {
        let entry = map.and_then(|map| Some((map, map.node.entry(key)?)));
        match entry {
            Some((map, entry)) => map.inner(entry).report(diagnostic),
            None => self.circuit.report(diagnostic),
        }
    }
}

/// Endings of the names of netlists and of what they include: nothing else is opened and quoted from.
const ENDINGS: [&str; 8] = ["cir", "ckt", "inc", "lib", "net", "sp", "spice", "sub"];

/// Files of netlists, read as the spec's are.
struct Beside<'a> {
    files: &'a dyn Files,
    read: Vec<FileDigest>,
}

impl Beside<'_> {
    fn text(&mut self, file: &str) -> Result<String, String> {
        let ending = file.rsplit_once('.').map_or("", |(_, ending)| ending).to_ascii_lowercase();
        if !ENDINGS.contains(&ending.as_str()) {
            return Err(format!("its name does not end as that of a netlist does: .{}", ENDINGS.join(", .")));
        }
        self.plain(file)
    }

    fn plain(&mut self, file: &str) -> Result<String, String> {
        let bytes = self.files.read(file)?;
        if !self.read.iter().any(|known| known.file == file) {
            self.read.push(FileDigest::of(file, &bytes));
        }
        let text = String::from_utf8(bytes).map_err(|_| "it is no text in UTF-8".to_owned())?;
        Ok(text.strip_prefix('\u{feff}').map(str::to_owned).unwrap_or(text))
    }
}

impl Includes for Beside<'_> {
    fn open(&mut self, from: &str, path: &str) -> Result<(String, String), String> {
        let file = beside(from, path)?;
        let text = self.text(&file)?;
        Ok((file, text))
    }
}

/// Reads a netlist without a spec, with all it includes; gives what is to be said of it besides.
///
/// # Errors
/// Everything that is wrong with it.
pub fn load_netlist(file: &str, files: &dyn Files) -> Result<(Netlist, Vec<Diagnostic>), Vec<Diagnostic>> {
    let mut beside = Beside { files, read: Vec::new() };
    // Who names a file means it, however it is called.
    let text = beside.plain(file).map_err(|why| {
        vec![Diagnostic::error("netlist-unreadable", format!("cannot be read: {why}")).in_file(&file.into())]
    })?;
    let (netlist, found) = Netlist::parse(file, &text, &mut beside);
    match netlist.filter(|_| !has_errors(&found)) {
        Some(netlist) => Ok((netlist, found)),
        None => Err(found),
    }
}

/// Reads the netlist that the key names, with all it includes.
fn netlist(value: &Value<'_>, files: &dyn Files) -> Option<(Arc<Netlist>, String, Vec<FileDigest>)> {
    let name = value.label("a netlist such as `circuits/river-gauge-5v.cir`")?;
    const HELP: &str =
        "`netlist` is relative to the folder of the file that it stands in, inside the folder of specs";
    let mut beside_spec = Beside { files, read: Vec::new() };
    let opened = beside(&value.node.source.file, name)
        .and_then(|file| beside_spec.text(&file).map(|text| (file, text)));
    let (file, text) = match opened {
        Ok(opened) => opened,
        Err(why) => {
            value.error("netlist-unreadable", format!("`{name}` cannot be read: {why}"), HELP);
            return None;
        }
    };
    let (netlist, found) = Netlist::parse(&file, &text, &mut beside_spec);
    let failed = has_errors(&found);
    found.into_iter().for_each(|diagnostic| value.findings.push(diagnostic));
    match netlist {
        Some(netlist) if !failed => Some((Arc::new(netlist), file, beside_spec.read)),
        _ => None,
    }
}

/// The entries of a map with free keys that name something of a netlist, whose names know no case.
fn named<'a>(value: &Value<'a>, wanted: &str) -> Option<&'a [Entry]> {
    let entries = value.entries(wanted)?;
    let mut seen = HashSet::new();
    let mut sound = true;
    for entry in entries {
        let at = value.inner(entry);
        if entry.key.chars().count() > LONGEST_NAME {
            at.error("too-long", format!("the name has more than {LONGEST_NAME} characters"), "shorten it");
            sound = false;
        } else if !seen.insert(entry.key.to_ascii_lowercase()) {
            let message = format!("`{}` stands here a second time: netlists know no case", entry.key);
            at.error("duplicate-part", message, "keep one of the two");
            sound = false;
        }
    }
    sound.then_some(entries)
}

/// Reads `parameters`: parameter to condition.
fn parameters(value: &Value<'_>) -> Option<Vec<(String, String)>> {
    let entries = named(value, "a map such as `{VIN: input, ILOAD: load}`")?;
    let one = |entry: &Entry| {
        let condition = value.inner(entry).label("the name of a condition such as `input`")?.to_owned();
        Some((entry.key.to_string(), condition))
    };
    // Every entry is looked at, so that all that is wrong is told.
    let read: Vec<Option<(String, String)>> = entries.iter().map(one).collect();
    read.into_iter().collect()
}

/// Reads `vary`: part to the half-width of its tolerance.
fn vary(value: &Value<'_>) -> Option<Vec<(String, f64)>> {
    let entries = named(value, "a map such as `{Cout: 20 %, L1: 20 %}`")?;
    if entries.len() > MOST_VARIED {
        let message = format!("{} parts vary, at most {MOST_VARIED} are allowed", entries.len());
        value.error("too-many-parts", message, "keep those whose tolerances matter");
        return None;
    }
    let one = |entry: &Entry| {
        let tolerance = value.inner(entry).quantity_in::<Ratio>(Sign::Positive, &TOLERANCE)?;
        Some((entry.key.to_string(), tolerance.ratio()))
    };
    let read: Vec<Option<(String, f64)>> = entries.iter().map(one).collect();
    read.into_iter().collect()
}

/// Reads `limits`.
fn limits(value: &Value<'_>) -> Option<f64> {
    let fields = value.fields("a map such as `{unexplained: 0.05}`")?;
    let unexplained = fields
        .required("unexplained", "unexplained: 0.05")
        .and_then(|value| value.number_in(Sign::Positive, "0.05", &UNEXPLAINED));
    fields.finish();
    unexplained
}

/// Whether every corner has what `parameters` takes from it; says so where it does not.
fn fits_corners(circuit: &Circuit, around: &Around<'_>, places: &Places<'_>) -> bool {
    let mut fits = true;
    for (parameter, condition) in &circuit.parameters {
        let mut wrong = |code, message: String, help: String| {
            fits = false;
            let diagnostic = Diagnostic::error(code, message).with_help(help);
            places.report(places.parameters.as_ref(), parameter, diagnostic);
        };
        if circuit.vary.iter().any(|(part, _)| part.eq_ignore_ascii_case(parameter)) {
            let message = format!("`{parameter}` is set from a condition and varies by itself, too");
            wrong("part-twice", message, "keep it in `parameters` or in `vary`".to_owned());
        }
        if !(around.sound && around.whole) {
            continue;
        }
        if let Some((message, help)) = lacking(condition, around.corners) {
            wrong("condition-missing", message, help);
        } else if let Some((message, help)) = unitless(condition, around.corners) {
            wrong("condition-unit", message, help);
        }
    }
    fits
}

/// That no corner has a condition, and what to do. Where some lack it, the netlist's own value holds there.
fn lacking(condition: &str, corners: &[Corner]) -> Option<(String, String)> {
    if corners.iter().flat_map(|corner| &corner.conditions).any(|(name, _)| name == condition) {
        return None;
    }
    let names = || corners.iter().flat_map(|corner| &corner.conditions).map(|(name, _)| name.as_str());
    let help = nearest(condition, names()).map_or_else(
        || "name a condition of the corners".to_owned(),
        |near| format!("did you mean `{near}`?"),
    );
    Some((format!("no corner has a condition `{condition}`"), help))
}

/// That a condition of a corner is no number in an SI unit or in degrees, and what to do.
fn unitless(condition: &str, corners: &[Corner]) -> Option<(String, String)> {
    let own = |corner: &Corner| {
        let (_, value) = corner.conditions.iter().find(|(name, _)| name == condition)?;
        number(value.value()).is_none().then(|| (corner.name.clone(), value.text().to_owned()))
    };
    let (corner, text) = corners.iter().find_map(own)?;
    let message =
        format!("`{condition}` is `{text}` at the corner `{corner}`: no number that a netlist can be given");
    let help = "a parameter takes V, A, ohm, W, F, H, Hz, s, degC, K or deg; write the condition so, or take it out of `parameters`";
    Some((message, help.to_owned()))
}

/// The number that a netlist is given for a condition: volts, amperes, degrees Celsius … `%` and `dB` are relative to something that
/// nobody said.
fn number(value: ConditionValue) -> Option<f64> {
    match value {
        ConditionValue::Quantity { unit: "%" | "dB", .. } | ConditionValue::Word => None,
        ConditionValue::Quantity { value, .. } => Some(value),
    }
}

impl Circuit {
    /// What a corner sets: parameters of the netlist with their values, from the conditions as they were where `actual` tells them, else as
    /// declared. Those of conditions that the corner lacks stay as the netlist has them.
    #[must_use]
    pub fn settings(&self, corner: &Corner, actual: &[(String, Condition)]) -> Vec<(String, f64)> {
        let one = |(parameter, condition): &(String, String)| {
            let of = |conditions: &[(String, Condition)]| {
                let (_, value) = conditions.iter().find(|(name, _)| name == condition)?;
                number(value.value())
            };
            let declared = of(&corner.conditions)?;
            Some((parameter.clone(), of(actual).unwrap_or(declared)))
        };
        self.parameters.iter().filter_map(one).collect()
    }

    /// Names of the parts that vary, in the order of `vary`.
    #[must_use]
    pub fn parts(&self) -> Vec<String> {
        self.vary.iter().map(|(part, _)| part.clone()).collect()
    }

    /// The loop of the netlist at a corner, under the conditions as they were where `actual` tells them.
    ///
    /// # Errors
    /// When there is none; the reader has tried every corner as declared, so not for those of a spec that it gave.
    pub fn model(&self, corner: &Corner, actual: &[(String, Condition)]) -> Result<Model, Unfit> {
        let parameters = self.settings(corner, actual);
        let setting = Setting { injection: &self.injection, parameters: &parameters, vary: &self.parts() };
        Model::new(&self.netlist, &setting)
    }

    /// The loop of the netlist at each corner as declared, in the spec's order.
    ///
    /// # Errors
    /// The first corner without one, and why; not for a spec that the reader gave.
    pub fn models(&self, spec: &Spec) -> Result<Vec<Model>, Unfit> {
        spec.corners.iter().map(|corner| self.model(corner, &[])).collect()
    }
}

/// Band of a circuit where nothing says one, Hz: loops of converters cross 0 dB well inside; common practice, no source.
const USUAL_BAND: [f64; 2] = [10.0, 1e6];

/// The band that a corner is predicted over, Hz: its own, else from 10 Hz to half the switching frequency, or to 1 MHz.
#[must_use]
pub fn predicted_band(spec: Option<&Spec>, corner: Option<&Corner>) -> [f64; 2] {
    if let Some(Band { from, to }) = corner.and_then(|corner| corner.band) {
        return [from.hz(), to.hz()];
    }
    let [from, to] = USUAL_BAND;
    let half = spec.and_then(|spec| spec.switching_frequency).map(|f| 0.5 * f.hz());
    [from, half.filter(|half| *half > 2.0 * from).unwrap_or(to)]
}

/// Frequency that a corner without a band is tried at, Hz: inside every sweep of a converter.
const USUAL_HZ: f64 = 10e3;

/// Most work of the trials, as corners times the third power of the netlist's parts: a second or two. A loop of 50 parts is tried at 8 000
/// corners; where a huge one has more than are tried, what is wrong with the others is told when they are used.
const MOST_WORK: usize = 1_000_000_000;

/// Tries the model of every corner at both ends of its band; tells the first that has none.
fn each_corner(circuit: &Circuit, corners: &[Corner], places: &Places<'_>) {
    let mut tried = HashSet::new();
    let most = MOST_WORK / circuit.netlist.parts().count().clamp(1, 10_000).pow(3);
    for corner in corners {
        let values: Vec<u64> =
            circuit.settings(corner, &[]).iter().map(|(_, value)| value.to_bits()).collect();
        let ends = corner.band.map_or([USUAL_HZ; 2], |Band { from, to }| [from.hz(), to.hz()]);
        // Corners that differ by what the netlist does not know have one model.
        if tried.len() > most || !tried.insert((values, ends.map(f64::to_bits))) {
            continue;
        }
        let solved = circuit.model(corner, &[]).and_then(|model| {
            let mut solver = model.solver();
            ends.into_iter().try_for_each(|hz| solver.loop_gain(hz).map(drop))
        });
        if let Err(unfit) = solved {
            return tell(&unfit, corner, places);
        }
    }
}

/// Tells why there is no model, at the key that it comes from, or at its place in the netlist.
fn tell(unfit: &Unfit, corner: &Corner, places: &Places<'_>) {
    let told = diagnosed(unfit);
    match unfit {
        Unfit::NoParameter { name, .. } => places.report(places.parameters.as_ref(), name, told),
        Unfit::NoPart { name, .. }
        | Unfit::TwoParts { name }
        | Unfit::VariedTwice { name }
        | Unfit::ZeroPart { name } => places.report(places.vary.as_ref(), name, told),
        Unfit::NoSource { .. } | Unfit::GroundedSource { .. } => match &places.injection {
            Some(at) => at.report(told),
            None => places.circuit.report(told),
        },
        _ => {
            let message = format!("at the corner `{}`: {unfit}", corner.name);
            let told = Diagnostic { message, ..told };
            match told.place {
                Some(_) => places.netlist.findings.push(told),
                None => places.netlist.report(told),
            }
        }
    }
}

/// Why there is no model; its place, where it is one in the netlist.
pub fn diagnosed(unfit: &Unfit) -> Diagnostic {
    let code = match unfit.key() {
        "injection" => "bad-injection",
        "parameters" => "bad-parameter",
        "vary" => "bad-part",
        _ => "no-loop-gain",
    };
    let diagnostic = Diagnostic::error(code, unfit.to_string()).with_help(unfit.help());
    Diagnostic { place: unfit.place().cloned(), ..diagnostic }
}
