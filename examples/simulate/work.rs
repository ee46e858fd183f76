//! Settings: which ones run, on all cores, in a fixed order.

use super::loops::{self, Loop};
use super::noise::{Model, mix};
use super::truth::{self, Truth};
use std::num::NonZero;
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

/// The loops with their exact values.
pub struct Subjects {
    pub loops: Vec<Loop>,
    pub truths: Vec<Truth>,
}

impl Subjects {
    pub fn all() -> Self {
        let loops = loops::all();
        let truths = parallel(&loops, |_, l| truth::of(l));
        Self { loops, truths }
    }
}

/// rms of each component of the noise at the crossover, relative.
pub const LEVELS: [f64; 5] = [0.0003, 0.001, 0.003, 0.01, 0.02];
/// Points per decade.
pub const DENSITIES: [f64; 3] = [25.0, 40.0, 100.0];

/// One setting: everything but the random numbers.
#[derive(Clone, Copy, Debug)]
pub struct Setting {
    /// Number of it, which seeds its sweeps.
    pub index: usize,
    pub loop_index: usize,
    pub level: usize,
    pub model: Model,
    pub density: f64,
}

/// Every loop at every level, with `combinations` of the twelve of noise model and density each, turning from loop to loop.
pub fn settings(loops: usize, combinations: usize) -> Vec<Setting> {
    let mut list = Vec::new();
    for loop_index in 0..loops {
        for level in 0..LEVELS.len() {
            for k in 0..combinations {
                let combination = (5 * loop_index + 7 * level + 5 * k + loop_index / 12) % 12;
                list.push(Setting {
                    index: list.len(),
                    loop_index,
                    level,
                    model: Model::ALL[combination % 4],
                    density: DENSITIES[combination / 4],
                });
            }
        }
    }
    list
}

/// One in `share` of a list, drawn evenly but always the same, in the list's order.
pub fn share_of<T>(list: Vec<T>, share: usize) -> Vec<T> {
    let count = list.len().div_ceil(share.max(1));
    let mut order: Vec<usize> = (0..list.len()).collect();
    order.sort_by_key(|&k| mix(k as u64));
    let mut kept = vec![false; list.len()];
    order.iter().take(count).for_each(|&k| kept[k] = true);
    list.into_iter().zip(kept).filter(|(_, kept)| *kept).map(|(item, _)| item).collect()
}

/// Works through a list on all cores; results in the list's order.
pub fn parallel<T: Sync, R: Send>(list: &[T], work: impl Fn(usize, &T) -> R + Sync) -> Vec<R> {
    let next = AtomicUsize::new(0);
    let done = Mutex::new(Vec::with_capacity(list.len()));
    let threads = std::thread::available_parallelism().map_or(1, NonZero::get);
    std::thread::scope(|scope| {
        for _ in 0..threads {
            scope.spawn(|| {
                loop {
                    let index = next.fetch_add(1, Ordering::Relaxed);
                    let Some(item) = list.get(index) else { break };
                    let result = work(index, item);
                    done.lock().expect("no worker panicked").push((index, result));
                }
            });
        }
    });
    let mut done = done.into_inner().expect("no worker panicked");
    done.sort_by_key(|(index, _)| *index);
    done.into_iter().map(|(_, result)| result).collect()
}
