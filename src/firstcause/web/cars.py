"""Cars in: where each open case stands and what it waits for, as one card says it."""

from __future__ import annotations

from dataclasses import dataclass

from firstcause.casebook.weighing import WeighedCase
from firstcause.casebook.words import holder_words
from firstcause.reasoning.saying import drawn, percent
from firstcause.web.views import VERDICT_WORDS


@dataclass(frozen=True)
class Stand:
    """Where an open case stands: may it be driven, who leads, parts away, what it waits for.

    `on`: evidence, owner, shop, proof or handing-on; `leading` is empty while nothing was read; `bar` in per cent.
    """

    safety: str
    mark: str
    safety_words: str
    on: str
    waits: str
    leading: str = ""
    shown: str = ""
    bar: float = 0.0
    away: int = 0


def waits_for(weighed: WeighedCase) -> str:
    """The best next step in a few words."""
    step = weighed.weighing.advice.best.step
    where = "" if str(step.place) == "engine" or step.kind == "swap" else f", {step.place.said()}"
    return f"{step.name}{where} ({step.minutes:.0f} min)"


def stand_of(weighed: WeighedCase) -> Stand:
    """Where the case stands now."""
    advice, roots = weighed.weighing.advice, weighed.weighing.roots
    mark, words = VERDICT_WORDS[weighed.safety.verdict]
    best, budget = advice.best, advice.budget
    on = {"verify": "proof", "refer": "handing-on"}.get(best.step.kind, "shop")
    if weighed.nothing_found:
        on = "evidence"
    elif best.step.kind == "repair" and budget is not None and best.over_limit > 0:
        on = "owner"
    stand = Stand(
        weighed.safety.verdict, mark, words, on, waits_for(weighed), away=len(weighed.ledger.put_back),
    )  # fmt: skip
    if not roots or weighed.nothing_found:
        return stand
    top, where = roots[0], holder_words(roots[0].where, weighed.knowledge)
    leading = top.name if roots[0].where == "engine" else f"{top.name}, {where}"
    return Stand(
        stand.safety, mark, words, on, stand.waits, leading, percent(top.probability), drawn(top.probability) * 100,
        stand.away,
    )  # fmt: skip
