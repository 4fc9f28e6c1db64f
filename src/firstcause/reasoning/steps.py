"""Everything one could do next, each with its minutes, its money, what it opens and what it warns of."""

from __future__ import annotations

from collections.abc import Container, Iterable, Mapping
from dataclasses import dataclass
from typing import Literal

from firstcause.knowledge.base import Knowledge, fits
from firstcause.knowledge.ground import PartsClass
from firstcause.knowledge.model_numbers import Complaint, Watch
from firstcause.knowledge.schema import RepairEntry, TestEntry
from firstcause.reasoning.compiled import Model
from firstcause.reasoning.history import (
    CarFacts,
    Counted,
    Driven,
    Found,
    Happening,
    Moved,
    Region,
    Renewed,
    Repaired,
    Reseated,
    Returned,
)
from firstcause.reasoning.jobs import job_of, openings
from firstcause.tongue import _, small
from firstcause.vehicle.place import ENGINE, Place, bank, cylinder

StepKind = Literal["test", "swap", "watch", "repair", "verify", "refer"]
MOST_SUSPECT_CYLINDERS = 3


@dataclass(frozen=True)
class Aside:
    """Something that will not be done: `step` is a step's key, or the id of a test, repair or part to be swapped.

    `why` is the reason in one word, as the casebook has it. `blocks` names openings that cannot be had (a bolt that
    will not move): all that needs one of them goes with it. `tool` is a tool that the shop does not own.
    """

    step: str
    why: str = ""
    blocks: frozenset[str] = frozenset()
    tool: str = ""


@dataclass(frozen=True)
class Terms:
    """What things cost in this shop, what it cannot do, and what the owner has ruled out or limited.

    `tools` are those the shop owns, in the words of the knowledge base; None when nobody has said. `limit` is what the
    owner agreed to pay for the whole case; None when no limit was named.
    """

    labour_per_hour: float
    parts_class: Mapping[PartsClass, float]
    comeback: float
    refer_out: float
    verify_minutes: float
    set_aside: tuple[Aside, ...] = ()
    tools: frozenset[str] | None = None
    limit: float | None = None

    @classmethod
    def of(
        cls,
        knowledge: Knowledge,
        labour_per_hour: float | None = None,
        set_aside: Iterable[str | Aside] = (),
        tools: Iterable[str] | None = None,
        limit: float | None = None,
    ) -> Terms:
        """The knowledge base's own figures, with the shop's rate where it is given."""
        money = knowledge.model.money
        return cls(
            money.labour_per_hour if labour_per_hour is None else labour_per_hour,
            money.parts_class,
            money.comeback,
            money.refer_out,
            money.verify_minutes,
            tuple(aside if isinstance(aside, Aside) else Aside(aside) for aside in set_aside),
            None if tools is None else frozenset(tools),
            limit,
        )

    def labour(self, minutes: float) -> float:
        """Price of so many minutes."""
        return minutes * self.labour_per_hour / 60.0


Move = tuple[str, int, int]
"""A kind of part and the two cylinders between which it changes places."""


@dataclass(frozen=True)
class Step:
    """One thing to do. `key` is its stable name; `minutes` includes what must be opened for it now.

    A swap has its `moves`, one or two, all from the cylinder of `place`; `other` is the partner of a single one.
    """

    key: str
    kind: StepKind
    what: str
    name: str
    place: Place
    minutes: float
    price: float
    opens: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    tools: tuple[str, ...] = ()
    other: int | None = None
    watched: tuple[tuple[Region, float], ...] = ()
    moves: tuple[Move, ...] = ()

    @property
    def names(self) -> frozenset[str]:
        """Everything by which somebody may have set it aside."""
        swaps = {name for move in self.moves for name in (f"swap {move[0]}", _swap_key((move,)))}
        return frozenset({self.key, self.what} | swaps)


def _swap_key(moves: Iterable[Move]) -> str:
    return "swap " + " + ".join(f"{part} {first}-{second}" for part, first, second in moves)


def open_now(model: Model) -> frozenset[str]:
    """What stands open: opened by steps since the engine last ran; a reading shuts what its conditions say."""
    return open_after(model.knowledge, model.car, model.history)


def open_after(knowledge: Knowledge, car: CarFacts, history: Iterable[Happening]) -> frozenset[str]:
    """What stands open after these happenings."""
    standing: frozenset[str] = frozenset()
    for happening in history:
        standing = shut_by(knowledge, standing, happening) | opened_by(knowledge, car, happening).keys()
    return standing


def shut_by(knowledge: Knowledge, standing: frozenset[str], happening: Happening) -> frozenset[str]:
    """What is left open when this happens: a reading shuts what its conditions say, a drive everything."""
    if isinstance(happening, Counted):
        return left_open(knowledge, standing, happening.watched)
    return frozenset() if isinstance(happening, Driven) else standing


def left_open(knowledge: Knowledge, standing: frozenset[str], watched: Mapping[Region, float]) -> frozenset[str]:
    """What still stands open after a reading: its conditions say what they shut."""
    complaint = knowledge.model.complaint
    shut = {complaint.condition(region).shuts for region, much in watched.items() if much > 0}  # type: ignore[union-attr]
    if "everything" in shut:
        return frozenset()
    return frozenset(name for name in standing if " cylinder " not in name) if "cylinders" in shut else standing


def opened_by(knowledge: Knowledge, car: CarFacts, happening: Happening) -> dict[str, float]:
    """What had to be open for this to happen, with the minutes each takes."""
    match happening:
        case Found(test=test, place=place):
            return openings(knowledge, knowledge.tests[test].access, place, car)
        case Repaired(repair=repair, place=place):
            return openings(knowledge, knowledge.repairs[repair].access, place, car)
        case Moved(part=part, first=first, second=second):
            at = [openings(knowledge, knowledge.parts[part].access, cylinder(n), car) for n in (first, second)]
            return at[0] | at[1]
        case Renewed(part=part, cylinder=number) | Reseated(part=part, cylinder=number):
            return openings(knowledge, knowledge.parts[part].access, cylinder(number), car)
        case _:
            return {}


def suspects_first(model: Model, belief: Mapping[str, float]) -> list[int]:
    """The cylinders in question, the most suspect first; all cylinders if none is in question yet."""
    weight = dict.fromkeys(sorted(model.sites or model.car.layout.cylinders), 0.0)
    for cause in model.live:
        for number in model.facts[cause].home & weight.keys():
            if model.entry(cause).scope in ("part", "place"):
                weight[number] += belief[cause]
    return sorted(weight, key=lambda number: (-weight[number], number))


def most_suspect(model: Model, belief: Mapping[str, float]) -> list[int]:
    """The cylinders at which tests are proposed."""
    return suspects_first(model, belief)[:MOST_SUSPECT_CYLINDERS]


def test_steps(model: Model, terms: Terms, belief: Mapping[str, float], standing: frozenset[str]) -> list[Step]:
    """Every test that shows a live cause, at the places in question, unless it was done there since things changed."""
    return tests_at(model, terms, standing, most_suspect(model, belief))


def tests_at(model: Model, terms: Terms, standing: frozenset[str], cylinders: Iterable[int]) -> list[Step]:
    """The same at these cylinders, their banks and the engine."""
    cylinders = list(dict.fromkeys(cylinders))
    live = set(model.live)
    done = _already_done(model)
    steps = []
    for test in _tests_of(model.knowledge, model.car):
        for place in _places_of(test, model, cylinders):
            if (test.id, place) in done:
                continue
            if any(cause in live for cause, _ in model.causes_of_test(test, place)):
                steps.append(test_step(model, terms, test, place, standing))
    return steps


def _tests_of(knowledge: Knowledge, car: CarFacts) -> tuple[TestEntry, ...]:
    """The tests that can be done on an engine."""
    key = ("tests", car.engine)
    if key not in knowledge.worked_out:
        knowledge.worked_out[key] = tuple(t for t in knowledge.tests.values() if fits(t.fitted, car.layout))
    found: tuple[TestEntry, ...] = knowledge.worked_out[key]
    return found


def _repairs_of(knowledge: Knowledge, car: CarFacts) -> tuple[RepairEntry, ...]:
    """The repairs that can be done on an engine."""
    key = ("repairs", car.engine)
    if key not in knowledge.worked_out:
        knowledge.worked_out[key] = tuple(r for r in knowledge.repairs.values() if fits(r.fitted, car.layout))
    found: tuple[RepairEntry, ...] = knowledge.worked_out[key]
    return found


def test_step(model: Model, terms: Terms, test: TestEntry, place: Place, standing: frozenset[str]) -> Step:
    """One test at one place."""
    job = job_of(model.knowledge, test, place, model.car)
    minutes = job.minutes_with(standing)
    return Step(
        f"{test.id} at {place}", "test", test.id, test.name, place, minutes, terms.labour(minutes), job.opens,
        tuple(test.cautions), tuple(test.tools),
    )  # fmt: skip


def _places_of(test: TestEntry, model: Model, cylinders: Iterable[int]) -> Iterable[Place]:
    if test.on in ("cylinder", "part"):
        for number in cylinders:
            if test.on == "cylinder" or test.part in model.fitment.kinds:
                yield cylinder(number)
    elif test.on == "bank":
        yield from (bank(number) for number in sorted({model.car.layout.bank_of(n) for n in cylinders}))
    else:
        yield ENGINE


def _already_done(model: Model) -> set[tuple[str, Place]]:
    """The tests that were done at a place since the last change of parts or repair that concerns them."""
    done: set[tuple[str, Place]] = set()
    for happening in model.history:
        if isinstance(happening, Found):
            done.add((happening.test, happening.place))
        elif isinstance(happening, Driven):
            done.clear()
        elif isinstance(happening, Moved | Renewed | Repaired):
            tests = model.knowledge.tests
            done = {(test, place) for test, place in done if not _concerns(happening, tests[test], place)}
    return done


def _concerns(happening: Moved | Renewed | Repaired, test: TestEntry, place: Place) -> bool:
    if isinstance(happening, Repaired):
        return True
    return test.on == "part" and test.part == happening.part and bool(_numbers(happening) & set(place.numbers))


def _numbers(happening: Moved | Renewed) -> set[int]:
    return {happening.first, happening.second} if isinstance(happening, Moved) else {happening.cylinder}


def swap_steps(model: Model, terms: Terms, standing: frozenset[str]) -> list[Step]:
    """For each kind of part at the worst unit: a swap with a quiet, unrelated, easily reached one."""
    unit = _worst_now(model)
    if unit is None:
        return []
    suspect = min(model.units[unit])
    steps = []
    for kind in model.fitment.kinds.values():
        if not kind.swappable or not _has_live_part(model, kind.id, suspect) or _has_moved(model, kind.id, suspect):
            continue
        partner = _partner(model, kind.id, suspect)
        if partner is not None:
            steps.append(swap_step(model, terms, ((kind.id, suspect, partner),), standing))
    return steps


def double_swap(model: Model, terms: Terms, first: Step, second: Step, standing: frozenset[str]) -> Step | None:
    """Two swaps in one drive, the second part to another cylinder than the first; None where there is no such one."""
    ((part, suspect, partner),), ((other_part, *__),) = first.moves, second.moves
    elsewhere = _partner(model, other_part, suspect, model.fitment.position(part, partner)[1])
    if elsewhere is None:
        return None
    return swap_step(model, terms, ((part, suspect, partner), (other_part, suspect, elsewhere)), standing)


def swap_step(model: Model, terms: Terms, moves: tuple[Move, ...], standing: frozenset[str]) -> Step:
    """Parts of one cylinder change places with those of others, then the counters are read."""
    watch = _reading_again(model)
    watched = _what_is_watched(watch, terms)
    needed: dict[str, float] = {}
    kinds = [model.knowledge.parts[part] for part, _, _ in moves]
    for kind, (__, first, second) in zip(kinds, moves, strict=True):
        needed |= openings(model.knowledge, kind.access, cylinder(first), model.car)
        needed |= openings(model.knowledge, kind.access, cylinder(second), model.car)
    fresh = sum(minutes for name, minutes in needed.items() if name not in standing)
    minutes = sum(k.swap_minutes for k in kinds) + fresh + _minutes_of(watched, model.knowledge.model.complaint)
    suspect = moves[0][1]
    named = _(" and ").join(
        _(
            "{part} of {place} with {other}",
            part=small(kind.name),
            place=model.unit_place(unit_at(model, first)).said(),
            other=unit_at(model, second),
        )
        if at == 0
        else _("{part} with {other}", part=small(kind.name), other=unit_at(model, second))
        for at, (kind, (__, first, second)) in enumerate(zip(kinds, moves, strict=True))
    )
    cautions = [*(caution for kind in kinds for caution in kind.cautions), *watch.cautions]
    return Step(
        _swap_key(moves), "swap", "+".join(part for part, _, _ in moves), _("Swap: {named}", named=named),
        cylinder(suspect), minutes,
        terms.labour(minutes), tuple(sorted(needed)), tuple(dict.fromkeys(cautions)),
        (), moves[0][2] if len(moves) == 1 else None, watched, moves,
    )  # fmt: skip


def unit_at(model: Model, number: int) -> int:
    """The unit of the complaint to which a cylinder belongs."""
    return next(unit for unit, cylinders in model.units.items() if number in cylinders)


def _worst_now(model: Model) -> int | None:
    """The unit with most of the complaint in the last reading; None when it was clean: nothing to move then."""
    readings = [happening for happening in model.history if isinstance(happening, Counted)]
    if not readings:
        return min(model.complaint, default=None)
    last = readings[-1].bad
    worst = max(last, key=lambda number: (last[number], -number), default=None)
    return worst if worst is not None and last[worst] > 0 else None


def _has_live_part(model: Model, kind: str, number: int) -> bool:
    serial = model.fitment.at(kind, number)
    return any(model.facts[cause].holder == serial for cause in model.live)


def _has_moved(model: Model, kind: str, number: int) -> bool:
    return any(
        isinstance(happening, Moved | Renewed) and happening.part == kind and number in _numbers(happening)
        for happening in model.history
    )


def _partner(model: Model, kind: str, suspect: int, taken: Container[int] = ()) -> int | None:
    """A cylinder that is not in question nor taken, shares nothing with the suspect, and is easiest to reach."""
    related = model.car.layout.related(suspect)
    others = [n for n in map(min, model.units.values()) if n not in model.sites and n != suspect and n not in taken]
    others = [n for n in others if model.fitment.position(kind, n) != model.fitment.position(kind, suspect)]
    if not others:
        return None
    return min(others, key=lambda n: (n in related, model.car.is_buried(cylinder(n)), abs(n - suspect), n))


def best_watch(model: Model, terms: Terms) -> tuple[tuple[Region, float], ...]:
    """What to watch, and how long: the pack's reading for where the complaint was seen most."""
    return _what_is_watched(_reading_again(model), terms)


def _reading_again(model: Model) -> Watch:
    """The pack's reading for where the complaint was seen most."""
    watches = model.knowledge.model.complaint.watches
    seen: dict[Region, float] = {}
    for happening in model.history:
        if isinstance(happening, Counted) and any(happening.bad.values()):
            for region, watched in happening.watched.items():
                seen[region] = seen.get(region, 0.0) + watched
    regions = getattr(next((h for h in model.history if getattr(h, "region", None)), None), "region", None)
    if regions is not None:
        seen[regions] = seen.get(regions, 0.0) + 1.0
    most = max(seen, key=lambda region: seen[region], default=None)
    return next((watch for watch in watches if most in watch.again_for), watches[0])


def watch_steps(model: Model, terms: Terms) -> list[Step]:
    """Take a reading again: each that the pack offers, where it may still show something new."""
    offered = [watch.id for watch in model.knowledge.model.complaint.watches if watch.offered]
    steps = [readings_to_take(model.knowledge, terms)[name] for name in offered]
    return [step for step in steps if not _was_watched(model, frozenset(region for region, _ in step.watched))]


def readings_to_take(knowledge: Knowledge, terms: Terms) -> dict[str, Step]:
    """Every reading that the pack knows, by its id."""
    complaint = knowledge.model.complaint
    found = {}
    for watch in complaint.watches:
        key, watched = f"watch {watch.id}", _what_is_watched(watch, terms)
        minutes = _minutes_of(watched, complaint)
        found[watch.id] = Step(
            key, "watch", key, watch.name, ENGINE, minutes, terms.labour(minutes), cautions=tuple(watch.cautions),
            watched=watched,
        )  # fmt: skip
    return found


def _what_is_watched(watch: Watch, terms: Terms) -> tuple[tuple[Region, float], ...]:
    shared = {region: share * terms.verify_minutes for region, share in watch.share_of_proof.items()}
    return tuple({**watch.over, **shared}.items())


def _minutes_of(watched: Iterable[tuple[Region, float]], complaint: Complaint) -> float:
    """The minutes a reading takes: what is watched, each one in the measure of the complaint."""
    return sum(much for _, much in watched) * complaint.minutes_each


def _was_watched(model: Model, regions: frozenset[Region]) -> bool:
    """Whether such a reading was taken since the last change and showed the complaint: another shows nothing new."""
    watched = False
    for happening in model.history:
        if isinstance(happening, Driven | Moved | Renewed | Repaired | Reseated):
            watched = False
        elif isinstance(happening, Counted) and any(happening.bad.get(n, 0) for n in model.complaint):
            watched = watched or any(happening.watched.get(region, 0.0) > 0.0 for region in regions)
    return watched


def repair_steps(model: Model, terms: Terms, standing: frozenset[str]) -> list[Step]:
    """Every repair that would act on a live cause, at the place where that cause is now.

    Work on a place that was done in this stay is not offered there again: why it did not help the first time has not
    changed. A part may be renewed again, for the new one may be bad.
    """
    done = _worked_on(model)
    of_part: dict[str, set[Place]] = {}
    of_fault: dict[str, set[Place]] = {}
    for cause in model.live:
        entry, place = model.entry(cause), model.place_now(cause)
        of_fault.setdefault(entry.id, set()).add(place)
        if entry.part is not None:
            of_part.setdefault(entry.part, set()).add(place)
    found: dict[str, Step] = {}
    for repair in _repairs_of(model.knowledge, model.car):
        places = {
            _as_kind(place, repair.on, model.car) for cure in repair.cures for place in of_fault.get(cure.fault, ())
        }
        places |= {_as_kind(place, "cylinder", model.car) for place in of_part.get(repair.renews or "", ())}
        for place in sorted(places):
            if (repair.id, place) not in done:
                step = repair_step(model, terms, repair, place, standing)
                found[step.key] = step
    return list(found.values())


def _worked_on(model: Model) -> frozenset[tuple[str, Place]]:
    """Repairs of places that were done since the car came, or came back."""
    done: set[tuple[str, Place]] = set()
    for happening in model.history:
        if isinstance(happening, Returned):
            done.clear()
        elif isinstance(happening, Repaired):
            done.add((happening.repair, happening.place))
    return frozenset(done)


def repair_step(model: Model, terms: Terms, repair: RepairEntry, place: Place, standing: frozenset[str]) -> Step:
    """One repair at one place."""
    job = job_of(model.knowledge, repair, place, model.car)
    minutes = job.minutes_with(standing)
    return Step(
        f"{repair.id} at {place}", "repair", repair.id, repair.name, place, minutes,
        terms.labour(minutes) + terms.parts_class[repair.parts_class], job.opens, tuple(repair.cautions),
    )  # fmt: skip


def price_with(model: Model, terms: Terms, step: Step, standing: frozenset[str]) -> float:
    """What a test or repair costs with so much standing open."""
    if step.kind == "test":
        job = job_of(model.knowledge, model.knowledge.tests[step.what], step.place, model.car)
        return terms.labour(job.minutes_with(standing))
    repair = model.knowledge.repairs[step.what]
    job = job_of(model.knowledge, repair, step.place, model.car)
    return terms.labour(job.minutes_with(standing)) + terms.parts_class[repair.parts_class]


def work_price(model: Model, terms: Terms, step: Step) -> float:
    """What a test or repair costs with everything open that it needs."""
    return price_with(model, terms, step, frozenset(step.opens))


def _as_kind(place: Place, kind: str, car: CarFacts) -> Place:
    """The place of the wanted kind that holds this one (an engine-wide repair is done on the engine)."""
    if kind == place.kind:
        return place
    if kind == "bank" and place.numbers:
        return bank(car.layout.bank_of(place.numbers[0]))
    if kind == "cylinder" and place.kind == "joint":
        return cylinder(place.numbers[0])
    return ENGINE if kind == "engine" else place
