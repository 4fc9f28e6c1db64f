"""What others have published, held against a case: what applies, of which of its suspects it speaks, and the event."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Literal

from firstcause.bulletins.applies import CarSeen, Judged, judge, ranked, speaks_of
from firstcause.bulletins.records import Record
from firstcause.casebook.events import Reported
from firstcause.casebook.lives import odometer_of
from firstcause.casebook.weighing import WeighedCase
from firstcause.errors import RequestError
from firstcause.knowledge.base import Knowledge

WORTH_ASKING = 0.01  # a suspect below this is not searched for: judgement
LONGEST_ABOUT = 200


@dataclass(frozen=True, slots=True)
class ForCase:
    """A record judged for a case; `faults` are the entries of its pack that the record's words name, perhaps none."""

    judged: Judged
    faults: tuple[str, ...]


def car_seen(weighed: WeighedCase, today: date) -> CarSeen:
    """What of the car decides whether a record concerns it."""
    car = weighed.case.car
    return CarSeen(car.make, car.model, car.model_year, car.engine_code or "", odometer_of(weighed.case), today)


def words_of(weighed: WeighedCase) -> tuple[str, ...]:
    """The words a record must speak of one of: the complaint's name, and the parts and faults that are suspect."""
    model, belief, knowledge = weighed.weighing.model, weighed.weighing.belief, weighed.knowledge
    suspects = [model.entry(cause) for cause in model.live_roots if belief[cause] >= WORTH_ASKING]
    parts = [knowledge.parts[entry.part].name for entry in suspects if entry.part is not None]
    names = [knowledge.model.complaint.name, *parts, *(entry.name for entry in suspects)]
    return tuple(dict.fromkeys(name.lower() for name in names))


def held_against(
    weighed: WeighedCase, records: Iterable[Record], today: date, more_words: Sequence[str] = ()
) -> list[ForCase]:
    """Every record with its verdict and reasons, what applies first; `more_words` are the technician's own."""
    car, words = car_seen(weighed, today), (*words_of(weighed), *(word.lower() for word in more_words))
    judged = ranked([judge(record, car, words) for record in records])
    return [ForCase(each, faults_named(each.record, weighed.knowledge)) for each in judged]


def faults_named(record: Record, knowledge: Knowledge) -> tuple[str, ...]:
    """The faults of which a record speaks: by their own name, else all of a part that it names. Never a victim."""
    roots = [entry for entry in knowledge.faults.values() if entry.kind == "root"]
    named = [entry.id for entry in roots if speaks_of(record, entry.name)]
    if named:
        return tuple(named)
    parts = {part.id for part in knowledge.parts.values() if speaks_of(record, part.name)}
    return tuple(entry.id for entry in roots if entry.part in parts)


def reported(
    found: ForCase, decision: Literal["accepted", "refused"], ratio: float | None = None,
    faults: Sequence[str] = (), note: str = "",
) -> Reported:  # fmt: skip
    """The record as an event of the case. `ratio` and `faults` are the technician's, in place of the stated ones.

    Raises RequestError for a record that does not apply, and for one that is let count while it names no fault.
    """
    record, verdict = found.judged.record, found.judged.verdict
    if verdict == "does-not":
        why = "; ".join(found.judged.reasons)
        raise RequestError(f"{record.number} does not apply to this car: {why}. Nothing was made of it.")
    about = tuple(faults) or found.faults
    if decision == "accepted" and not about:
        raise RequestError(
            f"{record.number} names no fault of this pack, so it cannot move any belief. Name the entry it describes, "
            "or refuse it."
        )
    return Reported(
        source=record.kind, number=record.number, about=_short(record), verdict=verdict, reasons=found.judged.reasons,
        faults=about, likelihood_ratio=found.judged.likelihood_ratio if ratio is None else ratio, decision=decision,
        note=note,
    )  # fmt: skip


def _short(record: Record) -> str:
    text = " ".join(f"{record.component}: {record.text}".split())
    return text if len(text) <= LONGEST_ABOUT else text[: LONGEST_ABOUT - 2].rsplit(" ", 1)[0] + " …"
