"""The case as it stands: a fold over its events, with withdrawals and corrections applied."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Literal, TypeVar

from firstcause.casebook.checks import check_on_engine
from firstcause.casebook.events import (
    Agreed,
    Attached,
    Body,
    Car,
    Closed,
    Corrected,
    Drove,
    EngineDescription,
    Erased,
    Event,
    FreezeFrame,
    Lamp,
    Opened,
    Reopened,
    SetAside,
    Snapshot,
    Strict,
    Told,
    UsualWeek,
    Withdrawn,
)
from firstcause.casebook.fold import Fold, number_of
from firstcause.casebook.refusals import BrokenOrder, EngineCannotBe
from firstcause.errors import RequestError
from firstcause.reasoning.history import CarFacts
from firstcause.signals.codes import TroubleCode
from firstcause.vehicle.layout import EngineLayout, ImpossibleLayout, common_layout

B = TypeVar("B", bound=Strict)


@dataclass(frozen=True)
class Story:
    """What the owner told: a later answer replaces an earlier one, a fuel smell once told stays told."""

    words: tuple[str, ...] = ()
    lamp: Lamp | None = None
    fuel_smell: bool = False
    answers: Mapping[str, Literal["yes", "no", "unsure"]] = field(default_factory=dict)
    usual_week: UsualWeek | None = None


@dataclass(frozen=True)
class Codes:
    """The trouble codes of one snapshot, in capitals."""

    stored: tuple[str, ...] = ()
    pending: tuple[str, ...] = ()
    permanent: tuple[str, ...] = ()


@dataclass(frozen=True)
class Note:
    """Something the tool assumed or left out when reading an event."""

    event: str
    text: str


@dataclass(frozen=True)
class Case:
    """Everything a case says, folded from its events.

    `events` is the whole story in order. `effective` is what counts: without withdrawn events, with corrected
    ones under their own id and time but read as the correction says, and without the withdrawals and corrections
    themselves. `withdrawn` names for each event that does not count the withdrawal in force, `corrected` for each event
    that is read otherwise the correction in force.
    """

    events: tuple[Event, ...]
    effective: tuple[Event, ...]
    withdrawn: Mapping[str, str]
    corrected: Mapping[str, str]
    opened: Opened
    layout: EngineLayout
    story: Story
    codes: Codes | None
    freeze_frame: FreezeFrame | None
    evidence_saved: bool
    snapshot_before_erase: str | None
    agreed_limits: Mapping[str, float]
    closing: Closed | None
    notes: tuple[Note, ...]

    @property
    def car(self) -> Car:
        """The car, as last corrected."""
        return self.opened.car

    @property
    def facts(self) -> CarFacts:
        """The car in the form in which the reasoning wants it."""
        return CarFacts(self.layout, self.car.distance_km, frozenset(self.car.engine.buried_banks))

    @property
    def title(self) -> str:
        """The car in a few words; never a person."""
        year = "" if self.car.model_year is None else f"{self.car.model_year} "
        code = "" if self.car.engine_code is None else f" {self.car.engine_code}"
        return f"{year}{self.car.make} {self.car.model}{code}"

    @property
    def drives(self) -> tuple[Drove, ...]:
        """Road tests that count, in order."""
        return self.bodies(Drove)

    @property
    def agreements(self) -> tuple[Agreed, ...]:
        """What the owner agreed to, in order. An agreement that replaces another is entered as its correction."""
        return self.bodies(Agreed)

    @property
    def set_aside(self) -> tuple[SetAside, ...]:
        """Steps that will not be done, in order."""
        return self.bodies(SetAside)

    @property
    def attachments(self) -> tuple[Attached, ...]:
        """Photos and recordings that count, in order."""
        return self.bodies(Attached)

    @property
    def state(self) -> str:
        """`open`, or the state in which the case was closed."""
        return "open" if self.closing is None else self.closing.state

    @property
    def next_id(self) -> str:
        """The id that the next event will get."""
        return f"e{len(self.events) + 1}"

    def bodies(self, kind: type[B]) -> tuple[B, ...]:
        """What happened, of one kind, as it counts now."""
        return tuple(event.body for event in self.effective if isinstance(event.body, kind))


def replay(events: Iterable[Event]) -> Case:
    """The case that these events make. The same events always make the same case.

    Raises an EventRefused (a CaseError) for the first event that cannot stand where it stands.
    """
    fold = Fold()
    for event in events:
        fold.add(event)
    if not fold.events:
        raise BrokenOrder("e1", "opened", "there is no event at all", "Begin the case with an 'opened' event.")
    return _stand(fold)


def validate_next(case: Case, body: Body) -> None:
    """Whether this may be recorded next; raises an EventRefused with the reason when not."""
    at = case.events[-1].at
    replay((*case.events, Event(id=case.next_id, at=at, body=body)))


def layout_of(description: EngineDescription, event: str = "e1") -> EngineLayout:
    """The engine as an arrangement; raises EngineCannotBe when that cannot be or says too little."""
    todo = "Write a common shape such as I4 or V6, or arrangement, banks and firing_order of this engine."
    given = {key: value for key, value in description if value is not None and key not in ("shape", "buried_banks")}
    try:
        if description.shape is not None:
            layout = common_layout(description.shape.strip().upper(), **given)
        else:
            lacking = {"arrangement", "banks", "firing_order"} - set(given)
            if lacking:
                raise EngineCannotBe(event, "opened", f"the engine lacks {', '.join(sorted(lacking))}", todo)
            layout = EngineLayout(**given)
    except ImpossibleLayout as error:
        raise EngineCannotBe(event, "opened", f"this engine layout cannot be: {error.why}", todo) from error
    except RequestError as error:
        raise EngineCannotBe(event, "opened", f"no common shape is called {description.shape!r}", todo) from error
    strange = [bank for bank in description.buried_banks if not 1 <= bank <= len(layout.banks)]
    if strange:
        why = f"bank {strange[0]} is called buried, but the engine has {len(layout.banks)} bank(s)"
        raise EngineCannotBe(event, "opened", why, "Correct buried_banks.")
    return layout


def _stand(fold: Fold) -> Case:
    """The frozen case from everything in force."""
    effective = tuple(
        event if fold.correction_of(event.id) is None else event.model_copy(update={"body": fold.read(event.id)})
        for event in fold.events
        if fold.in_force(event.id) and not isinstance(event.body, Withdrawn | Corrected)
    )
    opened = effective[0].body
    assert isinstance(opened, Opened)
    layout = layout_of(opened.car.engine)
    notes: list[Note] = []
    for event in effective:
        check_on_engine(event, layout)
        notes.extend(Note(event.id, text) for text in _assumed(event.body, layout))
    snapshots = [event for event in effective if isinstance(event.body, Snapshot)]
    last_erase = max((number_of(event.id) for event in effective if isinstance(event.body, Erased)), default=0)
    turns = [event.body for event in effective if isinstance(event.body, Closed | Reopened)]
    limits: dict[str, float] = {}
    for event in effective:
        if isinstance(event.body, Agreed) and event.body.limit is not None:
            limits[event.body.currency] = limits.get(event.body.currency, 0.0) + event.body.limit
    withdrawn = {e.id: by for e in fold.events if (by := fold.withdrawal_of(e.id)) is not None}
    corrections = ((e.id, fold.correction_of(e.id)) for e in fold.events if not isinstance(e.body, Corrected))
    return Case(
        events=tuple(fold.events),
        effective=effective,
        withdrawn=MappingProxyType(withdrawn),
        corrected=MappingProxyType({event: by for event, by in corrections if by is not None}),
        opened=opened,
        layout=layout,
        story=_story(effective),
        codes=_codes(snapshots[-1].body) if snapshots else None,
        freeze_frame=_last_freeze_frame(snapshots),
        evidence_saved=bool(snapshots),
        snapshot_before_erase=next((e.id for e in reversed(snapshots) if number_of(e.id) > last_erase), None),
        agreed_limits=MappingProxyType(limits),
        closing=turns[-1] if turns and isinstance(turns[-1], Closed) else None,
        notes=tuple(notes),
    )


def _story(effective: Iterable[Event]) -> Story:
    told = [event.body for event in effective if isinstance(event.body, Told)]
    return Story(
        words=tuple(body.words for body in told if body.words),
        lamp=next((body.lamp for body in reversed(told) if body.lamp is not None), None),
        fuel_smell=any(body.fuel_smell for body in told),
        answers=MappingProxyType({question: answer for body in told for question, answer in body.answers.items()}),
        usual_week=next((body.usual_week for body in reversed(told) if body.usual_week is not None), None),
    )


def _codes(body: Body) -> Codes:
    assert isinstance(body, Snapshot)
    return Codes(*(capitals(codes) for codes in (body.stored, body.pending, body.permanent)))


def capitals(codes: Iterable[str]) -> tuple[str, ...]:
    """Codes as the standard writes them, in the order in which they were read."""
    return tuple(code.strip().upper() for code in codes)


def _last_freeze_frame(snapshots: list[Event]) -> FreezeFrame | None:
    frames = (event.body.freeze_frame for event in reversed(snapshots) if isinstance(event.body, Snapshot))
    return next((frame for frame in frames if frame is not None), None)


def _assumed(body: Body, layout: EngineLayout) -> list[str]:
    """What has to be assumed or left out to use an event."""
    if isinstance(body, Opened) and layout.arrangement != "inline":
        engine = body.car.engine
        left_out = (("firing order", engine.firing_order), ("cylinder numbering", engine.banks))
        assumed = " and ".join(what for what, said in left_out if said is None)
        shape = f"{assumed} assumed from the shape {engine.shape}; state the car's own if it differs"
        return [shape] if assumed else []
    if isinstance(body, Snapshot):
        named = (TroubleCode(code) for code in capitals((*body.stored, *body.pending, *body.permanent)))
        strange = {code.text for code in named if code.cylinder is not None and code.cylinder > layout.count}
        return [
            f"{code} names a cylinder that an engine with {layout.count} cylinders does not have; it is kept as read, "
            "but not weighed. Check that the engine is entered correctly"
            for code in sorted(strange)
        ]
    return []
