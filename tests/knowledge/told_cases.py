"""The tables under cases/: for each fault of a pack one case that it must win and one that it must lose."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from firstcause.casebook.case import layout_of
from firstcause.casebook.events import EngineDescription
from firstcause.casebook.history import weights_of
from firstcause.knowledge.base import PACKS_FOLDER, Knowledge, load
from firstcause.knowledge.model_numbers import Complaint
from firstcause.reasoning.compiled import compile_model
from firstcause.reasoning.exact import rough_engine
from firstcause.reasoning.history import Answered, CarFacts, Counted, Found, Happening
from firstcause.vehicle.layout import EngineLayout
from firstcause.vehicle.place import Place

CASES = Path(__file__).parent / "cases"
SHARE = {"light": 0.03, "heavy": 0.3, "dead": 0.95, "sometimes": 0.3, "mostly": 0.7, "never": 1.0, "steady": 0.9}
HERE = 2  # the cylinder in question
BESIDE = 3  # its neighbour in the block
USUAL = {"shape": "I4"}
OUT_OF = {"ignition-events": 2000, "watched": 20}


@dataclass(frozen=True)
class TellingCase:
    """One row: what was told, counted and found; `rival` is the fault that must stand above when the fault loses.

    `against` is the finding that must speak against the fault by itself.
    """

    pack: str
    fault: str
    wins: bool
    engine: Mapping[str, Any]
    distance_km: float
    story: tuple[str, ...]
    missing: tuple[str, ...]
    found: Mapping[str, str]
    rival: str
    against: str

    def __str__(self) -> str:
        return f"{self.pack}-{self.fault}"


def packs() -> list[str]:
    """Every shipped pack."""
    return sorted(folder.name for folder in PACKS_FOLDER.iterdir() if (folder / "model.toml").exists())


def table(pack: str) -> dict[str, Any]:
    """The table of a pack; empty while there is none."""
    file = CASES / f"{pack}.toml"
    return tomllib.loads(file.read_text(encoding="utf-8")) if file.exists() else {}


def telling_cases(wins: bool) -> list[TellingCase]:
    """Every row of every table, of one kind."""
    return [
        _row(pack, fault, row, row["wins" if wins else "loses"], wins)
        for pack in packs()
        for fault, row in table(pack).items()
        if "loses" in row or wins
    ]


def _row(pack: str, fault: str, row: Mapping[str, Any], side: Mapping[str, Any], wins: bool) -> TellingCase:
    return TellingCase(
        pack=pack,
        fault=fault,
        wins=wins,
        engine={**USUAL, **row.get("engine", {})},
        distance_km=row.get("distance_km", 160_000),
        story=tuple(side.get("story", ())),
        missing=tuple(row.get("missing", ())),
        found=side["found"],
        rival=side.get("rival", ""),
        against=side.get("against", ""),
    )


@cache
def knowledge_of(pack: str) -> Knowledge:
    """The pack, read once."""
    return load(pack)


def belief_in(case: TellingCase, without: str = "") -> dict[str, float]:
    """Belief in each fault: the chance of its most believed place; `without` leaves one finding out."""
    knowledge, layout = knowledge_of(case.pack), _layout(case.engine)
    told: list[Happening] = [Answered(f"s{n}", answer) for n, answer in enumerate(case.story)]
    if case.missing:
        told.append(_counted(knowledge.model.complaint, case.missing, layout))
    told += [_found(knowledge, key, outcome) for key, outcome in case.found.items() if key != without]
    model = compile_model(knowledge, CarFacts(layout, case.distance_km), tuple(told))
    belief = rough_engine(model.network).posterior().probability
    by_fault: dict[str, float] = {}
    for cause in model.live:
        name = model.facts[cause].fault
        by_fault[name] = max(by_fault.get(name, 0.0), belief[cause])
    return by_fault


def _layout(engine: Mapping[str, Any]) -> EngineLayout:
    return layout_of(EngineDescription(**engine))


def _counted(complaint: Complaint, missing: tuple[str, ...], layout: EngineLayout) -> Counted:
    """`["one", "heavy", "idle"]`: which unit has the complaint, how much, under which condition."""
    who, how, region = missing
    units = dict(enumerate(layout.groups(complaint.unit), start=1))
    cylinders = {
        "one": [HERE] if complaint.unit == "cylinder" else list(layout.banks[0]),
        "neighbours": [HERE, BESIDE],
        "bank": list(layout.banks[0]),
        "all": list(layout.cylinders),
    }[who]
    out_of = OUT_OF[complaint.out_of]
    counts = {n: round(out_of * SHARE[how]) if {*members} & {*cylinders} else 0 for n, members in units.items()}
    return Counted("c", {region: 5.0}, dict.fromkeys(counts, out_of), counts)


def _found(knowledge: Knowledge, key: str, outcome: str) -> Found:
    """`"leak-down"` at the usual place of its kind, or `"leak-down @ cylinder 3"`."""
    name, _, place = key.partition(" @ ")
    test = knowledge.tests[name]
    usual = {"cylinder": f"cylinder {HERE}", "part": f"cylinder {HERE}", "bank": "bank 1", "engine": "engine"}
    weights = weights_of(test, outcome, "sure", knowledge.model.sureness)
    return Found(key, name, Place.parse(place or usual[test.on]), weights)
