"""Windows, levels and naming of the virtual control unit's misfire monitor."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from firstcause.signals import Value
from firstcause.vehicle.layout import common_layout
from firstcause.virtualcar.air_path import manifold_kpa
from firstcause.virtualcar.control_unit import ControlUnit, EraseRefused
from firstcause.virtualcar.crankshaft import Crankshaft, Segments
from firstcause.virtualcar.engine import Burnt, WorkingPoint
from firstcause.virtualcar.misfire_monitor import MisfireSettings, MisfireWindows, codes_for, is_monitored


def counts(*numbers: int) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    return np.array(numbers, np.int64)


@pytest.mark.parametrize(
    ("by_cylinder", "codes"),
    [
        ((0, 0, 91, 9), ("P0303",)),
        ((0, 0, 90, 10), ("P0300", "P0303")),
        ((0, 0, 88, 12), ("P0300", "P0303", "P0304")),
        ((25, 25, 25, 25), ("P0300", "P0301", "P0302", "P0303", "P0304")),
        ((0, 0, 0, 0), ()),
        ((0,) * 11 + (5,), ("P0312",)),
    ],
)
def test_single_or_multiple_code(by_cylinder: tuple[int, ...], codes: tuple[str, ...]) -> None:
    """More than 90 % in one cylinder may store its code; two above 10 % must store P0300.

    13 CCR 1968.2(e)(3.1.3), text of 2007 [R 1].
    """
    assert codes_for(by_cylinder) == codes


@pytest.mark.parametrize(
    ("cylinders", "dead", "firings_200", "percent"),
    [(3, 100, 300, 33.3), (4, 100, 400, 25.0), (6, 100, 600, 16.7), (8, 100, 800, 12.5)],
)
def test_one_dead_cylinder_in_200_revolutions(cylinders: int, dead: int, firings_200: int, percent: float) -> None:
    """Arithmetic of the windows, table in reference 1.3 [C]."""
    windows = MisfireWindows(cylinders, MisfireSettings(catalyst_idle_percent=5.0, catalyst_loaded_percent=5.0))
    windows.add(2.0, np.zeros(cylinders, np.int64), 800, 20)
    found = windows.add(200.0, counts(dead, *[0] * (cylinders - 1)), 800, 20)
    assert [round(exceedance.percent, 1) for exceedance in found if exceedance.level == "catalyst"] == [percent]
    assert firings_200 == 200 * cylinders / 2


@pytest.mark.parametrize(("misfires", "exceeded"), [(19, False), (20, True)])
def test_one_percent_of_1000_revolutions_on_a_four_is_20(misfires: int, exceeded: bool) -> None:
    """2000 firings in 1000 revolutions; 1 % floor. (e)(3.2.2) [M], table in reference 1.3 [C]."""
    windows = MisfireWindows(4, MisfireSettings(emission_percent=0.3))  # asks for less than the floor
    windows.add(2.0, counts(0, 0, 0, 0), 800, 20)
    found = windows.add(1000.0, counts(0, 0, misfires, 0), 800, 20)
    assert ([one.level for one in found] == ["emission"]) is exceeded


def test_levels_never_fall_below_their_floors() -> None:
    """5 % and 1 %: (e)(3.2.1), (3.2.2) [M]."""
    settings = MisfireSettings(catalyst_idle_percent=3.0, catalyst_loaded_percent=1.0, emission_percent=0.2)
    assert settings.catalyst_level_percent(6000, 100) == 5.0
    assert settings.emission_level_percent == 1.0


@given(
    steps=st.lists(st.tuples(st.floats(0.5, 400.0), st.integers(0, 40), st.integers(0, 40)), min_size=1, max_size=40)
)
def test_no_misfire_is_lost_or_made_at_the_edge_of_a_window(steps: list[tuple[float, int, int]]) -> None:
    """However the time is cut, all misfires after the second revolution are in this cycle's count."""
    windows = MisfireWindows(2, MisfireSettings())
    windows.add(2.0, counts(0, 0), 800, 20)
    for revolutions, first, second in steps:
        windows.add(revolutions, counts(first, second), 800, 20)
    assert windows.this_cycle.tolist() == [sum(step[1] for step in steps), sum(step[2] for step in steps)]
    assert windows.since_start == pytest.approx(2 + sum(step[0] for step in steps))


def test_the_first_two_revolutions_do_not_count() -> None:
    """Monitored from the end of the second revolution: (e)(3.3.1) [M]."""
    windows = MisfireWindows(4, MisfireSettings())
    windows.add(2.0, counts(1, 1, 1, 1), 800, 20)
    assert windows.this_cycle.sum() == 0


@pytest.mark.parametrize(
    ("rpm", "load", "watched"),
    [
        (720, 0.2, True),
        (720, 0.07, False),
        (3000, 0.081, True),
        (6500, 0.23, False),
        (6500, 0.24, True),
        (0, 0.5, False),
    ],
)
def test_where_misfire_must_be_watched(rpm: float, load: float, watched: bool) -> None:
    """Positive torque without the wedge from 3000 rpm to redline, 4 inHg: (e)(3.3.1)(C) [M]."""
    assert is_monitored(rpm, load) is watched


# ---- the whole unit, fed by hand -----------------------------------------------------------------------------------


class Feeder:
    """Feeds a control unit of a four with misfires on cylinder 3 at a chosen share of its firings."""

    def __init__(self, **settings: Value) -> None:
        chosen = MisfireSettings(**settings)  # type: ignore[arg-type]
        self.unit = ControlUnit(common_layout("I4"), np.random.default_rng(1), chosen)
        self.crank = Crankshaft(self.unit.layout, np.random.default_rng(2))
        self.unit.start()
        self.run(2.0, 0.0)

    def run(self, revolutions: float, share: float, rpm: float = 720.0, load: float = 0.2) -> None:
        """So many revolutions in one step."""
        firings = round(revolutions / 2)
        point = WorkingPoint(revolutions * 60 / rpm, rpm, load, 0.0, 90.0, 20.0)
        missed = counts(0, 0, round(share * firings), 0)
        pressure_kpa = manifold_kpa(self.unit.layout, load)
        at = self.crank.firings(4 * firings)
        lost = np.zeros(len(at))
        lost[np.flatnonzero(at == 2)[: missed[2]]] = 1.0  # the first firings of cylinder 3 in this block fail
        segments = self.crank.turn(at, lost, rpm, pressure_kpa, speed_kmh=0.0)
        burnt = Burnt(counts(*[firings] * 4), missed, np.zeros(4), (1.0,), pressure_kpa, 3.4, (500.0,), segments)
        self.unit.observe(point, burnt)

    def restart(self) -> None:
        self.unit.stop()
        self.unit.start()
        self.run(2.0, 0.0)


def test_pending_at_the_first_exceedance_in_the_first_1000_revolutions() -> None:
    """(e)(3.4.2)(A) [M]. 10 % of one cylinder is 2.5 % of a four, above the 2 % level."""
    feeder = Feeder()
    feeder.run(1000, 0.10)
    assert feeder.unit.codes("pending") == ("P0303",)


@pytest.mark.parametrize(("blocks", "pending"), [(3, ()), (4, ("P0303",))])
def test_pending_at_the_fourth_exceedance_later(blocks: int, pending: tuple[str, ...]) -> None:
    """(e)(3.4.2)(B) [M]."""
    feeder = Feeder()
    feeder.run(1000, 0.0)
    for _ in range(blocks):
        feeder.run(1000, 0.10)
        feeder.run(1000, 0.0)
    assert feeder.unit.codes("pending") == pending


@pytest.mark.parametrize(("blocks", "lamp"), [(2, "off"), (3, "blinking")])
def test_catalyst_level_needs_three_in_the_certified_region(blocks: int, lamp: str) -> None:
    """Three times in the region of the certification cycle: (e)(3.4.1)(A)(i) [R 1]. Blinks at once: (A)(ii) [R 1]."""
    feeder = Feeder()
    for _ in range(blocks):
        feeder.run(200, 1.0)
    assert feeder.unit.lamp == lamp


def test_catalyst_level_once_outside_that_region() -> None:
    """Once in any other monitored region: (e)(3.4.1)(A)(i) [R 1]."""
    feeder = Feeder()
    feeder.run(200, 1.0, rpm=4200, load=0.8)
    assert feeder.unit.lamp == "blinking"


def test_blinking_ends_with_the_misfire_and_without_confirmation_the_lamp_is_off() -> None:
    """It may be off when misfire is not occurring: (e)(3.4.1)(A)(ii) [R 1]."""
    feeder = Feeder()
    for _ in range(3):
        feeder.run(200, 1.0)
    feeder.run(400, 0.0)
    assert feeder.unit.lamp == "off"
    feeder.restart()
    feeder.run(200, 1.0)  # again in the next cycle, once: confirmed, (e)(3.4.1)(B) [M]
    assert feeder.unit.codes("confirmed") == ("P0303",)
    feeder.run(400, 0.0)
    assert feeder.unit.lamp == "on"


def test_p0316_only_where_the_maker_uses_it() -> None:
    """P0316, misfire in the first 1000 revolutions, is optional (common practice, no source)."""
    feeder = Feeder(first_code=True)
    feeder.run(1000, 0.10)
    assert feeder.unit.codes("pending") == ("P0303", "P0316")


def test_counters_of_this_cycle_and_the_ten_cycle_average() -> None:
    """$06 tests 0C and 0B: new average = 0.1 this cycle + 0.9 before. SAE J1979 [M]."""
    feeder = Feeder()
    feeder.run(1000, 0.10)
    assert 45 <= feeder.unit.counts_this_cycle[2] <= 50  # the detector may put a few on a neighbour
    before = int(feeder.unit.counts_this_cycle[2])
    feeder.restart()
    assert feeder.unit.average_counts[2] == pytest.approx(0.1 * before)
    feeder.restart()
    assert feeder.unit.average_counts[2] == pytest.approx(0.09 * before)


def test_erase_is_refused_while_the_engine_runs() -> None:
    """7F 04 22, conditions not correct. SAE J1979 [M]."""
    feeder = Feeder()
    feeder.run(1000, 0.10)
    with pytest.raises(EraseRefused):
        feeder.unit.erase()
    assert feeder.unit.codes("pending") == ("P0303",)


def test_what_an_erase_wipes_and_what_it_leaves() -> None:
    """SAE J1979 [M]: codes, frame, counts, readiness go; in-use counters stay."""
    feeder = Feeder()
    for _ in range(2):
        feeder.run(1000, 0.10)
        feeder.restart()
    ignitions = feeder.unit.checks.ignitions
    feeder.unit.stop()
    assert feeder.unit.lamp == "on"
    feeder.unit.erase()
    unit = feeder.unit
    assert (unit.codes("confirmed"), unit.codes("pending"), unit.codes("permanent")) == ((), (), ("P0303",))
    assert unit.lamp == "off"
    assert unit.counts_this_cycle.sum() == 0
    assert unit.average_counts.sum() == 0
    assert "catalyst" in unit.checks.readiness(False, 0).incomplete
    assert unit.checks.ignitions == ignitions


def test_fuel_code_is_pending_at_once_and_confirmed_in_the_next_cycle() -> None:
    """Fuel system: (e)(6.4.1), (6.4.2) [R 1]. A sensor that shows 30 % lean drives the trim over the limit."""
    unit = ControlUnit(common_layout("V6"), np.random.default_rng(1))
    for _ in range(2):
        unit.start()
        for _ in range(300):
            point = WorkingPoint(1.0, 720.0, 0.2, 0.0, 90.0, 20.0)
            lean = 1.30 / (1 + unit.trims[1].total_percent / 100)
            none = np.zeros(6, np.int64)
            nothing = Segments(none[:0], np.zeros(0))
            unit.observe(point, Burnt(none + 6, none, np.zeros(6), (1.0, lean), 30.0, 3.4, (500.0, 500.0), nothing))
        unit.stop()
    assert unit.codes("confirmed") == ("P0174",)
    assert unit.lamp == "on"
