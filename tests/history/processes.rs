//! Many processes at once, and processes that are killed. The processes are this test binary, started again.

use crate::bench::{Place, places, postgres, record, run, sqlite};
use loopgauge::history::{Address, Filter, History, HistoryErrorKind};
use std::collections::HashMap;
use std::ffi::OsStr;
use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::Barrier;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

/// The binary, told to play a part: `recorder` or `reader`.
pub fn helper(binary: &Path, part: &str, address: &str, runs: usize) -> Command {
    let mut command = Command::new(binary);
    command
        .args(["--exact", &format!("processes::{part}"), "--nocapture", "--test-threads=1"])
        .env("HISTORY_HELPER_PART", part)
        .env("HISTORY_HELPER_ADDRESS", address)
        .env("HISTORY_HELPER_RUNS", runs.to_string());
    command
}

fn typed(address: &Address) -> String {
    match address {
        Address::File(path) => path.display().to_string(),
        Address::Postgres(server) => server.in_full().to_owned(),
    }
}

fn part(name: &str) -> Option<(Address, usize)> {
    (std::env::var("HISTORY_HELPER_PART").as_deref() == Ok(name)).then(|| {
        let address = std::env::var("HISTORY_HELPER_ADDRESS").unwrap();
        let runs = std::env::var("HISTORY_HELPER_RUNS").unwrap();
        (Address::parse(OsStr::new(&address)).unwrap(), runs.parse().unwrap())
    })
}

/// Records runs and says so after each of them. Does nothing unless it was started as a helper.
#[test]
fn recorder() {
    let Some((address, runs)) = part("recorder") else { return };
    if let Some(gate) = std::env::var_os("HISTORY_HELPER_GATE") {
        println!("\nREADY");
        while !Path::new(&gate).exists() {
            std::thread::sleep(Duration::from_millis(1));
        }
    }
    let mut history = History::open_to_record(&address).unwrap();
    let mut out = std::io::stdout().lock();
    for number in 0..runs {
        let serial = format!("{}-{number}", std::process::id());
        let id = record(&mut history, &run(&serial)).unwrap();
        write!(out, "\nRECORDED {id} {serial}\n").unwrap();
        out.flush().unwrap();
    }
}

/// Counts the records. Does nothing unless it was started as a helper.
#[test]
fn reader() {
    if let Some((Address::File(file), _)) = part("reader") {
        println!("\n{}", read_count(&file));
    }
}

pub fn read_count(file: &Path) -> String {
    let counted =
        History::open_to_read(&Address::File(file.to_owned())).and_then(|mut history| history.check());
    match counted {
        Ok(report) => format!("READ {} records, {:?}", report.records, report.problems),
        Err(error) => format!("{error}; {}", error.help),
    }
}

fn start(address: &Address, runs: usize) -> Child {
    let binary = std::env::current_exe().unwrap();
    helper(&binary, "recorder", &typed(address), runs).stdout(Stdio::piped()).spawn().unwrap()
}

/// Numbers and serials of what a recorder said to be recorded.
fn acknowledged(lines: impl Iterator<Item = String>) -> Vec<(i64, String)> {
    let parsed = lines.filter_map(|line| {
        let (id, serial) = line.strip_prefix("RECORDED ")?.split_once(' ')?;
        Some((id.parse().unwrap(), serial.to_owned()))
    });
    parsed.collect()
}

/// Numbers and serials that a recorder told before it was killed, which is after so many. `with` changes how it is started.
pub fn killed_after(records: usize, address: &Address, with: impl Fn(&mut Command)) -> Vec<(i64, String)> {
    let binary = std::env::current_exe().unwrap();
    let mut command = helper(&binary, "recorder", &typed(address), usize::MAX);
    with(&mut command);
    let mut child = command.stdout(Stdio::piped()).spawn().unwrap();
    let mut lines = BufReader::new(child.stdout.take().unwrap()).lines().map(Result::unwrap);
    let is_told = |line: &String| line.starts_with("RECORDED ");
    let mut told: Vec<String> = lines.by_ref().filter(is_told).take(records).collect();
    child.kill().unwrap();
    child.wait().unwrap();
    // A line cut by the kill was not acknowledged.
    told.extend(lines);
    acknowledged(told.into_iter())
}

/// Every acknowledged run is there, and everything that is there is whole.
pub fn all_there(address: &Address, acknowledged: &[(i64, String)]) -> u64 {
    let mut history = History::open_to_read(address).unwrap();
    let report = history.check().unwrap();
    assert_eq!(report.problems, [""; 0]);
    assert_eq!((report.corners, report.values), (6 * report.records, 21 * report.records));
    let mut serials = HashMap::new();
    history.list(&Filter::default(), &mut |head| drop(serials.insert(head.id.0, head.serial))).unwrap();
    for (id, serial) in acknowledged {
        assert_eq!(serials.get(id), Some(serial), "record {id} is lost");
    }
    assert_eq!(serials.len() as u64, report.records);
    report.records
}

fn at_once(address: &Address, processes: usize, runs: usize) {
    let children: Vec<_> = (0..processes).map(|_| start(address, runs)).collect();
    let mut told = Vec::new();
    for child in children {
        let output = child.wait_with_output().unwrap();
        let text = String::from_utf8_lossy(&output.stdout).into_owned();
        assert!(output.status.success(), "{text}");
        told.extend(acknowledged(text.lines().map(str::to_owned)));
    }
    assert_eq!(told.len(), processes * runs);
    assert_eq!(all_there(address, &told), (processes * runs) as u64);
}

/// Everything that a reader finds while a history is being made: nothing yet, or a sound one.
fn watch(address: &Address, is_over: &AtomicBool) {
    while !is_over.load(Ordering::Relaxed) {
        match History::open_to_read(address).and_then(|mut history| history.check()) {
            Ok(report) => assert_eq!(report.problems, [""; 0]),
            Err(error) => assert_eq!(error.kind, HistoryErrorKind::Missing, "{error}"),
        }
    }
}

/// All processes come to a history that is not there at the same moment; every one of them records its run.
fn made_at_once(place: &Place, processes: usize) {
    let Place { address, folder } = place;
    let binary = std::env::current_exe().unwrap();
    let gate = folder.path().join("gate");
    let mut children: Vec<Child> = (0..processes)
        .map(|_| {
            let mut command = helper(&binary, "recorder", &typed(address), 1);
            command.env("HISTORY_HELPER_GATE", &gate).stdout(Stdio::piped()).stderr(Stdio::piped());
            command.spawn().unwrap()
        })
        .collect();
    let outputs: Vec<_> = children
        .iter_mut()
        .map(|child| {
            let mut lines = BufReader::new(child.stdout.take().unwrap()).lines().map(Result::unwrap);
            assert!(lines.any(|line| line == "READY"));
            lines
        })
        .collect();
    let is_over = AtomicBool::new(false);
    let told = std::thread::scope(|scope| {
        let watcher = scope.spawn(|| watch(address, &is_over));
        std::fs::write(&gate, "").unwrap();
        let told: Vec<_> = outputs.into_iter().flat_map(acknowledged).collect();
        is_over.store(true, Ordering::Relaxed);
        watcher.join().unwrap();
        told
    });
    for child in children {
        let output = child.wait_with_output().unwrap();
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    }
    assert_eq!(told.len(), processes);
    assert_eq!(all_there(address, &told), processes as u64);
}

fn killed(address: &Address, times: usize) {
    let mut told = Vec::new();
    for time in 0..times {
        let mut child = start(address, usize::MAX);
        let mut lines = BufReader::new(child.stdout.take().unwrap()).lines().map(Result::unwrap);
        let first = lines.by_ref().find(|line| line.starts_with("RECORDED ")).unwrap();
        // At another moment of a record each time: a record takes a few milliseconds.
        std::thread::sleep(Duration::from_micros(137 * (time as u64 % 100)));
        child.kill().unwrap();
        child.wait().unwrap();
        // A line cut by the kill was not acknowledged.
        let lines: Vec<String> = std::iter::once(first).chain(lines).collect();
        told.extend(acknowledged(lines.into_iter()));
    }
    let records = all_there(address, &told);
    println!("{times} kills: {} acknowledged, {records} there", told.len());
    assert!(told.len() >= times && records >= told.len() as u64);
    // At most one record more than was told for each kill: committed, and killed before saying so.
    assert!(records <= (told.len() + times) as u64);
}

#[test]
fn eight_processes_lose_nothing() {
    for Place { address, folder: _folder } in places("eight") {
        at_once(&address, 8, 25);
    }
}

/// Threads are ready sooner than processes: so many more rounds.
#[test]
fn a_history_is_never_seen_half_made() {
    for _ in 0..25 {
        let Place { address, folder: _folder } = sqlite();
        let (is_over, gate) = (AtomicBool::new(false), Barrier::new(6));
        std::thread::scope(|scope| {
            let watchers = [(); 2].map(|()| {
                scope.spawn(|| {
                    gate.wait();
                    watch(&address, &is_over);
                })
            });
            let makers = [(); 4].map(|()| {
                scope.spawn(|| {
                    gate.wait();
                    History::open_to_record(&address).map(drop)
                })
            });
            let made = makers.map(|maker| maker.join().unwrap());
            is_over.store(true, Ordering::Relaxed);
            made.into_iter().for_each(|made| made.unwrap());
            watchers.into_iter().for_each(|watcher| watcher.join().unwrap());
        });
    }
}

#[test]
fn a_history_made_by_many_at_once_has_all_runs() {
    for _ in 0..3 {
        for place in places("made") {
            made_at_once(&place, 32);
        }
    }
}

#[test]
fn kills_lose_nothing() {
    for Place { address, folder: _folder } in places("kills") {
        killed(&address, 10);
    }
}

#[test]
#[ignore = "takes a minute: run by .ci/run"]
fn eight_processes_of_200_runs_lose_nothing_in_sqlite() {
    let place = sqlite();
    at_once(&place.address, 8, 200);
}

#[test]
#[ignore = "takes a minute: run by .ci/run"]
fn eight_processes_of_200_runs_lose_nothing_in_postgresql() {
    if let Some(place) = postgres("eight_200") {
        at_once(&place.address, 8, 200);
    }
}

#[test]
#[ignore = "takes a minute: run by .ci/run"]
fn fifty_histories_made_by_many_at_once_have_all_runs_in_sqlite() {
    for _ in 0..50 {
        made_at_once(&sqlite(), 32);
    }
}

#[test]
#[ignore = "takes a minute: run by .ci/run"]
fn fifty_histories_made_by_many_at_once_have_all_runs_in_postgresql() {
    for _ in 0..50 {
        if let Some(place) = postgres("made_50") {
            made_at_once(&place, 32);
        }
    }
}

#[test]
#[ignore = "takes a minute: run by .ci/run"]
fn a_hundred_kills_lose_nothing_in_sqlite() {
    let place = sqlite();
    killed(&place.address, 100);
}

#[test]
#[ignore = "takes a minute: run by .ci/run"]
fn a_hundred_kills_lose_nothing_in_postgresql() {
    if let Some(place) = postgres("kills_100") {
        killed(&place.address, 100);
    }
}
