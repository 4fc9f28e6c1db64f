"""A log read in pieces says the same as one read whole; no cell vanishes; a log too long is thinned and says so."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from firstcause.errors import LogError
from firstcause.roadtest.conditions import minimum_drive
from firstcause.roadtest.drivelog import Reading
from firstcause.roadtest.loading import CELLS_HELD
from firstcause.roadtest.pieces import pieces_of_file, pieces_of_text_blocks
from firstcause.roadtest.reading import read_drive, read_pieces
from firstcause.roadtest.trips import split_trips

NUMBER = st.one_of(st.integers(-50, 7000).map(str), st.floats(0, 300).map(lambda x: f"{x:.2f}"))
CELL = st.one_of(
    NUMBER, st.sampled_from(["", "n/a", "NaN", "fault", "12,5", "1,234", "82C", "inf", "1_0", "--", "9 %"])
)


def in_pieces(text: str, size: int, cells_held: int = CELLS_HELD) -> Reading:
    def pieces() -> Iterator[str]:
        return pieces_of_text_blocks(text[at : at + size] for at in range(0, len(text), size))

    return read_pieces(pieces, name="drive", cells_held=cells_held)


def same(one: Reading, other: Reading) -> None:
    assert one.report.to_dict() | {"clean_path": None} == other.report.to_dict() | {"clean_path": None}
    for a, b in zip(one.drives, other.drives, strict=True):
        np.testing.assert_array_equal(a.time_s, b.time_s)
        assert a.signals().keys() == b.signals().keys()
        for key, values in a.signals().items():
            np.testing.assert_array_equal(values, b.signals()[key])


@settings(deadline=None)
@given(
    st.lists(st.tuples(st.integers(-3, 40), st.lists(CELL, min_size=1, max_size=4)), min_size=1, max_size=40),
    st.integers(1, 90),
)
@example([(1, ["1,234", "800"]), (2, ["5", "1"]), (3, ["12,5", "2"])], 30)  # thousands, until a later piece says no
def test_no_cell_vanishes_and_pieces_change_nothing(rows: list[tuple[int, list[str]]], size: int) -> None:
    """Used + absent + unreadable + in rows set aside + doubted = the cells of the file, counted here by `csv`."""
    text = "time_s;rpm;speed (km/h);coolant (C)\n"
    text += "".join(f"{at};{';'.join(cells)}\n" for at, cells in rows)
    try:
        whole = read_drive(text)
    except LogError:
        with pytest.raises(LogError):
            in_pieces(text, size)
        return
    report = whole.report
    same(whole, in_pieces(text, size))
    lines = list(csv.reader(io.StringIO(text), delimiter=";"))[1:]
    rows_whole = sum(len(line) == 4 or (len(line) == 5 and not line[4]) for line in lines)
    assert report.rows_whole == rows_whole
    assert report.rows_used + sum(s.count for s in report.set_aside) == report.rows_read == len(lines)
    for column in report.columns_used:
        assert column.cells == rows_whole, column
        held = (drive.time_s if column.key == "time_s" else drive.signals().get(column.key) for drive in whole.drives)
        assert column.used_cells == sum(int(np.isfinite(values).sum()) for values in held if values is not None)
    assert len(report.columns_used) + len(report.columns_ignored) == 4


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16", "cp1252"])
@pytest.mark.parametrize("piece_bytes", [1, 7, 4096])
def test_any_line_end_and_encoding_in_pieces_of_any_size(
    tmp_path: Path, end: str, encoding: str, piece_bytes: int
) -> None:
    text = "time (s);coolant (°C)\n0;20\n1;21\n2;22\n"
    path = tmp_path / "log.csv"
    path.write_bytes(text.replace("\n", end).encode(encoding))
    assert "".join(pieces_of_file(path, piece_bytes)) == text


@pytest.mark.parametrize(
    ("cells", "seconds"),
    [
        (("23:59:58", "23:59:59", "00:00:00", "00:00:01"), [0, 1, 2, 3]),
        (
            ("10/11/2026 10:00:00", "10/11/2026 10:00:01", "10/13/2026 10:00:01"),
            [0, 1, 2 * 86400 + 1],
        ),  # 11 to 13 October
    ],
)
def test_a_clock_goes_on_over_the_edge_of_a_piece(cells: tuple[str, ...], seconds: list[float]) -> None:
    """Midnight between two pieces; and the order of day and month, which only the last date shows."""
    text = "Time;rpm\n" + "".join(f"{cell};800\n" for cell in cells)
    reading = in_pieces(text, 10)
    same(read_drive(text), reading)
    np.testing.assert_allclose(reading.drives[0].time_s, seconds)


def test_a_log_too_long_to_hold_is_thinned_and_every_row_counted() -> None:
    """A square drive at 100 Hz: 700 s at 60 km/h with one idle of 35 s, held whole and in a sixth of its cells.

    40 CFR-style minimum drive: the times found differ by no more than a step of the thinning at each of the four
    crossings; a misfire counter keeps every one of its counts.
    """
    moment = np.arange(0, 735, 0.01)
    speed = np.where((moment >= 300) & (moment < 335), 0, 60)
    count = np.floor(moment / 9.7)
    rows = zip(moment.tolist(), speed.tolist(), count.tolist(), strict=True)
    text = "time_s,speed (km/h),rpm,misfire cyl 1\n" + "".join(f"{t:.2f},{v},1500,{n:.0f}\n" for t, v, n in rows)
    held, thinned = read_drive(text), in_pieces(text, 100_000, cells_held=60_000)
    (a,), (b,) = held.drives, thinned.drives
    assert b.time_s.size < a.time_s.size / 4
    report = thinned.report
    assert report.rows_used + sum(s.count for s in report.set_aside) == report.rows_read == moment.size
    assert any("too long to hold" in s.reason for s in report.set_aside)
    assert all(column.cells == report.rows_whole for column in report.columns_used)
    assert np.unique(b.misfires[1]).size == np.unique(a.misfires[1]).size
    (trip_a,), (trip_b,) = split_trips(a), split_trips(b)
    for whole, short in zip(minimum_drive(trip_a).items, minimum_drive(trip_b).items, strict=True):
        assert whole.verdict == short.verdict
        if whole.reached is not None:
            assert short.reached == pytest.approx(whole.reached, abs=0.2)


def test_signals_in_turns_all_survive_the_thinning() -> None:
    """A row holds one signal only, as a tester asks one after the other; each keeps its readings."""
    rows = [f"{at / 100:.2f},{900 if at % 2 else ''},{'' if at % 2 else 50}\n" for at in range(4000)]
    thinned = in_pieces("time_s,rpm,speed (km/h)\n" + "".join(rows), 5000, cells_held=6000)
    (drive,) = thinned.drives
    rpm, speed = drive.readings("rpm"), drive.readings("speed_kmh")
    assert rpm is not None
    assert speed is not None
    assert np.diff(rpm[0]).max() <= 0.21
    assert np.diff(speed[0]).max() <= 0.21


def test_a_recording_too_long_even_so_is_refused_with_what_to_do() -> None:
    text = "time_s,rpm\n" + "".join(f"{at},800\n" for at in range(5000))
    with pytest.raises(LogError, match="cut the file into several"):
        in_pieces(text, 10_000, cells_held=2000)
