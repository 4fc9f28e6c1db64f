"""From the events that count to the history that the reasoning weighs, in the words of the knowledge base."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

from firstcause.bench.reading import BenchJudgement
from firstcause.bench.reading import ImpossibleReading as NotJudged
from firstcause.casebook.case import Case, Note, capitals, replay
from firstcause.casebook.events import (
    Body,
    Counted,
    Drove,
    Erased,
    Event,
    Found,
    Moved,
    Renewed,
    Reopened,
    Repaired,
    Reported,
    Reseated,
    Snapshot,
    Sureness,
    Told,
)
from firstcause.casebook.ledger import ledger_of, part_renewed_by
from firstcause.casebook.measured import judge_found
from firstcause.casebook.readings import out_of, region_of
from firstcause.casebook.refusals import ImpossibleReading, NotOnThisEngine, UnknownId, near
from firstcause.errors import RequestError
from firstcause.knowledge.base import Knowledge, fits
from firstcause.knowledge.model_numbers import CodeMeaning
from firstcause.knowledge.model_numbers import Sureness as WhatSureMeans
from firstcause.knowledge.schema import TestEntry
from firstcause.reasoning import history as told
from firstcause.vehicle.place import ENGINE, Place

_TO_CORRECT = "Correct the event, or record it as a note."


@dataclass(frozen=True)
class ReadCase:
    """What a case says to the reasoning: the history, how numbers were judged, and what was not weighed."""

    history: told.History
    judgements: Mapping[str, BenchJudgement]
    notes: tuple[Note, ...]


def history_of(case: Case, knowledge: Knowledge) -> told.History:
    """The history of a case in the order of its events; each happening has the id of its event.

    Raises a CaseError that names the event for an id that the knowledge base does not know (with near matches), a test
    or repair at a place it is not made for, or a number that cannot be judged.
    """
    return read_for_weighing(case, knowledge).history


def validate_known(case: Case, body: Body, knowledge: Knowledge) -> None:
    """Whether this may be recorded next and can be weighed; raises a CaseError with the reason when not."""
    event = Event(id=case.next_id, at=case.events[-1].at, body=body)
    history_of(replay((*case.events, event)), knowledge)


def read_for_weighing(case: Case, knowledge: Knowledge) -> ReadCase:
    """The history with the judgements of measured numbers and notes on what was left out. Raises as `history_of`."""
    ledger_of(case, knowledge)  # refuses parts and swaps that cannot be
    reader = _Reader(case, knowledge)
    for event in case.effective:
        reader.take(event)
    return ReadCase(tuple(reader.history), MappingProxyType(reader.judgements), (*case.notes, *reader.notes))


def weights_of_number(weights: Mapping[str, float], sure: Sureness, means: WhatSureMeans) -> dict[str, float]:
    """The likelihood of a number under each outcome, spread by how sure one is in the same way as `weights_of`.

    `weights` add up to 1; a number far from every border gives what its outcome, said in words, would give.
    """
    share, others = share_of(sure, means), len(weights) - 1
    return {name: share * weight + (1.0 - share) * (1.0 - weight) / others for name, weight in weights.items()}


def share_of(sure: Sureness, means: WhatSureMeans) -> float:
    """The share of the weight that stays on what was said."""
    return {"sure": 1.0, "fairly": means.fairly, "doubtful": means.doubtful}[sure]


def weights_of(test: TestEntry, outcome: str, sure: Sureness, means: WhatSureMeans) -> dict[str, float]:
    """The likelihood of what was seen under each outcome.

    With s = 1 when sure, as model.toml says when fairly sure or doubtful, and k outcomes: s for the outcome named and
    (1 - s) / (k - 1) for each other.
    """
    share = share_of(sure, means)
    rest = (1.0 - share) / (len(test.outcomes) - 1)
    return {known.id: share if known.id == outcome else rest for known in test.outcomes}


class _Reader:
    """One pass over the events that count."""

    def __init__(self, case: Case, knowledge: Knowledge) -> None:
        self._case, self._knowledge = case, knowledge
        self.history: list[told.Happening] = []
        self.judgements: dict[str, BenchJudgement] = {}
        self.notes: list[Note] = []
        self._meanings = {each.code: each for each in knowledge.model.complaint.codes.meaning}
        self._codes_told: set[str] = set()  # in memory since the last erase, and told already
        self._codes_pointed: set[str] = set()
        self._snapshot_seen = False
        self._odometer_km = case.car.distance_km

    def take(self, event: Event) -> None:
        if isinstance(event.body, Snapshot | Counted | Drove) and event.body.odometer_km is not None:
            self._driven(event, event.body.odometer_km)
        match event.body:
            case Told() as body:
                self._answered(event, body)
            case Reported() as body:
                self._reported(event, body)
            case Snapshot() as body:
                self._coded(event, body)
            case Erased():
                self._codes_told.clear()
            case Counted() | Drove() as body:
                self._counted(event, body)
            case Found() as body:
                self._found(event, body)
            case Moved(part=part, first=first, second=second):
                self.history.append(told.Moved(event.id, part, first, second))
            case Renewed(part=part, cylinder=cylinder, origin=origin):
                self.history.append(told.Renewed(event.id, part, cylinder, origin))
            case Reseated(part=part, cylinder=cylinder):
                self.history.append(told.Reseated(event.id, part, cylinder))
            case Repaired() as body:
                self._repaired(event, body)
            case Reopened(came_back=True):
                self.history.append(told.Returned(event.id))

    def _driven(self, event: Event, odometer_km: float) -> None:
        """What the car has driven since it was last seen; an odometer that ran backwards is noted, and not believed."""
        if odometer_km < self._odometer_km:
            why = f"the odometer shows {odometer_km:,.0f} km after {self._odometer_km:,.0f} km: it is not used"
            self.notes.append(Note(event.id, why))
        elif odometer_km > self._odometer_km:
            self._odometer_km = odometer_km
            self.history.append(told.Driven(event.id, odometer_km))

    def _answered(self, event: Event, body: Told) -> None:
        questions = self._knowledge.questions
        for question, answer in body.answers.items():
            if question not in questions:
                why = f"there is no question {question!r}{near(question, questions)}"
                raise UnknownId(event.id, "told", why, "Correct the answer, or tell it in words.")
            last = self._case.story.answers[question]
            already = any(isinstance(h, told.Answered) and h.answer == question for h in self.history)
            if answer == last == "yes" and not already:
                self.history.append(told.Answered(event.id, question))

    def _reported(self, event: Event, body: Reported) -> None:
        """A published record that was let count moves how frequent its faults are; it is no finding of this car."""
        for fault in body.faults:
            if fault not in self._knowledge.faults:
                why = f"there is no fault {fault!r}{near(fault, self._knowledge.faults)}"
                raise UnknownId(event.id, "reported", why, "Name the entry that the record describes.")
        if body.decision == "accepted" and body.faults and body.likelihood_ratio != 1.0:
            self.history.append(told.Reported(event.id, frozenset(body.faults), body.likelihood_ratio))

    def _coded(self, event: Event, body: Snapshot) -> None:
        """The pack's codes, once: what was in memory at the last look, with no erase since, is no second observation.

        The permanent record outlives an erase, so it speaks in the first snapshot of the case only.
        """
        codes = capitals((*body.stored, *body.pending, *(() if self._snapshot_seen else body.permanent)))
        self._snapshot_seen = True
        self._point_to_neighbours(event, codes)
        named = {code for code in codes if code in self._meanings}
        fresh = [self._meanings[code] for code in sorted(named - self._codes_told)]
        if not fresh:
            return
        self._codes_told |= named
        self._codes_of_units(event, body, [self._meanings[code] for code in named if self._meanings[code].test is None
                                           or self._meanings[code].units])  # fmt: skip
        for meaning in fresh:
            if meaning.test is not None and meaning.outcome is not None:
                self._code_found(event, meaning)

    def _codes_of_units(self, event: Event, body: Snapshot, meanings: Sequence[CodeMeaning]) -> None:
        if not meanings:
            return
        complaint, layout = self._knowledge.model.complaint, self._case.layout
        units = range(1, len(layout.groups(complaint.unit)) + 1)
        complained = frozenset(unit for meaning in meanings for unit in meaning.units if unit in units)
        if not complained:
            why = f"the {complaint.name.lower()} code names no {complaint.unit} of this engine: it is not weighed"
            self.notes.append(Note(event.id, why))
            return
        frame = body.freeze_frame
        about_it = frame is not None and (frame.code is None or bool({*capitals((frame.code,))} & {*self._meanings}))
        region = region_of(frame) if frame is not None and about_it else None
        known = region is not None and complaint.condition(region) is not None
        self.history.append(told.Coded(event.id, complained, region if known else None))

    def _code_found(self, event: Event, meaning: CodeMeaning) -> None:
        """A code that tells how a test came out, at each unit it names, or on the engine."""
        assert meaning.test is not None
        assert meaning.outcome is not None
        unit, layout = self._knowledge.model.complaint.unit, self._case.layout
        test = self._knowledge.tests[meaning.test]
        places = [
            ENGINE if unit == "engine" else Place(unit, (number,))
            for number in meaning.units
            if number <= len(layout.groups(unit))
        ] or ([] if meaning.units else [ENGINE])
        for place in places if fits(test.fitted, layout) else ():
            weights = weights_of(test, meaning.outcome, "sure", self._knowledge.model.sureness)
            self.history.append(told.Found(f"{event.id}", meaning.test, place, weights))

    def _point_to_neighbours(self, event: Event, codes: Sequence[str]) -> None:
        """Codes that belong to another pack: said, and not weighed here."""
        for neighbour in self._knowledge.model.complaint.neighbours:
            theirs = [code for code in dict.fromkeys(codes) if code in neighbour.codes]
            if theirs and not set(theirs) <= self._codes_pointed:
                self._codes_pointed.update(theirs)
                self.notes.append(Note(event.id, f"{', '.join(theirs)}: {neighbour.say.rstrip('.')}"))

    def _counted(self, event: Event, body: Counted | Drove) -> None:
        if not body.misfires:
            return
        complaint = self._knowledge.model.complaint
        for region in body.minutes:
            if complaint.condition(region) is None:
                known = [each.id for each in complaint.conditions]
                why = f"the pack {self._knowledge.pack!r} does not watch {region!r}{near(region, known)}"
                raise UnknownId(event.id, body.kind, why, f"Write one of {', '.join(known)}.")
        chances = out_of(body, self._case.layout, complaint)
        self.notes.extend(Note(event.id, text) for text in chances.assumptions)
        if chances.count == 0:
            self.notes.append(Note(event.id, f"no {complaint.words.out_of} were watched: the count is not weighed"))
            return
        self._check_units(event, body, chances.count)
        each = dict.fromkeys(body.misfires, chances.count)
        self.history.append(told.Counted(event.id, dict(body.minutes), each, dict(body.misfires)))

    def _check_units(self, event: Event, body: Counted | Drove, chances: int) -> None:
        complaint = self._knowledge.model.complaint
        units = len(self._case.layout.groups(complaint.unit))
        for number, bad in body.misfires.items():
            if number > units:
                why = f"this engine has no {complaint.unit} {number}"
                raise NotOnThisEngine(event.id, body.kind, why, f"Count by {complaint.unit}, 1 to {units}.")
            if bad > chances:
                why = f"{bad} {complaint.words.bad} are counted in {chances} {complaint.words.out_of}"
                raise ImpossibleReading(event.id, body.kind, why, "Check the count, or what was watched.")

    def _found(self, event: Event, body: Found) -> None:
        test = self._knowledge.tests.get(body.test)
        if test is None:
            why = f"there is no test {body.test!r}{near(body.test, self._knowledge.tests)}"
            raise UnknownId(event.id, "found", why, _TO_CORRECT)
        place = self._place(event, body.place, "cylinder" if test.on == "part" else test.on, body.test)
        if not fits(test.fitted, self._case.layout):
            why = f"the test {body.test!r} is not made for an engine like this"
            raise NotOnThisEngine(event.id, "found", why, "Correct the test, or the engine in e1.")
        means = self._knowledge.model.sureness
        if body.outcome is None:
            weights = weights_of_number(self._judged(event, body, test).weights, body.sure, means)
        else:
            known = [each.id for each in test.outcomes]
            if body.outcome not in known:
                why = (
                    f"{body.test!r} has no outcome {body.outcome!r}{near(body.outcome, known)}; "
                    f"it has {', '.join(known)}"
                )
                raise UnknownId(event.id, "found", why, _TO_CORRECT)
            weights = weights_of(test, body.outcome, body.sure, means)
        if weights:
            self.history.append(told.Found(event.id, body.test, place, weights))

    def _judged(self, event: Event, body: Found, test: TestEntry) -> BenchJudgement:
        """What a number means; without weights when it decides nothing."""
        if test.measures is None:
            why = f"the test {body.test!r} has outcomes, no numbers"
            raise ImpossibleReading(event.id, "found", why, f"Say one of {', '.join(o.id for o in test.outcomes)}.")
        try:
            judgement = judge_found(body, test, self._case.layout)
        except RequestError as error:
            what = error.what if isinstance(error, NotJudged) else str(error).rstrip(".")
            why = f"{body.test!r} cannot be judged: {what}"
            raise ImpossibleReading(
                event.id, "found", why, "Complete the event, or say the outcome yourself."
            ) from error
        self.judgements[event.id] = judgement
        if not judgement.weights:
            self.notes.append(Note(event.id, f"not weighed: {judgement.sentence}"))
        return judgement

    def _repaired(self, event: Event, body: Repaired) -> None:
        part_renewed_by(event, body, self._knowledge)
        repair = self._knowledge.repairs[body.repair]
        place = self._place(event, body.place, repair.on, body.repair)
        self.history.append(told.Repaired(event.id, body.repair, place))

    def _place(self, event: Event, text: str, wanted: str, what: str) -> Place:
        place = Place.parse(text)
        if place.kind != wanted:
            form = {"engine": "'engine'", "bank": "'bank 1'", "cylinder": "'cylinder 3'", "joint": "'joint 2-3'"}[
                wanted
            ]
            why = f"{what!r} is done on the {wanted}, and {text!r} is none"
            raise NotOnThisEngine(event.id, event.body.kind, why, f"Write a place like {form}.")
        return place
