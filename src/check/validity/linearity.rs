//! Does a stronger level confirm what a weaker one shows, and which is judged?

use super::linearity_sentences::Words;
use crate::analysed::Analysed;
use crate::check::SweepInput;
use crate::check::levels::{Level, files};
use crate::check::measure::judged_span;
use crate::check::outcome::CheckOutcome;
use crate::curve::Span;
use crate::decision::Verdict;
use crate::linearity::{Comparison, Difference, compare, select};
use crate::sanity::{Refusal, Usable, turned};
use crate::spec::{Corner, Linearity};

/// What linearity came to, and which level is judged.
pub(crate) struct Choice {
    /// The check.
    pub check: CheckOutcome,
    /// The judged level and the one that confirms it; without a confirmed level the weakest stands for the corner.
    pub judged: (usize, Option<usize>),
    /// Files of two levels whose phases are half a turn apart.
    pub turned: Option<(String, String)>,
}

/// Finds the strongest level whose result a stronger one confirms.
pub(crate) fn linearity(
    levels: &[Level],
    prepared: &[Analysed],
    usable: &[Result<Usable, Refusal>],
    sweeps: &[SweepInput<'_>],
    corner: &Corner,
    band: Option<Span>,
    difference: &mut Difference,
) -> Choice {
    let tolerances = match &corner.linearity {
        Linearity::Waived(reason) => {
            let message = format!("waived in the spec: {reason}");
            let check = CheckOutcome::bare("linearity", Verdict::Waived, message);
            return Choice { check, judged: (0, None), turned: None };
        }
        Linearity::Required(tolerances) => tolerances,
    };
    let turned = half_a_turn_apart(levels, prepared, sweeps, band);
    if turned.is_some() {
        let check = CheckOutcome::bare("linearity", Verdict::NotJudged, "not judged: sanity is invalid");
        return Choice { check, judged: (0, None), turned };
    }
    let db: Vec<f64> = levels.iter().map(|l| l.db).collect();
    let copies: Vec<bool> = levels.iter().map(|l| l.copy_of.is_some() || l.shared).collect();
    let mut agreeing = Vec::new();
    let selection = select(&db, &copies, tolerances, |weak, strong| {
        let pair = prepared.get(weak).zip(prepared.get(strong));
        let common = pair.and_then(|(a, b)| Some((a, b, common_span((weak, a), (strong, b), usable, band)?)));
        let comparison = common
            .map_or_else(Comparison::default, |(a, b, span)| compare(a, b, span, tolerances, difference));
        if comparison.agrees(tolerances) && !comparison.identical {
            agreeing.push((weak, strong));
        }
        comparison
    });
    let words = Words { levels, sweeps, tolerances, prepared, band, agreeing };
    match selection.confirmed {
        Some((i, j)) => {
            let check = words.confirmed(i, j, selection.told_by.as_ref().map(|(_, _, c)| c));
            Choice { check, judged: (i, Some(j)), turned: None }
        }
        None => Choice { check: words.refused(&selection), judged: (0, None), turned: None },
    }
}

/// Files of the first two levels, one next to the other, whose phases are half a turn apart.
fn half_a_turn_apart(
    levels: &[Level],
    prepared: &[Analysed],
    sweeps: &[SweepInput<'_>],
    band: Option<Span>,
) -> Option<(String, String)> {
    let name = |i: usize| levels.get(i).map_or_else(String::new, |l| files(l, sweeps).join(", "));
    prepared.windows(2).enumerate().find_map(|(i, pair)| {
        let [weak, strong] = pair else { return None };
        let span = judged_span(&weak.curve, band)?;
        turned(&weak.curve, &strong.curve, span).then(|| (name(i), name(i + 1)))
    })
}

/// What two levels can be compared on: the band as far as both sweeps reach and are usable.
fn common_span(
    (weak, a): (usize, &Analysed),
    (strong, b): (usize, &Analysed),
    usable: &[Result<Usable, Refusal>],
    band: Option<Span>,
) -> Option<Span> {
    let whole = b.curve.clip(judged_span(&a.curve, band)?)?;
    let clean = |level: usize| usable.get(level).and_then(|u| u.as_ref().ok()).map(|u| u.span);
    let part = |known: Span, own: Option<Span>| {
        let own = own.unwrap_or(known);
        Span { from: known.from.max(own.from), to: known.to.min(own.to) }
    };
    let both = part(part(whole, clean(weak)), clean(strong));
    Some(if both.from < both.to { both } else { whole })
}
