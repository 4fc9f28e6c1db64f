"""The drive that proves a repair, on the command line: planned, judged, and what the car does next."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from firstcause.cli.main import main
from firstcause.cli.output import CANNOT_BE_DONE
from firstcause.vehicle.layout import common_layout
from firstcause.virtualcar.bus import VirtualBusCar
from firstcause.virtualcar.car import VirtualCar

CASE = """
[car]
make = "Calder"
model = "Arvo"
model_year = 2016
distance_km = 190000
[car.engine]
shape = "I4"

[[event]]
kind = "snapshot"
stored = ["P0303"]
permanent = ["P0303"]
readiness_incomplete = ["evap"]
freeze_frame = { code = "P0303", rpm = 1800, load_percent = 45, coolant_c = 90, speed_kmh = 130 }

[[event]]
kind = "counted"
minutes = { idle = 5, cruise = 10 }
rpm = 1500
misfires = { 1 = 0, 2 = 0, 3 = 900, 4 = 0 }

[[event]]
kind = "found"
test = "coil-terminal-drag"
place = "cylinder 3"
outcome = "loose"

[[event]]
kind = "found"
test = "wiggle"
place = "cylinder 3"
outcome = "toggles"
"""


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(main, [str(argument) for argument in arguments])


@pytest.fixture
def case_file(tmp_path: Path) -> Path:
    path = tmp_path / "case.toml"
    path.write_text(CASE, encoding="utf-8")
    return path


def test_plan_says_the_cautions_before_the_drive_and_keeps_to_the_limit(case_file: Path) -> None:
    result = run("plan", case_file, "--limit", "80")
    assert result.exit_code == 0, result.output
    text = " ".join(result.output.split())
    assert text.index("the passenger works the recorder") < text.index("1. Start cold")
    assert "That is above 80 km/h: do not drive so fast" in text
    assert "105 min are needed" in text
    assert "104.9 min would show bouts 35 min apart in 95 of 100 cases" in text


def test_plan_as_json_has_stable_keys(case_file: Path) -> None:
    made = json.loads(run("plan", case_file, "--json").stdout)
    keys = {
        "title",
        "stop",
        "cautions",
        "before",
        "items",
        "after",
        "window",
        "certainties",
        "cannot_show",
        "total_min",
    }
    assert keys <= set(made)
    assert made["window"] == {"rpm": [1425, 2175], "load_percent": [25, 65], "warm": True}
    assert {"id", "measure", "title", "how", "why", "needed", "unit", "minutes", "cite", "mark"} <= set(
        made["items"][0]
    )


def test_prove_hears_case_and_car_beside_the_recording(case_file: Path, tmp_path: Path) -> None:
    """
    A sound virtual car: its own counter of minimum drives rises, our reading of its log agrees; the chance of a cure
    rises with the quiet drive and never reaches 1; more minutes of the same would make it surer.
    """
    car = VirtualCar.build(common_layout("I4"), "5ZCV2A3B5AR000123", 190_000.0, seed=2)
    adapter = ("--interface", "virtual", "--channel", "prove-test")
    with VirtualBusCar(car, "prove-test"):
        car.key_on()
        assert run("snapshot", *adapter, "--into", tmp_path / "before.json").exit_code == 0
        log = car.drive("mixed").write_csv(tmp_path / "drive.csv")
        car.key_on()
        assert run("snapshot", *adapter, "--into", tmp_path / "after.json").exit_code == 0
    mended = CASE + '[[event]]\nkind = "repaired"\nrepair = "mend-coil-branch"\nplace = "cylinder 3"\n'
    case_file.write_text(mended, encoding="utf-8")
    asked = ("prove", log, "--case", case_file, "--before", tmp_path / "before.json", "--after")
    result = run(*asked, tmp_path / "after.json", "--json")
    assert result.exit_code == 0, result.output
    (drive,) = json.loads(result.stdout)["drives"]
    words = {word["id"]: word for word in drive["car"]["words"]}
    assert words["minimum-drive"]["after"] == words["minimum-drive"]["before"] + 1
    assert words["minimum-drive"]["agreement"] in ("agrees", "open")
    assert words["starts"]["agreement"] == "agrees"
    assert 0 < drive["case"]["before"]["probability"] < drive["case"]["after"]["probability"] < 1
    assert drive["case"]["more"][0]["minutes_more"] > 0
    assert drive["silence"]["spacing_min"] == 35.0
    assert drive["pooled"][0]["firings"] == pytest.approx(4 * drive["events_per_cylinder"], abs=4)
    alone = run("prove", log, "--before", tmp_path / "before.json")
    assert alone.exit_code == CANNOT_BE_DONE
    assert "Give both" in alone.stderr


def test_prove_says_what_the_car_does_next_and_when(case_file: Path, tmp_path: Path) -> None:
    """After the erase: the permanent code goes with the drive, self-checks with the owner's week; rules are cited."""
    case_file.write_text(CASE + '[[event]]\nkind = "erased"\nsaved = "e2"\n', encoding="utf-8")
    car = VirtualCar.build(common_layout("I4"), "5ZCV2A3B5AR000123", 60_000.0, seed=3)
    log = car.drive("mixed").write_csv(tmp_path / "drive.csv")
    asked = ("prove", log, "--case", case_file, "--from", "2026-03-02", "--starts-a-week", "10", "--km-a-week", "80")
    result = run(*asked)
    assert result.exit_code == 0, result.output
    text = " ".join(result.output[result.output.index("What the car will do next") :].split())
    assert "Permanent P0303 goes by a passing drive of its check and one minimum drive after the erase" in text
    assert "10 starts a week, 7 of them cold, 80 km (as told)" in text
    assert "California, model year 2016" in text
    assert "16 CCR 3340.42.2(c)" in text
    found = json.loads(run(*asked, "--json").stdout)["coming"]
    assert found["from"] == "2026-03-02"
    evap = next(item for item in found["items"] if item["name"] == "evap")
    assert "2026-03-02" < evap["earliest"] < evap["latest"]
