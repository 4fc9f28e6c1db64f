"""Numbers on and around a border: belief moves smoothly, circumstances count, physics turns one into another."""

from __future__ import annotations

import pytest
from tests.knowledge.told_cases import packs

from firstcause.bench.bands import Meaning, meaning_of, strongest_of, weights_in_bands
from firstcause.bench.compression import at_usual_speed, judge_dry, judge_wet, oil_rise
from firstcause.bench.leakdown import LeakTester, judge_leakdown
from firstcause.bench.parts import judge_distance, judge_readings
from firstcause.bench.reading import ImpossibleReading
from firstcause.bench.trims import Trims, judge_trims
from firstcause.knowledge.base import Knowledge, load
from firstcause.knowledge.schema import FaultEntry, TestEntry
from firstcause.units import KPA_PER_PSI
from firstcause.vehicle.layout import common_layout

PACK = load("misfire").tests
# One division of the gauge may move the belief in a fault that was an even bet by no more than this.
# (By hand: a division of half a spread on a border between 49 to 1 for and 49 to 1 against moves 0.18.)
MOST_A_DIVISION = 0.2
POINT = 0.01


def measured_tests() -> list[tuple[Knowledge, TestEntry]]:
    found = []
    for pack in packs():
        knowledge = load(pack)
        found += [(knowledge, test) for test in knowledge.tests.values() if test.measures is not None]
    return found


def likelihood(test: TestEntry, fault: FaultEntry, weights: dict[str, float]) -> float:
    """P(this number | only this fault) up to a constant; a fault that shows nothing is as good as none."""
    shown = next((dict(shows.outcomes) for shows in fault.shows if shows.test == test.id), {})
    first = test.outcomes[0].id
    shown[first] = 1.0 - sum(share for name, share in shown.items() if name != first)
    return sum(shown.get(name, 0.0) * weight for name, weight in weights.items())


@pytest.mark.parametrize(("knowledge", "test"), measured_tests(), ids=lambda each: getattr(each, "id", ""))
def test_no_fault_jumps_when_the_reading_moves_by_one_division(knowledge: Knowledge, test: TestEntry) -> None:
    """Ours: a bare threshold would move a burnt valve from 1 in 2 to 29 in 30 between 60 and 59 of 80 psi."""
    measures = test.measures
    assert measures is not None
    faults = [fault for fault in knowledge.faults.values() if any(shows.test == test.id for shows in fault.shows)]
    meaning = meaning_of(measures, {})

    def belief(value: float) -> dict[str, float]:
        weights = weights_in_bands(measures, value, meaning)
        none = sum(test.otherwise.outcomes.get(name, 0.0) * weight for name, weight in weights.items())
        there = {fault.id: likelihood(test, fault, weights) for fault in faults}
        return {name: share / (share + none) for name, share in there.items()}

    for border in measures.borders:
        value = border - 8 * measures.spread
        before = belief(value)
        while value < border + 8 * measures.spread:
            value += measures.division
            after = belief(value)
            jumps = {name: abs(after[name] - before[name]) for name in after}
            assert max(jumps.values()) <= MOST_A_DIVISION, (value, jumps)
            before = after


def test_on_the_border_both_sides_are_as_likely_and_far_from_it_one_is_sure() -> None:
    """By hand: the normal distribution is one half at its middle, and 0.9987 at three spreads."""
    measures = PACK["leak-down"].measures
    assert measures is not None
    on = weights_in_bands(measures, 25.0, Meaning(0.0, 3.0))
    assert on["leaks"] == pytest.approx(0.5)
    assert on["fair"] == pytest.approx(0.5, abs=1e-6)
    assert weights_in_bands(measures, 34.0, Meaning(0.0, 3.0))["leaks"] == pytest.approx(0.99865, abs=5e-6)
    assert sum(on.values()) == pytest.approx(1.0)


def test_far_from_every_border_a_number_says_what_its_outcome_says() -> None:
    judged = judge_leakdown(PACK["leak-down"], 26 * KPA_PER_PSI, LeakTester.of_inch(0.040))
    assert judged.outcome == "leaks"
    assert judged.weights["leaks"] == pytest.approx(1.0, abs=1e-9)
    assert "of 100 alike" not in judged.sentence
    near = judge_leakdown(PACK["leak-down"], 59 * KPA_PER_PSI, LeakTester.of_inch(0.040))
    assert near.outcome == "leaks"
    assert 0.5 < near.weights["leaks"] < 0.75
    assert "of 100 alike" in near.sentence


@pytest.mark.parametrize(
    ("rpm", "sound_psi", "leaking_psi"),
    [
        (100, 193, (174, 163, 147, 134, 122, 109)),
        (150, 198, (184, 177, 165, 154, 145, 134)),
        (250, 203, (194, 189, 181, 174, 167, 159)),
        (300, 204, (197, 193, 186, 180, 174, 166)),
    ],
)
def test_a_share_at_another_cranking_speed(rpm: float, sound_psi: float, leaking_psi: tuple[float, ...]) -> None:
    """
    A crank-resolved model run apart from this code (heat loss and leak, table of gauge psi by leak area and speed):
    leaks of 0.32 to 1.4 mm2 read 190, 184, 175, 166, 158, 149 at 200 rpm against 201; within 1 point of the best.
    """
    at_200 = [psi / 201 for psi in (190, 184, 175, 166, 158, 149)]
    for psi, expected in zip(leaking_psi, at_200, strict=True):
        assert at_usual_speed(psi / sound_psi, rpm) == pytest.approx(expected, abs=POINT + 0.001)


def test_a_slow_starter_makes_a_small_leak_look_large_and_is_allowed_for() -> None:
    """147 of 193 psi at 100 rpm is 76 %, as if it were nearly condemned; at 200 rpm the same leak reads 87 %."""
    psi = {1: 193 * KPA_PER_PSI, 2: 147 * KPA_PER_PSI}
    plain = judge_dry(PACK["compression-dry"], psi, 2)
    slow = judge_dry(PACK["compression-dry"], psi, 2, circumstances={"cranking-rpm": 100})
    assert plain.value == pytest.approx(76.2, abs=0.1)
    assert slow.value == pytest.approx(87.3, abs=0.1)
    assert slow.weights["low"] < 0.001 < plain.weights["low"]
    assert "100 rpm" in slow.sentence
    for bad in (10, 2000, "fast"):
        with pytest.raises(ImpossibleReading):
            judge_dry(PACK["compression-dry"], psi, 2, circumstances={"cranking-rpm": bad})


@pytest.mark.parametrize(("oil_ml", "rise"), [(2, 204 / 196), (5, 219 / 196), (10, 247 / 196), (15, 283 / 196)])
def test_oil_alone_lifts_a_sound_cylinder(oil_ml: float, rise: float) -> None:
    """A crank-resolved model run apart from this code: 196 psi dry, 204 / 219 / 247 / 283 with 2 / 5 / 10 / 15 ml."""
    assert oil_rise(oil_ml, common_layout("I4")) == pytest.approx(rise, rel=0.02)


def test_a_wet_test_without_a_good_cylinder_is_judged_by_the_oil_and_less_surely() -> None:
    """149 psi dry and 10 ml of oil: 240 seals rings, 181 is room only (computed apart from this code)."""
    layout, wet = common_layout("I4"), PACK["compression-wet"]
    rings = judge_wet(wet, 149, 240, oil_ml=10, layout=layout)
    valve = judge_wet(wet, 149, 181, oil_ml=10, layout=layout)
    assert rings.outcome == "rises-clearly"
    assert valve.outcome == "no-more-than-a-good-one"
    beside = judge_wet(wet, 149, 181, (196, 247))
    assert valve.spread is not None
    assert beside.spread is not None
    assert valve.spread > 2 * beside.spread
    with pytest.raises(ImpossibleReading):
        judge_wet(wet, 149, 181, oil_ml=40, layout=layout)


def test_a_cold_engine_and_oil_in_the_bore_change_what_a_loss_means() -> None:
    """Ours, the figures stand in the knowledge file: 27 % lost condemns less cold, more after a wet test."""

    def leaks(**under: str) -> float:
        judged = judge_leakdown(
            PACK["leak-down"],
            0.73 * 80 * KPA_PER_PSI,
            LeakTester.of_inch(0.040),
            circumstances={k.replace("_", "-"): v for k, v in under.items()},
        )
        return judged.weights["leaks"]

    assert leaks(engine="cold") < leaks() < leaks(oil_in_the_bore="yes")
    assert leaks(engine="warm") == leaks()


def test_the_battery_has_a_border_for_each_state() -> None:
    """Common practice, no source: 12.2 V at rest, 9.6 V cranking, 13.2 V charging are the borders."""
    test = PACK["system-voltage"]
    for at, border in (("at-rest", 12.2), ("cranking", 9.6), ("charging", 13.2)):
        judged = judge_readings(test, border, {}, {"at": at})
        assert judged.weights["low"] == pytest.approx(0.5)
        assert judged.limit == pytest.approx(border)
    one_bad = judge_readings(test, 8.8, {"at-rest": 12.6, "charging": 14.2}, {"at": "cranking"})
    assert one_bad.weights["low"] > 0.99
    all_good = judge_readings(test, 10.6, {"at-rest": 12.7, "charging": 14.2}, {"at": "cranking"})
    assert all_good.weights["good"] > 0.95
    with pytest.raises(ImpossibleReading, match="outside 0 to 20 V"):
        judge_readings(test, 124, {})


def test_several_readings_show_the_most_striking_of_them() -> None:
    """By hand: two readings, each low in 1 of 5, are both good in 0.8 x 0.8."""
    test = PACK["system-voltage"]
    both = strongest_of(test, [{"good": 0.8, "low": 0.2}, {"good": 0.8, "low": 0.2}])
    assert both == pytest.approx({"good": 0.64, "low": 0.36})


def test_a_gap_on_either_side_of_the_sisters_is_out_of_family_smoothly() -> None:
    at_border = judge_distance(PACK["coil-resistance"], {1: 0.7, 2: 0.805, 3: 0.7, 4: 0.7}, 2, "ohm")
    assert at_border.weights["out-of-family"] == pytest.approx(0.5, abs=0.01)
    below = judge_distance(PACK["coil-resistance"], {1: 0.7, 2: 0.5, 3: 0.7, 4: 0.7}, 2, "ohm")
    assert below.weights["out-of-family"] > 0.99


def test_trims_move_smoothly_from_pattern_to_pattern() -> None:
    """Ours: no pattern moves by more than 0.2 when a trim moves by the 0.8 points in which the data link counts."""
    before = None
    for step in range(-40, 41):
        weights = judge_trims(PACK["trims-by-region"], Trims(idle=0.8 * step, at_2500=3.0)).weights
        assert sum(weights.values()) == pytest.approx(1.0)
        if before is not None:
            assert max(abs(weights[name] - before[name]) for name in weights) < 0.2
        before = weights


def test_lean_in_one_region_alone_speaks_for_every_lean_pattern_and_names_none() -> None:
    judged = judge_trims(PACK["trims-by-region"], Trims(idle=20))
    assert judged.outcome is None
    assert judged.weights["lean-everywhere"] == pytest.approx(1 / 3, abs=0.001)
    assert judged.weights["normal"] < 1e-6
