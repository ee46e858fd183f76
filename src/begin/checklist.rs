//! The page to print for the bench: plain text, for any printer.

use super::plan::{CornerPlan, Plan};
use super::unit::{Unit, plain};
use super::wrap::{fill, wrap};
use crate::quantity::count_of;

/// Characters in a line: what A4 and Letter take upright at 12 characters per inch, margins left.
const WIDTH: usize = 80;
/// Lines on a page: Letter has 66 at 6 per inch, A4 70; three are left at the top and at the foot.
const LINES: usize = 60;

/// A checklist and how many pages it takes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Checklist {
    /// The text; pages are parted by form feeds.
    pub text: String,
    /// Pages.
    pub pages: usize,
}

/// Lines that must not be parted.
type Block = Vec<String>;

/// The checklist of one unit: cautions, then corner by corner the conditions, levels and files, with boxes to tick.
#[must_use]
pub fn checklist(plan: &Plan<'_>, unit: &Unit) -> Checklist {
    let shared = shared_range(plan);
    let mut blocks = vec![head(plan, unit), cautions(), order(plan, shared.as_deref())];
    blocks.extend(plan.corners.iter().map(|corner| corner_block(corner, shared.is_none())));
    blocks.push(vec!["[ ] loopgauge check on this folder says that nothing is missing".to_owned()]);
    let pages = paginate(blocks);
    let count = pages.len();
    let title = format!("{} {}", plain(&plan.spec.product), plain(&unit.serial));
    let mut text = String::new();
    for (index, page) in pages.iter().enumerate() {
        if index > 0 {
            text.push('\u{c}');
        }
        text.push_str(&format!("{title}: bench checklist, page {} of {count}\n", index + 1));
        for line in page {
            text.push_str(line.trim_end());
            text.push('\n');
        }
    }
    Checklist { text, pages: count }
}

fn head(plan: &Plan<'_>, unit: &Unit) -> Block {
    let mut lines = Vec::new();
    if let Some(title) = &plan.spec.title {
        lines.extend(wrap(&plain(title), WIDTH));
    }
    let known = |name: &str, value: Option<&str>| {
        format!("{name} {}", value.map_or_else(|| "____________".to_owned(), plain))
    };
    let labels = [
        known("serial", Some(&unit.serial)),
        known("revision", Some(&unit.revision)),
        known("firmware", unit.firmware.as_deref()),
        known("build", unit.build.as_deref()),
        known("station", unit.station.as_deref()),
        known("taken", unit.taken.as_deref()),
        known("operator", None),
    ];
    lines.extend(fill(labels.iter().map(String::as_str), "   ", WIDTH));
    // What run.yaml keeps of the bench, with room to write by hand.
    for name in ["instrument", "calibrated_until", "injection", "notes"] {
        lines.push(format!("{name} {}", "_".repeat(WIDTH - 20 - name.len())));
    }
    lines.extend(wrap(&format!("spec {}", plain(&plan.spec.file)), WIDTH));
    lines.push(String::new());
    lines
}

fn cautions() -> Block {
    let mut lines = vec!["Before each sweep".to_owned()];
    for caution in [
        "dangerous voltage? primary sides, boost outputs, floating grounds; capacitors stay charged; local codes \
         and qualified people",
        "injection transformer and probes rated for the voltage, isolated; protective earth untouched",
        "output on an oscilloscope, current limited: the loop may oscillate; begin with the weaker level",
        "input, load and temperature settled; parts may be hot; does the electronic load disturb the loop?",
    ] {
        lines.extend(boxed("[ ] ", caution));
    }
    lines.push(String::new());
    lines
}

/// What holds for all sweeps.
fn order(plan: &Plan<'_>, shared: Option<&str>) -> Block {
    let mut text = format!(
        "{} at {}",
        count_of(plan.sweeps() as u64, "sweep"),
        count_of(plan.corners.len() as u64, "corner")
    );
    if let Some(range) = shared {
        text.push_str(&format!(", each {range}"));
    }
    text.push_str(". Save each under its name, beside run.yaml.");
    let mut lines = wrap(&text, WIDTH);
    lines.push(String::new());
    lines
}

/// The range of a corner's sweeps in words.
fn range(corner: &CornerPlan<'_>) -> String {
    let band = corner.corner.band.map_or_else(
        || "well past the phase crossover".to_owned(),
        |b| format!("from {} to {}", b.from, b.to),
    );
    let density =
        corner.corner.density.map_or_else(String::new, |d| format!(", {d} points per decade or more"));
    format!("{band}{density}")
}

/// The range when it is the same for all corners.
fn shared_range(plan: &Plan<'_>) -> Option<String> {
    let first = range(plan.corners.first()?);
    plan.corners.iter().all(|corner| range(corner) == first).then_some(first)
}

fn corner_block(plan: &CornerPlan<'_>, own_range: bool) -> Block {
    let conditions: Vec<String> =
        plan.corner.conditions.iter().map(|(name, value)| format!("{} {value}", plain(name))).collect();
    let mut title = plain(&plan.corner.name);
    if !conditions.is_empty() {
        title.push_str(&format!(": {}", conditions.join(", ")));
    }
    let mut lines = wrap(&title, WIDTH);
    if own_range {
        lines.extend(wrap(&format!("sweep {}", range(plan)), WIDTH));
    }
    for sweep in &plan.sweeps {
        lines.push(format!("  [ ] {:<12} {}", sweep.level, sweep.file));
    }
    let blanks: Vec<String> =
        plan.corner.conditions.iter().map(|(name, _)| format!("{} ________", plain(name))).collect();
    if !blanks.is_empty() {
        let items = std::iter::once("actual:").chain(blanks.iter().map(String::as_str));
        lines.extend(fill(items, "  ", WIDTH - 6).into_iter().map(|line| format!("      {line}")));
    }
    lines.push(String::new());
    lines
}

/// A text after a box, its further lines set in.
fn boxed(mark: &str, text: &str) -> Block {
    let lines = wrap(text, WIDTH - mark.len());
    let indent = " ".repeat(mark.len());
    lines
        .into_iter()
        .enumerate()
        .map(|(index, line)| format!("{}{line}", if index == 0 { mark } else { &indent }))
        .collect()
}

/// Lays blocks on pages, each whole where a page can take it.
fn paginate(blocks: Vec<Block>) -> Vec<Vec<String>> {
    // One line is the title's.
    const ROOM: usize = LINES - 1;
    let mut pages: Vec<Vec<String>> = vec![Vec::new()];
    for block in blocks {
        // A blank line at the foot needs no room.
        let needed = block.iter().rposition(|line| !line.is_empty()).map_or(0, |last| last + 1);
        if pages.last().is_some_and(|page| !page.is_empty() && page.len() + needed > ROOM) {
            pages.push(Vec::new());
        }
        for line in block {
            match pages.last_mut() {
                Some(page) if page.len() < ROOM => page.push(line),
                _ if line.is_empty() => {}
                _ => pages.push(vec![line]),
            }
        }
    }
    pages
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn blocks_stay_whole_and_pages_are_filled() {
        let block = |lines: usize| vec!["x".to_owned(); lines];
        let sizes = |blocks| paginate(blocks).iter().map(Vec::len).collect::<Vec<_>>();
        assert_eq!(sizes(vec![block(30), block(29)]), [59]);
        assert_eq!(sizes(vec![block(30), block(30)]), [30, 30]);
        assert_eq!(sizes(vec![block(130)]), [59, 59, 12]);
    }
}
