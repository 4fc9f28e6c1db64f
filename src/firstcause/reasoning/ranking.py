"""The ranking itself, over arrays: what each look, each repair and handing on lead one to expect to pay, with bounds.

It knows no car: `choice` fills it from a model, the benchmark of the policy from problems that can be solved exactly.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from firstcause.reasoning.theory import (
    Array,
    Bill,
    entropy_bits,
    expected_bill,
    expected_course,
    perfect_information,
    worth_asking_now,
)

WORTH_A_LINE = 0.005
WORTH_BITS = 1e-3
CHEAPEST_PER_BIT = 3
LOOKS_KEPT_FOR_LATER = 6
REPAIRS_LOOKED_BEHIND = 4


@dataclass(frozen=True, eq=False)
class Further:
    """A second look that uses what a first one opens: `which` look it is, its price then, both outcomes together."""

    which: int
    price: float
    joint: Array
    """(first outcomes, second outcomes, roots)"""
    cured: Array
    """(first outcomes, second outcomes)"""
    bill: Bill


@dataclass(frozen=True, eq=False)
class Look:
    """A step that shows something: its price now and with all shut, its outcomes, the bill as it stands after it.

    `joint` (outcomes, roots) is P(outcome, this root still stands alone), `cured` (outcomes,) P(outcome, none stands).
    `roots_moved`: the roots are those of a changed car (after a swap), not those of the state.
    """

    price: float
    price_shut: float
    joint: Array
    cured: Array
    bill: Bill
    roots_moved: bool = False
    further: tuple[Further, ...] = ()

    def bits(self, before: float) -> float:
        """What the look is expected to take off the entropy of the belief (`before`), in bits."""
        return before - float(entropy_bits(np.column_stack([self.joint, self.cured])).sum())


@dataclass(frozen=True, eq=False)
class State:
    """What is believed (`now` (roots,) and `cured`), what repairs cost, and what could be looked at."""

    bill: Bill
    now: Array
    cured: float
    looks: tuple[Look, ...]


@dataclass(frozen=True, eq=False)
class Course:
    """What one must expect to pay when one begins with a step: an estimate between two bounds.

    `after` (outcomes,) is what is left to pay behind each outcome, times its chance. `then` names for each outcome
    the further look that is worth its price at once (its place in the look's `further`), or None.
    """

    expected: float
    lower: float
    upper: float
    after: Array
    then: tuple[int | None, ...] = ()


@dataclass(frozen=True)
class Timing:
    """The best look: what it leads to now, after the best repair has failed, and never. Langseth & Jensen 2003."""

    look: int
    repair: int
    now: float
    after_best_action: float
    never: float

    @property
    def look_now(self) -> bool:
        return worth_asking_now(self.never, self.now, self.after_best_action)


@dataclass(frozen=True, eq=False)
class Ranking:
    """Every option of a state: looks and repairs by their place in it (a repair without a chance is None)."""

    looks: tuple[Course, ...]
    repairs: tuple[Course | None, ...]
    refer: Course
    without_looking: float
    at_least: float
    timing: Timing | None

    @property
    def cheapest(self) -> float:
        """Expected cost of the best option."""
        return min(course.expected for course in (*self.looks, *self.repairs, self.refer) if course is not None)


def rank(state: State) -> Ranking:
    """Price all options of a state."""
    now = state.now[None, :]
    cured = np.array([state.cured])
    before = float(entropy_bits(np.column_stack([now, cured]))[0])
    bits = [look.bits(before) for look in state.looks]
    per_bit = _price_per_bit(state.looks, bits)
    looks = _courses_of_looks(state.looks, bits, per_bit)
    never = float(expected_bill(state.bill, now, cured)[0])
    repairs = _courses_of_repairs(state, looks, per_bit)
    handed_on = float((now @ state.bill.refer)[0])
    return Ranking(
        tuple(looks),
        tuple(repairs),
        Course(handed_on, handed_on, handed_on, np.zeros(0)),
        never,
        float(perfect_information(state.bill, now)[0]),
        _timing(state, looks, repairs, never, per_bit),
    )


def _price_per_bit(looks: Sequence[Look], bits: Sequence[float]) -> float:
    """What one bit costs with the looks at hand: the median of the three cheapest."""
    priced = zip(looks, bits, strict=True)
    prices = sorted(look.price / b for look, b in priced if b > WORTH_BITS and not look.roots_moved)
    return float(np.median(prices[:CHEAPEST_PER_BIT])) if prices else float("inf")


def _courses_of_looks(looks: Sequence[Look], bits: Sequence[float], per_bit: float) -> list[Course]:
    """What one must expect to pay if one goes on looking at the price at which each look tells something.

    A look that tells next to nothing is so priced as if nothing could be learnt; else a row of cheap, empty looks
    would always seem as good as the one that settles it.
    """
    own = [max(per_bit, k.price / b) if b > WORTH_BITS else float("inf") for k, b in zip(looks, bits, strict=True)]
    after = _by_bill([(k.bill, k.joint, k.cured, price) for k, price in zip(looks, own, strict=True)])
    seconds = [
        (f.bill, f.joint.reshape(-1, f.joint.shape[-1]), f.cured.reshape(-1), price)
        for k, price in zip(looks, own, strict=True)
        for f in k.further
    ]
    behind = iter(_by_bill(seconds))
    courses = []
    for look, (estimate, plain) in zip(looks, after, strict=True):
        chance = look.joint.sum(axis=1) + look.cured
        least = perfect_information(look.bill, look.joint)
        then: list[int | None] = [None] * len(chance)
        for at, further in enumerate(look.further):
            second, second_plain = (part.reshape(further.cured.shape).sum(axis=1) for part in next(behind))
            second, second_plain = second + chance * further.price, second_plain + chance * further.price
            for outcome in np.flatnonzero(second < estimate):
                then[outcome] = at
            estimate, plain = np.minimum(estimate, second), np.minimum(plain, second_plain)
        courses.append(
            Course(
                look.price + float(estimate.sum()),
                look.price + float(least.sum()),
                look.price + float(plain.sum()),
                estimate,
                tuple(then),
            )
        )
    return courses


def _by_bill(beliefs: Sequence[tuple[Bill, Array, Array, float]]) -> list[tuple[Array, Array]]:
    """Estimate and plain course of many groups of beliefs, those with the same bill at once."""
    groups: dict[int, list[int]] = {}
    for at, (bill, *_) in enumerate(beliefs):
        groups.setdefault(id(bill), []).append(at)
    found: list[tuple[Array, Array]] = [(np.zeros(0), np.zeros(0))] * len(beliefs)
    for members in groups.values():
        bill = beliefs[members[0]][0]
        joint = np.concatenate([beliefs[at][1] for at in members])
        cured = np.concatenate([beliefs[at][2] for at in members])
        prices = np.concatenate([np.full(len(beliefs[at][2]), beliefs[at][3]) for at in members])
        plain = expected_bill(bill, joint, cured)
        estimate = expected_course(bill, joint, cured, prices, plain)
        end = 0
        for at in members:
            begin, end = end, end + len(beliefs[at][2])
            found[at] = (estimate[begin:end], plain[begin:end])
    return found


def _courses_of_repairs(state: State, looks: Sequence[Course], per_bit: float) -> list[Course | None]:
    """Each repair and its proof first; if it was not the one, the best from there: a look first, or another repair."""
    bill, now = state.bill, state.now
    left = now[None, :] * (1.0 - bill.solves)
    rest = left.sum(axis=1)
    first = (bill.price + bill.verify) * (now.sum() + state.cured) + bill.comeback * (left @ bill.hides)
    none = np.zeros(len(left))
    plain = expected_bill(bill.all_shut, left, none, np.eye(len(left), dtype=bool))
    estimate = expected_course(bill.all_shut, left, none, per_bit, plain)
    lower = perfect_information(bill, left)
    able = now.sum() - rest >= WORTH_A_LINE
    likely = [r for r in np.argsort(np.where(able, first + estimate, np.inf))[:REPAIRS_LOOKED_BEHIND] if able[r]]
    for r in likely:
        for later, later_plain in _looks_after(state, _best_looks(state, looks), int(r), per_bit):
            estimate[r], plain[r] = min(estimate[r], later), min(plain[r], later_plain)
    expected, least, most = first + estimate, first + lower, first + plain
    return [
        Course(float(expected[r]), float(least[r]), float(most[r]), np.array([0.0, estimate[r]])) if able[r] else None
        for r in range(len(left))
    ]


def _best_looks(state: State, looks: Sequence[Course]) -> list[int]:
    """The looks that are worth asking for once more after a repair has failed."""
    still_there = [at for at, look in enumerate(state.looks) if not look.roots_moved]
    return sorted(still_there, key=lambda at: looks[at].expected)[:LOOKS_KEPT_FOR_LATER]


def _looks_after(state: State, which: Sequence[int], r: int, per_bit: float) -> list[tuple[float, float]]:
    """ECR of a look after repair r has failed, from there on: C_Q P(r fails) + sum_q ECR(q, r fails).

    Source: Langseth & Jensen 2003, the last terms of eq. 5. The drive has shut everything.
    """
    fails = 1.0 - state.bill.solves[r]
    others = state.bill.all_shut.only(np.arange(len(state.bill.price)) != r)
    behind = _by_bill(
        [(others, state.looks[at].joint * fails, np.zeros(len(state.looks[at].cured)), per_bit) for at in which]
    )
    rest = float(state.now @ fails)
    prices = [rest * state.looks[at].price_shut for at in which]
    return [
        (price + float(estimate.sum()), price + float(plain.sum()))
        for price, (estimate, plain) in zip(prices, behind, strict=True)
    ]


def _timing(
    state: State, looks: Sequence[Course], repairs: Sequence[Course | None], never: float, per_bit: float
) -> Timing | None:
    """The best look against the same look after the best repair, and against never looking."""
    standing = _best_looks(state, looks)
    able = [r for r, course in enumerate(repairs) if course is not None]
    if not standing or not able:
        return None
    look = standing[0]
    repair = min(able, key=lambda r: repairs[r].expected)  # type: ignore[union-attr]
    bill = state.bill
    left = state.now * (1.0 - bill.solves[repair])
    first = float((bill.price[repair] + bill.verify) * (state.now.sum() + state.cured))
    first += bill.comeback * float(left @ bill.hides)
    ((later, _),) = _looks_after(state, [look], repair, per_bit)
    return Timing(look, repair, looks[look].expected, first + later, never)
