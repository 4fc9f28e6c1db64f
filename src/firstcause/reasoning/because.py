"""Why a suspect stands where it stands: which happening moved it, for or against, and by how much."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import log10

from firstcause.reasoning.compiled import Model
from firstcause.reasoning.exact import Contradiction, rough_engine

MOST_DECIBANS = 60.0


def decibans(with_it: float, without_it: float) -> float:
    """Ten times the decimal logarithm of the ratio of the odds; held within 60 either way."""
    odds = _odds(with_it) / _odds(without_it)
    return max(-MOST_DECIBANS, min(MOST_DECIBANS, 10.0 * log10(odds)))


def _odds(probability: float) -> float:
    bounded = min(max(probability, 1e-9), 1.0 - 1e-9)
    return bounded / (1.0 - bounded)


def weight_of_evidence(
    model: Model, belief: Mapping[str, float], suspects: Sequence[str]
) -> dict[str, list[tuple[str, float]]]:
    """For each suspect the happenings that moved it, each weighed by leaving it out: (happening id, decibans).

    Positive speaks for the suspect. The scale is Turing's and Good's deciban; leave-one-out because findings
    overlap. What moves a suspect by less than half a deciban is left out.
    """
    moved: dict[str, list[tuple[str, float]]] = {suspect: [] for suspect in suspects}
    for happening in dict.fromkeys(model.happening_of.values()):
        dropped = [finding for finding, source in model.happening_of.items() if source == happening]
        try:
            without = rough_engine(model.network.without(dropped)).posterior().probability
        except Contradiction:
            continue
        for suspect in suspects:
            weight = decibans(belief[suspect], without[suspect])
            if abs(weight) >= 0.5:
                moved[suspect].append((happening, weight))
    return {suspect: sorted(found, key=lambda pair: -abs(pair[1])) for suspect, found in moved.items()}
