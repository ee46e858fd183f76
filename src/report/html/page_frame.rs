//! What every page has: head with a policy that forbids everything but the page's own style and script, cautions, foot.

use crate::check::Verdict;
use crate::report::TOOL;
use crate::report::html::text::mark;
use crate::report::statement::meaning;
use maud::{Markup, html};
use sha2::{Digest, Sha256};
use std::io::{self, Write};

const STYLE: &str = include_str!("page.css");
const SCRIPT: &str = include_str!("page.js");

/// The begin of a page, up to and with the opening of its body.
fn begin(title: &str) -> String {
    let policy = format!(
        "default-src 'none'; style-src 'sha256-{}'; script-src 'sha256-{}'; base-uri 'none'; form-action 'none'",
        base64(&Sha256::digest(STYLE.as_bytes())),
        base64(&Sha256::digest(SCRIPT.as_bytes()))
    );
    let head = html! {
        meta charset="utf-8";
        meta http-equiv="Content-Security-Policy" content=(policy);
        meta name="viewport" content="width=device-width, initial-scale=1";
        meta name="color-scheme" content="light dark";
        meta name="referrer" content="no-referrer";
        meta name="generator" content=(TOOL);
        title { (title) }
    };
    format!(
        "<!DOCTYPE html>\n<html lang=\"en\"><head>{}<style>{STYLE}</style></head><body>\n\
         <a class=\"skip\" href=\"#matrix\">to the results</a>\n",
        head.into_string()
    )
}

/// Writes a page up to its main part.
pub(super) fn write_begin(sink: &mut impl Write, title: &str, top: &Markup) -> io::Result<()> {
    sink.write_all(begin(title).as_bytes())?;
    sink.write_all(top.0.as_bytes())?;
    sink.write_all(b"<main>\n")
}

/// Ends the main part and the page.
pub(super) fn write_end(sink: &mut impl Write, end: &str) -> io::Result<()> {
    sink.write_all(b"</main>\n")?;
    sink.write_all(end.as_bytes())?;
    sink.flush()
}

/// The end of a page.
#[must_use]
pub(crate) fn end() -> String {
    closed(&html! {
        section.quiet aria-labelledby="words" {
            h2 #words { "How to read it" }
            dl.words { @for verdict in Verdict::ALL { div { dt { (mark(verdict)) } dd { (meaning(verdict)) } } } }
        }
        (foot())
    })
}

/// The end of a page that judges nothing.
#[must_use]
pub(crate) fn end_without_verdicts() -> String {
    closed(&foot())
}

fn closed(foot: &Markup) -> String {
    format!("{}<script>{SCRIPT}</script></body></html>\n", foot.0)
}

fn foot() -> Markup {
    html! {
        section.quiet aria-labelledby="cautions" {
            h2 #cautions { "Cautions" }
            p { "Sweeps are taken on live circuits. Parts may carry dangerous voltage and be hot; capacitors stay charged after the supply is off. Isolate the injection transformer and the probes for the voltage they see, and mind that an electronic load can disturb the loop. A corner near its limit may oscillate when the injection starts: begin weak, limit the current, and watch the output on an oscilloscope. Follow the local codes, and have qualified people do it." }
            p { "This report judges the files that it names. It replaces neither the judgement of an engineer nor a safety assessment." }
        }
        footer { p { "Written by " (TOOL) ". The page needs no network and asks for none." } }
    }
}

/// Base64 with padding (RFC 4648, section 4).
fn base64(bytes: &[u8]) -> String {
    const DIGITS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let mut text = String::with_capacity(bytes.len().div_ceil(3) * 4);
    for chunk in bytes.chunks(3) {
        let word = (0..3).fold(0_u32, |word, i| (word << 8) | u32::from(chunk.get(i).copied().unwrap_or(0)));
        for i in 0..4 {
            // Six bits are an index below 64.
            let digit = DIGITS.get((word >> (18 - 6 * i)) as usize & 63).copied().unwrap_or(b'=');
            text.push(if i > chunk.len() { '=' } else { char::from(digit) });
        }
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 4648, section 10.
    #[test]
    fn base64_is_that_of_the_standard() {
        for (bytes, text) in [
            ("", ""),
            ("f", "Zg=="),
            ("fo", "Zm8="),
            ("foo", "Zm9v"),
            ("foob", "Zm9vYg=="),
            ("fooba", "Zm9vYmE="),
            ("foobar", "Zm9vYmFy"),
        ] {
            assert_eq!(base64(bytes.as_bytes()), text);
        }
    }

    /// Relative luminance (WCAG 2.2, definitions).
    fn luminance(colour: &str) -> f64 {
        let part = |i: usize| {
            let c = f64::from(u8::from_str_radix(&colour[i..i + 2], 16).unwrap()) / 255.0;
            if c <= 0.04045 { c / 12.92 } else { ((c + 0.055) / 1.055).powf(2.4) }
        };
        0.2126 * part(0) + 0.7152 * part(2) + 0.0722 * part(4)
    }

    fn colour<'a>(scheme: &'a str, name: &str) -> &'a str {
        scheme.split(&format!("--{name}:#")).nth(1).map(|rest| &rest[..6]).unwrap()
    }

    /// WCAG 2.2, 1.4.3 (text, 4.5) and 1.4.11 (graphics, 3), on both grounds of both schemes.
    #[test]
    fn words_and_lines_stand_out_from_the_page() {
        let (light, rest) = STYLE.split_once("@media (prefers-color-scheme:dark)").unwrap();
        let dark = rest.split_once("}}").unwrap().0;
        for scheme in [light, dark] {
            for (names, least) in [
                ("ink soft link pass fail undecided invalid missing waived not limit", 4.5),
                ("judged confirms other accepted", 3.0),
            ] {
                for (name, ground) in names.split(' ').flat_map(|n| [(n, "paper"), (n, "sheet")]) {
                    let (a, b) = (luminance(colour(scheme, name)), luminance(colour(scheme, ground)));
                    let contrast = (a.max(b) + 0.05) / (a.min(b) + 0.05);
                    assert!(contrast >= least, "{name} on {ground}: {contrast:.2}");
                }
            }
        }
    }

    #[test]
    fn neither_style_nor_script_can_end_its_element() {
        assert!(!STYLE.contains("</") && !SCRIPT.contains("</"));
        for text in [STYLE, SCRIPT] {
            assert!(
                !text.contains("http") && !text.contains("url(") && !text.contains("@import"),
                "reaches out"
            );
        }
    }
}
