"""`firstcause virtual-car`: make, show, work, serve, as a person at the keyboard meets them."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from firstcause.cli.main import main


def run(*words: str | Path, typed: str | None = None) -> Result:
    return CliRunner().invoke(main, ["virtual-car", *map(str, words)], input=typed)


@pytest.fixture
def car_file(tmp_path: Path) -> Path:
    file = tmp_path / "car.toml"
    file.write_text(
        'seed = 3\nvin = "5ZCV2A3B5AR000123"\nmileage_km = 120000.0\n[engine]\nshape = "I4"\n'
        '[[fault]]\nfault = "coil-dead"\ncylinder = 2\nseverity = 1.0\n',
        encoding="utf-8",
    )
    return file


def test_a_seed_makes_the_same_file_and_never_writes_over_one(tmp_path: Path) -> None:
    one, two = tmp_path / "a.toml", tmp_path / "b.toml"
    assert run("new", "--seed", "7", "--out", one).exit_code == 0
    assert run("new", "--seed", "7", "--out", two).exit_code == 0
    assert one.read_bytes() == two.read_bytes()
    again = run("new", "--seed", "8", "--out", one)
    assert again.exit_code == 3
    assert one.read_bytes() == two.read_bytes()


def test_faults_are_hidden_until_they_are_asked_for(car_file: Path) -> None:
    assert "coil-dead" not in run("show", car_file).output
    assert "coil-dead at cylinder 2" in run("show", car_file, "--reveal").output
    assert "faults" not in json.loads(run("show", car_file, "--json").output)
    assert json.loads(run("show", car_file, "--reveal", "--json").output)["faults"][0]["fault"] == "coil-dead"


def test_a_day_goes_on_where_it_was_left(car_file: Path) -> None:
    """Swapped in one call, still swapped in the next; the same acts in one go give the same words."""
    acts = ("idle 1 min", "swap coil 2 3", "idle 1 min", "look plug 2")
    apart = [line for act in acts for line in run("work", car_file, "--do", act, "--json").output.splitlines()]
    options = [word for act in acts for word in ("--do", act)]
    together = run("work", car_file, "--new-day", *options, "--json").output.splitlines()
    assert apart == together
    counts = json.loads(apart[2])["values"]
    assert counts["cylinder_3_misfires"] > 100 > counts["cylinder_2_misfires"]


def test_a_day_of_another_car_is_not_gone_on_with(car_file: Path) -> None:
    run("work", car_file, "--do", "look oil")
    car_file.write_text(car_file.read_text(encoding="utf-8").replace("120000", "130000"), encoding="utf-8")
    refused = run("work", car_file, "--do", "look oil")
    assert refused.exit_code == 4
    assert "changed since" in refused.output
    assert run("work", car_file, "--new-day", "--do", "look oil").exit_code == 0


def test_typed_acts_until_an_empty_line(car_file: Path) -> None:
    typed = run("work", car_file, typed="look oil\nlook moon\n\n")
    assert "between the marks" in typed.output
    assert "one can look at" in typed.output
    assert typed.exit_code == 0


def test_what_cannot_be_done_is_one_sentence_and_a_code(car_file: Path, tmp_path: Path) -> None:
    assert run("work", car_file, "--do", "dance").exit_code == 3
    bad = tmp_path / "bad.toml"
    bad.write_text("seed = ", encoding="utf-8")
    refused = run("show", bad)
    assert refused.exit_code == 4
    assert "not TOML" in refused.output


def test_serving_ends_by_itself_when_told(car_file: Path) -> None:
    served = run("serve", car_file, "--interface", "virtual", "--channel", "served", "--for-seconds", "0.1")
    assert served.exit_code == 0
    assert "answers on virtual served" in served.output


def test_a_bus_this_machine_has_not_got_is_said_so(car_file: Path) -> None:
    refused = run("serve", car_file, "--interface", "socketcan", "--channel", "vcan-none", "--for-seconds", "0.1")
    assert refused.exit_code == 5
    assert "Nothing was started" in refused.output
