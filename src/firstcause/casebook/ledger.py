"""The parts ledger: which part sits where, what must go back, what was replaced and where the old part is."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

from firstcause.casebook.case import Case
from firstcause.casebook.events import Event, Moved, Renewed, Repaired, Reseated
from firstcause.casebook.refusals import NotOnThisEngine, UnknownId, near
from firstcause.errors import RequestError
from firstcause.knowledge.base import Knowledge
from firstcause.reasoning.fitment import Fitment
from firstcause.tongue import _
from firstcause.vehicle.place import Place


@dataclass(frozen=True)
class Sitting:
    """One part in its position: serial (`coil-3`: came in cylinder 3; `coil-new-1`: fitted here), cylinders it serves.

    `home` is where it came in, or, for a new part, where it was fitted. `mark` says how it was marked when moved.
    """

    kind: str
    serial: str
    at: tuple[int, ...]
    home: tuple[int, ...]
    is_new: bool
    mark: str = ""


@dataclass(frozen=True)
class PutBack:
    """A part that came with the car and must go back: from the cylinders it serves now to those it came from."""

    serial: str
    kind: str
    now: tuple[int, ...]
    home: tuple[int, ...]
    mark: str = ""


@dataclass(frozen=True)
class Replaced:
    """A part that was replaced: by which event, where, by what, and where the old one went."""

    event: str
    kind: str
    old: str
    new: str
    at: tuple[int, ...]
    fitted: str
    old_part: str


@dataclass(frozen=True)
class Ledger:
    """Where every part is. `put_back` is empty when every part that came with the car and is still in it is at home."""

    sitting: tuple[Sitting, ...]
    put_back: tuple[PutBack, ...]
    replaced: tuple[Replaced, ...]
    fitment: Fitment

    def to_dict(self) -> dict[str, Any]:
        """Stable keys for programs: sitting, put_back, replaced."""
        return {
            "sitting": [asdict(part) for part in self.sitting],
            "put_back": [asdict(part) for part in self.put_back],
            "replaced": [asdict(part) for part in self.replaced],
        }


def ledger_of(case: Case, knowledge: Knowledge) -> Ledger:
    """The ledger after everything that counts in a case.

    Raises UnknownId for a part or repair that the knowledge base does not know, NotOnThisEngine for a part that this
    engine does not have there, or a swap between two cylinders that share the part.
    """
    fitment = Fitment.as_brought_in(case.layout, knowledge.parts)
    marks: dict[str, str] = {}
    replaced: list[Replaced] = []
    for event in case.effective:
        body = event.body
        if isinstance(body, Moved):
            serial = _at(event, fitment, knowledge, body.part, body.first)
            marks = {**marks, serial: body.mark} if body.mark else marks
            fitment = _moved(event, fitment, body)
        elif isinstance(body, Reseated):
            _at(event, fitment, knowledge, body.part, body.cylinder)
        elif isinstance(body, Renewed):
            fitment, line = _renewed(event, fitment, knowledge, body)
            replaced.append(line)
        elif isinstance(body, Repaired):
            part = part_renewed_by(event, body, knowledge)
            if part is not None:
                renewal = Renewed(part=part, cylinder=Place.parse(body.place).numbers[0], old_part="not said")
                fitment, line = _renewed(event, fitment, knowledge, renewal)
                replaced.append(line)
    sitting = tuple(
        Sitting(kind, serial, at, fitment.home[serial][1], fitment.is_new(serial), marks.get(serial, ""))
        for (kind, at), serial in sorted(fitment.sits.items())
    )
    away = {(serial, now[1], home[1]) for serial, now, home in fitment.away_from_home()}
    put_back = tuple(
        PutBack(part.serial, part.kind, part.at, part.home, part.mark)
        for part in sitting
        if (part.serial, part.at, part.home) in away
    )
    return Ledger(sitting, put_back, tuple(replaced), fitment)


def part_renewed_by(event: Event, body: Repaired, knowledge: Knowledge) -> str | None:
    """The kind of part that a repair renews, if it does; raises UnknownId for an unknown repair."""
    repair = knowledge.repairs.get(body.repair)
    if repair is None:
        why = _("there is no repair {repair!r}{near}", repair=body.repair, near=near(body.repair, knowledge.repairs))
        raise UnknownId(event.id, "repaired", why, "Correct the event, or record it as a note.")
    if repair.renews is not None and Place.parse(body.place).kind != "cylinder":
        why = _(
            "{repair!r} renews the {renews} of a cylinder, not of {place!r}",
            repair=body.repair,
            renews=repair.renews,
            place=body.place,
        )
        raise NotOnThisEngine(event.id, "repaired", why, "Name the cylinder.")
    return repair.renews


def _at(event: Event, fitment: Fitment, knowledge: Knowledge, part: str, cylinder: int) -> str:
    if part not in knowledge.parts:
        why = _("there is no kind of part {part!r}{near}", part=part, near=near(part, knowledge.parts))
        raise UnknownId(event.id, event.body.kind, why, "Correct the event, or record it as a note.")
    try:
        return fitment.at(part, cylinder)
    except RequestError as error:
        why = _("this engine has no {part} at cylinder {cylinder}", part=part, cylinder=cylinder)
        raise NotOnThisEngine(event.id, event.body.kind, why, "Correct the part, or the engine in e1.") from error


def _moved(event: Event, fitment: Fitment, body: Moved) -> Fitment:
    try:
        return fitment.moved(body.part, body.first, body.second)
    except RequestError as error:
        why = _("cylinders {first} and {second} share one {part}", first=body.first, second=body.second, part=body.part)
        raise NotOnThisEngine(event.id, "moved", why, "Choose a cylinder with another one.") from error


def _renewed(event: Event, fitment: Fitment, knowledge: Knowledge, body: Renewed) -> tuple[Fitment, Replaced]:
    old = _at(event, fitment, knowledge, body.part, body.cylinder)
    try:
        after = fitment.renewed(body.part, body.cylinder, body.origin)
    except RequestError as error:
        why = _(
            "no {part} has come out of cylinder {cylinder}, so none can go back in",
            part=body.part,
            cylinder=body.cylinder,
        )
        raise NotOnThisEngine(event.id, "renewed", why, "Say where the part that was fitted comes from.") from error
    new = after.at(body.part, body.cylinder)
    at = after.position(body.part, body.cylinder)[1]
    return after, Replaced(event.id, body.part, old, new, at, body.fitted, body.old_part)
