//! Child processes and what they used.

use std::error::Error;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};
use wait4::Wait4;

/// What one process used.
#[derive(Debug, Clone, Copy)]
pub struct Usage {
    /// Time in its own code.
    pub user: Duration,
    /// Time in the kernel.
    pub sys: Duration,
    /// From start to end.
    pub wall: Duration,
    /// Largest memory held at once, bytes.
    pub peak: u64,
}

impl Usage {
    /// User and system time.
    pub fn cpu(&self) -> Duration {
        self.user + self.sys
    }

    /// Each figure's own median.
    pub fn median(all: &[Self]) -> Option<Self> {
        Some(Self {
            user: middle(all.iter().map(|u| u.user))?,
            sys: middle(all.iter().map(|u| u.sys))?,
            wall: middle(all.iter().map(|u| u.wall))?,
            peak: middle(all.iter().map(|u| u.peak))?,
        })
    }

    /// Median of user and system time together.
    pub fn median_cpu(all: &[Self]) -> Option<Duration> {
        middle(all.iter().map(Self::cpu))
    }
}

fn middle<T: Ord + Copy>(values: impl Iterator<Item = T>) -> Option<T> {
    let mut values: Vec<T> = values.collect();
    values.sort();
    values.get(values.len() / 2).copied()
}

/// Runs a command to its end, its standard output thrown away; it must succeed.
pub fn measure(command: &mut Command) -> Result<Usage, Box<dyn Error>> {
    let start = Instant::now();
    let mut child = command.stdin(Stdio::null()).stdout(Stdio::null()).spawn()?;
    let used = child.wait4()?;
    let wall = start.elapsed();
    if !used.status.success() {
        return Err(format!("{command:?} ended with {}", used.status).into());
    }
    Ok(Usage { user: used.rusage.utime, sys: used.rusage.stime, wall, peak: used.rusage.maxrss })
}
