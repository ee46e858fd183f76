//! Views for people, as the manual tells them.

use crate::bench::{Place, now, places, postgres, record, run, sqlite};
use crate::opening::{history_of_version_1, run_sql};
use loopgauge::history::{Address, History};
use rusqlite::types::ValueRef;

/// A row per answer, every cell as text, nothing as an empty one, what is true or false as 1 or 0.
pub fn ask(address: &Address, sql: &str) -> Vec<Vec<String>> {
    match address {
        Address::File(path) => {
            let connection = rusqlite::Connection::open(path).unwrap();
            let mut statement = connection.prepare(sql).unwrap();
            let columns = statement.column_count();
            let row = |row: &rusqlite::Row<'_>| {
                let cell = |index| match row.get_ref(index).unwrap() {
                    ValueRef::Null => String::new(),
                    ValueRef::Integer(number) => number.to_string(),
                    ValueRef::Real(number) => number.to_string(),
                    ValueRef::Text(text) => String::from_utf8(text.to_vec()).unwrap(),
                    ValueRef::Blob(_) => panic!("bytes"),
                };
                Ok((0..columns).map(cell).collect())
            };
            statement.query_map([], row).unwrap().map(Result::unwrap).collect()
        }
        Address::Postgres(server) => ask_as(server.in_full(), sql).unwrap(),
    }
}

fn ask_as(url: &str, sql: &str) -> Result<Vec<Vec<String>>, ::postgres::Error> {
    let mut client = ::postgres::Client::connect(url, ::postgres::NoTls).unwrap();
    // Of the role's own path nothing is taken away.
    let path = if url.contains("dashboards@") { "" } else { "SET search_path TO loopgauge; " };
    let cell = |text: Option<&str>| match text {
        Some("t") => "1".to_owned(),
        Some("f") => "0".to_owned(),
        text => text.unwrap_or_default().to_owned(),
    };
    let messages = client.simple_query(&format!("{path}{sql}"))?;
    let rows = messages.iter().filter_map(|message| match message {
        ::postgres::SimpleQueryMessage::Row(row) => Some((0..row.len()).map(|i| cell(row.get(i))).collect()),
        _ => None,
    });
    Ok(rows.collect())
}

/// Records of A, of B, which is marked, and of A again.
fn filled(address: &Address) -> [i64; 3] {
    let mut history = History::open_to_record(address).unwrap();
    let ids = ["A", "B", "A"].map(|serial| record(&mut history, &run(serial)).unwrap());
    history.mark(&ids[1..2], "probe was broken", now()).unwrap();
    ids.map(|id| id.0)
}

#[test]
fn margins_stand_beside_their_limits_and_verdicts() {
    for Place { address, .. } in places("view_margins") {
        let [first, marked, again] = filled(&address);
        let sql = format!(
            "SELECT product, serial, revision, firmware, build, station, is_reference, is_marked, run_verdict, corner_verdict, \
             unit, value, uncertainty, is_lower_bound, limit_min, limit_max, check_name, check_verdict \
             FROM margins WHERE record = {marked} AND corner = '10V-0.5A' AND quantity "
        );
        let labels = "river-gauge-5v B C 2.3.1 2026-W14 bench-3 0 1 invalid pass";
        for (quantity, want) in [
            ("crossover_hz", "Hz 9310.4 120 0 8000 30000 crossover pass"),
            ("phase_margin_deg", "deg 54.1 0.7 0 50  phase_margin pass"),
            ("gain_margin_db", "dB 12.6 0.2 1 10  gain_margin pass"),
            ("gain@120Hz", "dB 41.25 0.25 0 30  gain@120Hz pass"),
            // Without a limit, no check.
            ("stability_margin", " 0.69 0.01 0    "),
        ] {
            let rows = ask(&address, &format!("{sql} = '{quantity}'"));
            assert_eq!(rows.len(), 1, "{quantity}");
            assert_eq!(rows[0].join(" "), format!("{labels} {want}"), "{quantity}");
        }
        let slack = |quantity: &str| -> f64 {
            let sql = format!(
                "SELECT slack FROM margins WHERE record = {first} AND corner = '10V-0.5A' AND quantity = '{quantity}'"
            );
            ask(&address, &sql)[0][0].parse().unwrap()
        };
        assert!(
            (slack("crossover_hz") - 1310.4).abs() < 1e-9 && (slack("phase_margin_deg") - 4.1).abs() < 1e-9
        );
        let count = |sql: &str| ask(&address, sql).concat();
        assert_eq!(count("SELECT COUNT(*) FROM margins"), ["63"]);
        // The run recorded again counts once, the marked one not at all.
        assert_eq!(count("SELECT COUNT(*), MIN(record), MAX(record) FROM latest_margins"), {
            ["21".to_owned(), again.to_string(), again.to_string()]
        });
    }
}

#[test]
fn corners_have_a_column_per_quantity_with_its_unit() {
    for Place { address, .. } in places("view_corners") {
        let [first, ..] = filled(&address);
        let sql = format!(
            "SELECT corner_verdict, level, crossover_hz, crossover_uncertainty_hz, phase_margin_deg, \
             phase_margin_uncertainty_deg, gain_margin_db, gain_margin_uncertainty_db, gain_reduction_margin_db, \
             stability_margin, stability_margin_uncertainty, delay_margin_s, gain_margin_is_lower_bound, \
             conditions ->> 'input', conditions ->> 'load' FROM corners WHERE record = {first} AND corner = "
        );
        let row = ask(&address, &format!("{sql} '10V-0.5A'")).concat().join("|");
        let want = "pass|-26 dBm|9310.4|120|54.1|0.7|12.6|0.2||0.69|0.01|1.6142e-05|1|10 V|0.5 A";
        assert_eq!(row.replace("0.000016142", "1.6142e-05"), want);
        let missing = ask(&address, &format!("{sql} '32V-0.5A'")).concat().join("|");
        assert!(missing.starts_with("missing||||"), "{missing}");
        let rows = ask(
            &address,
            &format!(
                "SELECT condition_name, condition_value FROM conditions WHERE record = {first} AND corner = '24V-3A' ORDER BY 1"
            ),
        );
        assert_eq!(rows, [["input", "24 V"], ["load", "3 A"]]);
    }
}

#[test]
fn every_check_has_its_verdict() {
    for Place { address, .. } in places("view_verdicts") {
        let [first, ..] = filled(&address);
        let run = run("A");
        let all = ask(
            &address,
            &format!(
                "SELECT corner, check_name, check_verdict FROM verdicts WHERE record = {first} ORDER BY corner, position"
            ),
        );
        let mut corners = run.corners.clone();
        corners.sort_by(|a, b| a.corner.cmp(&b.corner));
        let want: Vec<Vec<String>> = corners
            .iter()
            .flat_map(|corner| {
                let row = |check: &loopgauge::check::CheckOutcome| {
                    vec![corner.corner.clone(), check.check.clone(), check.verdict.word().to_owned()]
                };
                corner.checks.iter().map(row)
            })
            .collect();
        assert_eq!(all, want);
        let sql = "SELECT value, uncertainty, unit, limit_min, limit_max, slack, message FROM verdicts \
                   WHERE corner = '24V-3A' AND check_name = 'phase_margin' AND check_verdict = 'fail'";
        let rows = ask(&address, sql);
        assert_eq!(rows.len(), 3);
        let slack: f64 = rows[0][5].parse().unwrap();
        assert!((slack + 5.9).abs() < 1e-9);
        assert_eq!(rows[0][..5].join(" "), "44.1 0.7 deg 50 ");
        assert!(rows[0][6].starts_with("phase margin"), "{:?}", rows[0]);
    }
}

/// 2026-04-02T09:15:00Z and 2026-04-03T08:00:00Z; written by hand: 20 545 and 20 546 days since 1970-01-01.
#[test]
fn times_are_instants_in_utc() {
    let seconds =
        [20_545 * 86_400 + 9 * 3600 + 15 * 60, 20_546 * 86_400 + 8 * 3600].map(|s: i64| s.to_string());
    for Place { address, .. } in places("view_times") {
        filled(&address);
        let columns = match address {
            Address::File(_) => "strftime('%s', taken_at), strftime('%s', recorded_at)",
            Address::Postgres(_) => {
                "EXTRACT(epoch FROM taken_at)::BIGINT, EXTRACT(epoch FROM recorded_at)::BIGINT"
            }
        };
        let rows = ask(&address, &format!("SELECT DISTINCT {columns} FROM corners"));
        assert_eq!(rows, std::slice::from_ref(&seconds));
        let types = match address {
            Address::File(_) => {
                "SELECT DISTINCT taken_at, typeof(is_marked), typeof(conditions) FROM margins"
            }
            Address::Postgres(_) => {
                "SELECT DISTINCT pg_typeof(taken_at), pg_typeof(is_marked), pg_typeof(conditions) FROM margins"
            }
        };
        let want = match address {
            Address::File(_) => "2026-04-02T09:15:00.000Z integer text",
            Address::Postgres(_) => "timestamp with time zone boolean jsonb",
        };
        assert_eq!(ask(&address, types).concat().join(" "), want);
    }
}

/// The manual's blocks of SQL, the readers' grants left out.
fn queries() -> Vec<&'static str> {
    let text = loopgauge::manual::chapter("sql").unwrap().text;
    let blocks = text.split("```sql\n").skip(1).map(|block| block.split("```").next().unwrap());
    blocks.collect()
}

#[test]
fn the_dashboard_queries_of_the_manual_run() {
    for Place { address, .. } in places("view_dashboard") {
        filled(&address);
        let [worst, over_input, costly, _] = queries().try_into().unwrap();
        let rows = ask(&address, worst);
        let row = rows.iter().find(|row| row[1] == "10V-0.5A" && row[3] == "phase_margin_deg").unwrap();
        assert_eq!(row[..6].join(" "), "river-gauge-5v 10V-0.5A 2026-W14 phase_margin_deg deg 1");
        assert!((row[6].parse::<f64>().unwrap() - 4.1).abs() < 1e-9 && row[7] == "0", "{row:?}");
        let failed: Vec<_> = rows.iter().filter(|row| row[7] != "0").collect();
        assert_eq!(failed.len(), 1);
        assert_eq!(failed[0][1..4].join(" "), "24V-3A 2026-W14 phase_margin_deg");
        let inputs = ask(&address, over_input);
        assert!(inputs.iter().any(|row| row.join(" ") == "24 V 2 54.1"), "{inputs:?}");
        let checks = ask(&address, costly);
        assert!(checks.contains(&["phase_margin", "fail", "2"].map(str::to_owned).to_vec()), "{checks:?}");
    }
}

#[test]
fn a_reader_reads_the_views_and_writes_nothing() {
    let Some(Place { address, .. }) = postgres("view_reader") else { return };
    filled(&address);
    let Address::Postgres(server) = &address else { panic!("a server is wanted") };
    run_sql(&address, "DROP ROLE IF EXISTS dashboards");
    let queries = queries();
    run_sql(&address, queries[3]);
    let reader = server.in_full().replacen("postgres@", "dashboards@", 1);
    let reads = || {
        for sql in &queries[..3] {
            assert!(!ask_as(&reader, sql).unwrap().is_empty());
        }
        for view in ["margins", "latest_margins", "corners", "verdicts", "conditions"] {
            let rows = ask_as(&reader, &format!("SELECT COUNT(*) FROM {view}")).unwrap();
            assert!(rows[0][0].parse::<u32>().unwrap() > 0, "{view}");
        }
    };
    reads();
    for sql in [
        "SELECT 1 FROM loopgauge.record",
        "UPDATE loopgauge.record SET verdict = 'pass'",
        "DELETE FROM loopgauge.value",
        "INSERT INTO loopgauge.meta VALUES ('x', 'y')",
        "TRUNCATE loopgauge.checked",
        "UPDATE loopgauge.conditions SET condition_value = '1 V'",
        "UPDATE loopgauge.corners SET level = '0 dBm'",
        "DELETE FROM loopgauge.verdicts",
        "CREATE TABLE loopgauge.mine (x INT)",
        "DROP VIEW loopgauge.margins",
    ] {
        let error = ask_as(&reader, sql).expect_err(sql);
        let code = error.code().unwrap().code();
        // 42501: insufficient privilege; 55000: a view that takes no rows (PostgreSQL, appendix A, from memory).
        assert!(code == "42501" || code == "55000", "{sql}: {error}");
    }
    // Grants, and what was built upon a view, outlive a new definition.
    let number = "SELECT value FROM meta WHERE key = 'views'";
    let known = ask(&address, number);
    run_sql(
        &address,
        "CREATE VIEW weekly AS SELECT record, value FROM margins; DELETE FROM meta WHERE key = 'views'",
    );
    drop(History::open_to_record(&address).unwrap());
    assert_eq!(ask(&address, number), known);
    assert_eq!(known.len(), 1);
    assert_eq!(ask(&address, "SELECT COUNT(*) FROM weekly"), [["63"]]);
    reads();
}

#[test]
fn a_view_of_an_earlier_definition_is_made_anew() {
    for Place { address, .. } in places("view_anew") {
        filled(&address);
        let drop_views = "DROP VIEW latest_margins; DROP VIEW margins; DELETE FROM meta WHERE key = 'views'";
        run_sql(&address, drop_views);
        drop(History::open_to_record(&address).unwrap());
        assert_eq!(ask(&address, "SELECT COUNT(*) FROM latest_margins"), [["21"]]);
    }
    let Place { address, folder: _folder } = sqlite();
    filled(&address);
    run_sql(
        &address,
        "DROP VIEW corners; CREATE VIEW corners AS SELECT 1; DELETE FROM meta WHERE key = 'views'",
    );
    drop(History::open_to_record(&address).unwrap());
    assert_eq!(ask(&address, "SELECT COUNT(phase_margin_deg) FROM corners"), [["12"]]);
}

/// A table of somebody else's under the name of a view.
#[test]
fn no_record_is_lost_for_a_view_that_cannot_be_made() {
    for Place { address, .. } in places("view_taken") {
        filled(&address);
        run_sql(
            &address,
            "DROP VIEW conditions; CREATE TABLE conditions (x BIGINT); DELETE FROM meta WHERE key = 'views'",
        );
        record(&mut History::open_to_record(&address).unwrap(), &run("D")).unwrap();
        let report = History::open_to_read(&address).unwrap().check().unwrap();
        assert_eq!((report.records, report.problems), (4, Vec::new()));
    }
}

/// A role that may write rows and make nothing, as the manual says.
#[test]
fn a_station_that_may_make_no_views_records_all_the_same() {
    let Some(Place { address, folder: _folder }) = postgres("view_station") else { return };
    filled(&address);
    run_sql(
        &address,
        "DROP ROLE IF EXISTS stations; CREATE ROLE stations LOGIN; GRANT USAGE ON SCHEMA loopgauge TO stations; \
         GRANT SELECT, INSERT, UPDATE ON ALL TABLES IN SCHEMA loopgauge TO stations; \
         DELETE FROM meta WHERE key = 'views'",
    );
    let Address::Postgres(server) = &address else { panic!("a server is wanted") };
    let url = server.in_full().replacen("postgres@", "stations@", 1);
    let station = Address::parse(std::ffi::OsStr::new(&url)).unwrap();
    record(&mut History::open_to_record(&station).unwrap(), &run("D")).unwrap();
    assert_eq!(ask(&address, "SELECT COUNT(*) FROM margins"), [["84"]]);
    assert!(ask(&address, "SELECT value FROM meta WHERE key = 'views'").is_empty());
}

#[test]
fn records_of_an_earlier_version_are_in_the_views_without_what_they_lack() {
    let Place { address, folder: _folder } = history_of_version_1();
    let mut csv = Vec::new();
    History::open_to_read(&address).unwrap().export_csv(&mut csv).unwrap();
    record(&mut History::open_to_record(&address).unwrap(), &run("RG-00044")).unwrap();
    let sql = "SELECT COUNT(*), COUNT(value), COUNT(taken_at), COUNT(limit_min), COUNT(check_verdict), \
               COUNT(conditions) FROM margins WHERE serial";
    assert_eq!(ask(&address, &format!("{sql} <> 'RG-00044'")), [["42", "42", "42", "0", "0", "0"]]);
    let new = ask(&address, &format!("{sql} = 'RG-00044'")).concat();
    assert_eq!((new[0].as_str(), new[5].as_str()), ("21", "21"));
    assert!(new[4].parse::<u32>().unwrap() > 10, "{new:?}");
    assert_eq!(ask(&address, "SELECT DISTINCT serial FROM verdicts"), [["RG-00044"]]);
    // Their export has the same rows before and after.
    let mut after = Vec::new();
    History::open_to_read(&address).unwrap().export_csv(&mut after).unwrap();
    let (before, after) = (String::from_utf8(csv).unwrap(), String::from_utf8(after).unwrap());
    for line in before.lines() {
        assert!(after.contains(line), "{line}");
    }
}
