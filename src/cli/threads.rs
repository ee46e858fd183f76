//! The threads that work is shared out to.

use std::num::NonZeroUsize;

/// Most threads, whatever is asked for: more help no machine, and a mistyped number must not exhaust it.
const MOST: usize = 512;
/// Address space, bytes, beside the program itself that one thread of work and those that read and write need: with less the program breaks
/// off in the midst of a run (measured on Linux over 500 runs of six corners with a report: 30 MiB are too few, 39 MiB are enough).
const LEAST: u64 = 40 << 20;
/// Address space, bytes, of each thread more: its stack, and what it works on.
const EACH: u64 = 10 << 20;
/// And what the C library of Linux sets aside for its allocations, unless [`ONE_ARENA`] is set to 1.
const ARENA: u64 = 64 << 20;
/// The variable that tells the C library to serve all threads from one room.
const ONE_ARENA: &str = "MALLOC_ARENA_MAX";

/// The number of threads that is typed after `--jobs`.
///
/// # Errors
/// What is wanted, where it is none.
pub fn jobs(text: &str) -> Result<NonZeroUsize, String> {
    text.parse().map_err(|_| "a whole number of threads is wanted, 1 or more".to_owned())
}

/// Starts as many threads as are asked for, else one a core; fewer where the address space is bounded (`ulimit -v`).
///
/// # Errors
/// Why there can be none, as a sentence.
pub fn start(jobs: Option<NonZeroUsize>) -> Result<rayon::ThreadPool, String> {
    let asked = jobs.map_or(0, |jobs| jobs.get().min(MOST));
    let threads = match address_space() {
        None => asked,
        Some(space) => {
            let arena = if std::env::var_os(ONE_ARENA).is_some_and(|most| most == "1") { 0 } else { ARENA };
            let fitting = fitting(space, arena)?;
            let cores = || std::thread::available_parallelism().map_or(1, NonZeroUsize::get);
            if asked == 0 { cores() } else { asked }.min(fitting)
        }
    };
    let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build();
    pool.map_err(|error| format!("cannot start threads: {error}"))
}

/// The bound of the address space and what is used of it, bytes.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Space {
    bound: u64,
    used: u64,
}

/// Threads that fit into a bounded address space, where the C library sets aside `arena` bytes for each; why not even one does.
fn fitting(space: Space, arena: u64) -> Result<usize, String> {
    // The first thread of work and the one that works ahead of the outputs have arenas, too: they are taken without being asked for, and
    // what is left may be too little for everything else.
    let least = space.used + LEAST + 2 * arena;
    let Some(more) = space.bound.checked_sub(least) else {
        let [found, least] = [space.bound >> 20, least.div_ceil(1 << 20)];
        let help = if arena == 0 {
            String::new()
        } else {
            let with_one = (space.used + LEAST).div_ceil(1 << 20);
            format!(", or {with_one} MiB with `{ONE_ARENA}=1` in the environment")
        };
        return Err(format!(
            "the address space is bounded to {found} MiB (`ulimit -v`), at least {least} MiB are needed{help}"
        ));
    };
    Ok(1 + usize::try_from(more / (EACH + arena)).unwrap_or(MOST))
}

/// The address space of this process; `None` where it has no bound, or the system does not tell.
fn address_space() -> Option<Space> {
    let read = |name: &str| std::fs::read_to_string(format!("/proc/self/{name}")).ok();
    let bound = number_after(&read("limits")?, "Max address space")?;
    // In KiB.
    let used = number_after(&read("status")?, "VmSize:")?;
    Some(Space { bound, used: used.checked_mul(1024)? })
}

/// The number behind the words that a line begins with.
fn number_after(text: &str, words: &str) -> Option<u64> {
    let rest = text.lines().find_map(|line| line.strip_prefix(words))?;
    rest.split_whitespace().next()?.parse().ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_bound_is_read_where_there_is_one() {
        let text = |soft: &str| {
            format!(
                "Limit                     Soft Limit           Hard Limit           Units\n\
                 Max stack size            8388608              unlimited            bytes\n\
                 Max address space         {soft}              unlimited            bytes\n"
            )
        };
        let bound = |text: &str| number_after(text, "Max address space");
        assert_eq!(bound(&text("41943040")), Some(40 << 20));
        assert_eq!(bound(&text("unlimited")), None);
        assert_eq!(bound(""), None);
    }

    #[test]
    fn no_more_threads_than_the_address_space_holds() {
        let used = 16 << 20;
        let threads = |bytes: u64| fitting(Space { bound: used + bytes, used }, 0);
        assert_eq!(threads(LEAST), Ok(1));
        assert_eq!(threads(LEAST + EACH - 1), Ok(1));
        assert_eq!(threads(LEAST + 3 * EACH), Ok(4));
        let with_arenas = |bytes: u64| fitting(Space { bound: used + bytes, used }, ARENA);
        assert_eq!(with_arenas(LEAST + 3 * ARENA + EACH - 1), Ok(1));
        assert_eq!(with_arenas(LEAST + 3 * ARENA + EACH), Ok(2));
        let told = with_arenas(LEAST + 2 * ARENA - 1).unwrap_err();
        assert!(
            told.ends_with(
                "at least 184 MiB are needed, or 56 MiB with `MALLOC_ARENA_MAX=1` in the environment"
            ),
            "{told}"
        );
        let told = threads(LEAST - 1).unwrap_err();
        assert!(told.contains("bounded to 55 MiB") && told.contains("at least 56 MiB are needed"), "{told}");
        assert!(fitting(Space { bound: used - 1, used }, 0).is_err());
    }
}
