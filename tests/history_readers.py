"""Exports of a history as others read them, and its views: pandas, Polars and DuckDB, held against the JSON result of the same check.

usage: history_readers.py LOOPGAUGE    (from the project's folder; needs pandas, polars, duckdb, pyarrow; LOOPGAUGE with the feature `parquet`)
"""

import json
import sqlite3
import subprocess
import sys
import tempfile
from datetime import datetime, timezone
from pathlib import Path

import duckdb
import pandas
import polars

KEY = ["run", "corner", "quantity"]
# What of a row is compared, and its names in the export and in the view `margins`.
EXPORT = ["value", "uncertainty", "min", "max", "check", "check_verdict", "conditions"]
VIEW = ["value", "uncertainty", "limit_min", "limit_max", "check_name", "check_verdict", "conditions"]


def wanted(result):
    """Every value of a JSON result: by run, corner and quantity, what an export must tell."""
    rows, taken = {}, {}
    for run in result["runs"]:
        taken[run["run"]] = datetime.fromisoformat(run["taken"].replace("Z", "+00:00"))
        for corner in run["corners"]:
            checks = {check["check"]: check for check in corner["checks"]}
            measured = {key: value for key, value in (corner["measured"] or {}).items() if isinstance(value, dict)}
            gains = {name: check for name, check in checks.items() if name.startswith("gain@")}
            for quantity, value in {**measured, **gains}.items():
                if value["value"] is None:
                    continue
                name = quantity if quantity in gains else quantity.rsplit("_", 1)[0]
                name = "stability_margin" if quantity == "stability_margin" else name
                check = checks.get(name, {})
                limit = check.get("limit") or {}
                held = abs(value["value"]) if name == "phase_margin" else value["value"]
                rows[run["run"], corner["corner"], quantity] = (
                    held,
                    value["uncertainty"],
                    limit.get("min"),
                    limit.get("max"),
                    name if check else None,
                    check.get("verdict"),
                    corner["conditions"],
                )
    return rows, taken


def plain(value):
    """A cell as Python has it: nothing is None, conditions are an object."""
    if value is None or value != value or value is pandas.NaT or value == "":
        return None
    if isinstance(value, str) and value.startswith("{"):
        return json.loads(value)
    return value


def same(rows, wants, reader):
    """Holds rows (key, then what is compared) against what is wanted, every number to its last digit."""
    found = {tuple(row[:3]): tuple(plain(cell) for cell in row[3:]) for row in rows if plain(row[2]) is not None}
    if found != wants:
        for key in sorted(set(found) | set(wants)):
            if found.get(key) != wants.get(key):
                sys.exit(f"{reader}: {key} reads {found.get(key)}, wanted {wants.get(key)}")
    print(f"{reader}: {len(found)} values")


def instants(pairs, taken, reader):
    """Holds the times of runs against those of the result; they must have come as instants."""
    for run, instant in pairs:
        if not isinstance(instant, datetime) or instant.astimezone(timezone.utc) != taken[run]:
            sys.exit(f"{reader}: {run} was taken {instant!r}, wanted {taken[run]!r}")


def read_parquet(file, wants, taken):
    frame = pandas.read_parquet(file)
    same(frame[KEY + EXPORT].itertuples(index=False, name=None), wants, "pandas, Parquet")
    instants(zip(frame["run"], frame["taken"]), taken, "pandas")
    frame = polars.read_parquet(file)
    same(frame.select(KEY + EXPORT).rows(), wants, "Polars, Parquet")
    instants(frame.select("run", "taken").rows(), taken, "Polars")
    for name in ("reference", "at_least"):
        if frame.schema[name] != polars.Boolean:
            sys.exit(f"{name} is {frame.schema[name]}, wanted true and false")
    columns = ", ".join(f'"{name}"' for name in KEY + EXPORT)
    database = duckdb.connect()
    database.execute("SET TimeZone = 'UTC'")
    same(database.execute(f"SELECT {columns} FROM '{file}'").fetchall(), wants, "DuckDB, Parquet")
    instants(database.execute(f"SELECT run, taken FROM '{file}'").fetchall(), taken, "DuckDB")
    types = database.execute(f"SELECT DISTINCT typeof(taken), typeof(recorded), typeof(at_least) FROM '{file}'").fetchall()
    if types[0][:2] != ("TIMESTAMP WITH TIME ZONE",) * 2:
        sys.exit(f"DuckDB reads times as {types}")


def read_csv(file, wants):
    frame = pandas.read_csv(file)
    same(frame[KEY + EXPORT].itertuples(index=False, name=None), wants, "pandas, CSV")
    frame = polars.read_csv(file, infer_schema_length=None)
    same(frame.select(KEY + EXPORT).rows(), wants, "Polars, CSV")
    columns = ", ".join(f'"{name}"' for name in KEY + EXPORT)
    same(duckdb.connect().execute(f"SELECT {columns} FROM read_csv('{file}')").fetchall(), wants, "DuckDB, CSV")


def read_views(history, wants, taken):
    """The view `margins` by Python's own SQLite, in a frame of pandas."""
    connection = sqlite3.connect(f"file:{history}?mode=ro", uri=True)
    columns = ", ".join(["r.run", "m.corner", "m.quantity"] + [f"m.{name}" for name in VIEW])
    sql = f"SELECT {columns}, m.taken_at FROM margins m JOIN record r ON r.id = m.record"
    frame = pandas.read_sql_query(sql, connection, parse_dates=["taken_at"])
    same(frame.drop(columns="taken_at").itertuples(index=False, name=None), wants, "pandas, view margins")
    instants(zip(frame["run"], frame["taken_at"]), taken, "pandas, view margins")


def main(program):
    with tempfile.TemporaryDirectory() as folder:
        history, result, csv, parquet = (Path(folder) / name for name in ("line.db", "r.json", "line.csv", "line.parquet"))
        for command, status in (
            ([program, "check", "demo-data", "--json", str(result), "--record", str(history)], 2),
            ([program, "history", "export", str(history), "--csv", str(csv), "--parquet", str(parquet)], 0),
        ):
            done = subprocess.run(command, capture_output=True, text=True)
            if done.returncode != status:
                sys.exit(f"{command} ends with {done.returncode}, wanted {status}:\n{done.stderr}")
        wants, taken = wanted(json.loads(result.read_text(encoding="utf-8")))
        if len(wants) < 500:
            sys.exit(f"the demo has {len(wants)} values")
        read_csv(csv, wants)
        read_parquet(parquet, wants, taken)
        read_views(history, wants, taken)


if __name__ == "__main__":
    main(*sys.argv[1:])
