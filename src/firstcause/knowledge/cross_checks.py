"""How the entries of a pack must agree with each other: references, circles, scopes, grounds, nothing idle."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from difflib import get_close_matches
from itertools import chain
from typing import Any

from pydantic import BaseModel

from firstcause.knowledge.ground import Entry, Grounded
from firstcause.knowledge.pack import Filed, Pack, Problem
from firstcause.knowledge.schema import FaultEntry, TestEntry

# Outcome ids that the judgement of a pattern gives; all others name theirs under `bands`.
PATTERN_OUTCOMES = frozenset({"normal", "negative", "lean-at-idle-falling", "lean-rising-with-load", "lean-everywhere"})
# What a repair done on one of these can reach.
REACH: Mapping[str, frozenset[str]] = {
    "cylinder": frozenset({"part", "place"}),
    "joint": frozenset({"place", "joint"}),
    "bank": frozenset({"part", "place", "joint", "bank"}),
    "engine": frozenset({"part", "place", "joint", "bank", "shared"}),
}


def references(pack: Pack) -> Iterator[Problem]:
    """Every id that one entry uses of another must exist, and not be withdrawn."""
    for filed, where, kind, name in _uses(pack):
        known: Mapping[str, Filed[BaseModel]] = getattr(pack, kind)
        if name in pack.unreadable.get(kind, ()):
            continue
        if name not in known:
            near = "".join(f"; {close!r} is" for close in get_close_matches(name, known, n=1, cutoff=0.7))
            yield filed.problem(where, f"there is no {_one(kind)} {name!r}{near}")
        elif getattr(known[name].entry, "status", "") == "withdrawn" and _active(filed.entry):
            yield filed.problem(where, f"the {_one(kind)} {name!r} is withdrawn")


def _uses(pack: Pack) -> Iterator[tuple[Filed[Any], str, str, str]]:
    """(entry, place, kind of the thing used, its id)."""
    for fault in pack.faults.values():
        entry = fault.entry
        if entry.part is not None:
            yield fault, "part", "parts", entry.part
        for n, story in enumerate(entry.story, start=1):
            yield fault, f"story[{n}].answer", "questions", story.answer
        for n, shows in enumerate(entry.shows, start=1):
            yield fault, f"shows[{n}].test", "tests", shows.test
        for n, link in enumerate(entry.caused_by, start=1):
            yield fault, f"caused_by[{n}].fault", "faults", link.fault
        if entry.returns is not None and entry.returns.dose_test is not None:
            yield fault, "returns.dose_test", "tests", entry.returns.dose_test
        for name in entry.ruins:
            yield fault, "ruins", "faults", name
        for name in entry.reseat.parts if entry.reseat else ():
            yield fault, "reseat.parts", "parts", name
    for test in pack.tests.values():
        if test.entry.part is not None:
            yield test, "part", "parts", test.entry.part
        for name in test.entry.spoils:
            yield test, "spoils", "tests", name
    for repair in pack.repairs.values():
        if repair.entry.renews is not None:
            yield repair, "renews", "parts", repair.entry.renews
        for n, cure in enumerate(repair.entry.cures, start=1):
            yield repair, f"cures[{n}].fault", "faults", cure.fault
    for part in pack.parts.values():
        yield part, "new_part.fault", "faults", part.entry.new_part.fault
    for access in pack.access.values():
        for name in access.entry.needs:
            yield access, "needs", "access", name
    for rule in pack.triage.values():
        for name in rule.entry.answers:
            yield rule, "answers", "questions", name
    if pack.model is not None:
        for n, watch in enumerate(pack.model.entry.complaint.watches, start=1):
            for name in watch.cautions:
                yield pack.model, f"complaint.watches[{n}].cautions", "cautions", name
    everything = chain(
        pack.faults.values(), pack.tests.values(), pack.repairs.values(), pack.parts.values(), pack.triage.values()
    )
    for filed in everything:
        for key in ("access", "cautions"):
            for name in getattr(filed.entry, key, ()):
                yield filed, key, key, name


def outcomes_known(pack: Pack) -> Iterator[Problem]:
    """A fault shows outcomes that the test has, and something beyond its least striking one."""
    for filed, where, test, outcomes in _showings(pack):
        ids = [outcome.id for outcome in test.outcomes]
        for strange in sorted(set(outcomes) - set(ids)):
            yield filed.problem(where, f"the test {test.id!r} has no outcome {strange!r}; it has {', '.join(ids)}")
        if not any(chance > 0 for outcome, chance in outcomes.items() if outcome != ids[0]):
            yield filed.problem(where, f"it shows nothing but {ids[0]!r}, which one sees anyway; leave the block out")


def _showings(pack: Pack) -> Iterator[tuple[Filed[FaultEntry], str, TestEntry, Mapping[str, float]]]:
    for filed in pack.faults.values():
        for n, shows in enumerate(filed.entry.shows, start=1):
            test = pack.tests.get(shows.test)
            if test is not None:
                yield filed, f"shows[{n}]", test.entry, shows.outcomes


def judged_outcomes(pack: Pack) -> Iterator[Problem]:
    """A pattern has the outcomes that its judgement can give; what a reading asks for in other states has a border."""
    for filed in pack.tests.values():
        measures = filed.entry.measures
        if measures is None:
            continue
        if measures.judged_by == "trims" and {outcome.id for outcome in filed.entry.outcomes} != PATTERN_OUTCOMES:
            wanted = ", ".join(sorted(PATTERN_OUTCOMES))
            yield filed.problem("outcomes", f"a test judged by 'trims' has exactly the outcomes {wanted}")
        states = {each.value for each in measures.circumstances if each.name == "at"}
        for key in measures.asks if measures.judged_by == "reading" else ():
            if key not in states:
                yield filed.problem("measures.asks", f"no circumstance 'at' says what a reading means at {key!r}")


def circles(pack: Pack) -> Iterator[Problem]:
    """No access needs itself in the end, and no fault causes itself."""
    needs = {name: list(filed.entry.needs) for name, filed in pack.access.items()}
    for circle in _circles(needs):
        yield pack.access[circle[0]].problem("needs", f"the access goes round in a circle: {' needs '.join(circle)}")
    causes = {name: [link.fault for link in filed.entry.caused_by] for name, filed in pack.faults.items()}
    for circle in _circles(causes):
        yield pack.faults[circle[0]].problem("caused_by", f"the causes go round in a circle: {' from '.join(circle)}")


def _circles(arrows: Mapping[str, Iterable[str]]) -> Iterator[tuple[str, ...]]:
    """Each circle once, written from its alphabetically first member back to it."""
    found: set[tuple[str, ...]] = set()
    done: set[str] = set()

    def walk(name: str, path: tuple[str, ...]) -> None:
        if name in path:
            members = path[path.index(name) :]
            first = members.index(min(members))
            found.add((*members[first:], *members[:first], members[first]))
        elif name not in done:
            for following in arrows.get(name, ()):
                walk(following, (*path, name))
            done.add(name)

    for name in arrows:
        walk(name, ())
    yield from sorted(found)


def scopes(pack: Pack) -> Iterator[Problem]:
    """A repair reaches the faults it cures, and a new part can only be bad in its own way."""
    for filed in pack.repairs.values():
        for n, cure in enumerate(filed.entry.cures, start=1):
            fault = pack.faults.get(cure.fault)
            if fault is not None and fault.entry.scope not in REACH[filed.entry.on]:
                scope = f"{cure.fault!r}, whose scope is {fault.entry.scope!r}"
                yield filed.problem(f"cures[{n}].fault", f"a repair on the {filed.entry.on} does not reach {scope}")
    for part in pack.parts.values():
        fault = pack.faults.get(part.entry.new_part.fault)
        if fault is not None and fault.entry.part != part.entry.id:
            yield part.problem("new_part.fault", f"{fault.entry.id!r} is not a fault of the part {part.entry.id!r}")


def fitted_together(pack: Pack) -> Iterator[Problem]:
    """What refers to each other must be able to sit in one engine."""
    for filed, where, kind, name in _uses(pack):
        other = getattr(pack, kind).get(name)
        mine, theirs = getattr(filed.entry, "fitted", None), getattr(other.entry if other else None, "fitted", None)
        if mine is None or theirs is None or where == "ruins":
            continue
        key = mine.never_meets(theirs)
        if key is not None:
            yield filed.problem(where, f"{filed.entry.id!r} and {name!r} are never in one engine: their {key} differs")
    for fault in pack.faults.values():
        entry = fault.entry
        blocks = [(f"shows[{n}].fitted", shows.fitted) for n, shows in enumerate(entry.shows, start=1)]
        blocks += [(f"behaviour_where[{n}].fitted", b.fitted) for n, b in enumerate(entry.behaviour_where, start=1)]
        for where, block in blocks:
            if block.never_meets(entry.fitted):
                yield fault.problem(where, f"no engine that can have {entry.id!r} is fitted so; leave the block out")


def nothing_idle(pack: Pack) -> Iterator[Problem]:
    """Every fault can make the complaint and be repaired, every test shows something, no unlisted fault shows anything.

    What cannot be known while a fault or repair is unreadable is not claimed.
    """
    all_faults, all_repairs = not pack.unreadable.get("faults"), not pack.unreadable.get("repairs")
    faults = {name: filed for name, filed in pack.faults.items() if _active(filed.entry)}
    cured = {cure.fault for filed in pack.repairs.values() if _active(filed.entry) for cure in filed.entry.cures}
    renewed = {filed.entry.renews for filed in pack.repairs.values() if _active(filed.entry)}
    shown = {shows.test for filed in faults.values() for shows in filed.entry.shows}
    reaching = _can_show(faults)
    for name, filed in faults.items():
        listed = filed.entry.kind != "unlisted"
        mended = name in cured or (filed.entry.part is not None and filed.entry.part in renewed)
        if listed and not mended and all_repairs:
            yield filed.problem("id", f"no repair acts on {name!r}")
        if not listed and filed.entry.shows:
            yield filed.problem("shows", "an unlisted cause shows nothing in particular; leave the blocks out")
        if name not in reaching and all_faults:
            yield filed.problem("behaviour", f"{name!r} never makes the complaint, by itself or through a victim")
    for name, test in pack.tests.items():
        if _active(test.entry) and name not in shown and all_faults:
            yield test.problem("id", f"no fault shows anything on {name!r}, so doing it would tell nothing")


def _can_show(faults: Mapping[str, Filed[FaultEntry]]) -> set[str]:
    able = {name for name, filed in faults.items() if filed.entry.behaviour is not None or filed.entry.behaviour_where}
    waiting = list(able)
    while waiting:
        victim = waiting.pop()
        causes = [link.fault for link in faults[victim].entry.caused_by] if victim in faults else []
        waiting += [cause for cause in causes if cause not in able]
        able.update(causes)
    return able


def behaviours(pack: Pack) -> Iterator[Problem]:
    """A fault acts under every condition of its pack, in strengths that the pack has."""
    if pack.model is None:
        return
    conditions = [each.id for each in pack.model.entry.complaint.conditions]
    strengths = pack.model.entry.strengths[1:]
    for filed in pack.faults.values():
        own = [] if filed.entry.behaviour is None else [("behaviour", filed.entry.behaviour)]
        own += [(f"behaviour_where[{n}]", each) for n, each in enumerate(filed.entry.behaviour_where, start=1)]
        for where, behaviour in own:
            if missing := [name for name in conditions if name not in behaviour.acts]:
                yield filed.problem(f"{where}.acts", f"says nothing about {', '.join(missing)}")
            if strange := sorted(set(behaviour.acts) - set(conditions)):
                yield filed.problem(f"{where}.acts", f"this pack has no condition {', '.join(strange)}")
            if strange := sorted(set(behaviour.strength) - set(strengths)):
                known = ", ".join(strengths)
                yield filed.problem(f"{where}.strength", f"this pack has no strength {', '.join(strange)}, but {known}")


def codes_shown(pack: Pack) -> Iterator[Problem]:
    """A code that shows a test's outcome names one that the pack has, on the unit of the complaint or on the engine."""
    if pack.model is None:
        return
    unit = pack.model.entry.complaint.unit
    for n, meaning in enumerate(pack.model.entry.complaint.codes.meaning, start=1):
        if meaning.test is None or meaning.test in pack.unreadable.get("tests", ()):
            continue
        test, where = pack.tests.get(meaning.test), f"complaint.codes.meaning[{n}]"
        if test is None:
            yield pack.model.problem(where, f"there is no test {meaning.test!r}")
        elif meaning.outcome not in {outcome.id for outcome in test.entry.outcomes}:
            yield pack.model.problem(where, f"the test {meaning.test!r} has no outcome {meaning.outcome!r}")
        elif test.entry.on != (unit if meaning.units else "engine"):
            yield pack.model.problem(where, f"the test {meaning.test!r} is done on the {test.entry.on}")


def grounds(pack: Pack) -> Iterator[Problem]:
    """A source that is named is listed, and a judgement says why."""
    for filed in chain(pack.faults.values(), pack.tests.values(), pack.repairs.values()):
        entry: Entry = filed.entry
        listed = {source.id for source in entry.sources}
        for where, grounded in grounded_in(entry):
            if grounded.source and grounded.source not in listed:
                yield filed.problem(where, f"the source {grounded.source!r} is not listed under [[sources]]")
            if grounded.basis == "judgement" and not grounded.why:
                yield filed.problem(where, "a judgement says why")


def grounded_in(value: BaseModel, where: str = "") -> Iterator[tuple[str, Grounded]]:
    """Every table of numbers in an entry, with its place; those inside another one too."""
    if isinstance(value, Grounded):
        yield where, value
    for name in type(value).model_fields:
        inner, place = getattr(value, name), f"{where}.{name}".removeprefix(".")
        if isinstance(inner, BaseModel):
            yield from grounded_in(inner, place)
        elif isinstance(inner, list):
            for n, item in enumerate(inner, start=1):
                if isinstance(item, BaseModel):
                    yield from grounded_in(item, f"{place}[{n}]")
        elif isinstance(inner, Mapping):
            for key, item in inner.items():
                if isinstance(item, BaseModel):
                    yield from grounded_in(item, f"{place}.{key}")


def _active(entry: BaseModel) -> bool:
    return getattr(entry, "status", "") != "withdrawn"


def _one(kind: str) -> str:
    return kind if kind == "access" else kind.removesuffix("s")


CROSS_CHECKS: tuple[Callable[[Pack], Iterator[Problem]], ...] = (
    references,
    outcomes_known,
    judged_outcomes,
    circles,
    scopes,
    fitted_together,
    behaviours,
    codes_shown,
    nothing_idle,
    grounds,
)
