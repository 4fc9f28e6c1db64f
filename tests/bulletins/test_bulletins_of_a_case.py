"""Published records held against a case: judged, let count or refused by the technician, read back as an event."""

from __future__ import annotations

import json
from pathlib import Path
from xml.etree import ElementTree

import pytest
from click.testing import CliRunner

from firstcause.casebook.complaints_drawing import UNVERIFIED, draw_complaints
from firstcause.cli.main import main

TABLE = """kind,number,make,model,year_from,year_to,engine,component,text,until_km
bulletin,B-7,NORVIK,HALDEN,2014,2017,NK20,IGNITION,Ignition coil may crack and misfire at idle.,
bulletin,B-9,NORVIK,HALDEN,2010,2014,NK20,IGNITION,Ignition coil may crack.,
recall,R-1,NORVIK,HALDEN,2014,2017,,BRAKES,Brake hose may leak.,
complaint,C-1,NORVIK,HALDEN,2015,2015,,ENGINE,It would misfire when cold.,
complaint,C-2,NORVIK,HALDEN,2016,2016,,ENGINE,Misfire and rough idle.,
complaint,C-3,NORVIK,HALDEN,2016,2016,,ENGINE,Misfire again.,
"""
CASE = """recorded_by = "Ada"
[opened]
at = 2026-03-02T08:30:00+01:00
[car]
make = "Norvik"
model = "Halden"
engine_code = "NK20"
model_year = 2016
distance_km = 143000
[car.engine]
shape = "I4"
[[event]]
kind = "counted"
minutes = { idle = 3 }
misfires = { 1 = 0, 2 = 0, 3 = 260, 4 = 0 }
"""


@pytest.fixture
def asked(tmp_path: Path) -> list[str]:
    (tmp_path / "table.csv").write_text(TABLE, encoding="utf-8")
    (tmp_path / "case.toml").write_text(CASE, encoding="utf-8")
    collection = ["--collection", str(tmp_path / "public.db")]
    said = CliRunner().invoke(main, ["bulletins", "take-in", str(tmp_path / "table.csv"), *collection])
    assert said.exit_code == 0, said.output
    return ["bulletins", "case", str(tmp_path / "case.toml"), *collection]


def coil_odds(case: Path) -> float:
    told = json.loads(CliRunner().invoke(main, ["weigh", str(case), "--json"]).stdout)
    suspects = {each["cause"]: each for each in told["suspects"]}
    share = float(suspects["coil-breaks-down-hot@coil-3"]["probability"])
    return share / (1.0 - share)


def test_each_record_has_its_verdict_and_the_entries_of_which_it_speaks(asked: list[str]) -> None:
    told = json.loads(CliRunner().invoke(main, [*asked, "--all", "--json"]).stdout)
    verdicts = {each["number"]: each["verdict"] for each in told["records"]}
    assert verdicts == {
        "B-7": "applies", "B-9": "nearly", "R-1": "does-not", "C-1": "nearly", "C-2": "applies", "C-3": "applies",
    }  # fmt: skip
    coil = next(each for each in told["records"] if each["number"] == "B-7")
    assert coil["faults"]
    assert all(fault.startswith("coil-") for fault in coil["faults"])
    assert told["complaints_by_year"] == {"2015": 1, "2016": 2}
    assert told["caution"] == UNVERIFIED


def test_an_accepted_record_becomes_an_event_that_the_case_file_takes(asked: list[str], tmp_path: Path) -> None:
    """Nothing moves by asking; the event moves the odds of the coil up, a refused one leaves them as they were."""
    case = tmp_path / "case.toml"
    before = coil_odds(case)
    for decision, wanted in (("--refuse", "refused"), ("--accept", "accepted")):
        block = CliRunner().invoke(main, [*asked, decision, "B-7", "--note", "seen twice here"]).stdout
        assert f'decision = "{wanted}"' in block
        assert "likelihood_ratio = 2.5" in block
        case.write_text(CASE + "\n" + block, encoding="utf-8")
        if wanted == "refused":
            assert coil_odds(case) == before
        else:
            assert coil_odds(case) > 1.1 * before
        case.write_text(CASE, encoding="utf-8")


def test_what_does_not_apply_cannot_be_let_count(asked: list[str]) -> None:
    said = CliRunner().invoke(main, [*asked, "--accept", "R-1"])
    assert said.exit_code == 3
    assert "does not apply to this car" in said.stderr
    assert "There is no record Z-1" in CliRunner().invoke(main, [*asked, "--accept", "Z-1"]).stderr


def test_the_picture_shows_every_year_and_the_caution() -> None:
    root = ElementTree.fromstring(draw_complaints({2014: 3, 2016: 12}, "Norvik Halden", 2016))
    words = [text for text in root.itertext() if text.strip()]
    assert {"2014", "2015", "2016", "3", "0", "12"} <= set(words), "a year without complaints is a year, not a gap"
    assert "Nobody has verified them" in " ".join(words)
    assert "None in the collection." in "".join(ElementTree.fromstring(draw_complaints({}, "Norvik")).itertext())
