"""Measurement files, bus traces and several files of one drive, against what asammdf and python-can wrote."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import asammdf
import can
import numpy as np
import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

from firstcause.cli.main import main
from firstcause.cli.recorded import read_recorded
from firstcause.errors import LogError
from firstcause.roadtest.drivelog import DriveLog
from firstcause.roadtest.tracks import Part, PartsDoNotJoin, Track, join_parts, read_tracks

BEGAN = datetime(2026, 3, 2, 8, 30, tzinfo=UTC)


def measurement(path: Path, *signals: asammdf.Signal) -> Path:
    with asammdf.MDF(version="4.10") as mdf:
        mdf.header.start_time = BEGAN
        for signal in signals:
            mdf.append(signal)
        return Path(mdf.save(path))


def signal(name: str, unit: str, rate_hz: float, values: np.ndarray, **more: object) -> asammdf.Signal:
    return asammdf.Signal(values, np.arange(values.size) / rate_hz, unit=unit, name=name, **more)


# ---- ASAM MDF4 -------------------------------------------------------------------------------------------------------


def test_channel_groups_of_different_rates_keep_their_own_moments(tmp_path: Path) -> None:
    """The file is asammdf's own. 10 Hz speed in m/s, 2 Hz temperature in degF; nothing is filled in between."""
    speed, warm = np.linspace(0.0, 30.0, 600), np.linspace(68.0, 194.0, 120)
    file = measurement(
        tmp_path / "a.mf4", signal("Vehicle speed", "m/s", 10, speed), signal("Coolant temperature", "degF", 2, warm)
    )
    (drive,) = read_recorded([file]).drives

    time_s, kmh = drive.readings("speed_kmh") or (None, None)
    np.testing.assert_allclose(kmh, speed * 3.6, rtol=1e-12)
    np.testing.assert_allclose(time_s, np.arange(600) / 10, atol=1e-9)
    _, degrees = drive.readings("coolant_c") or (None, None)
    np.testing.assert_allclose(degrees, np.linspace(20.0, 90.0, 120), rtol=1e-12)
    assert drive.began_s is None or drive.began_s >= 0


def test_a_linear_conversion_of_the_file_is_applied(tmp_path: Path) -> None:
    """Raw counts 0-255 with y = 0.4 x + 0, as ASAM MDF4 conversion block 'linear' says."""
    raw = np.arange(0, 250, dtype=np.uint8)
    file = measurement(tmp_path / "a.mf4", signal("Engine load", "%", 5, raw, conversion={"a": 0.4, "b": 0.0}))
    (drive,) = read_recorded([file]).drives

    np.testing.assert_allclose((drive.readings("load_percent") or (0, 0))[1], raw * 0.4, rtol=1e-12)


def test_words_in_a_channel_are_named_and_not_guessed_at(tmp_path: Path) -> None:
    gear = np.array([b"first", b"second", b"third"] * 10)
    rpm = np.linspace(700, 900, 30)
    words = [signal(name, "", 1, gear, encoding="utf-8") for name in ("Gear", "Engine load")]
    file = measurement(tmp_path / "a.mf4", signal("Engine speed", "rpm", 1, rpm), *words)
    report = read_recorded([file]).report

    assert ("Gear", "its meaning is not known") in report.columns_ignored
    assert any("hold words" in note and "Engine load" in note for note in report.notes)
    assert [column.key for column in report.columns_used] == ["rpm"]


@pytest.mark.parametrize("kept", [0, 10, 64, 200, 1000])
def test_a_damaged_file_is_an_error_in_words(tmp_path: Path, kept: int) -> None:
    file = measurement(tmp_path / "whole.mf4", signal("Engine speed", "rpm", 10, np.linspace(700, 3000, 500)))
    damaged = tmp_path / "damaged.mf4"
    damaged.write_bytes(file.read_bytes()[:kept])

    with pytest.raises(LogError, match="damaged"):
        read_recorded([damaged])


# ---- bus traces ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("suffix", [".asc", ".blf", ".log", ".trc"])
def test_a_trace_is_decoded_whatever_its_form(tmp_path: Path, suffix: str) -> None:
    """The writer is python-can's. Engine speed (256 A + B)/4 and speed A by SAE J1979 ($0C, $0D), in one answer."""
    file = tmp_path / f"drive{suffix}"
    with can.Logger(str(file)) as log:
        for at in range(60):
            stamp = BEGAN.timestamp() + at / 2
            rpm, kmh = 4 * (800 + 20 * at), at
            frames = ((0x7DF, bytes((3, 0x01, 0x0C, 0x0D, 0, 0, 0, 0))),
                      (0x7E8, bytes((6, 0x41, 0x0C, rpm >> 8, rpm & 0xFF, 0x0D, kmh, 0))))  # fmt: skip
            for number, (identifier, data) in enumerate(frames):
                log(can.Message(timestamp=stamp + 0.01 * number, arbitration_id=identifier, data=data,
                                is_extended_id=False, is_rx=True, channel=0))  # fmt: skip
    reading = read_recorded([file])
    (drive,) = reading.drives

    np.testing.assert_allclose((drive.readings("rpm") or (0, 0))[1], 800 + 20 * np.arange(60))
    np.testing.assert_allclose((drive.readings("speed_kmh") or (0, 0))[1], np.arange(60))
    assert drive.duration_s == pytest.approx(29.5, abs=0.01)
    assert any("60 answers" in note for note in reading.report.notes)


def test_prove_takes_a_measurement_file_and_says_what_it_is(tmp_path: Path) -> None:
    minutes = np.arange(900) / 1.0
    file = measurement(
        tmp_path / "drive.mf4",
        signal("Engine speed", "rpm", 1, np.where(minutes < 60, 750.0, 1800.0)),
        signal("Vehicle speed", "km/h", 1, np.where(minutes < 60, 0.0, 60.0)),
    )
    result = CliRunner().invoke(main, ["prove", str(file)])

    assert result.exit_code == 0, result.output
    assert "minimum drive" in result.output


# ---- signals with clocks of their own --------------------------------------------------------------------------------


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.one_of(st.floats(0, 1000), st.just(float("nan"))),
            st.one_of(st.floats(0, 8000), st.just(float("nan")), st.just(np.inf)),
        ),
        min_size=1,
        max_size=60,
    )
)
def test_every_value_is_used_or_set_aside(pairs: list[tuple[float, float]]) -> None:
    """Used and set aside are all there is; what is used is in the drive as it was."""
    time_s, values = (np.array(column, np.float64) for column in zip(*pairs, strict=True))
    held = np.isfinite(time_s) & np.isfinite(values)
    if not held.any():
        with pytest.raises(LogError):
            read_tracks([Track("Engine speed", "rpm", time_s, values)])
        return
    reading = read_tracks([Track("Engine speed", "rpm", time_s, values)])
    report = reading.report
    assert report.rows_used + sum(each.count for each in report.set_aside) == report.rows_read == len(pairs)
    (column,) = report.columns_used
    assert column.cells == len(pairs)
    last = {float(t): float(v) for t, v in zip(time_s[held], values[held], strict=True)}
    found = reading.drives[0].readings("rpm")
    if found is not None:  # a signal that never moves may be doubted as a whole, and the report says so
        assert set(found[1]) <= set(last.values())


# ---- several files of one drive --------------------------------------------------------------------------------------


def part(name: str, began_s: float | None, seconds: int, **signals: float) -> Part:
    time_s = np.arange(float(seconds))
    return Part(name, DriveLog(time_s, name=name, **{k: time_s + v for k, v in signals.items()}), began_s)


def test_parts_follow_by_their_clocks_and_what_is_missing_is_said() -> None:
    drive, said = join_parts([part("b", 1700.0, 60, rpm=900.0), part("a", 1000.0, 600, rpm=800.0)])

    assert drive.duration_s == 759.0
    assert drive.time_s.size == 660
    assert said == ("101 s are missing before b; nothing is counted over them",)


def test_what_two_parts_both_hold_counts_once() -> None:
    drive, said = join_parts([part("a", 0.0, 100, rpm=800.0), part("b", 90.0, 100, rpm=0.0)])

    assert drive.time_s.size == 190
    assert drive.signals()["rpm"][95] == 800.0 + 95.0
    assert said == ("10 value(s) of b stand in a file before it as well and were left out",)


def test_parts_with_other_signals_lie_side_by_side() -> None:
    drive, said = join_parts([part("a", 0.0, 100, rpm=800.0), part("b", 0.5, 100, speed_kmh=10.0)])

    assert set(drive.signals()) == {"rpm", "speed_kmh"}
    assert said == ()


@pytest.mark.parametrize("began_s", [None, 4000.0])
def test_parts_that_cannot_be_one_drive_are_refused(began_s: float | None) -> None:
    with pytest.raises(PartsDoNotJoin):
        join_parts([part("a", 0.0, 100, rpm=800.0), part("b", began_s, 100, rpm=0.0)])


def test_two_tables_of_one_drive_from_disk(tmp_path: Path) -> None:
    for name, minute in (("a.csv", 30), ("b.csv", 31)):
        rows = [f"2026-03-02 08:{minute}:{s:02d},{700 + s}" for s in range(60)]
        (tmp_path / name).write_text("\n".join(["Time,Engine speed (rpm)", *rows]) + "\n")
    (drive,) = read_recorded([tmp_path / "b.csv", tmp_path / "a.csv"]).drives

    assert drive.duration_s == 119.0
    assert drive.time_s.size == 120
