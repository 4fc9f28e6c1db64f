"""The events of a case told to its owner: each in one short sentence, with which parts sat where at that moment."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from functools import cached_property

from firstcause.casebook.events import (
    Body,
    Counted,
    Drove,
    Event,
    Found,
    Moved,
    Renewed,
    Repaired,
    Reseated,
    Snapshot,
    Told,
)
from firstcause.casebook.ledger import PutBack, ledger_of
from firstcause.casebook.readings import out_of
from firstcause.casebook.weighing import WeighedCase
from firstcause.casebook.words import region_words, say, unit_words
from firstcause.handover.plainly import count_words, listed, place_words, sentence
from firstcause.knowledge.base import Knowledge
from firstcause.tongue import _, small, small_first
from firstcause.vehicle.place import Place

_CHANGES = (Moved, Renewed, Reseated, Repaired)


class Teller:
    """Tells the events that count in a weighed case."""

    def __init__(self, weighed: WeighedCase) -> None:
        self._weighed = weighed
        self._case, self._knowledge = weighed.case, weighed.knowledge
        self._complaint = weighed.weighing.model.complaint
        self._cylinders = weighed.weighing.model.complaint_cylinders

    @cached_property
    def by_id(self) -> Mapping[str, Event]:
        """The events that count, as they are read now."""
        return {event.id: event for event in self._case.effective}

    def tell(self, event_id: str) -> str:
        """One event in a sentence for the owner; what has no plainer form is told as the workshop says it."""
        event = self.by_id[event_id]
        match event.body:
            case Found() as body:
                return self._found(event, body)
            case Counted() | Drove() as body:
                return self._counted(event, body)
            case Snapshot() as body:
                return self._snapshot(body)
            case Told() as body:
                return self._told(body)
            case Renewed() | Repaired() | Reseated() | Moved() as body:
                return self.work(body)
            case body:
                return say(body, self._knowledge)

    def done(self, event: Event) -> str:
        """Work on the car as it stands at the end: of a new part that was moved or taken out later, where it is now."""
        line = next((each for each in self._weighed.ledger.replaced if each.event == event.id), None)
        told = self.work(event.body)
        if line is None:
            return told
        now = self._weighed.ledger.fitment.where(line.new)
        if now is not None and now[1] == line.at:
            return told
        at = "-".join(map(str, line.at))
        later = (
            _("taken out again later")
            if now is None
            else _("now in cylinder {listed}", listed="-".join(map(str, now[1])))
        )
        kind = "" if line.fitted.strip().lower() == "new" else f" ({line.fitted})"
        return _(
            "New {part_name}{kind}, fitted to cylinder {at}, {later}.",
            part_name=self.part_name(line.kind),
            kind=kind,
            at=at,
            later=later,
        )

    def work(self, body: Body) -> str:
        """Work on the car, without a word on whether it helped."""
        match body:
            case Renewed(part=part, cylinder=number, fitted=fitted):
                kind = "" if fitted.strip().lower() == "new" else f" ({fitted})"
                return _(
                    "New {part_name} in cylinder {number}{kind}.",
                    part_name=self.part_name(part),
                    number=number,
                    kind=kind,
                )
            case Repaired(repair=repair, place=place, note=note):
                name = self._knowledge.repairs[repair].name
                return sentence(
                    f"{name}, {place_words(Place.parse(place), self._case.layout)}{f' ({note})' if note else ''}"
                )
            case Reseated(part=part, cylinder=number):
                return _(
                    "The {part_name} of cylinder {number} was taken off and put back.",
                    part_name=self.part_name(part),
                    number=number,
                )
            case Moved(part=part, first=first, second=second):
                return _(
                    "The {part_name}s of cylinders {first} and {second} changed places.",
                    part_name=self.part_name(part),
                    first=first,
                    second=second,
                )
            case _:
                return say(body, self._knowledge)

    def part_name(self, part: str) -> str:
        """A kind of part in small letters."""
        return small(self._knowledge.parts[part].name)

    def _found(self, event: Event, body: Found) -> str:
        test = self._knowledge.tests[body.test]
        judged = self._weighed.read.judgements.get(event.id)
        outcome = body.outcome or (None if judged is None else judged.outcome)
        seen = next((each.name for each in test.outcomes if each.id == outcome), _("it settled nothing"))
        number = (
            ""
            if judged is None
            else _(
                " (read {value:.3g} {unit}, limit {limit:.3g})",
                value=judged.value,
                unit=judged.unit,
                limit=judged.limit,
            )
        )
        unsure = "" if body.sure == "sure" else _(", not quite sure")
        where = (
            ""
            if body.place == "engine"
            else _(" at {place_words}", place_words=place_words(Place.parse(body.place), self._case.layout))
        )
        where += self._came_from(event, test.part, Place.parse(body.place))
        return f"{test.name}{where}: {small_first(seen)}{number}{unsure}."

    def _counted(self, event: Event, body: Counted | Drove) -> str:
        asked = [n for n in sorted(self._complaint) if n in body.misfires] or sorted(body.misfires)
        complaint = self._knowledge.model.complaint
        regions = [region_words(region, complaint) for region, value in body.minutes.items() if value > 0]
        where = _(" and ").join(regions) or _("a look")
        if not body.misfires:
            return _("Road test without a count of {bad}.", bad=complaint.words.bad)
        each, __, events = complaint.words.owner_count.partition(_(" of {of} "))
        counts = {n: each.format(bad=count_words(body.misfires[n])) for n in asked}
        told = listed([f"{unit_words(n, complaint)} {count}" for n, count in counts.items()])
        of = count_words(out_of(body, self._case.layout, complaint).count)
        return sentence(
            _(
                "{told} of {of} {events} ({where}){parts_away_at}",
                told=told,
                of=of,
                events=events,
                where=where,
                parts_away_at=self._parts_away_at(event),
            )
        )

    def _away_at(self, event: Event) -> tuple[PutBack, ...]:
        """Parts that sat away from home just before an event."""
        before = self._case.effective[: self._case.effective.index(event)]
        return ledger_of(replace(self._case, effective=before), self._knowledge).put_back

    def _came_from(self, event: Event, kind: str | None, place: Place) -> str:
        """Where the part that was looked at came from, if it had been moved there."""
        for part in self._away_at(event) if kind is not None else ():
            if part.kind == kind and set(part.now) & set(place.numbers):
                return _(
                    " (the {part_name} that came from cylinder {listed})",
                    part_name=self.part_name(part.kind),
                    listed="-".join(map(str, part.home)),
                )
        return ""

    def _parts_away_at(self, event: Event) -> str:
        """Which parts from the cylinders complained of sat elsewhere at that moment."""
        told = [
            _(
                "the {part_name} of cylinder {listed} in cylinder {listed2}",
                part_name=self.part_name(part.kind),
                listed="-".join(map(str, part.home)),
                listed2="-".join(map(str, part.now)),
            )
            for part in self._away_at(event)
            if set(part.home) & self._cylinders
        ]
        return _(", with {told}", told=listed(told)) if told else ""

    def _snapshot(self, body: Snapshot) -> str:
        codes = list(dict.fromkeys(code.strip().upper() for code in (*body.stored, *body.pending, *body.permanent)))
        return (
            _("The car had stored {codes}.", codes=listed(codes)) if codes else _("The car had stored no fault code.")
        )

    def _told(self, body: Told) -> str:
        yes = [
            self._knowledge.questions[question].ask
            for question, answer in body.answers.items()
            if answer == "yes" and question in self._knowledge.questions
        ]
        return (
            _("You told us yes to: {yes}", yes=listed(yes))
            if yes
            else sentence(_("You told us: {it}", it=body.words or _("nothing")))
        )


def parts_in_words(text: str, knowledge: Knowledge) -> str:
    """A text with the serials of parts in words: `coil-3` is the ignition coil that came in cylinder 3."""

    def named(found: re.Match[str]) -> str:
        name, place = small(knowledge.parts[found[1]].name), found[2]
        if place.startswith("new-"):
            return _("new {name} {removeprefix}", name=name, removeprefix=place.removeprefix("new-"))
        return _("{name} that came in cylinder {replace}", name=name, replace=place.replace("-", _(" and ")))

    kinds = "|".join(re.escape(kind) for kind in sorted(knowledge.parts, key=len, reverse=True))
    return re.sub(rf"(?<![\w-])({kinds})-(new-\d+|\d+(?:-\d+)*)(?![\w-])", named, text)


def is_change(body: Body) -> bool:
    """Whether parts were moved, renewed, taken off or repaired."""
    return isinstance(body, _CHANGES)
