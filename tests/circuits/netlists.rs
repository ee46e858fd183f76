//! Netlists opened, what is recorded of them, and transfer functions of pieces.

use loopgauge::circuit::{Includes, Model, Netlist, Setting};
use num_complex::Complex64;
use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

fn checkout() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// Folder of the ready subcircuits.
const READY: &str = "specs/circuits";

/// Files of the checkout, by their path in it.
struct Checkout;

impl Includes for Checkout {
    fn open(&mut self, from: &str, path: &str) -> Result<(String, String), String> {
        let mut file = PathBuf::from(from);
        file.pop();
        for part in Path::new(path) {
            if part == ".." { assert!(file.pop()) } else { file.push(part) }
        }
        let text = fs::read_to_string(checkout().join(&file)).map_err(|error| error.to_string())?;
        Ok((file.to_string_lossy().into_owned(), text))
    }
}

/// The loop of a netlist, of which nothing must be complained about.
#[track_caller]
fn model(file: &str, text: &str, parameters: &[(String, f64)], vary: &[String]) -> Model {
    let (netlist, diagnostics) = Netlist::parse(file, text, &mut Checkout);
    assert!(diagnostics.is_empty(), "{file}: {diagnostics:#?}");
    let setting = Setting { injection: "Vinj", parameters, vary };
    Model::new(&netlist.unwrap(), &setting).unwrap_or_else(|unfit| panic!("{file}: {unfit:?}"))
}

/// The loop of a netlist of the checkout, with parts that vary.
#[track_caller]
pub fn varied(file: &str, parameters: &[(String, f64)], vary: &[String]) -> Model {
    model(file, &fs::read_to_string(checkout().join(file)).unwrap(), parameters, vary)
}

/// The loop of a netlist of the checkout.
#[track_caller]
pub fn opened(file: &str, parameters: &[(String, f64)]) -> Model {
    varied(file, parameters, &[])
}

/// What ngspice made of a netlist.
pub struct Recorded {
    pub name: String,
    pub netlist: String,
    /// As set for this sweep.
    pub parameters: Vec<(String, f64)>,
    /// Frequency in Hz and loop gain around the loop.
    pub points: Vec<(f64, Complex64)>,
}

/// All that is recorded.
pub fn recorded() -> Vec<Recorded> {
    let mut all: Vec<Recorded> =
        stems("tests/circuits/recorded", "csv").into_iter().map(one_recorded).collect();
    all.sort_by(|a, b| a.name.cmp(&b.name));
    all
}

fn one_recorded(name: String) -> Recorded {
    let text = fs::read_to_string(checkout().join(format!("tests/circuits/recorded/{name}.csv"))).unwrap();
    let set = text.lines().find_map(|line| line.strip_prefix("# parameters: ")).unwrap_or_default();
    let parameters = set.split_whitespace().map(|set| {
        let (name, value) = set.split_once('=').unwrap();
        (name.to_owned(), value.parse().unwrap())
    });
    let mut lines = text.lines().filter(|line| !line.starts_with('#'));
    assert_eq!(lines.next(), Some("frequency_hz,input_real,input_imag,output_real,output_imag"));
    let points = lines.map(|line| {
        let row: Vec<f64> = line.split(',').map(|number| number.parse().unwrap()).collect();
        let [hz, a, b, c, d] = row[..] else { panic!("{name}: {line}") };
        (hz, Complex64::new(c, d) / Complex64::new(a, b))
    });
    let netlist = match name.split_once('_') {
        Some((rail, _)) => format!("{READY}/{rail}.cir"),
        None => format!("tests/circuits/{name}.cir"),
    };
    Recorded { parameters: parameters.collect(), points: points.collect(), netlist, name }
}

/// Names of the whole circuits.
pub fn whole_circuits() -> BTreeSet<String> {
    stems("tests/circuits", "cir").into_iter().collect()
}

fn stems(folder: &str, extension: &str) -> Vec<String> {
    let entries = fs::read_dir(checkout().join(folder)).unwrap().map(|entry| entry.unwrap().path());
    let found = entries.filter(|path| path.extension().is_some_and(|end| end == extension));
    found.map(|path| path.file_stem().unwrap().to_str().unwrap().to_owned()).collect()
}

/// A piece of a circuit as a transfer function from node `in` to node `out`.
pub struct Piece(Model);

impl Piece {
    /// `body` is a netlist without title and injection that may use every ready subcircuit. Nothing in it may draw a current from
    /// `in`: 1 V between the two is then `out/in` as it is, whatever `out` drives.
    #[track_caller]
    pub fn new(body: &str) -> Self {
        let mut text = String::from("a piece of a circuit\n");
        for file in stems(READY, "cir").iter().filter(|name| !name.starts_with("river-gauge")) {
            text.push_str(&format!(".include {file}.cir\n"));
        }
        text.push_str(&format!("{body}\nVinj out in AC 1\n.end\n"));
        Self(model(&format!("{READY}/piece.cir"), &text, &[], &[]))
    }

    /// Its value at a frequency in Hz.
    pub fn at(&self, hz: f64) -> Complex64 {
        self.0.solver().loop_gain(hz).unwrap()
    }

    /// Largest deviation from a formula in s, as a part of it, over frequencies from `from_hz` to `to_hz`.
    pub fn off(&self, from_hz: f64, to_hz: f64, formula: impl Fn(Complex64) -> Complex64) -> f64 {
        let steps = 200;
        let hz = |k: i32| from_hz * (to_hz / from_hz).powf(f64::from(k) / f64::from(steps));
        let off = |hz: f64| {
            let s = Complex64::new(0.0, std::f64::consts::TAU * hz);
            (self.at(hz) / formula(s) - 1.0).norm()
        };
        (0..=steps).map(|k| off(hz(k))).fold(0.0, f64::max)
    }
}
