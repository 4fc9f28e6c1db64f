"""On what the numbers of a pack rest: how many tables of numbers stand on each ground, and which entries on least."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass

from pydantic import BaseModel

from firstcause.knowledge.base import Knowledge
from firstcause.knowledge.cross_checks import grounded_in
from firstcause.knowledge.ground import Basis

STRONGEST_FIRST: tuple[Basis, ...] = ("counted", "published", "common-practice", "judgement")


@dataclass(frozen=True, slots=True)
class EntryGrounds:
    """One entry: how many of its tables of numbers stand on each ground."""

    id: str
    name: str
    count: Mapping[str, int]

    @property
    def tables(self) -> int:
        """How many tables of numbers it has."""
        return sum(self.count.values())

    @property
    def judged(self) -> float:
        """The share that is judgement alone; 0 where there are no numbers."""
        return self.count.get("judgement", 0) / self.tables if self.tables else 0.0


@dataclass(frozen=True, slots=True)
class PackGrounds:
    """A pack: its tables of numbers by ground, and its entries, the least grounded first."""

    pack: str
    count: Mapping[str, int]
    entries: tuple[EntryGrounds, ...]


def grounds_of(knowledge: Knowledge) -> PackGrounds:
    """The grounds of every fault, test, repair, part, triage rule and of model.toml.

    Least grounded is what has the most tables on judgement alone; then the greater share; then by id.
    """
    named: list[tuple[str, str, BaseModel]] = [
        (entry.id, entry.name, entry)
        for kind in (knowledge.faults, knowledge.tests, knowledge.repairs, knowledge.parts)
        for entry in kind.values()
    ]
    named += [(rule.id, rule.do, rule) for rule in knowledge.triage.values()]
    named.append(("model", knowledge.model.complaint.name, knowledge.model))
    entries = [
        EntryGrounds(identifier, name, Counter(str(grounded.basis) for _, grounded in grounded_in(entry)))
        for identifier, name, entry in named
    ]
    total: Counter[str] = Counter()
    for each in entries:
        total.update(each.count)
    ordered = sorted(entries, key=lambda each: (-each.count.get("judgement", 0), -each.judged, each.id))
    return PackGrounds(knowledge.pack, {basis: total[basis] for basis in STRONGEST_FIRST}, tuple(ordered))
