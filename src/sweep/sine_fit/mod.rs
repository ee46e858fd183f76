//! The loop gain at one frequency from a record of both sides of the injection over time.
//!
//! | file | does |
//! | --- | --- |
//! | `basis` | the functions of time that a record is fitted with, and what each sample does to the two of the sine |
//! | `record` | what is fitted |
//! | `fit` | the sine fits, and the uncertainty of the ratio of two |
//! | `refusal` | what no fit can mend: records that are too short, clipped, over-driven, or of another frequency |
//! | `loop_gain` | which of the fits stands |
//!
//! **The fits.** With three parameters (IEEE Std 1057, the fit of known frequency; clause and formulas from memory) a side is
//! `a cos wt + b sin wt + c`, linear in a, b and c: least squares give them at once. With four (the fit of unknown frequency there) the
//! frequency is refined by Gauss-Newton steps: its column is `t (b cos wt - a sin wt)`. Both sides have one frequency, so one step serves both,
//! each weighted by its noise. The second fit stands where its frequency differs from the declared one by more than three of its
//! standard uncertainties, as with a generator and an oscilloscope of two clocks; else the first, which has less to go wrong.
//! A linear drift and the harmonics from the second to the fifth, as far as the samples carry them, are fitted along: what belongs to
//! the loop is then not taken for noise, and harmonics tell that it is driven too hard.
//!
//! **The uncertainty.** The error of ln T = ln B - ln A is the sum over the samples of `w (r_b / B - r_a / A)`, with A and B the complex
//! amplitudes, r what the fit leaves and w the complex weight that a sample has in an amplitude. Its squares are summed sample by sample,
//! each over 1 - h, the part that the fit leaves of a sample's variance (the estimator of H. White, 1980, in the form HC2 of J. G.
//! MacKinnon and H. White, 1985: from memory). For white noise of one size that is the variance of the residuals times the inverse normal
//! matrix. Noise of jitter lies where the sine is steep, and what both sides share cancels in their ratio: this sum knows both, the product
//! with the matrix neither. Rounding of eight bits is in the residuals as well. It fails where residuals are alike from
//! sample to sample: hum or ripple beside the frequency, and a side of fewer than about two steps of the converter without noise, whose
//! rounding is a distortion of the sine; and for a jitter of the whole record, which turns the phase of both sides alike and cancels.
//!
//! **Why is it no source of its own in the budget?** Every frequency is a record of its own, so errors of fits scatter from point to point,
//! and the noise that neighbouring points show holds them already; a sum would count them twice. The greater of both is taken: a sweep of
//! few points, or one whose neighbours agree by chance, is never better than its records.

mod basis;
mod fit;
mod loop_gain;
mod record;
mod refusal;

pub(super) use loop_gain::fitted;
pub(super) use record::Record;
pub(super) use refusal::Refused;
