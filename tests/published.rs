//! Margins of published loops.
mod common;
use loopgauge::curve::{Curve, Span};
use loopgauge::margins::*;
use loopgauge::spec::CriticalPoint;
use loopgauge::sweep::Samples;

#[test]
fn quick_table() {
    for l in common::loops() {
        for ppd in [15.0, 25.0, 50.0, 100.0, 200.0] {
            let mut worst = [0.0f64; 5];
            let mut wrong = [0; 2];
            for k in 0..25 {
                let grid = l.grid(ppd, k as f64 / 25.0);
                let mut s = Samples::default();
                for &f in &grid {
                    let g = l.gain(f);
                    s.frequency_hz.push(f);
                    s.ln_magnitude.push(g.norm().ln());
                    s.phase_rad.push(g.arg());
                }
                let mut c = Curve::new();
                c.fill(&s, CriticalPoint::MinusOne);
                let mut x = Crossings::default();
                x.find(&c);
                let want = l.case["gain_crossovers"].as_array().unwrap();
                let wantp = l.case["phase_crossovers"].as_array().unwrap();
                if x.gain.len() != want.len() {
                    wrong[0] += 1;
                } else {
                    for (c, w) in x.gain.iter().zip(want) {
                        let f = w["f_hz"].as_f64().unwrap();
                        worst[0] = worst[0].max((c.point.hz() / f - 1.0).abs() * 100.0);
                        let pm = w["phase_margin_deg"].as_f64().unwrap();
                        worst[1] = worst[1].max((phase_margin_of(c).value.to_degrees() - pm).abs());
                    }
                }
                if x.phase.len() != wantp.len() {
                    wrong[1] += 1;
                } else {
                    for (c, w) in x.phase.iter().zip(wantp) {
                        let gm = w["gain_margin_db"].as_f64().unwrap();
                        worst[2] = worst[2].max((-c.point.db() - gm).abs());
                    }
                }
                let sm = stability_margin(&c, &x, c.span());
                worst[3] =
                    worst[3].max((sm.value - l.case["stability_margin"]["value"].as_f64().unwrap()).abs());
                if let Some(d) = delay_margin(&x, c.span()) {
                    let w = l.case["summary"]["delay_margin_s"].as_f64().unwrap();
                    worst[4] = worst[4].max((d.value / w - 1.0).abs() * 100.0);
                }
            }
            println!(
                "{:26} {:5} {} min {:3} | {:.2e} % {:.2e} deg {:.2e} dB {:.2e} sm {:.1e} % dm | wrong {:?}",
                l.id,
                ppd,
                if l.is_smooth() { "smooth" } else { "reson." },
                l.case["sweep"]["points_per_decade_min"],
                worst[0],
                worst[1],
                worst[2],
                worst[3],
                worst[4],
                wrong
            );
        }
    }
}
