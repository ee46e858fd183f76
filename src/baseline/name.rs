//! File names of accepted units.

use crate::provenance::sha256;
use std::fmt::Write;

/// Longest name without its extension, bytes: most file systems take 255.
const LONGEST: usize = 200;
/// Names that one widespread family of systems keeps for devices, whatever the extension (common practice, no source).
const DEVICES: [&str; 22] = [
    "con", "prn", "aux", "nul", "com1", "com2", "com3", "com4", "com5", "com6", "com7", "com8", "com9",
    "lpt1", "lpt2", "lpt3", "lpt4", "lpt5", "lpt6", "lpt7", "lpt8", "lpt9",
];

/// The name of the file of a unit: `RG-00042` gives `RG-00042.yaml`.
///
/// Two different serials have names that differ also on file systems that hold upper and lower case alike: letters, digits,
/// `_`, `-` and `.` of ASCII stay, anything else becomes `=`, its number and `.`; a name with lower-case letters, and one that
/// is too long or kept for a device, ends in a part of its SHA-256.
#[must_use]
pub fn file_name(serial: &str) -> String {
    let mut name = String::with_capacity(serial.len() + 8);
    for (at, c) in serial.char_indices() {
        let stays = c.is_ascii_alphanumeric() || matches!(c, '_' | '-') || (c == '.' && at > 0);
        if stays {
            name.push(c);
        } else {
            // Writing to a string cannot fail.
            let _ = write!(name, "={:X}.", u32::from(c));
        }
    }
    let stem = name.split('.').next().unwrap_or_default().to_ascii_lowercase();
    let is_risky = name.bytes().any(|b| b.is_ascii_lowercase())
        || name.len() > LONGEST
        || name.is_empty()
        || name.ends_with('.')
        || DEVICES.contains(&stem.as_str());
    if is_risky {
        name.truncate(LONGEST);
        let digest = sha256(serial.as_bytes());
        // `==` is not made by the rules above. 64 bits: no two serials of a product meet by chance.
        let _ = write!(name, "=={}", digest.get(..16).unwrap_or(&digest));
        if DEVICES.contains(&stem.as_str()) {
            name.insert(0, '=');
        }
    }
    name.push_str(".yaml");
    name
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::HashSet;

    #[test]
    fn names_are_safe_and_differ() {
        assert_eq!(file_name("RG-00042"), "RG-00042.yaml");
        assert_eq!(file_name("2.10"), "2.10.yaml");
        let long = "X".repeat(5000);
        let serials = [
            "RG/1",
            "RG\\1",
            "RG=2F.1",
            "..",
            ".",
            "../x",
            "/etc/x",
            "CON",
            "con",
            "Con",
            "NUL.1",
            "a",
            "A",
            "ä",
            "Ä",
            "a b",
            "a\u{202e}b",
            "",
            "=",
            "==",
            "-x",
            "X.",
            "RG:1",
            &long,
            &long[1..],
        ];
        let names: Vec<String> = serials.iter().map(|serial| file_name(serial)).collect();
        let lower: HashSet<String> = names.iter().map(|name| name.to_lowercase()).collect();
        assert_eq!(lower.len(), serials.len(), "{names:?}");
        for name in &names {
            assert!(name.len() < 250 && name.is_ascii(), "{name}");
            assert!(!name.starts_with('.') && !name.contains(['/', '\\', ':', ' ']), "{name}");
            let stem = name.split('.').next().unwrap().to_lowercase();
            assert!(!DEVICES.contains(&stem.as_str()), "{name}");
        }
    }
}
