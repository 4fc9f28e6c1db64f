"""The grounds of a pack are counted from its files, and the command prints them."""

from __future__ import annotations

import json
import re

import pytest
from click.testing import CliRunner

from firstcause.cli.main import main
from firstcause.knowledge.base import PACKS_FOLDER, load, pack_names
from firstcause.knowledge.grounds import grounds_of


@pytest.mark.parametrize("pack", pack_names())
def test_the_count_is_that_of_the_lines_in_the_files(pack: str) -> None:
    """Another way to the same number: every line of the files that says a basis."""
    texts = [file.read_text(encoding="utf-8") for file in (PACKS_FOLDER / pack).rglob("*.toml")]
    said = re.findall(r'\bbasis = "([a-z-]+)"', "\n".join(texts))

    found = grounds_of(load(pack))

    assert dict(found.count) == {basis: said.count(basis) for basis in found.count}
    assert sum(found.count.values()) == len(said) > 100


def test_the_least_grounded_come_first() -> None:
    judged = [each.count.get("judgement", 0) for each in grounds_of(load("no-start")).entries]
    assert judged == sorted(judged, reverse=True)
    assert judged[0] > judged[-1]


def test_the_command_tells_each_pack_and_as_json_the_same() -> None:
    told = CliRunner().invoke(main, ["knowledge", "grounds"])
    assert told.exit_code == 0, told.output
    as_json = CliRunner().invoke(main, ["knowledge", "grounds", "--json", "--least", "1"])
    for pack in json.loads(as_json.output):
        assert f"{pack['pack']}: {sum(pack['tables_by_ground'].values())} tables of numbers" in told.output
        assert pack["least_grounded"][0]["id"] in told.output
