"""Two fixed flow charts as good technicians would draw them: the one-cylinder path, and the pattern of cylinders first.

They follow the order of the trade's diagnosis paths (common practice, no source): free looks first, then what splits
mechanical from the rest, then parts by swap, then gauges; no probabilities. What a chart finds it mends and proves; a
quiet drive is called cured. At its end it hands on.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from firstcause.casebook.events import Closed, ClosingState, Counted
from firstcause.reasoning.steps import swap_step
from firstcause.trial.bay import Bay
from firstcause.vehicle.place import ENGINE, Place, bank, cylinder

Named = tuple[str, Place]
Ended = tuple[ClosingState, tuple[Named, ...]]
Find = tuple[str, Place, str, Place]
"""A repair and its place, the fault it is aimed at and where."""
MANY = 0.10  # above this share of all misfires a cylinder is in it: 13 CCR 1968.2(e)(3.1.3) names several from there


def one_cylinder(bay: Bay) -> Ended:
    """The path for one cylinder, whatever the pattern."""
    return _follow(bay, _single)


def pattern_first(bay: Bay) -> Ended:
    """The pattern of cylinders decides: several go the shared path first, one goes the one-cylinder path."""
    return _follow(bay, lambda bay: _shared(bay) if len(_in_it(bay)) > 1 else _single(bay))


def _follow(bay: Bay, chart: Callable[[Bay], Iterator[Find]]) -> Ended:
    for repair, place, fault, at in chart(bay):
        if bay.fits_here(repair) and bay.repair_at(repair, place):
            bay.close(Closed(state="cured"))
            return "cured", ((fault, at),)
    bay.close(Closed(state="referred"))
    return "referred", ()


def _counts(bay: Bay) -> dict[int, int]:
    """Misfires of the last reading that showed any."""
    for event in reversed(bay.events):
        if isinstance(event.body, Counted) and any(event.body.misfires.values()):
            return dict(event.body.misfires)
    return {}


def _in_it(bay: Bay) -> list[int]:
    """Cylinders with more than a tenth of the misfires each, worst first; by the codes when nothing was counted."""
    counts = _counts(bay)
    total = sum(counts.values())
    if total > 5:
        return sorted((n for n in counts if counts[n] > MANY * total), key=lambda n: -counts[n])
    codes = bay.case.codes
    named = [int(code[-2:]) for code in (*codes.stored, *codes.pending) if code[:3] == "P03"] if codes else []
    found = [n for n in dict.fromkeys(named) if n in bay.layout.cylinders]
    return found or list(bay.layout.cylinders)


def _misfires_now(bay: Bay, number: int) -> int:
    """Of the last reading."""
    last = next(event.body for event in reversed(bay.events) if isinstance(event.body, Counted))
    return last.misfires.get(number, 0)


# ---- the one-cylinder path


def _single(bay: Bay) -> Iterator[Find]:
    number = _in_it(bay)[0]
    here = cylinder(number)
    yield from _first_looks(bay, number)
    if bay.test_at("relative-compression", here) == "low-hump":
        yield from _mechanical(bay, number)
    look = bay.test_at("plug-look", here)
    if look == "broken" or look == "worn" or bay.test_at("plug-gap", here) == "wide":
        yield "fit-plug", here, "plug-insulator-cracked" if look == "broken" else "plug-worn", here
    if bay.test_at("boot-look", here) == "tracked":
        yield "fit-boot", here, "coil-boot-tracking", here
    if bay.test_at("wiggle", here) == "toggles":
        yield from _connectors(bay, number)
    yield from _by_swap(bay, number, "coil", "fit-coil", "coil-dead")
    yield from _by_swap(bay, number, "plug", "fit-plug", "plug-insulator-cracked")
    yield from _injector(bay, number)
    if bay.test_at("feed-and-trigger", here) == "missing":
        yield "mend-coil-branch", here, "wire-broken-coil", here
        yield "mend-shared-feed", ENGINE, "ignition-feed-weak", ENGINE
    if bay.test_at("coil-terminal-drag", here) == "loose":
        yield "mend-coil-branch", here, "contact-loose-coil", here
    yield from _mechanical(bay, number)
    yield from _oil(bay, number, look)


def _first_looks(bay: Bay, number: int) -> Iterator[Find]:
    here = cylinder(number)
    bay.test_at("oil-level", ENGINE)
    if bay.test_at("coolant-level", ENGINE) == "low-or-hard" and bay.test_at("gas-in-coolant", ENGINE) == "changes":
        yield "renew-head-gasket", _bank(bay, number), "head-gasket-to-coolant", here
    if bay.test_at("hoses-look", ENGINE) == "found":
        yield "mend-the-air-leak", ENGINE, "vacuum-leak", ENGINE
    if bay.test_at("loom-look", here) == "found":
        yield "mend-coil-branch", here, "wire-broken-coil", here
        yield "mend-injector-branch", here, "wire-broken-injector", here
    if bay.test_at("well-look", here) in ("water", "oil"):
        yield "renew-tube-seals", _bank(bay, number), "oil-in-plug-well", here


def _connectors(bay: Bay, number: int) -> Iterator[Find]:
    here = cylinder(number)
    if bay.test_at("injector-terminal-drag", here) == "loose":
        yield "mend-injector-branch", here, "contact-loose-injector", here
    yield "mend-coil-branch", here, "contact-loose-coil", here


def _by_swap(bay: Bay, number: int, part: str, repair: str, fault: str) -> Iterator[Find]:
    """Swap with the quietest cylinder; the part is bad where the misfire goes with it."""
    counts = _counts(bay)
    others = [n for n in bay.layout.cylinders if n != number]
    partner = min(others, key=lambda n: (counts.get(n, 0), n))
    now = bay.believed()
    bay.swap(swap_step(now.model, now.terms, ((part, number, partner),), now.standing))
    if _misfires_now(bay, partner) > 3 * max(1, _misfires_now(bay, number)) and _misfires_now(bay, partner) > 5:
        yield repair, cylinder(partner), fault, cylinder(number)
    else:
        bay.put_back(part, number, partner)


def _injector(bay: Bay, number: int) -> Iterator[Find]:
    here = cylinder(number)
    if bay.test_at("injector-sound", here) == "silent":
        if bay.test_at("injector-pulse", here) == "no-pulse":
            yield "mend-injector-branch", here, "wire-broken-injector", here
        yield "fit-injector", here, "injector-dead", here
    if bay.test_at("injector-resistance", here) == "out-of-family":
        yield "fit-injector", here, "injector-dead", here
    balance = bay.test_at("injector-balance", here)
    if balance in ("drops-less", "drops-more"):
        yield "fit-injector", here, "injector-restricted" if balance == "drops-less" else "injector-leaking", here
    if bay.test_at("gas-at-joint", here) == "responds":
        yield "seal-the-runner", here, "intake-runner-leak", here


def _mechanical(bay: Bay, number: int) -> Iterator[Find]:
    here, side = cylinder(number), _bank(bay, number)
    compression = bay.test_at("compression-dry", here)
    leaks = bay.test_at("leak-down", here)
    if leaks in ("leaks", "fair"):
        path = bay.test_at("leak-path", here)
        if path == "tailpipe":
            yield "head-overhaul", side, "exhaust-valve-burnt", here
        elif path == "intake":
            yield "head-overhaul", side, "intake-valve-leaks", here
        elif path == "oil-filler":
            yield "fit-rings-and-pistons", ENGINE, "compression-rings-worn", here
        elif path == "header-tank":
            yield "renew-head-gasket", side, "head-gasket-to-coolant", here
        elif path == "neighbour":
            yield "renew-head-gasket", side, "head-gasket-to-neighbour", here
        elif path == "plug-thread":
            yield "tighten-plug", here, "plug-loose", here
    elif compression in ("low", "somewhat-low") and bay.test_at("piston-height", here) == "short":
        yield "fit-rings-and-pistons", ENGINE, "rod-bent", here
    if leaks == "tight":
        gear = bay.test_at("valve-gear-look", here)
        if gear == "short-lift":
            yield "fit-follower", here, "cam-follower-failed", here
        elif gear == "broken-spring":
            yield "fit-valve-spring", here, "valve-spring-broken", here


def _oil(bay: Bay, number: int, look: str | None) -> Iterator[Find]:
    """An oily plug over sound compression: from the cheap cause to the dear one. Deposits are seen on the way."""
    here = cylinder(number)
    seen = bay.test_at("borescope", here)
    if seen == "deposits":
        yield "clean-intake-valves", ENGINE, "intake-valve-deposits", here
    if look == "oil-wet" or seen == "oil-wet":
        if bay.test_at("crankcase-vacuum", ENGINE) != "slight-vacuum":
            yield "fit-crankcase-ventilation", ENGINE, "crankcase-ventilation-torn", ENGINE
        smoke = bay.test_at("smoke-watch", ENGINE)
        if smoke == "blue-at-start":
            yield "fit-stem-seals", here, "stem-seal-leaks", here
        if smoke == "blue-under-load":
            yield "fit-rings-and-pistons", ENGINE, "oil-rings-stuck", here
    if seen == "washed-clean":
        yield "renew-head-gasket", _bank(bay, number), "head-gasket-to-coolant", here


# ---- the shared path


def _shared(bay: Bay) -> Iterator[Find]:
    several = _in_it(bay)
    yield from _neighbours(bay, several)
    yield from _air_and_fuel(bay)
    voltage = bay.test_at("system-voltage", ENGINE)
    if voltage == "low":
        yield "restore-system-voltage", ENGINE, "system-voltage-low", ENGINE
    if bay.test_at("feed-and-earth-drop", ENGINE) == "large":
        yield "mend-shared-feed", ENGINE, "ignition-feed-weak", ENGINE
    for test, bad, repair, fault in (
        ("egr-blocked", "miss-goes", "clean-or-fit-egr", "egr-stuck-open"),
        ("purge-blocked", "miss-goes", "fit-purge-valve", "purge-valve-stuck-open"),
    ):
        if bay.test_at(test, ENGINE) == bad:
            yield repair, ENGINE, fault, ENGINE
    needle = bay.test_at("vacuum-gauge", ENGINE)
    side = _bank(bay, several[0])
    if needle == "falls-when-held" or bay.test_at("back-pressure", side) == "high":
        yield "clear-the-exhaust", side, "exhaust-restricted", side
    if bay.test_at("cam-crank-pattern", side) == "off":
        yield "set-valve-timing", side, "valve-timing-off", side
    not_felt = bay.test_at("felt-against-counted", ENGINE) == "not-felt"
    if not_felt and bay.test_at("software-and-learning", ENGINE) == "not-learnt":
        yield "relearn-the-crank", ENGINE, "false-count", ENGINE
    if bay.test_at("plug-look", cylinder(several[0])) == "worn":
        yield "fit-plug-set", ENGINE, "plug-set-worn", ENGINE
    yield from _single(bay)


def _neighbours(bay: Bay, several: list[int]) -> Iterator[Find]:
    """Two neighbours in one block: the gasket between them."""
    if len(several) == 2 and several[1] in bay.layout.neighbours(several[0]):
        here = cylinder(several[0])
        if bay.test_at("leak-path", here) == "neighbour":
            yield "renew-head-gasket", _bank(bay, several[0]), "head-gasket-to-neighbour", here


def _air_and_fuel(bay: Bay) -> Iterator[Find]:
    trims = bay.test_at("trims-by-region", bank(1))
    if trims in ("lean-at-idle-falling", "lean-everywhere"):
        smoke = bay.test_at("intake-smoke", ENGINE)
        if smoke == "smoke-out":
            yield "mend-the-air-leak", ENGINE, "vacuum-leak", ENGINE
        if smoke == "smoke-at-ventilation":
            yield "fit-crankcase-ventilation", ENGINE, "crankcase-ventilation-torn", ENGINE
    if bay.test_at("pressure-under-load", ENGINE) == "low":
        yield "restore-fuel-pressure", ENGINE, "fuel-pressure-low", ENGINE
    if bay.test_at("fuel-sample", ENGINE) == "bad":
        yield "drain-the-fuel", ENGINE, "fuel-contaminated", ENGINE
    if trims != "normal" and bay.test_at("air-meter-check", ENGINE) == "off":
        yield "clean-or-fit-air-meter", ENGINE, "air-meter-wrong", ENGINE


def _bank(bay: Bay, number: int) -> Place:
    return bank(bay.layout.bank_of(number))
