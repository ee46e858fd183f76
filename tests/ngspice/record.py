#!/usr/bin/env python3
"""Runs the circuits of this folder in ngspice and writes what came out to `recorded/`.

    record.py            all of it, about six minutes on two cores
    record.py --share    a share of it, held against what is recorded; status 1 where they differ

Needs ngspice (Debian's package `ngspice`) and Python's standard library.
"""

import argparse
import cmath
import concurrent.futures
import math
import os
import pathlib
import re
import subprocess
import sys
import tempfile

HERE = pathlib.Path(__file__).resolve().parent
RECORDED = HERE / "recorded"
CONVENTION = "Loop gain around the loop = output/input, critical point +1."
COLUMNS = "frequency_hz,input_real,input_imag,output_real,output_imag"

# Small-signal sweeps.
AC_FROM, AC_TO = "100", "100k"
AC_EXPORT, AC_DENSE = 25, 1000  # points per decade: as a sweep is exported, and for ngspice's own measures

# Transients. The clock and the maximal step are those of switching.cir; its edge of 50 ns is five steps long.
SWITCHING_HZ = 200_000
STEP_S = 10e-9
SAMPLES_PER_CYCLE = 50
SETTLE_CYCLES = 600  # 3 ms: more than ten time constants of the slowest closed-loop pole, near 1 kHz
LEAST_CYCLES = 400
PER_DECADE, FROM_HZ, TO_HZ = 15, 500.0, 61_000.0
LEVELS_DBM = [-3, 0, 3, 6, 9, 12, 15, 18]

# A share of the transients: (level in dBm, index of the frequency).
SHARE = [(0, 4), (0, 20), (15, 20)]
# What a rerun may differ by, as a part of the loop gain. Small-signal sweeps are a linear solve. Transients depend on
# their time steps: with 5 or 7 ns in place of 10 ns, points up to 15 dBm moved by 6e-4 at most. The same program moves
# nothing; another version may place its steps elsewhere.
AC_TOLERANCE, MEASURE_TOLERANCE, TRANSIENT_TOLERANCE = 1e-6, 1e-5, 2e-3


def generator_volts(dbm):
    """Peak of the open-circuit voltage of a 50 ohm generator that could give this power into 50 ohm."""
    return 2 * math.sqrt(2 * 50 * 1e-3 * 10 ** (dbm / 10))


def plan():
    """(periods of the injection, cycles of the switch) in the window of each frequency.

    Both are whole, so that neither the ripple nor its sidebands leak into the fundamental. In lowest terms the window has
    37 cycles at least: where the two frequencies are a simple ratio, a low harmonic of the injection would be folded by the
    sampling of the modulator onto the injection itself.
    """
    windows = []
    for k in range(math.floor(PER_DECADE * math.log10(TO_HZ / FROM_HZ)) + 1):
        target = FROM_HZ * 10 ** (k / PER_DECADE)
        for cycles in range(LEAST_CYCLES, 3 * LEAST_CYCLES):
            periods = round(target * cycles / SWITCHING_HZ)
            if periods < 2 or cycles // math.gcd(periods, cycles) < 37:
                continue
            if abs(periods * SWITCHING_HZ / cycles / target - 1) < 1e-3:
                windows.append((periods, cycles))
                break
    return windows


def ngspice(circuit, control, parameters="", digits=10):
    """Runs a circuit; gives what was printed and the rows of `wrdata result.dat`, if it wrote any."""
    with tempfile.TemporaryDirectory() as folder:
        deck = pathlib.Path(folder) / "deck.cir"
        deck.write_text(
            f"loop gain\n{parameters}\n.include {HERE / 'board.lib'}\n.include {HERE / circuit}\n"
            f".control\nset wr_singlescale\nset numdgt={digits}\n{control}\n.endc\n.end\n"
        )
        ran = subprocess.run(
            ["ngspice", "-b", deck.name],
            cwd=folder,
            env={**os.environ, "NGSPICE_MEAS_PRECISION": "9"},
            capture_output=True,
            text=True,
            timeout=300,
        )
        data = pathlib.Path(folder) / "result.dat"
        if not data.exists():
            sys.exit(f"{circuit}: ngspice wrote nothing\n{ran.stdout}\n{ran.stderr}")
        rows = [tuple(map(float, line.split())) for line in data.read_text().splitlines()]
        return ran.stdout, rows


def small_signal(circuit):
    """A sweep at the density of an export, and what ngspice itself measures on a dense one."""
    control = f"""
ac dec {AC_EXPORT} {AC_FROM} {AC_TO}
wrdata result.dat v(fb) v(out)
destroy all
ac dec {AC_DENSE} {AC_FROM} {AC_TO}
let t = v(out)/v(fb)
let level = db(t)
let angle = 180/pi*cph(-t)
let distance = mag(1-t)
meas ac crossover_hz when level=0 fall=last
meas ac angle_there find angle when level=0 fall=last
meas ac phase_crossover_hz when angle=-180 cross=last
meas ac level_there find level when angle=-180 cross=last
meas ac stability_margin min distance
"""
    printed, rows = ngspice(circuit, control)

    def measure(name):
        found = re.search(rf"^{name}\s*=\s*(\S+)", printed, re.MULTILINE)
        if not found:
            sys.exit(f"{circuit}: ngspice measured no {name}\n{printed}")
        return float(found.group(1))

    measures = {
        "crossover_hz": measure("crossover_hz"),
        "phase_margin_deg": 180 + measure("angle_there"),
        "phase_crossover_hz": measure("phase_crossover_hz"),
        "gain_margin_db": -measure("level_there"),
        "stability_margin": measure("stability_margin"),
    }
    return [(f, complex(a, b), complex(c, d)) for f, a, b, c, d in rows], measures


def transient(dbm, window, step_s=STEP_S):
    """Frequency, and the fundamental on both sides of the injection."""
    periods, cycles = window
    hertz = periods * SWITCHING_HZ / cycles
    settle, stop = SETTLE_CYCLES / SWITCHING_HZ, (SETTLE_CYCLES + cycles) / SWITCHING_HZ
    sample = 1 / SWITCHING_HZ / SAMPLES_PER_CYCLE
    control = f"""
tran {sample:.12g} {stop:.12g} {settle:.12g} {step_s:.12g} uic
linearize v(fb) v(out)
wrdata result.dat v(fb) v(out)
"""
    parameters = (
        f".param amplitude={generator_volts(dbm):.12g} hertz={hertz:.12g}\n"
        ".options reltol=1e-5 abstol=1e-10 vntol=1e-8 method=trap\n"
        ".save v(fb) v(out)"
    )
    _, rows = ngspice("switching.cir", control, parameters, digits=12)
    count = cycles * SAMPLES_PER_CYCLE
    if not count <= len(rows) <= count + 1:
        sys.exit(f"{hertz} Hz: {len(rows)} samples, wanted {count}")
    turn = [cmath.exp(-2j * math.pi * periods * k / count) for k in range(count)]
    fundamental = lambda column: 2 / count * sum(w * row[column] for w, row in zip(turn, rows))
    return hertz, fundamental(1), fundamental(2)


def write(name, said, rows):
    lines = [f"# {line}" for line in said] + [COLUMNS]
    lines += [f"{f:.10g},{a.real:.8g},{a.imag:.8g},{b.real:.8g},{b.imag:.8g}" for f, a, b in rows]
    (RECORDED / name).write_text("\n".join(lines) + "\n")


def read(name):
    lines = [line for line in (RECORDED / name).read_text().splitlines() if not line.startswith("#")]
    rows = [tuple(map(float, line.split(","))) for line in lines[1:]]
    return [(f, complex(a, b), complex(c, d)) for f, a, b, c, d in rows]


def write_measures(all_measures):
    lines = [
        f"# Made by tests/ngspice/record.py: ngspice's own `meas` on sweeps of {AC_DENSE} points per decade.",
        "circuit,measure,value",
    ]
    for circuit, found in all_measures.items():
        lines += [f"{circuit},{name},{value:.9g}" for name, value in found.items()]
    (RECORDED / "measures.csv").write_text("\n".join(lines) + "\n")


def read_measures():
    rows = [line.split(",") for line in (RECORDED / "measures.csv").read_text().splitlines()[2:]]
    return {(circuit, name): float(value) for circuit, name, value in rows}


def in_parallel(jobs):
    # Threads are enough: they wait for ngspice.
    with concurrent.futures.ThreadPoolExecutor(os.cpu_count()) as pool:
        return list(pool.map(lambda job: transient(*job), jobs))


def record():
    version = subprocess.run(["ngspice", "--version"], capture_output=True, text=True).stdout
    version = re.search(r"ngspice-\S+", version).group(0)
    RECORDED.mkdir(exist_ok=True)
    made = "Made by tests/ngspice/record.py with " + version
    measures = {}
    for circuit in ["averaged", "opened"]:
        rows, measures[circuit] = small_signal(f"{circuit}.cir")
        write(f"{circuit}.csv", [f"{made}: .ac of {circuit}.cir.", CONVENTION], rows)
    write_measures(measures)
    windows = plan()
    rows = in_parallel([(dbm, window) for dbm in LEVELS_DBM for window in windows])
    for k, dbm in enumerate(LEVELS_DBM):
        said = [
            f"{made}: .tran of switching.cir, generator at {dbm} dBm.",
            "A run per frequency; fundamentals (peak, V) by correlation over whole periods, after 3 ms to settle.",
            CONVENTION,
        ]
        write(f"switching_{dbm}dBm.csv", said, rows[k * len(windows) : (k + 1) * len(windows)])


def share():
    worst, bad = {}, 0

    def hold(what, kind, got, wanted, tolerance):
        nonlocal bad
        off = abs(got / wanted - 1)
        worst[kind] = max(worst.get(kind, 0), off)
        if not off <= tolerance:
            print(f"{what}: {got} now, {wanted} recorded, {off:.2g} off, allowed {tolerance:.2g}")
            bad += 1

    was = read_measures()
    for circuit in ["averaged", "opened"]:
        rows, measures = small_signal(f"{circuit}.cir")
        recorded = read(f"{circuit}.csv")
        if len(rows) != len(recorded):
            sys.exit(f"{circuit}: {len(rows)} points now, {len(recorded)} recorded")
        for (f, a, b), (_, c, d) in zip(rows, recorded):
            hold(f"{circuit} at {f:.6g} Hz", "small-signal", b / a, d / c, AC_TOLERANCE)
        for name, value in measures.items():
            hold(f"{circuit}, {name}", "measures", value, was[circuit, name], MEASURE_TOLERANCE)
    windows = plan()
    jobs = [(dbm, windows[k]) for dbm, k in SHARE]
    for (dbm, k), (f, a, b) in zip(SHARE, in_parallel(jobs)):
        g, c, d = read(f"switching_{dbm}dBm.csv")[k]
        hold(f"switching at {dbm} dBm, frequency", "frequencies", f, g, 1e-9)
        hold(f"switching at {dbm} dBm, {f:.6g} Hz", "transients", b / a, d / c, TRANSIENT_TOLERANCE)
    print("largest differences:", ", ".join(f"{kind} {off:.1e}" for kind, off in worst.items()))
    return bad


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--share", action="store_true", help="rerun a share and compare it with what is recorded")
    if parser.parse_args().share:
        sys.exit(1 if share() else 0)
    record()
