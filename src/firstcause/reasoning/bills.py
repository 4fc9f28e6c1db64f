"""What repairs cost and cure on a car as it stands: a model's repairs as arrays over its live roots."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from firstcause.knowledge.base import Knowledge
from firstcause.knowledge.schema import FaultEntry
from firstcause.reasoning.compiled import Model
from firstcause.reasoning.counts import chance_at_work
from firstcause.reasoning.history import Region
from firstcause.reasoning.jobs import job_of
from firstcause.reasoning.steps import Step, Terms, best_watch, repair_steps
from firstcause.reasoning.theory import Array, Bill
from firstcause.vehicle.place import ENGINE

VICTIM_TO_RENEW = 0.25


@dataclass(frozen=True, eq=False)
class RepairTable:
    """The repairs of a model over its live roots; what stands open takes its opening off their prices."""

    steps: tuple[Step, ...]
    roots: tuple[str, ...]
    shut: Array
    savings: Mapping[str, Array]
    """for each opening what having it open takes off the price of each repair"""
    solves: Array
    hides: Array
    refer: Array
    comeback: float
    verify: float
    _bills: dict[frozenset[str], Bill] = field(default_factory=dict)

    def bill(self, standing: Iterable[str]) -> Bill:
        """The bill with so much standing open."""
        standing = frozenset(self.savings.keys() & set(standing))
        if standing not in self._bills:
            price = self.shut - sum(self.savings[name] for name in standing) if standing else self.shut
            self._bills[standing] = Bill(
                price, self.shut, self.solves, self.hides, self.refer, self.comeback, self.verify
            )
        return self._bills[standing]


def repair_table(model: Model, terms: Terms, belief: Mapping[str, float], standing: frozenset[str]) -> RepairTable:
    """Every repair that reaches a live root. A victim that is likely spoilt is renewed with its root, in one opening.

    Handing on costs the referral and the cheapest repair of the root elsewhere (half the dearest where none is known).
    """
    roots = model.live_roots
    every = repair_steps(model, terms, standing)
    solves = _solves(model, every, roots)
    useful = np.flatnonzero(solves.max(axis=1, initial=0.0) > 0.0)
    solves = solves[useful]
    work, savings = np.zeros(len(useful)), dict[str, Array]()
    spoilt = _Spoilt(model, every, roots, belief)
    for row, s in enumerate(useful):
        for step in (every[s], *spoilt.renewed_with(every[s], solves[row])):
            repair = model.knowledge.repairs[step.what]
            job = job_of(model.knowledge, repair, step.place, model.car)
            work[row] += terms.labour(job.minutes) + terms.parts_class[repair.parts_class]
            for name, minutes in job.openings.items():
                savings.setdefault(name, np.zeros(len(useful)))[row] = terms.labour(minutes)
    shut = work + sum(savings.values(), np.zeros(len(useful)))
    watched = dict(best_watch(model, terms))
    hidden = {fault: _chance_to_hide(model, fault, watched) for fault in {model.facts[root].fault for root in roots}}
    hides = np.array([hidden[model.facts[root].fault] for root in roots])
    able = np.where(solves > 0.0, shut[:, None], np.inf).min(axis=0, initial=np.inf)
    elsewhere = np.where(np.isfinite(able), able, float(shut.max(initial=0.0)) / 2)
    return RepairTable(
        tuple(every[s] for s in useful), roots, shut, savings, solves, hides, elsewhere + terms.refer_out,
        terms.comeback, terms.labour(terms.verify_minutes),
    )  # fmt: skip


def _solves(model: Model, steps: Sequence[Step], roots: Sequence[str]) -> Array:
    """The chance that each repair removes each root: (steps, roots). Only repairs that name a fault are looked at."""
    of_repair: dict[str, list[int]] = {}
    for s, step in enumerate(steps):
        of_repair.setdefault(step.what, []).append(s)
    numbers = [_numbers_of(model, step) for step in steps]
    of_fault: dict[str, list[tuple[int, float | None]]] = {}
    found = np.zeros((len(steps), len(roots)))
    for column, root in enumerate(roots):
        entry = model.entry(root)
        if entry.id not in of_fault:
            of_fault[entry.id] = [
                (s, chance)
                for repair, chance in _cures_of(model.knowledge, entry).items()
                for s in of_repair.get(repair, ())
            ]
        home, place = model.facts[root].home, model.place_now(root)
        for s, chance in of_fault[entry.id]:
            at = steps[s].place
            if chance is None:
                found[s, column] = 1.0 if model.reach(root) & set(at.numbers) else 0.0
            elif (
                at in (place, ENGINE)
                or (at.kind in ("cylinder", "bank") and home <= numbers[s])
                or (at.kind == "cylinder" and place.kind == "joint" and home & numbers[s])
            ):
                found[s, column] = chance
    return found


def _cures_of(knowledge: Knowledge, fault: FaultEntry) -> Mapping[str, float | None]:
    """The repairs that do something about a fault: the chance that it is gone, or None where its part is renewed."""
    key = ("cures", fault.id)
    if key not in knowledge.worked_out:
        cures: dict[str, float | None] = {}
        for repair in knowledge.repairs.values():
            chance = max((cure.chance for cure in repair.cures if cure.fault == fault.id), default=0.0)
            if repair.renews is not None and fault.part == repair.renews:
                cures[repair.id] = None
            elif chance > 0.0:
                cures[repair.id] = chance
        knowledge.worked_out[key] = cures
    found: Mapping[str, float | None] = knowledge.worked_out[key]
    return found


def _numbers_of(model: Model, step: Step) -> frozenset[int]:
    if step.place.kind == "bank":
        return frozenset(model.car.layout.banks[step.place.numbers[0] - 1])
    return frozenset(step.place.numbers)


class _Spoilt:
    """The victims that are likely spoilt, and the renewal of each: the repair of its root alone leaves it as it is."""

    def __init__(self, model: Model, every: Sequence[Step], roots: Sequence[str], belief: Mapping[str, float]) -> None:
        self._repairs = model.knowledge.repairs
        victims = {cause for cause in model.live_victims if belief[cause] > VICTIM_TO_RENEW}
        column = {root: at for at, root in enumerate(roots)} if victims else {}
        self._found: list[tuple[list[int], str, Step]] = []
        for cause in model.network.causes if victims else ():
            part = model.entry(cause.id).part if cause.id in victims else None
            if part is None:
                continue
            place = model.place_now(cause.id)
            renewals = [s for s in every if s.place == place and self._repairs[s.what].renews == part]
            behind = [column[parent] for parent, _ in cause.parents if parent in column]
            if renewals and behind:
                self._found.append((behind, part, min(renewals, key=lambda s: s.price)))

    def renewed_with(self, step: Step, solves: Array) -> list[Step]:
        """The renewals of the victims of the roots that a repair removes with the chances `solves` (roots,)."""
        found: dict[str, Step] = {}
        for behind, part, renewal in self._found:
            if self._repairs[step.what].renews != part and any(solves[at] > 0.0 for at in behind):
                found[renewal.key] = renewal
        return list(found.values())


def _chance_to_hide(model: Model, fault: str, watched: Mapping[Region, float]) -> float:
    """Chance that a root which still stands does not show in the proving drive."""
    behaviours = [model.knowledge.faults[fault].behaviour]
    if behaviours[0] is None:
        behaviours = [
            f.behaviour for f in model.knowledge.faults.values() if any(link.fault == fault for link in f.caused_by)
        ]
    shows = max((chance_at_work(b, watched) for b in behaviours if b is not None), default=0.0)
    return 1.0 - shows
