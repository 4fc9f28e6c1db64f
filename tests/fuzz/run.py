"""Fuzzing led by coverage: `python -m tests.fuzz.run --seconds 600` or `--runs 20000`; what it finds is kept in a file.

Exits with 0 when nothing was found. Needs atheris (Linux). Seeds are whole answers and frames made by our own encoders.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["firstcause.signals", "firstcause.link"]):
    from tests.fuzz.checks import check_bytes
    from tests.fuzz.seeds import seeds


def main() -> None:
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--seconds", type=int, default=0, help="stop after so long")
    words.add_argument("--runs", type=int, default=-1, help="stop after so many inputs")
    words.add_argument("--seed", type=int, default=0, help="of chance; 0 is another one each time")
    words.add_argument("--keep", type=Path, default=Path(tempfile.gettempdir()), help="folder for what was found")
    words.add_argument("input", nargs="?", type=Path, help="run this one input again")
    told = words.parse_args()
    if told.input is not None:
        check_bytes(told.input.read_bytes())
        return
    with tempfile.TemporaryDirectory() as folder:
        for number, seed in enumerate(seeds()):
            (Path(folder) / f"{number:04d}").write_bytes(seed)
        options = [f"-max_total_time={told.seconds}", f"-runs={told.runs}", f"-seed={told.seed}", "-max_len=600",
                   "-timeout=5", "-print_final_stats=1", f"-artifact_prefix={told.keep}/"]  # fmt: skip
        atheris.Setup([sys.argv[0], folder, *options], check_bytes)
        atheris.Fuzz()


if __name__ == "__main__":
    main()
