"""Fuel trims by region: which named pattern they form, and what a dead cylinder does to them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import isfinite, sqrt

from firstcause.bench.bands import Circumstances, Judged, Meaning, below, meaning_of, measures_of, verdict
from firstcause.bench.reading import BenchJudgement, ImpossibleReading
from firstcause.knowledge.schema import TestEntry
from firstcause.tongue import _

# A fall or rise that counts is at least the test's `step` and a third of the larger of the two. Judgement.
CHANGE_SHARE = 1 / 3
_LEAN = ("lean-at-idle-falling", "lean-rising-with-load", "lean-everywhere")


@dataclass(frozen=True, slots=True)
class Trims:
    """Total fuel trim (short plus long term) of one bank, %, in closed loop and warm. None where not measured.

    Raises ImpossibleReading beyond -100 to +100 % or when nothing was measured.
    """

    idle: float | None = None
    at_1500: float | None = None
    at_2500: float | None = None
    load: float | None = None

    def __post_init__(self) -> None:
        values = self.measured()
        if not values:
            raise ImpossibleReading("no fuel trim was measured")
        for value in values:
            if not isfinite(value) or abs(value) > 100:
                raise ImpossibleReading(f"a fuel trim of {value:g} %")

    def measured(self) -> list[float]:
        """The measured trims in rising order of air flow, %."""
        return [value for value in (self.idle, self.at_1500, self.at_2500, self.load) if value is not None]


def judge_trims(test: TestEntry, trims: Trims, circumstances: Circumstances | None = None) -> BenchJudgement:
    """How likely a bank's trims are under each named pattern over the regions.

    "normal" between the borders of the test; "negative" when the trim farthest from zero is below them;
    "lean-at-idle-falling" when it is positive at idle and falls with air flow (a fixed leak); "lean-rising-with-load"
    when it grows (delivery, metering); "lean-everywhere" when it is positive and even. One region alone that is lean
    speaks for the three lean patterns alike. On a border the likelihood moves smoothly, by the test's spread.

    Source: common practice, no source; that a fixed leak's trim falls with air flow is physics (leak / total air).
    """
    measures = measures_of(test)
    meaning = meaning_of(measures, circumstances or {})
    values = [value + meaning.add for value in trims.measured()]
    worst = max(values, key=abs)
    notes = [_("A dead cylinder reads lean by itself: allow for it before you blame a leak on its bank.")]
    if len(values) == 1 and worst > measures.borders[-1]:
        notes.append(_("One region alone shows no pattern: measure idle and 2,500 rpm too."))
    shown = ", ".join(
        f"{name} {value:+.0f} %"
        for name, value in (
            ("idle", trims.idle),
            ("1,500", trims.at_1500),
            ("2,500", trims.at_2500),
            ("load", trims.load),
        )
        if value is not None
    )
    weights = _pattern_weights(values, meaning, measures.borders, measures.step or 0.0)
    judged = Judged(worst - meaning.add, "%", _("Trims {shown}", shown=shown), tuple(notes))
    return verdict(test, judged, meaning, weights)


def _pattern_weights(values: list[float], meaning: Meaning, borders: list[float], step: float) -> Mapping[str, float]:
    """Each comparison (beyond a border, rich or lean, falling or rising) is a normal error on the trims compared."""
    spread, difference = meaning.spread, meaning.spread * sqrt(2.0)
    high, low = max(0.0, *values), max(0.0, *(-value for value in values))
    normal = below(borders[-1], high, spread) * below(-borders[0], low, spread)
    rich = below(low, high, difference)
    weights = {"normal": normal, "negative": (1.0 - normal) * rich}
    lean = (1.0 - normal) * (1.0 - rich)
    if len(values) < 2:
        total = normal + weights["negative"] + lean * len(_LEAN)
        return {name: share / total for name, share in {**weights, **dict.fromkeys(_LEAN, lean)}.items()}
    first, last = values[0], values[-1]
    needed = max(step, CHANGE_SHARE * max(first, last))
    falling, rising = below(first - last, needed, difference), below(last - first, needed, difference)
    for pattern, share in zip(_LEAN, (falling, rising, 1.0 - falling - rising), strict=True):
        weights[pattern] = lean * max(share, 0.0)
    return weights


def dead_cylinder_trim(cylinders_on_sensor: int, unburned_share: float = 1.0) -> float:
    """The lean trim (%) that one dead cylinder alone can cause: its oxygen is seen, its fuel is not.

    `unburned_share` 1.0: none of its fuel burns before the sensor, the most there can be: 100 / (n - 1).

    Raises ImpossibleReading for fewer than two cylinders on the sensor or a share outside 0 to 1.

    Source: oxygen balance; 33 % for four cylinders on one sensor, 50 % for three.
    """
    if cylinders_on_sensor < 2 or not 0 <= unburned_share <= 1:
        raise ImpossibleReading(f"{cylinders_on_sensor} cylinder(s) on the sensor, share {unburned_share:g}")
    return 100.0 * unburned_share / (cylinders_on_sensor - 1)
