#!/usr/bin/env python3
"""How fast `foldwatch analyze` judges a continuous log, beside what only reads it.

    cargo build --release
    python3 -m venv /tmp/bench && /tmp/bench/bin/pip install polars duckdb
    /tmp/bench/bin/python tests/bench/throughput.py [--rows 2000000] [--repeat 5] [--program target/release/foldwatch]

The log: a week of an invented car (`foldwatch simulate`), brought to a steady 100 Hz (what is between two rows of a
sleeping logger is its last row again), as many rows of it as are asked for, from its first cycle on. Two of them: at rest
the bytes repeat (an idle converter), or every row has noise in pressure, current and supply. With --rows 0 it is the whole
week, 60 M rows, 4.4 GB, and polars is left out.

All programs read the same file in turn, so that whatever else the machine does meets all of them; medians and ratios are printed. Nothing fails by time.
"""

import argparse
import csv
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


def simulate(program, folder):
    """A week with a sleeping logger's rows, and the map that reads it."""
    log = os.path.join(folder, "week.csv")
    subprocess.run([program, "simulate", "--profile", "hardtop-five", "--seed", "3", "--encoding", "columns", "-o", log],
                   check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    return log, os.path.join(folder, "week.columns.toml")


def write_log(week, to, most, noisy):
    with open(week, newline="") as log:
        table = csv.reader(log)
        header = next(table)
        noise = random.Random(1)
        wobble = {header.index(name) for name in ("pressure", "pump_current", "supply")}
        with open(to, "w", newline="") as out:
            out.write(",".join(header) + "\n")
            written, lines = 0, []
            pump = header.index("pump")
            before, begun = None, None
            for then in table:
                # The rest before the first cycle is cut to ten minutes, so that a short log has cycles.
                if begun is None and (before is None or then[pump] == before[pump]):
                    before = then
                    continue
                if begun is None:
                    begun = max(0.0, float(then[0]) - 600)
                    before[0] = str(begun)
                at, until = float(before[0]), float(then[0])
                rest = ",".join(before[1:])
                for step in range(max(1, round((until - at) * 100))):
                    if noisy:
                        rest = ",".join(
                            f"{float(cell) + noise.uniform(-0.2, 0.2):.2f}" if n in wobble else cell
                            for n, cell in enumerate(before[1:], 1)
                        )
                    lines.append(f"{at + step * 0.01:.6f},{rest}\n")
                    written += 1
                    if len(lines) > 100_000:
                        out.writelines(lines)
                        lines.clear()
                    if most and written >= most:
                        break
                if most and written >= most:
                    break
                before = then
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
    args.add_argument("--folder", help="where the log is written")
    args.add_argument("--repeat", type=int, default=5)
    args.add_argument("--program", default=str(TOP / "target/release/foldwatch"))
    args = args.parse_args()
    for noisy in (False, True) if args.rows else (False,):
        with tempfile.TemporaryDirectory(dir=args.folder) as folder:
            log = os.path.join(folder, "log.csv")
            week, columns = simulate(args.program, folder)
            rows = write_log(week, log, args.rows, noisy)
            size = os.path.getsize(log) / 1e6
            commands = {
                "foldwatch analyze": [args.program, "analyze", log, "--profile", "hardtop-five", "--columns",
                                      columns, "--format", "json"],
                "polars, parse only": [sys.executable, "-c", POLARS, log],
                "DuckDB, segmentation": [sys.executable, "-c", DUCKDB, log],
                "wc -l": ["wc", "-l", log],
            }
            if not args.rows:
                # It holds the whole table: 16 GB.
                del commands["polars, parse only"]
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
