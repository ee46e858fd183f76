//! What a terminal shows: text broken to its width, a plot, progress while the work goes on; and that none of it reaches a
//! pipe.
//!
//! Pictures stand in `tests/terminal/`; `INSTA_UPDATE=always cargo test --test terminal` takes them anew.

#![cfg(unix)]
#![allow(
    missing_docs,
    clippy::unwrap_used,
    clippy::panic,
    clippy::indexing_slicing,
    reason = "a test fails by panicking"
)]

use loopgauge::check::RunOutcome;
use loopgauge::report::Tally;
use loopgauge::report::terminal::{Style, TerminalSpool, render_run};
use std::process::Command;
use tool::{Ran, Room, checkout, command, demo, finish};

#[path = "../src/report/sample.rs"]
mod sample;
mod tool;

fn picture(name: &str, text: &str) {
    let mut settings = insta::Settings::clone_current();
    settings.set_snapshot_path("terminal");
    settings.set_prepend_module_to_snapshot(false);
    settings.set_omit_expression(true);
    settings.bind(|| insta::assert_snapshot!(name, text));
}

fn text(runs: &[RunOutcome], style: Style) -> String {
    let (mut tally, mut spool) = (Tally::new(), TerminalSpool::new(style));
    for run in runs {
        tally.add(run);
        spool.append(&render_run(run, style)).unwrap();
    }
    let mut bytes = Vec::new();
    spool.finish(&mut bytes, &tally).unwrap();
    String::from_utf8(bytes).unwrap()
}

fn runs() -> [RunOutcome; 2] {
    let mut noisy = sample::run();
    noisy.corners[2].findings = vec![
        "noise of 0.8 % hides what lies between 12.4 kHz and 13.1 kHz; a longer average or a stronger signal there \
         would show whether the gain has a second crossover"
            .to_owned(),
    ];
    let mut other = sample::passing("RG-00042", 2);
    other.product = "river-gauge-3v3".to_owned();
    [noisy, other]
}

#[test]
fn text_fits_the_terminal() {
    let piped = text(&runs(), Style::plain());
    let words = |text: &str| text.split_whitespace().map(str::to_owned).collect::<Vec<_>>();
    for width in [80, 140] {
        let style = Style { width: Some(width), ..Style::plain() };
        let shown = text(&runs(), style);
        picture(&format!("check-{width}"), &shown);
        assert!(shown.lines().all(|line| line.chars().count() <= width), "{shown}");
        let sections = |text: &str| words(text.split_once("\n\nInvalid").unwrap().1);
        assert_eq!(sections(&shown), sections(&piped), "a word is lost at {width} columns");
        // Colours take no room.
        let coloured = text(&runs(), Style { colour: true, ..style });
        assert_eq!(anstream::adapter::strip_str(&coloured).to_string(), shown);
    }
}

#[test]
fn the_quiet_one_says_the_verdict_alone() {
    let ran = demo("check demo-data --quiet").ends(2);
    let wrong = "of 98 corners 9 are invalid, 1 is missing, 5 fail, 1 is undecided, 2 are waived";
    assert_eq!(ran.out(), format!("The verdict is invalid: {wrong}.\n1 run could not be read.\n"));
    assert!(ran.stderr.starts_with("error[sweep-number]"), "{}", ran.stderr);
    let ran = demo("check demo-data/rev-c/RG-00021 -q").ends(0);
    assert_eq!((ran.out(), ran.stderr.as_str()), ("The verdict is pass.\n", ""));
    let ran = demo("-q check demo-data/rev-c/RG-00021 --json -").ends(0);
    assert_eq!(ran.json()["verdict"], "pass");
    let ran = demo("check demo-data -q -v").ends(2);
    assert!(ran.stderr.contains("cannot be used with"), "{}", ran.stderr);
}

const SWEEP: &str = "demo-data/rev-c/RG-00021/river-gauge-1v8/hot.csv";

#[test]
fn a_sweep_is_drawn_where_it_is_asked_for() {
    let piped = demo(&format!("inspect {SWEEP} --critical-point +1")).ends(0);
    let drawn = demo(&format!("inspect {SWEEP} --critical-point +1 --plot")).ends(0);
    let plot = drawn.out().strip_prefix(piped.out()).unwrap();
    assert!(plot.lines().count() <= 24 && plot.lines().all(|line| line.chars().count() <= 80), "{plot}");
    picture("plot", plot);
    assert!(!piped.out().contains("gain, dB"));
}

/// A loop gain whose crossings are known without a computer: 10 kHz / (j f) turned by its critical point crosses 1 at 10 kHz
/// with a phase margin of 90 deg and falls by 20 dB per decade.
#[test]
fn the_curve_stands_where_it_must() {
    let room = Room::empty();
    let mut sweep = String::from("frequency_hz,gain_db,phase_deg\n");
    for step in 0..=80 {
        let hz = 100.0 * 10_f64.powf(f64::from(step) / 20.0);
        sweep.push_str(&format!("{hz},{},-90\n", -20.0 * (hz / 1e4).log10()));
    }
    room.write("integrator.csv", sweep);
    let ran = room.run("inspect integrator.csv --critical-point -1 --plot").ends(0);
    let plot = ran.out().split_once("gain, dB\n").unwrap().1;
    let rows: Vec<Vec<char>> = plot.lines().map(|line| line.chars().collect()).collect();
    let axis = rows.iter().position(|row| String::from_iter(row).contains("+---")).unwrap();
    let ticks: Vec<usize> = (11..rows[axis].len()).filter(|column| rows[axis][*column] == '+').collect();
    // 100 Hz, 1 kHz, 10 kHz, 100 kHz, 1 MHz: decades equally far apart.
    assert_eq!(ticks.len(), 5);
    assert!(ticks.windows(2).all(|pair| (pair[1] - pair[0]).abs_diff(ticks[1] - ticks[0]) <= 1), "{ticks:?}");
    let marked: Vec<(usize, usize)> = rows
        .iter()
        .enumerate()
        .take(axis)
        .filter_map(|(row, cells)| Some((row, cells.iter().position(|c| *c == 'V')?)))
        .collect();
    assert_eq!(marked.len(), 2, "once in each panel: {plot}");
    assert!(marked.iter().all(|(_, column)| *column == ticks[2]), "{plot}");
    let label = |row: usize| String::from_iter(&rows[row]).split_whitespace().next().unwrap().to_owned();
    assert_eq!((label(marked[0].0), label(marked[1].0)), ("0".to_owned(), "90".to_owned()), "{plot}");
    assert!(plot.contains("V falling crossover") && !plot.contains("rising"), "{plot}");
}

/// Runs a command on a terminal of its own, with standard output and error on it: `cat` behind Python's `pty`.
fn on_terminal(room: &Room, columns: u16, arguments: &str, environment: &[(&str, &str)]) -> String {
    const SCRIPT: &str = "
import fcntl, os, pty, struct, sys, termios
pid, end = pty.fork()
if pid == 0:
    fcntl.ioctl(1, termios.TIOCSWINSZ, struct.pack('HHHH', 24, int(sys.argv[1]), 0, 0))
    os.execv(sys.argv[2], sys.argv[2:])
while True:
    try:
        data = os.read(end, 65536)
    except OSError:
        break
    if not data:
        break
    os.write(1, data)
os.waitpid(pid, 0)
";
    let mut python = Command::new("python3");
    python.current_dir(room.root()).args([
        "-c",
        SCRIPT,
        &columns.to_string(),
        env!("CARGO_BIN_EXE_loopgauge"),
    ]);
    python
        .args(arguments.split_whitespace())
        .env_remove("COLUMNS")
        .env_remove("NO_COLOR")
        .env("TERM", "xterm");
    python.envs(environment.iter().copied());
    let Ran { stdout, .. } = finish(&mut python).ends(0);
    String::from_utf8(stdout).unwrap()
}

/// Enough runs that judging them takes longer than progress waits.
fn many_runs() -> Room {
    let room = Room::demo();
    let good = checkout().join("demo-data/rev-c/RG-00021/river-gauge-5v");
    for entry in std::fs::read_dir(good).unwrap() {
        let entry = entry.unwrap();
        let name = entry.file_name().into_string().unwrap();
        room.write(&format!("runs/0/{name}"), std::fs::read(entry.path()).unwrap());
        for run in 1..300 {
            let folder = room.path(&format!("runs/{run}"));
            std::fs::create_dir_all(&folder).unwrap();
            std::fs::hard_link(room.path(&format!("runs/0/{name}")), folder.join(&name)).unwrap();
        }
    }
    room
}

const PROGRESS: &str = " of 300 runs judged";

#[test]
fn progress_shows_on_a_terminal_and_nowhere_else() {
    let room = many_runs();
    let shown = on_terminal(&room, 80, "check runs --jobs 1", &[]);
    assert!(shown.contains(PROGRESS), "{shown:?}");
    // The line is gone before the result is written.
    let (before, after) = shown.rsplit_once("\r\u{1b}[K").unwrap();
    assert!(before.contains(PROGRESS) && after.starts_with("The verdict is"), "{shown:?}");
    assert!(!after.contains(PROGRESS));
    for (arguments, environment) in
        [("check runs --jobs 1 --quiet", &[][..]), ("check runs --jobs 1", &[("TERM", "dumb")][..])]
    {
        let silent = on_terminal(&room, 80, arguments, environment);
        assert!(!silent.contains("runs judged") && silent.contains("The verdict is"), "{silent:?}");
    }
    let piped = room.run("check runs --jobs 1").ends(0);
    assert!(!piped.stderr.contains("judged") && !piped.out().contains('\u{1b}'), "{}", piped.stderr);
}

#[test]
fn a_pipe_does_not_know_how_wide_the_terminal_is() {
    let run = format!("check {}", "demo-data/rev-c/RG-00025");
    let plain = demo(&run);
    let narrow = finish(command(checkout()).args(run.split_whitespace()).env("COLUMNS", "60"));
    assert_eq!(plain.out(), narrow.out());
    let room = Room::demo();
    for (columns, environment, widest) in
        [(70, &[][..], 70), (140, &[][..], 140), (140, &[("COLUMNS", "60")][..], 60)]
    {
        let shown = on_terminal(&room, columns, "check demo-data/rev-c/RG-00021 -v", environment);
        let clean = anstream::adapter::strip_str(&shown).to_string();
        let lines: Vec<&str> = clean.lines().map(|line| line.trim_end_matches('\r')).collect();
        let is_word = |line: &str| !line.trim_start().contains(' ');
        assert!(lines.iter().all(|line| line.chars().count() <= widest || is_word(line)), "{clean}");
        assert!(lines.iter().any(|line| line.chars().count() > widest * 3 / 4), "{clean}");
    }
    let drawn = on_terminal(&room, 100, &format!("inspect {SWEEP} --critical-point +1"), &[]);
    assert!(drawn.contains("gain, dB") && drawn.contains("phase from the critical point, deg"), "{drawn}");
    let quiet = on_terminal(&room, 100, &format!("inspect {SWEEP} --critical-point +1 -q"), &[]);
    assert!(!quiet.contains("gain, dB") && quiet.contains("phase margin"), "{quiet}");
}

/// The table stands where everything is wanted; the sentence, which is a finding of the run, everywhere.
#[test]
fn the_parts_of_a_circuit_are_listed_where_every_check_is() {
    let mut run = sample::run();
    run.circuit = Some(Box::new(sample::circuit()));
    let full = text(std::slice::from_ref(&run), Style { every_check: true, ..Style::plain() });
    let wanted = "    part  nominal  value              off     known  since RG-00042\n    \
        L1    10 uH    9.83 uH ± 0.12 uH  -1.7 %  93 %   +0.4 % ± 1.2 %\n    \
        Cout  220 uF   176 uF ± 2 uF      -20 %   95 %   -20 % ± 1 %\n    \
        parts: the sweeps say nothing of COMPUTE\n    \
        circuit: what moved, by probability: Cout -20 % ± 1 % (0.98), several parts (0.02); not told apart: L1 and Cout: their product";
    assert!(full.contains(wanted), "{full}");
    assert!(!text(&[run], Style::plain()).contains("COMPUTE"));
}
