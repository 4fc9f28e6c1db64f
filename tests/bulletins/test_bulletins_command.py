"""`firstcause bulletins` as its user calls it, on the real samples."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from firstcause.cli.main import main

DATA = Path(__file__).parent.parent / "data" / "recalls"


@pytest.fixture
def collection(tmp_path: Path) -> str:
    path = str(tmp_path / "public.db")
    said = CliRunner().invoke(
        main, ["bulletins", "take-in", str(DATA / "recalls.sample.txt"), "--kind", "recall", "--collection", path]
    )
    assert said.exit_code == 0, said.output
    assert "98 new, 0 renewed, 0 lines set aside." in said.output
    return path


def test_what_applies_to_a_car_says_why(collection: str) -> None:
    """The battery-cable recall of the sample concerns the model years 2000 and 2001."""
    car = ["Ford", "Focus", "--year", "2001", "--about", "battery cable"]
    asked = ["bulletins", "for", *car, "--collection", collection]
    told = json.loads(CliRunner().invoke(main, [*asked, "--json"]).output)
    assert [(each["number"], each["verdict"]) for each in told["records"]] == [
        ("02V288000", "applies"),
        ("02V288000", "nearly"),
    ]
    assert "other model year: it names 2000, this car is of 2001" in told["records"][1]["reasons"]
    printed = CliRunner().invoke(main, asked).output
    assert "It proves nothing." in printed


def test_the_same_file_again_changes_nothing(collection: str) -> None:
    said = CliRunner().invoke(
        main, ["bulletins", "take-in", str(DATA / "recalls.sample.txt"), "--kind", "recall", "--collection", collection]
    )
    assert "taken in before. Nothing was changed." in said.output


def test_search_shows_where_the_words_stand(collection: str) -> None:
    said = CliRunner().invoke(main, ["bulletins", "search", "battery", "cables", "--collection", collection])
    assert "[BATTERY]" in said.output
    assert "recall 02V288000: FORD FOCUS" in said.output


def test_without_a_collection_it_says_what_to_do(tmp_path: Path) -> None:
    said = CliRunner().invoke(main, ["bulletins", "search", "coil", "--collection", str(tmp_path / "none.db")])
    assert said.exit_code == 3
    assert "Take a file in first" in said.output
    assert not (tmp_path / "none.db").exists()
