"""Who else might pay: what to ask about warranty, goodwill and earlier work before anything is taken apart."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Any, Literal

from firstcause.casebook.case import Case
from firstcause.casebook.follow_up import open_faults_of
from firstcause.casebook.weighing import WeighedCase

KM_PER_MILE = 1.609344
BEFORE = (
    "Ask before anything is taken apart: who pays may want to see it as it came, and to choose who works on it. "
    "This is a list of questions, no legal advice; the papers of this car and the law where it is driven go first."
)

Standing = Literal["may still run", "has passed", "not known"]


@dataclass(frozen=True, slots=True)
class Cover:
    """A promise bound to age and distance (None: not bound to it), and where it is written."""

    who: str
    ask: str
    years: float
    km: float | None
    cite: str


# Limits of cars sold new in these places; all from memory, to be read again before one leans on them.
COVERS = (
    Cover("the maker or importer", "Is the new-car guarantee still running, and does it cover this part?", 3, 100_000,
          "usual limits, common practice, no source"),
    Cover("the maker (US federal emission warranty)", "Is it an emission part, so that the short warranty pays?", 2,
          24_000 * KM_PER_MILE, "Clean Air Act sec. 207, 42 U.S.C. 7541(i), from memory"),
    Cover("the maker (US federal emission warranty)", "Is it the catalyst or the emission control unit?", 8,
          80_000 * KM_PER_MILE, "Clean Air Act sec. 207, 42 U.S.C. 7541(i)(2), from memory"),
    Cover("the maker (California emission warranty)", "Was the car sold in California, and is the part on its list?", 7,
          70_000 * KM_PER_MILE, "13 CCR 2037, from memory"),
    Cover("the seller (European Union)", "Was it bought from a dealer within two years, and was the defect there then?",
          2, None, "Directive (EU) 2019/771 art. 10: two years from delivery, from memory"),
    Cover("the maker, by goodwill", "With the service papers: would the maker take a share?", 8, 160_000,
          "usual bounds of goodwill, common practice, no source"),
    Cover("the maker, by a recall", "Is a recall open for this VIN? Its remedy costs nothing.", 15, None,
          "49 U.S.C. 30120(g): 15 years from the first purchase, from memory"),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Question:
    """One question, whether its limit may still run, why, and on whose word."""

    who: str
    ask: str
    standing: Standing
    why: str
    cite: str

    def to_dict(self) -> dict[str, Any]:
        """Plain values; keys are stable."""
        return {name: getattr(self, name) for name in self.__slots__}


def who_else_pays(weighed: WeighedCase, today: date) -> tuple[Question, ...]:
    """The questions of a case, those that may still lead somewhere first."""
    case = weighed.case
    found = [_cover(cover, case, today) for cover in COVERS]
    found += _earlier_work(weighed)
    order: tuple[Standing, ...] = ("may still run", "not known", "has passed")
    return tuple(sorted(found, key=lambda question: order.index(question.standing)))


def _cover(cover: Cover, case: Case, today: date) -> Question:
    """A limit by age is passed only when the youngest car of that model year has passed it.

    A car of a model year may have been built the year before and sold new as late as the year after: both ends are
    taken, and between them it is not known.
    """
    km, year = case.car.distance_km, case.car.model_year
    too_far = cover.km is not None and km > cover.km
    oldest = None if year is None else today.year - (year - 1)
    youngest = None if year is None else today.year - (year + 1)
    limits = f"{cover.years:g} years" + ("" if cover.km is None else f" or {cover.km:,.0f} km")
    age = "of an age nobody told" if year is None else f"of model year {year}"
    said = f"{limits}; this car has done {km:,.0f} km and is {age}"
    standing: Standing = "not known"
    if too_far or (youngest is not None and youngest > cover.years):
        standing = "has passed"
    elif oldest is not None and oldest <= cover.years:
        standing = "may still run"
    return Question(cover.who, cover.ask, standing, said, cover.cite)


def _earlier_work(weighed: WeighedCase) -> list[Question]:
    """Who worked on it lately, and who sold the fuel, where the story or the suspects ask for it."""
    found = [
        Question(
            "whoever did it", f"Done when, by whom, with what bill? ({weighed.knowledge.questions[key].ask})",
            "not known", "work done lately carries its own guarantee, and may be the cause",
            "Directive (EU) 2019/771 where it applies, from memory; else the bill",
        )
        for key, answer in weighed.case.story.answers.items()
        if answer == "yes" and key in weighed.knowledge.questions and ("changed" in key or "repair" in key)
    ]  # fmt: skip
    if "fuel-contaminated" in open_faults_of(weighed):
        found.append(
            Question(
                "who sold the fuel, or an insurer", "Where and when was it filled last? Keep the receipt and a sample.",
                "not known", "bad fuel is among what may stand", "common practice, no source",
            )
        )  # fmt: skip
    return found
