//! The command `history`.

use super::line::{DRIFT, noon, room, singles, unit};
use super::record::records;
use crate::tool::gauge;
use crate::tool::{Ran, Room, finish, list};
use loopgauge::measurand::Measurand;
use serde_json::Value;
use std::fs;

/// Runs the program with these words, blanks and all.
pub fn with(room: &Room, words: &[&str]) -> Ran {
    finish(room.command().args(words))
}

fn some() -> Room {
    let mut last = unit("RG-00099", "W9", 9, 54.0);
    (last.product, last.station, last.firmware) =
        ("river-gauge-3v3".to_owned(), Some("bench-2".to_owned()), None);
    let mut runs = singles(&[56.0, 55.0, 54.0]);
    runs.push(last);
    room(&DRIFT, &runs)
}

#[test]
fn records_are_listed_and_chosen() {
    let room = some();
    let head = room.run("history list h.db").ends(0);
    assert_eq!(
        head.out().lines().next(),
        Some("record\tverdict\tproduct\tserial\trevision\tfirmware\tbuild\ttaken\tstation\trun\tmark")
    );
    let all = records(&room);
    assert_eq!(all.len(), 4);
    let taken = noon(9);
    assert_eq!(
        all[3],
        [
            "4",
            "pass",
            "river-gauge-3v3",
            "RG-00099",
            "C",
            "-",
            "W9",
            taken.as_str(),
            "bench-2",
            "runs/W9/RG-00099",
            "-"
        ]
    );
    for (choice, wanted) in [
        ("--product river-gauge-5v", &["1", "2", "3"][..]),
        ("--serial RG-00001", &["2"]),
        ("--build W03", &["3"]),
        ("--station bench-2", &["4"]),
        ("--product river-gauge-5v --station bench-2", &[]),
        ("--marked", &[]),
        ("--serial none", &[]),
    ] {
        let listed = room.run(&format!("history list h.db {choice}")).ends(0);
        let numbers: Vec<&str> =
            listed.out().lines().skip(1).map(|l| l.split('\t').next().unwrap()).collect();
        assert_eq!(numbers, wanted, "{choice}");
    }
}

#[test]
fn a_record_and_its_spec_are_shown() {
    let room = some();
    let shown = room.run("history show h.db 2").ends(0).json();
    assert_eq!(
        (&shown["serial"], &shown["corners"][0]["measured"]["phase_margin_deg"]["value"]),
        (&"RG-00001".into(), &55.0.into())
    );
    assert_eq!(room.run("history show h.db 2 --spec").ends(0).json()["product"], "river-gauge-5v");
    for command in [
        "history show h.db 5",
        "history show h.db 0 --spec",
        "history show h.db -1",
        "history show h.db x",
        "history show none.db 1",
    ] {
        let ran = room.run(command).ends(2);
        assert!(ran.out().is_empty() && !ran.stderr.is_empty(), "{command}");
    }
}

#[test]
fn marks_stay_with_their_reason() {
    let room = some();
    let ran = with(&room, &["history", "mark", "h.db", "1", "3", "--reason", "probe was broken"]).ends(0);
    assert_eq!(ran.out(), "2 records marked: they stay and do not count\n");
    let marks =
        |room: &Room| -> Vec<String> { records(room).into_iter().map(|record| record[10].clone()).collect() };
    assert_eq!(marks(&room), ["probe was broken", "-", "probe was broken", "-"]);
    assert_eq!(room.run("history list h.db --marked").ends(0).out().lines().count(), 3);
    assert!(room.run("history check h.db").ends(0).out().starts_with("4 records, 2 marked, "));
    // All or none of them, and never without a reason.
    for (words, status) in [
        (&["mark", "h.db", "2", "3", "--reason", "again"][..], 2),
        (&["mark", "h.db", "2", "77", "--reason", "not there"], 2),
        (&["unmark", "h.db", "2", "--reason", "is not"], 2),
        (&["mark", "h.db", "2", "--reason", " "], 2),
        (&["mark", "h.db", "2"], 2),
        (&["mark", "none.db", "2", "--reason", "not there"], 2),
    ] {
        let ran = with(&room, &[&["history"], words].concat()).ends(status);
        assert!(!ran.stderr.is_empty());
        assert_eq!(marks(&room), ["probe was broken", "-", "probe was broken", "-"], "{words:?}");
    }
    assert!(!room.path("none.db").exists());
    let ran = with(&room, &["history", "unmark", "h.db", "1", "--reason", "it was not"]).ends(0);
    assert_eq!(ran.out(), "1 record count again\n");
    assert_eq!(marks(&room), ["-", "-", "probe was broken", "-"]);
}

/// A row per record, corner and quantity; a row without a quantity for a corner that was not measured.
#[test]
fn tables_have_a_row_for_every_value() {
    let room = gauge::room();
    fs::copy(room.path("runs/good/b.csv"), room.path("runs/good/b-check.csv")).unwrap();
    room.run("check runs --record h.db").ends(1);
    room.run("check runs --record h.db").ends(1);
    let run = room.run("history show h.db 1").ends(0).json();
    let rows_of = |corner: &Value| {
        let single = |key: &str| usize::from(!corner["measured"][key].is_null());
        let gains = list(&corner["checks"]).iter();
        let gains = gains
            .filter(|c| c["check"].as_str().unwrap().starts_with("gain@") && !c["value"].is_null())
            .count();
        (Measurand::ALL.map(|own| single(own.key())).iter().sum::<usize>() + gains).max(1)
    };
    let wanted: usize = 2 * list(&run["corners"]).iter().map(rows_of).sum::<usize>();
    let csv = room.run("history export h.db --csv -").ends(0);
    let mut reader = csv::Reader::from_reader(csv.stdout.as_slice());
    let head: Vec<String> = reader.headers().unwrap().iter().map(str::to_owned).collect();
    assert_eq!(head[..5], ["record", "product", "serial", "revision", "firmware"]);
    for name in
        ["corner", "quantity", "unit", "value", "uncertainty", "at_least", "min", "max", "removed", "reason"]
    {
        assert!(head.iter().any(|own| own == name), "{name} in {head:?}");
    }
    let rows: Vec<csv::StringRecord> = reader.records().map(Result::unwrap).collect();
    assert_eq!(rows.len(), wanted);
    let column = |name: &str| head.iter().position(|own| own == name).unwrap();
    let row = rows.iter().find(|r| {
        &r[column("corner")] == "10V-3A"
            && &r[column("quantity")] == "phase_margin_deg"
            && &r[column("record")] == "2"
    });
    let value: f64 = row.unwrap()[column("value")].parse().unwrap();
    assert_eq!(value, run["corners"][0]["measured"]["phase_margin_deg"]["value"].as_f64().unwrap());
    assert_eq!((&row.unwrap()[column("min")], &row.unwrap()[column("unit")]), ("50", "deg"));
}

#[cfg(feature = "parquet")]
#[test]
fn a_table_goes_into_a_parquet_file() {
    let room = some();
    room.run("history export h.db --parquet h.parquet").ends(0);
    let parquet = fs::read(room.path("h.parquet")).unwrap();
    assert!(parquet.len() > 12 && parquet.starts_with(b"PAR1") && parquet.ends_with(b"PAR1"));
    // One that cannot be written does not stop the other.
    let ran = room.run("history export h.db --csv no/such/t.csv --parquet t.parquet").ends(2);
    assert!(ran.stderr.contains("no/such/t.csv"), "{}", ran.stderr);
    assert!(fs::read(room.path("t.parquet")).unwrap().ends_with(b"PAR1"));
}

#[cfg(not(feature = "parquet"))]
#[test]
fn a_program_without_parquet_says_so() {
    let room = some();
    let ran = room.run("history export h.db --csv t.csv --parquet t.parquet").ends(2);
    assert!(ran.stderr.contains("--features parquet"), "{}", ran.stderr);
    assert_eq!(room.names("."), ["h.db"]);
}

#[test]
fn tables_go_to_one_place_each() {
    let room = some();
    for words in ["", "--csv - --parquet -", "--csv t --parquet t", "--csv t --parquet ./t"] {
        room.run(&format!("history export h.db {words}")).ends(2);
        assert_eq!(room.names("."), ["h.db"], "{words}");
    }
    room.run("history export none.db --csv t.csv").ends(2);
    assert!(!room.path("t.csv").exists() && !room.path("none.db").exists());
}

/// Page by page (bytes 16 and 17 of the file are its size, SQLite file format, section 1.3): whatever is overwritten is found, and
/// nothing panics.
#[test]
fn damage_is_found_wherever_it_is() {
    let room = gauge::room();
    room.run("check runs --record h.db").ends(0);
    let sound = fs::read(room.path("h.db")).unwrap();
    let page = usize::from(u16::from_be_bytes([sound[16], sound[17]]));
    assert!(room.run("history check h.db").ends(0).out().ends_with(": sound\n"));
    let mut unseen = Vec::new();
    for at in (0..sound.len()).step_by(page) {
        let mut bytes = sound.clone();
        bytes[at..at + page].iter_mut().for_each(|byte| *byte ^= 0xff);
        room.write("damaged.db", bytes);
        let ran = room.run("history check damaged.db");
        assert!(!ran.stderr.contains("panicked"), "{}", ran.stderr);
        match ran.status {
            Some(1) => assert!(ran.out().contains("damaged"), "{}", ran.out()),
            Some(2) => assert!(ran.stderr.contains("damaged.db"), "{}", ran.stderr),
            status => unseen.push((at / page + 1, status)),
        }
        for command in [
            "drift --history damaged.db",
            "history list damaged.db",
            "history export damaged.db --csv -",
            "history show damaged.db 1",
        ] {
            let ran = room.run(command);
            assert!(
                matches!(ran.status, Some(0..=2)) && !ran.stderr.contains("panicked"),
                "{command}: {}",
                ran.stderr
            );
        }
    }
    assert_eq!(unseen, [], "of {} pages", sound.len() / page);
}

#[test]
fn a_cut_file_is_refused() {
    let room = some();
    let sound = fs::read(room.path("h.db")).unwrap();
    for length in [1, 100, 4096, sound.len() / 2, sound.len() - 4096] {
        room.write("cut.db", &sound[..length]);
        let ran = room.run("history check cut.db");
        assert!(matches!(ran.status, Some(1 | 2)), "{length}: {}", ran.out());
    }
}

/// Rows that are gone, and texts that changed, without a trace in the file's structure.
#[test]
fn lost_rows_are_found() {
    for (sql, words) in [
        ("DELETE FROM value WHERE record_id = 2", "values"),
        ("DELETE FROM corner WHERE record_id = 2", "corners"),
        ("DELETE FROM result WHERE record_id = 2", "result"),
        ("DELETE FROM file WHERE record_id = 2", "files"),
        ("UPDATE spec SET text = replace(text, 'river', 'liver') WHERE id = 1", "text of spec 1"),
        ("UPDATE spec SET settings = replace(settings, '50', '40') WHERE id = 1", "settings of spec 1"),
    ] {
        let room = some();
        let connection = rusqlite::Connection::open(room.path("h.db")).unwrap();
        connection.execute_batch(&format!("PRAGMA foreign_keys = OFF; {sql}")).unwrap();
        drop(connection);
        let ran = room.run("history check h.db").ends(1);
        assert!(
            ran.out().contains("damaged: go back to a backup") && ran.out().contains(words),
            "{}",
            ran.out()
        );
    }
}
