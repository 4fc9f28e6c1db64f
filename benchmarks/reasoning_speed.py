"""Posterior and next-step sweep of a six-cylinder case with 8 findings, beside a general library on the same model.

The library (pyagrum) gets the same network in its own noisy-OR form. On the whole pack it needs more memory than
24 GiB, so the pair is measured on a pack cut down to FAULTS, and ours on the whole pack beside it. A sweep of ours asks
for the belief after every outcome of every step and prices it; the library is timed for one posterior, and its sweep
scaled from that.
"""

from __future__ import annotations

import statistics
import sys
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from tests.reasoning.reference_library import library_posterior
from tests.reasoning.shop_cases import knowledge, reduced

from firstcause.knowledge.base import Knowledge
from firstcause.reasoning.choice import advise
from firstcause.reasoning.compiled import Model, compile_model
from firstcause.reasoning.exact import Engine
from firstcause.reasoning.history import CarFacts, Coded, Counted, Found
from firstcause.reasoning.steps import Terms
from firstcause.reasoning.weigh import TOLERANCE
from firstcause.vehicle.layout import common_layout
from firstcause.vehicle.place import ENGINE, bank, cylinder

RUNS = 7
FAULTS = (
    "coil-dead", "plug-worn", "plug-oil-fouled", "oil-rings-stuck", "stem-seal-leaks", "exhaust-valve-burnt",
    "injector-restricted", "contact-loose-coil", "compression-rings-worn", "fuel-pressure-low", "vacuum-leak",
)  # fmt: skip
LAYOUT = common_layout("V6")
HISTORY = (
    Coded("e1", frozenset({5}), "idle"),
    Counted("e2", {"idle": 3.0}, dict.fromkeys(LAYOUT.cylinders, 1050), {1: 0, 2: 1, 3: 0, 4: 2, 5: 260, 6: 3}),
    Found("e3", "plug-look", cylinder(5), {"normal": 1.0}),
    Found("e4", "compression-dry", cylinder(5), {"somewhat-low": 1.0}),
    Found("e5", "oil-level", ENGINE, {"normal": 1.0}),
    Found("e6", "tailpipe", bank(1), {"puff": 1.0}),
    Found("e7", "loom-look", cylinder(5), {"sound": 1.0}),
    Found("e8", "leak-down", cylinder(5), {"fair": 1.0}),
)


def median_s(work: Callable[[], object]) -> float:
    """Median wall time of some runs after one that is not counted."""
    work()
    taken = []
    for _ in range(RUNS):
        begun = time.perf_counter()
        work()
        taken.append(time.perf_counter() - begun)
    return statistics.median(taken)


def ours(base: Knowledge, name: str) -> tuple[Model, float, float, int]:
    """Print our times on this pack; the model, seconds for the posterior and the sweep, outcomes in the sweep."""
    car = CarFacts(LAYOUT, 160_000.0)
    model, terms = compile_model(base, car, HISTORY), Terms.of(base)
    engine = Engine(model.network, TOLERANCE)
    posterior_s = median_s(lambda: Engine(model.network, TOLERANCE).posterior())
    sweep_s = median_s(lambda: advise(model, terms, engine))
    outcomes = sum(len(option.fan) for option in advise(model, terms, engine).options)
    print(f"{name}: {len(model.network.causes)} causes, {len(HISTORY)} findings, {outcomes} outcomes in the sweep")
    print(f"  ours, posterior of all causes     {posterior_s * 1e3:10.1f} ms")
    print(f"  ours, sweep of all steps, priced  {sweep_s * 1e3:10.1f} ms")
    return model, posterior_s, sweep_s, outcomes


def main() -> None:
    ours(knowledge(), "whole pack")
    model, posterior_s, sweep_s, outcomes = ours(reduced(*FAULTS), "cut down")
    begun = time.perf_counter()
    theirs = library_posterior(model.network)
    library_s = time.perf_counter() - begun
    mine = Engine(model.network, TOLERANCE).posterior().probability
    print(f"  library, one posterior            {library_s * 1e3:10.1f} ms")
    print(f"  one posterior: {library_s / posterior_s:.0f} times ours; one sweep, scaled: ", end="")
    print(f"{outcomes * library_s / sweep_s:.0f} times ours")
    worst = max(abs(mine[cause] - theirs[cause]) for cause in theirs)
    print(f"  largest difference of a belief    {worst:10.1e}    (at our default tolerance {TOLERANCE:g})")


if __name__ == "__main__":
    main()
