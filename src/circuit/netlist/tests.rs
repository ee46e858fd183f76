//! What is wrong with a netlist is said with its place, and no text is too much.

use super::{Includes, Netlist};
use proptest::prelude::*;
use std::collections::BTreeMap;

/// Files in memory.
#[derive(Default)]
struct Files(BTreeMap<&'static str, String>);

impl Includes for Files {
    fn open(&mut self, _: &str, path: &str) -> Result<(String, String), String> {
        let text = self.0.get(path).ok_or_else(|| format!("there is no file `{path}`"))?;
        Ok((path.to_owned(), text.clone()))
    }
}

/// All findings: place, what is marked, message and help.
fn findings(text: &str, files: &[(&'static str, &str)]) -> String {
    let mut files = Files(files.iter().map(|(name, text)| (*name, (*text).to_owned())).collect());
    let (netlist, findings) = Netlist::parse("loop.cir", text, &mut files);
    assert_eq!(netlist.is_none(), crate::diagnostic::has_errors(&findings), "{findings:?}");
    let lines = findings.iter().map(|finding| {
        let marked = finding.excerpt.as_ref().and_then(|excerpt| excerpt.text.get(excerpt.mark.clone()));
        let (marked, help) = (marked.unwrap_or_default(), finding.help.as_deref().unwrap_or_default());
        format!("{} [{marked}] {}; {help}", finding.code, finding.one_line())
    });
    lines.collect::<Vec<_>>().join("\n")
}

#[test]
fn elements_that_are_not_linear_are_named_with_what_to_use() {
    let text = "title\nD1 a 0 dmod\nM1 d g s 0 nmos\nS1 a b c 0 sw\nB1 a 0 V={v(b)^2}\nU1 a b\n?1 a b";
    insta::assert_snapshot!(findings(text, &[]), @r#"
    netlist-element [D1] loop.cir:2:1: `D1` is a diode, and only linear elements are read; a rectifier that switches is part of the averaged switch (`specs/circuits`); one that always conducts is its resistance: `R1 a b 20m`
    netlist-element [M1] loop.cir:3:1: `M1` is a transistor, and only linear elements are read; one that switches is part of the averaged switch (`specs/circuits`); one that amplifies is its transconductance: `G1 d s g s 10m`
    netlist-element [S1] loop.cir:4:1: `S1` is a switch, and only linear elements are read; use the averaged switch of `specs/circuits` for the cell of switch and diode
    netlist-element [B1] loop.cir:5:1: `B1` is a source given by an expression, and only linear elements are read; write its linear part about the operating point: `E1 out+ out- in+ in- gain` for `V=`, `G1 out+ out- in+ in- gain` for `I=`
    netlist-element [U1] loop.cir:6:1: `U1` is a device that is not read; write it with R, C, L, K, E, F, G, H and T; a lossless line is `T1 a 0 b 0 Z0=50 TD=10n`, ready parts are in `specs/circuits`
    netlist-element [?1] loop.cir:7:1: `?1` is no element that is known; elements begin with one of R, C, L, K, E, F, G, H, V, I, T, subcircuits with X; comments with `*`
    "#);
}

#[test]
fn wrong_elements_are_refused_where_they_stand() {
    let text = "title
R1 a
R2 a b RLOAD
R3 a b 1k5
R4 a b R=10k
C1 a b 1u IC=0
C2 a b 1u tc1=0.1
L1 a b 1u 2u
E1 a b POLY(1) c d 0 1
E2 a b VALUE={v(c)*2}
G1 a b c d
F1 a b 2
F2 a b Vnone 2
K1 L1 0.5
K2 L1 L9 0.5
T1 a b c d Z0=50
R5 a b {1+}
R6 a b {RLOAD}
r1 a b 1
R1 a b 1
R7 a b {sqr(2)}
R8 a b {1";
    insta::assert_snapshot!(findings(text, &[]), @r#"
    netlist-element [R1 a] loop.cir:2:1: `R1` has 1 nodes, 2 are wanted; write `R1 a b 10k`
    netlist-element [RLOAD] loop.cir:3:8: `RLOAD` is no number; write a number such as `4.7k`, or `{RLOAD}` for a parameter or an expression
    netlist-element [1k5] loop.cir:4:8: `1k5` is no number; write a number such as `4.7k`, or `{1k5}` for a parameter or an expression
    netlist-element [R] loop.cir:5:8: `R` is not read in a linear element; write the value alone: `R1 a b 10k`, `R1 a b {expression}`
    netlist-element [tc1] loop.cir:7:11: `tc1` is not read in a linear element; leave it away and write the value as it is at the corner
    netlist-element [2u] loop.cir:8:11: `2u` is a word too many; write `L1 a b 10u`
    netlist-element [POLY] loop.cir:9:8: `POLY` is not read in a linear element; write one linear element for each of its terms: `E1 out+ out- in+ in- gain`
    netlist-element [VALUE] loop.cir:10:8: `VALUE` is not read in a linear element; write the linear part about the operating point: `E1 out+ out- in+ in- gain`
    netlist-element [G1 a b c d] loop.cir:11:1: `G1` has no value, or a name too few; write `G1 out+ out- in+ in- transconductance`
    netlist-element [F1 a b 2] loop.cir:12:1: `F1` has no value, or a name too few; write `F1 out+ out- V1 gain`: V1 carries the current that controls
    netlist-partner [Vnone] loop.cir:13:8: `Vnone` is no voltage source beside this element; put `Vsense a b 0` where the current flows that controls
    netlist-element [K1 L1 0.5] loop.cir:14:1: `K1` has no value, or a name too few; write `K1 L1 L2 0.99`
    netlist-partner [L1] loop.cir:15:4: `L1` is no inductor beside this element; name inductors of the same subcircuit, each once
    netlist-partner [L9] loop.cir:15:7: `L9` is no inductor beside this element; name inductors of the same subcircuit, each once
    netlist-element [T1 a b c d Z0=50] loop.cir:16:1: `T1` lacks Z0, or has not one of TD and F; write `T1 a 0 b 0 Z0=50 TD=10n`, or with `F=10MEG NL=0.25`
    netlist-expression [] loop.cir:17:11: the expression ends where a value is wanted; write numbers, parameters, `+ - * / ^`, brackets and functions such as `sqrt(x)`
    netlist-parameter [RLOAD] loop.cir:18:9: there is no parameter `RLOAD`; write `.param RLOAD=1`
    netlist-name [R1] loop.cir:20:1: `R1` is there twice, first in line 19; give one of them another name
    netlist-expression [sqr] loop.cir:21:9: there is no function `sqr`; did you mean `sqrt`?
    netlist-field [{] loop.cir:22:8: what is opened here is not closed; write `name=value`, and expressions in `{` and `}`
    "#);
}

#[test]
fn wrong_subcircuits_and_parameters_are_refused_where_they_stand() {
    let text = "title
.param gain={2*gain2} gain2='1+gain'
.param gain=3
.param a=1 b
.param 1a=2
.subckt part in out params: R=1k
R1 in out {R}
R2 in out {inside}
.ends
.subckt part in
.ends other
.subckt twice n n
.ends
.ends
X1 a b prt
X2 a part
X3 a b part S=2
X4 a b
.subckt open a
R1 a 0 1";
    insta::assert_snapshot!(findings(text, &[]), @r#"
    netlist-circle [2*gain2] loop.cir:2:14: parameters go in a circle: gain needs gain2 needs gain; give one of them a number
    netlist-name [gain] loop.cir:3:8: the parameter `gain` is there twice, first in line 2; keep one of them
    netlist-field [b] loop.cir:4:12: `b` belongs to no parameter; write `.param a=1 b={2*a}`: an expression with blanks stands in braces
    netlist-element [1a] loop.cir:5:8: `1a` is no name of a parameter; write a letter, then letters, digits and `_`
    netlist-parameter [inside] loop.cir:8:12: there is no parameter `inside`; write `.param inside=1`; there are R, gain, gain2
    netlist-name [part] loop.cir:10:9: the subcircuit `part` is there twice, first in line 6; keep one of them
    netlist-subcircuit [other] loop.cir:11:7: `.ends other` ends `part`; write the name of the subcircuit that ends here, or none
    netlist-subcircuit [n] loop.cir:12:17: the node `n` is there twice; give each node of a subcircuit a name of its own
    netlist-subcircuit [.ends] loop.cir:14:1: `.ends` ends no subcircuit; remove it, or add `.subckt` before
    netlist-subcircuit [prt] loop.cir:15:8: there is no subcircuit `prt`; did you mean `part`?
    netlist-nodes [X2] loop.cir:16:1: `X2` has 1 nodes, `part` has 2; its nodes are in out
    netlist-parameter [S] loop.cir:17:13: `part` has no parameter `S`; only parameters in the line of `.subckt` can be set; there are R
    netlist-subcircuit [b] loop.cir:18:6: there is no subcircuit `b`; `.include` the file that has it; there are part, twice, open
    netlist-subcircuit [open] loop.cir:19:9: the subcircuit `open` is not ended; write `.ends` after its last line
    "#);
}

#[test]
fn commands_are_read_skipped_or_refused() {
    let text = "title
R1 a 0 1
.ac dec 10 1 1meg
.control
any thing D1 goes
.endc
.model dmod d
.func f(x) {x}
.lib parts.lib typ
.if (a)
.parm a=1
.frobnicate
.end
D1 is not read";
    insta::assert_snapshot!(findings(text, &[]), @r#"
    netlist-skipped [.ac] loop.cir:3:1: `.ac` is skipped: it has no part in the small-signal loop; nothing needs to be done
    netlist-skipped [.control] loop.cir:4:1: `.control` is skipped: it has no part in the small-signal loop; nothing needs to be done
    netlist-skipped [.model] loop.cir:7:1: `.model` is skipped: it has no part in the small-signal loop; nothing needs to be done
    netlist-command [.func] loop.cir:8:1: `.func` is not read, and it can change values; write the function out where it is used
    netlist-command [.lib] loop.cir:9:1: `.lib` is not read, and it can change values; use `.include` for a file without sections
    netlist-command [.if] loop.cir:10:1: `.if` is not read, and it can change values; write the choice into the expression: `{a > 1 ? 2 : 3}`
    netlist-command [.parm] loop.cir:11:1: `.parm` is no command that is known; did you mean `.param`?
    netlist-command [.frobnicate] loop.cir:12:1: `.frobnicate` is no command that is known; remove the line, or write `*` before it
    "#);
}

#[test]
fn files_are_included_and_their_places_are_theirs() {
    let good = [("parts.cir", "R1 a 0 {R}\n.include 'more.cir'"), ("more.cir", "* none\nC1 a 0 1n")];
    assert_eq!(
        findings(
            "title\n.param R=1k\n.include \"parts.cir\"\n.inc more2.cir",
            &[good[0], good[1], ("more2.cir", "")]
        ),
        ""
    );
    let text = "title\n.include parts.cir\n.include none.cir\n.include";
    let bad = [("parts.cir", "R1 a 0\n.include more.cir"), ("more.cir", ".include parts.cir")];
    insta::assert_snapshot!(findings(text, &bad), @r#"
    netlist-include [none.cir] loop.cir:3:10: there is no file `none.cir`; the path is relative to the file that includes it
    netlist-include [] loop.cir:4:9: `.include` names no file; write `.include parts.cir`
    netlist-element [R1 a 0] parts.cir:1:1: `R1` has no value, or a name too few; write `R1 a b 10k`
    netlist-include [parts.cir] more.cir:1:10: `parts.cir` includes itself, by way of loop.cir, parts.cir, more.cir; remove one of the `.include`
    "#);
}

#[test]
fn subcircuits_see_what_is_around_their_definition() {
    let text = "title
.param a=1
.global vcc
X1 in out outer b=2
.subckt outer i o params: b=1 c={a+b}
.param d={c*10}
.subckt inner i o
R1 i o {d}
R2 o vcc {pi/pi}
.ends
X1 i o inner
R1 i gnd {d} ; its own
.ends outer";
    let (netlist, findings) = Netlist::parse("loop.cir", text, &mut Files::default());
    assert!(findings.is_empty(), "{findings:?}");
    let flat = netlist.unwrap().inner;
    let elements: Vec<(&str, Vec<&str>)> = flat
        .elements
        .iter()
        .map(|e| (e.name.as_str(), e.nodes.iter().map(|node| flat.nodes[*node].as_str()).collect()))
        .collect();
    let wanted =
        [("X1.R1", vec!["in", "0"]), ("X1.X1.R1", vec!["in", "out"]), ("X1.X1.R2", vec!["out", "vcc"])];
    assert_eq!(elements, wanted);
    let names: Vec<&str> = flat.parameters.iter().map(|p| p.name.as_str()).collect();
    assert_eq!(names, ["a", "X1.b", "X1.c", "X1.d"]);
}

#[test]
fn a_bomb_of_subcircuits_is_stopped() {
    let mut text = "title\nX1 a s19\n.subckt s0 a\nR1 a 0 1\n.ends\n".to_owned();
    for level in 1..20 {
        let inner = level - 1;
        text.push_str(&format!(".subckt s{level} a\nX1 a s{inner}\nX2 a s{inner}\n.ends\n"));
    }
    let start = std::time::Instant::now();
    let found = findings(&text, &[]);
    assert!(found.contains("more than 2000 elements and instances once the subcircuits are open"), "{found}");
    assert!(start.elapsed().as_secs() < 5);
    let circle = findings("title\nX1 a s\n.subckt s a\nX1 a s\n.ends", &[]);
    assert!(circle.contains("one of them uses itself"), "{circle}");
    let nothing_inside = text.replace("R1 a 0 1\n", "");
    assert!(findings(&nothing_inside, &[]).contains("once the subcircuits are open"));
}

#[test]
fn large_texts_are_refused_soon() {
    let start = std::time::Instant::now();
    let long = |line: &str, count: usize| format!("title\n{}", line.repeat(count));
    assert!(findings(&long("R1 a 0 1\n", 300_000), &[]).contains("more than 2000000 bytes"));
    assert!(findings(&long("R1 a 0 1 ", 3_000), &[]).contains("longer than 10000 bytes"));
    assert!(findings(&long("+", 3_000), &[]).contains("none before it"));
    let many: String = (0..3_000).map(|at| format!("R{at} a 0 1\n")).collect();
    assert!(findings(&format!("title\n{many}"), &[]).contains("more than 2000 elements"));
    let name = "n".repeat(500);
    assert!(findings(&format!("title\nR1 {name} 0 1"), &[]).contains("a word of more than 200 bytes"));
    let pairs: String = (0..2_000).map(|at| format!(".param p{at}={{p{}}}\n", at + 1)).collect();
    assert!(findings(&format!("title\n{pairs}"), &[]).contains("there is no parameter `p2000`"));
    assert!(start.elapsed().as_secs() < 20);
}

/// Texts made of what netlists are made of.
fn netlist_like() -> impl Strategy<Value = String> {
    let words = prop::sample::select(vec![
        "R1", "C2", "L1", "K1", "E1", "F1", "G1", "H1", "V1", "I1", "T1", "X1", "D1", "a", "b", "0", "gnd",
        "1k", "2.2u", "-3", "1e999", "{", "}", "'", "(", ")", "=", ",", "+", "-", "*", "/", "^", "?", ":",
        ";", "$", "\n", "\n", "\n+", ".param", ".subckt", ".ends", ".include", ".end", ".control", ".endc",
        "s", "s", "params:", "x", "Z0", "TD", "sqrt(", "min(", " ", "\t", "\u{b5}", "\u{2212}", "\r",
    ]);
    prop::collection::vec((words, prop::bool::ANY), 0..80).prop_map(|words| {
        let words =
            words.into_iter().map(|(word, glued)| if glued { word.to_owned() } else { format!("{word} ") });
        format!("title\n{}", words.collect::<String>())
    })
}

proptest! {
    #[test]
    fn no_text_panics_and_errors_have_places(text in prop_oneof![netlist_like(), ".{0,300}", "(\\PC{0,30}\n){0,10}"]) {
        let mut files = Files([("x", text.clone()), ("s", text.clone())].into());
        let (netlist, findings) = Netlist::parse("loop.cir", &text, &mut files);
        prop_assert!(findings.len() <= 50);
        prop_assert_eq!(netlist.is_none(), crate::diagnostic::has_errors(&findings));
        for finding in &findings {
            prop_assert!(finding.place.as_ref().is_some_and(|place| place.line.is_some()));
            let excerpt = finding.excerpt.as_ref().unwrap();
            prop_assert!(excerpt.text.get(excerpt.mark.clone()).is_some());
        }
    }
}
