"""Several causes at once: by which of them the complaint comes back first, and by when (competing risks)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from firstcause.errors import RequestError
from firstcause.outlook.lifetime import LifeBelief

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Risk:
    """One cause that may bring the complaint back: the chance that it stands, its life, how long it has held."""

    name: str
    chance: float
    life: LifeBelief
    running_km: float = 0.0

    def not_yet(self, distance_km: Array) -> Array:
        """P(this cause has not brought it back by this distance from now); it does not stand with 1 - chance."""
        spared = self.life.survival(distance_km + self.running_km) / self.life.survival(self.running_km)
        return 1.0 - self.chance + self.chance * spared


def first_back(
    risks: Sequence[Risk], distance_km: float, steps: int = 2000, some_stands: float | None = None
) -> tuple[Array, float]:
    """P(it comes back within the distance, and by this cause first) for each risk, and P(it does not come back).

    The causes are taken as independent, each present with its own chance, so that two may stand at once. The incidence
    of cause i is the integral of dF_i(t) times the product of all other S_j(t) (Prentice and others, Biometrics 34,
    1978, from memory), by steps of equal length with the others at the middle of each. Shape (risks,).

    `some_stands` is how likely it is that any of them stands at all, where that is known better than by independence
    (findings that name one cause or the other make them depend on each other): the causes are then independent given
    that at least one stands.

    Raises RequestError for a distance not above 0.
    """
    if not distance_km > 0.0:
        raise RequestError(f"A distance of {distance_km:g} km is none. Say how far the car is to be driven.")
    edges = np.linspace(0.0, distance_km, steps + 1)
    middles = (edges[1:] + edges[:-1]) / 2.0
    at_edges = [risk.not_yet(edges) for risk in risks]
    at_middles = [risk.not_yet(middles) for risk in risks]
    found = np.zeros(len(risks))
    for i, edge in enumerate(at_edges):
        others = np.prod([mid for j, mid in enumerate(at_middles) if j != i], axis=0)
        found[i] = float((-np.diff(edge) * others).sum())
    none_stands = float(np.prod([1.0 - risk.chance for risk in risks]))
    if some_stands is None or none_stands >= 1.0:
        return found, float(np.prod([edge[-1] for edge in at_edges]))
    found *= some_stands / (1.0 - none_stands)
    return found, 1.0 - float(found.sum())
