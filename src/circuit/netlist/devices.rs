//! Devices that are not linear, and what stands for them in a loop's small-signal circuit.

/// What a letter stands for, and what to write instead.
pub(super) const fn refusal(letter: char) -> (&'static str, &'static str) {
    match letter {
        'D' => (
            "a diode, and only linear elements are read",
            "a rectifier that switches is part of the averaged switch (`specs/circuits`); one that always conducts is its resistance: `R1 a b 20m`",
        ),
        'M' | 'Q' | 'J' | 'Z' => (
            "a transistor, and only linear elements are read",
            "one that switches is part of the averaged switch (`specs/circuits`); one that amplifies is its transconductance: `G1 d s g s 10m`",
        ),
        'S' | 'W' => (
            "a switch, and only linear elements are read",
            "use the averaged switch of `specs/circuits` for the cell of switch and diode",
        ),
        'U' | 'O' | 'P' | 'Y' | 'N' | 'A' => (
            "a device that is not read",
            "write it with R, C, L, K, E, F, G, H and T; a lossless line is `T1 a 0 b 0 Z0=50 TD=10n`, ready parts are in `specs/circuits`",
        ),
        'B' => (
            "a source given by an expression, and only linear elements are read",
            "write its linear part about the operating point: `E1 out+ out- in+ in- gain` for `V=`, `G1 out+ out- in+ in- gain` for `I=`",
        ),
        _ => (
            "no element that is known",
            "elements begin with one of R, C, L, K, E, F, G, H, V, I, T, subcircuits with X; comments with `*`",
        ),
    }
}
