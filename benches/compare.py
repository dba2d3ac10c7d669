#!/usr/bin/env python3
"""Whole processes side by side: this program beside general libraries, on the same files and the same cores.

    python3 benches/compare.py                  # everything but the ten million rows
    python3 benches/compare.py --full           # those too (a file of 0.6 GB)
    python3 benches/compare.py --size 0.05      # the same steps on files of a twentieth, to see that all of them work

Builds the release program, makes its files under target/compare (fixed seeds), installs the libraries into a virtual
environment there, runs every contestant in turn for at least five rounds, and prints a Markdown table of medians and
ratios. The libraries are timed inside their process, without the time to start and import them; this program is timed
as a whole process.
"""

import argparse
import datetime
import math
import os
import statistics
import subprocess
import sys
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
WORK = ROOT / "target" / "compare"
PACKAGES = ["polars==2.1.0", "pandas==3.1.1", "pyarrow==26.0.1", "duckdb==2.0.1", "numpy==2.4.6", "scikit-learn==1.9.1"]

READERS = {
    "polars": "import polars\n{clock}\nframe = polars.read_csv(path)\nrows = frame.height",
    "pandas": "import pandas\n{clock}\nframe = pandas.read_csv(path)\nrows = len(frame)",
    "pyarrow": "import pyarrow.csv\n{clock}\nframe = pyarrow.csv.read_csv(path)\nrows = frame.num_rows",
    "duckdb": "import duckdb\n{clock}\nframe = duckdb.sql(f\"select * from read_csv('{{path}}')\").to_arrow_table()\nrows = frame.num_rows",
}
CLOCK = "start = time.perf_counter(), time.process_time()"
REPORT = "print(time.perf_counter() - start[0], time.process_time() - start[1], rows)"

# A log of 32 channels: twelve simulated ones, twenty made from them with noise of a fixed seed.
WIDEN = '''
import sys
import numpy as np
import polars as pl

source, target = sys.argv[1:3]
log = pl.read_csv(source, infer_schema=False)
rows = log.height
draw = np.random.default_rng(1)
number = lambda name: log[name].cast(pl.Float64).fill_null(strategy="forward").fill_null(0).to_numpy()
rpm, load = number("Engine Speed (rpm)"), number("Manifold Absolute Pressure (kPa)")
speed, throttle = number("Vehicle Speed (km/h)"), number("Throttle Position (%)")
seconds = np.arange(rows) * 0.01
turn = np.sin(seconds / 7)
noise = lambda sigma: draw.normal(0, sigma, rows)
smooth = lambda values, count: np.convolve(values, np.ones(count) / count, "same")
push = np.gradient(smooth(speed / 3.6, 21), 0.01) / 9.81
made = {
    "GPS Speed (km/h)": (smooth(speed, 31) + noise(0.1), 1),
    "Pedal Position (%)": (throttle + noise(0.1), 1),
    "Ignition Advance (deg)": (10 + rpm / 300 - load / 20 + noise(0.2), 1),
    "Intake Air Temperature (°C)": (25 + smooth(load - 98, 501) / 10 + noise(0.1), 1),
    "Oil Temperature (°C)": (85 + smooth(rpm, 5001) / 200 + noise(0.1), 1),
    "Oil Pressure (kPa)": (120 + rpm / 18 + noise(3), 0),
    "Barometric Pressure (kPa)": (97.8 + 0.2 * np.sin(seconds / 900) + noise(0.02), 2),
    "Acceleration X (g)": (push + noise(0.02), 3),
    "Acceleration Y (g)": (0.6 * turn * np.minimum(speed / 60, 1) + noise(0.02), 3),
    "Steering Angle (deg)": (40 * turn + noise(0.3), 2),
    "Brake Pressure (kPa)": (np.maximum(-push, 0) * 4000 + noise(5), 1),
    "Yaw Rate (deg/s)": (12 * turn + noise(0.2), 3),
}
for index, wheel in enumerate(["FL", "FR", "RL", "RR"]):
    made[f"Wheel Speed {wheel} (km/h)"] = (speed * (1 + 0.006 * (index - 1)) + noise(0.15), 2)
    made[f"Damper {wheel} (mm)"] = (30 + index + 4 * push + noise(1.5), 2)
log.with_columns([pl.Series(name, np.round(v, d)).cast(pl.Utf8) for name, (v, d) in made.items()]).write_csv(target)
'''


def run(command, threads=None):
    """Wall s, processor s, peak MB and output of a process."""
    environment = dict(os.environ)
    if threads:
        environment["RAYON_NUM_THREADS"] = str(threads)
    start = time.perf_counter()
    process = subprocess.Popen([str(part) for part in command], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, env=environment)
    output = process.stdout.read().decode()
    _, status, usage = os.wait4(process.pid, 0)
    wall = time.perf_counter() - start
    if status != 0:
        sys.exit(f"failed: {' '.join(map(str, command))}")
    return wall, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024, output


def python(code, *arguments):
    return run([WORK / "venv/bin/python", "-c", code, *arguments])


def prepare(rows, name, wide):
    """A log of at least so many rows at 100 Hz."""
    target = FILES / name
    if not target.exists():
        source = FILES / f"{name}.narrow" if wide else target
        run([PROGRAM, "simulate", "hill_climb", "-o", source, "--seed", 1, "--rate", 100, "--duration", min(rows / 100, 86400)])
        if wide:
            python(WIDEN, source, target)
    return target


def repeat(path, times, name):
    """The same drive again and again, with time going on: the simulator makes a day at most."""
    target = FILES / name
    if not target.exists():
        header, *lines = path.read_text().splitlines()
        stamps = [float(line.split(",", 1)[0]) for line in lines]
        rest = [line.split(",", 1)[1] for line in lines]
        with target.open("w") as file:
            file.write(header + "\n")
            for again in range(times):
                shift = again * (stamps[-1] + 0.01)
                file.writelines(f"{stamp + shift:.3f},{cells}\n" for stamp, cells in zip(stamps, rest))
    return target


def median(values):
    return statistics.median(values)


def exponent(points):
    """Slope of log time over log rows."""
    logs = [(math.log(rows), math.log(seconds)) for rows, seconds in points]
    mean = [sum(column) / len(logs) for column in zip(*logs)]
    above = sum((x - mean[0]) * (y - mean[1]) for x, y in logs)
    return above / sum((x - mean[0]) ** 2 for x, _ in logs)


def processor():
    for line in Path("/proc/cpuinfo").read_text().splitlines():
        if line.startswith("model name"):
            return line.split(":", 1)[1].strip()
    return "unknown processor"


def side_by_side(rounds, pipelines, size):
    log = prepare(int(1_090_000 * size), "wide.csv", True)
    megabytes = log.stat().st_size / 1e6
    times = {}
    for _ in range(rounds):
        for name, code in READERS.items():
            code = "import sys, time\npath = sys.argv[1]\n" + code.format(clock=CLOCK) + "\n" + REPORT
            wall, _, peak, output = python(code, log)
            inside, cpu, rows = output.split()[-3:]
            times.setdefault(name, []).append((float(inside), float(cpu), peak))
        times.setdefault("read", []).append(run([READ, log])[:3])
        times.setdefault("audit", []).append(run([PROGRAM, "audit", log])[:3])
    for _ in range(pipelines):
        times.setdefault("pipeline", []).append(run([WORK / "venv/bin/python", ROOT / "benches/pipeline.py", log])[:3])
    middle = {name: [median(column) for column in zip(*runs)] for name, runs in times.items()}
    typed = int(rows) * 32 * 8 / 1e6
    print(f"\n{megabytes:.0f} MB, {int(rows)} rows x 32 channels, medians of {rounds} rounds ({pipelines} of the pipeline)\n")
    print("| what | wall s | processor s | MB/s | peak MB |\n| --- | --- | --- | --- | --- |")
    for name, (wall, cpu, peak) in middle.items():
        print(f"| {name} | {wall:.2f} | {cpu:.2f} | {megabytes / wall:.0f} | {peak:.0f} |")
    for column, word in enumerate(["wall", "processor"]):
        fastest = min((middle[name] for name in READERS), key=lambda times: times[column])[column]
        ratio("fastest library's read / read", fastest / middle["read"][column], f"{word} time", ">= 1.5")
        ratio("audit / fastest library's read", middle["audit"][column] / fastest, f"{word} time", "<= 1.0")
        if pipelines:
            ratio("pipeline / audit", middle["pipeline"][column] / middle["audit"][column], f"{word} time", ">= 50")
    ratio("peak memory of the audit / typed columns", middle["audit"][2] / typed, f"{typed:.0f} MB of columns", "<= 2")


RATIOS = []


def ratio(what, value, how, wanted):
    RATIOS.append(f"| {what} | {value:.2f} | {wanted} | {how} |")


def linear(rounds, full, size):
    day = prepare(int(100_000 * size), "rows-1e5.csv", False)
    sizes = [(1, "rows-1e5.csv"), (3, "rows-3e5.csv"), (10, "rows-1e6.csv")] + ([(100, "rows-1e7.csv")] if full else [])
    points = []
    for times, name in sizes:
        log = repeat(day, times, name)
        cpu = median([run([PROGRAM, "audit", log])[1] for _ in range(rounds if times < 100 else 1)])
        points.append((times * 1e5 * size, cpu))
    seconds = ", ".join(f"{rows:.0e} rows {cpu:.2f} s" for rows, cpu in points)
    ratio("exponent of processor time over rows", exponent(points), seconds, "<= 1.05")


def many(rounds, size):
    log = prepare(15_400, "megabyte.csv", False)
    folder = FILES / "many"
    folder.mkdir(exist_ok=True)
    logs = [folder / f"{index:04}.csv" for index in range(max(20, int(1000 * size)))]
    for path in logs:
        if not path.exists():
            os.link(log, path)
    one, two, peaks = [], [], []
    for _ in range(rounds):
        one.append(run([PROGRAM, "audit", *logs], threads=1)[0])
        wall, _, peak, _ = run([PROGRAM, "audit", *logs], threads=2)
        two.append(wall)
        peaks.append(peak)
    few = run([PROGRAM, "audit", *logs[: len(logs) // 10]], threads=2)[2]
    ratio(f"{len(logs)} logs: one core / two cores", median(one) / median(two), f"{median(two):.1f} s on two", ">= 1.8")
    ratio(f"{len(logs)} logs: peak memory / that of a tenth", median(peaks) / few, f"{median(peaks):.0f} MB", "near 1")


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--pipelines", type=int, default=5, help="runs of the Python pipeline, each of minutes")
    parser.add_argument("--many-rounds", type=int, default=5, help="runs over the 1,000 logs")
    parser.add_argument("--full", action="store_true", help="ten million rows too")
    parser.add_argument("--size", type=float, default=1.0, help="share of the rows and logs, to try the steps")
    parser.add_argument("--program", type=Path, help="a program built already, its examples beside it")
    arguments = parser.parse_args()
    global PROGRAM, READ, FILES
    size = arguments.size
    FILES = WORK if size == 1.0 else WORK / f"size-{size}"
    FILES.mkdir(parents=True, exist_ok=True)
    if not (WORK / "venv/bin/python").exists():
        subprocess.run([sys.executable, "-m", "venv", WORK / "venv"], check=True)
        subprocess.run([WORK / "venv/bin/pip", "install", "--quiet", *PACKAGES], check=True)
    PROGRAM = arguments.program
    if PROGRAM is None:
        subprocess.run(["cargo", "build", "--release", "--bins", "--example", "read_log"], cwd=ROOT, check=True)
        PROGRAM = Path(os.environ.get("CARGO_TARGET_DIR", ROOT / "target")) / "release/sondeproof"
    READ = PROGRAM.parent / "examples/read_log"
    commit = subprocess.run(["git", "rev-parse", "--short", "HEAD"], cwd=ROOT, capture_output=True, text=True).stdout.strip()
    side_by_side(arguments.rounds, arguments.pipelines, size)
    linear(arguments.rounds, arguments.full, size)
    if arguments.many_rounds:
        many(arguments.many_rounds, size)
    start = median([run([PROGRAM, "--help"])[0] for _ in range(21)])
    ratio("start-up of --help", 1000 * start, "ms", "< 10")
    ratio("size of the program", PROGRAM.stat().st_size / 1e6, "MB", "<= 25")
    print("\n| ratio | value | goal | of |\n| --- | --- | --- | --- |")
    print("\n".join(RATIOS))
    print(f"\n{datetime.date.today()}, commit {commit}, {os.cpu_count()} cores of {processor()}, load {os.getloadavg()[0]:.1f} at the end.")


if __name__ == "__main__":
    main()
