"""A new file is TOML, is refused gap by gap until filled in, passes when it is, and never goes over another."""

from __future__ import annotations

import json
import re
import tomllib
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from firstcause.cli.main import main
from firstcause.knowledge.base import PACKS_FOLDER, BadEntry, load, pack_names
from firstcause.knowledge.check import check_pack

# What an apprentice writes into the gaps, in their order.
FILLED = {
    "fault": [
        "Sleeve of the coil lead melted", "The lead's sleeve has melted.", "place", 3, 2, 2, "Seen twice.",
        0.5, 0.6, 0.9, 0.9, 0.2, 0.4, 0.4, "Heat brings it on.", "loom-look", 0.6, "Melted is mostly seen.",
        "mend-coil-branch", 0.9, "Sometimes the next sleeve is as bad.",
    ],
    "test": [
        "Smell at the plug well", "Cover off, engine cool: smell at the well.", "cylinder", 2, "Nothing", "Burnt",
        0.95, 0.05, "Old engines smell.", "coil-boot-tracking", 0.5, "Burnt rubber.",
    ],
    "repair": [
        "Sleeve the coil lead anew", "The lead gets a new sleeve.", "cylinder", 20, 40, "A", "wire-broken-coil", 0.3,
        "Only where the wire itself is whole.",
    ],
}  # fmt: skip


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(main, ["knowledge", *map(str, arguments)])


def fill_in(text: str, values: list[str | float]) -> str:
    gap = re.compile(r'(?<!each )"FILL IN: [^"]*"')
    assert len(gap.findall(text)) == len(values)
    rest = iter(values)
    return gap.sub(lambda _: json.dumps(next(rest)), text).replace("outcome-id =", "found =")


@pytest.mark.parametrize("kind", ["fault", "test", "repair"])
def test_a_new_file_is_refused_until_filled_in_and_then_passes_and_loads(kind: str, tmp_path: Path) -> None:
    own = tmp_path / "own"
    written = run("new", kind, "sleeve-melted", "--folder", own)
    assert written.exit_code == 0, written.output
    path = own / "misfire" / f"{kind}s" / "sleeve-melted.toml"
    text = path.read_text(encoding="utf-8")

    checked = run("check", "--own", own)
    assert checked.exit_code == 1
    assert "name: is still to be filled in (as one technician says it to another)" in checked.output
    assert checked.output.count("is still to be filled in") == len(FILLED[kind])
    with pytest.raises(BadEntry, match="still to be filled in"):
        load("misfire", own=own)

    path.write_text(fill_in(text, FILLED[kind]), encoding="utf-8")
    assert [str(problem) for problem in check_pack(PACKS_FOLDER / "misfire", own / "misfire")] == []
    assert load("misfire", own=own).marks == {f"{kind}s/sleeve-melted": "own"}


@pytest.mark.parametrize("kind", ["fault", "test", "repair"])
@pytest.mark.parametrize("pack", pack_names())
def test_a_new_file_is_toml_in_every_pack_and_names_its_conditions(kind: str, pack: str, tmp_path: Path) -> None:
    assert run("new", kind, "sleeve-melted", "--folder", tmp_path, "--pack", pack).exit_code == 0
    (file,) = tmp_path.rglob("*.toml")
    raw = tomllib.loads(file.read_text(encoding="utf-8"))
    assert raw["id"] == "sleeve-melted"
    if kind == "fault":
        model = load(pack).model
        assert list(raw["behaviour"]["acts"]) == [each.id for each in model.complaint.conditions]
        assert tuple(raw["behaviour"]["strength"]) == model.strengths[1:]


def test_a_new_file_never_goes_over_another(tmp_path: Path) -> None:
    assert run("new", "fault", "sleeve-melted", "--folder", tmp_path).exit_code == 0
    (file,) = tmp_path.rglob("*.toml")
    file.write_text("mine", encoding="utf-8")

    again = run("new", "fault", "sleeve-melted", "--folder", tmp_path)

    assert again.exit_code == 3
    assert "was kept as it is" in again.output
    assert file.read_text(encoding="utf-8") == "mine"


@pytest.mark.parametrize(("name", "said"), [("Coil Dead", "is no id"), ("coil-dead", "already")])
def test_a_name_that_cannot_be_is_refused_and_nothing_is_written(name: str, said: str, tmp_path: Path) -> None:
    refused = run("new", "fault", name, "--folder", tmp_path)
    assert refused.exit_code == 3
    assert said in refused.output
    assert list(tmp_path.rglob("*.toml")) == []
