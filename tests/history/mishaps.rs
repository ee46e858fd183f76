//! What happens to a history from outside: its file goes, the clock goes back, the power goes.

use crate::bench::{Place, now, places, record, run, sqlite};
use loopgauge::history::{Filter, History, HistoryErrorKind, NewRecord, PackedJson};
use loopgauge::measurand::Measurand;
use std::fs;

#[test]
#[cfg(unix)]
fn a_history_that_loses_its_name_while_it_is_open_is_told() {
    let gone = |change: &dyn Fn(&std::path::Path)| {
        let Place { address, folder } = sqlite();
        let mut history = History::open_to_record(&address).unwrap();
        record(&mut history, &run("A")).unwrap();
        change(&folder.path().join("history.db"));
        let error = record(&mut history, &run("B")).unwrap_err();
        assert_eq!(error.kind, HistoryErrorKind::Connection);
        assert!(error.to_string().contains("was moved, removed or replaced while it was open"), "{error}");
        assert!(error.to_string().ends_with("the run runs/B is not recorded"), "{error}");
    };
    gone(&|file| fs::remove_file(file).unwrap());
    gone(&|file| fs::rename(file, file.with_extension("old")).unwrap());
    gone(&|file| {
        fs::copy(file, file.with_extension("new")).unwrap();
        fs::rename(file.with_extension("new"), file).unwrap();
    });
}

/// The newest record is the one that was recorded last, whatever the clock said.
#[test]
fn a_clock_set_back_changes_no_order() {
    for Place { address, .. } in places("clock") {
        let mut history = History::open_to_record(&address).unwrap();
        let json = PackedJson::of(b"{}");
        for (days, serial, crossover) in [(0, "A", 9000.0), (-4000, "A", 9100.0), (-4001, "B", 9200.0)] {
            let mut run = run(serial);
            run.coverage = crossover / 4500.0;
            let measured = run.corners[0].measured.as_mut().unwrap();
            measured.values.get_mut(Measurand::Crossover).unwrap().value = crossover;
            let recorded = now() + time::Duration::days(days);
            let new =
                NewRecord { outcome: &run, json: &json, drift: None, tool: "loopgauge 0.1.0", recorded };
            history.record(&new).unwrap();
        }
        let mut order = Vec::new();
        history.list(&Filter::default(), &mut |head| order.push((head.serial, head.recorded))).unwrap();
        let serials: Vec<&str> = order.iter().map(|(serial, _)| serial.as_str()).collect();
        assert_eq!(serials, ["A", "A", "B"]);
        assert!(order[0].1 > order[1].1 && order[1].1 > order[2].1, "{order:?}");
        assert_eq!(history.newest_settings("river-gauge-5v").unwrap().unwrap().coverage, 9200.0 / 4500.0);
        assert_eq!(history.check().unwrap().problems, [""; 0]);
    }
}

/// What was told to be recorded is on the disk, and nothing half is.
#[test]
#[cfg(target_os = "linux")]
fn a_power_cut_loses_nothing_that_was_told_to_be_recorded() {
    for records in [1, 2, 7, 19] {
        let Place { address, folder } = sqlite();
        let disk = crate::power::Disk::new();
        let told = crate::processes::killed_after(records, &address, |command| {
            disk.under(command);
        });
        assert!(told.len() >= records, "{told:?}");
        let after = sqlite();
        for name in ["history.db", "history.db-wal"] {
            if let Some(bytes) = disk.left_of(&folder.path().join(name)) {
                fs::write(after.folder.path().join(name), bytes).unwrap();
            }
        }
        crate::processes::all_there(&after.address, &told);
        // What it can go on with.
        record(&mut History::open_to_record(&after.address).unwrap(), &run("next")).unwrap();
    }
}
