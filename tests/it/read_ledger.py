"""Reads a ledger folder as one table with a data frame library and with an embedded SQL engine."""

import sys
from urllib.parse import unquote

import duckdb
import polars

pattern = f"{sys.argv[1]}/*/*.parquet"

frame = polars.scan_parquet(pattern, hive_partitioning=True).filter(polars.col("metric").is_not_null()).collect()
print("rows", frame.height)
print("sensors", ", ".join(sorted(unquote(name) for name in frame["sensor"].unique())))

table = f"read_parquet('{pattern}', hive_partitioning = true)"
print("rows", duckdb.sql(f"select count(metric) from {table}").fetchall()[0][0])
names = duckdb.sql(f"select distinct sensor from {table}").fetchall()
print("sensors", ", ".join(sorted(unquote(str(name)) for (name,) in names)))
