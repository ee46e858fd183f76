//! Table of all runs for people.

use super::plan::RunPlan;
use std::fmt::Write as _;

/// The text of `demo-data/README.md`.
pub fn table(plans: &[RunPlan]) -> String {
    let mut text = HEAD.to_owned();
    for plan in plans {
        let expected = &plan.expected;
        // Writing to a String cannot fail.
        let _ = writeln!(
            text,
            "| `{}` | {} | {} | {} |",
            plan.folder(),
            expected.what,
            expected.verdict,
            expected.shown_by
        );
    }
    text.push_str(TAIL);
    text
}

const HEAD: &str = "\
# Demo data: the river-gauge telemetry board

Invented boards, measured by a model: `cargo run --example make-demo` writes everything here, the same bytes each time. The
specs that the runs are judged against are in `specs/`. Folders are `rev-<revision>/<serial>/<product>`; `baseline/` holds a unit that `accept` stored.

Every sweep is taken around the closed loop (critical point `+1`), 45 points per decade, with a receiver whose noise
shows most where the loop gain is large. Runs that do not pass have one thing planted in them:

| run | what it is | expected verdict | check that shows it |
| --- | --- | --- | --- |
";

const TAIL: &str = "
Because one run cannot be read, `check demo-data` ends with status 2; the others are judged all the same.

How the files are laid out: `rev-a/RG-00003/river-gauge-12v` declares semicolons, decimal commas, kilohertz and radians;
`rev-a/RG-00005/river-gauge-1v8` has gain as a ratio; `rev-c/RG-00021/river-gauge-3v3` real and imaginary parts, its files named by a
pattern; `rev-c/RG-00021/river-gauge-12v` both sides of the injection point; the others gain in dB and phase in degrees. The two
5 V boards `RG-00003` and `RG-00021` note the conditions met (`actual`).

What the faults come from: the revision B 5 V rail has a smaller capacitor in its lead branch, so that at low input, where the
crossover is lowest, the zeros come too late. Revision A has wet electrolytic output capacitors on two rails; their series
resistance rises in the cold. Too strong an injection drives the duty cycle into its clamp, and the gain falls with
every further dB, first near the top of the band where the compensator has the most gain.
";
