//! What the help of a message says: it must not say what cannot be done.

use super::{RUN, SPEC, errors_of_run, spec};
use loopgauge::diagnostic::Diagnostic;

fn help(errors: &[Diagnostic]) -> (&'static str, &str) {
    let [error] = errors else { panic!("{errors:#?}") };
    (error.code, error.help.as_deref().unwrap_or_default())
}

#[test]
fn a_key_that_is_required_is_not_to_be_removed() {
    for (from, to) in [
        ("serial: RG-00042", "serial: \"\""),
        ("serial: RG-00042", "serial: ~"),
        ("revision: C", "revision:"),
        ("file: a.csv", "file: ~"),
    ] {
        let errors = errors_of_run(&RUN.replace(from, to), &[]);
        let (_, help) = help(&errors);
        assert!(help.starts_with("write ") && help.ends_with(": the key is required"), "{to}: {help}");
    }
    let errors = spec(&SPEC.replace("name: cold-start", "name: ~")).unwrap_err();
    assert!(help(&errors).1.ends_with(": the key is required"), "{errors:#?}");
    // Of others that is what can be done.
    let errors = errors_of_run(&RUN.replace("revision: C", "revision: C\nfirmware: \"\""), &[]);
    assert_eq!(help(&errors).1, "write a label, or remove the key");
}

#[test]
fn a_reason_is_words() {
    let waived = |reason: &str| {
        SPEC.replace("{crossover: 2 %, phase_margin: 2 deg}", &format!("{{waived: {reason}}}"))
    };
    for wrong in ["true", "No", "off", "17", "-1.5e3"] {
        for text in [waived(wrong), SPEC.replace("\"ECO 17 pending\"", wrong)] {
            let errors = spec(&text).unwrap_err();
            let (code, help) = help(&errors);
            assert!(code == "no-reason" && help.contains(", such as `"), "{wrong}: {errors:#?}");
        }
    }
    for right in ["\"true\"", "\"17\"", "no second level", "one level", "17 V only"] {
        assert!(spec(&waived(right)).is_ok(), "{right}");
    }
}

#[test]
fn a_switch_is_no_free_text() {
    for key in ["operator", "instrument", "calibrated_until", "injection"] {
        let run = |text: &str| RUN.replace("revision: C", &format!("revision: C\n{key}: {text}"));
        assert_eq!(help(&errors_of_run(&run("true"), &[])).0, "no-text", "{key}");
        for right in ["\"true\"", "4711", "true to the plan"] {
            assert!(errors_of_run(&run(right), &[]).is_empty(), "{key}: {right}");
        }
    }
}

#[test]
fn units_that_cannot_be_are_told_and_not_exchanged() {
    let told = |max: &str| {
        let errors = spec(&SPEC.replace("max: 30 kHz", &format!("max: {max}"))).unwrap_err();
        help(&errors).1.to_owned()
    };
    assert!(told("30 mHz").starts_with("one of the units `kHz` and `mHz` may be wrong"));
    assert_eq!(told("3 kHz"), "write `min: 3 kHz, max: 8 kHz`, or correct one of them");
}
