//! Markdown for a pull request or a job's summary: verdict and counts, what is not a pass, what changed against the
//! baseline, the runs folded. At most [`MOST`] bytes; the worst stays.
//!
//! | file | what |
//! | --- | --- |
//! | `text` | text from files made harmless |
//! | `worst_entries` | keeps the worst entries |
//! | `run` | the pieces of one run |
//! | `report` | all of them put together |
//! | `drift` | series of a history |

mod corner_table;
mod drift;
mod report;
mod run;
mod text;
mod worst_entries;

pub use drift::write_drift_markdown;
pub use report::{MOST, MarkdownReport};
pub use run::{RunMarkdown, markdown_run};
pub use text::line;
