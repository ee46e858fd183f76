//! What goes in comes out, the same from both databases.

use crate::bench::{DRIFT, Place, TAKEN_US, now, places, record, run};
use loopgauge::check::Verdict;
use loopgauge::history::{Filter, History, HistoryErrorKind, RecordId};
use loopgauge::provenance::sha256;

fn heads(history: &mut History, product: &str) -> Vec<(String, Verdict)> {
    let mut heads = Vec::new();
    history.records(product, &mut |head| heads.push((head.serial, head.verdict))).unwrap();
    heads
}

#[test]
fn a_run_comes_back() {
    for Place { address, .. } in places("round") {
        let run = run("RG-00042");
        let id = record(&mut History::open_to_record(&address).unwrap(), &run).unwrap();
        let mut history = History::open_to_read(&address).unwrap();
        assert_eq!(history.products().unwrap(), ["river-gauge-5v"]);
        let mut found = Vec::new();
        history.records("river-gauge-5v", &mut |head| found.push(head)).unwrap();
        let [head] = found.as_slice() else { panic!("{found:?}") };
        assert_eq!((head.id, head.serial.as_str(), head.revision.as_str()), (id, "RG-00042", "C"));
        assert_eq!((head.firmware.as_deref(), head.build.as_deref()), (Some("2.3.1"), Some("2026-W14")));
        assert_eq!(
            (head.taken.as_deref(), head.taken_us),
            (Some("2026-04-02T11:15:00+02:00"), Some(TAKEN_US))
        );
        assert_eq!((head.station.as_deref(), head.is_reference), (Some("bench-3"), false));
        assert_eq!(
            (head.run.as_str(), head.verdict, head.removed.as_deref()),
            ("runs/RG-00042", run.verdict, None)
        );
        assert_eq!((head.recorded.as_str(), head.tool.as_str()), ("2026-04-03T08:00:00Z", "loopgauge 0.1.0"));
        let provenance = run.provenance.as_ref().unwrap();
        assert_eq!(head.spec_sha256, &*provenance.spec.sha256);
        assert_eq!(history.spec_text(id).unwrap().as_deref(), Some(&*provenance.spec.text));
        let json = String::from_utf8(loopgauge::report::run_json(&run).unwrap()).unwrap();
        assert_eq!(history.result(id).unwrap(), Some(json));
        assert_eq!(history.result(RecordId(id.0 + 1)).unwrap(), None);
    }
}

#[test]
fn values_and_settings_come_back() {
    for Place { address, .. } in places("settings") {
        record(&mut History::open_to_record(&address).unwrap(), &run("RG-00042")).unwrap();
        let mut history = History::open_to_read(&address).unwrap();
        let mut values = Vec::new();
        history
            .values("river-gauge-5v", &mut |row| {
                values.push((
                    row.series.corner.clone(),
                    row.series.quantity.clone(),
                    row.series.unit.clone(),
                    row.value,
                    row.uncertainty,
                    row.chain,
                    row.at_least,
                ));
            })
            .unwrap();
        values.sort_by(|a, b| (&a.0, &a.1).cmp(&(&b.0, &b.1)));
        // Four corners with five quantities, and a gain limit; the invalid and the missing corner give nothing.
        assert_eq!(values.len(), 4 * 5 + 1, "{values:?}");
        let first: Vec<_> = values
            .iter()
            .filter(|v| v.0 == "10V-0.5A")
            .map(|v| (v.1.as_str(), v.2.as_str(), v.3, v.4, v.5, v.6))
            .collect();
        assert_eq!(
            first,
            [
                ("crossover_hz", "Hz", 9310.4, Some(120.0), Some(13.0), false),
                ("delay_margin_s", "s", 1.6142e-5, Some(2.2e-7), None, false),
                ("gain@120Hz", "dB", 41.25, Some(0.25), None, false),
                ("gain_margin_db", "dB", 12.6, Some(0.2), None, true),
                ("phase_margin_deg", "deg", 54.1, Some(0.7), None, false),
                ("stability_margin", "", 0.69, Some(0.01), None, false),
            ]
        );
        let settings = history.newest_settings("river-gauge-5v").unwrap().unwrap();
        assert_eq!((settings.coverage, settings.drift), (2.0, Some(DRIFT)));
        let limit =
            settings.limits.iter().find(|l| l.corner == "10V-0.5A" && l.quantity == "crossover_hz").unwrap();
        assert_eq!((limit.unit.as_str(), limit.min, limit.max), ("Hz", Some(8e3), Some(30e3)));
        assert!(settings.limits.iter().all(|limit| limit.quantity != "crossings"));
        assert_eq!(history.newest_settings("river-gauge-3v3").unwrap(), None);
    }
}

/// Digests of FIPS 180-4 go in as text and lie there as bytes.
#[test]
fn everything_lies_in_its_table() {
    let place = crate::bench::sqlite();
    record(&mut History::open_to_record(&place.address).unwrap(), &run("RG-00042")).unwrap();
    let connection = rusqlite::Connection::open(place.folder.path().join("history.db")).unwrap();
    let text = |sql: &str| connection.query_row(sql, [], |row| row.get::<_, String>(0)).unwrap();
    assert_eq!(text("SELECT lower(hex(sha256)) FROM file WHERE file = '24v-3a.csv'"), sha256(b"RG-00042"));
    assert_eq!(text("SELECT verdict FROM corner WHERE corner = '32V-0.5A'"), "missing");
    assert_eq!(text("SELECT level FROM corner WHERE corner = '24V-3A'"), "-26 dBm");
    assert_eq!(
        text("SELECT group_concat(check_name, ' ') FROM (SELECT check_name FROM problem ORDER BY 1)"),
        "collected crossover gain_margin linearity phase_margin"
    );
}

#[test]
fn recording_again_adds_and_specs_are_kept_once() {
    for Place { address, .. } in places("again") {
        let mut history = History::open_to_record(&address).unwrap();
        let ids: Vec<_> = (0..3).map(|_| record(&mut history, &run("RG-00042")).unwrap()).collect();
        assert!(ids.is_sorted() && ids[0] < ids[2]);
        let mut strict = run("RG-00043");
        strict.coverage = 3.0;
        record(&mut history, &strict).unwrap();
        drop(history);
        let mut history = History::open_to_read(&address).unwrap();
        assert_eq!(heads(&mut history, "river-gauge-5v").len(), 4);
        assert_eq!(history.newest_settings("river-gauge-5v").unwrap().unwrap().coverage, 3.0);
        let report = history.check().unwrap();
        assert_eq!((report.records, report.corners, report.values, report.marked), (4, 24, 84, 0));
        assert_eq!(report.problems, [""; 0]);
    }
}

#[test]
fn a_unit_tested_until_it_passes_shows() {
    for Place { address, .. } in places("retest") {
        let mut history = History::open_to_record(&address).unwrap();
        for verdict in [Verdict::Fail, Verdict::Undecided, Verdict::Pass] {
            let again = loopgauge::check::RunOutcome { verdict, ..run("RG-00042") };
            record(&mut history, &again).unwrap();
            record(&mut history, &loopgauge::check::RunOutcome { is_reference: true, ..run("RG-REF") })
                .unwrap();
        }
        record(&mut history, &run("RG-00043")).unwrap();
        let mut units = Vec::new();
        for product in [None, Some("river-gauge-5v"), Some("river-gauge-3v3")] {
            history.retested(product, &mut |unit| units.push(unit)).unwrap();
        }
        assert_eq!(units.len(), 2);
        let verdicts: Vec<_> = units[0].records.iter().map(|head| head.verdict).collect();
        assert_eq!((units[0].serial.as_str(), units[0].product.as_str()), ("RG-00042", "river-gauge-5v"));
        assert_eq!(verdicts, [Verdict::Fail, Verdict::Undecided, Verdict::Pass]);
    }
}

#[test]
fn a_marked_record_stays_and_does_not_count() {
    for Place { address, .. } in places("marks") {
        let mut history = History::open_to_record(&address).unwrap();
        let ids: Vec<_> =
            ["A", "B"].iter().map(|serial| record(&mut history, &run(serial)).unwrap()).collect();
        history.mark(&ids[1..], "probe was broken", now()).unwrap();
        let count = |history: &mut History| {
            let mut values = 0;
            history.values("river-gauge-5v", &mut |_| values += 1).unwrap();
            (heads(history, "river-gauge-5v").len(), values)
        };
        assert_eq!(count(&mut history), (1, 21));
        let mut marked = Vec::new();
        let filter = Filter { is_marked: Some(true), serial: Some("B".to_owned()), ..Filter::default() };
        history.list(&filter, &mut |head| marked.push((head.id, head.reason, head.removed))).unwrap();
        assert_eq!(
            marked,
            [(ids[1], Some("probe was broken".to_owned()), Some("2026-04-03T08:00:00Z".to_owned()))]
        );
        // All or none.
        for (records, reason) in
            [(vec![ids[0], ids[1]], "x"), (vec![ids[0], RecordId(99)], "x"), (vec![ids[0]], " ")]
        {
            let error = history.mark(&records, reason, now()).unwrap_err();
            assert_eq!(error.kind, HistoryErrorKind::Unknown);
        }
        assert_eq!(count(&mut history), (1, 21));
        assert!(history.unmark(&ids, "x", now()).is_err());
        history.unmark(&ids[1..], "the probe was fine", now()).unwrap();
        assert_eq!(count(&mut history), (2, 42));
    }
}

#[test]
fn texts_of_any_kind_come_back() {
    for Place { address, .. } in places("texts") {
        let mut history = History::open_to_record(&address).unwrap();
        let wild = "0042 µΩ\u{202e}'\"; DROP TABLE record; -- \u{1b}[31m 火";
        let mut odd = run(wild);
        odd.taken = Some("1990-12-31T23:59:60Z".to_owned());
        odd.build = Some(String::new());
        record(&mut history, &odd).unwrap();
        let mut found = Vec::new();
        history.records("river-gauge-5v", &mut |head| found.push(head)).unwrap();
        assert_eq!((found[0].serial.as_str(), found[0].build.as_deref()), (wild, Some("")));
        // RFC 3339, section 5.8: the leap second at the end of 1990; it counts as the first second of 1991.
        assert_eq!(found[0].taken_us, Some(662_688_000_000_000));
    }
}

#[test]
fn a_run_without_provenance_is_refused_by_name() {
    let place = crate::bench::sqlite();
    let mut history = History::open_to_record(&place.address).unwrap();
    let bare = loopgauge::check::RunOutcome { provenance: None, ..run("RG-00042") };
    let error = record(&mut history, &bare).unwrap_err();
    assert_eq!(error.kind, HistoryErrorKind::Incomplete);
    assert!(error.to_string().ends_with("the run runs/RG-00042 is not recorded"), "{error}");
}

#[test]
fn a_reader_sees_one_moment() {
    for Place { address, .. } in places("moment") {
        let mut writer = History::open_to_record(&address).unwrap();
        record(&mut writer, &run("A")).unwrap();
        let mut reader = History::open_to_read(&address).unwrap();
        record(&mut writer, &run("B")).unwrap();
        let mut values = 0;
        reader.values("river-gauge-5v", &mut |_| values += 1).unwrap();
        assert_eq!((heads(&mut reader, "river-gauge-5v").len(), values), (1, 21));
    }
}
