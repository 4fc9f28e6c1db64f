"""How the owner usually drives: what share of those drives does what the car's records wait for."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from firstcause.errors import RequestError
from firstcause.roadtest.cycles import CONTINUOUS
from firstcause.roadtest.records import RuleReading
from firstcause.roadtest.rules import MINIMUM_DRIVE
from firstcause.roadtest.window import FreezeFrame
from firstcause.tongue import _

# A private car; common practice, no source. 230 km a week are 1,000 km a month.
STARTS_A_WEEK, COLD_STARTS_A_WEEK, KM_A_WEEK = 14.0, 7.0, 230.0
HIGH_LOAD_PERCENT, IDLE_RPM = 60.0, 1100.0


class ImpossibleDriving(RequestError):
    """A week of driving that cannot be."""

    def __init__(self, what: str) -> None:
        self.what = what
        super().__init__(f"The usual driving cannot be {what}. Nothing was forecast; correct it.")


@dataclass(frozen=True, slots=True)
class Share:
    """Which share of the owner's drives does something: between `low` and `high`, 0 to 1, and on what ground."""

    low: float
    high: float
    ground: str


@dataclass(frozen=True, slots=True)
class UsualDriving:
    """An ordinary week. `told`: the owner said so; else it is a private car like others.

    Raises ImpossibleDriving for no starts, more cold starts than starts, or no distance.
    """

    starts_a_week: float = STARTS_A_WEEK
    cold_starts_a_week: float = COLD_STARTS_A_WEEK
    km_a_week: float = KM_A_WEEK
    told: bool = False

    def __post_init__(self) -> None:
        if not 0 < self.starts_a_week <= 1000:
            raise ImpossibleDriving(f"{self.starts_a_week:g} starts a week")
        if not 0 <= self.cold_starts_a_week <= self.starts_a_week:
            raise ImpossibleDriving(f"{self.cold_starts_a_week:g} cold starts among {self.starts_a_week:g}")
        if not 0 < self.km_a_week <= 20_000:
            raise ImpossibleDriving(f"{self.km_a_week:g} km a week")

    @property
    def km_a_drive(self) -> float:
        return self.km_a_week / self.starts_a_week

    @property
    def cold_share(self) -> float:
        return self.cold_starts_a_week / self.starts_a_week

    def words(self) -> str:
        """In a sentence."""
        said = _("as told") if self.told else _("taken for a private car like others: say what is usual for this owner")
        return _(
            "{starts:.0f} starts a week, {cold:.0f} of them cold, {km:.0f} km ({said})",
            starts=self.starts_a_week, cold=self.cold_starts_a_week, km=self.km_a_week, said=said,
        )  # fmt: skip

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON; keys are stable."""
        return {name: getattr(self, name) for name in self.__slots__}


# How much of a drive's length makes what likely: up to so many km, from so low to so high a share. Judgement.
_MINIMUM = ((4.0, 0.0, 0.15), (8.0, 0.1, 0.45), (15.0, 0.3, 0.8), (40.0, 0.5, 0.95), (1e9, 0.7, 1.0))
_WARMED = ((4.0, 0.2, 0.7), (8.0, 0.5, 0.95), (1e9, 0.8, 1.0))


def _by_length(table: Iterable[tuple[float, float, float]], km: float) -> tuple[float, float]:
    return next((low, high) for up_to, low, high in table if km <= up_to)


def usual_shares(
    usual: UsualDriving, frame: FreezeFrame | None, monitors: Iterable[str], reading: RuleReading
) -> dict[str, Share]:
    """The shares, by `minimum`, `warm-up`, `near` (back at the freeze frame) and `ran:MONITOR`. All are judgement."""
    km = usual.km_a_drive
    length = _("drives of {km:.0f} km on average", km=km)
    low, high = _by_length(_MINIMUM, km)
    if reading.permanent_limits:
        low, high = 0.5 * low, high
    warmed = _by_length(_WARMED, km)
    found = {
        "minimum": Share(
            low,
            high,
            _(
                "{length}; {minutes:.0f} min at speed asked for",
                length=length,
                minutes=MINIMUM_DRIVE.fast_time.value / 60,
            ),
        ),
        "warm-up": Share(
            usual.cold_share * warmed[0], usual.cold_share * warmed[1], _("cold starts, {length}", length=length)
        ),
        "near": _near(usual, frame, reading),
    }
    for name in monitors:
        if name in CONTINUOUS:
            found[f"ran:{name}"] = Share(0.85, 1.0, _("watched all the time"))
        elif name in ("evap", "secondary-air", "heated-catalyst"):
            share = usual.cold_share
            found[f"ran:{name}"] = Share(
                0.05 * share, 0.6 * share, _("cold starts after a night, tank not full or empty")
            )
        elif name == "oxygen-sensor-heater":
            found[f"ran:{name}"] = Share(0.5, 1.0, _("a few minutes of running"))
        else:
            found[f"ran:{name}"] = Share(0.3 * high, max(high, 0.2), _("steady warm driving; {length}", length=length))
    return found


def _near(usual: UsualDriving, frame: FreezeFrame | None, reading: RuleReading) -> Share:
    if frame is None:
        return Share(0.0, 1.0, _("no freeze frame is known"))
    load = 50.0 if frame.load_percent is None else frame.load_percent
    if frame.warm is False:
        low, high, ground = 0.6 * usual.cold_share, usual.cold_share, _("stored cold: the cold starts")
    elif frame.rpm <= IDLE_RPM and load < HIGH_LOAD_PERCENT:
        low, high, ground = 0.7, 1.0, _("stored at idle: nearly every drive that warms up")
    elif load < HIGH_LOAD_PERCENT:
        low, high, ground = 0.4, 0.95, _("stored while cruising")
    else:
        low, high, ground = 0.05, 0.5, _("stored under high load")
    if reading.load == "relative" and frame.load_percent is not None:
        narrower = frame.load_percent / 100
        low, high, ground = low * narrower, high * (1 + narrower) / 2, ground + _("; the narrower window")
    return Share(low, high, ground)
