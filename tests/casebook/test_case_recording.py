"""What may be recorded next: known, able to stand, and never cured against a hard objection."""

from __future__ import annotations

import pytest
from tests.casebook.case_values import opened, story

from firstcause.casebook.case import replay
from firstcause.casebook.events import Closed, Corrected, Counted, Found, Moved, Noted, Reopened, Snapshot
from firstcause.casebook.recording import admitted, admitted_closings
from firstcause.casebook.refusals import BrokenOrder, UnknownId
from firstcause.casebook.weighing import weigh_case
from firstcause.errors import CaseError
from firstcause.knowledge.base import load

KNOWLEDGE = load()
SICK = (opened(), Snapshot(stored=("P0303",)), Counted(minutes={"idle": 2}, rpm=720, misfires={3: 180}))


def admit(body, *bodies):
    case = replay(story(*bodies))
    return admitted(case, body, KNOWLEDGE, lambda: weigh_case(case, KNOWLEDGE))


def test_nothing_is_weighed_for_what_is_no_closing():
    case = replay(story(opened()))

    def never():
        raise AssertionError("weighed without need")

    assert admitted(case, Noted(words="hm"), KNOWLEDGE, never) == Noted(words="hm")


def test_an_unknown_test_is_refused():
    with pytest.raises(UnknownId, match="no-such-test"):
        admit(Found(test="no-such-test", place="cylinder 3", outcome="x"), opened())


def test_cured_and_relieved_are_refused_while_it_misfires_and_a_soft_objection_is_kept():
    for state in ("cured", "relieved"):
        with pytest.raises(BrokenOrder, match="still shows misfires"):
            admit(Closed(state=state), *SICK)

    declined = admit(Closed(state="declined"), *SICK, Moved(part="coil", first=3, second=1))
    assert any("Parts are not where they came from" in words for words in declined.despite)


def test_a_correction_is_no_back_door_to_cured():
    bodies = (*SICK, Closed(state="not-found"), Reopened(why="once more"))
    with pytest.raises(CaseError, match="still shows misfires"):
        admit(Corrected(event="e4", by=Closed(state="cured"), why="wishful"), *bodies)


def test_closings_of_a_story_told_at_once_are_held_to_what_was_known_then():
    events = story(*SICK, Closed(state="relieved"), Reopened(why="it came back"), Closed(state="not-found"))
    taken = admitted_closings(events[:3], KNOWLEDGE)
    assert taken == tuple(events[:3])

    with pytest.raises(BrokenOrder, match="still shows misfires"):
        admitted_closings([*events[:3], events[3].model_copy(update={"body": Closed(state="cured")})], KNOWLEDGE)

    declined = [*events[:3], events[3].model_copy(update={"body": Closed(state="declined")})]
    expected = admit(Closed(state="declined"), *SICK)
    assert admitted_closings(declined, KNOWLEDGE)[-1].body == expected


def test_objections_that_a_closing_carries_already_stay_as_they_were_kept():
    events = story(*SICK, Closed(state="not-found", despite=("as it was then",)))
    assert admitted_closings(events, KNOWLEDGE) == tuple(events)
