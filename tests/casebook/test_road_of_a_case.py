"""What a case asks of its proving drive, and what the drive then says to the case."""

from __future__ import annotations

import pytest
from tests.casebook.case_values import opened, story

from firstcause.casebook.case import replay
from firstcause.casebook.events import Body, Counted, Found, FreezeFrame, Renewed, Snapshot, Told
from firstcause.casebook.road import plan_needs, road_suspect
from firstcause.casebook.weighing import WeighedCase, weigh_case
from firstcause.knowledge.base import Knowledge, load

FRAME = FreezeFrame(code="P0303", rpm=1800, load_percent=45, coolant_c=90, speed_kmh=70)


@pytest.fixture(scope="module")
def knowledge() -> Knowledge:
    return load("misfire")


def weighed(knowledge: Knowledge, *bodies: Body) -> WeighedCase:
    return weigh_case(replay(story(opened("I4"), *bodies)), knowledge)


LOOSE: tuple[Body, ...] = (
    Snapshot(stored=("P0303",), freeze_frame=FRAME, permanent=("P0303",), readiness_incomplete=("catalyst", "evap")),
    Counted(minutes={"idle": 5, "cruise": 10}, rpm=1500, misfires={1: 0, 2: 0, 3: 900, 4: 0}),
    Found(test="coil-terminal-drag", place="cylinder 3", outcome="loose"),
    Found(test="wiggle", place="cylinder 3", outcome="toggles"),
)


def test_a_fault_that_comes_in_bouts_brings_its_spacing_into_the_plan(knowledge: Knowledge) -> None:
    """The spacing is the entry's own, 35 min (judgement in the pack), for a terminal found loose."""
    case = weighed(knowledge, *LOOSE)
    suspect = road_suspect(case)
    assert suspect is not None
    assert "contact-loose" in suspect.cause
    needs = plan_needs(case)
    assert needs.spacing_min == 35.0
    assert needs.frame is not None
    assert (needs.frame.rpm, needs.frame_speed_kmh) == (1800, 70)
    assert needs.incomplete == ("catalyst", "evap")
    assert needs.permanent == ("P0303",)


def test_without_anything_found_there_is_no_suspect_to_plan_for(knowledge: Knowledge) -> None:
    assert road_suspect(weighed(knowledge)) is None


def test_a_car_that_must_not_be_driven_says_so_before_the_plan(knowledge: Knowledge) -> None:
    flashing = Told(words="It shook and the lamp flashed.", lamp="flashing")
    needs = plan_needs(weighed(knowledge, flashing, *LOOSE))
    assert "Do not drive this car yet" in needs.stop[0]
    mended = plan_needs(weighed(knowledge, flashing, *LOOSE, Renewed(part="coil", cylinder=3)))
    assert "see first that the reason is gone" in mended.stop[0]
    assert not plan_needs(weighed(knowledge, Told(lamp="on"), *LOOSE)).stop
