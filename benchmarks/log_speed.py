"""A drive log of any size read into a drive: time and memory beside the bare reader of the same columns, in one run."""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import asammdf
import numpy as np

from firstcause.cli.recorded import read_recorded
from firstcause.roadtest.judgement import judge_drive
from firstcause.roadtest.reading import read_drive_file
from firstcause.roadtest.window import FreezeFrame

USED = (0, 1, 2, 3, 4)
HEADINGS = (
    "time (s),engine speed (rpm),vehicle speed (km/h),calculated load (%),coolant temperature (degC),"
    + ",".join(f"other {n}" for n in range(1, 8))
)  # fmt: skip
STEPS_A_SECOND = 10
MEASURED = {"Engine speed": "rpm", "Vehicle speed": "km/h", "Engine load": "%", "Coolant temperature": "degC"}
LARGEST_MEASUREMENT_ROWS = 5_000_000


def write_log(path: Path, size_bytes: int) -> int:
    """A clean log at 10 Hz, five columns of use and seven of none, fixed seed; the number of rows."""
    chance = np.random.default_rng(20261126)
    block = 20_000
    moment = np.arange(block) / STEPS_A_SECOND
    speed = np.clip(60 + 60 * np.sin(moment / 97), 0, None)
    table = np.column_stack(
        [800 + 30 * speed, speed, 20 + speed / 3, np.full(block, 90), chance.normal(50, 9, (block, 7))]
    )
    rests = [
        f",{row[0]:.2f},{row[1]:.2f},{row[2]:.2f},{row[3]:.0f}" + "".join(f",{other:.3f}" for other in row[4:]) + "\n"
        for row in table.tolist()
    ]
    rows = 0
    with path.open("w", encoding="ascii") as file:
        file.write(HEADINGS + "\n")
        while file.tell() < size_bytes:
            file.write("".join([f"{(rows + at) / STEPS_A_SECOND:.1f}{rest}" for at, rest in enumerate(rests)]))
            rows += block
    return rows


def write_measurement(path: Path, rows: int) -> None:
    """An MDF4 file of two channel groups: ten signals at 100 Hz, three of them of use, and coolant at 10 Hz."""
    chance = np.random.default_rng(20261126)
    moment = np.arange(rows) / 100
    fast = [
        *((name, unit) for name, unit in MEASURED.items() if unit != "degC"),
        *((f"other {n}", "V") for n in range(7)),
    ]
    with asammdf.MDF(version="4.10") as file:
        file.append([asammdf.Signal(chance.normal(50, 9, rows), moment, unit=unit, name=name) for name, unit in fast])
        slow = moment[::10]
        file.append([asammdf.Signal(chance.normal(80, 1, slow.size), slow, unit="degC", name="Coolant temperature")])
        file.save(path)


def _bare_measurement(path: Path) -> int:
    with asammdf.MDF(path) as file:
        return sum(file.get(name).samples.size for name in MEASURED)


def _select_measurement(path: Path) -> int:
    """The reader's quickest way: all channels asked for at once, each group gone through once."""
    with asammdf.MDF(path) as file:
        wanted = [(name, *file.whereis(name)[0]) for name in MEASURED]
        return sum(signal.samples.size for signal in file.select(wanted, copy_master=False))


def work(task: str, path: Path) -> tuple[float, float, str]:
    """One task of a process of its own: wall and processor seconds without the imports, and what it gave."""
    wanted = list(USED)
    if task == "pandas.read_csv":
        import pandas

        return timed(lambda: str(pandas.read_csv(path, usecols=wanted).shape))
    if task == "numpy.loadtxt":
        return timed(lambda: str(np.loadtxt(path, delimiter=",", skiprows=1, usecols=wanted, comments=None).shape))
    if task == "asammdf":
        return timed(lambda: str(_bare_measurement(path.with_suffix(".mf4"))))
    if task == "asammdf at once":
        return timed(lambda: str(_select_measurement(path.with_suffix(".mf4"))))
    if task == "read mf4":
        return timed(lambda: read_recorded([path.with_suffix(".mf4")]).report.sentences()[0])
    if task == "read":
        return timed(lambda: read_drive_file(path).report.sentences()[0])
    frame = FreezeFrame(1500, 40, 90)
    return timed(lambda: judge_drive(read_drive_file(path).drives[0], frame).sentences()[0])


def timed(task: Callable[[], str]) -> tuple[float, float, str]:
    """Wall and processor seconds of a call, and what it gave."""
    wall, cpu = time.perf_counter(), time.process_time()
    said = task()
    return time.perf_counter() - wall, time.process_time() - cpu, said


def peak_mb() -> float:
    """Peak memory of this program alone (Linux); getrusage would tell that of the parent where it was larger."""
    status = Path("/proc/self/status").read_text(encoding="ascii")
    return next(float(line.split()[1]) for line in status.splitlines() if line.startswith("VmHWM")) / 1024


def measured(task: str, path: Path) -> tuple[float, float, float, str]:
    """Wall seconds and processor seconds of the work itself, peak memory of its process in MB, what it gave."""
    done = subprocess.run(
        [sys.executable, __file__, "--task", task, "--file", str(path)], capture_output=True, text=True, check=True
    )
    wall, cpu, peak, said = done.stdout.rstrip("\n").split("\t")
    return float(wall), float(cpu), float(peak), said


def main() -> None:
    """Print a line for each reader and the ratios."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--megabytes", type=int, default=50, help="2000 for the size that the project promises")
    asked.add_argument("--repeats", type=int, default=3)
    asked.add_argument("--task", help=argparse.SUPPRESS)
    asked.add_argument("--file", type=Path, help=argparse.SUPPRESS)
    options = asked.parse_args()
    if options.task:
        wall, cpu, said = work(options.task, options.file)
        print(wall, cpu, peak_mb(), said, sep="\t")
        return
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "drive.csv"
        rows = write_log(path, options.megabytes * 1_000_000)
        print(f"{path.stat().st_size / 1e6:.0f} MB, {rows} rows, 5 of 12 columns; load {os.getloadavg()[0]:.1f}")
        write_measurement(path.with_suffix(".mf4"), min(rows, LARGEST_MEASUREMENT_ROWS))
        print(f"and a measurement file of {path.with_suffix('.mf4').stat().st_size / 1e6:.0f} MB, 4 of 11 signals")
        tasks = ("numpy.loadtxt", "pandas.read_csv", "read", "read and judge", "asammdf", "asammdf at once", "read mf4")
        best: dict[str, tuple[float, float, float, str]] = {}
        for _ in range(options.repeats):
            for task in tasks:  # side by side, so that a busy machine is busy for all
                now = measured(task, path)
                best[task] = min(best.get(task, now), now, key=lambda figures: figures[1])
    for task, (wall, cpu, peak, said) in best.items():
        print(f"{task:16} {wall:7.2f} s wall {cpu:7.2f} s processor {peak:6.0f} MB peak   {said}")
    for ours, bare in (
        ("read", "numpy.loadtxt"), ("read mf4", "asammdf"), ("read mf4", "asammdf at once")
    ):  # fmt: skip
        wall, cpu = (best[ours][at] / best[bare][at] for at in (0, 1))
        print(f"ratio {ours} / {bare}: {cpu:.2f} processor, {wall:.2f} wall")


if __name__ == "__main__":
    main()
