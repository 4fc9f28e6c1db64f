"""Dirty drive logs: everything is used or set aside with its line, nothing is shifted, nothing is invented."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from firstcause.errors import LogError
from firstcause.roadtest.drivelog import DriveLog, Reading
from firstcause.roadtest.reading import NoTime, UnknownColumn, decode, read_drive, read_drive_file
from firstcause.roadtest.table import FieldsDoNotMatch, NoHeadings


def only(reading: Reading) -> DriveLog:
    (drive,) = reading.drives
    return drive


def values(array: np.ndarray | None) -> list[float]:
    assert array is not None
    return [round(float(v), 6) for v in array]


def reasons(reading: Reading) -> dict[str, tuple[int, tuple[int, ...]]]:
    return {s.reason: (s.count, s.first_lines) for s in reading.report.set_aside}


def test_semicolons_decimal_commas_and_units_in_cells() -> None:
    """Form seen in public logs: 74,50% and 82C and 2124RPM under a semicolon separator."""
    reading = read_drive(
        "Time;Engine RPM;Coolant;Engine load;Speed (km/h)\n"
        "00:03:02;2124RPM;82C;74,50%;63,5\n00:03:03;2130RPM;82C;70,00%;64,0\n"
    )
    drive = only(reading)
    assert values(drive.time_s) == [0, 1]
    assert values(drive.rpm) == [2124, 2130]
    assert values(drive.coolant_c) == [82, 82]
    assert values(drive.load_percent) == [74.5, 70.0]
    assert values(drive.speed_kmh) == [63.5, 64.0]
    assert any("decimal comma" in line for line in reading.report.sentences())


@pytest.mark.parametrize(
    ("heading", "cell", "speed_kmh"),
    [
        ("Speed (mph)", "25", 40.2336),
        ("speed_mps", "10", 36.0),
        ("Vehicle speed [km/h]", "50", 50.0),
        ("km/h", "50", 50.0),
        ("Vehicle Speed", "50 mph", 80.4672),
    ],
)
def test_speed_in_any_unit_of_the_road(heading: str, cell: str, speed_kmh: float) -> None:
    """1 mile = 1.609344 km exactly (NIST SP 811, from memory)."""
    drive = only(read_drive(f"time_s,{heading}\n0,{cell}\n1,{cell}\n"))
    assert values(drive.speed_kmh) == [pytest.approx(speed_kmh)] * 2


def test_a_row_of_units_below_the_headings_and_fahrenheit() -> None:
    """Water boils at 212 degF, freezes at 32 degF."""
    reading = read_drive("\ufeffTime,Coolant temperature,Engine speed\n(s),(degF),(rpm)\n0,212,700\n1,32,710\n")
    assert values(only(reading).coolant_c) == [100, 0]
    assert reading.report.rows_read == 2


def test_a_unit_that_is_only_assumed_is_said() -> None:
    report = read_drive("time_s,speed\n0,10\n1,10\n").report
    (speed,) = [c for c in report.columns_used if c.key == "speed_kmh"]
    assert speed.unit_assumed
    assert any("does not name the unit" in line for line in report.sentences())


@pytest.mark.parametrize(
    ("cells", "seconds"),
    [
        (("9:30:39.66512", "9:30:39.7", "9:30:41"), [0, 0.03488, 1.33488]),
        (("23:59:59", "0:00:01", "0:00:02"), [0, 2, 3]),
        (("59:58.1", "59:59.1", "00:00.1"), [0, 1, 2]),
        (("2026-11-25T10:00:00Z", "2026-11-25T10:00:01.5Z", "2026-11-25T12:00:02+02:00"), [0, 1.5, 2]),
        (("2026-11-25 10:00:00", "2026-11-25 10:00:01.5", "2026-11-25 10:00:02"), [0, 1.5, 2]),
        (("Thu Nov 02 15:44:24 CDT 2017", "Thu Nov 02 15:44:25 CDT 2017", "Thu Nov 02 15:45:24 CDT 2017"), [0, 1, 60]),
        (("25-Nov-2026 15:44:24.25", "25-Nov-2026 15:44:25.25", "25-Nov-2026 15:44:26.25"), [0, 1, 2]),
        (("11/25/2026 1:59:59 PM", "11/25/2026 2:00:00 PM", "11/25/2026 2:00:01 PM"), [0, 1, 2]),
        (("1711293780825", "1711293783891", "1711293786949"), [0, 3.066, 6.124]),
        (("1711293780", "1711293781", "1711293782"), [0, 1, 2]),
        (("0", "100", "200"), [0, 0.1, 0.2]),
        (("0.0", "0.5", "1.0"), [0, 0.5, 1.0]),
    ],
)
def test_time_in_the_ways_that_loggers_write_it(cells: tuple[str, ...], seconds: list[float]) -> None:
    text = "Time,rpm\n" + "".join(f"{cell},800\n" for cell in cells)
    assert values(only(read_drive(text)).time_s) == pytest.approx(seconds, abs=1e-5)


def test_rows_that_are_not_whole_are_set_aside_with_their_lines() -> None:
    reading = read_drive("time_s,rpm,speed_kmh\n0,800,0\n1,800\n2,800,0,9\n\n3,800,0\n4,810,0\n5,82")
    assert reasons(reading) == {
        "fewer fields than headings": (1, (3,)),
        "more fields than headings": (1, (4,)),
        "empty line": (1, (5,)),
        "the last row is cut off": (1, (8,)),
    }
    assert values(only(reading).time_s) == [0, 3, 4]
    assert reading.report.rows_read == 7


def test_27_headings_over_24_values_are_refused_never_shifted() -> None:
    headings = ["time_s", "rpm", *(f"x{n}" for n in range(25))]
    rows = "\n".join(",".join(str(n) for n in range(24)) for _ in range(4))
    with pytest.raises(FieldsDoNotMatch) as caught:
        read_drive(",".join(headings) + "\n" + rows + "\n")
    assert (caught.value.headings, caught.value.fields, caught.value.line) == (27, 24, 2)


@pytest.mark.parametrize("cell", ["800", "n/a"])
def test_a_trailing_comma_is_no_column(cell: str) -> None:
    """On the clean path (800) and the careful one (n/a) alike."""
    drive = only(read_drive(f"time_s,rpm\n0,800,\n1,{cell},\n2,805,\n"))
    assert values(drive.time_s) == [0, 1, 2]


def test_two_wrong_widths_that_cancel_out_are_still_seen() -> None:
    reading = read_drive("time_s,rpm,load\n0,800,20\n1,800,20,7\n2,800\n3,800,20\n4,800,20\n")
    assert values(only(reading).time_s) == [0, 3, 4]
    assert sum(count for count, _ in reasons(reading).values()) == 2


def test_text_and_nan_cells_are_absent_and_counted() -> None:
    reading = read_drive("time_s,rpm\n0,800\n1,NaN\n2,fault\n3,\n4,810\n")
    rpm = only(reading).rpm
    assert rpm is not None
    assert [bool(np.isnan(v)) for v in rpm] == [False, True, True, True, False]
    (use,) = [c for c in reading.report.columns_used if c.key == "rpm"]
    assert (use.absent_cells, use.unreadable_cells, use.unreadable_examples) == (2, 1, ((4, "fault"),))


def test_time_that_goes_back_once_or_jumps_ahead_once_costs_one_row() -> None:
    back = read_drive("time_s,rpm\n" + "".join(f"{t},800\n" for t in (0, 1, 2, 0.5, 3, 4, 5, 6, 7, 8)))
    assert reasons(back) == {"time runs backwards": (1, (5,))}
    ahead = read_drive("time_s,rpm\n" + "".join(f"{t},800\n" for t in (0, 1, 900, 2, 3, 4, 5, 6, 7, 8)))
    assert reasons(ahead) == {"time runs backwards": (1, (4,))}
    assert only(ahead).duration_s == 8


def test_a_clock_that_starts_again_parts_two_drives() -> None:
    reading = read_drive("time_s,rpm\n" + "".join(f"{t},800\n" for t in (*range(20), *range(10))))
    assert [d.time_s.size for d in reading.drives] == [20, 10]
    assert reading.report.rows_used == 30


def test_a_whole_second_clock_that_repeats_is_kept_and_said() -> None:
    reading = read_drive("time_s,rpm\n0,800\n0,801\n1,802\n1,803\n2,804\n")
    assert only(reading).time_s.size == 5
    assert any("2 row(s) repeat the time" in note for note in reading.report.notes)


@pytest.mark.parametrize(
    "text",
    [
        "rpm,speed_kmh\n800,0\n810,0\n",
        "time,rpm\n1.51336E+12,800\n1.51336E+12,801\n1.51336E+12,802\n",
        "time,rpm\nlate,800\nlater,801\n",
    ],
)
def test_a_drive_without_a_usable_clock_is_refused_in_one_sentence(text: str) -> None:
    with pytest.raises(NoTime, match="Nothing was kept"):
        read_drive(text)


def test_clock_ruined_by_a_spreadsheet_with_decimal_comma() -> None:
    """Form seen in public logs: 1,51336E+12 in every row."""
    with pytest.raises(NoTime, match="rounded away"):
        read_drive("time;rpm\n1,51336E+12;800\n1,51336E+12;801\n1,51336E+12;802\n")


@pytest.mark.parametrize("text", ["", "\n\n", "1,2,3\n4,5,6\n", "time_s,rpm\n", "\x00\x01\x02"])
def test_no_drive_at_all_is_an_error_of_ours(text: str) -> None:
    with pytest.raises(LogError):
        read_drive(text)


def test_numbers_without_headings_are_refused() -> None:
    with pytest.raises(NoHeadings):
        read_drive("1,2,3\n4,5,6\n")


def test_duplicated_headings_use_the_first_and_say_so() -> None:
    reading = read_drive("time_s,rpm,rpm\n0,800,1\n1,810,2\n")
    assert values(only(reading).rpm) == [800, 810]
    assert any("stands 2 times" in note for note in reading.report.notes)
    assert ("rpm", "'rpm' already gives rpm") in reading.report.columns_ignored


def test_the_cars_own_speed_wins_over_the_satellites() -> None:
    drive = only(read_drive("time_s,GPS speed (m/s),Vehicle speed (km/h)\n0,9,30\n1,9,31\n"))
    assert values(drive.speed_kmh) == [30, 31]


def test_comment_lines_and_blanks_after_commas() -> None:
    reading = read_drive("# StartTime = 11/02/2017 03:44:24 PM\n Time (s), Engine RPM\n 0, 800\n 1, 810\n")
    assert values(only(reading).rpm) == [800, 810]


def test_zero_that_means_not_supported() -> None:
    """Coolant 0, 0, then 87: the first rows were never read (form seen in public logs)."""
    reading = read_drive("time_s,rpm,coolant\n0,0,0\n1,800,0\n2,800,87\n3,800,87\n")
    coolant = only(reading).coolant_c
    assert coolant is not None
    assert np.isnan(coolant[:2]).all()
    assert any("taken as not recorded" in note for note in reading.report.notes)


def test_a_frozen_engine_speed_is_not_believed() -> None:
    rows = "".join(f"{t},2124,{t}\n" for t in range(100))
    assert only(read_drive("time_s,rpm,speed_kmh\n" + rows)).rpm is None


def test_the_caller_overrides_the_guess() -> None:
    text = "a,b,c\n0,10,3\n1,10,4\n"
    drive = only(read_drive(text, mapping={"a": "time_s@s", "b": "speed_kmh@m/s", "c": "misfires:3"}))
    assert values(drive.speed_kmh) == [36, 36]
    assert values(drive.misfires[3]) == [3, 4]
    for wrong in ({"z": "time_s"}, {"a": "nonsense"}, {"b": "speed_kmh@degC"}):
        with pytest.raises(UnknownColumn):
            read_drive(text, mapping={"a": "time_s", **wrong})


@pytest.mark.parametrize("heading", ["Misfire cyl 3", "cylinder 3 misfires", "misfires_3", "MISFIRE_COUNT_CYL_3"])
def test_misfire_counters_by_cylinder(heading: str) -> None:
    assert list(only(read_drive(f"time_s,{heading}\n0,0\n1,2\n")).misfires) == [3]


@pytest.mark.parametrize("heading", ["speedLimit", "currentTrafficSpeed", "windSpeed", "acceleration", "Absolute load"])
def test_what_is_not_the_car_is_not_guessed(heading: str) -> None:
    reading = read_drive(f"time_s,rpm,{heading}\n0,800,50\n1,800,50\n")
    assert (heading, "its meaning is not known") in reading.report.columns_ignored


def test_a_degree_sign_of_an_old_logger(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_bytes("Time (s);Coolant (°C)\n0;20\n1;21\n".encode("cp1252"))
    assert values(only(read_drive_file(path)).coolant_c) == [20, 21]
    assert decode("time\n".encode("utf-16")) == "time\n"
    with pytest.raises(LogError, match="could not be opened"):
        read_drive_file(tmp_path / "none.csv")


@given(
    st.lists(
        st.tuples(st.integers(0, 7000), st.integers(0, 250), st.integers(0, 100_000).map(lambda x: x / 1000)),
        min_size=3,
        max_size=40,
    )
)
def test_the_clean_path_and_the_careful_path_read_the_same(rows: list[tuple[int, int, float]]) -> None:
    """The same rows, once plain and once with a quoted heading row's worth of care forced by one quoted cell."""
    plain = "time_s,rpm,speed_kmh,load\n" + "".join(f"{t},{a},{b},{c}\n" for t, (a, b, c) in enumerate(rows))
    quoted = plain.replace(f"\n0,{rows[0][0]},", f'\n"0",{rows[0][0]},', 1)
    fast, slow = read_drive(plain), read_drive(quoted)
    assert fast.report.clean_path
    assert not slow.report.clean_path
    for key, column in only(fast).signals().items():
        np.testing.assert_array_equal(column, only(slow).signals()[key])


@given(st.text(alphabet='0123456789,;."\n\t abTimerpm:-', max_size=200))
def test_any_text_is_read_or_refused_but_never_crashes_or_loses_a_row(body: str) -> None:
    try:
        reading = read_drive("time_s,rpm\n" + body)
    except LogError:
        return
    report = reading.report
    assert report.rows_used + sum(s.count for s in report.set_aside) == report.rows_read
