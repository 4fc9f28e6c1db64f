"""The sweep the long way round: a network of its own for each swap, repairs and bills looked up one by one."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import numpy as np
from numpy.typing import NDArray

from firstcause.knowledge.base import on_engine
from firstcause.reasoning.compiled import Model, _Builder
from firstcause.reasoning.counts import chance_at_work
from firstcause.reasoning.exact import Engine
from firstcause.reasoning.history import Moved
from firstcause.reasoning.joined import readings_joined
from firstcause.reasoning.steps import Step, Terms, best_watch, openings, repair_steps, work_price
from firstcause.reasoning.theory import NO_CHANCE, Bill
from firstcause.vehicle.place import ENGINE

Array = NDArray[np.float64]
TIGHT = 1e-13
VICTIM_TO_RENEW = 0.25


def compiled_after(model: Model, moves: Iterable[Moved]) -> Model:
    """The history walked once more with the moves at its end; parts that move in thought alone keep their memory."""
    builder = _Builder(on_engine(model.knowledge, model.car.layout), model.car, model.history)
    for happening in (*readings_joined(model.history, model.knowledge.model.complaint), *moves):
        builder.take(happening)
    return builder.model()


def moves_of(step: Step) -> tuple[Moved, ...]:
    return tuple(Moved(f"in thought {part}", part, first, second) for part, first, second in step.moves)


def engine_of(model: Model) -> Engine:
    return Engine(model.network, TIGHT)


def chance_to_solve(model: Model, step: Step, root: str) -> float:
    """Chance that a repair removes a root."""
    entry, home, where = model.entry(root), model.facts[root].home, model.place_now(root)
    repair, place = model.knowledge.repairs[step.what], step.place
    if repair.renews is not None and entry.part == repair.renews:
        return 1.0 if model.reach(root) & set(place.numbers) else 0.0
    chance = max((cure.chance for cure in repair.cures if cure.fault == entry.id), default=0.0)
    if chance <= 0.0:
        return 0.0
    numbers = frozenset(place.numbers)
    if place.kind == "bank":
        numbers = frozenset(model.car.layout.banks[place.numbers[0] - 1])
    inside = place.kind in ("cylinder", "bank") and home <= numbers
    beside = place.kind == "cylinder" and where.kind == "joint" and bool(home & set(place.numbers))
    return chance if place in (where, ENGINE) or inside or beside else 0.0


def table_of(
    model: Model, terms: Terms, belief: Mapping[str, float], standing: frozenset[str]
) -> tuple[list[str], Array, dict[str, Array], Array, Array, Array]:
    """Keys of the repairs, price with all shut, what each opening saves, `solves`, `hides` and `refer`."""
    every, roots = repair_steps(model, terms, standing), model.live_roots
    rows = [(step, [chance_to_solve(model, step, root) for root in roots]) for step in every]
    useful = [(step, row) for step, row in rows if max(row, default=0.0) > 0.0]
    solves = np.array([row for _, row in useful]).reshape(len(useful), len(roots))
    work, savings = np.zeros(len(useful)), dict[str, Array]()
    for r, (step, row) in enumerate(useful):
        solved = {root for root, chance in zip(roots, row, strict=True) if chance > 0.0}
        jobs = [step, *_victims(model, every, solved, step, belief)]
        work[r] = sum(work_price(model, terms, job) for job in jobs)
        for job in jobs:
            access = model.knowledge.repairs[job.what].access
            for name, minutes in openings(model.knowledge, access, job.place, model.car).items():
                savings.setdefault(name, np.zeros(len(useful)))[r] = terms.labour(minutes)
    shut = work + sum(savings.values(), np.zeros(len(useful)))
    able = np.where(solves > 0.0, shut[:, None], np.inf).min(axis=0, initial=np.inf)
    elsewhere = np.where(np.isfinite(able), able, float(shut.max(initial=0.0)) / 2)
    hides = np.array([_chance_to_hide(model, terms, root) for root in roots])
    return [step.key for step, _ in useful], shut, savings, solves, hides, elsewhere + terms.refer_out


def _victims(
    model: Model, every: list[Step], solved: set[str], step: Step, belief: Mapping[str, float]
) -> Iterable[Step]:
    found: dict[str, Step] = {}
    for cause in model.network.causes:
        if cause.id not in model.live_victims or belief[cause.id] <= VICTIM_TO_RENEW:
            continue
        entry, place = model.entry(cause.id), model.place_now(cause.id)
        if not solved & {parent for parent, _ in cause.parents} or entry.part is None:
            continue
        if model.knowledge.repairs[step.what].renews == entry.part:
            continue
        renewals = [s for s in every if s.place == place and model.knowledge.repairs[s.what].renews == entry.part]
        if renewals:
            cheapest = min(renewals, key=lambda s: s.price)
            found[cheapest.key] = cheapest
    return found.values()


def _chance_to_hide(model: Model, terms: Terms, root: str) -> float:
    behaviours = [model.entry(root).behaviour]
    if behaviours[0] is None:
        behaviours = [
            f.behaviour
            for f in model.knowledge.faults.values()
            if any(link.fault == model.facts[root].fault for link in f.caused_by)
        ]
    watched = dict(best_watch(model, terms))
    return 1.0 - max((chance_at_work(b, watched) for b in behaviours if b is not None), default=0.0)


def bill_of_one(bill: Bill, weights: Array, cured: float) -> float:
    """Expected cost of the best plain course for one belief: begin at once, or stop first where some may be cured."""
    begun = _in_order(bill.price, bill, weights, cured)
    if cured <= 0.0:
        return begun
    return min(begun, float(weights.sum()) * bill.comeback + _in_order(bill.shut, bill, weights, 0.0))


def _in_order(price: Array, bill: Bill, weights: Array, cured: float) -> float:
    """Repairs by P/C until handing on, the point of handing on where it is cheapest. Decision 0010."""
    best, left, still, total = float(weights @ bill.refer), weights, float(weights.sum()) + cured, 0.0
    cost, todo = price + bill.verify, set(range(len(price)))
    while todo:
        gain = {r: float(left @ bill.solves[r]) for r in sorted(todo)}
        pick = max(gain, key=lambda r: (gain[r] / cost[r], -r))
        if gain[pick] <= NO_CHANCE * still:
            break
        todo.remove(pick)
        left = left * (1.0 - bill.solves[pick])
        total += float(cost[pick]) * still + bill.comeback * float(left @ bill.hides)
        still = float(left.sum())
        best = min(best, total + float(left @ bill.refer))
        cost = bill.shut + bill.verify
    return best
