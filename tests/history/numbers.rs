//! Numbers that no history can have: not recorded, and not read.

use crate::bench::{Place, now, places, record, run};
use crate::opening::run_sql;
use loopgauge::check::RunOutcome;
use loopgauge::history::{Filter, History, HistoryError, HistoryErrorKind, NewRecord, PackedJson, RecordId};
use loopgauge::measurand::Measurand;

/// An infinite number, as each database writes it.
fn infinite(place: &Place) -> &'static str {
    match place.address {
        loopgauge::history::Address::File(_) => "9e999",
        loopgauge::history::Address::Postgres(_) => "'Infinity'",
    }
}

#[test]
fn a_number_that_cannot_be_is_refused_where_it_stands() {
    for place in places("numbers") {
        let Place { address, .. } = &place;
        let mut history = History::open_to_record(address).unwrap();
        let ids: Vec<RecordId> =
            ["A", "B"].iter().map(|serial| record(&mut history, &run(serial)).unwrap()).collect();
        drop(history);
        let (bad, infinite) = (ids[1], infinite(&place));
        let margin =
            "series_id IN (SELECT id FROM series WHERE corner = '24V-3A' AND quantity = 'phase_margin_deg')";
        for (column, number, words) in [
            ("value", infinite, "inf deg, a number from 0 to 180 deg is wanted"),
            ("value", "1e300", "1e300 deg"),
            ("value", "-54.1", "-54.1 deg"),
            ("uncertainty", infinite, "inf deg"),
            ("uncertainty", "-0.5", "-0.5 deg"),
            ("chain", infinite, "inf deg"),
            ("at_least", "7", "7, a whole number from 0 to 1"),
        ] {
            let saved = format!(
                "CREATE TABLE saved AS SELECT {column} AS x FROM value WHERE record_id = {bad} AND {margin}"
            );
            let spoilt = format!("UPDATE value SET {column} = {number} WHERE record_id = {bad} AND {margin}");
            run_sql(address, &format!("{saved}; {spoilt}"));
            let told = refused(&place);
            let wanted = format!(
                "record {bad}, 24V-3A phase_margin_deg: column `{column}` of table `value` holds {words}"
            );
            assert!(told.contains(&wanted), "{told}");
            // Marked it does not count, and the others can be judged.
            let mut marker = History::open_to_mark(address).unwrap();
            marker.mark(&[bad], "damaged", now()).unwrap();
            let mut values = 0;
            let mut history = History::open_to_read(address).unwrap();
            history.values("river-gauge-5v", &mut |_| values += 1).unwrap();
            assert_eq!(values, 21);
            drop(history);
            marker.unmark(&[bad], "mended", now()).unwrap();
            let mended = format!(
                "UPDATE value SET {column} = (SELECT x FROM saved) WHERE record_id = {bad} AND {margin}"
            );
            run_sql(address, &format!("{mended}; DROP TABLE saved"));
            assert_eq!(History::open_to_read(address).unwrap().check().unwrap().problems, [""; 0]);
        }
    }
}

/// What reading the values says; `check` and an export say the same.
fn refused(place: &Place) -> String {
    let open = || History::open_to_read(&place.address).unwrap();
    let error = open().values("river-gauge-5v", &mut |_| ()).unwrap_err();
    assert_eq!(error.kind, HistoryErrorKind::Damaged);
    assert!(error.help.contains("history mark"), "{error:?}");
    let problems = open().check().unwrap().problems;
    assert!(problems.len() == 1 && error.to_string().contains(&problems[0]), "{problems:?} {error}");
    let exported = open().export_csv(std::io::sink()).unwrap_err();
    assert_eq!(exported, error);
    error.to_string()
}

#[test]
fn a_time_and_a_spec_that_cannot_be_are_refused() {
    for Place { address, .. } in places("spec_numbers") {
        let mut history = History::open_to_record(&address).unwrap();
        let id = record(&mut history, &run("A")).unwrap();
        drop(history);
        for (spoil, mend, words) in [
            (
                "UPDATE record SET taken_us = 9223372036854775807".to_owned(),
                "UPDATE record SET taken_us = 1775121300000000",
                format!("record {id}: column `taken_us` of table `record` holds 9223372036854775807"),
            ),
            (
                "UPDATE record SET is_reference = -1".to_owned(),
                "UPDATE record SET is_reference = 0",
                format!("record {id}: column `is_reference` of table `record` holds -1"),
            ),
        ] {
            run_sql(&address, &spoil);
            let error =
                History::open_to_read(&address).unwrap().records("river-gauge-5v", &mut |_| ()).unwrap_err();
            assert!(error.to_string().contains(&words) && error.kind == HistoryErrorKind::Damaged, "{error}");
            let problems = History::open_to_read(&address).unwrap().check().unwrap().problems;
            assert!(problems.len() == 1 && problems[0].contains(&words), "{problems:?}");
            run_sql(&address, mend);
        }
        for (old, new, words) in [
            ("\"coverage\":2.0", "\"coverage\":-2.0", "`coverage` is -2"),
            ("\"coverage\":2.0", "\"coverage\":1e999", "number out of range"),
            ("\"min\":8000.0", "\"min\":1e300", "`min` is 1e300 Hz"),
            ("\"setup\":8", "\"setup\":0", "`setup` is 0"),
        ] {
            run_sql(&address, &format!("UPDATE spec SET settings = replace(settings, '{old}', '{new}')"));
            let error =
                History::open_to_read(&address).unwrap().newest_settings("river-gauge-5v").unwrap_err();
            let wanted = "spec 1: column `settings` of table `spec` holds what cannot be read: ";
            assert!(error.to_string().contains(wanted) && error.to_string().contains(words), "{error}");
            let problems = History::open_to_read(&address).unwrap().check().unwrap().problems;
            assert!(problems.iter().any(|problem| problem.contains(words)), "{problems:?}");
            run_sql(&address, &format!("UPDATE spec SET settings = replace(settings, '{new}', '{old}')"));
        }
        assert_eq!(History::open_to_read(&address).unwrap().check().unwrap().problems, [""; 0]);
    }
}

#[test]
fn a_text_where_a_number_belongs_is_refused() {
    let place = crate::bench::sqlite();
    record(&mut History::open_to_record(&place.address).unwrap(), &run("A")).unwrap();
    run_sql(&place.address, "UPDATE value SET value = 'fine' WHERE value = 41.25");
    let told = refused(&place);
    assert!(
        told.contains("gain@120Hz: column `value` of table `value` holds a text, a number is wanted"),
        "{told}"
    );
}

/// Without a JSON result, which has no such numbers either.
fn record_bare(history: &mut History, run: &RunOutcome) -> Result<RecordId, HistoryError> {
    let tool = "loopgauge 0.1.0";
    history.record(&NewRecord {
        outcome: run,
        json: &PackedJson::of(b"{}"),
        drift: None,
        tool,
        recorded: now(),
    })
}

#[test]
fn a_run_with_such_a_number_is_not_recorded() {
    for Place { address, .. } in places("unrecorded") {
        let mut history = History::open_to_record(&address).unwrap();
        for (value, uncertainty, words) in [
            (f64::NAN, None, "24V-3A crossover_hz: its value is NaN Hz"),
            (f64::INFINITY, None, "its value is inf Hz"),
            (-1.0, None, "its value is -1 Hz, a number from above 0 to 1e12 Hz is wanted"),
            (9e3, Some(f64::NAN), "its uncertainty is NaN Hz"),
        ] {
            let mut odd = run("RG-00042");
            let corner = odd.corners.iter_mut().find(|corner| corner.corner == "24V-3A").unwrap();
            let measured = corner.measured.as_mut().unwrap();
            let own = measured.values.get_mut(Measurand::Crossover).unwrap();
            (own.value, own.uncertainty) = (value, uncertainty);
            let error = record_bare(&mut history, &odd).unwrap_err();
            assert_eq!(error.kind, HistoryErrorKind::Incomplete);
            assert!(
                error.to_string().contains(words) && error.to_string().contains("runs/RG-00042"),
                "{error}"
            );
        }
        let odd = RunOutcome { coverage: f64::NAN, ..run("RG-00043") };
        assert!(
            record_bare(&mut history, &odd).unwrap_err().to_string().contains("its spec: `coverage` is NaN")
        );
        record(&mut history, &run("RG-00044")).unwrap();
        assert_eq!(history.check().unwrap().records, 1);
    }
}

#[test]
fn a_run_that_cannot_be_recorded_keeps_no_other_from_it() {
    for Place { address, .. } in places("together") {
        let mut history = History::open_to_record(&address).unwrap();
        let runs: Vec<RunOutcome> = ["A", "B", "C"]
            .iter()
            .map(|serial| {
                let mut run = run(serial);
                run.provenance = run.provenance.filter(|_| *serial != "B");
                run
            })
            .collect();
        let json = PackedJson::of(b"{}");
        let new = |outcome| NewRecord {
            outcome,
            json: &json,
            drift: None,
            tool: "loopgauge 0.1.0",
            recorded: now(),
        };
        let new: Vec<NewRecord<'_>> = runs.iter().map(new).collect();
        let answers = history.record_all(&new);
        let error = answers[1].as_ref().unwrap_err();
        assert_eq!(
            (error.kind, error.run.as_deref()),
            (HistoryErrorKind::Incomplete, Some(runs[1].run.as_str()))
        );
        let mut found = Vec::new();
        let mut reader = History::open_to_read(&address).unwrap();
        reader.list(&Filter::default(), &mut |head| found.push((head.id, head.serial.clone()))).unwrap();
        found.sort();
        let [Ok(first), _, Ok(last)] = &answers[..] else { panic!("{answers:?}") };
        assert_eq!(found, [(*first, "A".to_owned()), (*last, "C".to_owned())]);
    }
}
