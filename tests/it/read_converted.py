"""Read a converted log with two general data tools and compare every value with the text it came from.

read_converted.py LOG.csv LOG.parquet LOG.arrow
"""

import sys

import duckdb
import polars

text, parquet, arrow = sys.argv[1:4]
wanted = polars.read_csv(text)


def check(tool, found):
    assert found.height == wanted.height and found.width == wanted.width, tool
    for left, right in zip(wanted.get_columns(), found.get_columns()):
        same = left.cast(polars.Float64).eq_missing(right.cast(polars.Float64)).all()
        assert same, f"{tool}: {left.name} differs"
    print(tool, "equal")


check("data frame, Parquet", polars.read_parquet(parquet))
check("data frame, Arrow IPC", polars.read_ipc(arrow))
check("SQL engine, Parquet", duckdb.sql(f"select * from read_parquet('{parquet}')").pl())
