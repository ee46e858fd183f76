//! The report that people look at: one HTML file that needs nothing but itself.
//!
//! | file | what |
//! | --- | --- |
//! | `page_frame` | head, content security policy, foot: the same for every page |
//! | `text` | text from files made harmless, verdicts as shape and word |
//! | `table` | tables in boxes that scroll |
//! | `axis` | ticks of linear and of logarithmic axes |
//! | `svg_path` | paths and dots in whole numbers of a plot's own units |
//! | `plot_panel` | a plot over a common axis whose text keeps its size at any width |
//! | `bode_plot` | gain and angle over log frequency |
//! | `level_difference` | the other levels against the judged one |
//! | `gain_and_angle` | strips for gain and angle of several curves |
//! | `nyquist_plot` | the complex plane about the critical point |
//! | `limit_scale` | a value with its uncertainty against its limit |
//! | `whole` | all corners of a product together, and what each condition does |
//! | `corner` | the detail of one corner |
//! | `circuit` | the parts of a run's circuit |
//! | `drift`, `drift_plot` | the page of `drift`: series over groups |
//! | `predict` | the page of `predict`: curve, spread and parts of each corner |
//! | `run` | the pieces of one run, made in worker threads |
//! | `compare`, `compare_plot` | the page of `compare`: both curves of every corner and their difference |
//! | `detail_selection`, `detail_choice` | which pieces are worth making; which of those kept are shown |
//! | `spool` | text that waits in a file |
//! | `writer` | the pieces put together, as many as a browser bears |
//! | `sections`, `open_places` | the sections made of kept pieces; places in these that are filled in late |
//! | `summary` | how much of all is shown |
//! | `overview` | verdict, counts, the matrix of runs and corners |
//!
//! **Why an own writer of plots?** Lines are whole numbers in units of the plot (1/4000 decade, 0.01 dB), stretched
//! by the browser with strokes that keep their width: the text keeps its size at any width, a curve is a kilobyte,
//! and the script reads values back from the very numbers that are drawn. Text stands in pixels and percent beside
//! them.

mod axis;
mod bode_plot;
mod circuit;
mod compare;
mod compare_plot;
mod corner;
mod corner_table;
mod detail_choice;
mod detail_selection;
mod drift;
mod drift_plot;
mod gain_and_angle;
mod level_difference;
mod limit_scale;
mod nyquist_plot;
mod open_places;
mod overview;
mod page_frame;
mod plot_panel;
mod predict;
mod run;
mod sections;
mod spool;
mod summary;
mod svg_path;
mod table;
mod text;
mod whole;
mod writer;

pub use compare::write_compare_html;
pub use detail_selection::HtmlPlan;
pub use drift::write_drift_html;
pub use predict::write_predict_html;
pub use run::{HtmlRun, html_run};
pub use summary::HtmlSummary;
pub use writer::HtmlWriter;
