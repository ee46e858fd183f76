//! The corner table: per product a row a corner with what was measured, the unit nearest to its limit in front.

use super::text::line;
use crate::check::{Unit, Verdict};
use crate::report::Tally;
use crate::report::corner_table::{Cell, CornerRow, ProductTable, room, rounded};

/// Bytes of all tables: what is wrong must keep its room.
const MOST: usize = 14_000;
/// Bytes of a name.
const NAME: usize = 80;

/// All tables, as many as have room.
pub(super) fn tables(tally: &Tally) -> String {
    let mut text = String::new();
    let mut left_out = 0;
    for (product, table) in tally.table.products() {
        let next = one(product, table);
        if text.len() + next.len() <= MOST {
            text.push_str(&next);
        } else {
            left_out += 1;
        }
    }
    if left_out > 0 {
        text.push_str(&format!("\n**Cut:** the corners of {left_out} more products had no room here.\n"));
    }
    text
}

fn one(product: &str, table: &ProductTable) -> String {
    let (columns, units) = (table.columns(), table.units());
    let whose = if units > 1 { format!(", the worst of {units} units") } else { String::new() };
    let mut text = format!("\n### Corners of {}{whose}\n\n| corner | verdict |", line(product, NAME));
    columns.iter().for_each(|measurand| text.push_str(&format!(" {} |", measurand.title())));
    text.push_str("\n| --- | --- |");
    columns.iter().for_each(|_| text.push_str(" --- |"));
    text.push('\n');
    for (index, row) in table.rows().iter().enumerate() {
        text.push_str(&format!("| {} | {} |", line(&row.corner, NAME), verdicts(row)));
        for measurand in &columns {
            let told = row
                .cell(*measurand)
                .and_then(|cell| told(cell, measurand.unit(), table.is_least(index, *measurand)));
            text.push_str(&format!(" {} |", told.unwrap_or_default()));
        }
        text.push('\n');
    }
    text
}

fn verdicts(row: &CornerRow) -> String {
    let Some(worst) = row.verdicts.worst() else { return String::new() };
    let all = row.verdicts.total();
    let count = if all > 1 { format!(", {} of {all}", row.verdicts.get(worst)) } else { String::new() };
    if worst == Verdict::Pass { format!("pass{count}") } else { format!("**{}**{count}", worst.word()) }
}

/// `**44.31 deg ± 0.62 deg**, 5.7 deg beyond; RG-00011; median 52 deg; 2 of 6 fail`
fn told(cell: &Cell, unit: Unit, is_least: bool) -> Option<String> {
    let worst = cell.worst.as_ref()?;
    let value = worst.text(unit);
    let mut text = if is_least { format!("**{value}**") } else { value };
    if let Some(room) = room(worst, unit) {
        text.push_str(&format!(", {room}"));
    }
    if cell.units > 1 {
        text.push_str(&format!("; {}", line(&worst.serial, NAME)));
        if let Some(median) = cell.median() {
            text.push_str(&format!("; median {}", rounded(median, unit)));
        }
        if let Some((count, ..)) = cell.failing {
            text.push_str(&format!("; {count} of {} fail", cell.units));
        }
    }
    Some(text)
}
