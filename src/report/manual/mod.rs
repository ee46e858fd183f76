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
