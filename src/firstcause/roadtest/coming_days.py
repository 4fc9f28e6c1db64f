"""The owner's drives of the weeks to come, drawn, and on which day the car's records have done what."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from math import ceil, floor, inf, isfinite
from typing import Any, Literal

import numpy as np

from firstcause.roadtest.cycles import CONTINUOUS, where_of
from firstcause.roadtest.inspection import InspectionRule
from firstcause.roadtest.records import CodeRecord, Cycle, Ran, Records, RuleReading, after_cycle, read_complete
from firstcause.roadtest.rules import CONFIRMED_ERASE_WARM_UPS, GENERAL_AMBIENT
from firstcause.roadtest.usual import UsualDriving, usual_shares
from firstcause.roadtest.window import FreezeFrame
from firstcause.tongue import _
from firstcause.tongue import date as date_words

Kind = Literal["lamp", "pending", "confirmed", "permanent", "self-check", "inspection"]
What = tuple[Kind, str]
DRAWS, SEED = 100, 1
MOST_DRIVES = 700  # beyond it a span is left open: nearly a year of two drives a day
SURE = 0.05  # left out at either end by chance, so that 9 of 10 lie within
ALL_CHECKS = (
    "misfire", "fuel-system", "catalyst", "evap", "oxygen-sensor", "oxygen-sensor-heater", "egr-or-vvt",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Span:
    """Between which days; `latest` None: it may take longer than the forecast reaches. 9 of 10 lie within.

    `done`: what was driven has done it already, as far as the recordings tell; `perhaps`: they leave that open.
    """

    earliest: date | None
    latest: date | None
    done: bool = False
    perhaps: bool = False

    def words(self) -> str:
        """In words."""
        if self.done:
            return _("done by what was driven")
        if self.earliest is None:
            return _("not within a year of such driving")
        if self.perhaps:
            if self.latest is None:
                return _("perhaps done by what was driven, else how late cannot be said")
            return _("perhaps done by what was driven, else by {day}", day=date_words(self.latest))
        if self.latest is None:
            return _("{day} at the earliest; how late cannot be said", day=date_words(self.earliest))
        if self.earliest == self.latest:
            return _("about {day}", day=date_words(self.latest))
        first = date_words(self.earliest)
        if self.earliest.year == self.latest.year:
            first = first.removesuffix(f" {self.earliest.year}")
        return _("between {first} and {last}", first=first, last=date_words(self.latest))


@dataclass(frozen=True, slots=True)
class Standing:
    """Where the car's records stand, at best and at worst, and what it had since the erase.

    `before`: as they were last read or erased, before what was driven since. `checks`: those that the car has.
    """

    at_best: Records
    at_worst: Records
    before: Records
    checks: tuple[str, ...] = ALL_CHECKS
    warm_ups: int = 0
    km: float = 0.0
    left_open: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Asked:
    """What a forecast is asked for: where the fault was stored, how the owner drives, from which day, which rules.

    `model_year` None: `rules` is empty then. `draws` runs of weeks are drawn from `seed`.
    """

    frame: FreezeFrame | None
    usual: UsualDriving
    on: date
    rules: tuple[InspectionRule, ...] = ()
    model_year: int | None = None
    draws: int = DRAWS
    seed: int = SEED


def waiting(
    records: Records, now: Standing, how: RuleReading, asked: Asked, warm_ups: int | None = None,
    km: float | None = None,
) -> frozenset[What]:  # fmt: skip
    """What the car has not done yet. `warm_ups` and `km` since the erase, where they are not those of now."""
    found: set[What] = {("lamp", "")} if records.lamp else set()
    found |= {("pending", code) for code in records.pending}
    found |= {("confirmed", code) for code in records.confirmed}
    found |= {("permanent", code) for code in records.on_permanent}
    open_checks = set(now.checks) - read_complete(records, how)
    found |= {("self-check", name) for name in open_checks}
    for rule in asked.rules:
        assert asked.model_year is not None
        if not rule.passes(
            asked.model_year, lamp=records.lamp, open_checks=open_checks, permanent=bool(records.permanent),
            warm_ups=now.warm_ups if warm_ups is None else warm_ups, km=now.km if km is None else km,
        ):  # fmt: skip
            found.add(("inspection", rule.id))
    return frozenset(found)


def checks_wanted(wanted: Iterable[What]) -> tuple[str, ...]:
    """The self-checks whose runs matter: those watched all the time, and those still open."""
    return tuple(dict.fromkeys([*CONTINUOUS, *(name for kind, name in wanted if kind == "self-check")]))


class _Drives:
    """The drives an owner may drive, as cycles of the rules, by what they do; and where each takes the records."""

    def __init__(self, now: Standing, how: RuleReading, asked: Asked, monitors: Sequence[str]) -> None:
        self._now, self._how, self._asked = now, how, asked
        self._place, self._monitors = where_of(asked.frame), monitors
        self._cycles: dict[tuple[bool, ...], Cycle] = {}
        self._next: dict[tuple[Records, tuple[bool, ...]], Records] = {}
        self._left: dict[tuple[Records, bool], frozenset[What]] = {}

    def after(self, records: Records, did: tuple[bool, ...]) -> Records:
        """The records after a drive; `did`: near, minimum drive, warm-up, and each monitor in order."""
        key = (records, did)
        if key not in self._next:
            new = after_cycle(records, self._cycle(did), self._how)
            codes = tuple(_without_idle_counts(each) for each in new.codes)
            self._next[key] = replace(new, codes=codes)
        return self._next[key]

    def left(self, records: Records, warm_ups: int, km: float) -> frozenset[What]:
        """What is still waited for."""
        waived = any(warm_ups >= rule.waiver_warm_ups > 0 and km >= rule.waiver_km for rule in self._asked.rules)
        key = (records, waived)
        if key not in self._left:
            since = (warm_ups, km) if waived else (0, 0.0)
            self._left[key] = waiting(records, self._now, self._how, self._asked, *since)
        return self._left[key]

    def _cycle(self, did: tuple[bool, ...]) -> Cycle:
        if did not in self._cycles:
            near, minimum, warm = did[:3]
            happened: list[Any] = [self._place] if near and self._place is not None else []
            happened += [Ran(name) for name, ran in zip(self._monitors, did[3:], strict=True) if ran]
            cold = 20.0 if minimum or not self._how.permanent_limits else GENERAL_AMBIENT.value - 10.0
            run, fast, idle = (900.0, 400.0, 45.0) if minimum else (400.0, 60.0, 20.0)
            self._cycles[did] = Cycle(
                tuple(happened), run, fast, idle, 15.0 if warm else 85.0, 90.0, coldest_ambient_c=cold
            )
        return self._cycles[did]


def _without_idle_counts(code: CodeRecord) -> CodeRecord:
    """The same code for the rules; counts that can decide nothing more are set to one value: few states, fast draws."""
    return replace(
        code,
        pending_age=None if code.pending_age is None else min(code.pending_age, 2),
        quiet=code.quiet if code.lamp else 0,
        strange=0 if code.pending_age is None else code.strange,
    )


def spans(wanted: Sequence[What], now: Standing, how: RuleReading, asked: Asked) -> dict[What, Span]:
    """For each thing, between which days it comes.

    The owner's drives are drawn: starts at random, each with the shares of `usual_shares`; the earliest day comes from
    the best records with the high shares, the latest from the worst with the low ones. The same seed, the same days.
    """
    monitors, draws = checks_wanted(wanted), asked.draws
    shares = usual_shares(asked.usual, asked.frame, monitors, how)
    names = ("near", "minimum", "warm-up", *(f"ran:{name}" for name in monitors))
    drives = _Drives(now, how, asked, monitors)
    early: dict[What, float] = {}
    late: dict[What, float] = {}
    for best, days in ((True, early), (False, late)):
        chances = [shares[name].high if best else shares[name].low for name in names]
        start = now.at_best if best else now.at_worst
        found = _days(wanted, start, now, drives, chances, asked)
        for what, several in found.items():
            several.sort()
            days[what] = several[floor(SURE * draws)] if best else several[min(ceil((1 - SURE) * draws), draws - 1)]
    return {what: _span(asked.on, early[what], max(late[what], early[what])) for what in wanted}


def _span(on: date, early: float, late: float) -> Span:
    return Span(_later(on, early), _later(on, late), done=late == 0.0, perhaps=early == 0.0 < late)


def _later(on: date, days: float) -> date | None:
    return on + timedelta(days=ceil(days)) if isfinite(days) else None


def _days(
    wanted: Sequence[What], start: Records, now: Standing, drives: _Drives, chances: Sequence[float], asked: Asked
) -> dict[What, list[float]]:
    """For each thing, the day on which it came, in each drawn run; `inf` where it did not within the drives drawn."""
    found: dict[What, list[float]] = {what: [] for what in wanted}
    usual = asked.usual
    for draw in range(asked.draws):
        chance = np.random.default_rng((asked.seed, draw))
        pauses = chance.exponential(7 / usual.starts_a_week, MOST_DRIVES)
        does = (chance.random((MOST_DRIVES, len(chances))) < np.array(chances)).tolist()
        records, day, warm_ups, km = start, 0.0, now.warm_ups, now.km
        came = {what: 0.0 for what in wanted if what not in drives.left(records, warm_ups, km)}
        for pause, each in zip(pauses.tolist(), does, strict=True):
            if len(came) == len(wanted):
                break
            day, did = day + pause, tuple(each)
            records, warm_ups, km = drives.after(records, did), warm_ups + did[2], km + usual.km_a_drive
            left = drives.left(records, warm_ups, km)
            for what in wanted:
                if what not in came and what not in left:
                    came[what] = day
        for what in wanted:
            found[what].append(came.get(what, inf))
    return found


def fewest(wanted: Sequence[What], now: Standing, how: RuleReading, asked: Asked) -> dict[What, int | None]:
    """The fewest drives that do it: each of them does everything the records wait for."""
    monitors = checks_wanted(wanted)
    drives = _Drives(now, how, asked, monitors)
    records = now.at_worst
    done: dict[What, int | None] = dict.fromkeys(wanted)
    for number in range(1, round(CONFIRMED_ERASE_WARM_UPS.value) + 20):
        records = drives.after(records, (True,) * (3 + len(monitors)))
        left = drives.left(records, now.warm_ups + number, inf)
        for what in wanted:
            if done[what] is None and what not in left:
                done[what] = number
    return done
