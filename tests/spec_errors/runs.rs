//! Mistakes in runs, and what a run lays over its spec.

use super::{RUN, SPEC, check, errors_of_run, spec, told};
use loopgauge::run;

#[test]
fn broken_runs() {
    check(
        &[
            ("run: 1\n", "", "1 -", "`run` is missing"),
            ("run: 1", "run: 2", "1 run", "format version `2`"),
            ("product: river-gauge-5v\n", "", "1 -", "`product` is missing"),
            ("product: river-gauge-5v", "product: other", "2 product", "the run is of `other`"),
            ("serial: RG-00042\n", "", "1 -", "`serial` is missing"),
            ("serial: RG-00042", "serial: \"\"", "3 serial", "the text is empty"),
            ("serial: RG-00042", "serial: \"a\\nb\"", "3 serial", "line breaks"),
            ("serial: RG-00042", "serial:", "3 serial", "no value"),
            ("revision: C", "revision: [C]", "4 revision", "this is a list"),
            ("revision: C", "revison: C\nrevision: C", "4 revison", "unknown key `revison`"),
            ("2026-04-02T09:15:00Z", "2026-04-02", "5 taken", "a `T` is wanted"),
            ("2026-04-02T09:15:00Z", "2026-02-30T09:15:00Z", "5 taken", "no such day"),
            ("file: a.csv", "file: ../a.csv", "7 sweeps[1].file", "leads out"),
            ("file: a.csv", "file: /a.csv", "7 sweeps[1].file", "absolute"),
            ("file: a.csv", "file: C:/a.csv", "7 sweeps[1].file", "absolute"),
            ("file: a.csv", "file: x\\a.csv", "7 sweeps[1].file", "backslash"),
            ("file: a.csv", "file: \"\"", "7 sweeps[1].file", "empty"),
            ("file: a.csv", "file: ./", "7 sweeps[1].file", "no file"),
            ("file: a.csv", "file: .//b.csv", "8 sweeps[2].file", "two entries, first on line 7"),
            ("file: a.csv, ", "", "7 sweeps[1]", "`file` is missing"),
            ("a.csv, corner: 24V-3A", "a.csv, corner: 24V-4A", "7 sweeps[1].corner", "no corner `24V-4A`"),
            ("level: -26 dBm", "level: -26", "7 sweeps[1].level", "`-26` has no unit"),
            ("level: -26 dBm", "level: -26 dB", "7 sweeps[1].level", "the unit `dB`"),
            ("level: -26 dBm", "level: 0 Vpp", "7 sweeps[1].level", "no finite level above 0"),
            ("level: -26 dBm, ", "", "8 sweeps[2].level", "with and without a level"),
            ("level: -23 dBm", "level: {profile: p, offset: 0 dB}", "8 sweeps[2].level", "plain level"),
            (
                "{profile: gentle, offset: 3 dB}",
                "{profile: rough, offset: 3 dB}",
                "10 sweeps[4].level",
                "two profiles",
            ),
            (
                "{profile: gentle, offset: 3 dB}",
                "{profile: gentle}",
                "10 sweeps[4].level",
                "`offset` is missing",
            ),
            (
                "{profile: gentle, offset: 3 dB}",
                "{profile: gentle, offset: 3}",
                "10 sweeps[4].level.offset",
                "no unit",
            ),
            ("input: 23.9 V", "inptu: 23.9 V", "7 sweeps[1].actual.inptu", "no condition `inptu`"),
            ("input: 23.9 V", "input: 23.9 A", "7 sweeps[1].actual.input", "not of the kind"),
            ("input: 23.9 V", "input: 23.9", "7 sweeps[1].actual.input", "no unit"),
            ("taken: 2026", "pattern: \"{corner}.csv\"\ntaken: 2026", "5 pattern", "exclude each other"),
            ("taken: 2026", "reading: {delimiter: tabs}\ntaken: 2026", "5 reading.delimiter", "not one of"),
        ],
        RUN,
        |text| errors_of_run(text, &[]),
    );
}

#[test]
fn runs_with_patterns() {
    let run = |pattern: &str| {
        let head = RUN.split("sweeps:").next().unwrap();
        format!("{head}pattern: {pattern}\n")
    };
    let names = ["run.yaml", "24V-3A_-26dBm.csv", "24V-3A_-23dBm.csv", "24V-3A_-23dBm_2.csv", "photo.jpg"];
    assert_eq!(told(&errors_of_run(&run("\"{corner}_{level}.csv\""), &names)), [""; 0]);
    let told_ = |pattern, names: &[&str]| told(&errors_of_run(&run(pattern), names)).join("|");
    let wrong = told_("\"{corner}_{level}.csv\"", &["24V-4A_-26dBm.csv"]);
    assert!(
        wrong.starts_with(
            "6 pattern: the file `24V-4A_-26dBm.csv` fits the pattern, but s.yaml has no corner"
        ),
        "{wrong}"
    );
    assert!(told_("\"{corner}_{level}.csv\"", &["24V-3A_-26dbm.csv"]).contains("`-26dbm` is no level"));
    assert!(told_("\"{corner}_{level}.txt\"", &names).contains("no file in the run's folder fits"));
    assert!(told_("\"{level}.csv\"", &names).contains("has no `{corner}`"));
    assert!(told_("\"{corner}_{levle}.csv\"", &names).contains("`{levle}` is not known"));
    assert!(told_("[a]", &names).contains("this is a list"));
}

#[test]
fn the_run_lays_its_reading_over_the_specs() {
    let spec_text = format!("{SPEC}reading: {{delimiter: \";\", comment: \"!\"}}\n");
    let spec = spec(&spec_text).expect("sound");
    let text = RUN.replace(
        "taken: 2026",
        "reading: {comment: \"%\", columns: {frequency: {column: 2, unit: kHz}}}\ntaken: 2026",
    );
    let run = run::parse(text.as_bytes(), "r/run.yaml", "r").unwrap().resolve(&spec, &[]).unwrap();
    assert_eq!((run.reading.delimiter, run.reading.comment.as_str()), (';', "%"));
    assert_eq!(run.reading.columns.frequency.unwrap().unit.0, 1000.0);
    let text = RUN.replace("taken: 2026", "reading: {decimal: \",\"}\ntaken: 2026");
    run::parse(text.as_bytes(), "r/run.yaml", "r")
        .unwrap()
        .resolve(&spec, &[])
        .expect("the delimiter comes from the spec");
    let text = RUN.replace("taken: 2026", "reading: {decimal: \";\"}\ntaken: 2026");
    assert!(run::parse(text.as_bytes(), "r/run.yaml", "r").unwrap().resolve(&spec, &[]).is_err());
}
