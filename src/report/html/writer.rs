//! The pieces put together: as many details as a browser opens at once, the rest named.

use super::circuit::Circuits;
use super::detail_choice::{Choice, Kept, Pick};
use super::detail_selection::{Best, HtmlPlan, rank};
use super::run::{HtmlRun, Piece};
use super::sections::{Row, Sheet, write_details, write_lines, write_matrix, write_problems, write_specs};
use super::spool::Spool;
use super::summary::HtmlSummary;
use super::whole::CornerCurve;
use super::{corner_table, overview, page_frame, whole};
use crate::check::Verdict;
use crate::diagnostic::Diagnostic;
use crate::report::Tally;
use maud::html;
use std::collections::{BTreeMap, HashMap, HashSet};
use std::io::{self, Write};
use std::sync::Arc;

/// The pictures, the matrix and the details fill a page up to this, bytes: a browser opens it in a moment.
const ALL: u64 = 4_700_000;
/// What details have at least, however large the matrix, bytes.
const LEAST: u64 = 1_150_000;
/// Lines in the place of details, bytes: some thousand.
const LINES: u64 = 400_000;
/// Problems of inputs that are listed, bytes.
const PROBLEMS: usize = 1_000_000;

/// The unit with the smallest headroom at a corner.
#[derive(Debug)]
struct WorstUnit {
    corner: String,
    /// Thousandths.
    room: i32,
    /// Its detail, if it has one.
    kept: Option<usize>,
    curve: Option<Box<CornerCurve>>,
}

/// Writes the report once all runs are known. In memory stay some 100 bytes of a run and of a detail; the rest waits in spools.
#[derive(Debug)]
pub struct HtmlWriter<W: Write> {
    sink: W,
    plan: Arc<HtmlPlan>,
    rows: Spool,
    details: Spool,
    sheets: Vec<Sheet>,
    sheet_of: HashMap<Sheet, usize>,
    row_at: Vec<Row>,
    kept: Vec<Kept>,
    /// By product, then corner in the order they came.
    worst: BTreeMap<String, Vec<WorstUnit>>,
    specs: BTreeMap<(String, Option<String>), u64>,
    circuits: Circuits,
    problems: String,
    problems_left: u64,
    /// The worst details with plots; of what is not pass the worst without, and the worst lines.
    with_plots: Best,
    with_text: Best,
    lines: Best,
    not_pass: u64,
    summary: HtmlSummary,
}

impl<W: Write> HtmlWriter<W> {
    /// A report that will be written to `sink`, from pieces made after `plan`.
    pub fn new(sink: W, plan: Arc<HtmlPlan>) -> Self {
        Self {
            sink,
            plan,
            rows: Spool::new(),
            details: Spool::new(),
            sheets: Vec::new(),
            sheet_of: HashMap::new(),
            row_at: Vec::new(),
            kept: Vec::new(),
            worst: BTreeMap::new(),
            specs: BTreeMap::new(),
            circuits: Circuits::default(),
            problems: String::new(),
            problems_left: 0,
            with_plots: Best::new(ALL),
            with_text: Best::new(ALL),
            lines: Best::new(LINES),
            not_pass: 0,
            summary: HtmlSummary::default(),
        }
    }

    /// Appends a run made by [`html_run`](super::html_run).
    ///
    /// # Errors
    /// When a spool cannot be written.
    pub fn append(&mut self, run: HtmlRun) -> io::Result<()> {
        let HtmlRun { product, corners, row, details, spec, circuit } = run;
        // More than four thousand million runs fit no disk.
        let number = u32::try_from(self.row_at.len()).unwrap_or(u32::MAX);
        *self.specs.entry(spec).or_default() += 1;
        for (index, (corner, piece)) in corners.iter().zip(details).enumerate() {
            self.summary.corners += 1;
            let is_worst = piece.headroom.is_some_and(|room| self.is_worst(&product, corner, room));
            let kept = self.keep((number, index), &piece, is_worst)?;
            self.not_pass += u64::from(piece.verdict != Verdict::Pass);
            if let Some(room) = piece.headroom {
                let (corner, curve) = (corner.clone(), piece.curve);
                let kept = kept.filter(|at| self.kept.get(*at).is_some_and(|kept| kept.size().is_some()));
                self.note_worst(&product, WorstUnit { corner, room, kept, curve });
            }
        }
        if let Some(piece) = circuit {
            let kept = self.details.append(piece.text.as_bytes())?;
            self.circuits.keep(piece.is_told, kept);
        }
        let key = (product, corners);
        let sheet = match self.sheet_of.get(&key) {
            Some(sheet) => *sheet,
            None => {
                self.sheets.push(key.clone());
                self.sheet_of.insert(key, self.sheets.len() - 1);
                self.sheets.len() - 1
            }
        };
        self.row_at.push(Row { sheet, at: self.rows.append(row.as_bytes())? });
        Ok(())
    }

    /// Whether no unit before lay as near to a limit at its corner.
    fn is_worst(&self, product: &str, corner: &str, room: i32) -> bool {
        let known = self.worst.get(product).into_iter().flatten().find(|known| known.corner == corner);
        known.is_none_or(|known| room < known.room)
    }

    fn note_worst(&mut self, product: &str, unit: WorstUnit) {
        if !self.worst.contains_key(product) {
            self.worst.insert(product.to_owned(), Vec::new());
        }
        let Some(corners) = self.worst.get_mut(product) else { return };
        match corners.iter_mut().find(|known| known.corner == unit.corner) {
            Some(known) if unit.room < known.room => *known = unit,
            Some(_) => {}
            None => corners.push(unit),
        }
    }

    /// The curves of a product's corners.
    fn curves(&self, product: &str) -> Vec<whole::Named<'_>> {
        let all = self.worst.get(product).into_iter().flatten();
        all.filter_map(|unit| Some((unit.corner.as_str(), unit.room, unit.curve.as_deref()?))).collect()
    }

    /// Keeps what may be shown of a corner; what is decided hangs on the order of the runs alone.
    fn keep(
        &mut self,
        (run, index): (u32, usize),
        piece: &Piece,
        is_worst: bool,
    ) -> io::Result<Option<usize>> {
        let rank = rank(piece.verdict, piece.headroom);
        let is_bad = piece.verdict != Verdict::Pass;
        let number = self.kept.len();
        let corner = u32::try_from(index).unwrap_or(u32::MAX);
        let mut kept = Kept { run, corner, verdict: piece.verdict, text: None, plots: None, line: None };
        let has_room =
            self.with_plots.has_room(rank) || is_worst || (is_bad && self.with_text.has_room(rank));
        if let Some(parts) = piece.parts.as_ref().filter(|_| has_room) {
            let head = self.details.append(parts.head.as_bytes())?;
            if let Some(plots) = &parts.plots {
                kept.plots = Some(self.details.append(plots.as_bytes())?);
            }
            kept.text = Some([head, self.details.append(parts.tail.as_bytes())?]);
        }
        if let Some(line) = piece.line.as_ref().filter(|_| self.lines.has_room(rank)) {
            kept.line = Some(self.details.append(line.as_bytes())?);
            self.lines.offer(rank, number, line.len() as u64);
        }
        if let Some(size) = kept.size() {
            self.with_plots.offer(rank, number, size);
        }
        if is_bad && kept.text.is_some() {
            self.with_text.offer(rank, number, kept.text_size());
        }
        self.plan.raise(&self.with_plots, &self.with_text);
        let is_kept = kept.text.is_some() || kept.line.is_some();
        if is_kept {
            self.kept.push(kept);
        }
        Ok(is_kept.then_some(number))
    }

    /// Appends problems of a run that could not be read, or of no run (`run` is `None`).
    pub fn append_problems(&mut self, run: Option<&str>, problems: &[Diagnostic]) {
        for problem in problems {
            if self.problems.len() < PROBLEMS {
                self.problems.push_str(&overview::problem(run, problem).into_string());
            } else {
                self.problems_left += 1;
            }
        }
    }

    /// Which details are shown, worst verdict first, those with plots in front, then in the order of the runs.
    fn picks(&self, pictures: u64) -> (Vec<Pick>, Vec<Kept>) {
        let rows: u64 = self.row_at.iter().map(|row| row.at.length).sum();
        let mut choice = Choice { kept: &self.kept, picked: BTreeMap::new(), room: 0 };
        let room = ALL.saturating_sub(rows + pictures).max(LEAST);
        choice.with_worst(self.worst.values().flatten().filter_map(|unit| unit.kept), room);
        let bad: Vec<usize> = self.with_text.numbers().collect();
        choice.with_bad(&bad, self.not_pass, self.lines.spent());
        let of = |number: &usize| self.kept.get(*number);
        let passing = |number: &usize| of(number).is_some_and(|kept| kept.verdict == Verdict::Pass);
        choice.with_plots(self.with_plots.numbers().filter(passing));
        let picked = choice.picked;
        let lines = self.lines.numbers().filter(|number| !picked.contains_key(number));
        let lines = lines.filter_map(|number| of(&number).copied()).collect();
        let pick = |(number, has_plots): (usize, bool)| Some((*of(&number)?, has_plots));
        let mut picks: Vec<Pick> = picked.into_iter().filter_map(pick).collect();
        picks.sort_by_key(|(kept, has_plots)| (rank(kept.verdict, None), !has_plots));
        (picks, lines)
    }

    /// Writes the whole report and gives the sink back, flushed.
    ///
    /// # Errors
    /// When a spool cannot be read or the sink cannot be written.
    pub fn finish(mut self, tally: &Tally) -> io::Result<(W, HtmlSummary)> {
        let pictures = whole::section(tally, &|product| self.curves(product)).into_string();
        let (picks, lines) = self.picks(pictures.len() as u64 + self.circuits.bytes());
        self.summary.details = picks.len() as u64;
        let bad = picks.iter().filter(|(kept, _)| kept.verdict != Verdict::Pass).count() as u64;
        self.summary.left_out = self.not_pass.saturating_sub(bad);
        let verdict = tally.verdict().map_or("no verdict", Verdict::word);
        let mut out = io::BufWriter::with_capacity(1 << 16, &mut self.sink);
        let top = html! { (overview::top(tally)) (overview::controls()) };
        page_frame::write_begin(&mut out, &format!("{verdict}: loop stability"), &top)?;
        write_problems(&mut out, &self.problems, self.problems_left)?;
        out.write_all(corner_table::tables(tally).into_string().as_bytes())?;
        out.write_all(pictures.as_bytes())?;
        let shown: HashSet<(u32, u32)> = picks.iter().map(|(kept, _)| (kept.run, kept.corner)).collect();
        write_matrix(&mut out, &self.sheets, &self.row_at, &mut self.rows, &shown)?;
        self.circuits.write(&mut out, &mut self.details)?;
        out.write_all(overview::boards(tally).into_string().as_bytes())?;
        write_details(&mut out, &picks, &mut self.details, &self.summary)?;
        write_lines(&mut out, &lines, &mut self.details, self.summary.left_out)?;
        out.write_all(b"</section>\n")?;
        write_specs(&mut out, &self.specs)?;
        page_frame::write_end(&mut out, &page_frame::end())?;
        drop(out);
        Ok((self.sink, self.summary))
    }
}

#[cfg(test)]
mod tests {
    use super::super::html_run;
    use super::*;
    use crate::check::RunOutcome;
    use crate::report::sample;

    fn report(runs: &[RunOutcome]) -> (String, HtmlSummary) {
        let plan = Arc::new(HtmlPlan::new());
        let mut writer = HtmlWriter::new(Vec::new(), Arc::clone(&plan));
        let mut tally = Tally::new();
        for run in runs {
            tally.add(run);
            writer.append(html_run(run, &plan)).unwrap();
        }
        let (bytes, summary) = writer.finish(&tally).unwrap();
        (String::from_utf8(bytes).unwrap(), summary)
    }

    #[test]
    fn every_corner_of_a_small_result_has_its_detail_and_a_link_to_it() {
        let (text, summary) = report(&[sample::run(), sample::passing("RG-00043", 2)]);
        assert_eq!((summary.corners, summary.details, summary.left_out), (8, 8, 0));
        for (run, corners) in [(0, 6), (1, 2)] {
            for corner in 0..corners {
                let id = format!("r{run}c{corner}");
                assert!(
                    text.contains(&format!("<a href=\"#{id}\">")) && text.contains(&format!("id=\"{id}\"")),
                    "{id}"
                );
            }
        }
        assert!(!text.contains(['\u{1}', '\u{2}', '\u{3}', '\u{4}']));
        assert!(text.contains("<details open>"));
    }

    #[test]
    fn a_large_result_shows_what_is_not_pass_and_the_worst_and_says_so() {
        let mut runs: Vec<RunOutcome> = (0..1200).map(|i| sample::passing(&format!("A-{i:05}"), 2)).collect();
        // Nearer to the limit than the first run, all of them.
        for run in &mut runs[1..] {
            run.corners.iter_mut().for_each(|corner| corner.checks[6].value = Some(50.5));
        }
        runs[1100].corners[1].checks[6].value = Some(50.01);
        runs[700] = sample::run();
        let (text, summary) = report(&runs);
        assert!(summary.details < 2 * 1200, "{summary:?}");
        assert!(text.contains("id=\"r700c1\"") && text.contains("id=\"r1100c1\""));
        // The first that pass as well, as long as there is room; later ones in the matrix alone.
        assert!(text.contains("id=\"r1c1\"") && text.contains("href=\"#r1c1\""));
        assert!(!text.contains("id=\"r1000c1\"") && !text.contains("href=\"#r1000c1\""));
        assert!(text.contains("Shown here are those that are not pass"));
        // Not in their order alone: the nearest to a limit come first.
        assert!(!text.contains("id=\"r0c0\"") && !text.contains("id=\"r0c1\""), "{summary:?}");
        assert!((4_000_000..5_500_000).contains(&text.len()), "{}", text.len());
    }

    /// One run more is no other page.
    #[test]
    fn a_page_grows_without_jumps() {
        let runs: Vec<RunOutcome> = (0..3000).map(|i| sample::passing(&format!("A-{i:05}"), 2)).collect();
        let sizes = [200, 400, 600, 800, 1200, 3000].map(|count| report(&runs[..count]).0.len());
        for pair in sizes.windows(2) {
            assert!(pair[1] + 200_000 > pair[0] && pair[1] < 5_500_000, "{sizes:?}");
        }
    }

    #[test]
    fn too_many_that_are_not_pass_are_named_and_counted() {
        let mut runs: Vec<RunOutcome> = (0..1200).map(|_| sample::run()).collect();
        // The worst of all comes late.
        let check = runs[1000].corners[1].checks.iter_mut().find(|check| check.check == "phase_margin");
        check.unwrap().value = Some(3.0);
        let (text, summary) = report(&runs);
        assert!(text.len() < 4_900_000, "{}", text.len());
        assert!(summary.left_out > 0 && summary.note().is_some());
        assert!(
            text.contains(&format!("{} corners that are not pass have no detail here", summary.left_out))
        );
        assert!(text.contains("id=\"r1000c1\"") && text.contains("Without a detail here"));
    }

    /// The more fail, the more is left out: no page is larger for it than the largest.
    #[test]
    fn a_page_stays_as_large_whatever_the_number_that_fails() {
        let of = |bad: usize, count: usize| {
            let run =
                |i| if i % count < bad { sample::run() } else { sample::passing(&format!("A-{i:05}"), 6) };
            report(&(0..count).map(run).collect::<Vec<_>>()).0.len()
        };
        for count in [120, 1000] {
            let sizes = [0, 10, 50, 100].map(|percent| of(percent * count / 100, count));
            assert!(sizes.iter().all(|size| *size < 4_900_000), "{sizes:?}");
        }
        let sizes: Vec<usize> = (0..12).map(|k| of(k * 50, 600)).collect();
        for pair in sizes.windows(2) {
            assert!(pair[0].abs_diff(pair[1]) < 600_000, "{sizes:?}");
        }
    }
}
