"""The pack that ships: no problem, whole, every number with its ground."""

from __future__ import annotations

import itertools
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

from firstcause.knowledge.base import PACKS_FOLDER, Knowledge, fits, load, pack_names
from firstcause.knowledge.check import check_pack
from firstcause.vehicle.layout import common_layout

PACK = PACKS_FOLDER / "misfire"
PACKS = [PACKS_FOLDER / name for name in pack_names()]
every_pack = pytest.mark.parametrize("pack", PACKS, ids=lambda folder: folder.name)
# Numbers whose ground is said by the field itself: minutes by `minutes_ground` or `ground`, which stand at common
# practice unless the file says otherwise.
GROUND_IN_THE_FIELD = {"minutes", "minutes_buried", "swap_minutes"}


@pytest.fixture(scope="module")
def knowledge() -> Knowledge:
    return load("misfire")


@every_pack
def test_a_shipped_pack_has_no_problem(pack: Path) -> None:
    """Ours: an entry that is wrong on our own bench must not leave it."""
    assert [str(problem) for problem in check_pack(pack)] == []


def test_the_neighbours_cover_their_job() -> None:
    """At least 12 faults and 12 tests in each neighbour, and a victim whose root is known, as the issue asks."""
    assert set(pack_names()) >= {"misfire", "no-start", "fuel-trim"}
    for name in ("no-start", "fuel-trim"):
        base = load(name)
        assert sum(fault.kind != "unlisted" for fault in base.faults.values()) >= 12, name
        assert len(base.tests) >= 12, name
        assert any(fault.kind == "victim" for fault in base.faults.values()), name
        assert any(fault.kind == "unlisted" for fault in base.faults.values()), name


def test_packs_point_to_packs_that_are_there() -> None:
    """A neighbour is a shipped pack, and the codes that point to it are not read by the pack that points."""
    for name in pack_names():
        complaint = load(name).model.complaint
        own = {meaning.code for meaning in complaint.codes.meaning}
        for neighbour in complaint.neighbours:
            assert neighbour.pack in pack_names(), name
            assert not own & set(neighbour.codes), name


def test_it_covers_the_job(knowledge: Knowledge) -> None:
    """At least 24 faults and 24 tests, as the issue asks; each fault but the unlisted is shown by some test."""
    listed = [fault for fault in knowledge.faults.values() if fault.kind != "unlisted"]

    assert len(listed) >= 24
    assert len(knowledge.tests) >= 24
    assert [fault.id for fault in listed if not fault.shows] == []


def numbers(raw: object, path: tuple[str, ...] = (), grounded: bool = False) -> Iterator[tuple[str, bool]]:
    """Every number below `raw`, and whether a table with a basis holds it."""
    if isinstance(raw, dict):
        grounded = grounded or "basis" in raw
        for key, value in raw.items():
            yield from numbers(value, (*path, key), grounded)
    elif isinstance(raw, list):
        for value in raw:
            yield from numbers(value, path, grounded)
    elif isinstance(raw, int | float) and not isinstance(raw, bool):
        yield ".".join(path), grounded or path[-1] in GROUND_IN_THE_FIELD


@every_pack
def test_every_number_stands_with_its_ground(pack: Path) -> None:
    bare = []
    total = 0
    for file in pack.rglob("*.toml"):
        for where, grounded in numbers(tomllib.loads(file.read_text(encoding="utf-8"))):
            total += 1
            if not grounded:
                bare.append(f"{file.name}: {where}")

    assert bare == []
    assert total > 500


def test_a_number_outside_a_grounded_table_would_be_seen() -> None:
    """The walk above must be able to fail."""
    assert list(numbers({"prior": {"weight": [3]}})) == [("prior.weight", False)]
    assert list(numbers({"prior": {"weight": [3], "basis": "judgement"}})) == [("prior.weight", True)]


@every_pack
def test_each_file_points_to_its_schema(pack: Path) -> None:
    for file in pack.rglob("*.toml"):
        first = file.read_text(encoding="utf-8").splitlines()[0]
        assert first.startswith("#:schema "), file.name
        assert (file.parent / first.removeprefix("#:schema ")).is_file(), file.name


@pytest.mark.parametrize(
    ("ignition", "injection", "shape"),
    list(
        itertools.product(
            ["coil-on-plug", "waste-spark", "distributor"], ["port", "direct", "single-point"], ["I4", "V6"]
        )
    ),
)
def test_every_engine_has_causes_for_each_of_its_parts(
    knowledge: Knowledge, ignition: str, injection: str, shape: str
) -> None:
    """Masking by what is fitted leaves no part without a fault and no engine without shared causes."""
    layout = common_layout(shape, ignition=ignition, injection=injection)
    fitted = [fault for fault in knowledge.faults.values() if fits(fault.fitted, layout)]

    for part in knowledge.parts.values():
        if fits(part.fitted, layout):
            assert any(fault.part == part.id for fault in fitted), part.id
    assert {"place", "joint", "bank", "shared"} <= {fault.scope for fault in fitted}
    assert any(fault.part == "lead" for fault in fitted) == (ignition != "coil-on-plug")


def test_loading_twice_gives_the_same_version(tmp_path: Path, knowledge: Knowledge) -> None:
    """The version is the hash of the files: the same files, the same version; one changed letter, another."""
    assert load("misfire").version == knowledge.version

    copy = tmp_path / "misfire"
    for file in PACK.rglob("*.toml"):
        target = copy / file.relative_to(PACK)
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(file.read_bytes())
    assert load("misfire", tmp_path).version == knowledge.version
    model = copy / "model.toml"
    model.write_text(
        model.read_text(encoding="utf-8").replace("comeback = 300.0", "comeback = 301.0"), encoding="utf-8"
    )
    assert load("misfire", tmp_path).version != knowledge.version
