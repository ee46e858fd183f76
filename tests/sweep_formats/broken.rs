//! Broken sweeps: what is told of them, and where.

use super::{
    HEADER, column, each_line, named, parted_by, plain, polar_at, quote_all, standard, try_read, utf16, with,
};
use loopgauge::diagnostic::Severity;
use loopgauge::sweep::{Columns, FrequencyUnit, GainUnit, Reading};

/// A broken file: line and field of its first error, and pieces of that error's message or help.
#[track_caller]
pub fn broken(
    bytes: impl AsRef<[u8]>,
    reading: &Reading,
    line: Option<u64>,
    field: Option<u64>,
    pieces: &[&str],
) {
    let errors = try_read(bytes.as_ref(), reading).unwrap_err();
    let first = &errors[0];
    let place = first.place.as_ref().unwrap();
    assert_eq!((place.line, place.column), (line, field), "{first:#?}");
    assert_eq!(&*place.file, "loop.csv");
    assert_eq!(first.severity, Severity::Error);
    let told = format!("{} | {}", first.message, first.help.as_deref().unwrap_or(""));
    for piece in pieces {
        assert!(told.contains(piece), "no {piece:?} in {told:?}");
    }
    assert_eq!(first.excerpt.is_some(), line.is_some());
    if let Some(excerpt) = &first.excerpt {
        assert!(excerpt.text.get(excerpt.mark.clone()).is_some(), "{first:#?}");
    }
}

/// As [`broken`], with rows below the standard header in line 1.
#[track_caller]
fn broken_rows(rows: &str, line: u64, field: Option<u64>, pieces: &[&str]) {
    broken(format!("{HEADER}{rows}"), &standard(), Some(line), field, pieces);
}

#[test]
fn broken_text() {
    broken(b"", &standard(), None, None, &["the file is empty"]);
    broken(b"\xEF\xBB\xBF", &standard(), None, None, &["the file is empty"]);
    broken(b"\xFF\xFE", &standard(), None, None, &["the file is empty"]);
    broken(b"\n \n\r\n# x\n", &standard(), None, None, &["only blank lines and comments"]);
    broken(b"a\nb\n", &Reading { skip_rows: 9, ..standard() }, None, None, &["`skip_rows: 9`", "2 lines"]);
    broken(b"a\nb\n", &Reading { skip_rows: 2, ..standard() }, None, None, &["`skip_rows` passes over"]);
    broken(HEADER, &standard(), None, None, &["0 points", "at least 3"]);
    broken(format!("{HEADER}1,2,3\n2,3,4\n"), &standard(), None, None, &["2 points"]);
    let picture = b"\x89PNG\r\n\x1a\n\0\0";
    if cfg!(feature = "formats") {
        broken(picture, &standard(), None, None, &["is a picture"]);
    } else {
        broken(picture, &standard(), Some(1), Some(1), &["byte 0x89"]);
    }
    let latin = [HEADER.as_bytes(), b"1,2,3\n2,3\xB0,4\n"].concat();
    broken(latin, &standard(), Some(3), Some(2), &["byte 0xB0", "UTF-8"]);
    broken(format!("{HEADER}1,2,3\n2,3,4\0\n"), &standard(), Some(3), Some(3), &["NUL"]);
    let unmarked: Vec<u8> = plain().encode_utf16().flat_map(u16::to_le_bytes).collect();
    broken(unmarked, &standard(), Some(1), Some(1), &["NUL"]);
    let good = utf16(&format!("{HEADER}1,2,3\n2,3,"), u16::to_be_bytes);
    let cut = [&good[..], b"\0"].concat();
    broken(cut, &standard(), Some(3), Some(3), &["byte 0x00 is not valid UTF-16BE"]);
    let half = [&good[..], b"\xD8\0\0,"].concat();
    broken(half, &standard(), Some(3), Some(3), &["bytes 0xD8 0x00 are not valid UTF-16BE"]);
}

#[test]
fn broken_headers() {
    let first =
        |bytes: &str, reading: &Reading, pieces: &[&str]| broken(bytes, reading, Some(1), None, pieces);
    let plain = plain();
    let semicolons = plain.replace(',', ";");
    first(&semicolons, &standard(), &["`frequency_hz;gain_db;phase_deg`", "`reading: {delimiter: \";\"}`"]);
    first(&plain.replace(',', "\t"), &standard(), &["`reading: {delimiter: tab}`"]);
    first(&plain.replace(',', " "), &standard(), &["`reading: {delimiter: space}`"]);
    first(&plain, &parted_by(';'), &["`reading: {delimiter: \",\"}`"]);
    let german = semicolons.replace('.', ",");
    first(&german, &standard(), &["`reading: {delimiter: \";\", decimal: \",\"}`"]);
    let capital = plain.replace("frequency_hz", "Frequency_Hz");
    first(&capital, &standard(), &["no column `frequency_hz`", "column: \"Frequency_Hz\""]);
    let phase = plain.replace("phase_deg", "phase");
    first(&phase, &standard(), &["no column for `phase`", "`gain_db`", "`phase`"]);
    let others = plain.replace("gain_db,phase_deg", "a,b");
    first(&others, &standard(), &["no columns of the loop gain", "`a`, `b`"]);
    first(&plain.replace('\n', "\r"), &standard(), &["carriage return alone"]);
    first("100,1,2\n200,1,2\n300,1,2\n", &standard(), &["header: false"]);
    broken(format!("#\n\n{}", plain.replace("phase", "fase")), &standard(), Some(3), None, &["`fase_deg`"]);
    let doubled = plain.replace("phase_deg", "phase_deg, phase_deg ");
    broken(doubled, &standard(), Some(1), Some(4), &["column 4 `phase_deg`", "column 3"]);
    let doubled = each_line(&plain, |_, line| format!("x,{line},x"));
    broken(doubled, &standard(), Some(1), Some(5), &["column 5 `x`", "column 1"]);
    first("a,\"b\nc", &standard(), &["never closed"]);
    first("a,\"b\"c\n", &standard(), &["follows the closing quote"]);
    let commented = format!("#{plain}");
    broken(&commented, &standard(), Some(2), None, &["stands in a comment", "remove the `#`"]);
    let commented = format!("// {}", quote_all(&plain, ','));
    let marked = Reading { comment: "//".to_owned(), ..standard() };
    broken(&commented, &marked, Some(2), None, &["stands in a comment", "remove the `//`"]);
}

#[test]
fn broken_declarations() {
    let first = |reading: Reading, pieces: &[&str]| broken(plain(), &reading, Some(1), None, pieces);
    let bare = |columns| Reading { header: false, ..with(columns) };
    let gain = |name: &str| Columns { gain: column(named(name), GainUnit::Decibel), ..Columns::default() };
    let names = "`frequency_hz`, `gain_db`, `phase_deg`";
    first(with(gain("gain_dB")), &["names `gain_dB`", names, "did you mean `gain_db`?"]);
    first(with(gain("zzz")), &["names `zzz`", "as it stands in the header"]);
    first(with(polar_at(1, 2, 4)), &["`reading.columns.phase` is column 4", "3 fields"]);
    first(with(polar_at(0, 2, 3)), &["`reading.columns.frequency` is column 0", "count from 1"]);
    first(with(polar_at(1, 2, 1)), &["`frequency` and `phase` are both taken from column 1"]);
    first(bare(gain("gain_db")), &["names `gain_db`", "`header: false`", "position"]);
    first(bare(Columns::default()), &["`frequency` is not declared", "column: 1"]);
    first(with(Columns { imag: Some(named("gain_db")), ..Columns::default() }), &["no column for `real`"]);
    broken(plain(), &parted_by('|'), None, None, &["`reading.delimiter`"]);
    broken(plain(), &Reading { decimal: ',', ..standard() }, None, None, &["comma", "delimiter: \";\""]);
}

#[test]
fn broken_rows_and_numbers() {
    broken_rows("1,2,3\n2,3\n", 3, None, &["2 fields", "first row has 3"]);
    broken_rows("1,2,3\n\n# x\n2,3,4,5\n", 5, None, &["4 fields"]);
    broken_rows("1,2,3\n2,5,3,5,4,5\n", 3, None, &["6 fields", "decimal mark"]);
    broken_rows("1,2,3\n2,,4\n", 3, Some(2), &["nothing stands where the gain", "`-12.5`"]);
    broken_rows("1,2,3\n2,3,\n", 3, Some(3), &["nothing stands where the phase"]);
    let words =
        ["nan", "NaN", "inf", "-Infinity", "0x1F", "1_000", "1e", "--1", "1.2.3", "OVLD", "3 dB", "٣"];
    for text in words.into_iter().chain(["1\u{a0}", "1\u{2212}"]) {
        let rows = format!("1,2,3\n2,{text},4\n3,4,5\n");
        broken_rows(&rows, 3, Some(2), &[&format!("`{text}` is no number"), "the gain"]);
    }
    broken_rows("1,2,3\n2,\"1,000.5\",4\n", 3, Some(2), &["`1,000.5`", "thousands"]);
    broken_rows("1,2,3\n2,1e999,4\n", 3, Some(2), &["`1e999` is too large"]);
    broken_rows("1,2,3\n2,\"x\ny\",\"z\"\n", 3, Some(2), &["no number"]);
    broken_rows("1,2,3\n2,3,\"4\n", 3, None, &["never closed"]);
    broken_rows("1,2,3\n2,\"3\"4,5\n", 3, None, &["follows the closing quote"]);
    broken_rows("1,2,3\n2,\"3\"\"4\",5\n", 3, Some(2), &["`3\"4` is no number"]);
    broken_rows("1,2,3\n2, \"3\",5\n", 3, None, &["blanks stand before the quote", "remove the blanks"]);
    let semicolon = "frequency_hz;gain_db;phase_deg\n1;2,5;3\n";
    broken(semicolon, &parted_by(';'), Some(2), Some(2), &["`2,5`", "`reading: {decimal: \",\"}`"]);
    let comma = Reading { decimal: ',', ..parted_by(';') };
    let mixed = semicolon.replace("3\n", "1.5\n");
    broken(mixed, &comma, Some(2), Some(3), &["`1.5`", "decimal comma", "`-12,5`", "point"]);
    let spaced = "frequency_hz gain_db  phase_deg\n1 2\n";
    broken(spaced, &parted_by(' '), Some(2), None, &["2 fields"]);
    // The error after a field over two lines lies in the second line.
    let two_lines = "note,frequency_hz,gain_db,phase_deg\n\"a\nb\",1,x,3\n";
    broken(two_lines, &standard(), Some(3), Some(3), &["`x` is no number"]);
}

#[test]
fn broken_values() {
    broken_rows("0,2,3\n1,2,3\n", 2, Some(1), &["the frequency is `0`", "above 0"]);
    broken_rows("-1,2,3\n1,2,3\n", 2, Some(1), &["the frequency is `-1`"]);
    broken_rows("1,2,3\n2,99999,4\n", 3, Some(2), &["`99999`", "6000 dB", "unit: ratio"]);
    broken_rows("1,2,3\n2,2,1e300\n", 3, Some(3), &["`1e300`", "turns"]);
    let ratio = "frequency_hz,gain,phase_deg\n1,1,3\n";
    broken(format!("{ratio}2,0,3\n"), &standard(), Some(3), Some(2), &["gain is `0`", "above 0", "gain_db"]);
    broken(format!("{ratio}2,-2,3\n"), &standard(), Some(3), Some(2), &["gain is `-2`"]);
    let complex = "frequency_hz,imag,real\n1,1,1\n2,0,0\n";
    broken(complex, &standard(), Some(3), Some(3), &["the loop gain is 0"]);
    let sides = "frequency_hz,input_real,input_imag,output_real,output_imag\n1,1,1,1,1\n";
    broken(format!("{sides}2,0,0,1,1\n"), &standard(), Some(3), Some(2), &["the input side is 0"]);
    broken(format!("{sides}2,1,1,0,0\n"), &standard(), Some(3), Some(4), &["the output side is 0"]);
    broken(format!("{sides}2,1e-300,0,1e300,0\n"), &standard(), Some(3), Some(4), &["6000 dB"]);
    let frequency = column(named("frequency_hz"), FrequencyUnit(1e9));
    let giga = with(Columns { frequency, ..Columns::default() });
    broken(format!("{HEADER}1e308,2,3\n"), &giga, Some(2), Some(1), &["`1e308` is too large"]);
}

#[test]
fn broken_order() {
    broken_rows("1,2,3\n# x\n2,3,4\n2,4,5\n3,4,5\n", 5, Some(1), &["2 Hz stands twice", "line 4"]);
    let rising = "10,2,3\n30,3,4\n20.5,4,5\n40,4,5\n";
    broken_rows(rising, 4, Some(1), &["20.5 Hz follows 30 Hz in line 3", "rises", "above"]);
    let falling = "40,2,3\n30,3,4\n35,4,5\n20,1,1\n10,1,1\n";
    broken_rows(falling, 4, Some(1), &["35 Hz follows 30 Hz in line 3", "falls", "below"]);
    broken_rows("99,2,3\n1,2,3\n2,3,4\n3,4,5\n", 3, Some(1), &["1 Hz follows 99 Hz in line 2"]);
    let last = "gain_db,phase_deg,frequency_hz\n1,2,3\n1,2,3\n1,2,4\n";
    broken(last, &standard(), Some(3), Some(3), &["stands twice"]);
}

#[test]
fn excerpts_show_the_field() {
    let errors = try_read(format!("{HEADER}1,2,3\r\n2,\"µ\" ,4\r\n").as_bytes(), &standard()).unwrap_err();
    let excerpt = errors[0].excerpt.clone().unwrap();
    assert_eq!(excerpt.text, "2,\"µ\" ,4");
    assert_eq!(&excerpt.text[excerpt.mark], "µ");
}

#[test]
fn all_errors_of_a_file_are_told_up_to_a_point() {
    let errors = |rows: &str| try_read(format!("{HEADER}{rows}").as_bytes(), &standard()).unwrap_err();
    let found = errors("x,2,y\n3,0x,1\n2\n2,1,1\n1,1,1\n3,1,1\n4,1,1\n");
    let places: Vec<_> =
        found.iter().map(|e| e.place.as_ref().map(|p| (p.line, p.column)).unwrap()).collect();
    let expected =
        [(Some(2), Some(1)), (Some(2), Some(3)), (Some(3), Some(2)), (Some(4), None), (Some(6), Some(1))];
    assert_eq!(places, expected);

    let found = errors(&"1,x,1\n".repeat(50));
    assert_eq!(found.len(), 21);
    assert_eq!(found[20].severity, Severity::Warning);
    assert!(found[20].message.contains("30 more lines were not read"), "{}", found[20].message);
    assert_eq!(errors(&"1,x,1\n".repeat(20)).len(), 20);
    let found = errors(&"1,1,1\n".repeat(50));
    assert_eq!((found.len(), found[20].severity), (21, Severity::Warning));
}

#[test]
fn endless_lines_end_quickly_and_in_little_memory() {
    // Enough to see quadratic time or memory per byte, little enough for a build without optimisation.
    let long = 8 << 20;
    let started = std::time::Instant::now();
    broken("x".repeat(long), &standard(), Some(1), None, &["`xxxx", "…`"]);
    broken(",".repeat(long), &standard(), Some(1), None, &["more than 4096 fields"]);
    broken_rows(&format!("1,2,3\n2,{},4\n", "9".repeat(long)), 3, Some(2), &["too large"]);
    broken_rows(&format!("1,2,3\n2,{},4\n", "µ".repeat(long / 2)), 3, Some(2), &["no number"]);
    broken_rows(&",".repeat(long), 2, None, &["more than 4096 fields"]);
    broken_rows(&format!("1,2,3\n\"{}", "\n".repeat(long)), 3, None, &["never closed"]);
    let errors = try_read(format!("{HEADER}{}", "x\n".repeat(long / 2)).as_bytes(), &standard()).unwrap_err();
    let size: usize =
        errors.iter().map(|e| e.message.len() + e.excerpt.as_ref().map_or(0, |x| x.text.len())).sum();
    assert!(size < 20_000, "{size}");
    // Seconds at most, even unoptimised on a busy machine; quadratic time would take days.
    assert!(started.elapsed().as_secs() < 120);
}
