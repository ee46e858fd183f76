//! The floor that `check` is held against: every byte read, every number parsed, dB and degrees to complex, one scan
//! for margins, over files known to be good. No validation, no message, no interpolation, no allocation per file.
//!
//! Of what was tried, what is here was fastest: numbers digit by digit with an exact fallback (against the
//! standard library's, fast_float2's, and eight digits at once in one word), a polynomial over the columns of a whole
//! file for exp, sine and cosine (against the C library's, point by point), one read call for a file that fits the buffer.

use super::columns::{self, Columns};
use super::decimal;
use memchr::memchr;
use rayon::prelude::*;
use std::fs::{self, File};
use std::hint::black_box;
use std::io::{self, Read};
use std::path::{Path, PathBuf};

/// What the scan saw, added up over files.
#[derive(Debug, Default, Clone, Copy)]
pub struct Seen {
    /// Bytes read.
    pub bytes: u64,
    /// Lines of numbers.
    pub points: u64,
    /// Sign changes of |T| - 1.
    pub crossovers: u64,
    /// Sign changes of the imaginary part of T.
    pub phase_crossovers: u64,
    /// Sum over the files of the smallest |T - 1|.
    pub closest: f64,
}

impl Seen {
    fn plus(self, other: Self) -> Self {
        Self {
            bytes: self.bytes + other.bytes,
            points: self.points + other.points,
            crossovers: self.crossovers + other.crossovers,
            phase_crossovers: self.phase_crossovers + other.phase_crossovers,
            closest: self.closest + other.closest,
        }
    }
}

/// Memory of one thread, kept from file to file.
#[derive(Default)]
struct Space {
    bytes: Vec<u8>,
    columns: Columns,
}

/// Goes over all runs below a folder with so many threads.
pub fn limit(folder: &Path, jobs: usize) -> io::Result<Seen> {
    let mut runs = Vec::new();
    run_folders(folder, &mut runs)?;
    if jobs == 1 {
        let mut space = Space::default();
        return runs.iter().try_fold(Seen::default(), |seen, run| Ok(seen.plus(scan_run(run, &mut space)?)));
    }
    let pool = rayon::ThreadPoolBuilder::new().num_threads(jobs).build().map_err(io::Error::other)?;
    pool.install(|| {
        runs.par_iter()
            .map_init(Space::default, |space, run| scan_run(run, space))
            .try_reduce(Seen::default, |a, b| Ok(a.plus(b)))
    })
}

/// Folders with a `run.yaml`.
fn run_folders(folder: &Path, found: &mut Vec<PathBuf>) -> io::Result<()> {
    let mut below = Vec::new();
    for entry in fs::read_dir(folder)? {
        let entry = entry?;
        if entry.file_type()?.is_dir() {
            below.push(entry.path());
        } else if entry.file_name() == "run.yaml" {
            found.push(folder.to_owned());
            return Ok(());
        }
    }
    below.iter().try_for_each(|folder| run_folders(folder, found))
}

fn scan_run(folder: &Path, space: &mut Space) -> io::Result<Seen> {
    let mut seen = Seen::default();
    for entry in fs::read_dir(folder)? {
        let path = entry?.path();
        if path.extension().is_some_and(|end| end == "csv") {
            let length = read_whole(&path, &mut space.bytes)?;
            let bytes = space.bytes.get(..length).unwrap_or(&[]);
            let one = scan(bytes, &mut space.columns).ok_or_else(|| io::Error::other("not a bench sweep"))?;
            seen = seen.plus(black_box(one));
        }
    }
    Ok(seen)
}

/// Reads a regular file into the buffer, which grows to the largest one; gives the length.
fn read_whole(path: &Path, bytes: &mut Vec<u8>) -> io::Result<usize> {
    const SMALLEST: usize = 1 << 16;
    let mut file = File::open(path)?;
    if bytes.is_empty() {
        bytes.resize(SMALLEST, 0);
    }
    let mut length = 0;
    loop {
        let Some(free) = bytes.get_mut(length..) else { return Ok(length) };
        let room = free.len();
        let got = file.read(free)?;
        length += got;
        // A read of a regular file that leaves room has met the end.
        if got < room {
            return Ok(length);
        }
        bytes.resize(2 * bytes.len(), 0);
    }
}

fn scan(bytes: &[u8], columns: &mut Columns) -> Option<Seen> {
    let mut rest = bytes.get(memchr(b'\n', bytes)? + 1..)?;
    columns.clear();
    let mut number = || {
        let (value, length) = decimal::parse(rest)?;
        rest = rest.get(length + 1..)?;
        Some((value, rest.is_empty()))
    };
    let mut sum_hz = 0.0;
    loop {
        let ((hz, _), (db, _), (degrees, last)) = (number()?, number()?, number()?);
        sum_hz += hz;
        columns.push(db, degrees);
        if last {
            break;
        }
    }
    black_box(sum_hz);
    columns.make_complex();
    let mut seen = Seen { bytes: bytes.len() as u64, ..Seen::default() };
    let mut before: Option<columns::Point> = None;
    let mut closest = f64::INFINITY;
    for point in columns.points() {
        let previous = before.replace(point).unwrap_or(point);
        seen.points += 1;
        seen.crossovers += u64::from((point.magnitude > 1.0) != (previous.magnitude > 1.0));
        seen.phase_crossovers += u64::from((point.im > 0.0) != (previous.im > 0.0));
        closest = closest.min((point.re - 1.0) * (point.re - 1.0) + point.im * point.im);
    }
    seen.closest = closest.sqrt();
    Some(seen)
}
