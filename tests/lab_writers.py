"""Writes one sweep with the packages that labs use, each with the numbers that the package itself reads from its file.

`lab_writers.py FOLDER` fills the folder: NAME is a sweep file, NAME.reading how it is declared, NAME.bits the frequency and the real and
imaginary part of the loop gain as the writing package reads them back, a line per point, each number as the 16 hexadecimal digits of its
double.
"""

import gzip
import json
import struct
import sys
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd
import skrf

folder = Path(sys.argv[1])
hz = np.logspace(2, 6, 121)
gain = -9e3 / (1j * hz) / (1 + 1j * hz / 6e4) * np.exp(-2j * np.pi * hz * 3e-7)


def bits(name, reading, frequency, loop_gain):
    """What the package reads back, and how the file is declared."""
    loop_gain = np.asarray(loop_gain, dtype=complex)
    rows = zip(np.asarray(frequency, dtype=float), loop_gain.real, loop_gain.imag, strict=True)
    lines = (" ".join(struct.pack(">d", number).hex() for number in row) for row in rows)
    (folder / f"{name}.bits").write_text("\n".join(lines) + "\n")
    (folder / f"{name}.reading").write_text(reading)


# NumPy: archives, packed ones, structured and plain arrays of several types, tables of text.
np.savez(folder / "numpy.npz", frequency_hz=hz, loop_gain=gain, averages=16)
loaded = np.load(folder / "numpy.npz")
bits("numpy.npz", "format: npz", loaded["frequency_hz"], loaded["loop_gain"])
np.savez_compressed(folder / "numpy-packed.npz", frequency_hz=hz, loop_gain=gain.astype(np.complex64))
loaded = np.load(folder / "numpy-packed.npz")
bits("numpy-packed.npz", "format: npz", loaded["frequency_hz"], loaded["loop_gain"])
named = np.zeros(len(hz), dtype=[("frequency_hz", ">f8"), ("loop_gain", ">c16")])
named["frequency_hz"], named["loop_gain"] = hz, gain
np.save(folder / "numpy-named.npy", named)
loaded = np.load(folder / "numpy-named.npy")
bits("numpy-named.npy", "format: npy", loaded["frequency_hz"], loaded["loop_gain"])
for order in "CF":
    name = f"numpy-{order}.npy"
    np.save(folder / name, np.asarray(np.column_stack([hz, gain.real, gain.imag]), order=order))
    loaded = np.load(folder / name)
    reading = "{format: npy, columns: {frequency: {column: 1, unit: Hz}, real: 2, imag: 3}}"
    bits(name, reading, loaded[:, 0], loaded[:, 1] + 1j * loaded[:, 2])
np.savetxt(folder / "numpy.txt", np.column_stack([hz, gain.real, gain.imag]))
loaded = np.loadtxt(folder / "numpy.txt")
reading = "{delimiter: space, header: false, columns: {frequency: {column: 1, unit: Hz}, real: 2, imag: 3}}"
bits("numpy.txt", reading, loaded[:, 0], loaded[:, 1] + 1j * loaded[:, 2])
np.savetxt(folder / "numpy-head.csv", np.column_stack([hz, gain.real, gain.imag]), delimiter=",", fmt="%.9g",
           header="frequency_hz,real,imag", comments="")
loaded = np.genfromtxt(folder / "numpy-head.csv", delimiter=",", names=True)
bits("numpy-head.csv", "", loaded["frequency_hz"], loaded["real"] + 1j * loaded["imag"])

# pandas: text with and without quotes, of other dialects, packed, complex numbers in one field, JSON Lines.
frame = pd.DataFrame({"frequency_hz": hz, "real": gain.real, "imag": gain.imag, "note": "a, b"})


frame.to_csv(folder / "pandas.csv", index=False)
read = pd.read_csv(folder / "pandas.csv")
bits("pandas.csv", "", read["frequency_hz"], read["real"] + 1j * read["imag"])
frame.to_csv(folder / "pandas.csv.gz")
read = pd.read_csv(folder / "pandas.csv.gz")
bits("pandas.csv.gz", "", read["frequency_hz"], read["real"] + 1j * read["imag"])
frame.to_csv(folder / "pandas-comma.csv", sep=";", decimal=",", encoding="utf-16", index=False)
read = pd.read_csv(folder / "pandas-comma.csv", sep=";", decimal=",", encoding="utf-16")
bits("pandas-comma.csv", "{delimiter: ';', decimal: ','}", read["frequency_hz"], read["real"] + 1j * read["imag"])
pd.DataFrame({"f \N{GREEK SMALL LETTER OMEGA}": hz, "T": gain}).to_csv(folder / "pandas-complex.csv", sep="\t", index=False)
read = pd.read_csv(folder / "pandas-complex.csv", sep="\t", converters={"T": complex})
reading = "{delimiter: tab, columns: {frequency: {column: 1, unit: Hz}, real: T, imag: T}}"
bits("pandas-complex.csv", reading, read.iloc[:, 0], read["T"])
frame.to_json(folder / "pandas.jsonl", orient="records", lines=True, double_precision=15)
lines = [json.loads(line) for line in (folder / "pandas.jsonl").read_text().splitlines()]
bits("pandas.jsonl", "format: jsonl", [line["frequency_hz"] for line in lines],
     [complex(line["real"], line["imag"]) for line in lines])
with gzip.open(folder / "json.jsonl.gz", "wt") as sink:
    for f, t in zip(hz, gain, strict=True):
        sink.write(json.dumps({"frequency_hz": f, "loop_gain": [t.real, t.imag], "averages": 16}) + "\n")
bits("json.jsonl.gz", "format: jsonl", hz, gain)

# scikit-rf: Touchstone of one port and of two.
one = skrf.Network(f=hz, f_unit="hz", s=gain.reshape(-1, 1, 1), z0=50)
one.write_touchstone("scikit", dir=str(folder), form="ri")
read = skrf.Network(str(folder / "scikit.s1p"))
bits("scikit.s1p", "format: touchstone", read.f, read.s[:, 0, 0])
two = np.zeros((len(hz), 2, 2), dtype=complex)
two[:, 1, 0], two[:, 0, 1] = gain, 0.25
skrf.Network(f=hz, f_unit="hz", s=two, z0=50).write_touchstone("scikit", dir=str(folder), form="ri")
read = skrf.Network(str(folder / "scikit.s2p"))
bits("scikit.s2p", "format: touchstone", read.f, read.s[:, 1, 0])

# openpyxl, and pandas by way of it.
frame.to_excel(folder / "openpyxl.xlsx", index=False)
rows = list(openpyxl.load_workbook(folder / "openpyxl.xlsx").active.iter_rows(min_row=2, values_only=True))
bits("openpyxl.xlsx", "format: xlsx", [row[0] for row in rows], [complex(row[1], row[2]) for row in rows])
