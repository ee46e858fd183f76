//! Files that are no files, files too large, too deep, too short, and bytes that are no text.

use super::{told, tool};
use std::fmt::Write as _;
use std::fs;
use std::os::unix::ffi::OsStrExt;
use std::os::unix::fs::{PermissionsExt, symlink};
use std::path::Path;
use std::process::Command;
use tool::gauge::{self, GOOD};
use tool::{Ran, Room, finish, list};

/// Fails unless the program stood it: status 2, a message, little time and memory.
#[track_caller]
fn refused(ran: Ran, place: &str, says: &[&str]) {
    let ran = ran.ends(2);
    told(&ran, place, says);
}

fn fifo(path: &Path) {
    assert!(Command::new("mkfifo").arg(path).status().unwrap().success());
}

/// YAML texts that stop a careless reader.
fn bombs() -> Vec<(&'static str, String)> {
    let mut laughs = "a: &a [lol, lol, lol, lol, lol, lol, lol, lol, lol]\n".to_owned();
    for (above, name) in "abcdefghijklmnop".chars().zip("bcdefghijklmnopq".chars()) {
        let items = vec![format!("*{above}"); 9].join(", ");
        writeln!(laughs, "{name}: &{name} [{items}]").unwrap();
    }
    let mut maps = "a: &a {x: y, z: y}\n".to_owned();
    for (above, name) in "abcdefghijklmnop".chars().zip("bcdefghijklmnopq".chars()) {
        let items: Vec<String> = (0..9).map(|k| format!("k{k}: *{above}")).collect();
        writeln!(maps, "{name}: &{name} {{{}}}", items.join(", ")).unwrap();
    }
    let indented: String = (0..1500).map(|level| format!("{}a:\n", " ".repeat(level))).collect();
    vec![
        ("laughs", laughs),
        ("laughing maps", maps),
        ("block lists", format!("{}x\n", "- ".repeat(100_000))),
        ("block lists in a key", format!("corners:\n  {}x\n", "- ".repeat(100_000))),
        ("flow lists", "[".repeat(100_000)),
        ("closed flow lists", format!("x: {}{}\n", "[".repeat(100_000), "]".repeat(100_000))),
        ("flow maps", "{a: ".repeat(100_000)),
        ("mixed", "[{a: ".repeat(50_000)),
        ("explicit keys", format!("{}x\n", "? ".repeat(100_000))),
        ("indented maps", indented),
        ("anchors", (0..20_000).map(|k| format!("k{k}: &a{k} x\n")).collect()),
        ("long key", format!("{}: 1\n", "k".repeat(500_000))),
        ("long text", format!("title: \"{}\"\n", "t".repeat(1_000_000))),
        ("open quote", format!("title: \"{}", "t\n ".repeat(200_000))),
        ("tags", format!("x: {}y\n", "!a ".repeat(100_000))),
        ("many nodes", format!("x: [{}]\n", "1, ".repeat(110_000))),
        ("many documents", "---\n".repeat(100_000)),
        ("too large", format!("#{}\nspec: 1\n", "x".repeat(10_000_001))),
    ]
}

#[test]
fn yaml_bombs_end_at_once() {
    let room = gauge::room();
    for (name, bomb) in bombs() {
        room.write("specs/gauge.yaml", &bomb);
        let ran = room.run("check runs").ends(2);
        println!("{name}: {:?}, {} MB", ran.took, ran.peak_bytes / 1_000_000);
        told(&ran, "specs/gauge.yaml", &[]);
        assert!(ran.stderr.len() < 100_000, "{name}: a message of {} bytes", ran.stderr.len());
    }
    gauge::add_spec(&room);
    for (name, bomb) in bombs() {
        room.write("runs/good/run.yaml", &bomb).write("reading.yaml", &bomb);
        for arguments in ["check runs", "inspect runs/good/a.csv --critical-point +1 --reading reading.yaml"]
        {
            let ran = room.run(arguments).ends(2);
            told(
                &ran,
                if arguments.starts_with("check") { "runs/good/run.yaml" } else { "reading.yaml" },
                &[],
            );
            assert!(ran.stderr.len() < 100_000, "{name}: a message of {} bytes", ran.stderr.len());
        }
    }
}

#[test]
fn too_many_corners_are_refused_before_they_are_made() {
    let room = gauge::room();
    let values: Vec<String> = (1..=101).map(|k| format!("{k} V")).collect();
    let loads: Vec<String> = (1..=100).map(|k| format!("{k} A")).collect();
    let conditions = format!("{{input: [{}], load: [{}]}}", values.join(", "), loads.join(", "));
    room.edit("specs/gauge.yaml", "{input: [10 V, 24 V], load: 3 A}", &conditions);
    refused(room.run("check runs"), "specs/gauge.yaml:42:1", &["10101", "10000"]);
    let many = format!(
        "{{input: [{0}], b: [{0}], c: [{0}], d: [{0}], e: [{0}], f: [{0}], load: 3 A}}",
        values.join(", ")
    );
    gauge::add_spec(&room);
    room.edit("specs/gauge.yaml", "{input: [10 V, 24 V], load: 3 A}", &many);
    refused(room.run("check runs"), "specs/gauge.yaml:42:1", &["10000"]);
}

/// Puts something else in the place of the run's sweep `b.csv` and reads it through `check` and `inspect`.
fn as_sweep(says: &[&str], put: impl Fn(&Room, &Path)) {
    let room = gauge::room();
    gauge::add_run(&room, "runs/other", "RG-00043", GOOD);
    let path = room.path("runs/good/b.csv");
    fs::remove_file(&path).unwrap();
    put(&room, &path);
    let ran = room.run("check runs --json -").ends(2);
    told(&ran, "runs/good/b.csv", says);
    assert_eq!(list(&ran.json()["runs"]).len(), 1);
    refused(room.run("lint runs"), "runs/good/b.csv", says);
    let is_inside = fs::symlink_metadata(&path).is_ok_and(|found| !found.is_symlink());
    if is_inside {
        refused(room.run("inspect runs/good/b.csv --critical-point +1"), "runs/good/b.csv", says);
    }
}

#[test]
fn what_is_no_regular_file_is_no_sweep() {
    as_sweep(&["folder"], |_, path| fs::create_dir(path).unwrap());
    as_sweep(&["pipe"], |_, path| fifo(path));
    as_sweep(&["socket"], |_, path| {
        std::os::unix::net::UnixListener::bind(path).unwrap();
    });
    as_sweep(&["leads out"], |_, path| symlink("/dev/zero", path).unwrap());
    as_sweep(&["leads out"], |room, path| symlink(room.path("runs/other/b.csv"), path).unwrap());
    as_sweep(&["leads out"], |_, path| symlink("../other/b.csv", path).unwrap());
    as_sweep(&["leads out"], |_, path| symlink("nowhere", path).unwrap());
    as_sweep(&["leads out"], |_, path| symlink("b.csv", path).unwrap());
    let room = gauge::room();
    fs::remove_file(room.path("runs/good/b.csv")).unwrap();
    refused(room.run("check runs"), "runs/good/run.yaml:13:12", &["b.csv: there is no such file"]);
    refused(room.run("inspect /dev/zero --critical-point +1"), "/dev/zero", &["device"]);
    refused(room.run("inspect /dev/stdin --critical-point +1"), "/dev/stdin", &["device"]);
    refused(room.run("inspect runs --critical-point +1"), "runs", &["folder"]);
}

/// A folder of the path that is a link is as bad as the file being one; a link that stays inside is not.
#[test]
fn links_of_folders_are_followed_inside_only() {
    let room = gauge::room();
    symlink("../other", room.path("runs/good/out")).unwrap();
    gauge::add_run(&room, "runs/other", "RG-00043", GOOD);
    room.edit("runs/good/run.yaml", "file: b.csv", "file: out/b.csv");
    refused(room.run("check runs/good"), "runs/good/out/b.csv", &["leads out"]);
    fs::remove_file(room.path("runs/good/out")).unwrap();
    fs::create_dir(room.path("runs/good/in")).unwrap();
    fs::rename(room.path("runs/good/b.csv"), room.path("runs/good/in/b.csv")).unwrap();
    symlink("in", room.path("runs/good/out")).unwrap();
    room.run("check runs/good").ends(0);
}

#[test]
fn sweeps_that_hold_no_curve_are_refused() {
    let good = gauge::sweep(14e3, 2);
    let head = |rows: usize| good.lines().take(rows + 1).collect::<Vec<_>>().join("\n");
    let utf16 = |text: &str, big: bool| -> Vec<u8> {
        text.encode_utf16()
            .flat_map(|unit| if big { unit.to_be_bytes() } else { unit.to_le_bytes() })
            .collect()
    };
    let cases: Vec<(Vec<u8>, &[&str])> = vec![
        (Vec::new(), &["empty"]),
        (b"\n\n\n".to_vec(), &[]),
        (b"\xef\xbb\xbf".to_vec(), &[]),
        (head(0).into_bytes(), &["3"]),
        (head(2).into_bytes(), &["3"]),
        (b"# only\n# remarks\n".to_vec(), &[]),
        (utf16(&good, false), &["UTF-16"]),
        (utf16(&good, true), &["UTF-16"]),
        ([b"\xff\xfe".as_slice(), &utf16(&good, false)[..1001]].concat(), &["UTF-16"]),
        (
            [b"\xff\xfe".as_slice(), &utf16(&good, false)[..100], b"\x00\xd8", &utf16(&good, false)[100..]]
                .concat(),
            &["UTF-16"],
        ),
        (vec![0; 1000], &[]),
        (vec![0xff; 1000], &[]),
        ((0..=255).cycle().take(100_000).collect(), &[]),
        (good.replacen("43.8", "4\u{e9}3.8", 1).chars().map(|c| c as u8).collect(), &["UTF-8"]),
        ([good.as_bytes(), b"\n\0\0\0\0"].concat(), &[]),
        (",".repeat(1_000_000).into_bytes(), &[]),
        ("x".repeat(5_000_000).into_bytes(), &[]),
        (format!("{}\n\"{}", head(3), "y".repeat(5_000_000)).into_bytes(), &["quot"]),
        ([good.as_bytes(), good.as_bytes()].concat(), &[]),
        (b"<html><body>frequency_hz,gain_db,phase_deg</body></html>".to_vec(), &[]),
        (b"PK\x03\x04\x14\x00\x06\x00".to_vec(), &[]),
        (b"{\"frequency_hz\": [1, 2, 3]}".to_vec(), &[]),
    ];
    assert_eq!(cases.len(), 22);
    for (bytes, says) in cases {
        as_sweep(says, |_, path| fs::write(path, &bytes).unwrap());
    }
}

#[test]
fn a_sweep_past_200_mb_is_refused_unread() {
    as_sweep(&["201 MB", "200 MB"], |_, path| fs::File::create(path).unwrap().set_len(201_000_000).unwrap());
}

#[test]
fn what_is_no_regular_file_is_no_spec_and_no_run() {
    let room = gauge::room();
    for file in ["specs/gauge.yaml", "runs/good/run.yaml"] {
        let whole = room.read(file);
        let path = room.path(file);
        fs::remove_file(&path).unwrap();
        fs::create_dir(&path).unwrap();
        refused(room.run("check runs"), file, &["folder"]);
        fs::remove_dir(&path).unwrap();
        fifo(&path);
        refused(room.run("check runs"), file, &["pipe"]);
        fs::remove_file(&path).unwrap();
        symlink("/dev/zero", &path).unwrap();
        refused(room.run("check runs"), file, &["device"]);
        fs::remove_file(&path).unwrap();
        for bytes in [
            &b""[..],
            b"\n",
            b"# remark\n",
            b"---\n",
            b"~",
            b"text",
            b"- 1",
            b"\xff\xff",
            b"\0",
            b"\xff\xfea\0",
            b"[]",
            b"{}",
        ] {
            fs::write(&path, bytes).unwrap();
            refused(room.run("check runs"), file, &[]);
        }
        room.write(file, whole);
        room.run("check runs").ends(0);
    }
    for specs in ["/dev/zero", "/dev/null"] {
        refused(room.run(&format!("check runs --specs {specs}")), specs, &["device"]);
    }
    fifo(&room.path("pipe"));
    refused(room.run("check pipe"), "pipe", &["pipe"]);
    refused(room.run("check runs --specs pipe"), "pipe", &["pipe"]);
    refused(room.run("inspect runs/good/a.csv --critical-point +1 --reading pipe"), "pipe", &["pipe"]);
    refused(room.run("lint pipe"), "pipe", &["pipe"]);
}

#[test]
fn without_the_right_to_read_a_file_is_named() {
    let room = gauge::room();
    for file in ["runs/good/b.csv", "runs/good/run.yaml", "specs/gauge.yaml"] {
        let path = room.path(file);
        fs::set_permissions(&path, fs::Permissions::from_mode(0o000)).unwrap();
        if fs::read(&path).is_ok() {
            println!("NOT TESTED: this user may read everything, so no file can be made unreadable");
            room.run("check runs").ends(0);
        } else {
            refused(room.run("check runs"), file, &["cannot be read"]);
        }
        fs::set_permissions(&path, fs::Permissions::from_mode(0o644)).unwrap();
    }
}

#[test]
fn the_empty_linearity_and_the_missing_one_are_named() {
    let room = gauge::room();
    let from = gauge::SPEC.find("linearity:").unwrap();
    let to = gauge::SPEC.find("regression:").unwrap();
    for (text, place) in [
        ("", "specs/gauge.yaml:35:1"),
        ("linearity: {}\n", "specs/gauge.yaml:26"),
        ("linearity: {waived: \"\"}\n", "specs/gauge.yaml:26"),
    ] {
        room.write("specs/gauge.yaml", format!("{}{text}{}", &gauge::SPEC[..from], &gauge::SPEC[to..]));
        refused(room.run("check runs"), place, &["linearity"]);
    }
    let (from, to) = (gauge::SPEC.find("limits:").unwrap(), gauge::SPEC.find("linearity:").unwrap());
    let to_drift = gauge::SPEC.find("drift:").unwrap();
    let cold = gauge::SPEC[to_drift..]
        .replace("    limits: {phase_margin: {min: 45 deg}}\n", "")
        .replace("check: crossover", "check: sanity");
    let judged_nothing = format!("{}linearity: {{waived: none}}\n{cold}", &gauge::SPEC[..from]);
    assert!(to > from);
    room.write("specs/gauge.yaml", judged_nothing);
    refused(room.run("check runs"), "specs/gauge.yaml", &["judge"]);
}

#[test]
fn extends_that_leads_nowhere_or_round_is_named() {
    let room = gauge::room();
    room.write("specs/gauge.yaml", format!("{}extends: a.yaml\n", gauge::SPEC));
    for (a, place) in [
        ("extends: a.yaml\n", "specs/a.yaml:1:10"),
        ("extends: gauge.yaml\n", "specs/a.yaml:1:10"),
        ("extends: b.yaml\n", "specs/a.yaml:1:10"),
        ("extends: .\n", "specs/a.yaml:1:10"),
        ("extends: /dev/zero\n", "specs/a.yaml:1:10"),
        ("extends: [b.yaml]\n", "specs/a.yaml:1"),
        ("regression: {gain_margin: {drop: 1 deg}}\n", "specs/a.yaml:1"),
        ("dense: 1\n", "specs/a.yaml:1:1"),
    ] {
        room.write("specs/a.yaml", a);
        println!("{a}");
        refused(room.run("check runs"), place, &[]);
    }
    // A long chain without a circle is read or refused, but ends.
    for k in 0..300 {
        room.write(&format!("specs/c{k}.yaml"), format!("extends: c{}.yaml\n", k + 1));
    }
    room.write("specs/c300.yaml", "title: end\n").write("specs/a.yaml", "extends: c0.yaml\n");
    let ran = room.run("check runs");
    assert!(matches!(ran.status, Some(0 | 2)) && !ran.stderr.contains("panicked"), "{}", ran.stderr);
}

#[test]
fn patterns_that_meet_nothing_are_named() {
    let room = gauge::room();
    let sweeps = gauge::RUN.find("sweeps:").unwrap();
    for (pattern, says) in [
        ("\"{corner}_{level}.csv\"", "no"),
        ("\"{level}.csv\"", "{corner}"),
        ("\"{corner}_{stage}.csv\"", "stage"),
        ("\"../{corner}.csv\"", ".."),
        ("\"{corner\"", "{corner"),
        ("\"\"", "pattern"),
        ("[a]", "pattern"),
    ] {
        room.write("runs/good/run.yaml", format!("{}pattern: {pattern}\n", &gauge::RUN[..sweeps]));
        refused(room.run("check runs"), "runs/good/run.yaml:10", &[says]);
    }
    room.write("runs/good/run.yaml", &gauge::RUN[..sweeps]);
    refused(room.run("check runs"), "runs/good/run.yaml", &["sweeps"]);
    room.write("runs/good/run.yaml", format!("{}sweeps: []\n", &gauge::RUN[..sweeps]));
    let ran = room.run("check runs");
    assert!(matches!(ran.status, Some(1 | 2)), "{}", ran.out());
}

#[test]
fn odd_arguments_are_no_panic() {
    let room = gauge::room();
    let long = "x".repeat(10_000);
    let odd: Vec<&std::ffi::OsStr> = vec![
        std::ffi::OsStr::from_bytes(b"\xff\xfe"),
        std::ffi::OsStr::new(""),
        std::ffi::OsStr::new("\n"),
        std::ffi::OsStr::new("\x1b[31m"),
        std::ffi::OsStr::new(&long),
    ];
    for odd in odd {
        for command in [
            vec!["check"],
            vec!["lint"],
            vec!["inspect", "--critical-point", "+1"],
            vec!["check", "runs", "--specs"],
            vec!["check", "runs", "--jobs"],
            vec!["check", "runs", "--color"],
            vec!["inspect", "runs/good/a.csv", "--critical-point"],
            vec!["inspect", "runs/good/a.csv", "--critical-point", "+1", "--reading"],
        ] {
            let ran = finish(room.command().args(&command).arg(odd)).ends(2);
            assert!(!ran.stderr.is_empty());
            assert!(!ran.stderr.contains('\x1b'), "{command:?}: {:?}", ran.stderr);
        }
    }
}

/// A small generator of numbers (Knuth's constants for a 64-bit linear congruence, from memory): the same each time.
struct Dice(u64);

impl Dice {
    fn below(&mut self, bound: usize) -> usize {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 33) as usize % bound
    }
}

/// Cut short, with bytes changed, lines doubled or dropped: whatever comes, an answer and no panic.
fn damaged(text: &str, count: usize) -> Vec<Vec<u8>> {
    let mut dice = Dice(7);
    let spice = b"\0\"'{}[]:,-#&*!|>%@` \t\r\n\xff\xc3\xe2+9eE.nN";
    (0..count)
        .map(|k| {
            let mut bytes = text.as_bytes().to_vec();
            match k % 3 {
                0 => bytes.truncate(dice.below(text.len())),
                1 => {
                    for _ in 0..=dice.below(3) {
                        let at = dice.below(bytes.len());
                        bytes[at] = spice[dice.below(spice.len())];
                    }
                }
                _ => {
                    let mut lines: Vec<&str> = text.lines().collect();
                    let (from, to) = (dice.below(lines.len()), dice.below(lines.len()));
                    let line = lines.remove(from);
                    if dice.below(2) == 0 {
                        lines.insert(to.min(lines.len()), line);
                    }
                    bytes = lines.join("\n").into_bytes();
                }
            }
            bytes
        })
        .collect()
}

#[test]
fn damaged_files_get_an_answer() {
    let room = gauge::room();
    let mut inspect = room.command();
    inspect.args(["inspect", "--critical-point", "+1", "--json", "-"]);
    for (k, bytes) in damaged(&gauge::sweep(14e3, 2), 200).into_iter().enumerate() {
        let name = format!("damaged/{k}.csv");
        room.write(&name, bytes);
        inspect.arg(name);
    }
    let ran = finish(&mut inspect);
    assert!(matches!(ran.status, Some(0 | 2)) && !ran.stderr.contains("panicked"), "{}", ran.stderr);
    let read = list(&ran.json()["sweeps"]).len();
    assert!(read < 200 && ran.stderr.contains("damaged/"), "{read}");
    for (k, bytes) in damaged(gauge::SPEC, 200).into_iter().enumerate() {
        room.write(&format!("lint/{k}.yaml"), bytes);
    }
    let ran = room.run("lint lint").ends(2);
    assert!(!ran.stderr.contains("internal"), "{}", ran.stderr);
    for (k, bytes) in damaged(gauge::RUN, 60).into_iter().enumerate() {
        gauge::add_run(&room, &format!("many/{k}"), "RG", GOOD);
        room.write(&format!("many/{k}/run.yaml"), bytes);
    }
    for (k, bytes) in damaged(&gauge::sweep(14e3, 2), 60).into_iter().enumerate() {
        gauge::add_run(&room, &format!("more/{k}"), "RG", GOOD);
        room.write(&format!("more/{k}/b.csv"), bytes);
    }
    let ran = room.run("check many more --json -").ends(2);
    assert!(!ran.stderr.contains("internal"), "{}", ran.stderr);
    let result = ran.json();
    assert!(!list(&result["runs"]).is_empty() && !list(&result["errors"]).is_empty());
}

/// The bytes of the one run that was judged.
fn judged(ran: &Ran) -> String {
    let from = ran.out().split_once("\"runs\":[\n").unwrap().1;
    from.split_once("],\n\"serials\"").unwrap().0.to_owned()
}

#[test]
fn a_broken_run_changes_no_byte_of_its_neighbour() {
    let room = gauge::room();
    let alone = judged(&room.run("check runs --json -").ends(0));
    assert!(alone.starts_with("{\"run\":\"runs/good\""));
    for (file, bytes) in [
        ("a.csv", &b""[..]),
        ("a.csv", b"\0\0\0"),
        ("c-check.csv", b"frequency_hz,gain_db,phase_deg\n1,2,3\n"),
        ("run.yaml", b"run: 1\n"),
        ("run.yaml", b"\xff"),
    ] {
        for folder in ["runs/aaa", "runs/zzz"] {
            gauge::add_run(&room, folder, "RG-00042", GOOD);
            room.write(&format!("{folder}/{file}"), bytes);
        }
        for jobs in ["--jobs 1", "--jobs 4"] {
            assert_eq!(judged(&room.run(&format!("check runs --json - {jobs}")).ends(2)), alone, "{file}");
        }
    }
}
