"""Reads the week that `week.rs` archived with three readers that are not foldwatch's and compares the sums.

python3 -m pip install pyarrow duckdb polars; python3 crates/store/examples/week.py FOLDER
"""

import pathlib
import sys

import duckdb
import polars
import pyarrow.compute as pc
import pyarrow.parquet as pq

folder = pathlib.Path(sys.argv[1])
files = sorted(str(path) for path in (folder / "archive" / "oak").glob("*.parquet"))
truth = dict(line.split() for line in (folder / "sums.txt").read_text().splitlines())
rows = int(truth.pop("rows"))

tables = [pq.read_table(file) for file in files]
frame = polars.concat(polars.read_parquet(file) for file in files)
base = duckdb.connect()
base.execute(f"CREATE VIEW week AS SELECT * FROM read_parquet({files!r})")
assert rows == sum(t.num_rows for t in tables) == frame.height == base.execute("SELECT count(*) FROM week").fetchone()[0]
for name, expected in truth.items():
    sums = {
        "pyarrow": sum(pc.sum(t[name].cast("double")).as_py() for t in tables),
        "polars": frame[name].cast(polars.Float64).sum(),
        "duckdb": base.execute(f'SELECT sum("{name}"::DOUBLE) FROM week').fetchone()[0],
    }
    for reader, found in sums.items():
        assert abs(found - float(expected)) <= 1e-6 * max(1, abs(found)), (name, reader, found, expected)
times = base.execute("SELECT min(time), max(time), min(\"source.sequence\"), max(\"source.sequence\") FROM week").fetchone()
first = pq.ParquetFile(files[0])
print(f"{len(files)} files, {rows} rows, {len(truth)} signals: pyarrow, polars and duckdb agree; {times[0]} to {times[1]}")
for at in range(first.metadata.num_columns):
    column = first.metadata.row_group(0).column(at)
    print(f"  {column.path_in_schema:18} {column.total_compressed_size:8} bytes  {', '.join(column.encodings)}")
