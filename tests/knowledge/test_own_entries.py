"""A technician's own folder over a shipped pack: one file adds a test, another overrules an entry, and it is marked."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner
from fastapi import FastAPI

from firstcause.cli.main import main
from firstcause.knowledge.base import PACKS_FOLDER, load
from firstcause.knowledge.check import check_pack

OWN_TEST = """
id = "sniff-the-well"
name = "Smell at the plug well"
status = "draft"
how = "Cover off, engine cool: smell at the well of this cylinder."
on = "cylinder"
minutes = 2

[[outcomes]]
id = "nothing"
name = "Nothing"

[[outcomes]]
id = "burnt"
name = "Smells burnt"

[otherwise]
outcomes = { nothing = 0.95, burnt = 0.05 }
basis = "judgement"
why = "Old engines smell."

[[shown_by]]
fault = "coil-boot-tracking"
outcomes = { burnt = 0.5 }
basis = "judgement"
why = "Burnt rubber."
"""


def own_folder(tmp_path: Path, name: str, text: str) -> Path:
    file = tmp_path / "misfire" / name
    file.parent.mkdir(parents=True)
    file.write_text(text, encoding="utf-8")
    return tmp_path


def test_one_file_adds_a_test_that_a_shipped_fault_shows(tmp_path: Path) -> None:
    own = own_folder(tmp_path, "tests/sniff-the-well.toml", OWN_TEST)

    base = load("misfire", own=own)

    assert base.marks == {"tests/sniff-the-well": "own"}
    shown = {shows.test: shows.outcomes for shows in base.faults["coil-boot-tracking"].shows}
    assert shown["sniff-the-well"] == {"burnt": 0.5}
    assert base.version != load("misfire").version
    assert check_pack(PACKS_FOLDER / "misfire", own / "misfire") == []


def test_a_name_that_is_not_there_is_said_with_the_own_file(tmp_path: Path) -> None:
    own = own_folder(tmp_path, "tests/sniff-the-well.toml", OWN_TEST.replace("coil-boot-tracking", "coil-boot"))

    said = [str(problem) for problem in check_pack(PACKS_FOLDER / "misfire", own / "misfire")]

    assert "own/tests/sniff-the-well.toml: shown_by[1]: there is no fault 'coil-boot'" in said


def test_an_own_file_overrules_the_shipped_one_and_is_marked(tmp_path: Path) -> None:
    (shipped,) = (PACKS_FOLDER / "misfire").rglob("coil-dead.toml")
    text = shipped.read_text(encoding="utf-8").replace('status = "reviewed"', 'status = "draft"')
    own = own_folder(tmp_path, "faults/coil-dead.toml", text)

    base = load("misfire", own=own)

    assert base.marks == {"faults/coil-dead": "overrules"}
    assert base.faults["coil-dead"].status == "draft"
    assert check_pack(PACKS_FOLDER / "misfire", own / "misfire") == []


WEIGHED_CASE = """
[car]
make = "Calder"
model = "Tarn"
distance_km = 120000
[car.engine]
shape = "I4"

[[event]]
kind = "counted"
minutes = { idle = 3 }
rpm = 720
misfires = { 1 = 0, 2 = 0, 3 = 230, 4 = 0 }
"""


@pytest.mark.parametrize("said", ["option", "environment"])
def test_every_command_weighs_with_the_own_entries(said: str, tmp_path: Path) -> None:
    own = own_folder(tmp_path, "tests/sniff-the-well.toml", OWN_TEST)
    case = tmp_path / "case.toml"
    case.write_text(WEIGHED_CASE, encoding="utf-8")

    def run(*words: str | Path) -> str:
        before = ["--own", str(own)] if said == "option" else []
        environment = {"FIRSTCAUSE_KNOWLEDGE": str(own)} if said == "environment" else {}
        result = CliRunner().invoke(main, [*before, *map(str, words)], env=environment)
        assert result.exit_code == 0, result.output
        return result.output

    version = load("misfire", own=own).version
    assert json.loads(run("weigh", case, "--json"))["knowledge"]["version"] == version
    assert f"version {version}" in run("export-model", case)
    assert "Smell at the plug well" in run("knowledge", "show", "sniff-the-well")


def test_the_page_is_served_with_the_own_entries(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    own, served = own_folder(tmp_path, "tests/sniff-the-well.toml", OWN_TEST), []

    class NoServer:
        """Takes the app and serves nothing."""

        def __init__(self, app: FastAPI, **_: object) -> None:
            served.append(app)

        def run(self) -> None:
            return None

    monkeypatch.setattr("firstcause.web.serving.Server", NoServer)

    result = CliRunner().invoke(main, ["--own", str(own), "serve", "--casebook", str(tmp_path / "book.db")])

    assert result.exit_code == 0, result.output
    packs = served[0].state.desk.packs
    assert packs["misfire"].marks == {"tests/sniff-the-well": "own"}
    assert not packs["no-start"].marks


def test_a_folder_that_is_not_there_is_said_by_every_command(tmp_path: Path) -> None:
    case = tmp_path / "case.toml"
    case.write_text(WEIGHED_CASE, encoding="utf-8")
    for words in (["weigh", str(case)], ["knowledge", "show", "coil-dead"], ["export-model", str(case)]):
        result = CliRunner().invoke(main, ["--own", str(tmp_path / "gone"), *words])
        assert result.exit_code == 4, result.output
        assert "There is no folder" in result.output


@pytest.mark.parametrize(
    ("entry", "told", "named_by"),
    [
        ("coil", "Ignition coil  [coil, part]", "coil-dead"),
        ("coil-off", "[coil-off, access]", "coil"),
        ("bumps-set-it-off", "[bumps-set-it-off, question]", "contact-loose-coil"),
        ("no-piercing", "[no-piercing, caution]", "loom-look"),
    ],
)
def test_what_stands_in_the_lists_is_shown_with_who_names_it(entry: str, told: str, named_by: str) -> None:
    shown = CliRunner().invoke(main, ["knowledge", "show", entry])
    assert shown.exit_code == 0, shown.output
    assert told in shown.output
    assert named_by in shown.output.split("Named by")[1]


def test_an_unknown_name_is_told_its_near_ones_in_the_lists_too() -> None:
    shown = CliRunner().invoke(main, ["knowledge", "show", "no-piersing"])
    assert shown.exit_code == 3
    assert "near: no-piercing" in shown.output
