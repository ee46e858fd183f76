//! How far the work is: one line of standard error, written over and over, on a terminal only.

use std::io::Write;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

/// Work that ends sooner shows nothing: a flicker tells nobody anything.
const PATIENCE: Duration = Duration::from_millis(300);
/// How often the line is written at most: faster than the eye follows is wasted.
const PAUSE: Duration = Duration::from_millis(100);

/// Counts steps, from any thread.
#[derive(Debug, Clone)]
pub struct Progress(Option<Arc<Line>>);

#[derive(Debug)]
struct Line {
    what: &'static str,
    all: usize,
    done: AtomicUsize,
    is_shown: AtomicBool,
    next: Mutex<Instant>,
}

impl Progress {
    /// One that shows nothing.
    pub const fn silent() -> Self {
        Self(None)
    }

    /// One for a terminal.
    pub fn on_terminal(what: &'static str, all: usize) -> Self {
        Self(Some(Arc::new(Line {
            what,
            all,
            done: AtomicUsize::new(0),
            is_shown: AtomicBool::new(false),
            next: Mutex::new(Instant::now() + PATIENCE),
        })))
    }

    /// Counts one more; writes the line when it is time.
    pub fn step(&self) {
        let Some(line) = &self.0 else { return };
        let done = line.done.fetch_add(1, Ordering::Relaxed) + 1;
        let now = Instant::now();
        // Held while the line is written, so that two threads do not write into each other.
        let mut next = line.next.lock().unwrap_or_else(PoisonError::into_inner);
        if now >= *next {
            *next = now + PAUSE;
            line.is_shown.store(true, Ordering::Relaxed);
            // Back to the line's start, text, and the rest of the line erased (ECMA-48, 8.3.41). A terminal that is gone
            // needs no line.
            let _ = write!(std::io::stderr().lock(), "\r{done} of {} {}\x1b[K", line.all, line.what);
        }
    }

    /// Takes the line away, so that other text can be written; the next step brings it back.
    pub fn clear(&self) {
        if let Some(line) = &self.0
            && line.is_shown.swap(false, Ordering::Relaxed)
        {
            let _ = write!(std::io::stderr().lock(), "\r\x1b[K");
        }
    }

    /// Takes the line away for good.
    pub fn end(self) {
        self.clear();
    }
}
