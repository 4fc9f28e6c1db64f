"""A case says which of its findings do not go together, and forgets a withdrawn one to the last bit."""

from __future__ import annotations

from functools import cache

import pytest
from tests.casebook.case_values import opened, story

from firstcause.casebook.case import replay
from firstcause.casebook.events import Body, Corrected, Counted, Found, Snapshot, Withdrawn
from firstcause.casebook.weighing import WeighedCase, weigh_case
from firstcause.knowledge.base import Knowledge, load

BEGUN: tuple[Body, ...] = (
    Snapshot(stored=("P0303",)),
    Counted(minutes={"idle": 3.0}, rpm=750, misfires={1: 0, 2: 0, 3: 260, 4: 0}),
)
LEAKS = Found(test="leak-down", place="cylinder 3", outcome="leaks")
TIGHT = Found(test="leak-down", place="cylinder 3", outcome="tight")


@cache
def base() -> Knowledge:
    return load()


def weighed(*more: Body) -> WeighedCase:
    return weigh_case(replay(story(opened(), *BEGUN, *more)), base())


def test_two_findings_that_do_not_go_together_are_said_with_what_to_do() -> None:
    """Ours: both are named in the words of the shop, with how much less likely, whom to doubt, and the minutes."""
    (conflict,) = weighed(LEAKS, TIGHT).to_dict()["conflicts"]
    assert conflict["events"] == ["e4", "e5"]
    assert conflict["times_less_likely"] > 4.0
    leak_down = base().tests["leak-down"]
    for outcome in ("leaks", "tight"):
        assert next(o.name for o in leak_down.outcomes if o.id == outcome) in conflict["words"]
    assert f"Read again the one you trust least; by the numbers that is {conflict['doubtful']}" in conflict["words"]
    assert f"about {conflict['read_again_minutes']:.0f} minutes" in conflict["words"]
    # All that the test needs is open already, since it was just done.
    assert conflict["read_again_minutes"] == leak_down.minutes


def test_nothing_is_said_where_all_goes_together() -> None:
    assert weighed(LEAKS).to_dict()["conflicts"] == []
    assert weighed(LEAKS, TIGHT, Withdrawn(event="e5", why="wrong cylinder")).to_dict()["conflicts"] == []


def test_a_withdrawn_finding_leaves_the_belief_as_it_was_to_the_last_bit() -> None:
    """Ours: the same numbers, not nearly the same ones."""
    before, after = weighed(LEAKS), weighed(LEAKS, TIGHT, Withdrawn(event="e5", why="wrong cylinder"))
    assert dict(after.weighing.belief) == dict(before.weighing.belief)
    assert after.weighing.posterior.log_evidence == before.weighing.posterior.log_evidence


def test_a_corrected_finding_weighs_as_if_it_had_been_read_right_to_the_last_bit() -> None:
    """Ours: the correction counts in the place and under the name of what it corrects."""
    wrong = (TIGHT, Corrected(event="e4", by=LEAKS, why="the gauge was on the wrong side"))
    assert dict(weighed(*wrong).weighing.belief) == dict(weighed(LEAKS).weighing.belief)


def test_an_unsure_finding_moves_less_than_a_sure_one_the_same_way() -> None:
    """Common practice, no source: "I think it was wet" counts, but less."""
    cause = "plug-fuel-fouled@plug-3"
    if cause not in weighed().weighing.belief:
        pytest.fail("the pack has lost the plug that is wet with fuel")
    belief = {
        sure: weighed(Found(test="plug-look", place="cylinder 3", outcome="fuel-wet", sure=sure)).weighing.belief[cause]
        for sure in ("sure", "fairly", "doubtful")
    }
    assert belief["sure"] > belief["fairly"] > belief["doubtful"] > weighed().weighing.belief[cause]
