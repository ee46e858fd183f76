//! Any bytes, any text and any damage are read or refused.

use super::{HEADER, encoded, plain, polar_at, standard, try_read, utf16};
use loopgauge::diagnostic::has_errors;
use loopgauge::sweep::{Columns, Reading};
use proptest::prelude::*;
use proptest::test_runner::RngSeed;

fn any_reading() -> impl Strategy<Value = Reading> {
    let columns = prop::sample::select(vec![Columns::default(), polar_at(1, 2, 3), polar_at(3, 1, 9)]);
    let marks = (prop::sample::select(vec![',', ';', '\t', ' ', '|']), prop::sample::select(vec!['.', ',']));
    let labels = vec![
        "utf-8",
        "utf-8",
        "windows-1252",
        "utf-16le",
        "shift_jis",
        "gb18030",
        "iso-2022-jp",
        "x-user-defined",
    ];
    let encoding = prop::sample::select(labels).prop_map(|label| encoded(label).encoding);
    let marks = (marks, encoding);
    (marks, columns, any::<bool>(), 0usize..3, prop::sample::select(vec!["", "#", "1", "µ"])).prop_map(
        |(((delimiter, decimal), encoding), columns, header, skip_rows, comment)| {
            let comment = comment.to_owned();
            Reading {
                encoding,
                delimiter,
                decimal,
                comment,
                skip_rows,
                header,
                columns,
                ..Reading::default()
            }
        },
    )
}

/// Whatever was read keeps what `Samples` promises; whatever was not says why.
fn sound(bytes: &[u8], reading: &Reading) {
    match try_read(bytes, reading) {
        Ok(samples) => {
            assert!(samples.len() >= 3);
            assert_eq!(samples.ln_magnitude().len(), samples.len());
            assert_eq!(samples.phase_rad().len(), samples.len());
            assert!(samples.frequency_hz()[0] > 0.0);
            assert!(samples.frequency_hz().is_sorted_by(|a, b| a < b));
            let all = samples.frequency_hz().iter().chain(samples.ln_magnitude()).chain(samples.phase_rad());
            assert!(all.copied().all(f64::is_finite));
        }
        Err(errors) => {
            assert!(has_errors(&errors));
            assert!(errors.len() <= 21);
            for excerpt in errors.iter().filter_map(|error| error.excerpt.as_ref()) {
                assert!(excerpt.text.get(excerpt.mark.clone()).is_some());
            }
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { rng_seed: RngSeed::Fixed(1), ..ProptestConfig::with_cases(1000) })]

    #[test]
    fn any_bytes_are_read_or_refused(
        bytes in prop::collection::vec(any::<u8>(), 0..300),
        mark in prop::sample::select(vec![&b""[..], b"\xFF\xFE", b"\xFE\xFF", b"\xEF\xBB\xBF"]),
        reading in any_reading(),
    ) {
        sound(&[mark, &bytes].concat(), &reading);
    }

    #[test]
    fn any_text_of_the_trade_is_read_or_refused(
        text in "[0-9,;.\t \"\r\n#e+µ-]{0,200}",
        reading in any_reading(),
    ) {
        sound(text.as_bytes(), &reading);
        sound(format!("{HEADER}{text}").as_bytes(), &standard());
        sound(&utf16(&text, u16::to_le_bytes), &reading);
    }

    #[test]
    fn a_damaged_file_is_read_or_refused(at in 0usize..3000, byte in any::<u8>(), cut in any::<bool>()) {
        let mut bytes = plain().into_bytes();
        let at = at.min(bytes.len() - 1);
        if cut {
            bytes.truncate(at);
        } else {
            bytes[at] = byte;
        }
        sound(&bytes, &standard());
    }
}
