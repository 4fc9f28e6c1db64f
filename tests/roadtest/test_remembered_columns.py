"""Columns guessed, shown, corrected once, and known again by their headings."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from hypothesis import given
from hypothesis import strategies as st

from firstcause.cli.main import main
from firstcause.roadtest.reading import UnknownColumn
from firstcause.roadtest.remembered import (
    RememberedUnreadable,
    fingerprint,
    guessed,
    keep_remembered,
    read_remembered,
    recalled,
    remember,
)

LOG = "Zeit (s);n;v\n" + "".join(f"{at};{800 + at};{at % 90}\n" for at in range(120))


def prove(folder: Path, *words: str) -> Result:
    return CliRunner().invoke(main, ["prove", *words, "--columns-file", str(folder / "shop" / "columns.json")])


def test_a_correction_said_once_is_used_for_the_next_log_of_the_same_headings(tmp_path: Path) -> None:
    first, second, other = (tmp_path / name for name in ("first.csv", "second.csv", "other.csv"))
    first.write_text(LOG)
    second.write_text(LOG.replace("Zeit (s);n;v", "zeit (s);N;V", 1).replace("zeit (s);N;V", "Zeit (s);n;v", 1))
    other.write_text(LOG.replace(";v\n", ";w\n", 1))

    told = prove(tmp_path, str(first), "--map", "n=rpm", "--map", "v=speed_kmh@mph", "--remember", "--json")
    assert told.exit_code == 0, told.output
    again = json.loads(prove(tmp_path, str(second), "--json").output)
    used = {column["signal"]: column for column in again["reading"]["columns_used"]}
    assert used["rpm"]["heading"] == "n"
    assert used["speed_kmh"]["unit"] == "mph"
    assert any("said of these columns before" in note for note in again["reading"]["notes"])

    unlike = json.loads(prove(tmp_path, str(other), "--json").output)
    assert [column["signal"] for column in unlike["reading"]["columns_used"]] == ["time_s"]


def test_what_is_guessed_and_what_was_said_are_shown_apart(tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    log.write_text(LOG)
    prove(tmp_path, str(log), "--map", "n=rpm", "--remember")
    said = prove(tmp_path, str(log), "--map", "v=speed_kmh", "--show-columns").output
    assert "Zeit (s) = time_s@s (guessed)" in said
    assert "n = rpm (as you said before)" in said
    assert "v = speed_kmh (as you say)" in said


@pytest.mark.parametrize("wrong", ["n=revs", "x=rpm", "v=speed_kmh@degC"])
def test_what_does_not_exist_is_refused_and_not_kept(tmp_path: Path, wrong: str) -> None:
    log = tmp_path / "log.csv"
    log.write_text(LOG)
    result = prove(tmp_path, str(log), "--map", wrong, "--remember")
    assert result.exit_code != 0
    assert not (tmp_path / "shop").exists()


@given(
    st.lists(st.text(min_size=1, max_size=6), min_size=1, max_size=8, unique=True), st.randoms(use_true_random=False)
)
def test_order_and_case_do_not_change_the_fingerprint_but_another_heading_does(
    headings: list[str], chance: object
) -> None:
    shuffled = list(headings)
    chance.shuffle(shuffled)  # type: ignore[attr-defined]
    assert fingerprint(shuffled) == fingerprint(headings)
    assert fingerprint([f"  {heading} " for heading in headings]) == fingerprint(headings)
    assert fingerprint([*headings, "one more"]) != fingerprint(headings)


def test_a_second_correction_adds_to_the_first_and_the_later_word_wins() -> None:
    kept = remember({}, ["t", "n", "v"], {"n": "rpm", "v": "ignore"})
    kept = remember(kept, ["t", "n", "v"], {"v": "speed_kmh"})
    assert recalled(kept, ["t", "n", "v"]) == {"n": "rpm", "v": "speed_kmh"}
    assert recalled(kept, ["t", "n"]) == {}


def test_two_columns_for_one_signal_are_shown_as_one_used_and_one_left() -> None:
    shown = guessed(["Time (s)", "GPS speed (m/s)", "Vehicle speed (km/h)"])
    assert shown == {"Time (s)": "time_s@s", "GPS speed (m/s)": "ignore", "Vehicle speed (km/h)": "speed_kmh@km/h"}
    with pytest.raises(UnknownColumn):
        guessed(["Time (s)"], {"rpm": "rpm"})


@pytest.mark.parametrize(
    "text", ["", "[]", '{"form": 2, "columns": {}}', '{"form": 1, "columns": {"a": {"mapping": [1]}}}']
)
def test_a_spoilt_file_is_refused_in_words_and_left_alone(tmp_path: Path, text: str) -> None:
    path = tmp_path / "columns.json"
    path.write_text(text)
    with pytest.raises(RememberedUnreadable, match="Nothing was changed"):
        read_remembered(path)
    assert path.read_text() == text
    keep_remembered(path, remember({}, ["t"], {"t": "time_s"}))
    assert recalled(read_remembered(path), ["T "]) == {}
    assert recalled(read_remembered(path), ["t"]) == {"t": "time_s"}
