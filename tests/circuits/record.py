#!/usr/bin/env python3
"""Runs the circuits of this folder, and the netlists of the demo's rails, in ngspice and writes what came out to `recorded/`.

    record.py            all of it, a few seconds
    record.py --check    all of it, held against what is recorded; status 1 where they differ

A file has both sides of the injection, in full precision: the loop gain around the loop is output/input. The circuits are
read by ngspice as they stand. Needs ngspice (Debian's package `ngspice`) and Python's standard library.
"""

import argparse
import concurrent.futures
import os
import pathlib
import re
import subprocess
import sys
import tempfile

HERE = pathlib.Path(__file__).resolve().parent
RECORDED = HERE / "recorded"
RAILS = HERE.parent.parent / "specs" / "circuits"
COLUMNS = "frequency_hz,input_real,input_imag,output_real,output_imag"
FROM_HZ = 10
PER_DECADE = 13  # 55 to 63 points

# Switching frequency of each circuit, Hz: a sweep ends at half of it.
CIRCUITS = {
    "buck-type3": 300e3,
    "buck-type2": 150e3,
    "buck-peak-current": 400e3,
    "boost-type3": 250e3,
    "boost-peak-current": 500e3,
    "flyback-optocoupler": 120e3,
    "flyback-peak-current": 200e3,
    "buck-input-filter": 300e3,
    "buck-digital": 500e3,
    "buck-digital-pade": 500e3,
    "buck-transconductance": 1e6,
    "buck-coupled-phases": 600e3,
    "buck-average-current": 200e3,
    "buck-remote-line": 300e3,
    "buck-second-stage": 500e3,
    "buck-high-q": 300e3,
}
# Switching frequency of each rail, Hz, and its corners: input voltage, load current, ambient temperature.
CORNERS = {
    "river-gauge-5v": (600e3, [(10, 0.5, 25), (10, 3, 25), (24, 0.5, 25), (24, 3, 25), (32, 0.5, 25), (32, 3, 25), (24, 3, -30)]),
    "river-gauge-3v3": (600e3, [(8, 0.5, 25), (8, 4, 25), (24, 0.5, 25), (24, 4, 25), (12, 4, -30), (12, 4, 70)]),
    "river-gauge-12v": (400e3, [(6, 0.2, 25), (6, 1, 25), (9, 0.2, 25), (9, 1, 25), (7.5, 1, -30)]),
    "river-gauge-1v8": (1e6, [(4.5, 0.3, 25), (4.5, 3, 25), (5.5, 0.3, 25), (5.5, 3, 25), (5, 3, 70)]),
}

# What a rerun may differ by, as a part of a side: the same program gives the same digits, another build of it rounds otherwise.
TOLERANCE = 1e-10


def plan():
    """Name of what is recorded, its netlist, its parameters and its switching frequency."""
    for name, switching_hz in CIRCUITS.items():
        yield name, HERE / f"{name}.cir", {}, switching_hz
    for name, (switching_hz, corners) in CORNERS.items():
        for volt, ampere, celsius in corners:
            parameters = {"VIN": volt, "ILOAD": ampere, "TEMP": celsius}
            label = f"{name}_{volt}V_{ampere}A_{celsius}degC"
            yield label, RAILS / f"{name}.cir", parameters, switching_hz


def injection(netlist):
    """Output side and input side: the + and the - node of the injected source."""
    found = re.search(r"^Vinj (\S+) (\S+) AC 1$", netlist.read_text(), re.MULTILINE)
    if not found:
        sys.exit(f"{netlist}: no line `Vinj OUT IN AC 1`")
    return found.groups()


def swept(netlist, parameters, switching_hz):
    """Rows of frequency, input side and output side."""
    out, fed = injection(netlist)
    settings = "".join(f"alterparam {name}={value}\n" for name, value in parameters.items())
    with tempfile.TemporaryDirectory() as folder:
        deck = pathlib.Path(folder) / "deck.cir"
        deck.write_text(
            f"loop gain\n.control\nset wr_singlescale\nset numdgt=16\nsource {netlist}\n{settings}"
            f"{'reset' if settings else ''}\nac dec {PER_DECADE} {FROM_HZ} {switching_hz / 2:.17g}\n"
            f"wrdata {folder}/result.dat v({fed}) v({out})\nquit\n.endc\n.end\n"
        )
        ran = subprocess.run(["ngspice", "-b", deck], cwd=folder, capture_output=True, text=True, timeout=60)
        data = pathlib.Path(folder) / "result.dat"
        said = f"{netlist}: ngspice said\n{ran.stdout}\n{ran.stderr}"
        if not data.exists() or re.search(r"(?i)\b(error|undefined|singular)\b", ran.stdout + ran.stderr):
            sys.exit(said)
        return [tuple(map(float, line.split())) for line in data.read_text().splitlines()]


def sweeps():
    # Threads are enough: they wait for ngspice.
    with concurrent.futures.ThreadPoolExecutor(os.cpu_count()) as pool:
        jobs = list(plan())
        rows = pool.map(lambda job: swept(*job[1:]), jobs)
        return [(name, parameters, found) for (name, _, parameters, _), found in zip(jobs, rows)]


def write(name, parameters, rows, version):
    said = f"# Made by tests/circuits/record.py with {version}.\n"
    if parameters:
        said += "# parameters: " + " ".join(f"{name}={value}" for name, value in parameters.items()) + "\n"
    lines = [",".join(repr(number) for number in row) for row in rows]
    (RECORDED / f"{name}.csv").write_text(said + COLUMNS + "\n" + "\n".join(lines) + "\n")


def read(name):
    lines = [line for line in (RECORDED / f"{name}.csv").read_text().splitlines() if not line.startswith("#")]
    return [tuple(map(float, line.split(","))) for line in lines[1:]]


def record():
    version = subprocess.run(["ngspice", "--version"], capture_output=True, text=True).stdout
    version = re.search(r"ngspice-\S+", version).group(0)
    RECORDED.mkdir(exist_ok=True)
    for left_over in RECORDED.glob("*.csv"):
        left_over.unlink()
    for name, parameters, rows in sweeps():
        write(name, parameters, rows, version)


def check():
    worst, bad, names = 0, 0, set()
    for name, _, rows in sweeps():
        names.add(name)
        recorded = read(name)
        if len(rows) != len(recorded):
            sys.exit(f"{name}: {len(rows)} points now, {len(recorded)} recorded")
        for now, was in zip(rows, recorded):
            off = abs(now[0] / was[0] - 1)
            for k in (1, 3):
                a, b = complex(*now[k : k + 2]), complex(*was[k : k + 2])
                off = max(off, abs(a / b - 1))
            worst = max(worst, off)
            if not off <= TOLERANCE:
                print(f"{name} at {was[0]:.6g} Hz: {off:.2g} off, allowed {TOLERANCE:.2g}")
                bad += 1
    for path in RECORDED.glob("*.csv"):
        if path.stem not in names:
            print(f"{path.name}: recorded of no circuit")
            bad += 1
    print(f"{len(names)} circuits, largest difference {worst:.1e}")
    return bad


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--check", action="store_true", help="rerun and compare with what is recorded")
    if parser.parse_args().check:
        sys.exit(1 if check() else 0)
    record()
