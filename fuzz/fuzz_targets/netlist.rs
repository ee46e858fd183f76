//! Bytes of a netlist that may include itself: read or refused with a place; what is read gives a loop gain or says why not.
#![no_main]

use libfuzzer_sys::fuzz_target;
use loopgauge::circuit::{Includes, Model, Netlist, Setting};
use loopgauge::diagnostic::has_errors;

/// One file of any name.
struct Same(String);

impl Includes for Same {
    fn open(&mut self, _: &str, path: &str) -> Result<(String, String), String> {
        Ok((path.to_owned(), self.0.clone()))
    }
}

fuzz_target!(|data: &[u8]| {
    let text = String::from_utf8_lossy(data).into_owned();
    let (netlist, findings) = Netlist::parse("loop.cir", &text, &mut Same(text.clone()));
    assert_eq!(netlist.is_none(), has_errors(&findings));
    assert!(findings.iter().all(|finding| finding.place.is_some()));
    let Some(netlist) = netlist else { return };
    let vary: Vec<String> = netlist.parts().take(3).map(str::to_owned).collect();
    for injection in netlist.sources().take(2) {
        let Ok(model) = Model::new(&netlist, &Setting { injection, parameters: &[], vary: &vary }) else { continue };
        let mut solver = model.solver();
        let mut slopes = vec![loopgauge::Complex64::default(); vary.len()];
        if let Ok(gain) = solver.with_slopes(1e4, &mut slopes) {
            assert!(gain.is_finite() && slopes.iter().all(|slope| slope.is_finite()));
        }
    }
});
