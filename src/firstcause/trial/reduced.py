"""The trial reduced until the exact optimum can be worked out: random small problems, and what each policy costs there.

One fault of five stands. Repairs are imperfect and may reach a second fault, tests are noisy with two or three
outcomes, and both need openings that are paid once while they stay open; the proving drive after each repair shuts
them. A fault left standing stays unseen in the drive now and then and is then a comeback. Handing the car on
ends it at a price.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache

import numpy as np

from firstcause.reasoning.lookahead import Branch, think
from firstcause.reasoning.ranking import Course, Further, Look, Ranking, State, rank
from firstcause.reasoning.theory import Array, Bill, expected_bill

FAULTS, TESTS, OPENINGS = 5, 3, 3
NOTHING_LEFT = 1e-9
WORTH_TRYING = 0.02
OPTIMUM = "exact optimum"

Option = tuple[str, int]
REFER: Option = ("refer", 0)


@dataclass(frozen=True)
class Known:
    """Outcome of each test (-1: not done), repairs done in vain, openings that stand open."""

    outcomes: tuple[int, ...] = (-1,) * TESTS
    in_vain: frozenset[int] = frozenset()
    open: frozenset[int] = frozenset()


@dataclass(frozen=True, eq=False)
class Problem:
    """`seen[t]` (outcomes, faults) is P(outcome of test t | fault), `needs` which openings a step wants."""

    prior: Array
    solves: Array
    repair_price: Array
    repair_needs: tuple[frozenset[int], ...]
    test_price: Array
    test_needs: tuple[frozenset[int], ...]
    seen: tuple[Array, ...]
    open_price: Array
    hides: float
    comeback: float
    verify: float
    refer: Array

    @classmethod
    def random(cls, seed: int) -> Problem:
        """The problem of a seed."""
        chance = np.random.default_rng([2026, seed])
        solves = np.diag(chance.uniform(0.8, 1.0, FAULTS))
        for r in range(FAULTS):
            if chance.random() < 0.2:
                solves[r, int(chance.integers(FAULTS))] = chance.uniform(0.3, 1.0)
        price = chance.uniform(30.0, 600.0, FAULTS)
        needs = chance.random((FAULTS + TESTS, OPENINGS)) < 0.4
        sets = [frozenset(int(n) for n in np.flatnonzero(row)) for row in needs]
        seen = []
        for _ in range(TESTS):
            outcomes = int(chance.integers(2, 4))
            table = np.where(
                chance.random((outcomes, FAULTS)) < 0.45, chance.uniform(0.5, 1.0, (outcomes, FAULTS)), 0.05
            )
            seen.append(np.asarray(table / table.sum(axis=0)))
        openings = chance.uniform(10.0, 120.0, OPENINGS)
        whole = price + np.array([sum(openings[n] for n in found) for found in sets[:FAULTS]])
        return cls(
            chance.dirichlet(np.full(FAULTS, 1.2)), solves, price, tuple(sets[:FAULTS]),
            chance.uniform(5.0, 40.0, TESTS), tuple(sets[FAULTS:]), tuple(seen), openings,
            float(chance.uniform(0.0, 0.1)), 300.0, 40.0, whole + 900.0,
        )  # fmt: skip

    def opening(self, needed: frozenset[int], known: Known) -> float:
        """What a step pays for what is not open yet."""
        return float(sum(self.open_price[n] for n in needed - known.open))

    @cache  # noqa: B019
    def weights(self, outcomes: tuple[int, ...], in_vain: frozenset[int]) -> Array:
        """P(known so far, fault), not normalised."""
        weights = self.prior.copy()
        for test, outcome in enumerate(outcomes):
            if outcome >= 0:
                weights = weights * self.seen[test][outcome]
        for repair in in_vain:
            weights = weights * (1.0 - self.solves[repair])
        return weights

    def belief(self, known: Known) -> Array:
        """P(fault | known so far)."""
        weights = self.weights(known.outcomes, known.in_vain)
        return np.asarray(weights / weights.sum())

    def options(self, known: Known) -> list[Option]:
        """Everything that can be done."""
        tests: list[Option] = [("test", t) for t, outcome in enumerate(known.outcomes) if outcome < 0]
        return [*tests, *(("repair", r) for r in range(FAULTS) if r not in known.in_vain), REFER]

    def step(self, known: Known, option: Option) -> tuple[float, list[tuple[float, Known | None]]]:
        """What an option costs at once (the comeback included), and what may come of it: (chance, known then)."""
        kind, which = option
        belief = self.belief(known)
        if kind == "refer":
            return float(belief @ self.refer), []
        if kind == "test":
            price = float(self.test_price[which]) + self.opening(self.test_needs[which], known)
            opened = known.open | self.test_needs[which]
            chances = self.seen[which] @ belief
            after = [
                Known((*known.outcomes[:which], o, *known.outcomes[which + 1 :]), known.in_vain, opened)
                for o in range(len(chances))
            ]
            return price, list(zip(chances.tolist(), after, strict=True))
        left = float(belief @ (1.0 - self.solves[which]))
        price = float(self.repair_price[which]) + self.opening(self.repair_needs[which], known) + self.verify
        then = Known(known.outcomes, known.in_vain | {which})
        return price + self.comeback * self.hides * left, [(1.0 - left, None), (left, then)]

    # ------------------------------------------------------------ as the ranking wants it

    def bill(self, in_vain: frozenset[int], opened: frozenset[int]) -> Bill:
        """The bill over the repairs not yet done; done ones stay in it without effect."""
        solves = self.solves.copy()
        solves[list(in_vain)] = 0.0
        shut = self.repair_price + np.array([sum(self.open_price[n] for n in needs) for needs in self.repair_needs])
        price = shut - np.array([sum(self.open_price[n] for n in needs & opened) for needs in self.repair_needs])
        return Bill(price, shut, solves, np.full(FAULTS, self.hides), self.refer, self.comeback, self.verify)

    def state(self, known: Known, bundles: bool = True) -> State:
        """What the ranking needs to know; every pair of tests that share an opening is a bundle."""
        belief = self.belief(known)
        tests = [t for t, outcome in enumerate(known.outcomes) if outcome < 0]
        bills: dict[frozenset[int], Bill] = {}

        def bill(opened: frozenset[int]) -> Bill:
            return bills.setdefault(opened, self.bill(known.in_vain, opened))

        looks = []
        for t in tests:
            opened = known.open | self.test_needs[t]
            joint = self.seen[t] * belief
            further = [
                Further(
                    tests.index(u),
                    float(self.test_price[u]) + sum(float(self.open_price[n]) for n in self.test_needs[u] - opened),
                    joint[:, None, :] * self.seen[u][None],
                    np.zeros((len(joint), len(self.seen[u]))),
                    bill(opened | self.test_needs[u]),
                )
                for u in tests
                if bundles and u != t and self.test_needs[u] & self.test_needs[t] - known.open
            ]
            looks.append(
                Look(
                    float(self.test_price[t]) + self.opening(self.test_needs[t], known),
                    float(self.test_price[t]) + float(sum(self.open_price[n] for n in self.test_needs[t])),
                    joint, np.zeros(len(joint)), bill(opened), further=tuple(further),
                )
            )  # fmt: skip
        return State(bill(known.open), belief, 0.0, tuple(looks))


class Policy:
    """A rule for the next step; its expected cost is worked out by following it to every end."""

    def __init__(self, problem: Problem) -> None:
        self.problem = problem
        self._costs: dict[Known, float] = {}

    def cost(self, known: Known = Known()) -> float:
        """Expected cost from here on."""
        if known not in self._costs:
            self._costs[known] = self.cost_of(known, self.choose(known))
        return self._costs[known]

    def cost_of(self, known: Known, option: Option) -> float:
        """Expected cost of an option when one goes on by the rule."""
        price, fan = self.problem.step(known, option)
        return price + sum(p * self.cost(then) for p, then in fan if then is not None and p > NOTHING_LEFT)

    def choose(self, known: Known) -> Option:
        raise NotImplementedError


class Optimum(Policy):
    """Everything tried to the end: AND/OR dynamic programming."""

    def choose(self, known: Known) -> Option:
        raise AssertionError("the optimum is a value, not a rule")

    def cost(self, known: Known = Known()) -> float:
        if known not in self._costs:
            self._costs[known] = min(self.cost_of(known, option) for option in self.problem.options(known))
        return self._costs[known]


class AllKnowing(Policy):
    """Knows which fault stands, and so bounds every policy from below: the optimum of each fault by itself."""

    def cost(self, known: Known = Known()) -> float:
        alone = np.eye(FAULTS)
        each = [Optimum(replace(self.problem, prior=alone[fault])).cost(known) for fault in range(FAULTS)]
        return float(self.problem.belief(known) @ each)


def plain(problem: Problem, known: Known) -> float:
    """ECR without further looking, as the engine works it out."""
    return float(expected_bill(problem.bill(known.in_vain, known.open), problem.belief(known)[None], np.zeros(1))[0])


class RepairsOnly(Policy):
    """No test is ever made: chance over cost, updated, until handing on is cheaper than the rest of the order."""

    def choose(self, known: Known) -> Option:
        bill, belief = self.problem.bill(known.in_vain, known.open), self.problem.belief(known)
        gain = bill.solves @ belief
        best = int(np.argmax(gain / (bill.price + bill.verify)))
        if gain[best] <= NOTHING_LEFT or plain(self.problem, known) >= belief @ self.problem.refer - NOTHING_LEFT:
            return REFER
        return ("repair", best)


class MostLikelyFirst(Policy):
    """The cheapest repair of the likeliest fault; handed on when none is left, or a dear one for a mere guess."""

    def choose(self, known: Known) -> Option:
        left = [r for r in range(FAULTS) if r not in known.in_vain]
        belief = self.problem.belief(known)
        for fault in np.argsort(-belief):
            able = [r for r in left if self.problem.solves[r, fault] >= 0.5]
            if able and belief[fault] >= WORTH_TRYING:
                return ("repair", min(able, key=lambda r: float(self.problem.repair_price[r])))
        return REFER


class CheapestFirst(Policy):
    """The cheapest repair that has any chance worth the name."""

    def choose(self, known: Known) -> Option:
        gain = self.problem.solves @ self.problem.belief(known)
        able = [r for r in range(FAULTS) if r not in known.in_vain and gain[r] >= WORTH_TRYING]
        cheapest = min(able, key=lambda r: float(self.problem.repair_price[r]), default=None)
        return REFER if cheapest is None else ("repair", cheapest)


class NowOrNever(RepairsOnly):
    """Ask the test that leads to the cheapest repairs if that beats repairs alone. Langseth & Jensen 2003, eq. 4."""

    def now(self, known: Known, test: Option) -> float:
        price, fan = self.problem.step(known, test)
        return price + sum(p * plain(self.problem, then) for p, then in fan if then is not None and p > NOTHING_LEFT)

    def choose(self, known: Known) -> Option:
        tests = [option for option in self.problem.options(known) if option[0] == "test"]
        best = min(tests, key=lambda test: self.now(known, test), default=None)
        if best is not None and self.now(known, best) < plain(self.problem, known):
            return best
        return super().choose(known)


class NowOrLater(NowOrNever):
    """The same, and cheaper than asking after the best repair has failed. Langseth & Jensen, eq. 5."""

    def choose(self, known: Known) -> Option:
        first = super().choose(known)
        repair = RepairsOnly.choose(self, known)
        if first[0] != "test" or repair == REFER:
            return first
        price, fan = self.problem.step(known, repair)
        (_, (rest, failed)) = fan
        assert failed is not None
        later = price + (rest * self.now(failed, first) if rest > NOTHING_LEFT else 0.0)
        return first if self.now(known, first) < later else repair


class Ours(Policy):
    """What `ranking.rank` puts first: the rule that orders the steps of a car."""

    bundles = True

    def ranking(self, known: Known) -> Ranking:
        return rank(self.problem.state(known, self.bundles))

    def courses(self, known: Known) -> list[tuple[Option, Course]]:
        """All options with their courses."""
        ranking = self.ranking(known)
        tests = [t for t, outcome in enumerate(known.outcomes) if outcome < 0]
        found: list[tuple[Option, Course]] = [
            (("test", t), course) for t, course in zip(tests, ranking.looks, strict=True)
        ]
        found += [(("repair", r), course) for r, course in enumerate(ranking.repairs) if course is not None]
        return [*found, (REFER, ranking.refer)]

    def choose(self, known: Known) -> Option:
        return min(self.courses(known), key=lambda pair: pair[1].expected)[0]


class OursUnbundled(Ours):
    """The same without looking at what a shared opening makes cheaper."""

    bundles = False


class SceneOf:
    """A moment of a problem, for the look-ahead."""

    def __init__(self, rule: Ours, known: Known) -> None:
        self.rule, self.known = rule, known

    def branches(self) -> Sequence[Branch]:
        found = []
        for option, course in self.rule.courses(self.known):
            price, fan = self.rule.problem.step(self.known, option)
            found.append(
                Branch(
                    name_of(option), price, tuple(0.0 if then is None else p for p, then in fan),
                    tuple(float(a) for a in course.after), course.expected, course.lower, course.upper,
                )
            )  # fmt: skip
        return sorted(found, key=lambda branch: branch.expected)

    def after(self, key: str, outcome: int) -> SceneOf:
        _, fan = self.rule.problem.step(self.known, option_named(key))
        then = fan[outcome][1]
        assert then is not None
        return SceneOf(self.rule, then)


def name_of(option: Option) -> str:
    return f"{option[0]} {option[1]}"


def option_named(key: str) -> Option:
    kind, _, which = key.partition(" ")
    return kind, int(which)


class TwoStep(Ours):
    """The branch that `lookahead.think` puts first once it has thought everything through."""

    def __init__(self, problem: Problem) -> None:
        super().__init__(problem)
        self._rank = cache(super().courses)

    def courses(self, known: Known) -> list[tuple[Option, Course]]:
        return self._rank(known)

    def choose(self, known: Known) -> Option:
        *_, last = think(SceneOf(self, known))
        return option_named(last.best.key)


RULES: Mapping[str, Callable[[Problem], Policy]] = {
    "ours": Ours,
    "ours, two steps ahead": TwoStep,
    "most-likely-first": MostLikelyFirst,
    "cheapest-part-first": CheapestFirst,
    "probability-over-cost": RepairsOnly,
    "all-knowing": AllKnowing,
    OPTIMUM: Optimum,
}


def costs(problems: int, seed: int, progress: Callable[[int, int], None] = lambda done, of: None) -> dict[str, Array]:
    """Expected cost of each rule on each problem: (problems,) for each. Problem i of a seed is always the same."""
    found: dict[str, list[float]] = {name: [] for name in RULES}
    for number in range(problems):
        problem = Problem.random(seed + number)
        for name, rule in RULES.items():
            found[name].append(rule(problem).cost())
        progress(number + 1, problems)
    return {name: np.array(values) for name, values in found.items()}
