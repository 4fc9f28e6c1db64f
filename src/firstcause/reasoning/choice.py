"""Which step first: everything one could do, ranked by what it leads one to expect to pay until the repair is proven.

One currency for all (money, time at the shop's rate): a test costs its minutes and what it opens and pays by what its
outcomes change; a repair costs labour, parts and the proving drive and pays by the chance that it is the one; a wrong
"cured" costs a comeback; what nobody finds costs a referral. The arithmetic is in `ranking`; decision 0010.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from firstcause.reasoning.aside import Waiting, order_of_spoiling, refer_step, set_aside, step_named
from firstcause.reasoning.asked import Answer, Ask, Questions, scaled
from firstcause.reasoning.bills import RepairTable, repair_table
from firstcause.reasoning.compiled import Model
from firstcause.reasoning.exact import MOST_ROUGH_CELLS, Engine, rough_engine
from firstcause.reasoning.foreseen import Foreseen
from firstcause.reasoning.looks import Plan, swap_plan, test_plan, together, watch_or_verify, watch_plan
from firstcause.reasoning.ranking import Course, Further, Look, Ranking, State, Timing, rank
from firstcause.reasoning.spending import Budget, budget_of, spent
from firstcause.reasoning.steps import (
    Aside,
    Step,
    Terms,
    double_swap,
    left_open,
    open_now,
    price_with,
    swap_steps,
    test_steps,
)
from firstcause.reasoning.theory import Array, Bill
from firstcause.tongue import _

FIRSTS_BUNDLED = 6
SECONDS_BUNDLED = 3
MOST_AHEAD_OF_A_SWAP = 8
WORTH_A_PENNY = 0.005


@dataclass(frozen=True)
class Outlook:
    """After one outcome: how likely it is, whom one would suspect then, and what one would still expect to pay.

    `then` is the key of a further look that is worth its price at once after this outcome, while all is open for it.
    """

    outcome: str
    name: str
    chance: float
    suspects: tuple[tuple[str, float], ...]
    expected_cost: float
    then: str | None = None


@dataclass(frozen=True)
class Also:
    """A further look on the same card: with what the first one opens it costs `minutes` and `price` more.

    `after` names the outcomes of the first after which it is worth that, `always` that it is after all of them.
    """

    step: Step
    minutes: float
    price: float
    after: tuple[str, ...]
    always: bool


@dataclass(frozen=True)
class Option:
    """A step with the whole expected cost to a proven repair when one starts with it, and its fan of outcomes.

    The best there is from here, starting with it, costs between `lower` and `upper`; the second is what a course that
    can be named (repairs in order, then handing on) costs. `over_limit`: by how much the step passes the owner's limit.
    """

    step: Step
    expected_cost: float
    fan: tuple[Outlook, ...]
    lower: float = 0.0
    upper: float = float("inf")
    also: tuple[Also, ...] = ()
    over_limit: float = 0.0


@dataclass(frozen=True)
class Forgone:
    """What is not to be had, why, and by how much the expected bill is higher for it (0 where it would not help)."""

    name: str
    aside: Aside
    steps: tuple[Step, ...]
    rise: float


@dataclass(frozen=True)
class NowOrLater:
    """The best look: what it leads to now, what the best repair first and it only if that fails, and what never."""

    look: Step
    repair: Step
    now: float
    after_the_repair: float
    never: float
    look_now: bool


@dataclass(frozen=True)
class Advice:
    """All options, cheapest expected course first.

    `without_looking` is the best course of repairs alone; `at_least` what it would cost if the cause were known.
    `waiting`: steps that must wait for others which they would spoil. `forgone`: what is set aside or lacks its tool,
    and what that costs; each takes a ranking of its own, so `ask_forgone` is called when somebody looks.
    """

    options: tuple[Option, ...]
    without_looking: float
    at_least: float
    cured: float
    standing_open: frozenset[str]
    waiting: tuple[Waiting, ...] = ()
    budget: Budget | None = None
    timing: NowOrLater | None = None
    ask_forgone: Callable[[], tuple[Forgone, ...]] = field(default=tuple, compare=False, repr=False)

    @cached_property
    def forgone(self) -> tuple[Forgone, ...]:
        return self.ask_forgone()

    @property
    def best(self) -> Option:
        return self.options[0]

    @property
    def could_save(self) -> float:
        """At most so much could still be saved over the course that is known to cost `upper`."""
        return max(0.0, min(o.upper for o in self.options) - min(o.lower for o in self.options))


@dataclass(frozen=True)
class WhatIf:
    """What the technician would rather do: its option, what it costs over the best, and why it was not proposed."""

    option: Option
    more: float
    aside: Aside | None
    spoils: tuple[Step, ...]


@dataclass(frozen=True, eq=False)
class _Probe:
    """A look before the engine is asked, and the repairs as they stand after it."""

    model: Model
    engine: Engine | Foreseen
    plan: Plan
    table: RepairTable
    opened: frozenset[str]
    price_shut: float


@dataclass(frozen=True, eq=False)
class _Shown:
    """A look as the engine answered it: what each outcome shares out among the roots, and what is open after it."""

    plan: Plan
    table: RepairTable
    opened: frozenset[str]
    price_shut: float
    answer: Answer

    @property
    def step(self) -> Step:
        return self.plan.step

    @property
    def chance(self) -> Array:
        return self.answer.chance


def advise(model: Model, terms: Terms, engine: Engine, *, swaps: bool = True) -> Advice:
    """Rank everything that could be done next; `engine` holds the model's network. `swaps` False leaves them out."""
    return Adviser(model, terms, engine, swaps=swaps).advice()


class Adviser:
    """A case at one moment, with every question to the engine asked once; advice and `what_if` come from that."""

    def __init__(self, model: Model, terms: Terms, engine: Engine, *, swaps: bool = True) -> None:
        if engine.cells > MOST_ROUGH_CELLS:  # hundreds of questions follow: a list that long is too slow to ask
            engine = rough_engine(model.network)
        self.model, self.terms, self.engine = model, terms, engine
        self._asides: dict[tuple[str, tuple[str, ...]], Aside | None] = {}
        self.belief = belief = engine.posterior().probability
        self.standing = open_now(model)
        self.table = repair_table(model, terms, belief, self.standing)
        self._questions = Questions(model, engine)
        self.cured = self._questions.cured
        present = np.array([[belief[root] for root in self.table.roots]])
        self.now = scaled(present, np.array([1.0 - self.cured]))[0]
        tests = test_steps(model, terms, belief, self.standing)
        plans = [test_plan(model, step) for step in tests]
        plans += [watch_plan(model, step) for step in watch_or_verify(model, terms)]
        singles = swap_steps(model, terms, self.standing) if swaps else []
        self.shown = self._ask([*map(self._probed, plans), *map(self._swapped, singles)])
        self.waiting = order_of_spoiling(model, terms, self.standing, [s for s in tests if self.may(s)])
        self._kept_back = {waits.step.key for waits in self.waiting}
        self.further: dict[str, list[tuple[_Shown, Further]]] = {}
        self._bundle(singles)

    def aside(self, step: Step) -> Aside | None:
        """Why a step is not to be had, looked up once for each step."""
        name = (step.key, step.opens)
        if name not in self._asides:
            self._asides[name] = set_aside(step, self.terms, self.standing)
        return self._asides[name]

    def may(self, step: Step) -> bool:
        """Whether a step is to be had: not set aside, and its tools owned."""
        return self.aside(step) is None

    def proposed(self, step: Step) -> bool:
        """Whether a step is to be had and would not spoil what must come first."""
        return self.may(step) and step.key not in self._kept_back

    # ------------------------------------------------------------ questions to the engine

    def _ask(self, probes: Sequence[_Probe]) -> list[_Shown]:
        """All of these at once."""
        answers = self._questions.ask([Ask(p.model, p.engine, p.plan, p.table.roots) for p in probes])
        return [_Shown(p.plan, p.table, p.opened, p.price_shut, a) for p, a in zip(probes, answers, strict=True)]

    def _probed(self, plan: Plan) -> _Probe:
        """A look at the car as it stands."""
        step = plan.step
        opened, shut = left_open(self.model.knowledge, self.standing, dict(step.watched)), step.price
        if step.kind == "test":
            opened, shut = self.standing | set(step.opens), price_with(self.model, self.terms, step, frozenset())
        return _Probe(self.model, self.engine, plan, self.table, opened, shut)

    def _swapped(self, step: Step) -> _Probe:
        """The swap is done in thought: what stands open and what is believed then is priced under the new fitment."""
        after, engine, plan = swap_plan(self.model, self.engine, step)
        opened = left_open(self.model.knowledge, self.standing | set(step.opens), dict(step.watched))
        table = repair_table(after, self.terms, engine.believed(self.belief), opened)
        return _Probe(after, engine, plan, table, opened, step.price)

    def _bundle(self, singles: Sequence[Step]) -> None:
        """Further looks that use what a first one opens, and two swaps in one drive where that beats either."""
        cost, pairs = self._promising(self.proposed)
        if not all(self.may(shown.step) for shown in self.shown):  # what is set aside is priced with its bundles, too
            _, others = self._promising(lambda step: step.key not in self._kept_back)
            known = {(first.step.key, second.step.key) for first, second in pairs}
            pairs += [pair for pair in others if (pair[0].step.key, pair[1].step.key) not in known]
        joined = [together(first.plan, second.plan) for first, second in pairs]
        answers = self._questions.ask([Ask(self.model, self.engine, plan, self.table.roots) for plan in joined])
        for (first, second), answer in zip(pairs, answers, strict=True):
            opened = first.opened | second.opened
            shape = (len(first.chance), len(second.chance))
            further = Further(
                0, price_with(self.model, self.terms, second.step, first.opened),
                answer.joint.reshape(*shape, -1), answer.cured.reshape(shape), self.table.bill(opened),
            )  # fmt: skip
            self.further.setdefault(first.step.key, []).append((second, further))
        swaps = sorted((step for step in singles if step.key in cost), key=lambda step: cost[step.key])[:2]
        in_reach = len(swaps) == 2 and cost[swaps[0].key] <= sorted(cost.values())[:MOST_AHEAD_OF_A_SWAP][-1]
        both = double_swap(self.model, self.terms, swaps[0], swaps[1], self.standing) if in_reach else None
        if both is not None and self.may(both):
            self.shown += self._ask([self._swapped(both)])
            double = rank(self.state(lambda step: step.key == both.key or step.kind == "repair"))
            if double.looks[0].expected >= min(cost[step.key] for step in swaps):
                self.shown.pop()

    def _promising(self, allowed: Callable[[Step], bool]) -> tuple[dict[str, float], list[tuple[_Shown, _Shown]]]:
        """Expected cost of each look by itself, and the pairs that are worth asking the engine for."""
        looks = [shown for shown in self.shown if allowed(shown.step)]
        courses = rank(self.state(allowed)).looks
        cost = {shown.step.key: course.expected for shown, course in zip(looks, courses, strict=True)}
        return cost, self._pairs([shown for shown in looks if shown.step.kind == "test"], cost)

    def _pairs(self, tests: Sequence[_Shown], cost: Mapping[str, float]) -> list[tuple[_Shown, _Shown]]:
        """For the most promising tests that open something: the tests that this opening makes cheaper."""
        found = []
        opening = [t for t in tests if t.price_shut and t.opened - self.standing]
        for first in sorted(opening, key=lambda t: cost[t.step.key])[:FIRSTS_BUNDLED]:
            saves = {
                t.step.key: t.step.price - price_with(self.model, self.terms, t.step, first.opened)
                for t in tests
                if t.step.key != first.step.key and not self._spoils(first.step, t.step)
            }
            seconds = [t for t in tests if saves.get(t.step.key, 0.0) > WORTH_A_PENNY]
            seconds.sort(key=lambda t: cost[t.step.key] - saves[t.step.key])
            found += [(first, second) for second in seconds[:SECONDS_BUNDLED]]
        return found

    def _spoils(self, one: Step, other: Step) -> bool:
        return other.what in self.model.knowledge.tests[one.what].spoils

    # ------------------------------------------------------------ ranking

    def state(self, allowed: Callable[[Step], bool]) -> State:
        """The state for the ranking when only these steps are to be had."""
        bills: dict[tuple[int, frozenset[str]], Bill] = {}
        masks: dict[int, list[bool]] = {}

        def bill(table: RepairTable, opened: frozenset[str]) -> Bill:
            key = (id(table), frozenset(opened & table.savings.keys()))
            if key not in bills:
                mask = masks.setdefault(id(table), [allowed(step) for step in table.steps])
                bills[key] = table.bill(opened) if all(mask) else table.bill(opened).only(np.array(mask, dtype=bool))
            return bills[key]

        chosen = [shown for shown in self.shown if allowed(shown.step)]
        at = {shown.step.key: n for n, shown in enumerate(chosen)}
        looks = tuple(
            Look(
                shown.step.price, shown.price_shut, shown.answer.joint, shown.answer.cured,
                bill(shown.table, shown.opened),
                shown.table is not self.table,
                tuple(
                    replace(f, which=at[second.step.key], bill=bill(self.table, shown.opened | second.opened))
                    for second, f in self.further.get(shown.step.key, ())
                    if second.step.key in at
                ),
            )
            for shown in chosen
        )  # fmt: skip
        return State(bill(self.table, self.standing), self.now, self.cured, looks)

    def advice(self) -> Advice:
        """Everything that is to be had, ranked; what is not, with its price; and what the owner's limit makes of it."""
        state = self.state(self.proposed)
        ranking = rank(state)
        options = self.options(ranking, self.proposed)
        advice = Advice(
            tuple(options), ranking.without_looking, ranking.at_least, self.cured, self.standing, tuple(self.waiting),
            None, self._timing(ranking.timing), lambda: self._forgone(ranking.cheapest),
        )  # fmt: skip
        return advice if self.terms.limit is None else self._within_limit(advice)

    def options(self, ranking: Ranking, allowed: Callable[[Step], bool]) -> list[Option]:
        """The options of a ranking of `state(allowed)`, cheapest first."""
        shown = [each for each in self.shown if allowed(each.step)]
        repairs = [step for step in self.table.steps if allowed(step)]
        at = {step.key: r for r, step in enumerate(self.table.steps)}
        found = [self._look(each, course, allowed) for each, course in zip(shown, ranking.looks, strict=True)]
        found += [
            self._repair(at[step.key], course)
            for step, course in zip(repairs, ranking.repairs, strict=True)
            if course is not None
        ]
        refer = ranking.refer
        found.append(Option(refer_step(self.terms), refer.expected, (), refer.lower, refer.upper))
        return sorted(found, key=lambda option: option.expected_cost)

    def _look(self, shown: _Shown, course: Course, allowed: Callable[[Step], bool]) -> Option:
        behind = [second for second, _ in self.further.get(shown.step.key, ()) if allowed(second.step)]
        then = [None if at is None else behind[at].step.key for at in course.then] or [None] * len(shown.chance)
        fan = tuple(
            Outlook(
                outcome, name, float(p), _top(shown.table.roots, shares), float(cost / p) if p > 0.0 else 0.0, next_
            )
            for (outcome, name), p, shares, cost, next_ in zip(
                shown.plan.names, shown.chance, shown.answer.shares, course.after, then, strict=True
            )
        )
        also = tuple(self._also(shown, second, fan) for second in behind if second.step.key in then)
        return Option(shown.step, course.expected, fan, course.lower, course.upper, also)

    def _also(self, first: _Shown, second: _Shown, fan: Sequence[Outlook]) -> Also:
        price = price_with(self.model, self.terms, second.step, first.opened)
        after = tuple(look.outcome for look in fan if look.then == second.step.key)
        minutes = price * 60.0 / self.terms.labour_per_hour
        return Also(second.step, minutes, price, after, len(after) == sum(look.chance > WORTH_A_PENNY for look in fan))

    def _repair(self, r: int, course: Course) -> Option:
        gone = self.model.knowledge.model.complaint.words.trouble
        left = self.now * (1.0 - self.table.solves[r])
        rest = float(left.sum())
        chance = float(self.now.sum()) - rest
        after, cost = (left / rest, float(course.after[-1]) / rest) if rest > 0.0 else (left, 0.0)
        fan = (
            Outlook("it-was-that", _("{gone} is gone and stays gone", gone=gone), chance + self.cured, (), 0.0),
            Outlook("it-was-not", _("it comes back"), rest, _top(self.table.roots, after), cost),
        )
        return Option(self.table.steps[r], course.expected, fan, course.lower, course.upper)

    def _timing(self, timing: Timing | None) -> NowOrLater | None:
        if timing is None:
            return None
        looks = [shown.step for shown in self.shown if self.proposed(shown.step)]
        repairs = [step for step in self.table.steps if self.proposed(step)]
        return NowOrLater(
            looks[timing.look], repairs[timing.repair], timing.now, timing.after_best_action, timing.never,
            timing.look_now,
        )  # fmt: skip

    # ------------------------------------------------------------ what is not to be had, and the limit

    def _forgone(self, cheapest: float) -> tuple[Forgone, ...]:
        """For each reason (a step set aside, a tool not owned): how much lower the bill would be without it."""
        groups: dict[Aside, list[Step]] = {}
        for step in (*(shown.step for shown in self.shown), *self.table.steps):
            aside = self.aside(step)
            if aside is not None:
                groups.setdefault(aside, []).append(step)
        found = []
        for aside, steps in groups.items():
            keys = {step.key for step in steps}
            with_them = rank(self.state(lambda step, keys=keys: self.proposed(step) or step.key in keys)).cheapest  # type: ignore[misc]
            found.append(Forgone(aside.tool or aside.step, aside, tuple(steps), max(0.0, cheapest - with_them)))
        return tuple(sorted(found, key=lambda forgone: -forgone.rise))

    def _within_limit(self, advice: Advice) -> Advice:
        """Marks what would pass the limit, and ranks again without it."""
        assert self.terms.limit is not None
        used = spent(self.model.knowledge, self.model.car, self.model.history, self.terms)
        left = self.terms.limit - used
        price = {
            step.key: float(p) for step, p in zip(self.table.steps, self.table.bill(self.standing).price, strict=True)
        }

        def cost(step: Step) -> float:
            if step.kind == "refer":
                return 0.0
            return price.get(step.key, step.price) + (self.table.verify if step.kind == "repair" else 0.0)

        def affordable(step: Step) -> bool:
            return self.proposed(step) and cost(step) <= left

        within = self.options(rank(self.state(affordable)), affordable)[0]
        needed = np.where(self.table.solves > 0.0, (self.table.shut + self.table.verify)[:, None], np.inf)
        best = advice.best
        budget = budget_of(
            self.terms, used, best.step, cost(best.step),
            within.step, max(0.0, within.expected_cost - best.expected_cost),
            needed.min(axis=0, initial=np.inf).tolist(), self.now,
        )  # fmt: skip
        marked = tuple(replace(option, over_limit=max(0.0, cost(option.step) - left)) for option in advice.options)
        return replace(advice, options=marked, budget=budget)

    # ------------------------------------------------------------ something else

    def what_if(self, key: str) -> WhatIf:
        """Any step by its key, proposed or not, set aside or not: what starting with it costs over the best.

        Raises RequestError when there is no such step on this engine.
        """
        step = step_named(self.model, self.terms, key, self.standing)
        ranking = rank(self.state(self.proposed))
        options = self.options(ranking, self.proposed)
        option = next((option for option in options if option.step.key == step.key), None)
        if option is None:
            option = self._something_else(step)
        spoils = next((waits.first for waits in self.waiting if waits.step.key == step.key), ())
        aside = set_aside(step, self.terms, self.standing)
        return WhatIf(option, option.expected_cost - options[0].expected_cost, aside, spoils)

    def _something_else(self, step: Step) -> Option:
        """An option that is not among those proposed."""

        def with_it(other: Step) -> bool:
            return self.proposed(other) or other.key == step.key

        if step.kind == "repair":
            with_repair = rank(self.state(with_it))
            found = next((o for o in self.options(with_repair, with_it) if o.step.key == step.key), None)
            return self._useless(step) if found is None else found
        if not any(shown.step.key == step.key for shown in self.shown):
            probe = self._swapped(step) if step.kind == "swap" else self._probed(self._plan(step))
            (extra,) = self._ask([probe])
            self.shown.append(extra)
            try:
                return self._something_else(step)
            finally:
                self.shown.remove(extra)
        return next(o for o in self.options(rank(self.state(with_it)), with_it) if o.step.key == step.key)

    def _plan(self, step: Step) -> Plan:
        return test_plan(self.model, step) if step.kind == "test" else watch_plan(self.model, step)

    def _useless(self, step: Step) -> Option:
        """A repair that reaches no cause in question: it costs its price and its proof; all is as before, but shut."""
        state = self.state(self.proposed)
        looks = tuple(replace(look, price=look.price_shut, further=()) for look in state.looks)
        then = rank(replace(state, bill=state.bill.all_shut, looks=looks))
        first = step.price + self.table.verify
        fan = (Outlook("it-was-not", _("it comes back"), 1.0, _top(self.table.roots, self.now), then.cheapest),)
        return Option(step, first + then.cheapest, fan, first + then.at_least, first + then.without_looking)


# -------------------------------------------------------------------- shares


def _top(roots: Sequence[str], shares: Array, most: int = 4) -> tuple[tuple[str, float], ...]:
    order = np.argsort(-shares)[:most]
    return tuple((roots[i], float(shares[i])) for i in order)
