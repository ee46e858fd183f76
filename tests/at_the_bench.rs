//! What a bench needs while it measures: pieces of a sweep joined, a run in the making judged so far.

#![cfg(feature = "cli")]
#![allow(clippy::unwrap_used, clippy::panic, clippy::indexing_slicing, reason = "a test fails by panicking")]

mod tool;

use serde_json::Value;
use tool::{Room, finish, gauge, list, text, verdicts};

/// The rows of a sweep between two frequencies, with the gain moved by so much.
fn piece(sweep: &str, from: f64, to: f64, by_db: f64) -> String {
    let mut out = String::from("frequency_hz,gain_db,phase_deg\n");
    for line in sweep.lines().skip(1) {
        let numbers: Vec<f64> = line.split(',').map(|field| field.parse().unwrap()).collect();
        if (from..=to).contains(&numbers[0]) {
            out.push_str(&format!("{},{:.5},{}\n", numbers[0], numbers[1] + by_db, numbers[2]));
        }
    }
    out
}

/// The good run with corner 24V-3A's first sweep in two pieces, the higher one listed first and moved by so much.
fn in_pieces(by_db: f64) -> Room {
    let room = gauge::room();
    let sweep = room.read("runs/good/b.csv");
    room.write("runs/good/b-low.csv", piece(&sweep, 0.0, 9e3, 0.0));
    room.write("runs/good/b-high.csv", piece(&sweep, 4e3, 1e6, by_db));
    room.edit("runs/good/run.yaml", "file: b.csv", "file: [b-high.csv, b-low.csv]");
    room
}

fn corner<'a>(result: &'a Value, name: &str) -> &'a Value {
    list(&result["runs"][0]["corners"]).iter().find(|corner| text(&corner["corner"]) == name).unwrap()
}

fn check<'a>(result: &'a Value, name: &str, check: &str) -> &'a Value {
    list(&corner(result, name)["checks"]).iter().find(|own| text(&own["check"]) == check).unwrap()
}

#[test]
fn pieces_are_judged_as_the_sweep_that_they_make() {
    let whole = gauge::room().run("check runs --json -").ends(0).json();
    let room = in_pieces(0.0);
    let joined = room.run("check runs --json - --html report.html --junit out.xml").ends(0).json();
    assert_eq!(corner(&whole, "24V-3A")["measured"], corner(&joined, "24V-3A")["measured"]);
    let files: Vec<&str> = list(&corner(&joined, "24V-3A")["judged"]["files"]).iter().map(text).collect();
    assert_eq!(files, ["b-high.csv", "b-low.csv"]);
    for report in ["report.html", "out.xml"] {
        let shown = room.read(report);
        assert!(shown.contains("b-high.csv") && shown.contains("b-low.csv"), "{report}");
    }
    assert!(room.run("check runs").ends(0).out().contains("pass"));
    room.run("lint runs").ends(0);
}

#[test]
fn pieces_that_disagree_are_invalid_with_the_place() {
    let result = in_pieces(0.3).run("check runs --json -").ends(1).json();
    let sanity = check(&result, "24V-3A", "sanity");
    assert_eq!(sanity["verdict"], "invalid");
    let message = text(&sanity["message"]);
    assert!(message.contains("b-high.csv and b-low.csv overlap and disagree by 0.3"), "{message}");
    assert!(message.starts_with("at ") && message.contains("kHz"), "{message}");
    assert!(text(&sanity["remedy"]).contains("in one go"), "{sanity}");
    assert_eq!(check(&result, "24V-3A", "phase_margin")["verdict"], "not_judged");
    assert_eq!(corner(&result, "10V-3A")["verdict"], "pass");
}

#[test]
fn a_gap_between_pieces_is_one_of_coverage() {
    let room = in_pieces(0.0);
    let sweep = room.read("runs/good/b.csv");
    room.write("runs/good/b-low.csv", piece(&sweep, 0.0, 2e3, 0.0));
    let result = room.run("check runs --json -").ends(1).json();
    assert_eq!(check(&result, "24V-3A", "coverage")["verdict"], "invalid");
}

#[test]
fn what_is_wrong_with_a_piece_names_it() {
    let room = in_pieces(0.0);
    room.write("runs/good/b-low.csv", "frequency_hz,gain_db,phase_deg\n1,2,3\n2,x,4\n3,4,5\n");
    let ran = room.run("check runs").ends(2);
    assert!(ran.stderr.contains("b-low.csv:3"), "{}", ran.stderr);
    std::fs::remove_file(room.path("runs/good/b-low.csv")).unwrap();
    let ran = room.run("check runs").ends(2);
    assert!(ran.stderr.contains("b-low.csv") && ran.stderr.contains("1 of 7"), "{}", ran.stderr);
    for (written, code) in [
        ("[]", "no-file"),
        ("[b-high.csv, ../b.csv]", "bad-path"),
        ("[b-high.csv, b-high.csv]", "duplicate-file"),
        ("[b-high.csv, a.csv]", "duplicate-file"),
        ("{a: b}", "wrong-shape"),
    ] {
        let room = in_pieces(0.0);
        room.edit("runs/good/run.yaml", "[b-high.csv, b-low.csv]", written);
        let ran = room.run("check runs --json -").ends(2).json();
        let error = &list(&ran["errors"])[0];
        assert!(error["code"] == code, "{written}: {error}");
    }
}

#[test]
fn a_run_in_the_making_is_judged_so_far_and_never_passes() {
    let room = gauge::room();
    std::fs::remove_file(room.path("runs/good/b-check.csv")).unwrap();
    std::fs::remove_file(room.path("runs/good/c.csv")).unwrap();
    std::fs::remove_file(room.path("runs/good/c-check.csv")).unwrap();
    room.run("check runs").ends(2);
    let result = room.run("check runs --so-far --json - --junit out.xml").ends(1).json();
    assert_eq!(list(&result["errors"]).len(), 0);
    assert_eq!(corner(&result, "10V-3A")["verdict"], "pass");
    assert_eq!(check(&result, "cold", "collected")["verdict"], "missing");
    assert!(
        text(&check(&result, "cold", "collected")["message"]).contains("not there yet: c.csv, c-check.csv")
    );
    // One of two levels: looked at, and not confirmed.
    assert_eq!(check(&result, "24V-3A", "collected")["verdict"], "missing");
    assert_eq!(check(&result, "24V-3A", "sanity")["verdict"], "pass");
    assert_eq!(check(&result, "24V-3A", "linearity")["verdict"], "invalid");
    assert!(verdicts(&result["runs"][0]).iter().all(|(_, verdict)| verdict != "fail"));
    assert!(room.read("out.xml").contains("type=\"missing\""));
}

#[test]
fn a_corner_that_lacks_a_repeat_shows_its_margins_and_is_missing() {
    let room = gauge::room();
    let line = "  - {file: a.csv, corner: 10V-3A, level: -26 dBm";
    room.edit(
        "runs/good/run.yaml",
        line,
        &format!("  - {{file: a-again.csv, corner: 10V-3A, level: -26 dBm}}\n{line}"),
    );
    let result = room.run("check runs --so-far --json -").ends(1).json();
    assert_eq!(check(&result, "10V-3A", "phase_margin")["verdict"], "pass");
    assert_eq!(corner(&result, "10V-3A")["verdict"], "missing");
    assert_eq!(result["verdict"], "missing");
    let message = text(&check(&result, "10V-3A", "collected")["message"]);
    assert!(message.contains("2 of its sweeps; not there yet: a-again.csv"), "{message}");
    // What is there and broken is as bad as ever, and nothing of it is recorded.
    room.write("runs/good/b.csv", "x");
    room.run("check runs --so-far").ends(2);
    let ran = room.run("check runs --so-far --record line.db").ends(2);
    assert!(ran.stderr.contains("--record"), "{}", ran.stderr);
}

/// An archive holds every piece, and remembers that sweeps could be missing.
#[test]
fn an_archive_of_pieces_and_of_a_run_in_the_making_gives_the_same_bytes() {
    let room = in_pieces(0.0);
    std::fs::remove_file(room.path("runs/good/c.csv")).unwrap();
    std::fs::remove_file(room.path("runs/good/c-check.csv")).unwrap();
    room.run("check runs --so-far --json first.json --archive a.zip").ends(1);
    for folder in ["runs", "specs"] {
        std::fs::remove_dir_all(room.path(folder)).unwrap();
    }
    room.run("check a.zip --json again.json").ends(1);
    assert_eq!(room.read("again.json"), room.read("first.json"));
}

#[test]
fn so_far_changes_nothing_of_a_run_that_is_whole() {
    let room = gauge::room();
    let plain = room.run("check runs --json -").ends(0).json();
    assert_eq!(room.run("check runs --so-far --json -").ends(0).json(), plain);
}

/// Runs the program with this on standard input.
fn with_input(room: &Room, arguments: &str, input: &str) -> tool::Ran {
    room.write("input", input);
    let file = std::fs::File::open(room.path("input")).unwrap();
    tool::finish(room.command().args(arguments.split_whitespace()).stdin(file))
}

#[test]
fn standard_input_is_read_in_the_place_of_a_file() {
    let room = gauge::room();
    let sweep = room.read("runs/good/a.csv");
    let piped = with_input(&room, "inspect - --critical-point +1 --json -", &sweep).ends(0).json();
    let named = room.run("inspect runs/good/a.csv --critical-point +1 --json -").ends(0).json();
    assert_eq!(piped["sweeps"][0]["crossover_hz"], named["sweeps"][0]["crossover_hz"]);
    assert_eq!(piped["sweeps"][0]["file"], "-");
    // A run: its sweeps lie relative to the current folder.
    let run = room.read("runs/good/run.yaml").replace("file: ", "file: runs/good/");
    let result = with_input(&room, "check - --json -", &run).ends(0).json();
    assert_eq!((text(&result["verdict"]), text(&result["runs"][0]["run"])), ("pass", "."));
    // What is piped is sorted by its marks.
    assert!(with_input(&room, "lint -", &run).ends(0).out().starts_with("0 spec files, 1 run"));
    assert!(with_input(&room, "lint -", gauge::SPEC).ends(0).out().starts_with("1 spec file, 0 runs"));
    let broken = with_input(&room, "lint -", &gauge::SPEC.replace("density: 15", "density: x")).ends(2);
    assert!(broken.stderr.contains("-:8"), "{}", broken.stderr);
    let told = with_input(&room, "check -", &sweep).ends(2);
    assert!(told.stderr.contains("is no run file"), "{}", told.stderr);
    assert!(with_input(&room, "inspect - --critical-point +1", "").ends(2).stderr.contains("empty"));
    for twice in [
        "inspect - - --critical-point +1",
        "inspect - --spec -",
        "inspect - --critical-point +1 --reading -",
        "check - -",
        "lint - -",
    ] {
        let ran = with_input(&room, twice, &sweep).ends(2);
        assert!(ran.stderr.contains("named twice"), "{twice}: {}", ran.stderr);
    }
    // A file of that name has a folder.
    room.write("-", &sweep);
    room.run("inspect ./- --critical-point +1").ends(0);
}

#[test]
fn inspect_shows_what_the_limits_of_a_spec_would_say() {
    let room = gauge::room();
    let spec = "--spec specs/gauge.yaml";
    let shown = room.run(&format!("inspect runs/good/b.csv {spec} --corner 24V-3A")).ends(0);
    assert!(shown.out().contains("no verdict"), "{}", shown.out());
    assert!(shown.out().contains("phase_margin          would be pass"), "{}", shown.out());
    // A loop that crosses too early fails, and the status does not say so: nothing is judged.
    room.write("slow.csv", gauge::sweep(6e3, 1));
    let result = room.run(&format!("inspect slow.csv {spec} --corner 24V-3A --json -")).ends(0).json();
    let limits = &result["sweeps"][0]["limits"];
    assert_eq!((text(&limits["product"]), text(&limits["corner"])), ("gauge", "24V-3A"));
    let crossover = list(&limits["checks"]).iter().find(|check| check["check"] == "crossover").unwrap();
    assert_eq!(crossover["would_be"], "fail");
    assert_eq!(crossover["limit"]["min"], 8000.0);
    let names: Vec<&str> = list(&limits["checks"]).iter().map(|check| text(&check["check"])).collect();
    assert_eq!(names[..3], ["coverage", "sanity", "crossover"]);
    assert!(names.iter().all(|name| !name.starts_with("regression")), "{names:?}");
    // Half a sweep: no limit is held against it.
    let half = piece(&room.read("runs/good/b.csv"), 0.0, 2e4, 0.0);
    let half = with_input(&room, &format!("inspect - {spec} --corner 24V-3A"), &half).ends(0);
    assert!(half.out().contains("coverage              would be invalid"), "{}", half.out());
    assert!(half.out().contains("would not be judged"), "{}", half.out());
}

/// By hand: 1 dB moves the crossover of the integrator by 12 %, less the little that the pole at 80 kHz takes; 0.5 us at the old crossover
/// are 2.5 deg.
#[test]
fn inspect_shows_what_changes_would_do() {
    let room = gauge::room();
    let run = |with: &[&str], status: i32| {
        let mut command = room.command();
        command.args([
            "inspect",
            "runs/good/b.csv",
            "--spec",
            "specs/gauge.yaml",
            "--corner",
            "24V-3A",
            "--json",
            "-",
        ]);
        for change in with {
            command.args(["--with", change]);
        }
        finish(&mut command).ends(status)
    };
    let result = run(&["delay:0.5 us"], 0).json();
    let (before, with) = (&result["sweeps"][0], &result["sweeps"][0]["with"]);
    let value = |of: &Value, key: &str| of[key]["value"].as_f64().unwrap();
    assert_eq!(list(&with["changes"]), ["delay:500 ns"]);
    let lost = value(before, "phase_margin_deg") - value(&with["measured"], "phase_margin_deg");
    assert!((lost - 360.0 * value(before, "crossover_hz") * 0.5e-6).abs() < 0.01, "{lost}");
    assert_eq!(before["crossover_hz"]["value"], with["measured"]["crossover_hz"]["value"]);
    // Twice as fast is faster than the spec allows, and no verdict.
    let result = run(&["gain:8 dB"], 0).json();
    let checks = list(&result["sweeps"][0]["with"]["limits"]["checks"]).to_vec();
    assert!(checks.iter().any(|check| check["check"] == "crossover" && check["would_be"] == "fail"));
    assert!(run(&[], 0).json()["sweeps"][0].get("with").is_none());
    // What the samples cannot follow is not made up, and what they show by themselves stays.
    let far = run(&["delay:90 us"], 2);
    assert!(far.stderr.contains("too far apart"), "{}", far.stderr);
    assert!(far.json()["sweeps"][0].get("with").is_none());
    let wrong =
        finish(room.command().args(["inspect", "x.csv", "--critical-point", "+1", "--with", "lead:5"]))
            .ends(2);
    assert!(wrong.stderr.contains("lead:ZERO,POLE"), "{}", wrong.stderr);
}

#[test]
fn inspect_reads_as_the_spec_says_and_asks_for_a_corner_where_limits_differ() {
    let room = gauge::room();
    room.edit(
        "specs/gauge.yaml",
        "conditions_tolerance: 2 %",
        "conditions_tolerance: 2 %\nreading: {delimiter: ';'}",
    );
    room.write("other.csv", gauge::sweep(12e3, 1).replace(',', ";"));
    room.run("inspect other.csv --spec specs/gauge.yaml --corner cold").ends(0);
    for (arguments, piece) in [
        ("", "name one with --corner: 10V-3A, 24V-3A, cold"),
        ("--corner 24V-3", "did you mean `24V-3A`?"),
        ("--critical-point +1", "cannot be used with"),
    ] {
        let ran = room.run(&format!("inspect other.csv --spec specs/gauge.yaml {arguments}")).ends(2);
        assert!(ran.stderr.contains(piece), "{arguments}: {}", ran.stderr);
    }
    assert!(room.run("inspect other.csv").ends(2).stderr.contains("--critical-point"));
    let mixed = room.run("inspect other.csv --critical-point +1 --corner cold").ends(2);
    assert!(mixed.stderr.contains("cannot be used with"), "{}", mixed.stderr);
    assert!(room.run("inspect other.csv --corner cold").ends(2).stderr.contains("--spec"));
}
