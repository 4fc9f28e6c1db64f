"""How long the command line takes to start, beside a bare interpreter; and how long a whole tryout takes.

Ratios are of medians measured in turns in one run, so that they hold when the machine's speed drifts.
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path

RUNS = 9


def seconds(command: Sequence[str]) -> float:
    """Wall time of one whole process."""
    begun = time.perf_counter()
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    return time.perf_counter() - begun


def main() -> None:
    firstcause = str(Path(sys.executable).with_name("firstcause"))
    commands = {
        "python -c pass": [sys.executable, "-c", "pass"],
        "python -c 'import click'": [sys.executable, "-c", "import click"],
        "firstcause --help": [firstcause, "--help"],
        "firstcause knowledge show leak-down": [firstcause, "knowledge", "show", "leak-down"],
    }
    times: dict[str, list[float]] = {name: [] for name in commands}
    for turn in range(RUNS + 1):
        for name, command in commands.items():
            took = seconds(command)
            if turn:  # the first turn warms the file cache
                times[name].append(took)
    bare = statistics.median(times["python -c pass"])
    print(f"{'command':40} {'median s':>9} {'x bare python':>14}")
    for name, taken in times.items():
        median = statistics.median(taken)
        print(f"{name:40} {median:9.3f} {median / bare:14.1f}")
    with tempfile.TemporaryDirectory() as folder:
        print(f"{'firstcause tryout (both cases, pages)':40} {seconds([firstcause, 'tryout', '--into', folder]):9.1f}")


if __name__ == "__main__":
    main()
