"""The same seed gives the same numbers: by one worker, by two, on Dask, and after a kill."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import pytest

from firstcause.errors import RequestError
from firstcause.knowledge.base import load
from firstcause.trial.draw import comes_in, draw, from_file
from firstcause.trial.judge import judge
from firstcause.trial.run import RESULTS, Plan, Row, cars_of, read_results, run
from firstcause.trial.settings import settings
from firstcause.virtualcar.car_file import CarFile, Past, write_car_file
from firstcause.virtualcar.faults import Trouble

PLAN = Plan(2, 7, ("chart-pattern-first", "probability-over-cost", "all-knowing"))


def _numbers(rows: list[Row]) -> list[Row]:
    return [{key: value for key, value in row.items() if key != "seconds"} for row in rows]


@pytest.fixture(scope="module")
def by_one(tmp_path_factory: pytest.TempPathFactory) -> list[Row]:
    rows = _numbers(run(PLAN, tmp_path_factory.mktemp("one"), workers=1))
    assert [row["policy"] for row in rows] == [*PLAN.policies] * 2
    assert all(row["broken"] == "" and row["cost"] > 0 for row in rows)
    return json.loads(json.dumps(rows))  # type: ignore[no-any-return]


def test_two_workers_find_what_one_finds(by_one: list[Row], tmp_path: Path) -> None:
    assert json.loads(json.dumps(_numbers(run(PLAN, tmp_path, workers=2)))) == by_one


def test_a_dask_cluster_finds_what_one_worker_finds(by_one: list[Row], tmp_path: Path) -> None:
    pytest.importorskip("distributed")
    assert json.loads(json.dumps(_numbers(run(PLAN, tmp_path, workers=2, dask="local")))) == by_one


def test_a_killed_trial_is_gone_on_with_and_finds_the_same(by_one: list[Row], tmp_path: Path) -> None:
    """Killed without warning after its first result; a line cut short by that is dropped."""
    words = ["trial", "--cars", "2", "--seed", "7", "--workers", "1", "--policies", ",".join(PLAN.policies)]
    code = f"from firstcause.cli.main import main; main({[*words, '--out', str(tmp_path)]!r})"
    child = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.DEVNULL, env=dict(os.environ))
    kept = tmp_path / RESULTS
    try:
        end = time.monotonic() + 240
        while not (kept.exists() and kept.read_bytes().count(b"\n")) and time.monotonic() < end:
            assert child.poll() is None
            time.sleep(0.05)
    finally:
        child.send_signal(signal.SIGKILL)
        child.wait()
    before = read_results(kept)
    assert 0 < len(before) < 6
    with kept.open("a", encoding="utf-8") as file:
        file.write('{"car": 1, "policy": "all-kn')
    with pytest.raises(RequestError, match="--resume"):
        run(PLAN, tmp_path, workers=1)
    assert json.loads(json.dumps(_numbers(run(PLAN, tmp_path, workers=1, resume=True)))) == by_one
    assert kept.read_text(encoding="utf-8").count("\n") == 6


def test_results_of_another_seed_are_not_gone_on_with(tmp_path: Path) -> None:
    (tmp_path / "trial.json").write_text(json.dumps({"seed": 8, "physics": "correct", "from_file": 0}))
    with pytest.raises(RequestError, match="another seed"):
        run(PLAN, tmp_path, workers=1, resume=True)


def test_drawn_cars_come_with_their_lamp_on_for_a_misfire_and_each_policy_gets_the_car_as_it_came() -> None:
    car = draw(7, 0, settings(), settings().variant("correct"))
    assert comes_in(car.car)
    one, other = car.fresh(), car.fresh()
    one.key_off()
    one.drive("cold-start")
    assert one.odometer_km > other.odometer_km == car.car.odometer_km


def _with_a_late_fault() -> CarFile:
    """A coil that is dead on arrival, and an injector that dies 100 km after it."""
    return CarFile(
        seed=5, shape="I4", vin="WTR00000000000005", mileage_km=90_000.0,
        history=(Past(600.0, "mixed", until_lamp=True),),
        faults=(Trouble("coil-dead", 2), Trouble("injector-dead", 4, onset_km=90_700.0)),
    )  # fmt: skip


def test_a_fault_that_begins_after_the_car_came_in_is_nobodys_comeback() -> None:
    """Written down as the trial's rule: what had not begun on arrival is taken out of the car, for every policy."""
    file = _with_a_late_fault()
    whole = file.build()
    assert comes_in(whole)
    assert [one.fault for one in whole.condition.present] == ["coil-dead", "injector-dead"]
    drawn = from_file(0, file, settings())
    assert [one.fault for one in drawn.car.condition.present] == ["coil-dead"]
    score = judge(drawn, "chart-one-cylinder", load("misfire"), settings(), 7)
    assert (score.state, score.comebacks, score.faults) == ("cured", 0, ["coil-dead@2"])


def test_a_fault_that_has_begun_stays_and_grows_on() -> None:
    file = replace(_with_a_late_fault(), faults=(
        Trouble("coil-dead", 2), Trouble("ring-leak", 4, onset_km=90_000.0, grows_over_km=3000.0)))  # fmt: skip
    car = from_file(0, file, settings()).fresh()
    before = {one.fault: one.severity for one in car.condition.present}
    assert 0 < before["ring-leak"] < 1
    car.own(500.0, "mixed")
    after = {one.fault: one.severity for one in car.condition.present}
    assert after["ring-leak"] > before["ring-leak"]


def test_a_car_that_exceeds_the_limit_still_counts_in_what_was_said_of_it() -> None:
    """Cars that take long are the hard ones: to leave them out would flatter the calibration."""
    rules = replace(settings(), limits={**settings().limits, "steps": 0})
    score = judge(draw(7, 9, rules, rules.variant("correct")), "ours", load("misfire"), rules, 7)
    assert score.state == "referred"
    assert len(score.stated) > 0


def test_cars_of_a_folder_are_worked_instead_of_drawn_ones(tmp_path: Path) -> None:
    for number in (0, 1):
        car = draw(7, number, settings(), settings().variant("correct"))
        (tmp_path / f"{number}.toml").write_text(write_car_file(car.file))
    plan = Plan(99, 7, ("all-knowing",), files=cars_of(tmp_path))
    rows = run(plan, tmp_path / "out", workers=1)
    drawn = run(Plan(2, 7, ("all-knowing",)), tmp_path / "drawn", workers=1)
    assert [row["faults"] for row in rows] == [row["faults"] for row in drawn]
    assert [row["cost"] for row in rows] == [row["cost"] for row in drawn]
