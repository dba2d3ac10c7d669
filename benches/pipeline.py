"""What general libraries offer for the same question: is this log sound?

Reads a log and checks every channel for range, spikes, flat lines, rate of change and a rolling median absolute
deviation, groups the outliers by density, and correlates the channels. Vectorised throughout; no check is slowed down.

pipeline.py LOG
"""

import sys

import numpy as np
import pandas as pd
import polars as pl
from sklearn.cluster import DBSCAN

WINDOW = 51
MOST_POINTS = 20_000


def flat_runs(values: np.ndarray, least: int) -> int:
    edges = np.flatnonzero(np.diff(values) != 0)
    lengths = np.diff(np.concatenate(([-1], edges, [len(values) - 1])))
    return int((lengths >= least).sum())


frame = pl.read_csv(sys.argv[1]).to_pandas()
time = frame.iloc[:, 0].to_numpy(float)
channels = frame.iloc[:, 1:].astype(float)
step = np.diff(time, prepend=time[0] - 0.01)
outliers, counts = [], {}
for index, name in enumerate(channels.columns):
    series = channels[name]
    values = series.to_numpy()
    low, high = np.nanquantile(values, [0.0005, 0.9995])
    spread = max(high - low, 1e-9)
    median = series.rolling(WINDOW, center=True, min_periods=1).median()
    deviation = (series - median).abs()
    mad = 1.4826 * deviation.rolling(WINDOW, center=True, min_periods=1).median()
    middle = np.median(np.stack([np.roll(values, 1), values, np.roll(values, -1)]), axis=0)
    found = {
        "range": (values < low - spread) | (values > high + spread),
        "spike": np.abs(values - middle) > 0.2 * spread,
        "rate": np.abs(np.diff(values, prepend=values[0])) / np.maximum(step, 1e-6) > 50 * spread,
        "mad": (deviation > 6 * np.maximum(mad, 0.01 * spread)).to_numpy(),
    }
    counts[name] = {check: int(rows.sum()) for check, rows in found.items()}
    counts[name]["flat"] = flat_runs(values, 500)
    rows = np.flatnonzero(found["spike"] | found["mad"])
    outliers.append(np.column_stack([time[rows], np.full(len(rows), 5.0 * index)]))
points = np.concatenate(outliers)
points = points[:: max(1, len(points) // MOST_POINTS)]
clusters = DBSCAN(eps=2.0, min_samples=5).fit(points).labels_.max() + 1 if len(points) else 0
correlation = np.corrcoef(np.nan_to_num(channels.to_numpy()), rowvar=False)
print(len(frame), "rows", sum(sum(found.values()) for found in counts.values()), "findings", clusters, "clusters", correlation.shape)
