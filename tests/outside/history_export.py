#!/usr/bin/env python3
"""The history as Parquet, read by pyarrow, held against the same span as CSV.

    history_export.py --daemon BINARY --simulator BINARY

A simulated pump is recorded by the daemon, in a folder and, where WATTASSAY_POSTGRES is set, in a PostgreSQL server.
"""

import argparse
import csv
import io
import math
import os
import re
import subprocess
import sys
import tempfile
import time
from datetime import datetime, timezone
from pathlib import Path

import pyarrow
import pyarrow.parquet

from processes import drain, running, wait_for_port
from scene import free_port, station_config, station_file

CONFIG = """
[http]
listen = "127.0.0.1:0"
[history]
{place}
"""
PAGES = re.compile(r"pages at http://127\.0\.0\.1:(\d+)")
UNITS = {"voltage_1n_v": "V", "current_1_a": "A", "total_active_power_w": "W", "frequency_hz": "Hz", "running": "1"}
LEAST_ROWS = 20


def export(daemon, place, name, source, *more):
    command = [daemon, "history", "export", *place, "--station", name, *source, *more]
    done = subprocess.run(command, capture_output=True, timeout=60)
    return done.stdout if done.returncode == 0 else None


def number(text):
    return float(text) if text else None


def compare(daemon, place, name, source, tier):
    """Rows and values compared; ends with what differs."""
    what = f"{' '.join(place)} {' '.join(source)} {tier}"
    text = export(daemon, place, name, source, "--tier", tier)
    binary = export(daemon, place, name, source, "--tier", tier, "--format", "parquet")
    if text is None or binary is None:
        sys.exit(f"{what}: not exported")
    head, *lines = csv.reader(io.StringIO(text.decode()))
    file = pyarrow.parquet.ParquetFile(pyarrow.BufferReader(binary))
    table = file.read()
    if table.column_names != head or table.num_rows != len(lines):
        sys.exit(f"{what}: {table.num_rows} rows of {table.column_names}, not {len(lines)} of {head}")
    if table.schema.field("at").type != pyarrow.timestamp("ms", tz="UTC"):
        sys.exit(f"{what}: times are {table.schema.field('at').type}")
    columns, present = table.to_pydict(), 0
    for row, line in enumerate(lines):
        at = datetime.fromisoformat(line[0].replace("Z", "+00:00")).astimezone(timezone.utc)
        if columns["at"][row] != at:
            sys.exit(f"{what}, row {row}: at {columns['at'][row]}, not {at}")
        for key, value in zip(head[1:], map(number, line[1:])):
            got = columns[key][row]
            if got != value or got is not None and math.isnan(got):
                sys.exit(f"{what}, row {row}, {key}: {got}, not {value}")
            present += value is not None
    said = {key.decode(): value.decode() for key, value in file.metadata.metadata.items()}
    wanted = {"station": name, source[0].removeprefix("--"): source[1]}
    wanted |= {f"unit.{key}": unit for key, unit in UNITS.items()}
    wrong = {key: said.get(key) for key, value in wanted.items() if said.get(key) != value}
    if wrong:
        sys.exit(f"{what}: the file says {wrong}, not {wanted}")
    return len(lines), present


def record(daemon, simulator, folder, name, history, place):
    port = free_port()
    station, config = folder / f"{name}.station.toml", folder / f"{name}.toml"
    station.write_text(station_file(name, port, map="generic-blanking"))
    config.write_text(CONFIG.format(place=history) + station_config(name, port, map="generic-blanking"))
    circuit, rows, end = ["--circuit", "Pump 1"], 0, time.monotonic() + 60
    with running([simulator, "serve", str(station)]) as simulated:
        wait_for_port(simulated)
        with running([daemon, "run", "--config", str(config)]) as process:
            wait_for_port(process, PAGES)
            while rows < LEAST_ROWS and time.monotonic() < end and process.poll() is None:
                drain(process)
                drain(simulated)
                rows = (export(daemon, place, name, circuit, "--tier", "readings") or b"").count(b"\n") - 1
                time.sleep(0.5)
    if rows < LEAST_ROWS:
        sys.exit(f"{history}: {rows} readings within 60 s")
    for source in (circuit, ["--monitor", "PM-1"]):
        for tier in ("readings", "minute", "quarter-hour"):
            count, present = compare(daemon, place, name, source, tier)
            if tier == "readings" and present < 3 * count:
                sys.exit(f"{history}: {count} readings have only {present} values")
            print(f"{history.split(' ')[0]}, {' '.join(source)}, {tier}: {count} rows, {present} values agree")
    listed = subprocess.run([daemon, "history", "list", *place], capture_output=True, text=True, check=True).stdout
    if f"{name} / circuit Pump 1" not in listed:
        sys.exit(f"history list does not know {name}:\n{listed}")
    changes = [daemon, "history", "changes", *place, "--station", name, *circuit]
    told = subprocess.run(changes, capture_output=True, text=True, check=True).stdout
    if not told.startswith("at,kind,subject,state,text\n"):
        sys.exit(f"history changes wrote:\n{told}")


def main():
    parser = argparse.ArgumentParser(description="Compare Parquet and CSV exports of a history.")
    parser.add_argument("--daemon", required=True)
    parser.add_argument("--simulator", required=True)
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary)
        history = folder / "history"
        record(arguments.daemon, arguments.simulator, folder, "Alder", f'folder = "{history}"', [str(history)])
        server = os.environ.get("WATTASSAY_POSTGRES")
        if server:
            record(arguments.daemon, arguments.simulator, folder, "Birch", f'postgres = "{server}"', ["--postgres", server])
        else:
            print("WATTASSAY_POSTGRES is not set: only the folder was tested")


if __name__ == "__main__":
    main()
