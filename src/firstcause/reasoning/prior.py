"""From weights in the knowledge base to the prior probability of each fault on this car."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from itertools import pairwise

from firstcause.knowledge.model_numbers import Model as KnowledgeModel
from firstcause.knowledge.schema import FaultEntry
from firstcause.reasoning.history import CarFacts, Reported

KNOTS_KM = (80_000.0, 160_000.0, 240_000.0)
LARGEST_PRIOR = 0.5


def at_distance(values: tuple[float, float, float], distance_km: float) -> float:
    """Linear between the three distances at which the knowledge base speaks; constant outside them."""
    if distance_km <= KNOTS_KM[0]:
        return values[0]
    for (x0, y0), (x1, y1) in pairwise(zip(KNOTS_KM, values, strict=True)):
        if distance_km <= x1:
            return y0 + (y1 - y0) * (distance_km - x0) / (x1 - x0)
    return values[2]


def prior_probabilities(
    faults: Iterable[FaultEntry],
    model: KnowledgeModel,
    car: CarFacts,
    answers: Collection[str],
    reported: Iterable[Reported] = (),
) -> Mapping[str, float]:
    """Prior probability of each fault in one holder (one part, one place, one joint, one bank, the engine).

    A unit is what the complaint sits on: a cylinder, a bank, the engine. Weights of parts, places and joints share the
    expected number of causes in one unit, equally over its cylinders; weights of banks and the engine share the
    expected number of shared causes (`shared_per_unit` times that of all units). Answers in the story, and published
    records that somebody let count, multiply the odds. No prior passes LARGEST_PRIOR.
    """
    fitted, reported = list(faults), tuple(reported)
    weight = {f.id: at_distance(f.prior.weight, car.distance_km) for f in fitted}
    shared = {f.id for f in fitted if f.scope in ("bank", "shared")}
    total_private = sum(w for name, w in weight.items() if name not in shared)
    total_shared = sum(w for name, w in weight.items() if name in shared)
    units = len(car.layout.groups(model.complaint.unit))
    per_unit = at_distance(model.scale.per_unit, car.distance_km)
    per_cylinder = per_unit * units / car.layout.count
    for_all = per_unit * model.scale.shared_per_unit * units
    result = {}
    for fault in fitted:
        if fault.id in shared:
            holders = len(car.layout.banks) if fault.scope == "bank" else 1
            chance = for_all * weight[fault.id] / total_shared / holders if total_shared else 0.0
        else:
            chance = per_cylinder * weight[fault.id] / total_private if total_private else 0.0
        chance = min(chance, LARGEST_PRIOR)
        odds = chance / (1.0 - chance)
        for story in fault.story:
            if story.answer in answers:
                odds *= story.factor
        for record in reported:
            odds *= record.ratio if fault.id in record.faults else 1.0
        result[fault.id] = min(odds / (1.0 + odds), LARGEST_PRIOR)
    return result
