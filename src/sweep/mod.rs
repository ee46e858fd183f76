//! Sweep files: bytes to samples of the loop gain.
//!
//! Everything here is pure: the caller reads the file and hands over its bytes. The way of a file through the room:
//!
//! | file | does |
//! | --- | --- |
//! | `formats` | files that are no text, or compressed, into text |
//! | `decode` | byte order mark, encoding, skipped rows |
//! | `dialect` | delimiter, decimal mark and comment mark; where the next row begins |
//! | `fields` | a row to fields; the `csv` crate parses files with quotes |
//! | `columns`, `recognise` | which columns are meant, by name, by position or by the standard names |
//! | `fast_reader` | all rows, the short way: no place is kept, and nothing is explained |
//! | `explaining_reader` | all rows again, the long way, when the short way met something that is not right |
//! | `kept_column` | frequencies that the file before had as well, which need no parsing |
//! | `number`, `convert` | a field to a number, the numbers of a row to ln magnitude and phase |
//! | `order` | rising, falling or neither |
//! | `sine_fit` | the loop gain from records over time |
//! | `from_numbers` | samples from numbers in memory |
//! | `problems` | places, excerpts and texts of the errors |
//! | `column_names`, `reading_help` | the `reading` that a header of its own speaks for, as help |
//! | `proposal`, `table_block` | a `reading` that would read a file which is not understood, for people to confirm |
//! | `foreign_files` | what is plainly no sweep, of which nothing is shown |
//!
//! Nothing is guessed: what is neither standard nor declared is an error, and its help says what to declare. A proposal is shown, and used by
//! nobody but who declares it.
//!
//! ```
//! use loopgauge::sweep::{Reading, Samples, Scratch, read};
//! let bytes = b"frequency_hz,gain_db,phase_deg\n100,40,-90\n1000,20,-95\n10000,0,-130\n";
//! let mut samples = Samples::default();
//! read(bytes, &"loop.csv".into(), &Reading::default(), &mut Scratch::default(), &mut samples).unwrap();
//! assert_eq!(samples.frequency_hz(), [100.0, 1000.0, 10000.0]);
//! ```

mod column_names;
mod columns;
mod convert;
mod decode;
mod dialect;
mod explaining_reader;
mod fast_reader;
mod fields;
#[cfg(feature = "formats")]
mod foreign_files;
#[cfg(feature = "formats")]
mod formats;
mod from_numbers;
mod kept_column;
mod number;
mod order;
mod problems;
#[cfg(feature = "formats")]
mod proposal;
mod read;
mod reading;
mod reading_help;
mod recognise;
mod samples;
#[cfg(feature = "formats")]
mod sine_fit;
#[cfg(feature = "formats")]
mod table_block;

pub use encoding_rs::Encoding;
pub(crate) use fast_reader::{LEAST_HZ, MOST_HZ};
#[cfg(feature = "cli")]
pub(crate) use foreign_files::may_be_sweep;
#[cfg(feature = "files")]
pub(crate) use foreign_files::veiled;
pub use from_numbers::BadSamples;
pub use num_complex::Complex64;
#[cfg(feature = "formats")]
pub use proposal::{Proposal, propose};
pub use read::{Scratch, read};
pub use reading::{AngleUnit, Column, ColumnRef, Columns, Format, FrequencyUnit, GainUnit, Reading};
#[cfg(feature = "files")]
pub(crate) use recognise::shows_no_reading;
pub use samples::Samples;
