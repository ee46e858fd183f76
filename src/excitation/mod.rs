//! How strongly a corner may be excited, frequency by frequency, from sweeps at several levels.
//!
//! | file | what |
//! | --- | --- |
//! | `level_pair` | two levels at one frequency: do they agree, inside the tolerances and the noise |
//! | `strongest_level` | from all pairs at one frequency to the strongest level that changes nothing |
//! | `dead_zone` | whether weak levels lie in one, or only look so for noise |
//! | `profile` | a level over frequency that stays a step below that and changes slowly |
//! | `flat_pair` | one pair of constant levels for the whole band, or what stands against it |
//! | `noise_limits` | where noise hides more than the tolerances allow, and whether more excitation would help |
//! | `point` | what the levels show at one frequency |
//! | `tried` | a level with its sweep |
//! | `survey` | all of that over a grid of frequencies |
//! | `outcome` | the result type |
//! | `findings` | the same in sentences |
//! | `corner` | from the sweeps of a corner to the result, or why there is none |
//!
//! **Why do two levels differ only beyond three times the expanded noise?** `excitation/` compares hundreds of
//! frequencies in dozens of pairs, and one that differs bounds all stronger levels there. With the factor that a
//! single comparison needs, some frequency of a good corner would differ by chance. It matters only where the noise
//! is above half of a tolerance; below, the rule is that of linearity.

mod corner;
mod dead_zone;
mod findings;
mod flat_pair;
mod level_pair;
mod noise_limits;
mod outcome;
mod point;
mod profile;
mod strongest_level;
mod survey;
mod tried;

pub use corner::{NoLevels, level_count, levels};
pub use flat_pair::FlatPair;
pub use level_pair::{Cause, Quantity};
pub use noise_limits::{Headroom, Noisy};
pub use outcome::{LevelsOutcome, TriedLevel};
pub use point::{NoiseAt, SurveyPoint};
pub use profile::SLOPE_DB_PER_DECADE;
pub use strongest_level::Break;
pub use survey::{Survey, survey};
pub use tried::Tried;
