//! What the names of columns say, for proposals and help alone: a column is read as it is declared.

use super::reading::FrequencyUnit;

/// What a column may be, by its name and unit.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(super) enum Role {
    Frequency,
    Gain,
    Phase,
    Real,
    Imag,
    /// Something that is no part of a loop gain.
    #[cfg(feature = "formats")]
    Other,
}

const WORDS: [(Role, &[&str]); 5] = [
    (Role::Frequency, &["frequency", "freq", "f", "frequenz", "hz", "khz", "mhz", "omega", "w"]),
    (
        Role::Gain,
        &["gain", "mag", "magn", "magnitude", "db", "amplitude", "betrag", "abs", "ratio", "loopgain"],
    ),
    (Role::Phase, &["phase", "phi", "ph", "angle", "arg", "deg", "degree", "degrees", "°", "rad", "winkel"]),
    (Role::Real, &["real", "re", "realteil"]),
    (Role::Imag, &["imag", "imaginary", "im", "imaginarteil"]),
];

/// The words of a name, in lower case: runs of letters and digits; the sign of a degree is a word.
pub(super) fn words(text: &str) -> impl Iterator<Item = String> {
    let spaced = text.to_lowercase().replace('°', " ° ").replace('\u{b5}', "u");
    let parts: Vec<String> = spaced
        .split(|c: char| !(c.is_alphanumeric() || c == '°'))
        .filter(|word| !word.is_empty())
        .map(str::to_owned)
        .collect();
    parts.into_iter()
}

/// What words say that a column is; `None` when they say nothing that is known.
pub(super) fn role(words: &[String]) -> Option<Role> {
    let is_rate = words.windows(2).any(|pair| matches!(pair, [a, b] if a == "rad" && b == "s"));
    let role = WORDS.iter().find(|(_, known)| words.iter().any(|word| known.contains(&word.as_str())));
    if is_rate { Some(Role::Frequency) } else { role.map(|(role, _)| *role) }
}

/// The unit that words of a frequency say, and how it is declared; `None` when they say none.
pub(super) fn frequency_unit(words: &[String]) -> Option<(FrequencyUnit, &'static str)> {
    let says = |word: &str| words.iter().any(|own| own == word);
    if says("rad") && says("s") || says("omega") || says("w") {
        return Some((FrequencyUnit::RADIANS_PER_SECOND, "rad/s"));
    }
    let known = [("hz", 1.0, "Hz"), ("khz", 1e3, "kHz"), ("mhz", 1e6, "MHz")];
    known.iter().find(|(word, ..)| says(word)).map(|(_, factor, unit)| (FrequencyUnit(*factor), *unit))
}

/// Whether words say that an angle is in degrees.
pub(super) fn is_degrees(words: &[String]) -> bool {
    ["deg", "degree", "degrees", "°"].iter().any(|degree| words.iter().any(|word| word == degree))
}
