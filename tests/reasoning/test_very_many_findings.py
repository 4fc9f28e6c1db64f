"""Cases that grow past what is ordinary are weighed all the same, and the answer says how much it left out."""

from __future__ import annotations

import pytest
from tests.reasoning.shop_cases import DRIVE, car, counted, found, knowledge
from tests.reasoning.small_networks import by_listing

from firstcause.reasoning import exact
from firstcause.reasoning.compiled import compile_model
from firstcause.reasoning.exact import Engine, TooManyFindings
from firstcause.reasoning.history import CarFacts, Coded, Happening, History, Moved, Reseated
from firstcause.reasoning.network import Cause, Finding, Network
from firstcause.reasoning.weigh import TOLERANCE
from firstcause.vehicle.place import ENGINE, bank, cylinder

V8, V12, V6 = car("V8", km=240_000.0), car("V12"), car("V6", km=210_000.0)
ALL_EIGHT = dict.fromkeys(V8.layout.cylinders, 50)
ALL_TWELVE = dict.fromkeys(V12.layout.cylinders, 40)
LEAN_AT_IDLE = "lean-at-idle-falling"

V8_ALL_MISS: History = (
    Coded("e1", frozenset(V8.layout.cylinders)),
    counted("e2", V8.layout, {"idle": 3.0}, ALL_EIGHT),
    found("e3", "trims-by-region", bank(1), LEAN_AT_IDLE),
    found("e4", "trims-by-region", bank(2), LEAN_AT_IDLE, sure=0.8),
)
V12_ALL_MISS: History = (
    Coded("e1", frozenset(V12.layout.cylinders)),
    counted("e2", V12.layout, {"idle": 3.0}, ALL_TWELVE),
    counted("e3", V12.layout, {"load": 3.0}, {}),
    found("e4", "trims-by-region", bank(1), LEAN_AT_IDLE),
    found("e5", "trims-by-region", bank(2), LEAN_AT_IDLE, sure=0.8),
    found("e6", "vacuum-gauge", ENGINE, "low-steady"),
    found("e7", "tailpipe", bank(1), "puff", sure=0.8),
    found("e8", "whistle", ENGINE, "whistle"),
)


def looks_between(times: int) -> History:
    """One cylinder, read again after every time its coil was touched, and looked at in eight ways."""
    layout = V6.layout
    done: list[Happening] = [Coded("code", frozenset({4}), "idle")]
    for n in range(times):
        done.append(counted(f"read-{n}", layout, {"idle": 3.0}, {4: 200 + 20 * n}))
        done.append(Reseated(f"reseat-{n}", "coil", 4))
    looks = {
        "plug-look": "oil-wet", "compression-dry": "somewhat-low", "compression-wet": "rises-clearly",
        "leak-down": "fair", "power-balance": "drops-less", "borescope": "oil-wet",
    }  # fmt: skip
    done += [found(f"look-{test}", test, cylinder(4), outcome, sure=0.8) for test, outcome in looks.items()]
    return (*done, counted("drive", layout, DRIVE, {4: 900}))


@pytest.mark.parametrize(
    ("facts", "history", "cause"),
    [(V8, V8_ALL_MISS, "vacuum-leak@engine"), (V12, V12_ALL_MISS, "vacuum-leak@engine")],
    ids=["V8, all eight, trims on both banks", "V12, all twelve, eight findings"],
)
def test_all_cylinders_of_a_large_engine(facts: CarFacts, history: History, cause: str) -> None:
    """Common practice, no source: all cylinders lean at idle and clean under load is air that was not metered."""
    model = compile_model(knowledge(), facts, history)

    posterior = Engine(model.network, TOLERANCE).posterior()

    assert posterior.tolerance < 0.02
    assert max(model.live_roots, key=lambda name: posterior.probability[name]) == cause
    assert posterior.probability[cause] > 0.7


def test_one_cylinder_with_twenty_findings_is_listed_and_not_refused() -> None:
    """Ours: exact terms would be some 10^8; the answer keeps its bound."""
    model = compile_model(knowledge(), V6, looks_between(7))

    engine = Engine(model.network, TOLERANCE)
    posterior = engine.posterior()

    assert "cylinder 4" in engine.listed
    assert posterior.tolerance < 0.01
    causes_of_oil = [f"{name}@cylinder 4" for name in ("compression-rings-worn", "piston-broken", "oil-rings-stuck")]
    assert sum(posterior.probability[name] for name in causes_of_oil) > 0.5


def test_swaps_among_many_cylinders_stay_within_bounds() -> None:
    """Ours: every moved part is private to no cylinder, so each swap makes the list of shared causes longer."""
    layout = V6.layout
    history: list[Happening] = [Coded("code", frozenset({4}), "idle"), counted("r0", layout, {"idle": 3.0}, {4: 300})]
    for n, (part, other) in enumerate([("coil", 2), ("plug", 6), ("injector", 2), ("boot", 6)], start=1):
        history += [Moved(f"m{n}", part, 4, other), counted(f"r{n}", layout, {"idle": 3.0}, {4: 280})]
    history.append(counted("drive", layout, DRIVE, {4: 900}))
    model = compile_model(knowledge(), V6, tuple(history))

    posterior = Engine(model.network, TOLERANCE).posterior()

    assert posterior.tolerance < 0.01
    moved = [name for name in model.live_roots if model.entry(name).scope == "part"]
    assert sum(posterior.probability[name] for name in moved) < 0.05  # it stayed four times: no part that moved does it


def seen_as(name: str, causes: tuple[str, ...]) -> Finding:
    """A sure sign that hardly comes by itself."""
    return Finding(name, (1.0 - 1e-4, 1.0), tuple((cause, (0.1, 1.0)) for cause in causes), (0.0, 1.0))


def test_the_same_trouble_on_both_banks_is_seen_though_each_half_explains_nothing() -> None:
    """Ours, against the list of all states: one bank's cause alone weighs 2e-4 of a rare cause of the whole engine."""
    causes = (
        Cause("whole engine", 1e-4),
        Cause("bank 1", 0.02),
        Cause("bank 2", 0.02),
        *(Cause(f"own {n}", 1e-3, (), f"cylinder {n}") for n in range(1, 5)),
    )
    signs = tuple(seen_as(f"sign {n}", ("whole engine", f"bank {1 + (n > 2)}", f"own {n}")) for n in range(1, 5))
    network = Network(causes, signs)

    found_by_growing = Engine(network, 1e-3).posterior().probability

    assert by_listing(network).probability["bank 1"] > 0.7
    assert found_by_growing == pytest.approx(by_listing(network).probability, abs=5e-3)


def test_a_line_of_three_is_seen_in_a_listed_block_though_only_the_last_shows(monkeypatch: pytest.MonkeyPatch) -> None:
    """Ours, against the list of all states: guide, then seal, then the fouled plug; the plug alone is seen."""
    monkeypatch.setattr(exact, "MOST_EXACT_TERMS", 0)
    causes = (
        Cause("guide", 0.02, (), "one"),
        Cause("seal", 0.0, (("guide", 0.5),), "one"),
        Cause("plug", 0.0, (("seal", 0.6),), "one"),
        Cause("coil", 0.01, (), "one"),
    )
    network = Network(causes, tuple(seen_as(f"sign {n}", ("plug", "coil")) for n in range(3)))

    engine = Engine(network, 1e-4)

    assert engine.listed == {"one"}
    assert engine.posterior().probability == pytest.approx(by_listing(network).probability, abs=5e-4)
    assert engine.posterior().probability["guide"] > 0.3


@pytest.mark.parametrize("block", ["one", None])
def test_a_model_without_shared_causes_and_one_with_nothing_else(block: str | None) -> None:
    """Ours, against the list of all states."""
    causes = (Cause("a", 0.1, (), block), Cause("b", 0.2, (("a", 0.5),), block))
    network = Network(causes, (seen_as("sign", ("b",)),))

    for tolerance in (0.0, 1e-9):
        probability = Engine(network, tolerance).posterior().probability
        assert probability == pytest.approx(by_listing(network).probability, abs=1e-8)


def test_what_is_truly_too_much_is_refused_with_a_way_out() -> None:
    """Ours: thirteen sure and striking findings that each touch every cylinder need 2^13 outer terms."""
    causes = tuple(Cause(f"c{n}", 0.1, (), f"cylinder {n}") for n in range(4))
    wide = tuple((cause.id, (0.5, 1.0)) for cause in causes)
    findings = tuple(Finding(f"f{n}", (0.9, 1.0), wide, (0.0, 1.0)) for n in range(13))

    with pytest.raises(TooManyFindings, match="withdraw repeated findings") as refused:
        Engine(Network(causes, findings), TOLERANCE)

    assert refused.value.terms == 1 << 13
