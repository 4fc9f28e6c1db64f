"""Spark: what the gap demands, what coil, boot and insulator can supply, and what is left of it."""

from __future__ import annotations

from math import exp, log

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

TORR_PER_KPA = 760 / 101.325
PASCHEN_A = 15.0  # 1/(cm Torr), air; physics page read, see reference source S11
PASCHEN_B = 365.0  # V/(cm Torr), air; same
SECONDARY_EMISSION = 0.01  # judgement
SHARP_EDGE, WORN_EDGE = 0.70, 0.85  # demand against a uniform field: new sharp, worn rounded; judgement
COIL_ENERGY_MJ = 80.0  # stored in a sound coil; 60-110 mJ computed from L 2.5-5 mH, 6.5-8 A
COIL_EFFICIENCY = 0.7  # judgement
COIL_HENRY, COIL_OHM, COIL_FULL_A, LONGEST_DWELL_S = 3.3e-3, 0.65, 7.0, 3.5e-3  # 81 mJ at 7 A; reference 4.7, judgement
SECONDARY_PF = 60.0
RISE_US = 25.0  # time the voltage needs to rise: what a shunt has to bleed it


def breakdown_kv(pressure_kpa: Floats | float, temperature_k: Floats | float, gap_mm: Floats | float) -> Floats:
    """Uniform-field breakdown of a gap in air.

    Paschen's law: V = B p d / ln(A p d / ln(1 + 1/gamma)); pressure taken at the density of 293 K air.
    Arguments broadcast; shapes follow. Source: Paschen constants of air A 15, B 365 per cm Torr.
    """
    pd = np.asarray(pressure_kpa) * TORR_PER_KPA * 293.0 / np.asarray(temperature_k) * np.asarray(gap_mm) / 10
    return np.asarray(PASCHEN_B * pd / np.log(PASCHEN_A * pd / np.log(1 + 1 / SECONDARY_EMISSION)) / 1000)


def coil_energy_mj(energy_fraction: Floats | float, battery_v: float = 14.0, feed_drop_v: float = 0.0) -> Floats:
    """Energy stored when the current is cut: L I^2 / 2, the current as far as it comes in the time it is given.

    The control unit gives the time that `battery_v` needs, up to its longest; `feed_drop_v` it does not know of.
    I(t) = V/R (1 - exp(-t R/L)). Source: reference 4.7 (L 2.5-5 mH, 6.5-8 A, 3.3-6.3 ms at 9 V, computed there).
    """
    reach = min(0.999, COIL_FULL_A * COIL_OHM / max(battery_v, 0.1))
    dwell_s = min(LONGEST_DWELL_S, -COIL_HENRY / COIL_OHM * log(1 - reach))
    current_a = max(0.0, battery_v - feed_drop_v) / COIL_OHM * (1 - exp(-dwell_s * COIL_OHM / COIL_HENRY))
    return np.asarray(COIL_ENERGY_MJ * np.asarray(energy_fraction) * min(1.0, current_a / COIL_FULL_A) ** 2)


def coil_kv(energy_fraction: Floats | float, battery_v: float = 14.0, feed_drop_v: float = 0.0) -> Floats:
    """Open voltage a coil can reach: sqrt(2 x efficiency x energy / capacitance)."""
    energy_j = coil_energy_mj(energy_fraction, battery_v, feed_drop_v) / 1000
    return np.asarray(np.sqrt(2 * COIL_EFFICIENCY * energy_j / (SECONDARY_PF * 1e-12)) / 1000)


def share_left_by_shunt(insulation_ohm: Floats | float) -> Floats:
    """Share of the voltage that a dirty insulator leaves: exp(-rise time / (R C))."""
    return np.asarray(np.exp(-RISE_US * 1e-6 / (np.asarray(insulation_ohm) * SECONDARY_PF * 1e-12)))
