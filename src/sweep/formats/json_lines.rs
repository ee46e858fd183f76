//! JSON Lines: an object per line (RFC 8259 for each), its keys the names of the columns. A pair of numbers is a complex one: its parts are the
//! columns `KEY_real` and `KEY_imag`, of the key `loop_gain` the standard ones.

use super::table::{Lines, Table};
use super::{CODE, error};
use crate::diagnostic::{Diagnostic, Place};
use serde_json::{Map, Value};
use std::sync::Arc;

const HELP: &str = "write an object of numbers per line, such as `{\"frequency_hz\": 100, \"gain_db\": 40, \"phase_deg\": -90}`";

pub(super) fn table(bytes: &[u8], file: &Arc<str>) -> Result<Table, Vec<Diagnostic>> {
    let Ok(text) = std::str::from_utf8(bytes) else {
        return Err(error(file, "is declared as JSON Lines and no UTF-8 text", HELP));
    };
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    let mut table = Table { names: Vec::new(), columns: Vec::new(), lines: Lines::OfTheFile };
    for (line, row) in (1..).zip(text.trim_end().lines()) {
        let numbers = numbers(row).map_err(|message| at(file, line, message))?;
        if table.names.is_empty() {
            table.names = numbers.iter().map(|(name, _)| name.clone()).collect();
            table.columns = vec![Vec::new(); table.names.len()];
        }
        if numbers.len() != table.names.len() {
            return Err(at(file, line, "has other keys than the first line".to_owned()));
        }
        for (name, column) in table.names.iter().zip(&mut table.columns) {
            match numbers.iter().find(|(own, _)| own == name) {
                Some((_, number)) => column.push(*number),
                None => return Err(at(file, line, "has other keys than the first line".to_owned())),
            }
        }
    }
    Ok(table)
}

/// The numbers of a line by their names; text and `null` beside them are passed over.
fn numbers(row: &str) -> Result<Vec<(String, f64)>, String> {
    let wanted = "is no JSON object";
    let object: Map<String, Value> = serde_json::from_str(row).map_err(|_| wanted.to_owned())?;
    let mut numbers = Vec::new();
    for (key, value) in object {
        match &value {
            Value::Number(number) => numbers.push((key, number.as_f64().unwrap_or(f64::NAN))),
            Value::Array(pair) => {
                let [Some(re), Some(im)] = [0, 1].map(|k| pair.get(k).and_then(Value::as_f64)) else {
                    return Err("holds a list that is no pair of numbers".to_owned());
                };
                let [real, imag] = part_names(&key);
                numbers.extend([(real, re), (imag, im)]);
            }
            _ => {}
        }
    }
    Ok(numbers)
}

/// Names of the parts of a complex column.
pub(super) fn part_names(name: &str) -> [String; 2] {
    if name == "loop_gain" {
        ["real".to_owned(), "imag".to_owned()]
    } else {
        [format!("{name}_real"), format!("{name}_imag")]
    }
}

fn at(file: &Arc<str>, line: u64, message: String) -> Vec<Diagnostic> {
    let place = Place { file: Arc::clone(file), line: Some(line), column: None, key: None };
    let mut error = Diagnostic::error(CODE, message).with_help(HELP);
    error.place = Some(place);
    vec![error]
}
