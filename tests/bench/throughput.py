#!/usr/bin/env python3
"""How fast `foldwatch analyze` judges a continuous log, beside what only reads it.

    cargo build --release
    python3 -m venv /tmp/bench && /tmp/bench/bin/pip install polars duckdb
    /tmp/bench/bin/python tests/bench/throughput.py [--rows 2000000] [--repeat 5] [--program target/release/foldwatch]

The log: sample-logs/columns/day.csv.gz brought to a steady 100 Hz (what is between two rows of a sleeping logger is its
last row again), over and over until there are enough rows. Two of them: at rest the bytes repeat (an idle converter), or
every row has noise in pressure, current and supply. All programs read the same file in turn, so that whatever else the
machine does meets all of them; medians and ratios are printed. Nothing fails by time.
"""

import argparse
import csv
import gzip
import os
import pathlib
import random
import statistics
import subprocess
import sys
import tempfile
import time

TOP = pathlib.Path(__file__).resolve().parents[2]
POLARS = "import sys, polars; d = polars.read_csv(sys.argv[1]); print(d.height)"
# Drives, parted by 2 s of rest, and how long each switch of state took: a plain segmentation, nothing judged.
DUCKDB = """
import sys, duckdb
print(len(duckdb.sql(f'''
with rows as (select *, pump + valve_a + valve_b > 0 as drive from read_csv('{sys.argv[1]}')),
     edges as (select *, drive and not coalesce(lag(drive) over (order by time_s), false) as begun,
                      lag(time_s) over (order by time_s) as before from rows where drive),
     runs as (select *, sum(case when time_s - coalesce(before, -1e9) > 2 then 1 else 0 end)
                        over (order by time_s) as run from edges)
select run, min(time_s), max(time_s), max(pressure), avg(pump_current), sum(pump_current * pump_current) * 0.01
from runs group by run order by run
''').fetchall()))
"""


def write_log(to, rows, noisy):
    with gzip.open(TOP / "sample-logs/columns/day.csv.gz", "rt", newline="") as log:
        table = csv.reader(log)
        header = next(table)
        day = list(table)
    noise = random.Random(1)
    wobble = {header.index(name) for name in ("pressure", "pump_current", "supply")}
    with open(to, "w", newline="") as out:
        out.write(",".join(header) + "\n")
        written, begun, lines = 0, 0.0, []
        while written < rows:
            for this, then in zip(day, day[1:]):
                at, until = float(this[0]), float(then[0])
                rest = ",".join(this[1:])
                for step in range(max(1, round((until - at) * 100))):
                    if noisy:
                        rest = ",".join(
                            f"{float(cell) + noise.uniform(-0.2, 0.2):.2f}" if n in wobble else cell
                            for n, cell in enumerate(this[1:], 1)
                        )
                    lines.append(f"{begun + at + step * 0.01:.6f},{rest}\n")
                    written += 1
                if len(lines) > 100_000:
                    out.writelines(lines)
                    lines.clear()
                if written >= rows:
                    break
            begun += float(day[-1][0]) + 0.01
        out.writelines(lines)
    return written


def run(command):
    """Seconds and peak resident MiB."""
    begun = time.perf_counter()
    child = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    peak = 0
    # The system's own account of a child's peak begins with this process's: read the child's while it runs.
    while child.poll() is None:
        try:
            status = pathlib.Path(f"/proc/{child.pid}/status").read_text()
            exe = os.readlink(f"/proc/{child.pid}/exe")
        except OSError:
            break
        if os.path.basename(exe).startswith(os.path.basename(os.path.realpath(command[0]))):
            peak = max([peak] + [int(l.split()[1]) for l in status.splitlines() if l.startswith("VmHWM")])
        time.sleep(0.005)
    if child.wait() != 0:
        sys.exit(f"{command[0]} failed")
    return time.perf_counter() - begun, peak / 1024


def main():
    args = argparse.ArgumentParser()
    args.add_argument("--rows", type=int, default=2_000_000)
    args.add_argument("--repeat", type=int, default=5)
    args.add_argument("--program", default=str(TOP / "target/release/foldwatch"))
    args = args.parse_args()
    for noisy in (False, True):
        with tempfile.TemporaryDirectory() as folder:
            log = os.path.join(folder, "log.csv")
            rows = write_log(log, args.rows, noisy)
            size = os.path.getsize(log) / 1e6
            commands = {
                "foldwatch analyze": [args.program, "analyze", log, "--profile", "hardtop-five", "--columns",
                                      str(TOP / "sample-logs/columns/day.columns.toml"), "--format", "json"],
                "polars, parse only": [sys.executable, "-c", POLARS, log],
                "DuckDB, segmentation": [sys.executable, "-c", DUCKDB, log],
                "wc -l": ["wc", "-l", log],
            }
            taken = {name: [] for name in commands}
            for _ in range(args.repeat):
                for name, command in commands.items():
                    taken[name].append(run(command))
            print(f"{'noise in every row' if noisy else 'rest repeats'}: {rows} rows, {size:.0f} MB")
            ours = statistics.median(s for s, _ in taken["foldwatch analyze"])
            for name, runs in taken.items():
                seconds = statistics.median(s for s, _ in runs)
                peak = max(m for _, m in runs)
                print(f"  {name:22} {seconds:7.2f} s  peak {peak:6.0f} MiB  foldwatch/{name}: {ours / seconds:.2f}")


main()
