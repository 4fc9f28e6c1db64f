"""What would change the mind: which one finding would make a suspect fall or settle it, and what another would need."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from firstcause.errors import RequestError
from firstcause.reasoning.aside import to_be_had
from firstcause.reasoning.because import log_odds
from firstcause.reasoning.compiled import Model, compile_model
from firstcause.reasoning.exact import Engine, Extra, rough_engine
from firstcause.reasoning.foreseen import Foreseen
from firstcause.reasoning.history import Found
from firstcause.reasoning.looks import Plan, swap_plan, test_plan, watch_or_verify, watch_plan
from firstcause.reasoning.steps import Step, Terms, most_suspect, open_now, swap_steps, tests_at

EVEN = 0.5
WORTH_A_LINE = 0.005
WORTH_A_TURN = 3.0  # decibans
MOST_TOGETHER = 3
RIVAL_FROM = 0.03


@dataclass(frozen=True)
class Sight:
    """One outcome of one step: its chance, and the probability of each cause once it is seen."""

    step: Step
    outcome: str
    name: str
    chance: float
    then: Mapping[str, float]

    def leader(self, besides: str) -> tuple[str, float]:
        """The most probable root but this one, once it is seen; an empty name if there is none."""
        return max(
            ((cause, p) for cause, p in self.then.items() if cause != besides), key=lambda pair: pair[1],
            default=("", 0.0),
        )  # fmt: skip


@dataclass(frozen=True)
class Turn:
    """A single finding that would change the mind about a suspect: what it would be then, and who would lead."""

    sight: Sight
    then: float
    leader: str
    leader_then: float


@dataclass(frozen=True)
class Mind:
    """About one suspect: which single findings would make it fall, and which would settle it, the likeliest first.

    It falls below even odds or below another root; it is settled at the closing limit. What moves it by less than 3
    decibans (odds twice or half as high) does neither. `low` and `high` are the findings that would move it furthest
    either way: what can be had where none makes it fall or settles it.
    """

    cause: str
    now: float
    limit: float
    falls: tuple[Turn, ...]
    settles: tuple[Turn, ...]
    low: Turn | None
    high: Turn | None


@dataclass(frozen=True)
class Rival:
    """Who it is if it is not the suspect. `gone`: it was there and handling or a repair has cured it since."""

    cause: str
    probability: float
    gone: bool


@dataclass(frozen=True)
class Instead:
    """Who else, the likeliest first; `any_here`: that anything at all is wrong with the same part or place."""

    rivals: tuple[Rival, ...]
    any_here: float


@dataclass(frozen=True)
class Asked:
    """What would have to be found, one after the other, for a suspect to become the likeliest: each with its chance
    given those before it, and the probability of the suspect then."""

    turns: tuple[Turn, ...]

    @property
    def chance(self) -> float:
        """That all of it is found."""
        return float(np.prod([turn.sight.chance for turn in self.turns]))


def sights(model: Model, terms: Terms, engine: Engine, also: Iterable[int] = ()) -> tuple[Sight, ...]:
    """Every outcome of every test, reading and swap that can be had now, with what one would believe of each root then.

    `engine` holds the model's network. `also`: cylinders at which tests are asked for besides the most suspect ones.
    Outcomes of less than 1 in 200 are left out.
    """
    belief, standing = engine.posterior().probability, open_now(model)
    tests = to_be_had(tests_at(model, terms, standing, [*most_suspect(model, belief), *also]), terms, standing)
    plans = [test_plan(model, step) for step in tests]
    plans += [watch_plan(model, step) for step in to_be_had(watch_or_verify(model, terms), terms, standing)]
    found = _seen(engine, plans, model.live_roots)
    for step in to_be_had(swap_steps(model, terms, standing), terms, standing):
        after, other, plan = swap_plan(model, engine, step)
        found += _seen(other, [plan], after.live_roots)
    return tuple(sight for sight in found if sight.chance >= WORTH_A_LINE)


def _seen(engine: Engine | Foreseen, plans: Sequence[Plan], roots: Sequence[str]) -> list[Sight]:
    z, joint = engine.with_extras([extra for plan in plans for extra in plan.extras], roots)
    found, end = [], 0
    for plan in plans:
        begin, end = end, end + len(plan.extras)
        for (outcome, name), chance, row in zip(
            plan.names, *plan.outcomes(z[begin:end], joint[begin:end]), strict=True
        ):
            then = row / chance if chance > 0.0 else row
            shares = {root: min(1.0, float(p)) for root, p in zip(roots, then, strict=True)}
            found.append(Sight(plan.step, outcome, name, float(chance), shares))
    return found


def mind_of(cause: str, belief: Mapping[str, float], seen: Iterable[Sight], limit: float) -> Mind:
    """What would change the mind about one root; `belief` holds all roots as they stand now."""
    now = belief[cause]
    leads = all(now >= p for p in belief.values())
    turns = [Turn(sight, sight.then[cause], *sight.leader(cause)) for sight in seen if cause in sight.then]

    def falls(turn: Turn) -> bool:
        below = (now >= EVEN > turn.then) or (leads and turn.then < turn.leader_then)
        return below and log_odds(turn.then) <= log_odds(now) - WORTH_A_TURN

    def settles(turn: Turn) -> bool:
        return now < limit <= turn.then and log_odds(turn.then) >= log_odds(now) + WORTH_A_TURN

    ordered = sorted(turns, key=lambda turn: (-turn.sight.chance, turn.sight.step.minutes))
    by_then = sorted(turns, key=lambda turn: turn.then)
    return Mind(
        cause,
        now,
        limit,
        tuple(turn for turn in ordered if falls(turn)),
        tuple(turn for turn in ordered if settles(turn)),
        next((turn for turn in by_then if turn.then < now), None),
        next((turn for turn in reversed(by_then) if turn.then > now), None),
    )


def instead_of(model: Model, engine: Engine, causes: Sequence[str]) -> dict[str, Instead]:
    """For each cause: if it is not this one, who is it then? Roots only.

    Among them what is no longer there: a contact that the reseat cured, a cause that a repair took away.
    """
    standing = set(model.live_roots)
    before = {old: new for old, new in _successors(model).items() if new in standing}
    wanted = [*standing, *before]
    extras = [Extra({cause: 0.0}) for cause in causes]
    extras += [Extra({cause: 0.0, new: 0.0}) for cause in causes for new in before.values()]
    extras += [Extra(dict.fromkeys(_with_same_holder(model, cause), 0.0)) for cause in causes]
    z, joint = engine.with_extras(extras, wanted)
    found: dict[str, Instead] = {}
    for c, cause in enumerate(causes):
        any_here = min(1.0, max(0.0, 1.0 - float(z[c - len(causes)])))
        if z[c] <= 0.0:
            found[cause] = Instead((), any_here)
            continue
        rivals = [
            Rival(other, float(joint[c, w] / z[c]), gone=False) for w, other in enumerate(wanted) if other in standing
        ]
        for b, (old, new) in enumerate(before.items()):
            if cause not in (old, new):
                row = len(causes) + c * len(before) + b
                rivals.append(Rival(old, float(joint[row, wanted.index(old)] / z[c]), gone=True))
        kept = [rival for rival in rivals if rival.cause != cause and rival.probability >= RIVAL_FROM]
        found[cause] = Instead(tuple(sorted(kept, key=lambda rival: -rival.probability)), any_here)
    return found


def _with_same_holder(model: Model, cause: str) -> list[str]:
    """The roots that stand now in the same part or place, this one among them."""
    holder = model.facts[cause].holder
    here = (other for (_, where), other in model.current.items() if where == holder)
    return [cause, *(other for other in here if other != cause and model.entry(other).kind != "victim")]


def _successors(model: Model) -> dict[str, str]:
    """Each root of the network as it stood before handling or repair, and the cause that stands for it now."""
    now = {name.partition("~")[0]: name for name in model.current.values()}
    return {
        cause.id: now[cause.id.partition("~")[0]]
        for cause in model.network.causes
        if "#" not in cause.id
        and model.entry(cause.id).kind != "victim"
        and now.get(cause.id.partition("~")[0], cause.id) != cause.id
    }


def what_it_would_take(model: Model, terms: Terms, engine: Engine, cause: str) -> Asked:
    """What would have to be found for this cause to be more likely than not, and a root to be the likeliest root.

    Tests only, the most telling first, each believed before the next is sought; three at most.
    """
    wanted = list(dict.fromkeys([*model.live_roots, cause]))
    turns: list[Turn] = []
    while len(turns) < MOST_TOGETHER:
        belief = engine.posterior().probability
        leads = model.entry(cause).kind == "victim" or belief[cause] >= max(belief[root] for root in model.live_roots)
        if leads and belief[cause] >= EVEN:
            break
        plans = [
            test_plan(model, step)
            for step in tests_at(model, terms, open_now(model), [*most_suspect(model, belief), *model.reach(cause)])
            if any(name == cause for name, _ in model.causes_of_test(model.knowledge.tests[step.what], step.place))
        ]
        seen = [sight for sight in _seen(engine, plans, wanted) if sight.chance > 0.0]
        best = max(seen, key=lambda sight: (sight.then[cause], -sight.step.minutes), default=None)
        if best is None or best.then[cause] <= belief[cause]:
            break
        turns.append(Turn(best, best.then[cause], *best.leader(cause)))
        found = Found(f"in thought {len(turns)}", best.step.what, best.step.place, {best.outcome: 1.0})
        model = compile_model(model.knowledge, model.car, (*model.history, found))
        engine = rough_engine(model.network)
    return Asked(tuple(turns))


def cause_named(model: Model, fault: str, where: str) -> str:
    """The cause meant by a fault (id or name) and a place: `cylinder 3`, `3`, `engine`, a serial number, or nothing.

    Raises RequestError that names what there is.
    """
    faults = {key for key, entry in model.knowledge.faults.items() if fault.lower() in (key, entry.name.lower())}
    here = {cause: holder for (name, holder), cause in model.current.items() if name in faults}
    if not here:
        known = fault in model.knowledge.faults
        why = "this engine has no such thing" if known else "the knowledge base has no fault of that name"
        raise RequestError(f"Why not {fault}: {why}. Nothing was weighed. `firstcause knowledge list` names them all.")
    fits = [cause for cause, holder in here.items() if where in ("", holder) or _is_at(model, cause, where)]
    if len(fits) != 1:
        places = ", ".join(sorted({str(model.place_now(cause)) for cause in here}))
        problem = "can be in several places" if fits else f"cannot be at {where!r}"
        raise RequestError(f"{fault} {problem}. Name one of: {places}. Nothing was weighed.")
    return fits[0]


def _is_at(model: Model, cause: str, where: str) -> bool:
    place = model.place_now(cause)
    if where.isdecimal():
        return int(where) in (place.numbers if place.kind != "joint" else ())
    return where == str(place)
