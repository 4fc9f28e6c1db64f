"""Fuel trims by region: which named pattern they form, and what a dead cylinder does to them."""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite

from firstcause.bench.reading import BenchJudgement, ImpossibleReading

# Judgement: about 8 % is the line of concern of the knowledge test (common practice, no source); a fall or rise
# that counts is a third of the larger value and at least 5 points.
NORMAL_PERCENT = 8.0
CHANGE_SHARE = 1 / 3
CHANGE_POINTS = 5.0
_SOURCE = "common practice, no source: beyond 8 % is out of the ordinary"


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


def judge_trims(trims: Trims) -> BenchJudgement:
    """Name the pattern of a bank's trims over the regions.

    "normal" within 8 %; "negative" when the trim farthest from zero is below -8 %; "lean-at-idle-falling" when it is
    positive at idle and falls with air flow (a fixed leak); "lean-rising-with-load" when it grows (delivery, metering);
    "lean-everywhere" when it is positive and even. With one region alone beyond the line the outcome is None.

    Source: common practice, no source; that a fixed leak's trim falls with air flow is physics (leak / total air).
    """
    values = trims.measured()
    worst = max(values, key=abs)
    notes = ["A dead cylinder reads lean by itself: allow for it before you blame a leak on its bank."]
    if abs(worst) <= NORMAL_PERCENT:
        outcome: str | None = "normal"
        meaning = "within the ordinary"
    elif worst < 0:
        outcome, meaning = "negative", "fuel is taken away: rich from somewhere"
    elif len(values) < 2:
        outcome, meaning = None, "lean, but one region alone shows no pattern: measure idle and 2,500 rpm too"
    else:
        outcome, meaning = _lean_pattern(values)
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
    return BenchJudgement(
        "trims", "trim farthest from zero", worst, "%", NORMAL_PERCENT, _SOURCE, "common practice",
        outcome, f"Trims {shown}: {meaning}.", tuple(notes),
    )  # fmt: skip


def _lean_pattern(values: list[float]) -> tuple[str, str]:
    first, last = values[0], values[-1]
    step = max(CHANGE_POINTS, CHANGE_SHARE * max(first, last))
    if first - last >= step:
        return "lean-at-idle-falling", "lean at idle and better with more air: a leak after the air meter"
    if last - first >= step:
        return "lean-rising-with-load", "leaner with more air: fuel delivery or air metering"
    return "lean-everywhere", "lean in every region alike"


def dead_cylinder_trim(cylinders_on_sensor: int, unburned_share: float = 1.0) -> float:
    """The lean trim (%) that one dead cylinder alone can cause: its oxygen is seen, its fuel is not.

    `unburned_share` 1.0: none of its fuel burns before the sensor, the most there can be: 100 / (n - 1).

    Raises ImpossibleReading for fewer than two cylinders on the sensor or a share outside 0 to 1.

    Source: oxygen balance; 33 % for four cylinders on one sensor, 50 % for three.
    """
    if cylinders_on_sensor < 2 or not 0 <= unburned_share <= 1:
        raise ImpossibleReading(f"{cylinders_on_sensor} cylinder(s) on the sensor, share {unburned_share:g}")
    return 100.0 * unburned_share / (cylinders_on_sensor - 1)
