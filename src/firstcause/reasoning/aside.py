"""What will not be done, and what comes first: steps set aside, tools not owned, openings that stay shut, spoiling."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from firstcause.errors import RequestError
from firstcause.knowledge.base import Knowledge
from firstcause.reasoning.compiled import Model
from firstcause.reasoning.history import CarFacts, History
from firstcause.reasoning.jobs import access_name
from firstcause.reasoning.steps import (
    Aside,
    Step,
    Terms,
    open_after,
    opened_by,
    price_with,
    readings_to_take,
    repair_step,
    swap_step,
    test_step,
)
from firstcause.tongue import _
from firstcause.vehicle.place import ENGINE, Place, cylinder

# A look that the next one would spoil goes first when it costs no more than this times the other's own work. Judgement.
FIRST_WHEN_AS_CHEAP = 2.0


@dataclass(frozen=True)
class Waiting:
    """A step that would spoil others, and those that must therefore be done before it."""

    step: Step
    first: tuple[Step, ...]


def set_aside(step: Step, terms: Terms, standing: frozenset[str]) -> Aside | None:
    """Why a step is not to be had in this case and shop; None when it is. Handing on can always be had."""
    if step.kind == "refer":
        return None
    shut = frozenset(step.opens) - standing
    for aside in terms.set_aside:
        if aside.step in step.names or aside.blocks & shut:
            return aside
    if terms.tools is not None and (missing := [tool for tool in step.tools if tool not in terms.tools]):
        return Aside("", "no-tool", tool=missing[0])
    return None


def to_be_had(steps: Iterable[Step], terms: Terms, standing: frozenset[str]) -> list[Step]:
    """Those that are not set aside."""
    return [step for step in steps if set_aside(step, terms, standing) is None]


def blocked_by(knowledge: Knowledge, car: CarFacts, step: str, before: History, since: History = ()) -> frozenset[str]:
    """What could not be opened when a step (by its key) turned out not to be possible.

    These are the innermost openings of the step that did not stand open then (`before` is what had happened), unless
    they were opened after all (`since`). A step named by its id alone blocks itself and nothing else.
    """
    standing = open_after(knowledge, car, before)
    opened = {name for happening in since for name in opened_by(knowledge, car, happening)}
    innermost: set[str] = set()
    for access, place in _direct_openings(knowledge, step):
        entry = knowledge.access[access]
        takes = entry.minutes_buried if car.is_buried(place) else entry.minutes
        if takes > 0:
            innermost.add(access_name(entry, place, car))
    return frozenset(innermost - standing - opened)


def _direct_openings(knowledge: Knowledge, key: str) -> list[tuple[str, Place]]:
    moves = _moves_named(key)
    if moves:
        return [
            (access, cylinder(number))
            for part, first, second in moves
            if part in knowledge.parts
            for number in (first, second)
            for access in knowledge.parts[part].access
        ]
    what, at, where = key.partition(" at ")
    entry = knowledge.tests.get(what) or knowledge.repairs.get(what)
    return [(access, Place.parse(where)) for access in entry.access] if at and entry is not None else []


def _moves_named(key: str) -> tuple[tuple[str, int, int], ...]:
    """The moves of a swap's key, such as `swap PART 3-1 + OTHER 3-2`; none for any other key."""
    if not key.startswith("swap ") or "-" not in key:
        return ()
    moves = []
    for words in key.removeprefix("swap ").split(" + "):
        part, _, between = words.rpartition(" ")
        first, _, second = between.partition("-")
        if not (part and first.isdigit() and second.isdigit()):
            return ()
        moves.append((part, int(first), int(second)))
    return tuple(moves)


def step_named(model: Model, terms: Terms, key: str, standing: frozenset[str]) -> Step:
    """Any step by its key, proposed or not: `TEST at PLACE`, `REPAIR at PLACE`, `swap PART 3-1`, `watch idle`.

    Raises RequestError when the knowledge base has no such step or the engine no such place.
    """
    key = " ".join(key.split())
    for step in readings_to_take(model.knowledge, terms).values():
        if step.key == key:
            return step
    if key == "refer":
        return refer_step(terms)
    if moves := _moves_named(key):
        for part, first, second in moves:
            if model.fitment.position(part, first) == model.fitment.position(part, second):
                raise RequestError(f"The {part} of cylinders {first} and {second} is the same one. Name two others.")
        return swap_step(model, terms, moves, standing)
    what, at, where = key.partition(" at ")
    test, repair = model.knowledge.tests.get(what), model.knowledge.repairs.get(what)
    if not at or (test is None and repair is None):
        raise RequestError(
            f"There is no step {key!r}. Write it as it stands in the list: 'TEST at PLACE', 'REPAIR at PLACE', "
            "'swap PART 3-1', 'watch idle' or 'watch road'."
        )
    place = Place.parse(where)
    for number in place.numbers if place.kind != "bank" else ():
        model.car.layout.require(number)
    entry = test if test is not None else repair
    assert entry is not None
    if place.kind != ("cylinder" if entry.on == "part" else entry.on):
        raise RequestError(f"{entry.name} is done on one {entry.on}, not on {place}. Name the place it is done at.")
    if test is not None:
        return test_step(model, terms, test, place, standing)
    assert repair is not None
    return repair_step(model, terms, repair, place, standing)


def refer_step(terms: Terms) -> Step:
    """Handing the car on."""
    return Step("refer", "refer", "refer", _("Hand the car on with a written finding"), ENGINE, 0.0, terms.refer_out)


def order_of_spoiling(model: Model, terms: Terms, standing: frozenset[str], tests: Sequence[Step]) -> list[Waiting]:
    """Which of these tests must wait for others among them, because they would spoil what those could still show."""
    waiting = []
    for step in tests:
        spoils = set(model.knowledge.tests[step.what].spoils)
        if not spoils:
            continue
        own = terms.labour(model.knowledge.tests[step.what].minutes)
        opened = standing | set(step.opens)
        first = [
            other
            for other in tests
            if other.what in spoils
            and _touch(model, other.place, step.place)
            and price_with(model, terms, other, opened) <= FIRST_WHEN_AS_CHEAP * own
        ]
        if first:
            waiting.append(Waiting(step, tuple(first)))
    return waiting


def _touch(model: Model, one: Place, other: Place) -> bool:
    """Whether two places have a cylinder in common."""
    return bool(_numbers(model, one) & _numbers(model, other))


def _numbers(model: Model, place: Place) -> frozenset[int]:
    if place.kind == "engine":
        return frozenset(model.car.layout.cylinders)
    if place.kind == "bank":
        return frozenset(model.car.layout.banks[place.numbers[0] - 1])
    return frozenset(place.numbers)
