"""A judged drive as driving cycles of the published rules: what surely happened in it, and what may have."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import inf
from typing import Any

from firstcause.roadtest.permanent import code_kind
from firstcause.roadtest.records import Cycle, Ran, RuleReading, Sighting, Where
from firstcause.roadtest.rules import EMISSION_FLOOR, EMISSION_WINDOW, WARM_UP_REACHED, WARM_UP_RISE, Limit
from firstcause.roadtest.window import FreezeFrame
from firstcause.tongue import _

CONTINUOUS = ("misfire", "fuel-system", "comprehensive")
SURELY_WATCHED = Limit(
    4 * EMISSION_WINDOW.value, "crankshaft revolutions",
    "ours: as many as the misfire rule asks for before it stores a code, (e)(3.4.2)(B)", "judgement",
)  # fmt: skip
_WARM, _COLD = 90.0, 20.0  # degC, for what only needs to be above or below a limit


@dataclass(frozen=True, slots=True)
class SeenCycle:
    """One trip twice: `at_best` takes everything that the recording leaves open in the car's favour, `at_worst` against
    it. `open_points` names what was left open.
    """

    at_best: Cycle
    at_worst: Cycle
    open_points: tuple[str, ...]


def where_of(frame: FreezeFrame | None) -> Where | None:
    """The place that the car compares later drives with, as near as the freeze frame tells it.

    A load or warm-up status that was not stored is taken as one that every drive meets.
    """
    if frame is None:
        return None
    return Where(frame.rpm, 0.0 if frame.load_percent is None else frame.load_percent, frame.warm is not False)


def cycles_of(
    judged: Mapping[str, Any],
    codes: Sequence[str],
    frame: FreezeFrame | None,
    *,
    cylinders: int | None = None,
    ran: Mapping[str, bool] | None = None,
    reading: RuleReading | None = None,
) -> tuple[SeenCycle, ...]:
    """The trips of a judged drive (`DriveJudgement.to_dict`, fresh or from the casebook) as driving cycles, in order.

    `codes`: those that the car may find again. `ran`: self-checks that the car says have run in the last of these
    trips, or not; what it does not say is open, but for the continuous ones after many revolutions.
    """
    trips = judged.get("trips", ())
    how = reading or RuleReading()
    last = len(trips) - 1
    return tuple(
        _seen(trip, codes, frame, cylinders, judged.get("misfires"), (ran or {}) if at == last else {}, how)
        for at, trip in enumerate(trips)
    )


def _seen(
    trip: Mapping[str, Any], codes: Sequence[str], frame: FreezeFrame | None, cylinders: int | None,
    counted: Mapping[str, int] | None, ran: Mapping[str, bool], how: RuleReading,
) -> SeenCycle:  # fmt: skip
    items = {item["id"]: item for item in trip["minimum_drive"]["items"]}
    limits = {item["id"]: item for item in trip["surroundings"]}
    warm = {item["id"]: item for item in trip["warm_up"]}
    points: list[str] = []
    back = _came_back(trip, frame, how, points)
    again = _found_again(trip, codes, cylinders, counted, points)
    turned = 2.0 * trip["events_per_cylinder"]
    monitors = _ran(ran, turned, points)
    place = where_of(frame)
    built = []
    for best in (True, False):
        happened: list[Where | Sighting | Ran] = []
        if place is not None and (back if best else back is True):
            happened.append(place)
        if again if not best else again is True:
            # at worst at either level, which stores it and lights the lamp in one drive: (e)(3.4.1)(B)
            found = [code for code in codes if code_kind(code) == "misfire"]
            happened += [Sighting(code, place, catalyst) for catalyst in (False, True) for code in found]
        happened += [Ran(name) for name, surely in monitors.items() if surely or best]
        run, fast, idle = (_span(items[name], best) for name in ("run", "fast", "idle"))
        start_c, hottest_c = _warmth(trip["warm_up_verdict"], warm, best)
        coldest = limits["ambient"]["reached"]
        highest = limits["altitude"]["reached"]
        built.append(
            Cycle(
                tuple(happened), run, fast, idle, start_c, hottest_c,
                coldest_ambient_c=(_COLD if best else -inf) if coldest is None else coldest,
                highest_m=(0.0 if best else inf) if highest is None else highest,
            )
        )  # fmt: skip
    for name in ("run", "fast", "idle"):
        if items[name]["verdict"] in ("undecided", "not evaluated"):
            points.append(_("whether this was enough: {title}", title=items[name]["title"]))
    return SeenCycle(built[0], built[1], tuple(points))


def _came_back(trip: Mapping[str, Any], frame: FreezeFrame | None, how: RuleReading, points: list[str]) -> bool | str:
    """True: surely back at the freeze frame; "may": perhaps; False: not, or nothing to come back to."""
    window = trip.get("window")
    if window is not None and window["load_reading"] != how.load:
        window = trip.get("window_by_the_other_reading")
    if frame is None or window is None:
        return False
    if window["verdict"] in ("met", "missed"):
        return bool(window["verdict"] == "met")
    if window.get("if_assumed") == "missed":
        return False
    points.append(_("whether it came back to the conditions of the freeze frame"))
    return "may"


def _found_again(
    trip: Mapping[str, Any], codes: Sequence[str], cylinders: int | None, counted: Mapping[str, int] | None,
    points: list[str],
) -> bool | str:  # fmt: skip
    """Whether the misfire monitor may have found its fault: no block of 1000 revolutions below 1 % of firings can.

    The maker's own level lies at or above that floor: (e)(3.2.2). What the counters do not rule out is open.
    """
    if not any(code_kind(code) == "misfire" for code in codes):
        return False
    most = trip.get("most_in_1000_revolutions")
    if most is None:
        if counted is None:
            points.append(_("whether the misfire monitor found its fault again, for no counter was recorded"))
            return False
        most = sum(counted.values())  # read after the drive: all of them may have come at once
    firings = EMISSION_WINDOW.value * (cylinders or max(len(trip.get("misfires", {})), 1)) / 2
    if most < EMISSION_FLOOR.value / 100 * firings:
        return False
    points.append(_("whether {n} misfires within 1,000 revolutions were enough for its misfire monitor", n=most))
    return "may"


def _ran(said: Mapping[str, bool], turned: float, points: list[str]) -> dict[str, bool]:
    """Self-checks that ran (True) or may have (False)."""
    found = {name: True for name, did in said.items() if did}
    for name in CONTINUOUS:
        if name not in said and turned >= EMISSION_WINDOW.value:
            found[name] = turned >= SURELY_WATCHED.value
    if not said:
        points.append(_("which of its self-checks ran, for the car was not asked after the drive"))
    return found


def _span(item: Mapping[str, Any], best: bool) -> float:
    """Seconds reached, at best or at worst, by the bounds of the recording."""
    if item["verdict"] == "met":
        return max(float(item["at_least"] or 0.0), float(item["needed"]))
    if item["verdict"] == "missed":
        return float(item["at_least"] or 0.0)
    if not best or item.get("if_assumed") == "missed":
        return 0.0
    most = item["at_most"]
    return float(item["needed"]) if most is None else max(float(most), 0.0)


def _warmth(verdict: str, warm: Mapping[str, Mapping[str, Any]], best: bool) -> tuple[float, float]:
    """Coolant at the start and at its hottest, so that the warm-up cycle comes out as it was judged."""
    if verdict == "met" or (verdict in ("undecided", "not evaluated") and best):
        hottest = max(warm["reached"]["reached"] or _WARM, WARM_UP_REACHED.value)
        return hottest - max(warm["rise"]["reached"] or 0.0, WARM_UP_RISE.value + 1e-6), hottest
    return _WARM, _WARM


def kept_open(seen: Iterable[SeenCycle]) -> tuple[str, ...]:
    """What the recordings left open, each once."""
    return tuple(dict.fromkeys(point for cycle in seen for point in cycle.open_points))
