"""A published record moves the odds only when it was let count; a car that came back is linked, also after closing."""

from __future__ import annotations

import pytest
from tests.casebook.case_values import opened, story

from firstcause.casebook.case import replay
from firstcause.casebook.events import Agreed, Body, Closed, Counted, Invoiced, LifeSeen, Line, Linked, Noted, Reported
from firstcause.casebook.history import UnknownId
from firstcause.casebook.refusals import CaseIsClosed
from firstcause.casebook.weighing import WeighedCase, weigh_case
from firstcause.casebook.words import say
from firstcause.knowledge.base import load

BAD_THREE = Counted(minutes={"idle": 3.0}, rpm=750, misfires={1: 0, 2: 0, 3: 260, 4: 0})


def weighed(*more: Body) -> WeighedCase:
    return weigh_case(replay(story(opened(), *more)), load())


def reported(decision: str, ratio: float = 2.5, fault: str = "oil-rings-stuck") -> Reported:
    return Reported(
        source="bulletin", number="VB-14-22", about="oil control rings may stick", verdict="applies",
        faults=(fault,), likelihood_ratio=ratio, decision=decision,  # type: ignore[arg-type]
    )  # fmt: skip


def of_rings(case: WeighedCase) -> float:
    """Odds that the rings of cylinder 3 are stuck."""
    share = next(b for cause, b in case.weighing.belief.items() if str(cause) == "oil-rings-stuck@cylinder 3")
    return share / (1 - share)


def test_an_accepted_record_multiplies_the_odds_by_its_stated_ratio() -> None:
    """Bayes in odds form. Without any finding the posterior odds are the prior odds times the ratio."""
    plain, told = weighed(), weighed(reported("accepted", 2.5))

    assert of_rings(told) / of_rings(plain) == pytest.approx(2.5, rel=1e-6)


def test_a_refused_record_moves_nothing_to_the_last_bit() -> None:
    plain, told = weighed(BAD_THREE), weighed(BAD_THREE, reported("refused"))

    assert dict(told.weighing.belief) == dict(plain.weighing.belief)


def test_a_record_about_something_unknown_is_refused_and_says_what_is_near() -> None:
    with pytest.raises(UnknownId, match="oil-rings-stuck"):
        weighed(reported("accepted", fault="oil-ring-stuck"))


def test_it_is_said_that_a_record_proves_nothing() -> None:
    assert say(reported("accepted"), load()).endswith("times 2.5. It proves nothing.")
    assert say(reported("refused"), load()).endswith("Not let count.")


def test_a_return_may_be_linked_to_a_closed_case_and_nothing_else_may() -> None:
    closed = Closed(state="declined", words="the owner will think about it")
    link = Linked(
        relation="later", case="c-9", driven_km=6000, complaint="back",
        lives=(LifeSeen(part="plug", cylinder=3, distance_km=6000, ended=True),),
    )  # fmt: skip

    case = replay(story(opened(), closed, link))

    assert case.state == "declined"
    assert "the plug of cylinder 3 lasted 6,000 km" in say(link, load())
    with pytest.raises(CaseIsClosed):
        replay(story(opened(), closed, Noted(words="one more thing")))


def test_the_words_of_an_invoice_leave_out_what_is_done_without_charge() -> None:
    lines = (Line(what="Coil", of="part", amount=40, quantity=2), Line(what="Fit it", amount=30, warranty=True))

    assert "80.00 EUR before tax" in say(Invoiced(number="7", lines=lines, currency="EUR"), load())


def test_further_consent_says_that_it_comes_on_top() -> None:
    words = say(Agreed(work="Injector too", limit=90, currency="EUR", further=True, contact="phone"), load())

    assert words == "Further work agreed (spoken, by phone): Injector too, 90 EUR on top."
