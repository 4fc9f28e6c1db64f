"""How long a plug lives with oil: the fouling law of the virtual car against the table of the reference."""

from __future__ import annotations

import numpy as np
import pytest

from firstcause.units import MILE_KM
from firstcause.virtualcar.fouling import FoulingState
from firstcause.virtualcar.parts import Plug, look_of

SEEDS = range(9)


def miles_until_fouled(oil_mg: float, hot_share: float, seed: int, most_miles: float = 60_000.0) -> float:
    """Trips of lognormal length, median 7 miles, a share of each with a hot insulator, until 3 decades are lost."""
    rng = np.random.default_rng(seed)
    plugs, one, zero, fuelled = [Plug("P-1")], np.ones(1), np.zeros(1), np.array([True])
    driven = 0.0
    while driven < most_miles:
        trip = float(rng.lognormal(np.log(7.0), 0.8))
        state = FoulingState.gather(plugs, np.array([oil_mg]), rng)
        for share, rpm, load, nose_c in ((1 - hot_share, 800.0, 0.1, 340.0), (hot_share, 2500.0, 0.6, 620.0)):
            state.insulator_c[:] = nose_c
            state.advance(share * trip * MILE_KM / 40 * 3600, 40.0, rpm, load, one, zero, zero, fuelled)
        state.scatter(plugs)
        driven += trip
        if plugs[0].oil_decades + plugs[0].ash_decades > 3:
            break
    return driven


@pytest.mark.parametrize(
    ("oil_mg", "hot_share", "median_miles"),
    [
        (0.27, 0.2, 10_800), (0.55, 0.2, 1_560), (0.55, 0.5, 5_850), (0.55, 0.8, 7_000),
        (1.1, 0.2, 350), (1.1, 0.5, 1_310), (1.1, 0.8, 2_460),
    ],
)  # fmt: skip
def test_median_life_of_a_plug(oil_mg: float, hot_share: float, median_miles: float) -> None:
    """Table of reference 4.9, computed there from the trip law; city, mixed, motorway.

    The reference prints spreads of 4 to 30 % and not the spread of its trips, so 30 % is allowed.
    """
    lives = [miles_until_fouled(oil_mg, hot_share, seed) for seed in SEEDS]
    assert float(np.median(lives)) == pytest.approx(median_miles, rel=0.3)


@pytest.mark.parametrize("oil_mg", [0.03, 0.05])
def test_below_the_threshold_dose_never(oil_mg: float) -> None:
    """0.03-0.07 mg a cycle: never in 60 000 miles (reference 4.9)."""
    assert miles_until_fouled(oil_mg, 0.2, seed=1) >= 60_000


@pytest.mark.parametrize(
    ("state", "look"),
    [
        ({}, "normal"),
        ({"oil_decades": 3.0}, "oil-wet"),
        ({"carbon_decades": 2.0}, "dry-carbon"),
        ({"ash_decades": 1.5}, "ash"),
        ({"fuel_wet": 0.9}, "fuel-wet"),
        ({"no_fuel_mark": 0.9}, "clean-cold"),
        ({"lean_mark": 0.9}, "white"),
        ({"coolant_mark": 0.9}, "coolant-crust"),
        ({"gap_mm": 1.5}, "worn"),
        ({"insulator_flashover_kv": 6.0, "oil_decades": 3.0}, "cracked"),
    ],
)
def test_how_a_plug_looks(state: dict[str, float], look: str) -> None:
    """Normal, dry carbon, wet oil, white: TM 10-3930-653-14&P, TM 5-4210-230-14&P-1 (read); rest common practice."""
    assert look_of(Plug("P-1", **state)).look == look
