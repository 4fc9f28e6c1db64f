"""Taking in and searching many public records: 240,000 lines made from the real samples, beside a bare read.

Each real line is repeated under new record ids, models and campaign numbers, and a word of its text is changed for
every campaign, so that texts repeat about as in the real file (some ten models and years to a campaign). Said so: the
rows are made, the form and the words are real.
"""

from __future__ import annotations

import statistics
import sys
import tempfile
import time
from datetime import date
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from firstcause.bulletins.store import Collection

SAMPLE = Path(__file__).parents[1] / "tests" / "data" / "recalls" / "recalls.sample.txt"
ROWS = 240_000
ROWS_PER_CAMPAIGN = 10
WORDS = ("battery cable fire", "fuel leak", "brake", "air bag deploy", "engine stall", "seat belt anchor")


def make_file(path: Path) -> None:
    """Many lines in the form of the sample."""
    lines = [line.split("\t") for line in SAMPLE.read_text("cp1252").splitlines() if line.strip()]
    with path.open("w", encoding="cp1252", newline="") as file:
        for at in range(ROWS):
            campaign, model = divmod(at, ROWS_PER_CAMPAIGN)
            cells = list(lines[campaign % len(lines)])
            cells[0], cells[1] = str(at + 1), f"{campaign % 100:02d}V{campaign:06d}"
            cells[3] = f"{cells[3]} {model}"
            cells[19] = f"{cells[19]} LOT{campaign}"
            file.write("\t".join(cells) + "\r\n")


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "recalls.txt"
        make_file(path)
        begun = time.perf_counter()
        fields = sum(len(line.split("\t")) for line in path.read_text("cp1252").splitlines())
        bare_s = time.perf_counter() - begun
        with Collection(Path(folder) / "public.sqlite") as collection:
            begun = time.perf_counter()
            told = collection.take_in(path, "recall", date(2026, 11, 25))
            taken_s = time.perf_counter() - begun
            size_mb = path.stat().st_size / 1e6
            rate = f"{told.new / taken_s:,.0f} a second, {taken_s / bare_s:.1f} times a bare read and split"
            print(f"{told.new:,} records ({size_mb:.0f} MB, {fields:,} fields) taken in: {taken_s:.1f} s, {rate}")
            begun = time.perf_counter()
            assert collection.take_in(path, "recall", date(2026, 11, 25)).known_already
            print(f"the same file again: {time.perf_counter() - begun:.2f} s")
            for words in WORDS:
                spent = []
                for _ in range(5):
                    begun = time.perf_counter()
                    hits = collection.search(words)
                    spent.append(time.perf_counter() - begun)
                print(f"search {words!r}: {len(hits)} shown, {1e3 * statistics.median(spent):.1f} ms")
            begun = time.perf_counter()
            found = sum(1 for _ in collection.of_car("FORD", "FOCUS 3"))
            print(f"all records of one model: {found}, {1e3 * (time.perf_counter() - begun):.1f} ms")


if __name__ == "__main__":
    main()
