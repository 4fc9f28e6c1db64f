"""Who works the car: ours, its rivals, and the one who knows; each says only what it does in one visit."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np

from firstcause.casebook.events import Closed, ClosingState
from firstcause.casebook.weighing import WeighedCase, guard_closing
from firstcause.errors import CaseError
from firstcause.reasoning.bills import RepairTable, repair_table
from firstcause.reasoning.compiled import Model
from firstcause.reasoning.steps import Step, test_steps
from firstcause.reasoning.theory import Array, Mask
from firstcause.reasoning.verdict import not_reproduced, removed_since_return
from firstcause.trial.bay import Bay, Believed, Exhausted
from firstcause.trial.charts import one_cylinder, pattern_first
from firstcause.vehicle.place import ENGINE, Place, cylinder

Named = tuple[str, Place]
WORTH_TRYING = 0.02  # a rival hands on when no repair has this chance
SURE = 0.8  # the one who tests at random repairs from here
RANDOM_TESTS = 12


@dataclass
class Visit:
    """How a visit ended: the state claimed, the first cause named, and what was believed on the way.

    `stated`: (fault, place, probability) of the suspects named at each weighing, for the calibration.
    """

    state: ClosingState
    named: tuple[Named, ...] = ()
    stated: list[tuple[str, str, float]] = field(default_factory=list)


Policy = Callable[[Bay, np.random.Generator], Visit]


def ours(bay: Bay, chance: np.random.Generator) -> Visit:
    """Follow the casebook's list; close as cured where its guard lets one, else as relieved, else hand on.

    Before handing on it looks once where the code was stored, if the casebook says that nobody has.
    """
    visit = Visit("referred")
    try:
        return _by_the_list(bay, visit)
    except Exhausted:
        return visit  # with what was said until then: cars that take long belong to the calibration, too


def _by_the_list(bay: Bay, visit: Visit) -> Visit:
    looked = False
    while True:
        weighed = bay.weighed()
        model = weighed.weighing.model
        visit.stated += [(s.fault, str(_came_with(model, s.cause)), s.probability) for s in weighed.weighing.roots]
        if _may_close(weighed, "cured"):
            bay.record(guard_closing(weighed, Closed(state="cured")))
            return Visit("cured", _removed(weighed), visit.stated)
        step = weighed.weighing.advice.best.step
        there = None if looked or step.kind != "refer" else _to_look_where_stored(weighed)
        if there is not None:
            looked = True
            bay.look_again(there)
        elif step.kind == "refer":
            return _give_up(bay, weighed, visit)
        elif step.kind == "test":
            bay.test(step)
        elif step.kind == "swap":
            bay.swap(step)
        elif step.kind == "repair":
            bay.repair(step)
        else:
            bay.look_again(step)


def _to_look_where_stored(weighed: WeighedCase) -> Step | None:
    """The reading in the condition of the freeze frame, where the casebook misses one."""
    region = not_reproduced(weighed.weighing.model)
    options = (option.step for option in weighed.weighing.advice.options if option.step.kind == "watch")
    return next((step for step in options if region in dict(step.watched)), None)


def _may_close(weighed: WeighedCase, state: ClosingState) -> bool:
    return not any(objection.hard for objection in weighed.objections[state])


def _give_up(bay: Bay, weighed: WeighedCase, visit: Visit) -> Visit:
    """Nothing more is worth its price: relieved where something was repaired and it is quiet, else handed on."""
    relieved = bool(removed_since_return(weighed.weighing.model)) and _may_close(weighed, "relieved")
    state: ClosingState = "relieved" if relieved else "referred"
    try:
        bay.record(guard_closing(weighed, Closed(state=state)))
    except CaseError:
        return visit
    return Visit(state, _removed(weighed), visit.stated)


def _removed(weighed: WeighedCase) -> tuple[Named, ...]:
    """The likeliest of the causes removed in this visit."""
    model, belief = weighed.weighing.model, weighed.weighing.belief
    gone = sorted(removed_since_return(model), key=lambda cause: -belief[cause])
    return tuple((model.facts[cause].fault, _came_with(model, cause)) for cause in gone[:1])


def _came_with(model: Model, cause: str) -> Place:
    """Where it was when the car came in: a part may have moved or gone since."""
    facts = model.facts[cause]
    if model.entry(cause).scope == "part":
        return cylinder(min(facts.home)) if facts.home else ENGINE
    return Place.parse(facts.holder)


# ------------------------------------------------------------------ repairs in an order, proven after each


@dataclass(frozen=True)
class Choice:
    """What a rival may choose from: repairs not yet done in vain, the share of each root, what each repair reaches."""

    now: Believed
    table: RepairTable
    share: Array
    open: Mask

    @property
    def price(self) -> Array:
        return np.asarray(self.table.bill(self.now.standing).price)

    @property
    def gain(self) -> Array:
        """(repairs,) chance that a repair is the one."""
        return np.asarray(self.table.solves @ self.share)

    def target(self, repair: int) -> Named:
        """The likeliest root that a repair reaches."""
        model = self.now.model
        root = self.table.roots[int(np.argmax(self.table.solves[repair] * self.share))]
        return model.facts[root].fault, _came_with(model, root)


def _choice(bay: Bay) -> Choice:
    now = bay.believed()
    table = repair_table(now.model, now.terms, now.belief, now.standing)
    weights = np.array([now.belief[root] for root in table.roots])
    untried = np.array([step.key not in bay.tried for step in table.steps], dtype=bool)
    return Choice(now, table, weights / max(float(weights.sum()), 1e-12), untried)


Picks = Callable[[Choice], int | None]


def most_likely(choice: Choice) -> int | None:
    """The cheapest repair that reaches the likeliest cause which can be repaired."""
    for root in np.argsort(-choice.share):
        able = np.flatnonzero((choice.table.solves[:, root] >= 0.5) & choice.open)
        if len(able) and choice.share[root] >= WORTH_TRYING:
            return int(able[np.argmin(choice.price[able])])
    return None


def cheapest_part(choice: Choice) -> int | None:
    """The cheapest repair that has any chance worth the name."""
    able = np.flatnonzero((choice.gain >= WORTH_TRYING) & choice.open)
    return int(able[np.argmin(choice.price[able])]) if len(able) else None


def most_for_the_money(choice: Choice) -> int | None:
    """Probability over cost, worked out anew after each failure (Heckerman, Breese & Rommelse 1994)."""
    able = np.flatnonzero((choice.gain >= WORTH_TRYING) & choice.open)
    ratio = choice.gain / (choice.price + choice.table.verify)
    return int(able[np.argmax(ratio[able])]) if len(able) else None


def _in_order(bay: Bay, pick: Picks) -> Visit:
    """Repair and prove until a drive is quiet: then it is called cured. Dear work on a mere guess is handed on."""
    while True:
        choice = _choice(bay)
        repair = pick(choice)
        dear = bay.settings.prices["refer"]
        if repair is None or (choice.price[repair] > dear and choice.gain[repair] < 0.5):
            bay.record(Closed(state="referred"))
            return Visit("referred")
        target = choice.target(repair)
        if bay.repair(choice.table.steps[repair]):
            bay.record(Closed(state="cured"))
            return Visit("cured", (target,))


def most_likely_first(bay: Bay, chance: np.random.Generator) -> Visit:
    """Repairs whatever is likeliest."""
    return _in_order(bay, most_likely)


def cheapest_part_first(bay: Bay, chance: np.random.Generator) -> Visit:
    """Repairs whatever is cheapest."""
    return _in_order(bay, cheapest_part)


def probability_over_cost(bay: Bay, chance: np.random.Generator) -> Visit:
    """Repairs whatever has most chance for its price; no test."""
    return _in_order(bay, most_for_the_money)


def random_test(bay: Bay, chance: np.random.Generator) -> Visit:
    """Tests at random until one cause is likely, then repairs the likeliest."""
    for _ in range(RANDOM_TESTS):
        choice = _choice(bay)
        if float(choice.share.max()) >= SURE:
            break
        now = choice.now
        steps: list[Step] = [
            step for step in test_steps(now.model, now.terms, now.belief, now.standing) if step.what not in bay.cannot
        ]
        if not steps:
            break
        bay.test(steps[int(chance.integers(len(steps)))])
    return _in_order(bay, most_likely)


POLICIES: Mapping[str, Policy] = {
    "ours": ours,
    "most-likely-first": most_likely_first,
    "cheapest-part-first": cheapest_part_first,
    "probability-over-cost": probability_over_cost,
    "chart-one-cylinder": lambda bay, chance: Visit(*one_cylinder(bay)),
    "chart-pattern-first": lambda bay, chance: Visit(*pattern_first(bay)),
    "random-test": random_test,
}
NO_RECKONING = ("chart-one-cylinder", "chart-pattern-first")
ALL_KNOWING = "all-knowing"
NAMES = (*POLICIES, ALL_KNOWING)
