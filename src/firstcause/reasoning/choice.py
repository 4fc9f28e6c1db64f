"""Which step first: everything one could do, ranked by what it leads one to expect to pay until the repair is proven.

One currency for all (money, time at the shop's rate): a test costs its minutes and what it opens and pays by what its
outcomes change; a repair costs labour, parts and the proving drive and pays by the chance that it is the one; a wrong
"cured" costs a comeback; what nobody finds costs a referral. Ours, built on the rules in `theory`; decision 0010.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from firstcause.knowledge.schema import FaultEntry
from firstcause.reasoning.compiled import Model
from firstcause.reasoning.counts import chance_at_work
from firstcause.reasoning.exact import MOST_ROUGH_CELLS, Engine, Extra, rough_engine
from firstcause.reasoning.history import Counted, Region
from firstcause.reasoning.looks import Plan, swap_plan, test_plan, watch_or_verify, watch_plan
from firstcause.reasoning.steps import (
    Step,
    Terms,
    best_watch,
    open_now,
    openings,
    repair_steps,
    swap_steps,
    test_steps,
)
from firstcause.reasoning.theory import Bill, entropy_bits, expected_bill, expected_course, perfect_information
from firstcause.vehicle.place import ENGINE, Place

Array = NDArray[np.float64]

VICTIM_TO_RENEW = 0.25
WORTH_A_LINE = 0.005
WORTH_BITS = 1e-3


@dataclass(frozen=True)
class Outlook:
    """After one outcome: how likely it is, whom one would suspect then, and what one would still expect to pay."""

    outcome: str
    name: str
    chance: float
    suspects: tuple[tuple[str, float], ...]
    expected_cost: float


@dataclass(frozen=True)
class Option:
    """A step with the whole expected cost to a proven repair when one starts with it, and its fan of outcomes."""

    step: Step
    expected_cost: float
    fan: tuple[Outlook, ...]


@dataclass(frozen=True)
class Advice:
    """All options, cheapest expected course first.

    `without_looking` is the best course of repairs alone; `at_least` what it would cost if the cause were known.
    """

    options: tuple[Option, ...]
    without_looking: float
    at_least: float
    cured: float
    standing_open: frozenset[str]

    @property
    def best(self) -> Option:
        return self.options[0]


@dataclass(frozen=True)
class _Table:
    """The repairs of a model as arrays over its live roots."""

    steps: tuple[Step, ...]
    roots: tuple[str, ...]
    bill: Bill
    openings: Mapping[str, Array]
    """for each opening that is shut now, what having it open takes off the price of each repair"""

    def with_open(self, opened: Iterable[str]) -> Bill:
        """The bill when more stands open."""
        off = sum((self.openings[name] for name in opened if name in self.openings), np.zeros(len(self.steps)))
        return replace(self.bill, price=self.bill.price - off)


@dataclass(frozen=True)
class _Probe:
    """A step that shows something: its outcomes with P(outcome, root), P(outcome, cured), and the bill after it."""

    step: Step
    names: tuple[tuple[str, str], ...]
    chance: Array  # (outcomes,)
    joint: Array  # (outcomes, roots), scaled so that each row sums to P(outcome, not cured)
    cured: Array  # (outcomes,)
    shares: Array  # (outcomes, roots): P(root | outcome) as believed
    roots: tuple[str, ...]
    bill: Bill

    def bits(self, before: float) -> float:
        """What the step is expected to take off the entropy of the belief (`before`), in bits."""
        return before - float(entropy_bits(np.column_stack([self.joint, self.cured])).sum())


def advise(model: Model, terms: Terms, engine: Engine) -> Advice:
    """Rank everything that could be done next; `engine` holds the model's network."""
    if engine.cells > MOST_ROUGH_CELLS:  # hundreds of questions follow: a list that long is too slow to ask
        engine = rough_engine(model.network)
    belief = engine.posterior().probability
    standing = open_now(model)
    table = _repair_table(model, terms, belief, standing)
    cured = _cured_share(model, engine, [Extra({})])[0]
    now = _scaled(np.array([[belief[root] for root in table.roots]]), np.array([1.0 - cured]))
    without_looking = float(expected_bill(table.bill, now, np.array([cured]))[0])

    plans = [test_plan(model, step) for step in test_steps(model, terms, belief, standing)]
    plans += [watch_plan(model, step) for step in watch_or_verify(model, terms)]
    probes = _probes(model, engine, plans, table)
    same_roots = list(probes)
    probes += [_swap_probe(model, terms, step) for step in swap_steps(model, terms, standing)]
    before = float(entropy_bits(np.column_stack([now, [cured]]))[0])
    per_bit = _price_per_bit(same_roots, before)
    options = [_option_of_probe(probe, per_bit, before) for probe in probes]
    gone = f"{model.knowledge.model.complaint.words.trouble} is gone and stays gone"
    options += [_option_of_repair(table, r, now[0], cured, per_bit, gone) for r in range(len(table.steps))]
    options.append(_refer(table, terms, now))
    options = [option for option in options if option.step.kind != "repair" or option.fan]
    return Advice(
        tuple(sorted(options, key=lambda o: o.expected_cost)),
        without_looking,
        float(perfect_information(table.bill, now)[0]),
        cured,
        standing,
    )


def _price_per_bit(probes: Sequence[_Probe], before: float) -> float:
    """What one bit costs with the tests at hand: the median of the three cheapest."""
    prices = sorted(p.step.price / bits for p in probes if (bits := p.bits(before)) > WORTH_BITS)
    return float(np.median(prices[:3])) if prices else float("inf")


# -------------------------------------------------------------------- repairs


def _repair_table(model: Model, terms: Terms, belief: Mapping[str, float], standing: frozenset[str]) -> _Table:
    roots = model.live_roots
    all_steps = repair_steps(model, terms, standing)
    facts = [_RootFacts.of(model, root) for root in roots]
    all_solves = np.array([[_chance_to_solve(model, step, root) for root in facts] for step in all_steps])
    all_solves = all_solves.reshape(len(all_steps), len(roots))
    extra = [_victims_price(model, all_steps, all_solves, s, roots, belief) for s in range(len(all_steps))]
    all_price = np.array([step.price for step in all_steps]) + np.array(extra)
    useful = np.flatnonzero(all_solves.max(axis=1, initial=0.0) > 0.0)
    steps, price, solves = [all_steps[s] for s in useful], all_price[useful], all_solves[useful]
    watched = dict(best_watch(model, terms))
    hides = np.array([_chance_to_hide(model, root, watched) for root in roots])
    dearest = float(price.max(initial=0.0))
    own_price = np.array(
        [price[solves[:, r] > 0.0].min() if (solves[:, r] > 0.0).any() else dearest / 2 for r in range(len(roots))]
    )
    bill = Bill(price, solves, hides, own_price + terms.refer_out, terms.comeback, terms.labour(terms.verify_minutes))
    return _Table(tuple(steps), roots, bill, _savings(model, terms, steps, standing))


def _savings(model: Model, terms: Terms, steps: Sequence[Step], standing: frozenset[str]) -> dict[str, Array]:
    savings: dict[str, Array] = {}
    for s, step in enumerate(steps):
        repair = model.knowledge.repairs[step.what]
        for name, minutes in openings(model.knowledge, repair.access, step.place, model.car).items():
            if name not in standing:
                savings.setdefault(name, np.zeros(len(steps)))[s] = terms.labour(minutes)
    return savings


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


def _victims_price(
    model: Model, steps: Sequence[Step], solves: Array, s: int, roots: Sequence[str], belief: Mapping[str, float]
) -> float:
    """What renewing the spoilt victims of a repaired root adds: the root alone leaves them as they are."""
    solved = {root for root, chance in zip(roots, solves[s], strict=True) if chance > 0.0}
    total = 0.0
    victims = {cause for cause in model.live_victims if belief[cause] > VICTIM_TO_RENEW}
    for cause in model.network.causes if victims else ():
        if cause.id in victims:
            if not solved & {parent for parent, _ in cause.parents}:
                continue
            entry, place = model.entry(cause.id), model.place_now(cause.id)
            prices = [
                other.price
                for other in steps
                if other.place == place and model.knowledge.repairs[other.what].renews == entry.part
            ]
            if entry.part is not None and model.knowledge.repairs[steps[s].what].renews != entry.part:
                total += min(prices, default=0.0)
    return total


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


# -------------------------------------------------------------------- probes


def _cured_share(model: Model, engine: Engine, extras: Sequence[Extra]) -> Array:
    """P(extra, no live cause), against the share of healthy cars that have none: the complaint's cause is gone.

    Where no live cause is present, only the other causes of an extra can still matter.
    """
    none_live = dict.fromkeys(model.live, 0.0)
    rest = [
        tuple(sorted((c, v) for c, v in extra.when_present.items() if c not in none_live and v != 1.0))
        for extra in extras
    ]
    distinct = sorted(set(rest))
    joint, _ = engine.with_extras([Extra({**dict(others), **none_live}) for others in distinct], [])
    leaks = {cause.id: cause.leak for cause in model.network.causes}
    healthy = float(np.prod([1.0 - leaks[cause] for cause in model.live]))
    shares = dict(zip(distinct, np.clip(joint / healthy, 0.0, 1.0), strict=True))
    return np.array([shares[others] for others in rest])


def _scaled(joint: Array, not_cured: Array) -> Array:
    """Root shares brought to sum to the chance that some cause still stands (the single-fault reading of a posterior).

    Source: Heckerman et al. 1994, section 4.3 (renormalise the cause probabilities after every update).
    """
    total = joint.sum(axis=1, keepdims=True)
    even = np.full_like(joint, 1.0 / max(joint.shape[1], 1))
    shares = np.divide(joint, total, out=even, where=total > 0.0)
    return np.asarray(shares * np.maximum(not_cured, 0.0)[:, None])


def _probes(model: Model, engine: Engine, plans: Sequence[Plan], table: _Table) -> list[_Probe]:
    """All plans at once."""
    extras = [extra for plan in plans for extra in plan.extras]
    all_z, all_joint = engine.with_extras(extras, table.roots)
    all_cured = _cured_share(model, engine, extras)
    found, end = [], 0
    for plan in plans:
        begin, end = end, end + len(plan.extras)
        chance, roots = plan.outcomes(all_z[begin:end], all_joint[begin:end])
        cured = np.clip(np.minimum(plan.combine @ all_cured[begin:end], chance), 0.0, None)
        shares = np.divide(roots, chance[:, None], out=np.zeros_like(roots), where=chance[:, None] > 0.0)
        bill = table.with_open(plan.step.opens if plan.step.kind == "test" else ())
        found.append(
            _Probe(plan.step, plan.names, chance, _scaled(roots, chance - cured), cured, shares, table.roots, bill)
        )
    return found


def _swap_probe(model: Model, terms: Terms, step: Step) -> _Probe:
    """The swap is done in thought: what stands open and what is believed then is priced under the new fitment."""
    after, engine, plan = swap_plan(model, step)
    reading = Counted("in thought", dict(step.watched), {}, {})
    standing = open_now(replace(after, history=(*after.history, reading)))
    table = _repair_table(after, terms, engine.posterior().probability, standing)
    return _probes(after, engine, [plan], table)[0]


# -------------------------------------------------------------------- options


def _option_of_probe(probe: _Probe, per_bit: float, before: float) -> Option:
    """What one must expect to pay if one goes on looking at the price at which this step tells something.

    A step that tells next to nothing is so priced as if nothing could be learnt; else a row of cheap, empty looks
    would always seem as good as the one that settles it.
    """
    bits = probe.bits(before)
    per_bit = max(per_bit, probe.step.price / bits) if bits > WORTH_BITS else float("inf")
    after = expected_course(probe.bill, probe.joint, probe.cured, per_bit)
    fan = tuple(
        Outlook(outcome, name, float(p), _top(probe.roots, shares), float(cost / p) if p > 0.0 else 0.0)
        for (outcome, name), p, shares, cost in zip(probe.names, probe.chance, probe.shares, after, strict=True)
    )
    return Option(probe.step, probe.step.price + float(after.sum()), fan)


def _top(roots: Sequence[str], shares: Array, most: int = 4) -> tuple[tuple[str, float], ...]:
    order = np.argsort(-shares)[:most]
    return tuple((roots[i], float(shares[i])) for i in order)


def _option_of_repair(table: _Table, r: int, now: Array, cured: float, per_bit: float, gone: str) -> Option:
    """This repair and its proof first; if it was not the one, the best course from there, looking included."""
    bill, step = table.bill, table.steps[r]
    left = now * (1.0 - bill.solves[r])
    rest = float(left.sum())
    chance = float(now.sum()) - rest
    if chance < WORTH_A_LINE:
        return Option(step, float("inf"), ())
    course = float(expected_course(bill, left[None, :], np.zeros(1), per_bit)[0])
    first = float(bill.price[r]) + bill.verify + bill.comeback * float(left @ bill.hides)
    after, cost = (left / rest, course / rest) if rest > 0.0 else (left, 0.0)
    fan = (
        Outlook("it-was-that", gone, chance + cured, (), 0.0),
        Outlook("it-was-not", "it comes back", rest, _top(table.roots, after), cost),
    )
    return Option(step, first + course, fan)


def _refer(table: _Table, terms: Terms, now: Array) -> Option:
    step = Step("refer", "refer", "refer", "Hand the car on with a written finding", ENGINE, 0.0, terms.refer_out)
    return Option(step, float((now @ table.bill.refer)[0]), ())
