//! Chapters of the manual, for a terminal and as manual pages.
//!
//! | file | what |
//! | --- | --- |
//! | `blocks` | Markdown to blocks: headings, paragraphs, tables, code |
//! | `terminal` | blocks as text of a width |
//! | `page` | blocks as a manual page of section 7 |

mod blocks;
mod page;
mod terminal;

pub use page::manual_page;
pub use terminal::render_chapter;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::manual::{CHAPTERS, Chapter};
    use crate::report::terminal::Style;

    const SMALL: Chapter = Chapter {
        name: "small",
        text: "# A title\n\nRead `this` first (chapter [sanity]).\n\n## A *section*\n\n| key | meaning |\n| --- | --- |\n| \
               `a.long.name` | words that are broken where the terminal ends |\n\n```yaml\n.key: 1   # stays\n\nlast: 2\n```\n",
    };

    #[test]
    fn a_chapter_fits_the_terminal_and_names_stay_whole() {
        let text = render_chapter(&SMALL, Style { width: Some(40), ..Style::plain() });
        let lines: Vec<&str> = text.lines().collect();
        assert_eq!(lines[..5], ["A title", "", "Read `this` first (chapter [sanity]).", "", "A section"]);
        assert!(lines.iter().any(|line| line.starts_with("`a.long.name`  words that")), "{text}");
        assert!(lines.iter().all(|line| line.chars().count() <= 40), "{text}");
        assert!(text.ends_with("    .key: 1   # stays\n\n    last: 2\n"), "{text}");
    }

    #[test]
    fn a_manual_page_takes_no_line_for_a_request() {
        let page = manual_page(&SMALL);
        assert!(page.contains(".TH loopgauge\\-small 7") || page.contains(".TH loopgauge-small 7"), "{page}");
        assert!(page.contains(".SH \"A SECTION\""), "{page}");
        assert!(!page.lines().any(|line| line.starts_with(".key")), "{page}");
    }

    #[test]
    fn no_mark_of_markdown_is_left_in_the_manual() {
        for chapter in CHAPTERS {
            let text = render_chapter(chapter, Style::plain());
            let prose = text.lines().filter(|line| !line.starts_with("    "));
            for line in prose {
                assert!(!line.contains("**") && !line.contains("| --- |") && !line.contains("]("), "{line}");
            }
        }
    }
}
