"""Fuel trim: the short loop follows the exhaust sensor, the long one learns by region."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import exp
from typing import Literal

Region = Literal["idle", "part-load", "full-load"]
MOST_PERCENT = 25.0  # authority of both together: common practice, no source
SHORT_LAG_S, LONG_LAG_S = 3.0, 45.0  # judgement
CLOSED_ABOVE_C, CLOSED_AFTER_S = 35.0, 30.0  # judgement


def region_of(rpm: float, load_percent: float) -> Region:
    """The learning cell a working point falls into."""
    if rpm < 1100 and load_percent < 40:
        return "idle"
    return "full-load" if load_percent > 65 else "part-load"


@dataclass
class FuelTrim:
    """Trim of one bank, in percent, + adds fuel."""

    short_percent: float = 0.0
    long_percent: dict[Region, float] = field(default_factory=lambda: {"idle": 0.0, "part-load": 0.0, "full-load": 0.0})
    region: Region = "idle"

    @property
    def total_percent(self) -> float:
        return self.short_percent + self.long_percent[self.region]

    def command(self, rpm: float, load_percent: float) -> float:
        """What is added to the fuel at this working point, in percent; what the sensor shows then is of its cell."""
        self.region = region_of(rpm, load_percent)
        return self.total_percent

    def follow(self, dt_s: float, sensor_lambda: float, closed: bool) -> None:
        """One step: towards lambda 1 as the sensor shows it; open loop keeps only what was learned."""
        if not closed:
            self.short_percent = 0.0
            return
        error = (sensor_lambda - 1) * (100 + self.total_percent)
        self.short_percent += error * (1 - exp(-dt_s / SHORT_LAG_S))
        learned = self.short_percent * (1 - exp(-dt_s / LONG_LAG_S))
        before = self.long_percent[self.region]
        after = max(-MOST_PERCENT, min(MOST_PERCENT, before + learned))
        self.long_percent[self.region] = after
        short = self.short_percent - (after - before)
        self.short_percent = max(-MOST_PERCENT - after, min(MOST_PERCENT - after, short))
