//! What `drift` refuses, and that it never makes or changes a history.

use super::keep::with;
use super::line::{DRIFT, drifted, room, singles, unit};
use crate::tool::{Room, gauge, list};
use loopgauge::history::VERSION;
use serde_json::{Value, json};
use std::fs;
use std::os::unix::fs::PermissionsExt;

fn still() -> Room {
    room(&DRIFT, &singles(&[56.0; 6]))
}

#[track_caller]
fn refused(room: &Room, history: &str, words: &str) {
    let names = room.names(".");
    for more in [&["--json", "-"][..], &["--junit", "drift.xml"], &[]] {
        let ran = with(room, &[&["drift", "--history", history], more].concat()).ends(2);
        assert!(ran.stderr.contains(words) && ran.stderr.contains(history), "{words}: {}", ran.stderr);
        assert_eq!(ran.out(), "");
    }
    assert_eq!(room.names("."), names);
}

#[test]
fn a_missing_history_is_not_made() {
    let room = Room::empty();
    refused(&room, "h.db", "there is no such file");
    refused(&room, "no/such/h.db", "there is no such file");
    fs::create_dir(room.path("folder")).unwrap();
    refused(&room, "folder", "it is no file");
    room.run("drift").ends(2);
}

#[test]
fn what_is_no_history_is_refused() {
    let room = Room::empty();
    room.write("notes.txt", "no history\n".repeat(100));
    refused(&room, "notes.txt", "no SQLite database");
    room.write("empty.db", "");
    refused(&room, "empty.db", "empty database");
    rusqlite::Connection::open(room.path("parts.db"))
        .unwrap()
        .execute_batch("CREATE TABLE parts (name TEXT)")
        .unwrap();
    refused(&room, "parts.db", "another program");
    assert_eq!(fs::read(room.path("empty.db")).unwrap(), b"");
}

#[test]
fn a_newer_history_is_refused_with_both_versions() {
    let room = still();
    let sql = format!("UPDATE meta SET value = '{}' WHERE key = 'version'", VERSION + 1);
    rusqlite::Connection::open(room.path("h.db")).unwrap().execute_batch(&sql).unwrap();
    let before = fs::read(room.path("h.db")).unwrap();
    refused(&room, "h.db", &(VERSION + 1).to_string());
    assert_eq!(fs::read(room.path("h.db")).unwrap(), before);
    let recorded = with(&room, &["history", "list", "h.db"]).ends(2);
    assert_eq!(recorded.out().lines().count(), 0, "{}", recorded.out());
}

/// Numbers that nothing measured can have are named with their place, and nothing is judged by them.
#[test]
fn a_number_that_cannot_be_is_refused_where_it_stands() {
    let room = still();
    let spoil =
        |sql: &str| rusqlite::Connection::open(room.path("h.db")).unwrap().execute_batch(sql).unwrap();
    for (column, number, words) in
        [("value", "9e999", "inf deg"), ("value", "1e300", "1e300 deg"), ("uncertainty", "-1", "-1 deg")]
    {
        let margin =
            "series_id = (SELECT id FROM series WHERE corner = '24V-3A' AND quantity = 'phase_margin_deg')";
        spoil("CREATE TABLE saved AS SELECT * FROM value");
        spoil(&format!("UPDATE value SET {column} = {number} WHERE record_id = 3 AND {margin}"));
        let wanted =
            format!("record 3, 24V-3A phase_margin_deg: column `{column}` of table `value` holds {words}");
        refused(&room, "h.db", &wanted);
        let checked = room.run("history check h.db").ends(1);
        assert!(checked.out().contains(&wanted) && checked.out().contains("damaged"), "{}", checked.out());
        let exported = room.run("history export h.db --csv all.csv").ends(2);
        assert!(exported.stderr.contains(&wanted) && !room.path("all.csv").exists(), "{}", exported.stderr);
        // As the message says: without the record all is well.
        with(&room, &["history", "mark", "h.db", "3", "--reason", "damaged"]).ends(0);
        room.run("drift --history h.db").ends(0);
        with(&room, &["history", "unmark", "h.db", "3", "--reason", "mended"]).ends(0);
        spoil("DELETE FROM value; INSERT INTO value SELECT * FROM saved; DROP TABLE saved");
    }
    room.run("history check h.db").ends(0);
}

#[test]
fn an_unknown_product_is_refused_with_a_near_one() {
    let room = still();
    let ran = room.run("drift --history h.db --product river-gauge-5w").ends(2);
    assert!(ran.stderr.contains("river-gauge-5w") && ran.stderr.contains("river-gauge-5v"), "{}", ran.stderr);
    let known = room.run("drift --history h.db --product river-gauge-5v --json -").ends(0).json();
    assert_eq!(list(&known["products"]).len(), 1);
}

#[test]
fn a_product_is_chosen() {
    let mut other = unit("TX-1", "W1", 0, 60.0);
    other.product = "river-gauge-3v3".to_owned();
    let room = room(&DRIFT, &[unit("A", "W1", 0, 54.0), other]);
    let of =
        |result: &Value| list(&result["series"]).iter().map(|s| s["product"].clone()).collect::<Vec<_>>();
    assert_eq!(of(&drifted(&room, 0)), ["river-gauge-3v3", "river-gauge-5v"]);
    let one = room.run("drift --history h.db --product river-gauge-3v3 --json -").ends(0).json();
    assert_eq!(of(&one), ["river-gauge-3v3"]);
}

#[test]
fn an_empty_history_has_nothing_to_judge() {
    let room = Room::empty();
    gauge::add_spec(&room);
    room.write("runs/odd/run.yaml", "run: 1\nserial: RG-00044\n");
    room.run("check runs --record h.db").ends(2);
    let result = drifted(&room, 0);
    assert_eq!(
        (&result["verdict"], &result["series"], &result["products"]),
        (&Value::Null, &json!([]), &json!([]))
    );
    room.run("drift --history h.db --junit drift.xml").ends(0);
    let root = crate::tool::xml::read(room.read("drift.xml").as_bytes());
    assert_eq!(root.children.len(), 0);
    let unknown = room.run("drift --history h.db --product gauge").ends(2);
    assert!(unknown.stderr.contains("no record yet"), "{}", unknown.stderr);
    assert!(room.run("history check h.db").ends(0).out().starts_with("0 records"));
    assert_eq!(room.run("history list h.db").ends(0).out().lines().count(), 1);
    assert_eq!(room.run("history export h.db --csv -").ends(0).out().lines().count(), 1);
}

#[test]
fn drift_changes_nothing() {
    let room = still();
    let state = || {
        let data = fs::metadata(room.path("h.db")).unwrap();
        (fs::read(room.path("h.db")).unwrap(), data.modified().unwrap(), data.len(), room.names("."))
    };
    let before = state();
    assert_eq!(before.3, ["h.db"], "no log stays after recording");
    for command in [
        "drift --history h.db",
        "drift --history h.db --json -",
        "history check h.db",
        "history list h.db",
        "history show h.db 1",
        "history export h.db --csv -",
    ] {
        room.run(command).ends(0);
        assert_eq!(state(), before, "{command}");
    }
    // Where the file, or its folder too, may not be written (the superuser may all the same).
    fs::set_permissions(room.path("h.db"), fs::Permissions::from_mode(0o444)).unwrap();
    room.run("drift --history h.db").ends(0);
    fs::set_permissions(room.root(), fs::Permissions::from_mode(0o555)).unwrap();
    room.run("drift --history h.db").ends(0);
    fs::set_permissions(room.root(), fs::Permissions::from_mode(0o755)).unwrap();
    assert_eq!(state(), before);
}
