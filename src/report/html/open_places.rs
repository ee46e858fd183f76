//! Pieces are made before it is known which corners have a detail: what hangs on that is filled in as they are written.

use super::text::{LINK, LINK_END, OPEN, RUN};
use std::io::{self, Write};

/// Writes a piece with its open places filled.
pub(super) fn expand(
    out: &mut impl Write,
    piece: &[u8],
    run: u32,
    is_open: bool,
    has_detail: &dyn Fn(u32) -> bool,
) -> io::Result<()> {
    let mark = |c: char| u8::try_from(u32::from(c)).unwrap_or(0);
    let (run_mark, link, link_end, open) = (mark(RUN), mark(LINK), mark(LINK_END), mark(OPEN));
    let mut rest = piece;
    let mut in_link = false;
    while let Some(at) = rest.iter().position(|byte| (run_mark..=open).contains(byte)) {
        let (before, from) = rest.split_at(at);
        out.write_all(before)?;
        let Some((byte, after)) = from.split_first() else { break };
        rest = after;
        if *byte == run_mark {
            write!(out, "{run}")?;
        } else if *byte == link {
            let digits = rest.iter().take_while(|b| b.is_ascii_digit()).count();
            let (number, after) = rest.split_at(digits);
            rest = after.get(1..).unwrap_or(&[]);
            let corner: Option<u32> = std::str::from_utf8(number).ok().and_then(|n| n.parse().ok());
            if let Some(corner) = corner.filter(|corner| has_detail(*corner)) {
                write!(out, "<a href=\"#r{run}c{corner}\">")?;
                in_link = true;
            }
        } else if *byte == link_end {
            out.write_all(if in_link { b"</a>" } else { b"" })?;
            in_link = false;
        } else if is_open {
            out.write_all(b" open")?;
        }
    }
    out.write_all(rest)
}
