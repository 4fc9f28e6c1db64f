"""What repairs cost and cure on a car as it stands: a model's repairs as arrays over its live roots."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from firstcause.knowledge.schema import FaultEntry
from firstcause.reasoning.compiled import Model
from firstcause.reasoning.counts import chance_at_work
from firstcause.reasoning.history import Region
from firstcause.reasoning.steps import Step, Terms, best_watch, openings, repair_steps, work_price
from firstcause.reasoning.theory import Array, Bill
from firstcause.vehicle.place import ENGINE, Place

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
    facts = [_RootFacts.of(model, root) for root in roots]
    solves = np.array([[_chance_to_solve(model, step, root) for root in facts] for step in every])
    solves = solves.reshape(len(every), len(roots))
    useful = np.flatnonzero(solves.max(axis=1, initial=0.0) > 0.0)
    solves = solves[useful]
    work, savings = np.zeros(len(useful)), dict[str, Array]()
    for row, s in enumerate(useful):
        jobs = [every[s], *_victims_to_renew(model, every, solves[row], every[s], roots, belief)]
        work[row] = sum(work_price(model, terms, job) for job in jobs)
        for job in jobs:
            access = model.knowledge.repairs[job.what].access
            for name, minutes in openings(model.knowledge, access, job.place, model.car).items():
                savings.setdefault(name, np.zeros(len(useful)))[row] = terms.labour(minutes)
    shut = work + sum(savings.values(), np.zeros(len(useful)))
    watched = dict(best_watch(model, terms))
    hides = np.array([_chance_to_hide(model, root, watched) for root in roots])
    able = np.where(solves > 0.0, shut[:, None], np.inf).min(axis=0, initial=np.inf)
    elsewhere = np.where(np.isfinite(able), able, float(shut.max(initial=0.0)) / 2)
    return RepairTable(
        tuple(every[s] for s in useful), roots, shut, savings, solves, hides, elsewhere + terms.refer_out,
        terms.comeback, terms.labour(terms.verify_minutes),
    )  # fmt: skip


@dataclass(frozen=True)
class _RootFacts:
    """What deciding whether a repair reaches a root needs, looked up once."""

    entry: FaultEntry
    home: frozenset[int]
    reach: frozenset[int]
    place: Place

    @classmethod
    def of(cls, model: Model, root: str) -> _RootFacts:
        return cls(model.entry(root), model.facts[root].home, model.reach(root), model.place_now(root))


def _chance_to_solve(model: Model, step: Step, root: _RootFacts) -> float:
    repair, place = model.knowledge.repairs[step.what], step.place
    if repair.renews is not None and root.entry.part == repair.renews:
        return 1.0 if root.reach & set(place.numbers) else 0.0
    chance = max((cure.chance for cure in repair.cures if cure.fault == root.entry.id), default=0.0)
    if chance <= 0.0:
        return 0.0
    inside = place.kind in ("cylinder", "bank") and root.home <= _numbers_of(model, step)
    beside = place.kind == "cylinder" and root.place.kind == "joint" and bool(root.home & set(place.numbers))
    return chance if place in (root.place, ENGINE) or inside or beside else 0.0


def _numbers_of(model: Model, step: Step) -> frozenset[int]:
    if step.place.kind == "bank":
        return frozenset(model.car.layout.banks[step.place.numbers[0] - 1])
    return frozenset(step.place.numbers)


def _victims_to_renew(
    model: Model, every: Sequence[Step], solves: Array, step: Step, roots: Sequence[str], belief: Mapping[str, float]
) -> list[Step]:
    """The renewals of the spoilt victims of a repaired root: the root alone leaves them as they are."""
    victims = {cause for cause in model.live_victims if belief[cause] > VICTIM_TO_RENEW}
    if not victims:
        return []
    solved = {root for root, chance in zip(roots, solves, strict=True) if chance > 0.0}
    found: dict[str, Step] = {}
    for cause in model.network.causes:
        if cause.id not in victims or not solved & {parent for parent, _ in cause.parents}:
            continue
        entry, place = model.entry(cause.id), model.place_now(cause.id)
        if entry.part is None or model.knowledge.repairs[step.what].renews == entry.part:
            continue
        renewals = [s for s in every if s.place == place and model.knowledge.repairs[s.what].renews == entry.part]
        if renewals:
            cheapest = min(renewals, key=lambda s: s.price)
            found[cheapest.key] = cheapest
    return list(found.values())


def _chance_to_hide(model: Model, root: str, watched: Mapping[Region, float]) -> float:
    """Chance that a root which still stands does not show in the proving drive."""
    behaviours = [model.entry(root).behaviour]
    if behaviours[0] is None:
        behaviours = [
            model.knowledge.faults[f.id].behaviour
            for f in model.knowledge.faults.values()
            if any(link.fault == model.facts[root].fault for link in f.caused_by)
        ]
    shows = max((chance_at_work(b, watched) for b in behaviours if b is not None), default=0.0)
    return 1.0 - shows
