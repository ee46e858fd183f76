//! One corner as files, to be judged by the program itself.

use super::classes::CLASSES;
use super::judge::{Asked, Bound, lenient, texts};
use super::scene::{Density, Key, Scene};
use super::survey::Facts;
use super::{limits, short, survey, unstable, wrong_quantity};
use std::fmt::Write as _;
use std::io;
use std::path::Path;

/// A corner of a mode: `FAMILY/DENSITY/NUMBER`, with `.REPEAT` the time that it is measured.
pub fn parse(text: &str, seed: u64) -> Option<(Key, usize)> {
    let mut parts = text.split('/');
    let (family, density, number) = (parts.next()?, parts.next()?, parts.next()?);
    let (number, repeat) = number.split_once('.').unwrap_or((number, "0"));
    let key = Key {
        seed,
        class: CLASSES.iter().position(|c| c.name == family)?,
        density: Density::ALL.iter().position(|d| d.label() == density)?,
        number: number.parse().ok()?,
    };
    Some((key, repeat.parse().ok()?))
}

fn scene(mode: &str, key: Key) -> (Scene, u64, Vec<Bound>) {
    let (scene, seeds, bounds) = match mode {
        "bench-unstable" => (unstable::scene(key).0, unstable::MODE, unstable::limits()),
        "bench-wrong-quantity" => {
            (wrong_quantity::scene(key), wrong_quantity::MODE, wrong_quantity::limits())
        }
        "bench-short" => (short::scene(key), short::MODE, Vec::new()),
        "bench-limits" => (Scene::bench(key, limits::MODE), limits::MODE, Vec::new()),
        _ => (Scene::bench(key, survey::MODE), survey::MODE, Vec::new()),
    };
    let bounds = if bounds.is_empty() { lenient(&scene) } else { bounds };
    (scene, seeds, bounds)
}

/// Writes sweeps, run, spec and exact values of a corner into a folder.
///
/// # Errors
/// When a file cannot be written.
pub fn write(mode: &str, key: Key, repeat: usize, folder: &Path) -> io::Result<()> {
    let (scene, seeds, bounds) = scene(mode, key);
    let (spec, run) = texts(&scene, &bounds);
    std::fs::create_dir_all(folder.join("specs"))?;
    std::fs::write(folder.join("specs/simulated-loop.yaml"), spec)?;
    std::fs::write(folder.join("run.yaml"), run)?;
    for (k, sweep) in scene.numbers(&mut key.noise(seeds, repeat)).into_iter().enumerate() {
        let mut text = format!("{}\n", scene.digits.header());
        for (hz, [a, b]) in scene.hz.iter().zip(sweep) {
            let _ = writeln!(text, "{hz},{a},{b}");
        }
        std::fs::write(folder.join(format!("{k}.csv")), text)?;
    }
    std::fs::write(folder.join("truth.txt"), truth(mode, &scene))
}

fn truth(mode: &str, scene: &Scene) -> String {
    let mut text = format!("{mode} --seed {} --case {}\n\n", scene.key.seed, scene.key.text());
    for asked in Asked::ALL {
        let value = scene.exact(asked).map_or_else(|| "-".to_owned(), |v| format!("{v:.6e}"));
        let _ = writeln!(text, "{:<22} {value}", asked.check());
    }
    let _ = writeln!(text, "\ncrossovers        {:#?}", scene.truth.crossovers);
    let _ = writeln!(text, "phase crossovers  {:?} (Hz, |T|)", scene.truth.phase_crossovers);
    let _ = writeln!(text, "right-half-plane poles of the closed loop: {}", {
        scene.plant.unstable_poles(scene.truth.crossover_hz())
    });
    let _ = writeln!(text, "\n{:#?}", scene.plant);
    let _ = writeln!(text, "{:#?}\n{:#?}\n{:#?}", scene.receivers, scene.effect, scene.drift);
    let _ =
        writeln!(text, "levels {:?} dB, chain {}, {}", scene.levels_db, scene.chain, scene.digits.label());
    let _ = writeln!(text, "{:#?}", Facts::of(scene));
    text
}
