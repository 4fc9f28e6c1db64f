"""What may be recorded next: known, able to stand, and never cured against a hard objection."""

from __future__ import annotations

import pytest
from tests.casebook.case_values import opened, story

from firstcause.casebook.case import replay
from firstcause.casebook.events import Closed, Corrected, Counted, Found, Noted, Reopened, Snapshot
from firstcause.casebook.recording import admitted
from firstcause.casebook.refusals import BrokenOrder, UnknownId
from firstcause.casebook.weighing import weigh_case
from firstcause.errors import CaseError
from firstcause.knowledge.base import load

KNOWLEDGE = load()
SICK = (opened(), Snapshot(stored=("P0303",)), Counted(minutes={"idle": 2}, rpm=720, misfires={3: 180}))


def admit(body, *bodies):
    case = replay(story(*bodies))
    return admitted(case, body, KNOWLEDGE, lambda: weigh_case(case, KNOWLEDGE, explain=False))


def test_nothing_is_weighed_for_what_is_no_closing():
    case = replay(story(opened()))

    def never():
        raise AssertionError("weighed without need")

    assert admitted(case, Noted(words="hm"), KNOWLEDGE, never) == Noted(words="hm")


def test_an_unknown_test_is_refused():
    with pytest.raises(UnknownId, match="no-such-test"):
        admit(Found(test="no-such-test", place="cylinder 3", outcome="x"), opened())


def test_cured_is_refused_and_relieved_keeps_what_was_said_against_it():
    with pytest.raises(BrokenOrder, match="still shows misfires"):
        admit(Closed(state="cured"), *SICK)

    relieved = admit(Closed(state="relieved"), *SICK)
    assert any("still shows misfires" in words for words in relieved.despite)


def test_a_correction_is_no_back_door_to_cured():
    bodies = (*SICK, Closed(state="not-found"), Reopened(why="once more"))
    with pytest.raises(CaseError, match="still shows misfires"):
        admit(Corrected(event="e4", by=Closed(state="cured"), why="wishful"), *bodies)
