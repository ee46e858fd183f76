//! Diagnostics for people: the place, what is wrong, the offending line with a mark, and what to do.

use super::escape::terminal;
use super::terminal::{Style, palette};
use crate::diagnostic::{Diagnostic, Excerpt, Severity};
use annotate_snippets::{AnnotationKind, Group, Level, Renderer, Snippet};
use std::ops::Range;

/// A diagnostic as text of one or several lines, with a line end. Text from files is shown harmless.
#[must_use]
pub fn render_diagnostic(diagnostic: &Diagnostic, style: Style) -> String {
    let (level, colour) = match diagnostic.severity {
        Severity::Error => (Level::ERROR, palette::ERROR),
        Severity::Warning => (Level::WARNING, palette::WARNING),
    };
    let title = terminal(&diagnostic.one_line()).into_owned();
    let help = diagnostic.help.as_deref().map(terminal);
    let shown = diagnostic.excerpt.as_ref().map(harmless);
    let line = diagnostic.place.as_ref().and_then(|place| place.line);
    let mut group = Group::with_title(level.primary_title(title.as_str()).id(diagnostic.code));
    if let Some((text, mark)) = &shown {
        let start = line.and_then(|line| usize::try_from(line).ok()).unwrap_or(1);
        group = group.element(
            Snippet::source(text.as_str())
                .line_start(start)
                .line_numbering(line.is_some())
                .annotation(AnnotationKind::Primary.span(mark.clone())),
        );
    }
    if let Some(help) = &help {
        group = group.element(Level::HELP.message(help.as_ref()));
    }
    let renderer = if style.colour {
        Renderer::styled().error(colour).warning(colour).help(palette::REMEDY).line_num(palette::QUIET)
    } else {
        Renderer::plain()
    };
    let mut text = renderer.render(&[group]);
    text.push('\n');
    text
}

/// The line made harmless, and the mark moved along.
fn harmless(excerpt: &Excerpt) -> (String, Range<usize>) {
    let Range { start, end } = excerpt.mark;
    let (before, marked, after) =
        match (excerpt.text.get(..start), excerpt.text.get(start..end), excerpt.text.get(end..)) {
            (Some(before), Some(marked), Some(after)) => (before, marked, after),
            _ => (excerpt.text.as_str(), "", ""),
        };
    // A tab is wider than a column in some terminals and would move the mark.
    let clean = |text: &str| terminal(&text.replace('\t', " ")).into_owned();
    let mut text = clean(before);
    let from = text.len();
    text.push_str(&clean(marked));
    let to = text.len();
    text.push_str(&clean(after));
    (text, from..to)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::diagnostic::Place;
    use std::sync::Arc;

    fn unknown_key() -> Diagnostic {
        let mut diagnostic = Diagnostic::error("unknown-key", "`crosover` is no key here")
            .with_help("did you mean `crossover`?");
        diagnostic.place = Some(Place {
            file: Arc::from("specs/river-gauge-5v.yaml"),
            line: Some(14),
            column: Some(3),
            key: Some("limits.crosover".to_owned()),
        });
        diagnostic.excerpt = Some(Excerpt::new("\tcrosover: {min: 8 kHz}\u{1b}[2J\u{202e}", 1..9));
        diagnostic
    }

    #[test]
    fn shows_place_line_mark_and_help() {
        let text = render_diagnostic(&unknown_key(), Style::plain());
        assert!(text.starts_with(
            "error[unknown-key]: specs/river-gauge-5v.yaml:14:3: limits.crosover: `crosover` is no key here\n"
        ));
        let lines: Vec<&str> = text.lines().collect();
        let source = lines.iter().position(|line| line.contains("crosover: {min")).unwrap();
        assert!(lines[source].contains("\\x1b[2J\\u{202e}"), "{text}");
        assert_eq!(lines[source + 1].find("^^^^^^^^"), lines[source].find("crosover"), "{text}");
        assert!(text.contains("did you mean `crossover`?"));
        assert!(!text.contains(['\u{1b}', '\u{202e}', '\t']));
        assert!(
            render_diagnostic(&unknown_key(), Style { colour: true, ..Style::plain() }).contains('\u{1b}')
        );
    }

    #[test]
    fn bare_diagnostics_and_odd_marks_are_no_trouble() {
        let text = render_diagnostic(&Diagnostic::warning("wide-band", "unwise\u{9b}"), Style::plain());
        assert_eq!(text, "warning[wide-band]: unwise\\x9b\n");
        for (line, mark) in [("", 0..0), ("µ", 0..2), ("abc", 3..3), ("abc", 0..0)] {
            let mut diagnostic = unknown_key();
            diagnostic.excerpt = Some(Excerpt::new(line, mark));
            assert!(render_diagnostic(&diagnostic, Style::plain()).contains("did you mean"));
        }
    }
}
