"""What a case asks of its proving drive, and what the drive then says to the case."""

from __future__ import annotations

from math import exp, prod

import pytest
from tests.casebook.case_values import opened, story

from firstcause.casebook.case import replay
from firstcause.casebook.cured import drive_effect
from firstcause.casebook.events import (
    Body,
    Closed,
    Counted,
    Drove,
    Found,
    FreezeFrame,
    Renewed,
    Repaired,
    Snapshot,
    Told,
)
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
    suspect = road_suspect(case.weighing.model, case.weighing.belief)
    assert suspect is not None
    assert "contact-loose" in suspect.cause
    needs = plan_needs(case)
    assert needs.spacing_min == 35.0
    assert needs.frame is not None
    assert (needs.frame.rpm, needs.frame_speed_kmh) == (1800, 70)
    assert needs.incomplete == ("catalyst", "evap")
    assert needs.permanent == ("P0303",)


def test_without_anything_found_there_is_no_suspect_to_plan_for(knowledge: Knowledge) -> None:
    case = weighed(knowledge)
    assert road_suspect(case.weighing.model, case.weighing.belief) is None


def test_a_car_that_must_not_be_driven_says_so_before_the_plan(knowledge: Knowledge) -> None:
    flashing = Told(words="It shook and the lamp flashed.", lamp="flashing")
    needs = plan_needs(weighed(knowledge, flashing, *LOOSE))
    assert "Do not drive this car yet" in needs.stop[0]
    mended = plan_needs(weighed(knowledge, flashing, *LOOSE, Renewed(part="coil", cylinder=3)))
    assert "see first that the reason is gone" in mended.stop[0]
    assert not plan_needs(weighed(knowledge, Told(lamp="on"), *LOOSE)).stop


def drove(minutes: float, misfires: int = 0, **more: object) -> Drove:
    """A drive of so many minutes: a quarter at idle, half steady, a quarter under load."""
    ways = {"idle": minutes / 4, "cruise": minutes / 2, "load": minutes / 4}
    return Drove(minutes=ways, rpm=1500, misfires={1: 0, 2: 0, 3: misfires, 4: 0}, **more)  # type: ignore[arg-type]


def test_the_chance_of_a_cure_is_the_joint_of_there_before_and_gone_now(knowledge: Knowledge) -> None:
    """It lies below both halves, and above what it would be were they to exclude each other."""
    repaired = Repaired(repair="mend-coil-branch", place="cylinder 3")
    effect = drive_effect(replay(story(opened("I4"), *LOOSE, repaired)), knowledge, drove(30))
    for cured in (effect.before, effect.after):
        assert cured is not None
        assert cured.removed + cured.nothing_left - 1 - 1e-9 <= cured.probability
        assert cured.probability <= min(cured.removed, cured.nothing_left) + 1e-9
    assert effect.after is not None
    assert effect.after.probability > effect.before.probability
    behaviour = knowledge.faults["contact-loose-coil"].behaviour
    assert behaviour is not None
    missed = [1 - behaviour.acts[way] * (1 - exp(-m / 35)) for way, m in (("idle", 7.5), ("cruise", 15), ("load", 7.5))]
    assert effect.would_have_shown == pytest.approx(1 - prod(missed))


def test_so_many_minutes_more_do_make_it_so_sure(knowledge: Knowledge) -> None:
    """The minutes it names are driven: the chance of a cure is then what was promised, and not much before."""
    case = replay(story(opened("I4"), *LOOSE, Repaired(repair="mend-coil-branch", place="cylinder 3")))
    (wanted, minutes), *_ = drive_effect(case, knowledge, drove(20)).more
    assert minutes is not None
    longer = drive_effect(case, knowledge, drove(20 + minutes)).after
    shorter = drive_effect(case, knowledge, drove(20 + 0.8 * minutes)).after
    assert longer is not None
    assert shorter is not None
    assert shorter.probability < wanted <= longer.probability + 1e-6


def test_misfires_in_the_drive_lower_the_chance_and_a_drive_without_counters_leaves_it(knowledge: Knowledge) -> None:
    case = replay(story(opened("I4"), *LOOSE, Repaired(repair="mend-coil-branch", place="cylinder 3")))
    bad = drive_effect(case, knowledge, drove(20, misfires=900))
    assert bad.after is not None
    assert bad.after.probability < 0.5 * bad.before.probability
    assert bad.more == ()
    blind = drive_effect(case, knowledge, Drove(minutes={"cruise": 20}))
    assert blind.after is None
    assert "nobody counted" in blind.sentences()[0]


def test_a_drive_already_in_the_case_is_not_weighed_twice(knowledge: Knowledge) -> None:
    drive = drove(20, log_sha256="ab" * 32)
    repaired = Repaired(repair="mend-coil-branch", place="cylinder 3")
    without = replay(story(opened("I4"), *LOOSE, repaired))
    within = replay(story(opened("I4"), *LOOSE, repaired, drive, Closed(state="relieved")))
    assert drive_effect(within, knowledge, drive, "ab" * 32) == drive_effect(without, knowledge, drive)
