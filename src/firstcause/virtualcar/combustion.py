"""Whether a firing burns, and how much work it gives: one margin against the scatter of combustion, one spark."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

Floats = NDArray[np.float64]

# Margins count in standard deviations of the cycle-to-cycle scatter of combustion. All judgement: a sound engine
# misfires about once in 1e5 firings at idle; at lambda 1.25, idle, one in ten (lean limit 1.2-1.3, reference 4.8).
SOUND_MARGIN_IDLE, SOUND_MARGIN_LOADED, COLD_PENALTY = 4.3, 5.3, 0.4
LEAN_FREE, LEAN_COST_IDLE, LEAN_COST_LOADED = 1.05, 15.0, 8.0
RICH_FREE, RICH_COST = 0.85, 15.0
# A fifth of extra burnt gas costs as much as a fifth of extra air: part-load engines stand about the same of either.
# A share of the charge lost before ignition is taken to cost the same again: less to burn, a slower flame. Judgement.
DILUTION_COST = LOSS_COST = 16.0
WATER_COST_PER_ML = 3.0
FLAP_COST = 2.8  # without charge motion at low load: judgement
BAD_FUEL_COST = 5.0  # water in the fuel beyond its leaning: judgement
FLOAT_WIDTH_RPM = 150.0
# The arc must last: practical ignition takes 30-50 mJ (Heywood ch. 9, from memory); below 35 mJ it costs margin.
ARC_WANTED_MJ, ARC_COST = 35.0, 3.5
# Scatter of the work of firings that burn: 1-3 % at a good idle, over 10 % is felt (Heywood ch. 9, from memory).
WORK_SCATTER, WORK_SCATTER_MOST = 0.25, 0.30


def margin(
    *,
    load: float,
    coolant_c: float,
    lam: Floats,
    dilution: Floats | float,
    lost: Floats,
    water_ml: Floats,
    flap_stuck: float = 0.0,
    bad_fuel: float = 0.0,
) -> Floats:
    """Standard deviations between this firing and one that does not burn; shapes follow `lam`.

    `load` a share 0 to 1; `dilution` extra burnt gas and `lost` charge lost before ignition, as shares.
    """
    full = min(1.0, load / 0.5)
    z = SOUND_MARGIN_IDLE + (SOUND_MARGIN_LOADED - SOUND_MARGIN_IDLE) * full
    z -= COLD_PENALTY * min(max((60 - coolant_c) / 60, 0.0), 1.0)
    z -= FLAP_COST * flap_stuck * (1 - full) + BAD_FUEL_COST * bad_fuel
    lean_cost = LEAN_COST_IDLE + (LEAN_COST_LOADED - LEAN_COST_IDLE) * load
    each = z - lean_cost * np.maximum(0, lam - LEAN_FREE) - RICH_COST * np.maximum(0, RICH_FREE - lam)
    each = each - DILUTION_COST * dilution - LOSS_COST * np.maximum(lost, 0.0)
    return np.asarray(each - WATER_COST_PER_ML * water_ml)


def arc_cost(arc_mj: Floats) -> Floats:
    """Margin lost to an arc with too little energy behind it."""
    return np.asarray(ARC_COST * np.minimum(np.maximum(1 - arc_mj / ARC_WANTED_MJ, 0.0), 1.0))


def no_burn(z: Floats) -> Floats:
    """Chance that a firing with a spark does not burn."""
    return np.asarray(ndtr(-z))


def work_scatter(z: Floats) -> Floats:
    """Scatter of the work of firings that do burn, as a share of it: grows as the margin shrinks (judgement)."""
    return np.asarray(np.minimum(WORK_SCATTER / np.maximum(z, 0.5) ** 2, WORK_SCATTER_MOST))


def work_share(lam: Floats, dilution: Floats | float, lost: Floats, lost_later: Floats, lift: Floats) -> Floats:
    """Work of a firing that burns, against a sound one: less charge, less fuel when lean, gas lost while it expands.

    A lean charge burns a little more thriftily: work falls with the 0.8th power of the fuel (judgement).
    """
    lean = (1.0 / np.maximum(lam, 1.0)) ** 0.8
    return np.asarray(np.maximum(0.0, lift * (1 - np.maximum(lost, 0.0)) * (1 - dilution) * lean * (1 - lost_later)))
