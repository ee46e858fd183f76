//! Which columns of a file are meant.
//!
//! A declared column wins. What is not declared is looked up by the standard names, in this order of forms: `gain_db`
//! and `phase_deg`, `gain` and `phase_deg`, `real` and `imag`, the two sides of the injection point by their parts, by magnitude and phase.

use super::convert::{Form, MOST_NUMBERS, Numbers};
use super::fields::Field;
use super::reading::{AngleUnit, Column, ColumnRef, Columns, FrequencyUnit, GainUnit, Reading};
use std::borrow::Cow;

/// Standard name of the frequency column.
pub(super) const FREQUENCY: &str = "frequency_hz";

/// In [`Layout::roles`]: not used.
pub(super) const UNUSED: u8 = u8::MAX;

/// Where the numbers of a row stand, and what they are.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Layout {
    /// Form of the loop gain.
    pub form: Form,
    /// Unit of the frequencies.
    pub unit: FrequencyUnit,
    /// Fields of every row.
    pub fields: usize,
    /// Index of the field of each number.
    places: [usize; MOST_NUMBERS],
    used: usize,
}

impl Layout {
    /// Index of the field of each number, the frequency's first.
    pub fn places(&self) -> &[usize] {
        self.places.get(..self.used).unwrap_or_default()
    }

    /// For each field of a row the index of its number, or [`UNUSED`].
    pub fn roles(&self, roles: &mut Vec<u8>) {
        roles.clear();
        roles.resize(self.fields, UNUSED);
        for (number, place) in (0..).zip(self.places()) {
            if let Some(role) = roles.get_mut(*place) {
                *role = number;
            }
        }
    }

    /// A frequency of the file in Hz.
    #[inline]
    pub fn hertz(&self, numbers: &Numbers) -> f64 {
        let [value, ..] = *numbers;
        self.unit.hertz(value)
    }

    /// What the number of this index is called in messages.
    pub fn quantity(&self, number: usize) -> &'static str {
        const POLAR: [&str; 3] = ["frequency", "gain", "phase"];
        const COMPLEX: [&str; 3] = ["frequency", "real part", "imaginary part"];
        const SIDES: [&str; 5] = [
            "frequency",
            "real part of the input side",
            "imaginary part of the input side",
            "real part of the output side",
            "imaginary part of the output side",
        ];
        const POLAR_SIDES: [&str; 5] = [
            "frequency",
            "magnitude of the input side",
            "phase of the input side",
            "magnitude of the output side",
            "phase of the output side",
        ];
        let names: &[&str] = match self.form {
            Form::Polar(..) => &POLAR,
            Form::Complex => &COMPLEX,
            Form::Sides => &SIDES,
            Form::PolarSides(_) => &POLAR_SIDES,
        };
        names.get(number).copied().unwrap_or("number")
    }
}

/// The first row, cut up.
#[derive(Debug, Clone, Copy)]
pub(super) struct Header<'a> {
    /// The text that the fields lie in.
    pub text: &'a str,
    /// Its fields.
    pub fields: &'a [Field],
    /// Whether they are names, else numbers.
    pub named: bool,
}

impl<'a> Header<'a> {
    /// The names, in order; none when the file has no header.
    pub fn names(&self) -> impl Iterator<Item = Cow<'a, str>> + Clone + use<'a> {
        let text = self.text;
        let fields = if self.named { self.fields } else { &[] };
        fields.iter().map(move |field| field.content(text))
    }

    fn find(&self, name: &str) -> Option<usize> {
        self.names().position(|found| found == name)
    }
}

/// Why the columns are not clear.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Unclear {
    /// A declared name is not in the header.
    NoSuchName {
        /// Key under `reading.columns`.
        key: &'static str,
        /// The name.
        name: String,
    },
    /// A name was declared, and the file has no header.
    NameWithoutHeader {
        /// Key under `reading.columns`.
        key: &'static str,
        /// The name.
        name: String,
    },
    /// A declared position is 0 or past the end of the row.
    BeyondRow {
        /// Key under `reading.columns`.
        key: &'static str,
        /// The position, from 1.
        position: usize,
    },
    /// Two numbers would come from one column.
    Shared {
        /// Keys under `reading.columns`.
        keys: [&'static str; 2],
        /// The column, from 1.
        position: usize,
    },
    /// No frequency.
    NoFrequency,
    /// No form of the loop gain is whole. The keys that are missing for the one that was begun, if any was.
    NoGain(Vec<&'static str>),
}

/// One form of the loop gain and where its numbers were found.
struct Candidate {
    form: Form,
    keys: &'static [&'static str],
    /// As many as keys.
    places: [Option<usize>; MOST_NUMBERS - 1],
    declared: usize,
}

impl Candidate {
    fn found(&self) -> impl Iterator<Item = (&'static str, Option<usize>)> + '_ {
        self.keys.iter().copied().zip(self.places)
    }

    fn is_whole(&self) -> bool {
        self.found().all(|(_, place)| place.is_some())
    }

    fn missing(&self) -> Vec<&'static str> {
        self.found().filter(|(_, place)| place.is_none()).map(|(key, _)| key).collect()
    }
}

/// Finds the columns.
///
/// # Errors
/// Everything that is unclear.
pub(super) fn resolve(header: &Header<'_>, reading: &Reading) -> Result<Layout, Vec<Unclear>> {
    let columns = &reading.columns;
    let mut unclear = Vec::new();
    let frequency = columns.frequency.as_ref().map(|column| &column.column);
    let frequency = place(header, "frequency", frequency, &mut unclear).or_else(|| header.find(FREQUENCY));
    let candidates = candidates(header, columns, &mut unclear);
    if !unclear.is_empty() {
        return Err(unclear);
    }
    let chosen = choose(&candidates);
    let (Some(frequency), Ok(chosen)) = (frequency, &chosen) else {
        unclear.extend(frequency.is_none().then_some(Unclear::NoFrequency));
        unclear.extend(chosen.err().map(Unclear::NoGain));
        return Err(unclear);
    };
    let mut places = [frequency; MOST_NUMBERS];
    for (into, (_, from)) in places.iter_mut().skip(1).zip(chosen.found()) {
        *into = from.unwrap_or(frequency);
    }
    let unit = columns.frequency.as_ref().map_or(reading.frequency_unit, |column| column.unit);
    let layout =
        Layout { form: chosen.form, unit, fields: header.fields.len(), places, used: chosen.keys.len() + 1 };
    match shared(&layout, chosen.keys) {
        Some(shared) => Err(vec![shared]),
        None => Ok(layout),
    }
}

/// The place of a declared column.
fn place(
    header: &Header<'_>,
    key: &'static str,
    declared: Option<&ColumnRef>,
    unclear: &mut Vec<Unclear>,
) -> Option<usize> {
    match declared? {
        ColumnRef::Position(position) => {
            let place = position.checked_sub(1).filter(|place| *place < header.fields.len());
            if place.is_none() {
                unclear.push(Unclear::BeyondRow { key, position: *position });
            }
            place
        }
        ColumnRef::Name(name) if !header.named => {
            unclear.push(Unclear::NameWithoutHeader { key, name: name.clone() });
            None
        }
        ColumnRef::Name(name) => {
            let place = header.find(name.trim_matches([' ', '\t']));
            if place.is_none() {
                unclear.push(Unclear::NoSuchName { key, name: name.clone() });
            }
            place
        }
    }
}

/// The forms, in order of recognition.
fn candidates(header: &Header<'_>, columns: &Columns, unclear: &mut Vec<Unclear>) -> [Candidate; 4] {
    let mut candidate = |form, keys: &'static [&'static str], declared: [Option<&ColumnRef>; 4]| {
        let mut places = [None; MOST_NUMBERS - 1];
        for (into, (key, declared)) in places.iter_mut().zip(keys.iter().zip(declared)) {
            *into = place(header, key, declared, unclear);
            // The standard names of the parts are those of their keys; gain and phase carry their unit.
            if into.is_none() && !matches!(form, Form::Polar(..)) {
                *into = header.find(key);
            }
        }
        Candidate { form, keys, places, declared: declared.iter().flatten().count() }
    };
    let c = columns;
    let gain_unit = c.gain.as_ref().map_or(GainUnit::Decibel, |column| column.unit);
    let phase_unit = c.phase.as_ref().map_or(AngleUnit::Degree, |column| column.unit);
    let declared = [of(&c.gain), of(&c.phase), None, None];
    let mut polar = candidate(Form::Polar(gain_unit, phase_unit), &["gain", "phase"], declared);
    let complex = [c.real.as_ref(), c.imag.as_ref(), None, None];
    let complex = candidate(Form::Complex, &["real", "imag"], complex);
    let sides = [&c.input_real, &c.input_imag, &c.output_real, &c.output_imag].map(Option::as_ref);
    let sides = candidate(Form::Sides, &["input_real", "input_imag", "output_real", "output_imag"], sides);
    let declared = [of(&c.input_magnitude), of(&c.input_phase), of(&c.output_magnitude), of(&c.output_phase)];
    let unit = |magnitude: &Option<Column<GainUnit>>, phase: &Option<Column<AngleUnit>>| {
        let magnitude = magnitude.as_ref().map_or(GainUnit::Ratio, |column| column.unit);
        (magnitude, phase.as_ref().map_or(AngleUnit::Degree, |column| column.unit))
    };
    let units = [unit(&c.input_magnitude, &c.input_phase), unit(&c.output_magnitude, &c.output_phase)];
    let keys = &["input_magnitude", "input_phase", "output_magnitude", "output_phase"];
    let polar_sides = candidate(Form::PolarSides(units), keys, declared);

    let [gain_place, phase_place, ..] = &mut polar.places;
    if c.gain.is_none() {
        *gain_place = header.find("gain_db");
        if gain_place.is_none() {
            *gain_place = header.find("gain");
            polar.form = Form::Polar(GainUnit::Ratio, phase_unit);
        }
    }
    if c.phase.is_none() {
        *phase_place = header.find("phase_deg");
    }
    [polar, complex, sides, polar_sides]
}

fn of<U>(column: &Option<Column<U>>) -> Option<&ColumnRef> {
    column.as_ref().map(|column| &column.column)
}

/// The form that is meant: wholly declared before partly declared before recognised, else the keys that are missing.
fn choose(candidates: &[Candidate; 4]) -> Result<&Candidate, Vec<&'static str>> {
    let any_declared = candidates.iter().any(|candidate| candidate.declared > 0);
    let eligible = || candidates.iter().filter(move |candidate| !any_declared || candidate.declared > 0);
    let whole = || eligible().filter(|candidate| candidate.is_whole());
    whole()
        .find(|candidate| candidate.declared == candidate.keys.len())
        .or_else(|| whole().next())
        .ok_or_else(|| {
            let begun = eligible().filter(|candidate| candidate.found().any(|(_, place)| place.is_some()));
            begun
                .min_by_key(|candidate| candidate.missing().len())
                .map(Candidate::missing)
                .unwrap_or_default()
        })
}

fn shared(layout: &Layout, keys: &[&'static str]) -> Option<Unclear> {
    let named = || std::iter::once("frequency").chain(keys.iter().copied()).zip(layout.places());
    named().enumerate().find_map(|(index, (key, place))| {
        let (other, _) = named().take(index).find(|(_, earlier)| *earlier == place)?;
        Some(Unclear::Shared { keys: [other, key], position: place + 1 })
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sweep::dialect::Dialect;
    use crate::sweep::fields::Cutter;

    fn layout(text: &str, columns: &Columns, named: bool) -> Result<Layout, Vec<Unclear>> {
        let reading = Reading { columns: columns.clone(), ..Reading::default() };
        let mut fields = Vec::new();
        let dialect = Dialect::new(&reading, &"f.csv".into()).unwrap();
        Cutter::new(text.as_bytes(), dialect).cut(0, &mut fields).unwrap();
        resolve(&Header { text, fields: &fields, named }, &reading)
    }

    fn name(name: &str) -> Option<ColumnRef> {
        Some(ColumnRef::Name(name.to_owned()))
    }

    #[track_caller]
    fn recognised(text: &str, form: Form, places: &[usize]) {
        let found = layout(text, &Columns::default(), true).unwrap();
        assert_eq!((found.form, found.places()), (form, places));
    }

    #[test]
    fn standard_names_are_recognised_in_order() {
        let polar = |unit| Form::Polar(unit, AngleUnit::Degree);
        recognised("gain,phase_deg,gain_db,frequency_hz", polar(GainUnit::Decibel), &[3, 2, 1]);
        recognised("frequency_hz,real,imag,phase_deg,gain", polar(GainUnit::Ratio), &[0, 4, 3]);
        recognised("imag,real,frequency_hz,gain_db", Form::Complex, &[2, 1, 0]);
        let sides = Form::PolarSides([(GainUnit::Ratio, AngleUnit::Degree); 2]);
        recognised(
            "frequency_hz,output_phase,output_magnitude,input_phase,input_magnitude",
            sides,
            &[0, 4, 3, 2, 1],
        );
        recognised(
            "frequency_hz,output_imag,output_real,input_imag,input_real",
            Form::Sides,
            &[0, 4, 3, 2, 1],
        );
    }

    #[test]
    fn a_declared_column_wins_and_the_standard_names_fill_the_rest() {
        let phase = Column { column: ColumnRef::Name(" ph ".into()), unit: AngleUnit::Radian };
        let columns = Columns { phase: Some(phase), ..Columns::default() };
        let found = layout("frequency_hz,real,imag,gain,phase_deg,ph", &columns, true).unwrap();
        assert_eq!(
            (found.form, found.places()),
            (Form::Polar(GainUnit::Ratio, AngleUnit::Radian), &[0, 3, 5][..])
        );
        let columns = Columns { imag: name("Q"), ..Columns::default() };
        let found = layout("frequency_hz,gain_db,phase_deg,Q,real", &columns, true).unwrap();
        assert_eq!((found.form, found.places()), (Form::Complex, &[0, 4, 3][..]));
    }

    #[test]
    fn a_form_declared_whole_beats_one_declared_in_part() {
        let gain = Column { column: ColumnRef::Name("gain_db".into()), unit: GainUnit::Decibel };
        let columns = Columns { gain: Some(gain), real: name("I"), imag: name("Q"), ..Columns::default() };
        assert_eq!(layout("frequency_hz,gain_db,phase_deg,I,Q", &columns, true).unwrap().form, Form::Complex);
    }

    #[test]
    fn what_is_unclear_is_told() {
        let none = Columns::default();
        let unclear = |text, columns: &Columns, named| layout(text, columns, named).unwrap_err();
        assert_eq!(
            unclear("f,gain_db,phase", &none, true),
            [Unclear::NoFrequency, Unclear::NoGain(vec!["phase"])]
        );
        assert_eq!(unclear("frequency_hz", &none, true), [Unclear::NoGain(vec![])]);
        assert_eq!(unclear("1,2,3", &none, false), [Unclear::NoFrequency, Unclear::NoGain(vec![])]);
        let columns =
            Columns { real: name("frequency_hz"), imag: Some(ColumnRef::Position(2)), ..none.clone() };
        assert_eq!(
            unclear("frequency_hz,b", &columns, true),
            [Unclear::Shared { keys: ["frequency", "real"], position: 1 }]
        );
        let columns = Columns { real: Some(ColumnRef::Position(0)), imag: name("b"), ..none };
        assert_eq!(
            unclear("1,2,3", &columns, false),
            [
                Unclear::BeyondRow { key: "real", position: 0 },
                Unclear::NameWithoutHeader { key: "imag", name: "b".into() }
            ]
        );
    }

    #[test]
    fn prefixes_below_one_are_exact() {
        let columns = Columns {
            frequency: Some(Column { column: ColumnRef::Position(1), unit: FrequencyUnit(1e-3) }),
            ..Columns::default()
        };
        let layout = layout("f,gain,phase_deg", &columns, true).unwrap();
        assert_eq!(layout.hertz(&[3.0, 0.0, 0.0, 0.0, 0.0]), 0.003);
    }
}
