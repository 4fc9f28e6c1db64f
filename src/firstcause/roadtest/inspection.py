"""What an inspection asks of the car's own records: lamp, self-checks, permanent codes, by place and model year."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Literal

from firstcause.roadtest.rules import Mark
from firstcause.tongue import N_, Said, _

CHECK_WORDS: Said[str] = Said({
    "misfire": "misfire detection", "fuel-system": "fuel system", "comprehensive": "components", "catalyst": "catalyst",
    "heated-catalyst": "heated catalyst", "evap": "fuel vapour", "secondary-air": "secondary air",
    "oxygen-sensor": "oxygen sensor", "oxygen-sensor-heater": "oxygen sensor heater",
    "egr-or-vvt": "exhaust recirculation or valve timing",
})  # fmt: skip


def check_words(name: str) -> str:
    """A self-check of the car as it is said; a name that is not known stays."""
    return CHECK_WORDS.get(name, name)


Standing = Literal["passes", "fails", "not asked", "year not known"]


@dataclass(frozen=True, slots=True)
class Years:
    """Model years from `first` to `last` (None: open), and how many self-checks may be open then.

    `free`: self-checks that are not counted; `at_most`: how many others may be open.
    """

    first: int
    last: int | None
    at_most: int
    free: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class InspectionRule:
    """One place's rule for petrol cars. `years` empty: self-checks are not looked at.

    `permanent_from`: the model year from which a permanent code fails it (None: never looked at); it is passed over
    once `waiver_warm_ups` and `waiver_km` have come since the erase. `lamp_from`: the first
    model year for which a lit lamp fails.
    """

    id: str
    place: str
    lamp_from: int
    years: tuple[Years, ...]
    permanent_from: int | None
    cite: str
    mark: Mark
    waiver_warm_ups: int = 0
    waiver_km: float = 0.0
    note: str = ""

    def of_year(self, model_year: int) -> Years | None:
        """What holds for cars of that year; None when their self-checks are not looked at."""
        return next((y for y in self.years if y.first <= model_year <= (y.last or 9999)), None)

    def open_but_allowed(self, open_checks: Iterable[str], model_year: int) -> bool:
        """Whether so many open self-checks still pass."""
        years = self.of_year(model_year)
        return years is None or len(set(open_checks) - years.free) <= years.at_most

    def passes(
        self, model_year: int, *, lamp: bool, open_checks: Iterable[str], permanent: bool, warm_ups: int, km: float
    ) -> bool:
        """Whether the records pass. `warm_ups` and `km` since the erase."""
        if lamp and model_year >= self.lamp_from:
            return False
        if permanent and self.permanent_from is not None and model_year >= self.permanent_from:
            waived = self.waiver_warm_ups > 0 and warm_ups >= self.waiver_warm_ups and km >= self.waiver_km
            if not waived:
                return False
        return self.open_but_allowed(open_checks, model_year)

    @property
    def place_words(self) -> str:
        """The place, in the language spoken."""
        return _(self.place)

    def asks(self, model_year: int) -> str:
        """What it asks of the records of a car of that year."""
        asks = [_("the lamp off")] if model_year >= self.lamp_from else []
        years = self.of_year(model_year)
        if years is not None:
            many = _("at most {n} self-checks open", n=years.at_most)
            count = {0: _("no self-check open"), 1: _("at most one self-check open")}.get(years.at_most, many)
            free = _(" and ").join(check_words(name) for name in sorted(years.free))
            asks.append(count + (_(" beside {checks}", checks=free) if free else ""))
        if self.permanent_from is not None and model_year >= self.permanent_from:
            waived = _(
                " (passed over after {warm_ups} warm-ups and {km:.0f} km since the erase)",
                warm_ups=self.waiver_warm_ups, km=self.waiver_km,
            )  # fmt: skip
            asks.append(_("no permanent code") + (waived if self.waiver_warm_ups else ""))
        return ", ".join(asks) if asks else _("nothing of these records")

    def words(self, model_year: int) -> str:
        """What it asks of a car of that year, in a sentence."""
        return _(
            "{place}, model year {year}: {asks}",
            place=self.place_words, year=str(model_year), asks=self.asks(model_year),
        )  # fmt: skip

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON; keys are stable."""
        return {"id": self.id, "place": self.place, "cite": self.cite, "mark": self.mark, "note": self.note}


_MILES_KM = 1.609344
INSPECTIONS: tuple[InspectionRule, ...] = (
    InspectionRule(
        "us-federal", N_("United States, federal rule"), 1996, (Years(1996, 2000, 2), Years(2001, None, 1)), None,
        "lamp: 40 CFR 85.2207 (read in the official text); self-checks: 40 CFR 85.2222(c) and EPA420-R-01-015; the "
        "same pair of numbers was read in 16 CCR 3340.42.2(b)", "from memory",
    ),
    InspectionRule(
        "us-california", N_("California"), 1996,
        (Years(1996, 1999, 1), Years(2000, None, 0, frozenset({"evap"}))), 2010,
        "16 CCR 3340.42.2(c), permanent codes since 1 July 2019 under (c)(5) (read); allowed self-checks and the "
        "limits for passing over a permanent code: reference of the state's test system", "from memory",
        waiver_warm_ups=15, waiver_km=200 * _MILES_KM,
    ),
    InspectionRule(
        "united-kingdom", N_("Great Britain"), 2003, (), None,
        "MOT inspection manual 8.2.1.2: a lit lamp fails petrol cars first used from 1 July 2003; self-checks are "
        "not looked at",
        "from memory", note="the date of first use counts, not the model year",
    ),
    InspectionRule(
        "european-union", N_("European Union"), 2000, (), None,
        "Directive 2014/45/EU Annex I 8.2.1.2: a member state may read the car's records", "from memory",
        note="what is asked beside the lamp is the member state's",
    ),
)  # fmt: skip
