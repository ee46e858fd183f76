//! What is changed past the program is noticed: `history check` names record, corner and quantity.

use crate::bench::{Place, places, record, run};
use crate::opening::run_sql;
use loopgauge::history::{Address, CheckReport, History, RecordId};

const CORNER: &str = "10V-0.5A";

/// A history with records of three units alike.
fn three(name: &str) -> impl Iterator<Item = (Place, [RecordId; 3])> {
    places(name).into_iter().map(|place| {
        let mut history = History::open_to_record(&place.address).unwrap();
        let ids = ["A", "B", "C"].map(|serial| record(&mut history, &run(serial)).unwrap());
        let sound = CheckReport { records: 3, corners: 18, values: 63, ..CheckReport::default() };
        assert_eq!(history.check().unwrap(), sound);
        (place, ids)
    })
}

fn problems(address: &Address) -> Vec<String> {
    History::open_to_read(address).unwrap().check().unwrap().problems
}

/// The row of a record's quantity.
fn row(record: RecordId, corner: &str, quantity: &str) -> String {
    format!(
        "record_id = {record} AND series_id IN (SELECT id FROM series WHERE corner = '{corner}' AND quantity = '{quantity}')"
    )
}

#[test]
fn a_changed_value_is_told_with_its_place_and_what_was_recorded() {
    for (Place { address, .. }, [_, b, _]) in three("changed_values") {
        run_sql(&address, "CREATE TABLE saved AS SELECT * FROM value");
        for (quantity, set, told) in [
            // The last digit of a double-precision number.
            (
                "phase_margin_deg",
                "value = 54.10000000000001",
                "54.10000000000001 deg is there, 54.1 deg was recorded",
            ),
            ("stability_margin", "value = 0.7", "0.7 is there, 0.69 was recorded"),
            ("gain@120Hz", "value = 14.25", "14.25 dB is there, 41.25 dB was recorded"),
            (
                "crossover_hz",
                "uncertainty = 12.0",
                "`uncertainty`, `chain` or `at_least` is not what was recorded",
            ),
            (
                "crossover_hz",
                "uncertainty = NULL",
                "`uncertainty`, `chain` or `at_least` is not what was recorded",
            ),
            ("crossover_hz", "chain = 0", "`uncertainty`, `chain` or `at_least` is not what was recorded"),
            (
                "gain_margin_db",
                "at_least = 0",
                "`uncertainty`, `chain` or `at_least` is not what was recorded",
            ),
        ] {
            run_sql(&address, &format!("UPDATE value SET {set} WHERE {}", row(b, CORNER, quantity)));
            assert_eq!(problems(&address), [format!("record {b}, {CORNER} {quantity}: {told}")]);
            run_sql(&address, "DELETE FROM value; INSERT INTO value SELECT * FROM saved");
        }
        assert_eq!(problems(&address), [""; 0]);
    }
}

#[test]
fn values_that_change_places_are_told() {
    for (Place { address, .. }, [a, b, _]) in three("swapped_values") {
        // Two records' numbers, equal before: told by nothing but the digest that came along.
        let margin = |id| format!("(SELECT digest FROM value WHERE {})", row(id, CORNER, "phase_margin_deg"));
        run_sql(
            &address,
            &format!(
                "CREATE TABLE saved AS SELECT {} AS a, {} AS b; \
                 UPDATE value SET digest = (SELECT b FROM saved) WHERE {}; \
                 UPDATE value SET digest = (SELECT a FROM saved) WHERE {}; DROP TABLE saved",
                margin(a),
                margin(b),
                row(a, CORNER, "phase_margin_deg"),
                row(b, CORNER, "phase_margin_deg")
            ),
        );
        let told = problems(&address);
        assert_eq!(told.len(), 2, "{told:?}");
        for id in [a, b] {
            assert!(
                told.iter().any(|t| t.starts_with(&format!("record {id}, {CORNER} phase_margin_deg: "))),
                "{told:?}"
            );
        }
    }
    for (Place { address, .. }, [_, b, _]) in three("swapped_series") {
        // Whole rows of two corners of one record.
        let series = |corner| {
            format!("(SELECT id FROM series WHERE corner = '{corner}' AND quantity = 'delay_margin_s')")
        };
        let [one, other] = [series(CORNER), series("24V-3A")];
        run_sql(
            &address,
            &format!(
                "CREATE TABLE saved AS SELECT * FROM value WHERE record_id = {b} AND series_id IN ({one}, {other}); \
                 DELETE FROM value WHERE record_id = {b} AND series_id IN ({one}, {other}); \
                 INSERT INTO value SELECT {one} + {other} - series_id, record_id, value, uncertainty, chain, at_least, \
                 digest FROM saved; DROP TABLE saved"
            ),
        );
        let told = problems(&address);
        assert!(
            told.iter().any(|t| t.starts_with(&format!("record {b}, {CORNER} delay_margin_s: "))),
            "{told:?}"
        );
        assert!(
            told.iter().any(|t| t.starts_with(&format!("record {b}, 24V-3A delay_margin_s: "))),
            "{told:?}"
        );
    }
}

#[test]
fn a_deleted_value_is_told_by_name() {
    for (Place { address, .. }, [a, b, c]) in three("deleted_values") {
        let gone = [(a, "gain@120Hz"), (b, "phase_margin_deg"), (b, "crossover_hz")];
        for (id, quantity) in gone {
            run_sql(&address, &format!("DELETE FROM value WHERE {}", row(id, CORNER, quantity)));
        }
        assert_eq!(
            problems(&address),
            [
                format!("record {a}, {CORNER}: 5 of 6 values are there; gone: gain@120Hz"),
                format!(
                    "record {b}, {CORNER}: 4 of 6 values are there; gone: crossover_hz, phase_margin_deg"
                ),
                "60 values are there, 63 were recorded".to_owned(),
            ]
        );
        // What stands in for it was not recorded either; without the result nobody knows which one is gone.
        run_sql(&address, &format!("DELETE FROM result WHERE record_id = {a}"));
        run_sql(
            &address,
            &format!(
                "INSERT INTO value (series_id, record_id, value, at_least) SELECT id, {a}, 41.25, 0 FROM series \
                 WHERE corner = '24V-3A' AND quantity = 'gain@120Hz'; \
                 INSERT INTO value (series_id, record_id, value, at_least) SELECT id, {a}, 41.25, 0 FROM series \
                 WHERE corner = '{CORNER}' AND quantity = 'gain@120Hz'"
            ),
        );
        let told = problems(&address);
        let added =
            format!("record {a}, {CORNER} gain@120Hz: 41.25 dB is there, and was not recorded with it");
        assert!(
            told.contains(&added) && !told.iter().any(|t| t.contains(&format!("record {c}"))),
            "{told:?}"
        );
    }
}

#[test]
fn a_value_deleted_and_another_put_in_are_both_told() {
    for (Place { address, .. }, [a, b, _]) in three("moved_values") {
        // The number of all values stays what it was.
        run_sql(
            &address,
            &format!(
                "DELETE FROM value WHERE {}; INSERT INTO series (product, corner, quantity, unit) \
                 VALUES ('river-gauge-5v', '{CORNER}', 'gain@1kHz', 'dB'); \
                 INSERT INTO value (series_id, record_id, value, at_least) \
                 SELECT id, {b}, 3.5, 0 FROM series WHERE quantity = 'gain@1kHz'",
                row(a, CORNER, "gain@120Hz")
            ),
        );
        assert_eq!(
            problems(&address),
            [
                format!("record {b}, {CORNER} gain@1kHz: 3.5 dB is there, and was not recorded with it"),
                format!("record {a}, {CORNER}: 5 of 6 values are there; gone: gain@120Hz"),
                format!("record {b}, {CORNER}: 7 of 6 values are there"),
            ]
        );
    }
}

#[test]
fn changed_labels_corners_and_results_are_told() {
    for (Place { address, .. }, [a, b, c]) in three("changed_records") {
        let record =
            |id| format!("record {id}: its labels, times, verdict or spec are not what was recorded");
        for (table, column, other, id) in [
            ("record", "build", "'2026-W15'", b),
            ("record", "serial", "'A'", b),
            ("record", "firmware", "NULL", b),
            ("record", "taken_us", "1775121300000001", c),
            ("record", "is_reference", "1", c),
            ("record", "verdict", "'fail'", a),
            ("record", "recorded", "'2026-04-03T08:00:01Z'", a),
        ] {
            run_sql(
                &address,
                &format!("CREATE TABLE saved AS SELECT {column} AS x FROM {table} WHERE id = {id}"),
            );
            run_sql(&address, &format!("UPDATE {table} SET {column} = {other} WHERE id = {id}"));
            assert_eq!(problems(&address), [record(id)], "{column}");
            run_sql(
                &address,
                &format!(
                    "UPDATE {table} SET {column} = (SELECT x FROM saved) WHERE id = {id}; DROP TABLE saved"
                ),
            );
        }
        for (column, other) in [("verdict", "'pass'"), ("level", "'-29 dBm'")] {
            run_sql(
                &address,
                &format!(
                    "CREATE TABLE saved AS SELECT {column} AS x FROM corner WHERE record_id = {a} AND corner = '32V-3A'; \
                     UPDATE corner SET {column} = {other} WHERE record_id = {a} AND corner = '32V-3A'"
                ),
            );
            let told = "its verdict, level, conditions or number of values is not what was recorded";
            assert_eq!(problems(&address), [format!("record {a}, 32V-3A: {told}")]);
            run_sql(
                &address,
                &format!(
                    "UPDATE corner SET {column} = (SELECT x FROM saved) WHERE record_id = {a} AND corner = '32V-3A'; \
                     DROP TABLE saved"
                ),
            );
        }
        assert_eq!(problems(&address), [""; 0]);
        run_sql(
            &address,
            &format!(
                "UPDATE result SET json = (SELECT json FROM result WHERE record_id = {a}) WHERE record_id = {c}"
            ),
        );
        assert_eq!(
            problems(&address),
            [format!("the result of record {c} is not the one that was recorded")]
        );
    }
}

#[test]
fn a_changed_check_is_told_with_its_place() {
    for (Place { address, .. }, [a, b, _]) in three("changed_checks") {
        run_sql(&address, "CREATE TABLE saved AS SELECT * FROM checked");
        let all = problems(&address);
        assert_eq!(all, [""; 0]);
        let of = format!("record_id = {b} AND corner = '{CORNER}' AND check_name = 'phase_margin'");
        for set in [
            "verdict = 'fail'",
            "limit_min = 40.0",
            "limit_max = 90.0",
            "value = 51.0",
            "quantity = NULL",
            "position = 99",
        ] {
            run_sql(&address, &format!("UPDATE checked SET {set} WHERE {of}"));
            let told = format!("record {b}, {CORNER} phase_margin: the check is not what was recorded");
            assert_eq!(problems(&address), [told], "{set}");
            run_sql(&address, "DELETE FROM checked; INSERT INTO checked SELECT * FROM saved");
        }
        run_sql(&address, &format!("DELETE FROM checked WHERE {of}"));
        assert_eq!(problems(&address), [format!("record {b}, {CORNER}: 9 of 10 checks are there")]);
        run_sql(&address, "DELETE FROM checked; INSERT INTO checked SELECT * FROM saved");
        run_sql(&address, &format!("UPDATE checked SET limit_max = 1e31 WHERE {of}"));
        let told = problems(&address).concat();
        assert!(
            told.contains("phase_margin: column `limit_max` of table `checked` holds 1e31 deg"),
            "{told}"
        );
        run_sql(&address, "DELETE FROM checked; INSERT INTO checked SELECT * FROM saved");
        for set in ["conditions = '{}'", "conditions = NULL", "checks = NULL, conditions = NULL"] {
            run_sql(
                &address,
                &format!("UPDATE corner SET {set} WHERE record_id = {a} AND corner = '{CORNER}'"),
            );
            let told = problems(&address).concat();
            assert!(
                told.contains(&format!("record {a}, {CORNER}: its verdict, level, conditions")),
                "{told}"
            );
        }
    }
}

#[test]
fn a_mark_is_no_change() {
    for (Place { address, .. }, [_, b, _]) in three("marked_unchanged") {
        let mut history = History::open_to_mark(&address).unwrap();
        history.mark(&[b], "probe was broken", crate::bench::now()).unwrap();
        assert_eq!(problems(&address), [""; 0]);
        history.unmark(&[b], "it was not", crate::bench::now()).unwrap();
        assert_eq!(problems(&address), [""; 0]);
    }
}

#[test]
fn many_changes_are_counted() {
    for (Place { address, .. }, [_, b, _]) in three("many_changes") {
        run_sql(&address, &format!("UPDATE value SET value = value / 2 WHERE record_id = {b}"));
        let told = problems(&address);
        assert_eq!(told.len(), 11, "{told:?}");
        assert_eq!(told[10], "11 more values are not what was recorded");
    }
}

/// The tables as version 1 made them, with the same records in them.
#[test]
fn records_of_an_earlier_version_are_said_to_have_no_digests() {
    for (Place { address, .. }, ids) in three("without_digests") {
        let drop = ["record", "result", "corner", "value"]
            .map(|table| format!("ALTER TABLE {table} DROP COLUMN digest; "))
            .concat();
        let bench = ["title", "operator", "instrument", "calibrated_until", "injection", "notes"]
            .map(|column| format!("ALTER TABLE record DROP COLUMN {column}; "))
            .concat();
        let views = ["latest_margins", "margins", "corners", "verdicts", "conditions", "movements"]
            .map(|view| format!("DROP VIEW {view}; "))
            .concat();
        run_sql(
            &address,
            &format!(
                "{views} DROP TABLE checked; DROP TABLE movement; ALTER TABLE corner DROP COLUMN conditions; ALTER TABLE corner DROP COLUMN checks; \
                 {drop} {bench} DELETE FROM meta WHERE key = 'views'; UPDATE meta SET value = '1' WHERE key = 'version'"
            ),
        );
        let sound =
            CheckReport { records: 3, corners: 18, values: 63, without_digests: 3, ..CheckReport::default() };
        let check = || History::open_to_read(&address).unwrap().check().unwrap();
        assert_eq!(check(), sound);
        // A record of this version beside them has digests; they have none still.
        let new = record(&mut History::open_to_record(&address).unwrap(), &run("D")).unwrap();
        assert_eq!(check(), CheckReport { records: 4, corners: 24, values: 84, ..sound });
        for id in [ids[0], new] {
            let row = row(id, CORNER, "phase_margin_deg");
            run_sql(&address, &format!("UPDATE value SET value = 54.2 WHERE {row}"));
        }
        let told =
            format!("record {new}, {CORNER} phase_margin_deg: 54.2 deg is there, 54.1 deg was recorded");
        assert_eq!(check().problems, [told]);
    }
}
