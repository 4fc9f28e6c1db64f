"""How fast a drive log is read and judged, against the same file merely parsed by numpy: ratios from one run."""

from __future__ import annotations

import argparse
import io
import statistics
import time
from collections.abc import Callable

import numpy as np

from firstcause.roadtest.judgement import judge_drive
from firstcause.roadtest.reading import read_drive
from firstcause.roadtest.window import FreezeFrame


def synthetic(rows: int) -> str:
    """A clean log at 10 Hz: time, engine speed, vehicle speed, load, coolant; a fixed seed."""
    chance = np.random.default_rng(20261125)
    swing = np.cumsum(chance.normal(0, 1, rows))
    columns = np.column_stack([
        np.arange(rows) / 10,
        1500 + 400 * np.sin(swing / 40),
        60 + 30 * np.sin(swing / 55),
        40 + 20 * np.sin(swing / 30),
        np.minimum(92, 20 + np.arange(rows) / 60),
    ])  # fmt: skip
    out = io.StringIO()
    out.write("time_s,Engine speed (rpm),Vehicle speed (km/h),Engine load (%),Coolant temperature (degC)\n")
    np.savetxt(out, columns, fmt=["%.1f", "%.0f", "%.1f", "%.1f", "%.0f"], delimiter=",")
    return out.getvalue()


def seconds(work: Callable[[], object], repeats: int) -> float:
    """The median time of a call."""
    taken = []
    for _ in range(repeats):
        begun = time.perf_counter()
        work()
        taken.append(time.perf_counter() - begun)
    return statistics.median(taken)


def main() -> None:
    """Print lines per second and ratios."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--rows", type=int, default=1_000_000)
    asked.add_argument("--repeats", type=int, default=3)
    options = asked.parse_args()
    clean = synthetic(options.rows)
    dirty = clean.replace("\n", ",\n", 1).replace(",92\n", ",n/a\n", 1).replace("n/a", '"92C"', 1)
    assert read_drive(clean).report.clean_path
    assert not read_drive(dirty).report.clean_path
    (drive,) = read_drive(clean).drives
    frame = FreezeFrame(1500, 40, 90)
    parsed = seconds(lambda: np.loadtxt(io.StringIO(clean), delimiter=",", skiprows=1), options.repeats)
    figures = {
        "numpy.loadtxt, all columns": parsed,
        "reader, clean file": seconds(lambda: read_drive(clean), options.repeats),
        "reader, one dirty cell": seconds(lambda: read_drive(dirty), options.repeats),
        "judgement alone": seconds(lambda: judge_drive(drive, frame), options.repeats),
    }
    for what, taken in figures.items():
        print(f"{what:28s} {taken:7.3f} s {options.rows / taken:12,.0f} lines/s {taken / parsed:6.2f} x loadtxt")


if __name__ == "__main__":
    main()
