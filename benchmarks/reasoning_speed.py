"""Posterior and next-step sweep of a six-cylinder case with 8 findings, beside a general library on the same model.

The library (pyagrum) gets the same network in its own noisy-OR form. On the whole pack it needs more memory than 24
GiB, so the pair is measured on a pack cut down to FAULTS, and ours on the whole pack beside it, with a V12 that
misses on all cylinders. A sweep of ours asks for the belief after every outcome of every step and prices it;
"questions" is what the engine has of that. The library is timed for one posterior, and its sweep scaled from that.
Times are of one processor, the median of RUNS; compiling (decision 0012) comes before and is told apart.
"""

from __future__ import annotations

import resource
import statistics
import sys
import time
import tracemalloc
from collections.abc import Callable, Sequence
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from tests.reasoning.reference_library import library_posterior
from tests.reasoning.shop_cases import knowledge, reduced

from firstcause.knowledge.base import Knowledge
from firstcause.reasoning.choice import advise
from firstcause.reasoning.compiled import Model, compile_model
from firstcause.reasoning.exact import Engine, Extra
from firstcause.reasoning.history import CarFacts, Coded, Counted, Found, History
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


V12 = common_layout("V12")
ALL_TWELVE: History = (
    Coded("e1", frozenset(V12.cylinders)),
    Counted("e2", {"idle": 3.0}, dict.fromkeys(V12.cylinders, 1050), dict.fromkeys(V12.cylinders, 40)),
)
MEGABYTE = 1e6


def median_s(work: Callable[[], object]) -> float:
    """Median processor time of some runs after one that is not counted."""
    work()
    taken = []
    for _ in range(RUNS):
        begun = time.process_time()
        work()
        taken.append(time.process_time() - begun)
    return statistics.median(taken)


def process_mb() -> float:
    """The most memory this process has held so far, in MB."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024 / MEGABYTE


def questions_of(model: Model, terms: Terms, engine: Engine) -> list[tuple[Engine, Sequence[Extra], Sequence[str]]]:
    """What a sweep asks the engines, noted down while it does."""
    noted: list[tuple[Engine, Sequence[Extra], Sequence[str]]] = []
    asked = Engine.with_extras

    def note(one: Engine, extras: Sequence[Extra], wanted: Sequence[str]) -> object:
        noted.append((one, extras, wanted))
        return asked(one, extras, wanted)

    Engine.with_extras = note  # type: ignore[method-assign, assignment]
    try:
        advise(model, terms, engine)
    finally:
        Engine.with_extras = asked  # type: ignore[method-assign]
    return noted


def ours(base: Knowledge, name: str, car: CarFacts, history: History) -> tuple[Model, float, float, int]:
    """Print our times on this pack; the model, seconds for the posterior and the sweep, outcomes in the sweep."""
    model, terms = compile_model(base, car, history), Terms.of(base)
    engine = Engine(model.network, TOLERANCE)
    left_out = engine.posterior().tolerance
    compile_s = median_s(lambda: compile_model(base, car, history))
    posterior_s = median_s(lambda: Engine(model.network, TOLERANCE).posterior())
    sweep_s = median_s(lambda: advise(model, terms, engine))
    outcomes = sum(len(option.fan) for option in advise(model, terms, engine).options)
    questions = questions_of(model, terms, engine)
    questions_s = median_s(lambda: [one.with_extras(extras, wanted) for one, extras, wanted in questions])
    tracemalloc.start()
    held = Engine(model.network, TOLERANCE)
    advise(model, terms, held)
    engine_mb = tracemalloc.get_traced_memory()[1] / MEGABYTE
    tracemalloc.stop()
    print(f"{name}: {len(model.network.causes)} causes, {outcomes} outcomes in the sweep, {left_out:.1g} left out")
    print(f"  ours, history made a network      {compile_s * 1e3:10.1f} ms")
    print(f"  ours, posterior of all causes     {posterior_s * 1e3:10.1f} ms   (network read into arrays included)")
    print(f"  ours, sweep of all steps, priced  {sweep_s * 1e3:10.1f} ms   (questions {questions_s * 1e3:.1f})")
    print(f"  most held by engine and sweep     {engine_mb:10.1f} MB")
    return model, posterior_s, sweep_s, outcomes


def main() -> None:
    six = CarFacts(LAYOUT, 160_000.0)
    before_mb, begun = process_mb(), time.process_time()
    Engine(compile_model(reduced(*FAULTS), six, HISTORY).network, TOLERANCE).posterior()
    print(f"first posterior of this process, machine code compiled or read back: {time.process_time() - begun:.1f} s")
    ours(knowledge(), "whole pack, V6, 8 findings", six, HISTORY)
    ours(knowledge(), "whole pack, V12, all missing", CarFacts(V12, 160_000.0), ALL_TWELVE)
    print(f"the process grew by {process_mb() - before_mb:.0f} MB to {process_mb():.0f} MB")
    model, posterior_s, sweep_s, outcomes = ours(reduced(*FAULTS), "cut down, V6, 8 findings", six, HISTORY)
    begun = time.process_time()
    theirs = library_posterior(model.network)
    library_s = time.process_time() - begun
    mine = Engine(model.network, TOLERANCE).posterior().probability
    print(f"  library, one posterior            {library_s * 1e3:10.1f} ms")
    print(f"  one posterior: {library_s / posterior_s:.0f} times ours; one sweep, scaled: ", end="")
    print(f"{outcomes * library_s / sweep_s:.0f} times ours")
    worst = max(abs(mine[cause] - theirs[cause]) for cause in theirs)
    print(f"  largest difference of a belief    {worst:10.1e}    (at our default tolerance {TOLERANCE:g})")


if __name__ == "__main__":
    main()
