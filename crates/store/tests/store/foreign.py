"""Writes foreign.parquet with pyarrow: a log as another program may write it. Run by hand when it must change."""

import datetime as dt
import decimal
import pathlib

import pyarrow as pa
import pyarrow.parquet as pq

t0 = 1_764_000_000_000  # ms
columns = {
    "ms": pa.array([t0, None, -1], pa.timestamp("ms")),
    "us": pa.array([t0 * 1000, None, -1000], pa.timestamp("us")),
    "ns": pa.array([t0 * 1_000_000, None, -1_000_000], pa.timestamp("ns")),
    "utc": pa.array([t0 * 1000, None, -1000], pa.timestamp("us", "Europe/Paris")),
}
for name in ["i8", "i16", "i32", "i64", "u8", "u16", "u32", "u64"]:
    kind = getattr(pa, name.replace("i", "int").replace("u", "uint"))()
    columns[name] = pa.array([1, None, 2**64 - 1 if name == "u64" else 100], kind)
columns |= {
    "f32": pa.array([0.5, None, -2.25], pa.float32()),
    "f64": pa.array([0.5, None, -2.25], pa.float64()),
    "bool": pa.array([True, None, False]),
    "text": pa.array(["on", None, "ä"]),
    "large_text": pa.array(["on", None, "ä"], pa.large_string()),
    "dictionary": pa.array(["on", None, "ä"]).dictionary_encode(),
    # Of no use to a log; they must not be in the way.
    "list": pa.array([[1], None, [2, 3]]),
    "struct": pa.array([{"a": 1}, None, {"a": 2}]),
    "day": pa.array([dt.date(2025, 11, 25), None, dt.date(1969, 12, 31)]),
    "clock": pa.array([1, None, 2], pa.time64("us")),
    "span": pa.array([1, None, 2], pa.duration("us")),
    "exact": pa.array([decimal.Decimal("1.5"), None, decimal.Decimal("2.5")]),
    "half": pa.array([0.5, None, 1.5], pa.float16()),
    "bytes": pa.array([b"a", None, b"b"]),
    "fixed": pa.array([b"ab", None, b"cd"], pa.binary(2)),
    "nothing": pa.nulls(3),
    "map": pa.array([[("a", 1)], None, []], pa.map_(pa.string(), pa.int64())),
}
pq.write_table(pa.table(columns), pathlib.Path(__file__).with_name("foreign.parquet"))
