//! Outputs appear whole, replace nothing they should not, and leave nothing beside.

use super::part_file::part_name;
use super::*;
use crate::disk::inputs::note_read;

const KIND: Kind = Kind::Levels;

/// A text that is known as an output of that kind.
fn profile(text: &str) -> String {
    format!("frequency_hz,level_dbm\n{text}")
}

fn names(folder: &Path) -> Vec<String> {
    let mut names: Vec<String> =
        fs::read_dir(folder).unwrap().map(|e| e.unwrap().file_name().into_string().unwrap()).collect();
    names.sort();
    names
}

fn write(path: &Path, text: &str) {
    let mut file = OutputFile::create(path, KIND).unwrap();
    file.write_all(profile(text).as_bytes()).unwrap();
    file.commit().unwrap();
}

#[test]
fn a_file_appears_whole_or_not_at_all() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("report.xml");
    let mut file = OutputFile::create(&path, KIND).unwrap();
    file.write_all(profile("new").as_bytes()).unwrap();
    assert_eq!(names(folder.path()), [".report.xml.loopgauge-part"]);
    file.commit().unwrap();
    assert_eq!(fs::read_to_string(&path).unwrap(), profile("new"));
    let mut dropped = OutputFile::create(&path, KIND).unwrap();
    dropped.write_all(b"half").unwrap();
    drop(dropped);
    assert_eq!(fs::read_to_string(&path).unwrap(), profile("new"));
    assert_eq!(names(folder.path()), ["report.xml"]);
}

#[test]
fn a_new_file_replaces_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("run.yaml");
    let new = |text: &str| {
        let mut file = OutputFile::create_new(&path).unwrap();
        file.write_all(text.as_bytes()).unwrap();
        file.commit()
    };
    new("first").unwrap();
    assert!(matches!(new("second"), Err(OutputError::Exists { .. })));
    assert_eq!(fs::read_to_string(&path).unwrap(), "first");
    assert_eq!(names(folder.path()), ["run.yaml"]);
}

#[test]
fn what_this_program_did_not_write_stays() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("profile.csv");
    fs::write(&path, "").unwrap();
    write(&path, "over an empty file");
    for text in
        ["frequency_hz,gain_db,phase_deg\n1,2,3\n", "spec: 1\n", "notes", " ", "{\"format\":1,\"runs\":[]}"]
    {
        fs::write(&path, text).unwrap();
        let error = OutputFile::create(&path, KIND).unwrap_err();
        assert!(matches!(error, OutputError::Foreign { .. }), "{error}");
        assert_eq!(fs::read_to_string(&path).unwrap(), text);
    }
    assert_eq!(names(folder.path()), ["profile.csv"]);
}

#[test]
fn what_comes_to_stand_there_meanwhile_stays() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("profile.csv");
    let file = OutputFile::create(&path, KIND).unwrap();
    fs::write(&path, "notes").unwrap();
    assert!(matches!(file.commit(), Err(OutputError::Foreign { .. })));
    assert_eq!(fs::read_to_string(&path).unwrap(), "notes");
    assert_eq!(names(folder.path()), ["profile.csv"]);
}

#[test]
fn what_was_read_stays_even_if_it_is_empty_or_an_output() {
    let folder = tempfile::tempdir().unwrap();
    for (name, text) in [("a.csv", ""), ("b.csv", &*profile("1,2\n"))] {
        let (path, second) = (folder.path().join(name), folder.path().join(format!("second-{name}")));
        fs::write(&path, text).unwrap();
        let file = OutputFile::create(&path, KIND).unwrap();
        note_read(&path, &fs::metadata(&path).unwrap());
        assert!(matches!(file.commit(), Err(OutputError::Input { .. })));
        fs::hard_link(&path, &second).unwrap();
        assert!(matches!(OutputFile::create(&second, KIND), Err(OutputError::Input { .. })));
        assert_eq!(fs::read_to_string(&path).unwrap(), text);
    }
}

#[test]
fn two_writers_do_not_mix_and_left_overs_go() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("report.xml");
    for number in [0, 2, 5] {
        fs::write(part_name(&path, number), "left by a killed process").unwrap();
    }
    let mut first = OutputFile::create(&path, KIND).unwrap();
    let mut second = OutputFile::create(&path, KIND).unwrap();
    assert_eq!(names(folder.path()), [".report.xml.loopgauge-part", ".report.xml.loopgauge-part-1"]);
    first.write_all(profile("first").as_bytes()).unwrap();
    second.write_all(profile("second").as_bytes()).unwrap();
    second.commit().unwrap();
    assert_eq!(fs::read_to_string(&path).unwrap(), profile("second"));
    first.commit().unwrap();
    assert_eq!(fs::read_to_string(&path).unwrap(), profile("first"));
    assert_eq!(names(folder.path()), ["report.xml"]);
}

#[test]
fn many_writers_at_once_leave_one_whole_file() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("report.xml");
    std::thread::scope(|scope| {
        for writer in 0..8 {
            let path = &path;
            scope.spawn(move || {
                for _ in 0..50 {
                    write(path, &format!("{writer}").repeat(10_000));
                }
            });
        }
    });
    let text = fs::read_to_string(&path).unwrap();
    let text = text.strip_prefix(&profile("")).unwrap();
    assert_eq!(text.len(), 10_000);
    assert!(text.bytes().all(|b| Some(b) == text.bytes().next()));
    assert_eq!(names(folder.path()), ["report.xml"]);
}

#[test]
fn folders_are_refused_and_missing_ones_named() {
    let folder = tempfile::tempdir().unwrap();
    assert!(matches!(OutputFile::create(folder.path(), KIND), Err(OutputError::IsFolder { .. })));
    let path = folder.path().join("a/b/report.xml");
    let error = OutputFile::create(&path, KIND).unwrap_err().to_string();
    assert!(error.contains("there is no folder") && error.contains("a/b;"), "{error}");
    OutputFile::create_with_folders(&path, KIND).unwrap().commit().unwrap();
    assert!(path.is_file());
    let under_a_file = path.join("x.xml");
    assert!(OutputFile::create(&under_a_file, KIND).is_err());
    assert!(OutputFile::create_with_folders(&under_a_file, KIND).is_err());
}

#[test]
fn long_names_are_written_too() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("x".repeat(250));
    write(&path, "text");
    assert_eq!(fs::read_to_string(&path).unwrap(), profile("text"));
}

#[cfg(unix)]
mod unix {
    use super::*;
    use std::os::unix::fs::{FileTypeExt, PermissionsExt, symlink};

    /// Set in a process that is to be killed: the file it holds.
    const HOLD: &str = "LOOPGAUGE_TEST_HOLD_OUTPUT";

    #[test]
    fn hold_an_output_until_killed() {
        let Some(path) = std::env::var_os(HOLD) else { return };
        let mut file = OutputFile::create(Path::new(&path), KIND).unwrap();
        file.write_all(&[b'x'; 3 * BUFFER]).unwrap();
        println!("held");
        std::thread::sleep(std::time::Duration::from_secs(60));
    }

    #[test]
    fn a_killed_writer_leaves_one_file_that_the_next_removes() {
        use std::io::{BufRead, BufReader};
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("report.xml");
        fs::write(&path, profile("old")).unwrap();
        let name = std::thread::current()
            .name()
            .unwrap()
            .replace("a_killed_writer_leaves_one_file_that_the_next_removes", "hold_an_output_until_killed");
        let mut child = std::process::Command::new(std::env::current_exe().unwrap())
            .args(["--exact", &name, "--nocapture"])
            .env(HOLD, &path)
            .stdout(std::process::Stdio::piped())
            .spawn()
            .unwrap();
        let lines = BufReader::new(child.stdout.take().unwrap()).lines();
        assert!(lines.map_while(Result::ok).any(|line| line.ends_with("held")));
        // While it lives its file stays, and another writer works beside it.
        write(&path, "beside");
        assert_eq!(names(folder.path()), [".report.xml.loopgauge-part", "report.xml"]);
        // SIGKILL.
        child.kill().unwrap();
        child.wait().unwrap();
        assert_eq!(names(folder.path()), [".report.xml.loopgauge-part", "report.xml"]);
        write(&path, "after");
        assert_eq!(fs::read_to_string(&path).unwrap(), profile("after"));
        assert_eq!(names(folder.path()), ["report.xml"]);
    }

    #[test]
    fn links_are_followed() {
        let folder = tempfile::tempdir().unwrap();
        let (real, link, dangling) =
            (folder.path().join("real.xml"), folder.path().join("link.xml"), folder.path().join("new.xml"));
        fs::write(&real, profile("old")).unwrap();
        symlink("real.xml", &link).unwrap();
        symlink("made.xml", &dangling).unwrap();
        write(&link, "new");
        write(&dangling, "made");
        assert!(fs::symlink_metadata(&link).unwrap().is_symlink());
        assert_eq!(fs::read_to_string(&real).unwrap(), profile("new"));
        assert_eq!(fs::read_to_string(folder.path().join("made.xml")).unwrap(), profile("made"));
        symlink("circle", folder.path().join("circle")).unwrap();
        assert!(OutputFile::create(&folder.path().join("circle"), KIND).is_err());
    }

    #[test]
    fn a_planted_link_is_not_written_through() {
        let folder = tempfile::tempdir().unwrap();
        let (path, victim) = (folder.path().join("report.xml"), folder.path().join("victim"));
        fs::write(&victim, "precious").unwrap();
        symlink(&victim, part_name(&path, 0)).unwrap();
        write(&path, "text");
        assert_eq!(fs::read_to_string(&victim).unwrap(), "precious");
        assert_eq!(fs::read_to_string(&path).unwrap(), profile("text"));
    }

    #[test]
    fn devices_and_pipes_are_written_directly() {
        write(Path::new("/dev/null"), "text");
        assert!(fs::metadata("/dev/null").unwrap().file_type().is_char_device());
        let mut out = OutputFile::create(Path::new("/dev/stdout"), KIND).unwrap();
        out.write_all(b"").unwrap();
        out.commit().unwrap();
        let folder = tempfile::tempdir().unwrap();
        let fifo = folder.path().join("fifo");
        let made = std::process::Command::new("mkfifo").arg(&fifo).status().is_ok_and(|s| s.success());
        if made {
            let reader = std::thread::spawn({
                let fifo = fifo.clone();
                move || fs::read_to_string(fifo).unwrap()
            });
            write(&fifo, "through");
            assert_eq!(reader.join().unwrap(), profile("through"));
            assert!(fs::metadata(&fifo).unwrap().file_type().is_fifo());
        }
    }

    #[test]
    fn the_mode_is_that_of_any_new_file() {
        let folder = tempfile::tempdir().unwrap();
        let (path, plain) = (folder.path().join("report.xml"), folder.path().join("plain"));
        fs::write(part_name(&path, 0), "left").unwrap();
        fs::set_permissions(part_name(&path, 0), fs::Permissions::from_mode(0o600)).unwrap();
        write(&path, "text");
        fs::write(&plain, "").unwrap();
        assert_eq!(
            fs::metadata(&path).unwrap().permissions().mode(),
            fs::metadata(&plain).unwrap().permissions().mode()
        );
    }

    #[test]
    fn a_read_only_folder_is_an_error_that_names_the_file() {
        let folder = tempfile::tempdir().unwrap();
        fs::set_permissions(folder.path(), fs::Permissions::from_mode(0o555)).unwrap();
        // Rights do not bind the superuser.
        if File::create(folder.path().join("probe")).is_err() {
            let error = OutputFile::create(&folder.path().join("report.xml"), KIND).unwrap_err().to_string();
            assert!(error.contains("report.xml"), "{error}");
        }
        fs::set_permissions(folder.path(), fs::Permissions::from_mode(0o755)).unwrap();
    }
}
