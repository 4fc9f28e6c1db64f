"""Does a published record concern this car and its complaint: applies, nearly, does not; how far it may move belief.

A record is never proof. It says that the same trouble was seen in such cars; how strongly that may move the belief is a
stated likelihood ratio, shown to the technician, who may refuse it.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Literal

from firstcause.bulletins.records import Kind, Record

Verdict = Literal["applies", "nearly", "does-not"]

NEAR_YEARS = 2
# How much more often such a record stands for cars that have the fault it describes than for those that have not. All
# judgement: a recall was investigated by the maker or the regulator, a bulletin observed by the maker's workshops, a
# complaint is one owner's word. `nearly` keeps the square root.
LIKELIHOOD_RATIO: Mapping[Kind, float] = {"recall": 3.0, "bulletin": 2.5, "investigation": 1.6, "complaint": 1.2}


@dataclass(frozen=True, slots=True)
class CarSeen:
    """What of the car decides whether a record concerns it."""

    make: str
    model: str
    year: int | None
    engine: str
    distance_km: float
    today: date
    built: date | None = None


@dataclass(frozen=True, slots=True)
class Judged:
    """One record, judged for a car and a complaint."""

    record: Record
    verdict: Verdict
    reasons: tuple[str, ...]
    likelihood_ratio: float
    """1 where it does not apply; to be shown, and to be refused by whoever knows better"""


def judge(record: Record, car: CarSeen, words: Sequence[str]) -> Judged:
    """Whether the record applies to the car and speaks of the complaint; `words` are what the complaint is known by.

    *Applies*: same model, a year it covers, speaks of the complaint, no limit passed. *Nearly*: one of these is off by
    a little: a neighbouring year, the same engine in another model, a limit that has passed, or the record names no
    year. *Does not*: anything else. The reasons say each point in words, the good ones too.
    """
    good: list[str] = []
    near: list[str] = []
    against: list[str] = []
    _same_car(record, car, good, near, against)
    _same_year(record, car, good, near, against)
    told = [word for word in words if speaks_of(record, word)]
    if told:
        good.append(f"it speaks of: {', '.join(told)}")
    elif words:
        against.append("it speaks of other things than this complaint")
    _limits(record, car, near, against)
    if against:
        return Judged(record, "does-not", (*against, *near, *good), 1.0)
    ratio = LIKELIHOOD_RATIO[record.kind]
    if not near:
        return Judged(record, "applies", tuple(good), ratio)
    if len(near) == 1:
        return Judged(record, "nearly", (*near, *good), ratio**0.5)
    return Judged(record, "does-not", (*near, *good), 1.0)


def _same_car(record: Record, car: CarSeen, good: list[str], near: list[str], against: list[str]) -> None:
    same_make = record.make.casefold() == car.make.casefold()
    same_model = same_make and _begins(record.model, car.model)
    same_engine = bool(record.engine) and record.engine.casefold() == car.engine.casefold()
    if same_model and record.engine and car.engine and not same_engine:
        near.append(f"same model, other engine: it names {record.engine}, this one is {car.engine}")
    elif same_model:
        good.append(f"same model: {record.make} {record.model}")
    elif same_engine:
        near.append(f"same engine {record.engine}, in another model: {record.make} {record.model}")
    elif same_make:
        against.append(f"another model: {record.model}")
    else:
        against.append(f"another make: {record.make}")


def _same_year(record: Record, car: CarSeen, good: list[str], near: list[str], against: list[str]) -> None:
    if record.years is None:
        near.append("it names no model year")
        return
    if car.year is None:
        near.append("the model year of this car is not recorded")
        return
    first, last = record.years
    span = str(first) if first == last else f"{first} to {last}"
    off = max(first - car.year, car.year - last, 0)
    if off == 0:
        good.append(f"model year {car.year} is covered ({span})")
    elif off <= NEAR_YEARS:
        near.append(f"other model year: it names {span}, this car is of {car.year}")
    else:
        against.append(f"other model years: {span}, this car is of {car.year}")


def _limits(record: Record, car: CarSeen, near: list[str], against: list[str]) -> None:
    if record.until is not None and car.today > record.until:
        near.append(f"its time limit has passed ({record.until.isoformat()}); ask all the same")
    if record.until_km is not None and car.distance_km > record.until_km:
        near.append(f"its distance limit has passed ({record.until_km:,.0f} km); ask all the same")
    begin, end = record.built
    if car.built is not None and ((begin and car.built < begin) or (end and car.built > end)):
        against.append("this car was built outside the days it names")


def _begins(longer: str, shorter: str) -> bool:
    """Whether a model is the same, or the same with more words behind."""
    a, b = longer.casefold().split(), shorter.casefold().split()
    return bool(b) and a[: len(b)] == b


def speaks_of(record: Record, word: str) -> bool:
    """Whether the words stand in the component or the text, at the start of words."""
    pattern = r"\b" + r"\W+".join(re.escape(part) for part in word.casefold().split())
    return re.search(pattern, f"{record.component} {record.text}".casefold()) is not None


def ranked(judged: Sequence[Judged]) -> list[Judged]:
    """What applies first, recalls before complaints, newest first."""
    order = {"applies": 0, "nearly": 1, "does-not": 2}
    return sorted(
        judged,
        key=lambda each: (
            order[each.verdict],
            -LIKELIHOOD_RATIO[each.record.kind],
            -(each.record.published or date.min).toordinal(),
            each.record.key,
        ),
    )
