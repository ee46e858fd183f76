//! What labs write beside plain text: one loop in many layouts and formats gives the same samples, broken files are refused with what they are.

#![cfg(feature = "formats")]
#![allow(clippy::unwrap_used, clippy::panic, clippy::indexing_slicing, reason = "a test fails by panicking")]

use flate2::Compression;
use flate2::write::GzEncoder;
use loopgauge::diagnostic::Diagnostic;
use loopgauge::spec::load_reading;
use loopgauge::sweep::{Complex64, Reading, Samples, Scratch, read};
use std::f64::consts::TAU;
use std::fmt::Write as _;
use std::io::Write as _;

/// An integrator with a pole, from 100 Hz to 1 MHz.
fn points() -> Vec<(f64, Complex64)> {
    let hz = (0..61).map(|k| 100.0 * 10f64.powf(f64::from(k) / 15.0));
    hz.map(|hz| (hz, Complex64::new(0.0, -9e3 / hz) / Complex64::new(1.0, hz / 6e4))).collect()
}

/// The samples as numbers in memory give them.
fn wanted() -> Samples {
    let (hz, gain): (Vec<f64>, Vec<Complex64>) = points().into_iter().unzip();
    Samples::from_complex(&hz, &gain).unwrap()
}

fn try_read(bytes: &[u8], reading: &str) -> Result<Samples, Vec<Diagnostic>> {
    let reading = if reading.is_empty() {
        Reading::default()
    } else {
        load_reading(reading.as_bytes(), "reading.yaml")?
    };
    let mut samples = Samples::default();
    read(bytes, &"loop".into(), &reading, &mut Scratch::default(), &mut samples).map(|()| samples)
}

#[track_caller]
fn told(bytes: &[u8], reading: &str) -> Diagnostic {
    try_read(bytes, reading).unwrap_err().remove(0)
}

/// Equal but for the rounding of what the file holds; a phase may be a turn off.
#[track_caller]
fn is_the_loop(bytes: &[u8], reading: &str) {
    let found = try_read(bytes, reading).unwrap_or_else(|errors| panic!("{errors:#?}"));
    let wanted = wanted();
    assert_eq!(found.len(), wanted.len());
    for k in 0..wanted.len() {
        let hz = found.frequency_hz()[k] / wanted.frequency_hz()[k] - 1.0;
        let gain = found.ln_magnitude()[k] - wanted.ln_magnitude()[k];
        let turns = (found.phase_rad()[k] - wanted.phase_rad()[k]) / TAU;
        assert!(hz.abs() < 1e-14 && gain.abs() < 1e-13 && (turns - turns.round()).abs() < 1e-13, "{k}");
    }
}

/// The same samples, to the last bit.
#[track_caller]
fn is_exact(bytes: &[u8], reading: &str) {
    assert_eq!(try_read(bytes, reading).unwrap_or_else(|errors| panic!("{errors:#?}")), wanted());
}

/// Rows of numbers with all their digits.
fn rows(row: impl Fn(f64, Complex64) -> Vec<f64>) -> String {
    let lines = points().into_iter().map(|(hz, gain)| {
        let fields: Vec<String> = row(hz, gain).iter().map(|number| format!("{number:?}")).collect();
        fields.join(",") + "\n"
    });
    lines.collect()
}

fn parts(hz: f64, gain: Complex64) -> Vec<f64> {
    vec![hz, gain.re, gain.im]
}

#[test]
fn a_row_of_units_and_a_footer_are_passed_over() {
    let rows = rows(parts);
    let with = |units: &str, footer: &str| format!("frequency_hz,real,imag\n{units}{rows}{footer}");
    is_exact(with("Hz,1,1\n", "").as_bytes(), "units_row: true");
    is_exact(with("\n# as exported\n[Hz],\"\",\n", "").as_bytes(), "units_row: true");
    is_exact(with("", "End of sweep\n\u{b5}V, x\n").as_bytes(), "footer_rows: 2");
    is_exact(with("Hz\n", "End").as_bytes(), "{units_row: true, footer_rows: 1}");
    let wide: Vec<u8> =
        format!("\u{feff}{}", with("", "End\n")).encode_utf16().flat_map(u16::to_le_bytes).collect();
    is_exact(&wide, "footer_rows: 1");
    assert!(told(with("Hz,,\n", "").as_bytes(), "").message.contains("no number"));
    assert!(told(b"a\n", "footer_rows: 9").message.contains("empty"));
    assert!(load_reading(b"{header: false, units_row: true}", "r.yaml").is_err());
}

#[test]
fn frequencies_have_a_unit_of_their_own() {
    is_the_loop(
        format!("frequency_hz,real,imag\n{}", rows(|hz, t| vec![TAU * hz, t.re, t.im])).as_bytes(),
        "frequency_unit: rad/s",
    );
    is_the_loop(
        format!("w,real,imag\n{}", rows(|hz, t| vec![TAU * hz, t.re, t.im])).as_bytes(),
        "columns: {frequency: {column: w, unit: rad/s}}",
    );
    is_the_loop(
        format!("frequency_hz,real,imag\n{}", rows(|hz, t| vec![hz / 1e3, t.re, t.im])).as_bytes(),
        "frequency_unit: kHz",
    );
    let both = load_reading(b"{frequency_unit: kHz, columns: {frequency: {column: f, unit: Hz}}}", "r.yaml");
    assert_eq!(both.unwrap_err()[0].code, "repeated-unit");
}

#[test]
fn two_sides_by_magnitude_and_phase_are_output_over_input() {
    let input = |hz: f64| Complex64::from_polar(0.02 + hz * 1e-9, 0.3);
    let sides = |hz: f64, t: Complex64| (input(hz), input(hz) * t);
    let volts = rows(|hz, t| {
        let (input, output) = sides(hz, t);
        vec![hz, input.norm(), input.arg().to_degrees(), output.norm(), output.arg().to_degrees()]
    });
    let names = "frequency_hz,input_magnitude,input_phase,output_magnitude,output_phase\n";
    is_the_loop(format!("{names}{volts}").as_bytes(), "");
    is_the_loop(
        format!("f,A,PA,B,PB\n{volts}").as_bytes(),
        "columns: {frequency: {column: f, unit: Hz}, input_magnitude: A, input_phase: PA, \
         output_magnitude: {column: B, unit: V}, output_phase: {column: PB, unit: deg}}",
    );
    let decibels = rows(|hz, t| {
        let (input, output) = sides(hz, t);
        let db = |side: Complex64| 20.0 * side.norm().log10();
        vec![hz, db(output), output.arg(), db(input), input.arg()]
    });
    is_the_loop(
        decibels.as_bytes(),
        "{header: false, columns: {frequency: {column: 1, unit: Hz}, input_magnitude: {column: 4, unit: dB}, \
         input_phase: {column: 5, unit: rad}, output_magnitude: {column: 2, unit: dB}, output_phase: {column: 3, unit: rad}}}",
    );
    let mixed = "columns: {input_magnitude: {column: A, unit: dB}, output_magnitude: {column: B, unit: V}}";
    assert_eq!(load_reading(mixed.as_bytes(), "r.yaml").unwrap_err()[0].code, "mixed-units");
    let negative = format!("{names}100,1,0,2,0\n200,-1,0,2,0\n300,1,0,2,0\n");
    let error = told(negative.as_bytes(), "");
    let place = error.place.unwrap();
    assert_eq!((place.line, place.column), (Some(3), Some(2)));
    assert!(error.message.contains("the magnitude is `-1`"), "{}", error.message);
}

fn packed(bytes: &[u8]) -> Vec<u8> {
    let mut encoder = GzEncoder::new(Vec::new(), Compression::default());
    encoder.write_all(bytes).unwrap();
    encoder.finish().unwrap()
}

#[test]
fn what_is_packed_is_read_through() {
    let text = format!("frequency_hz,real,imag\n{}", rows(parts));
    is_exact(&packed(text.as_bytes()), "");
    let lines =
        json_lines(|hz, t| format!("{{\"frequency_hz\":{hz:?},\"real\":{:?},\"imag\":{:?}}}", t.re, t.im));
    is_exact(&packed(lines.as_bytes()), "format: jsonl");
    // Errors have the places of what is inside.
    let place = told(&packed(b"frequency_hz,real,imag\n1,2,3\n2,x,3\n"), "").place.unwrap();
    assert_eq!((place.line, place.column), (Some(3), Some(2)));
    // And nothing of another file is shown because it is packed.
    let secret = told(&packed(b"machine git.example login ci password s3cret\n"), "");
    assert!(secret.excerpt.is_none() && !format!("{secret:?}").contains("s3cret"), "{secret:?}");
}

fn json_lines(line: impl Fn(f64, Complex64) -> String) -> String {
    points().into_iter().map(|(hz, gain)| line(hz, gain) + "\n").collect()
}

#[test]
fn json_lines_are_rows_by_their_keys() {
    is_exact(
        json_lines(|hz, t| {
            format!("{{\"frequency_hz\": {hz:?}, \"loop_gain\": [{:?}, {:?}], \"note\": \"ok\"}}", t.re, t.im)
        })
        .as_bytes(),
        "format: jsonl",
    );
    // The order of the keys is free from line to line.
    let turned = json_lines(|hz, t| {
        let (real, imag) = (format!("\"real\":{:?}", t.re), format!("\"imag\":{:?}", t.im));
        if hz > 1e4 {
            format!("{{{imag},{real},\"f\":{hz:?}}}")
        } else {
            format!("{{\"f\":{hz:?},{real},{imag}}}")
        }
    });
    is_exact(turned.as_bytes(), "{format: jsonl, columns: {frequency: {column: f, unit: Hz}}}");
    let good = "{\"frequency_hz\":1,\"gain_db\":2,\"phase_deg\":3}\n";
    for (bad, message) in [
        ("{\"frequency_hz\":2,\"gain_db\":2}\n", "has other keys than the first line"),
        ("[1,2,3]\n", "is no JSON object"),
        ("{\"frequency_hz\":2,\"gain_db\":[1],\"phase_deg\":3}\n", "holds a list that is no pair of numbers"),
        ("\n", "is no JSON object"),
    ] {
        let error = told(format!("{good}{bad}{good}").as_bytes(), "format: jsonl");
        assert_eq!((error.message.as_str(), error.place.unwrap().line), (message, Some(2)));
    }
    // What the checks of rows find has the line of the file, too.
    let falling = format!("{good}{good}{good}");
    assert_eq!(told(falling.as_bytes(), "format: jsonl").place.unwrap().line, Some(2));
}

#[test]
fn touchstone_of_one_port_and_two_is_read() {
    let file = |options: &str, row: &dyn Fn(f64, Complex64) -> String| {
        let mut text = format!("! a loop gain\n# {options}\n! Hz\n");
        points().into_iter().for_each(|(hz, gain)| writeln!(text, "{}", row(hz, gain)).unwrap());
        text.into_bytes()
    };
    is_exact(&file("Hz S RI R 50", &|hz, t| format!("{hz:?} {:?} {:?}", t.re, t.im)), "format: touchstone");
    is_the_loop(
        &file("kHz S MA R 50", &|hz, t| {
            format!("{:?}\t{:?} {:?} ! row", hz / 1e3, t.norm(), t.arg().to_degrees())
        }),
        "format: touchstone",
    );
    is_the_loop(
        &file("MHZ S DB R 50", &|hz, t| {
            format!("{:?} {:?} {:?}", hz / 1e6, 20.0 * t.norm().log10(), t.arg().to_degrees())
        }),
        "format: touchstone",
    );
    let two = file("HZ S RI R 50", &|hz, t| format!("{hz:?} 0.1 0.2 {:?} {:?} 0.3 0.4 0.5 0.6", t.re, t.im));
    is_exact(&two, "format: touchstone");
    let other = try_read(&two, "{format: touchstone, columns: {real: s12_real, imag: s12_imag}}").unwrap();
    assert!((other.ln_magnitude()[5] - 0.5f64.ln()).abs() < 1e-15);
    for (text, piece) in [
        ("[Version] 2.0\n# Hz S RI R 50\n1 2 3\n", "line 1 is a keyword of version 2"),
        ("# Hz S RI R 50\n1 2 3\n2 3\n", "line 3 has no frequency with one pair"),
        ("# Hz S RI R 50\n1 2 x\n", "line 2 holds something else than numbers"),
    ] {
        let error = told(text.as_bytes(), "format: touchstone");
        assert!(error.message.contains(piece), "{}", error.message);
    }
}

/// An array file of version 1 as NumPy writes it (format in NumPy Enhancement Proposal 1; from memory).
fn npy(descr: &str, by_columns: bool, shape: &str, data: &[u8]) -> Vec<u8> {
    let order = if by_columns { "True" } else { "False" };
    let mut header = format!("{{'descr': {descr}, 'fortran_order': {order}, 'shape': {shape}, }}");
    header.push_str(&" ".repeat(63 - (header.len() + 10) % 64));
    header.push('\n');
    let length = u16::try_from(header.len()).unwrap().to_le_bytes();
    [b"\x93NUMPY\x01\x00".as_slice(), &length, header.as_bytes(), data].concat()
}

fn bytes<const N: usize>(numbers: impl IntoIterator<Item = f64>, as_bytes: fn(f64) -> [u8; N]) -> Vec<u8> {
    numbers.into_iter().flat_map(as_bytes).collect()
}

#[test]
fn arrays_of_numpy_are_read_to_the_last_bit() {
    let all = || points().into_iter();
    let by_rows: Vec<f64> = all().flat_map(|(hz, t)| [hz, t.re, t.im]).collect();
    let by_columns: Vec<f64> =
        all().map(|p| p.0).chain(all().map(|p| p.1.re)).chain(all().map(|p| p.1.im)).collect();
    let places = "{format: npy, columns: {frequency: {column: 1, unit: Hz}, real: 2, imag: 3}}";
    is_exact(&npy("'<f8'", false, "(61, 3)", &bytes(by_rows.clone(), f64::to_le_bytes)), places);
    is_exact(&npy("'>f8'", false, "(61, 3)", &bytes(by_rows.clone(), f64::to_be_bytes)), places);
    is_exact(&npy("'<f8'", true, "(61, 3)", &bytes(by_columns, f64::to_le_bytes)), places);
    let fields = "[('frequency_hz', '<f8'), ('loop_gain', '<c16')]";
    is_exact(&npy(fields, false, "(61,)", &bytes(by_rows.clone(), f64::to_le_bytes)), "format: npy");
    let whole = npy("'<f8'", false, "(61, 3)", &bytes(by_rows, f64::to_le_bytes));
    for cut in [0, 5, 9, 60, whole.len() - 1] {
        assert_eq!(told(&whole[..cut], places).code, "sweep-format", "{cut}");
    }
    for (descr, shape) in
        [("'|O'", "(61,)"), ("'<f8'", "(3, 3, 3)"), ("'<f8'", "(99999999999999999999,)"), ("'<f16'", "(1,)")]
    {
        assert_eq!(
            told(&npy(descr, false, shape, &[0; 512]), "format: npy").code,
            "sweep-format",
            "{descr} {shape}"
        );
    }
}

#[test]
fn archives_of_arrays_name_their_columns() {
    let all = || points().into_iter();
    let frequency = npy("'<f8'", false, "(61,)", &bytes(all().map(|p| p.0), f64::to_le_bytes));
    let gain = npy("'<c16'", false, "(61,)", &bytes(all().flat_map(|(_, t)| [t.re, t.im]), f64::to_le_bytes));
    let setting = npy("'<i4'", false, "()", &50_i32.to_le_bytes());
    let archive = |parts: &[(&str, &[u8])], method| {
        let mut writer = zip::ZipWriter::new(std::io::Cursor::new(Vec::new()));
        for (name, part) in parts {
            let options = zip::write::SimpleFileOptions::default().compression_method(method);
            writer.start_file(*name, options).unwrap();
            writer.write_all(part).unwrap();
        }
        writer.finish().unwrap().into_inner()
    };
    let parts: [(&str, &[u8]); 3] =
        [("averages.npy", &setting), ("loop_gain.npy", &gain), ("frequency_hz.npy", &frequency)];
    for method in [zip::CompressionMethod::Stored, zip::CompressionMethod::Deflated] {
        is_exact(&archive(&parts, method), "format: npz");
    }
    let stored = archive(&parts, zip::CompressionMethod::Stored);
    assert!(told(&stored, "").help.unwrap().contains("format: npz"));
    assert_eq!(told(&stored[..200], "format: npz").code, "sweep-format");
    let short = npy("'<f8'", false, "(60,)", &bytes(all().map(|p| p.0), f64::to_le_bytes));
    let uneven =
        archive(&[("loop_gain.npy", &gain), ("frequency_hz.npy", &short)], zip::CompressionMethod::Stored);
    assert!(told(&uneven, "format: npz").message.contains("different lengths"));
    let other = told(&stored, "{format: npz, columns: {frequency: {column: f, unit: Hz}}}");
    assert!(other.message.contains("`reading.columns.frequency` names `f`"), "{}", other.message);
}

#[test]
fn complex_numbers_in_one_field_are_read_where_their_column_is_declared_for_both() {
    let lines = |field: &dyn Fn(Complex64) -> String| {
        let rows = points().into_iter().map(|(hz, gain)| format!("{hz:?}\t{}\tok\n", field(gain)));
        rows.collect::<String>()
    };
    let columns = "columns: {real: T, imag: T}";
    let head = "frequency_hz\tT\tnote\n";
    for field in [
        &(|t: Complex64| format!("{:?}{:+?}i", t.re, t.im)) as &dyn Fn(Complex64) -> String,
        &|t| format!("({:?}{:+?}j)", t.re, t.im),
        &|t| format!("({:?},{:?})", t.re, t.im),
    ] {
        let text = format!("# made\n{head}{}", lines(field));
        is_exact(text.as_bytes(), &format!("{{delimiter: tab, {columns}}}"));
    }
    let polar = |t: Complex64| format!("({:?}dB,{:?}deg)", 20.0 * t.norm().log10(), t.arg().to_degrees());
    let gain = "columns: {frequency: {column: 1, unit: Hz}, gain: {column: 2, unit: dB}, phase: {column: 2, unit: deg}}";
    is_the_loop(lines(&polar).as_bytes(), &format!("{{delimiter: tab, header: false, {gain}}}"));
    let sign = |t: Complex64| polar(t).replace("deg", "\u{b0}");
    // In Latin-1 every character is the byte of its number.
    let latin: Vec<u8> = lines(&sign).chars().map(|c| u8::try_from(u32::from(c)).unwrap()).collect();
    is_the_loop(&latin, &format!("{{delimiter: tab, encoding: windows-1252, header: false, {gain}}}"));
    // Quoted, with decimal commas and rows to pass over.
    let comma = lines(&|t| format!("{:?}{:+?}i", t.re, t.im)).replace('.', ",").replace('\t', ";");
    let comma = format!("station;3\nframes\nfrequency_hz;\"T\";note\nHz;;\n{comma}end\n");
    is_exact(
        comma.as_bytes(),
        &format!(
            "{{delimiter: ';', decimal: ',', skip_rows: 2, units_row: true, footer_rows: 1, {columns}}}"
        ),
    );
    // What is wrong has its place; what is not declared is told how to be.
    let bad = format!("{head}1\t1+2i\tok\n\n2\t1+2k\tok\n3\t1+1i\tok\n");
    let error = told(bad.as_bytes(), &format!("{{delimiter: tab, {columns}}}"));
    let place = error.place.unwrap();
    assert_eq!((place.line, place.column), (Some(4), Some(2)));
    assert!(error.message.contains("`1+2k` is not a complex number"), "{}", error.message);
    let late = format!("{head}1\t1+2i\tok\n\n\nx\t1+2i\tok\n3\t1+1i\tok\n");
    assert_eq!(told(late.as_bytes(), &format!("{{delimiter: tab, {columns}}}")).place.unwrap().line, Some(5));
    for field in ["1+2i", "(40dB,170deg)"] {
        let error = told(format!("frequency_hz\treal\timag\n1\t{field}\t0\n").as_bytes(), "delimiter: tab");
        assert!(error.help.unwrap().contains("two numbers in one field"), "{field}");
    }
    let other = "columns: {input_real: a, input_imag: b, output_real: a, output_imag: b}";
    assert_eq!(load_reading(other.as_bytes(), "r.yaml").unwrap_err()[0].code, "repeated-column");
}

/// A spreadsheet of as many sheets as there are lists of rows; `None` is an empty cell (Office Open XML, ECMA-376; from memory).
fn xlsx(sheets: &[String]) -> Vec<u8> {
    let main = "http://schemas.openxmlformats.org/spreadsheetml/2006/main";
    let office = "http://schemas.openxmlformats.org/officeDocument/2006/relationships";
    let package = "http://schemas.openxmlformats.org/package/2006";
    let numbered = |text: &dyn Fn(usize) -> String| (1..=sheets.len()).map(text).collect::<String>();
    let mut parts = vec![
        (
            "[Content_Types].xml".to_owned(),
            format!(
                "<Types xmlns=\"{package}/content-types\"><Default Extension=\"xml\" ContentType=\"application/xml\"/></Types>"
            ),
        ),
        (
            "_rels/.rels".to_owned(),
            format!(
                "<Relationships xmlns=\"{package}/relationships\"><Relationship Id=\"r1\" Type=\"{office}/officeDocument\" \
                 Target=\"xl/workbook.xml\"/></Relationships>"
            ),
        ),
        (
            "xl/workbook.xml".to_owned(),
            format!(
                "<workbook xmlns=\"{main}\" xmlns:r=\"{office}\"><sheets>{}</sheets></workbook>",
                numbered(&|k| format!("<sheet name=\"S{k}\" sheetId=\"{k}\" r:id=\"s{k}\"/>"))
            ),
        ),
        (
            "xl/_rels/workbook.xml.rels".to_owned(),
            format!(
                "<Relationships xmlns=\"{package}/relationships\">{}</Relationships>",
                numbered(&|k| format!(
                    "<Relationship Id=\"s{k}\" Type=\"{office}/worksheet\" Target=\"worksheets/s{k}.xml\"/>"
                ))
            ),
        ),
    ];
    for (sheet, k) in sheets.iter().zip(1..) {
        let text = format!("<worksheet xmlns=\"{main}\"><sheetData>{sheet}</sheetData></worksheet>");
        parts.push((format!("xl/worksheets/s{k}.xml"), text));
    }
    let mut writer = zip::ZipWriter::new(std::io::Cursor::new(Vec::new()));
    for (name, part) in parts {
        writer.start_file(name, zip::write::SimpleFileOptions::default()).unwrap();
        writer.write_all(part.as_bytes()).unwrap();
    }
    writer.finish().unwrap().into_inner()
}

/// Rows of a sheet from this row and the second column on.
fn sheet(first: usize) -> String {
    let text = |row: usize, names: [&str; 3]| {
        let cells = names.iter().zip(["B", "C", "D"]).map(|(name, column)| {
            format!("<c r=\"{column}{row}\" t=\"inlineStr\"><is><t>{name}</t></is></c>")
        });
        format!("<row r=\"{row}\">{}</row>", cells.collect::<String>())
    };
    let rows = points().into_iter().zip(first + 1..).map(|((hz, gain), row)| {
        let cells = [hz, gain.re, gain.im].into_iter().zip(["B", "C", "D"]);
        let cells = cells.map(|(number, column)| format!("<c r=\"{column}{row}\"><v>{number:?}</v></c>"));
        format!("<row r=\"{row}\">{}</row>", cells.collect::<String>())
    });
    text(first, ["frequency_hz", "real", "imag"]) + &rows.collect::<String>()
}

#[cfg(feature = "xlsx")]
#[test]
fn the_one_sheet_of_a_spreadsheet_is_read() {
    is_exact(&xlsx(&[sheet(1)]), "format: xlsx");
    is_exact(&xlsx(&[String::new(), sheet(4)]), "format: xlsx");
    let titled =
        format!("<row r=\"1\"><c r=\"A1\" t=\"inlineStr\"><is><t>station 3</t></is></c></row>{}", sheet(3));
    is_exact(&xlsx(&[titled]), "{format: xlsx, skip_rows: 2}");
    // Places are rows of the sheet.
    let broken = sheet(4).replacen("<v>100.0</v>", "<v>-100.0</v>", 1);
    let error = told(&xlsx(&[broken]), "format: xlsx");
    assert_eq!(error.place.unwrap().line, Some(5), "{}", error.message);
    assert!(told(&xlsx(&[sheet(1), sheet(1)]), "format: xlsx").message.contains("more than one sheet"));
    assert!(told(&xlsx(&[String::new()]), "format: xlsx").message.contains("no cells"));
    let far = "<row r=\"1048576\"><c r=\"XFD1048576\"><v>1</v></c></row>".to_owned();
    assert!(told(&xlsx(&[far]), "format: xlsx").message.contains("cannot be read"));
    let whole = xlsx(&[sheet(1)]);
    for cut in [0, 10, 300, whole.len() - 30] {
        assert_eq!(told(&whole[..cut], "format: xlsx").code, "sweep-format", "{cut}");
    }
}

#[cfg(not(feature = "xlsx"))]
#[test]
fn a_spreadsheet_is_told_what_reads_it() {
    let error = told(&xlsx(&[sheet(1)]), "format: xlsx");
    assert!(error.message.contains("without the feature `xlsx`"), "{}", error.message);
    assert!(error.help.unwrap().contains("CSV"));
    assert!(told(&xlsx(&[sheet(1)]), "").help.unwrap().contains("save the sheet as CSV"));
}

/// Files that numpy, pandas, scikit-rf and openpyxl write are read as they read them, to the last bit; where `LOOPGAUGE_TEST_PYTHON` names a
/// Python that has them.
#[test]
fn what_packages_write_is_read_as_they_read_it() {
    let Some(python) = std::env::var_os("LOOPGAUGE_TEST_PYTHON") else {
        eprintln!("skipped: LOOPGAUGE_TEST_PYTHON is not set");
        return;
    };
    let folder = tempfile::tempdir().unwrap();
    let script = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/lab_writers.py");
    let ran = std::process::Command::new(python).arg(script).arg(folder.path()).output().unwrap();
    assert!(ran.status.success(), "{}", String::from_utf8_lossy(&ran.stderr));
    let mut count = 0;
    for entry in std::fs::read_dir(folder.path()).unwrap() {
        let path = entry.unwrap().path();
        let name = path.file_name().unwrap().to_str().unwrap().to_owned();
        let beside = |end: &str| std::fs::read_to_string(folder.path().join(format!("{name}.{end}")));
        let (Ok(bits), Ok(reading)) = (beside("bits"), beside("reading")) else { continue };
        if name.ends_with(".xlsx") && cfg!(not(feature = "xlsx")) {
            continue;
        }
        let number = |text: &str| f64::from_bits(u64::from_str_radix(text, 16).unwrap());
        let rows: Vec<Vec<f64>> = bits.lines().map(|line| line.split(' ').map(number).collect()).collect();
        let (hz, gain): (Vec<f64>, Vec<Complex64>) =
            rows.iter().map(|row| (row[0], Complex64::new(row[1], row[2]))).unzip();
        let found =
            try_read(&std::fs::read(&path).unwrap(), &reading).unwrap_or_else(|e| panic!("{name}: {e:#?}"));
        assert_eq!(found, Samples::from_complex(&hz, &gain).unwrap(), "{name}");
        count += 1;
    }
    assert!(count >= 15, "{count} files");
}
