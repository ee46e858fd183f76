//! Sweeps and run files as text.

use super::measure::Reading;
use super::plan::{Form, RunPlan};
use std::fmt::Write as _;

/// One entry of a run's list of sweeps.
pub struct Entry {
    /// File name inside the run's folder.
    pub file: String,
    /// Corner.
    pub corner: &'static str,
    /// Level as YAML.
    pub level: String,
    /// Measured conditions, if they were noted: input in volt, load in ampere.
    pub actual: Option<(f64, f64)>,
}

/// A sweep as text, `what` in its head where the form has room for it. `gap_at` is the index of a row whose gain was not read.
pub fn sweep(form: Form, what: &str, readings: &[Reading], gap_at: Option<usize>) -> String {
    let mut text = head(form, what);
    for (index, reading) in readings.iter().enumerate() {
        let row = row(form, reading, gap_at == Some(index));
        text.push_str(&row);
        text.push('\n');
    }
    text
}

fn head(form: Form, what: &str) -> String {
    match form {
        Form::DbDegrees => "frequency_hz,gain_db,phase_deg\n".to_owned(),
        Form::RatioDegrees => format!("# {what}\nfrequency_hz,gain,phase_deg\n"),
        Form::RealImaginary => format!("# {what}\nfrequency_hz,real,imag\n"),
        Form::TwoSides => {
            format!(
                "# {what}, both sides in volt rms\nfrequency_hz,input_real,input_imag,output_real,output_imag\n"
            )
        }
        Form::Declared => format!("Loop of {what}\nTaken around the closed loop\nf/kHz;gain/dB;phase/rad\n"),
    }
}

fn row(form: Form, reading: &Reading, gap: bool) -> String {
    let gain = reading.loop_gain();
    let (magnitude, phase_rad) = gain.to_polar();
    let frequency_hz = reading.frequency_hz;
    let decibel = if gap { "--".to_owned() } else { format!("{:.4}", 20.0 * magnitude.log10()) };
    match form {
        Form::DbDegrees => format!("{frequency_hz:.2},{decibel},{:.3}", phase_rad.to_degrees()),
        Form::RatioDegrees => format!("{frequency_hz:.2},{magnitude:.6e},{:.3}", phase_rad.to_degrees()),
        Form::RealImaginary => format!("{frequency_hz:.2},{:.6e},{:.6e}", gain.re, gain.im),
        Form::TwoSides => format!(
            "{frequency_hz:.2},{:.6e},{:.6e},{:.6e},{:.6e}",
            reading.input.re, reading.input.im, reading.output.re, reading.output.im
        ),
        Form::Declared => format!("{:.5};{decibel};{phase_rad:.5}", frequency_hz / 1e3).replace('.', ","),
    }
}

/// The `reading` that [`Form::Declared`] needs; the other forms are recognised by their header.
const DECLARED_READING: &str = "reading:
  delimiter: \";\"
  decimal: \",\"
  skip_rows: 2
  columns:
    frequency: {column: \"f/kHz\", unit: kHz}
    gain: {column: \"gain/dB\", unit: dB}
    phase: {column: \"phase/rad\", unit: rad}
";

/// The run file. An empty list of `entries` stands for the pattern.
pub fn run(plan: &RunPlan, entries: &[Entry]) -> String {
    let board = &plan.board;
    let mut text = format!(
        "run: 1\nproduct: {}\nserial: {}\nrevision: {}\nfirmware: {}\nbuild: {}\ntaken: {}\nstation: {}\n",
        plan.product.name(),
        board.serial,
        board.revision.lower_case().to_uppercase(),
        board.firmware.label(),
        plan.build,
        plan.taken,
        plan.station,
    );
    if let Some(notes) = plan.notes {
        text.push_str(&format!("notes: {notes}\n"));
    }
    if plan.form == Form::Declared {
        text.push_str(DECLARED_READING);
    }
    if entries.is_empty() {
        text.push_str("pattern: \"{corner}_{level}.csv\"\n");
        return text;
    }
    text.push_str("sweeps:\n");
    for entry in entries {
        text.push_str(&line(entry));
    }
    text
}

fn line(entry: &Entry) -> String {
    let mut text = format!("  - {{file: {}, corner: {}, level: {}", entry.file, entry.corner, entry.level);
    if let Some((volt, ampere)) = entry.actual {
        // Writing to a String cannot fail.
        let _ = write!(text, ", actual: {{input: {volt} V, load: {ampere} A}}");
    }
    text.push_str("}\n");
    text
}
