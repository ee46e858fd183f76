//! How large and how small what is declared may be. Far more than any bench needs, and little enough that no number of a spec
//! can make the program run on: beyond, a unit or a prefix was mistyped.
//!
//! All bounds are common practice, no source.

use crate::sweep::{LEAST_HZ, MOST_HZ};
use crate::yaml::Bounds;

/// Most right-half-plane poles of an open loop.
pub(crate) const MOST_POLES: u32 = 100;
/// Most crossovers that a limit may speak of.
pub(crate) const MOST_CROSSINGS: u32 = 1000;
/// Most groups that set a chart up or that a forecast looks ahead: decades of weekly builds.
pub(crate) const MOST_GROUPS: u32 = 1000;
/// Most limits of the gain at one corner.
pub(crate) const MOST_GAINS: usize = 100;
/// Most conditions of a corner.
pub(crate) const MOST_CONDITIONS: usize = 50;
/// Longest name of a corner, of a condition and of its value, in characters: each stands in every corner that an entry
/// multiplies out to, and in every report.
pub(crate) const LONGEST_NAME: usize = 200;
/// Longest reason, in characters.
pub(crate) const LONGEST_REASON: usize = 2000;

/// Most parts of a netlist that vary: each is an unknown that a unit's sweeps are asked for.
pub(crate) const MOST_VARIED: usize = 50;

/// Half-width of a part's tolerance; below 100 %, so that no part changes its sign or is gone.
pub(crate) const TOLERANCE: Bounds = Bounds {
    least: (1e-6, "0.0001 %"),
    most: (0.99, "99 %"),
    usual: "parts are good to 1 % to 50 %, such as `20 %`",
};

/// What of a loop no parts inside their tolerances explain, as a share of 1 + |T|.
pub(crate) const UNEXPLAINED: Bounds =
    Bounds { least: (1e-6, "0.000001"), most: (1.0, "1"), usual: "a share such as 0.05" };

/// Any frequency.
pub(crate) const FREQUENCY: Bounds = Bounds {
    least: (LEAST_HZ, "1 uHz"),
    most: (MOST_HZ, "1000 GHz"),
    usual: "loops of converters cross 0 dB between some Hz and some MHz",
};

/// Points per decade.
pub(crate) const DENSITY: Bounds =
    Bounds { least: (0.1, "0.1"), most: (1e6, "1000000"), usual: "10 to 200 points per decade are usual" };

/// Accuracy of the gain.
pub(crate) const GAIN_ACCURACY: Bounds = Bounds {
    least: (0.0, "0 dB"),
    most: (20.0, "20 dB"),
    usual: "a chain is good for some 0.1 dB, such as `0.1 dB`",
};

/// Accuracy of the phase.
pub(crate) const PHASE_ACCURACY: Bounds = Bounds {
    least: (0.0, "0 deg"),
    most: (180.0, "180 deg"),
    usual: "a chain is good for some 0.5 deg, and with half a turn open nothing is left to judge",
};

/// Difference of the probes' delays.
pub(crate) const DELAY_ACCURACY: Bounds = Bounds {
    least: (0.0, "0 s"),
    most: (1e-3, "1 ms"),
    usual: "the delays of two probes differ by nanoseconds, such as `2 ns`",
};

/// Coverage factor.
pub(crate) const COVERAGE: Bounds =
    Bounds { least: (0.1, "0.1"), most: (10.0, "10"), usual: "2 covers about 95 %, 3 more than 99 %" };

/// A gain and a margin in decibels.
pub(crate) const GAIN: Bounds = Bounds {
    least: (-400.0, "-400 dB"),
    most: (400.0, "400 dB"),
    usual: "gains of loops lie between -100 dB and 120 dB",
};

/// How far a gain or a margin in decibels may change.
pub(crate) const GAIN_CHANGE: Bounds =
    Bounds { least: (1e-6, "0.000001 dB"), most: (400.0, "400 dB"), usual: "some 1 dB is usual" };

/// A phase margin.
pub(crate) const PHASE: Bounds = Bounds {
    least: (-180.0, "-180 deg"),
    most: (180.0, "180 deg"),
    usual: "phase margins lie within half a turn",
};

/// How far a phase or a phase margin may change.
pub(crate) const PHASE_CHANGE: Bounds =
    Bounds { least: (1e-6, "0.000001 deg"), most: (360.0, "360 deg"), usual: "some 2 deg are usual" };

/// A distance from the critical point, and how far one may change.
pub(crate) const DISTANCE: Bounds = Bounds {
    least: (1e-4, "0.0001"),
    most: (100.0, "100"),
    usual: "a stability margin lies between 0 and about 1",
};

/// A delay margin.
pub(crate) const DELAY: Bounds = Bounds {
    least: (-1e4, "-10 ks"),
    most: (1e4, "10 ks"),
    usual: "delay margins of converters are microseconds, such as `2 us`",
};

/// How far a delay margin may change.
pub(crate) const DELAY_CHANGE: Bounds =
    Bounds { least: (1e-15, "0.001 ps"), most: (1e4, "10 ks"), usual: "some 0.5 us is usual" };

/// Difference of two levels.
pub(crate) const STEP: Bounds =
    Bounds { least: (0.001, "0.001 dB"), most: (100.0, "100 dB"), usual: "levels are some 3 dB apart" };

/// A relative change.
pub(crate) const CHANGE: Bounds = Bounds {
    least: (1e-9, "1e-7 %"),
    most: (10.0, "1000 %"),
    usual: "some percent are usual, such as `2 %`",
};

/// Multiples of the crossover.
pub(crate) const MULTIPLE: Bounds = Bounds {
    least: (1e-6, "0.000001"),
    most: (1e6, "1000000"),
    usual: "a decade to each side is usual, [0.1, 10]",
};

/// Ppk.
pub(crate) const CAPABILITY: Bounds =
    Bounds { least: (0.001, "0.001"), most: (100.0, "100"), usual: "1.33 is usual" };

/// The offset of a level from a profile.
pub(crate) const OFFSET: Bounds = Bounds {
    least: (-200.0, "-200 dB"),
    most: (200.0, "200 dB"),
    usual: "offsets of some decibels are usual",
};
