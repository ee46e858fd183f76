"""JUnit files as others read them: counts per suite and verdict, held against the JSON result of the same check.

usage: junit_readers.py LOOPGAUGE    (from the project's folder; needs junitparser)

Reads the report of the demo, and of a run whose every text is hostile: markup, CDATA ends, control characters, emoji.
"""

import json
import subprocess
import sys
import tempfile
from collections import Counter
from pathlib import Path

from junitparser import Error, Failure, JUnitXml, Skipped

NASTY = "a<b>&amp;\"'%s]]>\u0001\u001b[31m\ufffe\u202e\u0085 \U0001f600 \r\n\t x"
# The same without control characters, which labels may not have.
LABEL = "a<b>&amp;\"'%s]]>\ufffe\u202e \U0001f600  x"

# What stands in JUnit for each verdict: element and type.
ELEMENTS = {
    "pass": None,
    "fail": (Failure, "fail"),
    "undecided": (Error, "undecided"),
    "invalid": (Error, "invalid"),
    "missing": (Error, "missing"),
    "waived": (Skipped, "waived"),
    "not_judged": (Skipped, "not_judged"),
}


def check(program, folder, arguments, status):
    """Runs a check that writes both files; gives them."""
    junit, result = folder / "result.xml", folder / "result.json"
    command = [program, "check", *arguments, "--junit", str(junit), "--json", str(result)]
    done = subprocess.run(command, capture_output=True, text=True)
    if done.returncode != status:
        sys.exit(f"{command} ends with {done.returncode}, wanted {status}:\n{done.stdout}{done.stderr}")
    return junit, json.loads(result.read_text(encoding="utf-8"))


def verdict_of(case):
    """The verdict that a case tells."""
    results = case.result
    if len(results) > 1:
        sys.exit(f"{case.classname} {case.name} has {len(results)} results")
    told = (type(results[0]), results[0].type) if results else None
    for verdict, element in ELEMENTS.items():
        if told == element:
            return verdict
    if told == (Error, "unreadable"):
        return "unreadable"
    sys.exit(f"{case.classname} {case.name}: {told} is no verdict")


def compare(junit, result):
    """Holds the suites against the runs; gives the number of cases."""
    suites = list(JUnitXml.fromfile(str(junit)))
    read = [suite for suite in suites if all(verdict_of(case) != "unreadable" for case in suite)]
    if len(read) != len(result["runs"]):
        sys.exit(f"{len(read)} suites for {len(result['runs'])} runs")
    for suite, run in zip(read, result["runs"]):
        checks = [
            (corner["corner"], check["check"], check["verdict"])
            for corner in run["corners"]
            for check in corner["checks"]
        ]
        cases = [(case.name, verdict_of(case)) for case in suite]
        if cases != [(name, verdict) for _, name, verdict in checks]:
            sys.exit(f"{suite.name}: cases and checks differ")
        count = Counter(verdict for _, verdict in cases)
        wanted = (
            len(cases),
            count["fail"],
            count["undecided"] + count["invalid"] + count["missing"],
            count["waived"] + count["not_judged"],
        )
        if (suite.tests, suite.failures, suite.errors, suite.skipped) != wanted:
            sys.exit(f"{suite.name}: its counts are not those of its cases")
    unreadable = len(suites) - len(read)
    if bool(unreadable) != bool(result["errors"]):
        sys.exit(f"{unreadable} unreadable runs, {len(result['errors'])} errors")
    return sum(suite.tests for suite in suites)


def quoted(text):
    """A YAML scalar in double quotes, everything but plain ASCII escaped."""
    plain = (c if c.isascii() and c.isprintable() and c not in '"\\' else f"\\U{ord(c):08x}" for c in text)
    return '"' + "".join(plain) + '"'


def hostile(folder):
    """Writes a spec and a run full of hostile text; gives their paths."""
    text, label = quoted(NASTY), quoted(LABEL)
    corner = quoted("1.5 V  <corner>&\"']]>\U0001f600")
    (folder / "specs").mkdir()
    (folder / "specs" / "river-gauge-5v.yaml").write_text(
        f"""spec: 1
product: river-gauge-5v
title: {text}
critical_point: +1
band: {{from: 100 Hz, to: 200 kHz}}
accuracy: {{gain: 0.1 dB, phase: 0.5 deg}}
limits: {{phase_margin: {{min: 80 deg}}, gain_margin: {{min: 10 dB}}}}
linearity: {{crossover: 2 %, phase_margin: 2 deg}}
corners:
  - name: {corner}
    conditions: {{{label}: {quoted("x" + LABEL)}}}
  - name: {quoted("missing <&>")}
  - name: waived
waivers:
  - {{corner: waived, check: collected, reason: {text}, until: 2999-12-31}}
""",
        encoding="utf-8",
    )
    run = folder / "runs <&>'\" ]]> \U0001f600"
    run.mkdir(parents=True)
    demo = Path("demo-data/rev-c/RG-00021/river-gauge-5v")
    for name in ("24v-3a.csv", "24v-3a-check.csv"):
        (run / f"<&> {name}").write_bytes((demo / name).read_bytes())
    (run / "run.yaml").write_text(
        f"""run: 1
product: river-gauge-5v
serial: {label}
revision: {label}
firmware: {label}
build: {label}
station: {label}
notes: {quoted(NASTY * 20000)}
sweeps:
  - {{file: "<&> 24v-3a.csv", corner: {corner}, level: -26 dBm}}
  - {{file: "<&> 24v-3a-check.csv", corner: {corner}, level: -23 dBm}}
""",
        encoding="utf-8",
    )
    return run, folder / "specs"


def strict(junit):
    """The strictest reader at hand: no recovery, no network."""
    done = subprocess.run(["xmllint", "--noout", "--nonet", str(junit)], capture_output=True, text=True)
    if done.returncode or done.stderr:
        sys.exit(f"xmllint refuses {junit}:\n{done.stderr}")


def main():
    program = str(Path(sys.argv[1]).resolve())
    with tempfile.TemporaryDirectory() as name:
        demo, nasty = Path(name, "demo"), Path(name, "nasty")
        demo.mkdir()
        nasty.mkdir()
        junit, result = check(program, demo, ["demo-data"], 2)
        strict(junit)
        print(f"demo: {compare(junit, result)} cases")
        run, specs = hostile(nasty)
        junit, result = check(program, nasty, [str(run), "--specs", str(specs)], 1)
        strict(junit)
        cases = compare(junit, result)
        verdicts = Counter(check["verdict"] for corner in result["runs"][0]["corners"] for check in corner["checks"])
        for verdict in ("pass", "fail", "missing", "waived", "not_judged"):
            if not verdicts[verdict]:
                sys.exit(f"the hostile run has no check that is {verdict}")
        print(f"hostile text: {cases} cases")


main()
