//! What may be opened, and what is left alone.

use crate::bench::{Place, places, record, run, sqlite};
use loopgauge::history::{Address, CheckReport, History, HistoryErrorKind, VERSION};
use std::fs;
use std::path::Path;

fn refused(path: &Path, kind: HistoryErrorKind) {
    let before = fs::read(path).unwrap();
    let address = Address::File(path.to_owned());
    for error in
        [History::open_to_record(&address).unwrap_err(), History::open_to_read(&address).unwrap_err()]
    {
        assert_eq!(error.kind, kind, "{error}");
        assert!(
            error.to_string().starts_with(&path.display().to_string()) && !error.help.is_empty(),
            "{error}"
        );
    }
    assert_eq!(fs::read(path).unwrap(), before, "the file was changed");
}

#[test]
fn what_is_no_history_is_refused_and_left_alone() {
    let folder = tempfile::tempdir().unwrap();
    let text = folder.path().join("notes.txt");
    fs::write(&text, "spec: 1\n".repeat(1000)).unwrap();
    refused(&text, HistoryErrorKind::Foreign);
    let other = folder.path().join("other.db");
    let connection = rusqlite::Connection::open(&other).unwrap();
    connection.execute_batch("CREATE TABLE parts (name TEXT); INSERT INTO parts VALUES ('R1')").unwrap();
    drop(connection);
    refused(&other, HistoryErrorKind::Foreign);
    let cut = folder.path().join("cut.db");
    let bytes = fs::read(&other).unwrap();
    fs::write(&cut, &bytes[..60]).unwrap();
    refused(&cut, HistoryErrorKind::Damaged);
}

#[test]
fn nothing_is_made_by_reading() {
    let folder = tempfile::tempdir().unwrap();
    for open in [History::open_to_read, History::open_to_mark] {
        let error = open(&Address::File(folder.path().join("none.db"))).unwrap_err();
        assert_eq!(error.kind, HistoryErrorKind::Missing);
    }
    assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 0);
    assert_eq!(
        History::open_to_read(&Address::File(folder.path().to_owned())).unwrap_err().kind,
        HistoryErrorKind::Missing
    );
    let error = History::open_to_record(&Address::File(folder.path().join("no/such/folder.db"))).unwrap_err();
    assert_eq!(error.kind, HistoryErrorKind::Refused);
    if let Some(Place { address, .. }) = crate::bench::postgres("unread") {
        assert_eq!(History::open_to_read(&address).unwrap_err().kind, HistoryErrorKind::Missing);
        assert_eq!(History::open_to_read(&address).unwrap_err().kind, HistoryErrorKind::Missing);
    }
}

#[test]
fn reading_leaves_the_file_as_it_is() {
    let Place { address, folder } = sqlite();
    record(&mut History::open_to_record(&address).unwrap(), &run("A")).unwrap();
    let listing = || {
        let mut names: Vec<_> =
            fs::read_dir(folder.path()).unwrap().map(|entry| entry.unwrap().file_name()).collect();
        names.sort();
        names
    };
    let file = folder.path().join("history.db");
    let (before, names) = (fs::read(&file).unwrap(), listing());
    let modified = fs::metadata(&file).unwrap().modified().unwrap();
    let report = History::open_to_read(&address).unwrap().check().unwrap();
    assert_eq!((report.records, report.problems.len()), (1, 0));
    assert_eq!(fs::read(&file).unwrap(), before);
    assert_eq!(fs::metadata(&file).unwrap().modified().unwrap(), modified);
    assert_eq!(listing(), names);
    // A log that a killed process left behind stays what it is.
    let mut writer = History::open_to_record(&address).unwrap();
    record(&mut writer, &run("B")).unwrap();
    let copy = folder.path().join("copy.db");
    for end in ["", "-wal"] {
        fs::copy(format!("{}{end}", file.display()), format!("{}{end}", copy.display())).unwrap();
    }
    let read = || ["", "-wal"].map(|end| fs::read(format!("{}{end}", copy.display())).unwrap());
    let before = read();
    assert_eq!(History::open_to_read(&Address::File(copy.clone())).unwrap().check().unwrap().records, 2);
    assert_eq!(read(), before);
}

#[test]
fn a_newer_history_is_refused() {
    for Place { address, .. } in places("newer") {
        record(&mut History::open_to_record(&address).unwrap(), &run("A")).unwrap();
        let sql = format!("UPDATE meta SET value = '{}' WHERE key = 'version'", VERSION + 1);
        run_sql(&address, &sql);
        for error in
            [History::open_to_record(&address).unwrap_err(), History::open_to_read(&address).unwrap_err()]
        {
            assert_eq!(error.kind, HistoryErrorKind::Newer, "{error}");
        }
    }
}

/// Straight into the database, past the library.
pub fn run_sql(address: &Address, sql: &str) {
    match address {
        Address::File(path) => rusqlite::Connection::open(path).unwrap().execute_batch(sql).unwrap(),
        Address::Postgres(server) => {
            let mut client = ::postgres::Client::connect(server.in_full(), ::postgres::NoTls).unwrap();
            client.batch_execute(&format!("SET search_path TO loopgauge; {sql}")).unwrap();
        }
    }
}

#[test]
fn check_notices_what_is_gone() {
    for Place { address, .. } in places("damage") {
        let mut history = History::open_to_record(&address).unwrap();
        let ids: Vec<_> =
            ["A", "B", "C"].iter().map(|serial| record(&mut history, &run(serial)).unwrap()).collect();
        drop(history);
        run_sql(
            &address,
            &format!(
                "DELETE FROM value WHERE record_id = {} AND value = 41.25; DELETE FROM corner WHERE record_id = {} AND \
                 corner = '32V-0.5A'; DELETE FROM result WHERE record_id = {}",
                ids[0], ids[1], ids[2]
            ),
        );
        let problems = History::open_to_read(&address).unwrap().check().unwrap().problems;
        for (text, id) in
            [("1 records without all their corners", ids[1]), ("1 records without a result", ids[2])]
        {
            assert!(problems.contains(&format!("{text}: {id}")), "{problems:?}");
        }
        let value = format!("record {}, 10V-0.5A: 5 of 6 values are there; gone: gain@120Hz", ids[0]);
        assert!(problems.contains(&value), "{problems:?}");
    }
}

/// A history as version 1 wrote it.
const VERSION_1: &str = include_str!("version-1.sql");
/// A history as version 2 wrote it: digests, but neither conditions nor checks.
const VERSION_2: &str = include_str!("version-2.sql");
/// A history as version 3 wrote it: with conditions, checks and views, but not who measured and with what.
const VERSION_3: &str = include_str!("version-3.sql");

pub fn history_of_version_1() -> Place {
    history_of(VERSION_1)
}

fn history_of(sql: &str) -> Place {
    let place = sqlite();
    let connection = rusqlite::Connection::open(place.folder.path().join("history.db")).unwrap();
    connection.execute_batch(sql).unwrap();
    connection.pragma_update(None, "application_id", 0x4c47_4853).unwrap();
    place
}

#[test]
fn a_history_of_version_1_is_read_and_recorded_into() {
    let Place { address, folder } = history_of_version_1();
    let file = folder.path().join("history.db");
    let before = fs::read(&file).unwrap();
    let mut history = History::open_to_read(&address).unwrap();
    let (mut serials, mut values) = (Vec::new(), 0);
    history.records("river-gauge-5v", &mut |head| serials.push(head.serial)).unwrap();
    history.values("river-gauge-5v", &mut |_| values += 1).unwrap();
    assert_eq!((serials.as_slice(), values), (&["RG-00042".to_owned(), "RG-00043".to_owned()][..], 42));
    assert_eq!(history.newest_settings("river-gauge-5v").unwrap().unwrap().drift, Some(crate::bench::DRIFT));
    drop(history);
    assert_eq!(fs::read(&file).unwrap(), before);
    record(&mut History::open_to_record(&address).unwrap(), &run("RG-00044")).unwrap();
    let report = History::open_to_read(&address).unwrap().check().unwrap();
    assert_eq!((report.records, report.without_digests, report.problems), (3, 2, Vec::new()));
}

#[test]
fn a_history_of_version_2_keeps_its_digests() {
    let Place { address, folder: _folder } = history_of(VERSION_2);
    let report = || History::open_to_read(&address).unwrap().check().unwrap();
    let sound = CheckReport { records: 1, corners: 5, values: 35, ..CheckReport::default() };
    assert_eq!(report(), sound);
    drop(History::open_to_record(&address).unwrap());
    assert_eq!(report(), sound);
    // What the earlier version had not is no part of its record.
    run_sql(&address, "UPDATE corner SET conditions = '{}' WHERE corner = '6V-0.2A'");
    let problems = report().problems.concat();
    assert!(problems.contains("6V-0.2A: its verdict, level, conditions"), "{problems}");
}

#[test]
fn a_history_of_version_3_is_read_and_brought_up_to_date() {
    let Place { address, folder: _folder } = history_of(VERSION_3);
    let report = || History::open_to_read(&address).unwrap().check().unwrap();
    let export = || {
        let mut bytes = Vec::new();
        History::open_to_read(&address).unwrap().export_csv(&mut bytes).unwrap();
        String::from_utf8(bytes).unwrap()
    };
    let sound = CheckReport { records: 1, corners: 7, values: 49, ..CheckReport::default() };
    assert_eq!(report(), sound);
    let before = export();
    drop(History::open_to_record(&address).unwrap());
    assert_eq!((report(), export()), (sound, before));
    record(&mut History::open_to_record(&address).unwrap(), &run("RG-00044")).unwrap();
    // The views have the new columns at their end.
    let sql = "SELECT DISTINCT serial, operator, calibrated_until FROM latest_margins ORDER BY serial";
    assert_eq!(
        crate::views::ask(&address, sql),
        [["RG-00011", "", ""], ["RG-00044", "night shift", "2027-03-31"]]
    );
    assert_eq!(report().problems, Vec::<String>::new());
    // What the earlier version had not is no part of its record, and what was recorded is.
    for (serial, record) in [("RG-00011", 1), ("RG-00044", 2)] {
        run_sql(&address, &format!("UPDATE record SET operator = 'somebody' WHERE serial = '{serial}'"));
        let problems = report().problems.concat();
        assert!(problems.contains(&format!("record {record}: its labels")), "{problems}");
    }
}

/// A step that was released is never changed: from the sample of version 1 come the tables of a new history.
#[test]
fn the_tables_of_version_1_stay_as_they_are() {
    let Place { address, folder } = sqlite();
    drop(History::open_to_record(&address).unwrap());
    let earlier = history_of_version_1();
    let tables = |connection: &rusqlite::Connection| {
        let sql = "SELECT sql FROM sqlite_schema WHERE sql IS NOT NULL ORDER BY name";
        let mut statement = connection.prepare(sql).unwrap();
        let tables: Vec<String> =
            statement.query_map([], |row| row.get(0)).unwrap().map(Result::unwrap).collect();
        tables
    };
    let file = earlier.folder.path().join("history.db");
    drop(History::open_to_record(&earlier.address).unwrap());
    let [made, brought] = [folder.path().join("history.db"), file]
        .map(|file| tables(&rusqlite::Connection::open(file).unwrap()));
    assert_eq!(made, brought);
}

/// Root may write anywhere: there another user reads.
#[cfg(target_os = "linux")]
#[test]
fn a_folder_that_cannot_be_written_is_read() {
    use std::os::unix::fs::PermissionsExt;
    use std::os::unix::process::CommandExt;
    let Place { address: Address::File(file), folder } = sqlite() else { panic!("a file is wanted") };
    record(&mut History::open_to_record(&Address::File(file.clone())).unwrap(), &run("A")).unwrap();
    let bytes = fs::read(&file).unwrap();
    fs::set_permissions(&file, fs::Permissions::from_mode(0o444)).unwrap();
    fs::set_permissions(folder.path(), fs::Permissions::from_mode(0o555)).unwrap();
    let other = tempfile::tempdir().unwrap();
    fs::set_permissions(other.path(), fs::Permissions::from_mode(0o755)).unwrap();
    let reader = other.path().join("reader");
    let is_root = fs::metadata("/proc/self").is_ok_and(|own| std::os::unix::fs::MetadataExt::uid(&own) == 0);
    let reads = || {
        if !is_root {
            return crate::processes::read_count(&file);
        }
        // The test binary may lie where the other user cannot reach it.
        if !reader.exists() {
            fs::copy(std::env::current_exe().unwrap(), &reader).unwrap();
            fs::set_permissions(&reader, fs::Permissions::from_mode(0o755)).unwrap();
        }
        let mut command = crate::processes::helper(&reader, "reader", &file.display().to_string(), 0);
        command.uid(65534).gid(65534).current_dir("/");
        // A child that another test started just now may hold the copy open for writing until it has become its own program.
        let busy = std::io::ErrorKind::ExecutableFileBusy;
        let output = (0..100)
            .find_map(|_| match command.output() {
                Err(error) if error.kind() == busy => {
                    std::thread::sleep(std::time::Duration::from_millis(50));
                    None
                }
                done => Some(done.unwrap()),
            })
            .unwrap();
        String::from_utf8_lossy(&output.stdout).into_owned()
    };
    assert!(reads().contains("READ 1 records"), "{}", reads());
    // With a log that holds records, nothing is told that is not the newest.
    fs::write(folder.path().join("history.db-wal"), [1; 4096]).unwrap();
    let told = reads();
    assert!(told.contains("-wal") && told.contains("copy the file"), "{told}");
    assert_eq!(fs::read(&file).unwrap(), bytes);
    fs::set_permissions(folder.path(), fs::Permissions::from_mode(0o755)).unwrap();
}
