"""The JSON Schema in the hands of a public validator (check-jsonschema from PyPI, which reads YAML as editors do).

usage: schema_readers.py LOOPGAUGE CHECK-JSONSCHEMA, in the project's folder. The schema is a schema; the specs and runs of the
demo and what `begin` writes are valid; what `lint` refuses in one file is not valid either, mistake by mistake, and other
ways to write what is sound are valid.
"""

import pathlib
import subprocess
import sys
import tempfile

# Without its circuit, which has mistakes of its own.
SPEC = pathlib.Path("specs/river-gauge-5v.yaml").read_text().split("circuit:")[0]
COMMON = pathlib.Path("specs/common.yaml").read_text()
RUN = pathlib.Path("demo-data/rev-c/RG-00021/river-gauge-5v/run.yaml").read_text()

# What replaces what in a file; each must be refused by `lint` and by the schema.
SPEC_MISTAKES = [
    ("spec: 1", "spec: 2"),
    ("product: river-gauge-5v", "product: river gauge"),
    ("critical_point: +1", "critical_point: 0"),
    ("switching_frequency: 600 kHz", "switching_frequency: 600"),
    ("switching_frequency: 600 kHz", "switching_frequency: 600 khz"),
    ("switching_frequency: 600 kHz", "switching_frequency: 0 kHz"),
    ("switching_frequency: 600 kHz", "switching_frequency: -600 kHz"),
    ("switching_frequency: 600 kHz", "density: many"),
    ("switching_frequency: 600 kHz", "density: 0"),
    ("switching_frequency: 600 kHz", "open_loop_poles: 1.5"),
    ("switching_frequency: 600 kHz", "open_loop_poles: 4000000000"),
    ("switching_frequency: 600 kHz", "density: 10000000"),
    ("switching_frequency: 600 kHz", "decision: {coverage: 1000}"),
    ("switching_frequency: 600 kHz", "drift: {setup: 1000000000}"),
    ("switching_frequency: 600 kHz", "drift: {forecast: {groups: 1000000000}}"),
    ("switching_frequency: 600 kHz", "accuracy: {gain: -0.1 dB}"),
    ("switching_frequency: 600 kHz", "decision: {rule: strict}"),
    ("switching_frequency: 600 kHz", "decision: {coverage: 2 dB}"),
    ("switching_frequency: 600 kHz", "injection_point: {impedance_ratio: 1}"),
    ("switching_frequency: 600 kHz", "conditions_tolerance: 0.02"),
    ("switching_frequency: 600 kHz", "drift: {chart: shewhart}"),
    ("switching_frequency: 600 kHz", "drift: {setup: 1}"),
    ("switching_frequency: 600 kHz", "linearity: {waived: x, gain: 1 dB}"),
    ("switching_frequency: 600 kHz", "linearity: {band: [0.1]}"),
    ("switching_frequency: 600 kHz", "regression: {phase_margin: {shift: 3 deg}}"),
    ("switching_frequency: 600 kHz", "reading: {delimiter: '|'}"),
    ("switching_frequency: 600 kHz", "reading: {encoding: windows 1252}"),
    ("switching_frequency: 600 kHz", "reading: {encoding: [utf-8]}"),
    ("switching_frequency: 600 kHz", "reading: {columns: {gain: {column: g}}}"),
    ("switching_frequency: 600 kHz", "reading: {columns: {gain: {column: 0, unit: dB}}}"),
    ("switching_frequency: 600 kHz", "waivers: [{corner: cold-start, check: crossover, reason: x, until: 31.3.2027}]"),
    ("switching_frequency: 600 kHz", "waivers: [{corner: cold-start, check: crossover, until: 2027-03-31}]"),
    ("switching_frequency: 600 kHz", "switching: 600 kHz"),
    ("switching_frequency: 600 kHz", "circuit: {netlist: [a.cir]}"),
    ("switching_frequency: 600 kHz", "circuit: {vary: {Cout: 100 %}}"),
    ("switching_frequency: 600 kHz", "circuit: {vary: {Cout: 0 %}}"),
    ("switching_frequency: 600 kHz", "circuit: {vary: {Cout: 0.2}}"),
    ("switching_frequency: 600 kHz", "circuit: {parameters: {VIN: [input]}}"),
    ("switching_frequency: 600 kHz", "circuit: {limits: {unexplained: 2}}"),
    ("switching_frequency: 600 kHz", "circuit: {limits: {}}"),
    ("phase_margin: {min: 50 deg}", "phase_margin: {min: 50}"),
    ("phase_margin: {min: 50 deg}", "phase_margin: 50 deg"),
    ("phase_margin: {min: 50 deg}", "phase_margin: {}"),
    ("phase_margin: {min: 50 deg}", "phase_margn: {min: 50 deg}"),
    ("phase_margin: {min: 50 deg}", "stability_margin: {min: 6 dB}"),
    ("{at: 120 Hz, min: 30 dB}", "{at: 120 Hz}"),
    ("{at: 120 Hz, min: 30 dB}", "{at: 120 Hz, to: 200 Hz, min: 30 dB}"),
    ("{at: 120 Hz, min: 30 dB}", "{from: 120 Hz, min: 30 dB}"),
    ("  - name: cold-start", "  - title: cold-start"),
    ("load: [0.5 A, 3 A]", "load: [0.5, 3]"),
    ("load: [0.5 A, 3 A]", "load: []"),
    ("load: [0.5 A, 3 A]", "load: [0.5 amps]"),
]
# Mistakes in a spec that extends nothing.
WHOLE_MISTAKES = [("linearity:", "linear:"), ("critical_point: +1             #", "#"), ("from: 100 Hz, ", "")]
RUN_MISTAKES = [
    ("run: 1", "run: 3"),
    ("serial: RG-00021\n", ""),
    ("serial: RG-00021", "serial:"),
    ("revision: C\n", ""),
    ("taken: 2026-05-26T08:00:00Z", "taken: 2026-05-26"),
    ("taken: 2026-05-26T08:00:00Z", "reference: perhaps"),
    ("station: bench-1", "pattern: '{corner}.csv'"),
    ("station: bench-1", "bench: 1"),
    ("file: 10v-0.5a.csv", "file: ../10v-0.5a.csv"),
    ("file: 10v-0.5a.csv", "file: /10v-0.5a.csv"),
    ("{file: 10v-0.5a.csv, ", "{"),
    ("level: {profile: gentle, offset: 0 dB}", "level: {profile: gentle}"),
    ("level: {profile: gentle, offset: 0 dB}", "level: -26"),
    ("level: {profile: gentle, offset: 0 dB}", "level: -26 dB"),
    ("level: {profile: gentle, offset: 0 dB}", "level: 0 Vpp"),
    ("file: cold-start.csv, corner: cold-start, level: -26 dBm", "file: cold-start.csv, corner: cold-start, level: quiet"),
]
# Other ways to write what is sound; each must be taken by `lint` and by the schema.
SPEC_WAYS = [
    ("critical_point: +1", "critical_point: 1"),
    ("critical_point: +1", "critical_point: '+1'"),
    ("critical_point: +1", "critical_point: -1"),
    ("spec: 1", "spec: '1'"),
    ("title: 5 V rail of the river-gauge telemetry board", "title: 5"),
    ("switching_frequency: 600 kHz", "switching_frequency: 6.0e5Hz"),
    ("switching_frequency: 600 kHz", "switching_frequency: +0.6 MHz"),
    ("switching_frequency: 600 kHz", "density: '15'"),
    ("switching_frequency: 600 kHz", "density: 15.5"),
    ("switching_frequency: 600 kHz", "accuracy: {delay: 0.002 \u00b5s, gain: 0 dB}"),
    ("switching_frequency: 600 kHz", "accuracy: {delay: 0.002 \u03bcs}"),
    ("switching_frequency: 600 kHz", "linearity: {waived: one level}"),
    ("switching_frequency: 600 kHz", "linearity: {band: ['0.1', 10]}"),
    ("switching_frequency: 600 kHz", "band: {to: 150 kHz}"),
    ("switching_frequency: 600 kHz", "injection_point: {impedance_ratio: 1e-3}"),
    ("switching_frequency: 600 kHz", "injection_point: {impedance_ratio: 0}"),
    ("switching_frequency: 600 kHz", "reading: {delimiter: tab, header: false, columns: {frequency: {column: 1, unit: GHz},"
     " real: 2, imag: {column: 3}}}"),
    ("switching_frequency: 600 kHz", "reading: {columns: {gain: {column: 'gain 2', unit: dB}}}"),
    ("switching_frequency: 600 kHz", "reading: {encoding: Latin1}"),
    ("switching_frequency: 600 kHz", "reading: {encoding: Shift_JIS}"),
    ("phase_margin: {min: 50 deg}", "phase_margin: {min: -50deg, max: 5e1 deg}"),
    ("load: [0.5 A, 3 A]", "load: [500 mA, burst]"),
    ("load: [0.5 A, 3 A]", "load: [yes, true]"),
    ("    conditions: {input: 24 V, load: 3 A, ambient: -30 degC}\n", ""),
    ("name: cold-start", "name: 24"),
]
RUN_WAYS = [
    ("serial: RG-00021", "serial: 00021"),
    ("revision: C", "revision: 2.10"),
    ("revision: C", "revision: true"),
    ("station: bench-1", "reference: true"),
    ("taken: 2026-05-26T08:00:00Z", "taken: 2026-05-26T10:00:00.5+02:00"),
    ("level: {profile: gentle, offset: 0 dB}", "level: {profile: gentle, offset: -1.5 dB}"),
    ("file: 10v-0.5a.csv", "file: morning/10v-0.5a..csv"),
    ("corner: cold-start, level: -26 dBm", "corner: cold-start, level: 20 mVpp"),
]


def main(loopgauge: str, validator: str) -> None:
    loopgauge = str(pathlib.Path(loopgauge).resolve())
    with tempfile.TemporaryDirectory() as name:
        room = pathlib.Path(name)
        schemas = {}
        for what in ("both", "spec", "run"):
            words = [] if what == "both" else [what]
            text = subprocess.run([loopgauge, "schema", *words], check=True, capture_output=True).stdout
            schemas[what] = room / f"{what}.schema.json"
            schemas[what].write_bytes(text)
        is_valid(validator, ["--check-metaschema", *map(str, schemas.values())], True)

        specs = sorted(map(str, pathlib.Path("specs").glob("*.yaml")))
        runs = sorted(map(str, pathlib.Path("demo-data").rglob("run.yaml")))
        begun = begin(loopgauge, room)
        for what, files in (("spec", [*specs, begun[0]]), ("run", [*runs, begun[1]]), ("both", specs + runs + begun)):
            is_valid(validator, ["--schemafile", str(schemas[what]), *files], True)

        (room / "specs/common.yaml").write_text(COMMON)
        count, count_sound = 0, 0
        for sample, mistakes, file, what in (
            (SPEC, SPEC_MISTAKES, room / "specs/river-gauge-5v.yaml", "spec"),
            (COMMON + "product: river-gauge-5v\ncorners: [{name: a}]\n", WHOLE_MISTAKES, room / "specs/river-gauge-5v.yaml", "spec"),
            (RUN, RUN_MISTAKES, room / "run/run.yaml", "run"),
        ):
            file.parent.mkdir(exist_ok=True)
            for old, new in mistakes:
                if sample.count(old) != 1:
                    sys.exit(f"error: {old!r} does not stand once in the sample")
                if what == "run":
                    (room / "specs/river-gauge-5v.yaml").write_text(SPEC)
                file.write_text(sample.replace(old, new))
                ran = subprocess.run([loopgauge, "lint", "--specs", room / "specs", file], capture_output=True, text=True)
                # The sweeps are not there: a run that gets as far as its sweeps was taken.
                if ran.returncode != 2 or "sweeps-missing" in ran.stderr:
                    sys.exit(f"error: lint takes {old!r} -> {new!r}\n{ran.stderr}")
                is_valid(validator, ["--schemafile", str(schemas[what]), str(file)], False, f"{old!r} -> {new!r}")
                count += 1
        for sample, ways, file, what in (
            (SPEC, SPEC_WAYS, room / "specs/river-gauge-5v.yaml", "spec"),
            (RUN, RUN_WAYS, room / "run/run.yaml", "run"),
        ):
            (room / "specs/river-gauge-5v.yaml").write_text(SPEC)
            for old, new in ways:
                if sample.count(old) != 1:
                    sys.exit(f"error: {old!r} does not stand once in the sample")
                file.write_text(sample.replace(old, new))
                ran = subprocess.run([loopgauge, "lint", "--specs", room / "specs", file], capture_output=True, text=True)
                if ran.returncode != (0 if what == "spec" else 2) or what == "run" and "sweeps-missing" not in ran.stderr:
                    sys.exit(f"error: lint refuses {old!r} -> {new!r}\n{ran.stderr}")
                is_valid(validator, ["--schemafile", str(schemas[what]), str(file)], True, f"{old!r} -> {new!r}")
                count_sound += 1
        print(f"{len(specs)} specs and {len(runs)} runs are valid, {count_sound} other ways to write them too, {count} mistakes are not")


def begin(loopgauge: str, room: pathlib.Path) -> list[str]:
    """What `begin` writes: a spec and a run."""
    spec = "specs/river-gauge-9v.yaml"
    subprocess.run([loopgauge, "begin", "river-gauge-9v"], check=True, cwd=room, capture_output=True)
    words = ["begin", "--run", "begun", "--spec", spec, "--serial", "00042", "--revision", "2.10"]
    subprocess.run([loopgauge, *words], check=True, cwd=room, capture_output=True)
    return [str(room / spec), str(room / "begun/run.yaml")]


def is_valid(validator: str, words: list[str], wanted: bool, what: str = "") -> None:
    ran = subprocess.run([validator, *words], capture_output=True, text=True)
    # 0: all valid; 1: something is not. Anything else is a fault of the call.
    if ran.returncode not in (0, 1) or (ran.returncode == 0) != wanted or "raised an error" in ran.stdout + ran.stderr:
        sys.exit(f"error: {what or words}: wanted {'valid' if wanted else 'not valid'}\n{ran.stdout}{ran.stderr}")


main(*sys.argv[1:])
