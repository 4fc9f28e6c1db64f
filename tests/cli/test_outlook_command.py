"""`firstcause outlook`: the options of a written case as text, as JSON and as pictures."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from firstcause.cli.main import main

CASE = """
recorded_by = "Ada"
[opened]
at = 2026-03-02T08:30:00+01:00
[car]
make = "Velmora"
model = "Tessin"
distance_km = 148000
[car.engine]
shape = "I4"
[[event]]
kind = "counted"
minutes = { idle = 3 }
misfires = { 1 = 0, 2 = 0, 3 = 260, 4 = 0 }
"""


@pytest.fixture
def case_file(tmp_path: Path) -> Path:
    path = tmp_path / "case.toml"
    path.write_text(CASE, encoding="utf-8")
    return path


def test_text_json_and_pictures_tell_the_same_options(case_file: Path, tmp_path: Path) -> None:
    asked = ["outlook", str(case_file), "--months", "12", "--cars", "2000", "--currency", "EUR"]
    told = CliRunner().invoke(main, [*asked, "--json", "--pictures", str(tmp_path / "pictures")])
    assert told.exit_code == 0, told.output
    found = json.loads(told.stdout)
    assert found["horizon"] == {"months": 12.0, "km_a_month": 1000.0, "km": 12000.0}
    assert {path.name for path in (tmp_path / "pictures").iterdir()} == {
        "price-over-distance.svg", "chance-of-return.svg", "what-matters.svg",
    }  # fmt: skip
    said = CliRunner().invoke(main, asked).stdout
    for option in found["options"]:
        assert option["name"] in " ".join(said.split())
    assert "What stays unknown" in said


def test_a_wrong_horizon_is_refused_in_words(case_file: Path) -> None:
    told = CliRunner().invoke(main, ["outlook", str(case_file), "--months", "0"])
    assert told.exit_code == 2
    assert "--months" in told.stderr
