//! The results of `predict`: JSON, and what text and page say of them; the page is in `html`.
//!
//! | file | what |
//! | --- | --- |
//! | `subject` | a prediction and what it is of |
//! | `words` | shares, ranges, parts and corners as people read them |
//! | `json` | the JSON result |
//! | `terminal` | the text: the worst corner first, what decides, what to do |

mod json;
mod subject;
mod terminal;
mod words;

pub use json::write_predict_json;
pub use subject::Predicted;
pub use terminal::render_predict;
pub(in crate::report) use words::{
    advice, corner_line, deciding_lines, effects, headline, limit_words, missed_words, nominal_words, notes,
    range_words, title_of,
};
