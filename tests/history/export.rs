//! The tables for other tools.

use crate::bench::{Place, now, places, record, run};
use loopgauge::history::{Address, History};
#[cfg(feature = "parquet")]
use parquet::file::reader::{FileReader, SerializedFileReader};
#[cfg(feature = "parquet")]
use parquet::record::RowAccessor;

fn filled(address: &Address) -> History {
    let mut history = History::open_to_record(address).unwrap();
    let ids: Vec<_> = ["A", "B"].iter().map(|serial| record(&mut history, &run(serial)).unwrap()).collect();
    history.mark(&ids[1..], "probe, \"broken\"", now()).unwrap();
    history
}

#[test]
fn csv_has_a_row_for_every_quantity() {
    let mut texts = Vec::new();
    for Place { address, .. } in places("csv") {
        let mut bytes = Vec::new();
        filled(&address).export_csv(&mut bytes).unwrap();
        texts.push(String::from_utf8(bytes.clone()).unwrap());
        let mut reader = csv::Reader::from_reader(bytes.as_slice());
        let headers = reader.headers().unwrap().clone();
        let column = |name: &str| headers.iter().position(|header| header == name).unwrap();
        let rows: Vec<csv::StringRecord> = reader.records().map(Result::unwrap).collect();
        // Two records: 21 values, and two corners without any.
        assert_eq!(rows.len(), 2 * (21 + 2));
        let find = |serial: &str, corner: &str, quantity: &str| {
            let wanted = [("serial", serial), ("corner", corner), ("quantity", quantity)];
            rows.iter().find(|row| wanted.iter().all(|(name, text)| &row[column(name)] == *text)).unwrap()
        };
        let row = find("B", "10V-0.5A", "crossover_hz");
        for (name, want) in [
            ("value", "9310.4"),
            ("uncertainty", "120"),
            ("chain", "13"),
            ("min", "8000"),
            ("max", "30000"),
            ("at_least", "false"),
            ("reason", "probe, \"broken\""),
            ("removed", "2026-04-03T08:00:00Z"),
            ("corner_verdict", "pass"),
            ("level", "-26 dBm"),
            ("taken_us", "1775121300000000"),
            ("conditions", "{\"input\":\"10 V\",\"load\":\"0.5 A\"}"),
            ("check", "crossover"),
            ("check_verdict", "pass"),
            ("slack", "1310.3999999999996"),
            ("title", "5 V rail of the river-gauge telemetry board"),
            ("operator", "night shift"),
            ("calibrated_until", "2027-03-31"),
            ("notes", "after rework of the output stage"),
        ] {
            assert_eq!(&row[column(name)], want, "{name}");
        }
        let failed = find("B", "24V-3A", "phase_margin_deg");
        assert_eq!((&failed[column("check")], &failed[column("check_verdict")]), ("phase_margin", "fail"));
        let unlimited = find("B", "10V-0.5A", "stability_margin");
        assert_eq!((&unlimited[column("check_verdict")], &unlimited[column("slack")]), ("", ""));
        let missing = find("A", "32V-0.5A", "");
        assert_eq!(&missing[column("check_verdict")], "");
        assert!(missing[column("conditions")].contains("32 V"), "{missing:?}");
        assert_eq!((&missing[column("corner_verdict")], &missing[column("value")]), ("missing", ""));
    }
    // Both databases give the same bytes.
    assert!(texts.windows(2).all(|pair| pair[0] == pair[1]));
}

#[cfg(feature = "parquet")]
#[test]
fn parquet_holds_the_same_rows() {
    for Place { address, .. } in places("parquet") {
        let mut csv = Vec::new();
        let mut parquet = tempfile::tempfile().unwrap();
        let mut history = filled(&address);
        history.export_csv(&mut csv).unwrap();
        history.export_parquet(&mut parquet).unwrap();
        let mut lines = csv::Reader::from_reader(csv.as_slice());
        let names: Vec<String> = lines.headers().unwrap().iter().map(str::to_owned).collect();
        let lines: Vec<csv::StringRecord> = lines.records().map(Result::unwrap).collect();
        let reader = SerializedFileReader::new(parquet).unwrap();
        let rows: Vec<_> = reader.get_row_iter(None).unwrap().map(Result::unwrap).collect();
        assert_eq!(rows.len(), lines.len());
        let mut instants = 0;
        for (row, line) in rows.iter().zip(&lines) {
            for ((name, field), text) in row.get_column_iter().zip(line) {
                if let parquet::record::Field::TimestampMicros(instant) = field {
                    assert_eq!(Some(*instant), loopgauge::quantity::calendar::micros(text), "{name}");
                    instants += 1;
                    continue;
                }
                let field = match field {
                    parquet::record::Field::Null => String::new(),
                    parquet::record::Field::Str(text) => text.clone(),
                    parquet::record::Field::Double(value) => value.to_string(),
                    other => other.to_string(),
                };
                assert_eq!(field, text, "{name}");
            }
            assert_eq!(row.get_column_iter().map(|(name, _)| name.clone()).collect::<Vec<_>>(), names);
            assert!(row.get_long(0).unwrap() > 0);
        }
        // `taken` and `recorded` of all rows, `removed` of the marked half.
        assert_eq!(instants, rows.len() * 5 / 2);
    }
}

#[cfg(feature = "parquet")]
/// What Apache Arrow's reader makes of the file, where `LOOPGAUGE_TEST_PYTHON` names a Python that has `pyarrow`.
#[test]
fn parquet_is_read_by_another_reader() {
    let Some(python) = std::env::var_os("LOOPGAUGE_TEST_PYTHON") else {
        eprintln!("skipped: LOOPGAUGE_TEST_PYTHON is not set");
        return;
    };
    let Place { address, folder } = crate::bench::sqlite();
    let file = folder.path().join("history.parquet");
    filled(&address).export_parquet(std::fs::File::create(&file).unwrap()).unwrap();
    let script = "
import sys, pyarrow.parquet
table = pyarrow.parquet.read_table(sys.argv[1])
rows = [r for r in table.to_pylist() if r['serial'] == 'B' and r['corner'] == '10V-0.5A' and r['quantity'] == 'crossover_hz']
print(table.num_rows, [(r['value'], r['chain'], r['at_least'], r['min'], r['reason'], r['taken_us']) for r in rows])
print(sum(r['quantity'] is None for r in table.to_pylist()), *(table.schema.field(name).type for name in ('value', 'serial', 'taken', 'at_least')))
";
    let output = std::process::Command::new(python).args(["-c", script]).arg(&file).output().unwrap();
    assert_eq!(
        String::from_utf8_lossy(&output.stdout),
        "46 [(9310.4, 13.0, False, 8000.0, 'probe, \"broken\"', 1775121300000000)]\n4 double string timestamp[us, tz=UTC] bool\n",
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
}
