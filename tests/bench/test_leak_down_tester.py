"""The differential tester as two orifices in series: a table computed apart from this code, and the FAA limits."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from firstcause.bench.leakdown import (
    LeakTester,
    air_exits,
    convert_reading,
    flow_function,
    judge_leakdown,
    leak_area_mm2,
    loss_percent,
    reading_kpa,
    standard_tester,
    where_air_leaves,
)
from firstcause.bench.reading import ImpossibleReading
from firstcause.knowledge.base import load
from firstcause.units import KPA_PER_PSI

LEAK = load("misfire").tests["leak-down"]
SMALL, LARGE = LeakTester.of_inch(0.040), LeakTester.of_inch(0.060)
HALF_THOUSANDTH = 0.0005
HALF_TENTH_PSI = 0.05


def test_flow_through_an_orifice_chokes_at_0_5283() -> None:
    """Critical ratio 0.5283 and choked function 0.6847 for gamma 1.4 (gas dynamics text, from memory)."""
    assert flow_function(0.5283) == pytest.approx(0.6847, abs=0.00005)
    assert flow_function(0.2) == flow_function(0.5282)
    assert flow_function(0.54) < flow_function(0.5283)
    assert flow_function(1.0) == 0.0


def test_a_choked_leak_passes_0_239_grams_a_second_for_each_square_millimetre() -> None:
    """Air at 101.3 kPa and 293 K, choked: 0.239 g/s per mm2 (computed apart from this code; three digits)."""
    grams = 1e-6 * 101_300 / (287.05 * 293) ** 0.5 * flow_function(0.0) * 1000
    assert grams == pytest.approx(0.239, abs=HALF_THOUSANDTH)


@pytest.mark.parametrize(
    ("shown", "small_mm2", "large_mm2"),
    [
        (79, 0.138, 0.311),
        (78, 0.197, 0.442),
        (75, 0.316, 0.710),
        (70, 0.458, 1.031),
        (65, 0.577, 1.299),
        (60, 0.687, 1.545),
        (50, 0.897, 2.019),
        (40, 1.117, 2.513),
        (30, 1.374, 3.092),
        (20, 1.770, 3.983),
        (10, 2.512, 5.652),
    ],
)
def test_the_leak_behind_a_reading(shown: float, small_mm2: float, large_mm2: float) -> None:
    """Leak area for a reading of 80 psi, 0.040 and 0.060 in (table computed apart from this code; three decimals)."""
    assert leak_area_mm2(shown * KPA_PER_PSI, SMALL) == pytest.approx(small_mm2, abs=HALF_THOUSANDTH)
    assert leak_area_mm2(shown * KPA_PER_PSI, LARGE) == pytest.approx(large_mm2, abs=HALF_THOUSANDTH)


@pytest.mark.parametrize("tester", [SMALL, LARGE])
def test_a_leak_as_large_as_the_master_orifice_reads_61_8(tester: LeakTester) -> None:
    """61.8 of 80 psig at sea level with either orifice: physics alone, a self-check of any tester."""
    assert reading_kpa(tester.effective_mm2, tester) / KPA_PER_PSI == pytest.approx(61.8, abs=HALF_TENTH_PSI)


@pytest.mark.parametrize(("small", "large"), [(60, 75.3), (70, 77.9), (50, 72.2), (40, 68.5)])
def test_the_same_leak_on_two_testers(small: float, large: float) -> None:
    """60/80 on 0.040 in is 75.3/80 on 0.060 in: physics alone (one decimal)."""
    assert convert_reading(small * KPA_PER_PSI, SMALL, LARGE) / KPA_PER_PSI == pytest.approx(large, abs=HALF_TENTH_PSI)


@pytest.mark.parametrize(("supply", "shown"), [(100, 75.8), (40, 28.4)])
def test_the_same_leak_at_another_supply(supply: float, shown: float) -> None:
    """The 60/80 leak reads 75.8/100 and 28.4/40 (computed apart from this code; one decimal)."""
    other = LeakTester.of_inch(0.040, supply)
    assert convert_reading(60 * KPA_PER_PSI, SMALL, other) / KPA_PER_PSI == pytest.approx(shown, abs=HALF_TENTH_PSI)


@given(st.floats(0.01, 8), st.sampled_from([SMALL, LARGE, LeakTester(1.5, 600)]))
def test_area_to_reading_and_back(leak_mm2: float, tester: LeakTester) -> None:
    assert leak_area_mm2(reading_kpa(leak_mm2, tester), tester) == pytest.approx(leak_mm2, rel=1e-6)


@pytest.mark.parametrize(
    ("shown", "outcome"), [(80, "tight"), (72, "tight"), (71, "fair"), (60, "fair"), (59, "leaks"), (26, "leaks")]
)
def test_more_than_a_quarter_lost_is_suspect(shown: float, outcome: str) -> None:
    """FAA AC 43.13-1B ch. 8 para 8-14: loss above 25 % of input (60/80); 10 %: common practice, no source."""
    judged = judge_leakdown(LEAK, shown * KPA_PER_PSI, SMALL)
    assert judged.outcome == outcome
    assert judged.limit == 25
    assert "AC 43.13-1B" in judged.limit_source


def test_orifice_by_bore() -> None:
    """FAA FAASTeam tip Nov 2011 quoting AC 43.13-1B: bore below 5.00 in 0.040 in, from 5.00 in 0.060 in."""
    assert standard_tester(86.0).orifice_mm == pytest.approx(1.016)
    assert standard_tester(127.0).orifice_mm == pytest.approx(1.524)


def test_a_large_orifice_hides_the_leak_of_a_small_engine() -> None:
    """75/80 looks tight on 0.060 in, but on the 0.040 in that belongs to an 86 mm bore it is at the limit."""
    judged = judge_leakdown(LEAK, 75 * KPA_PER_PSI, LARGE, bore_mm=86)
    assert loss_percent(75, 80) < 10
    assert judged.outcome == "leaks"
    assert any("the standard one" in note for note in judged.notes)


def test_an_unknown_orifice_is_judged_with_a_warning() -> None:
    judged = judge_leakdown(LEAK, 70.0, None, supply_kpa=100.0)
    assert (judged.outcome, round(judged.value)) == ("leaks", 30)
    assert any("orifice not known" in note for note in judged.notes)
    assert judged.spread > judge_leakdown(LEAK, 70.0, LeakTester(1.016, 100.0)).spread


def test_readings_that_cannot_be_are_refused() -> None:
    for bad in (0.0, -1.0, 81 * KPA_PER_PSI, float("nan")):
        with pytest.raises(ImpossibleReading):
            judge_leakdown(LEAK, bad, SMALL)
    with pytest.raises(ImpossibleReading):
        judge_leakdown(LEAK, 50.0, None)
    with pytest.raises(ImpossibleReading):
        LeakTester(0, 500)
    with pytest.raises(ImpossibleReading):
        where_air_leaves("boot")


def test_where_the_air_comes_out() -> None:
    """TM 5-4210-230-14&P-1 names valves, head gasket, rings; the rest is common practice, no source."""
    assert where_air_leaves("tailpipe")[0] == "exhaust valve"
    assert where_air_leaves("oil-filler")[0] == "rings or piston"
    assert len({where_air_leaves(place)[1] for place in air_exits()}) == len(air_exits())
