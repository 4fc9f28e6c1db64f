"""What lies ahead of a case: its courses forecast side by side, where one pays over another, and what that hangs on."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from firstcause.casebook.prospects import Prospects, Span, prospects_of
from firstcause.casebook.weighing import WeighedCase
from firstcause.errors import RequestError
from firstcause.outlook.competing import first_back
from firstcause.outlook.crossing import Crossing, Matter, crossing, what_matters
from firstcause.outlook.exact_mean import expected_price
from firstcause.outlook.forecast import DRAWS, Forecast, forecast
from firstcause.outlook.oil_dose import Driving

KM_A_MONTH = 1_000.0  # what a private car drives; common practice, no source. Asked for where it matters.
MONTHS = 24.0
SEED = 1
MATTERS_SHOWN = 6


@dataclass(frozen=True)
class Ahead:
    """The outlook of one case over one horizon. Prices in the shop's currency, before tax.

    `exact` is the mean price at the horizon by renewal theory, lasting damage left out, where it exists: what the
    simulation is checked against (`forecasts[i].mean` has the damage in it, `without_harm` has not).
    """

    prospects: Prospects
    months: float
    km_a_month: float
    seed: int
    draws: int
    forecasts: tuple[Forecast, ...]
    exact: tuple[float, ...]
    pays: tuple[Crossing, ...]
    between: tuple[str, str] | None
    matters: tuple[Matter, ...]
    first_back: tuple[tuple[str, float], ...]
    """if nothing is done: cause by which it is back first within the horizon, with its chance, the likeliest first"""
    not_back: float
    driving: Driving

    @property
    def horizon_km(self) -> float:
        """How far the owner will drive within the horizon."""
        return self.months * self.km_a_month

    @property
    def cheapest(self) -> Forecast:
        """The course that costs least in the mean at the horizon."""
        return min(self.forecasts, key=lambda told: float(told.mean[-1]))

    def to_dict(self) -> dict[str, Any]:
        """Stable keys for programs; prices before tax, distances in km."""
        return {
            "horizon": {"months": self.months, "km_a_month": self.km_a_month, "km": self.horizon_km},
            "drawn": {"cars": self.draws, "seed": self.seed},
            "may_stand": [
                {"cause": each.cause, "name": each.name, "chance": each.chance, "settle_price": each.settle_price,
                 "back_after_km": None if each.life is None
                 else [each.life.quantile_km(share) for share in (0.1, 0.5, 0.9)],
                 "harm_per_1000_km": each.harm_per_1000_km, "harm_price": each.harm_price}
                for each in self.prospects.standing
            ],
            "options": [_option(told, exact, self.prospects.price_spans[told.course.key])
                        for told, exact in zip(self.forecasts, self.exact, strict=True)],
            "pays": [
                {"option": each.pays.key, "over": each.over.key, "from_km": each.at_km,
                 "from_months": each.at_km / self.km_a_month, "between_km": each.between_km} for each in self.pays
            ],
            "what_matters": {
                "between": self.between,
                "assumptions": [{"name": m.name, "down": m.down, "up": m.up} for m in self.matters],
            },
            "driving": self.driving,
            "back_first_by": [{"name": name, "chance": chance} for name, chance in self.first_back],
            "not_back": self.not_back,
            "rests_on": list(self.prospects.spans),
            "stays_unknown": list(self.prospects.unknown),
        }  # fmt: skip


def _option(told: Forecast, exact: float, span: Span) -> dict[str, Any]:
    mean, low, high = told.price_at_end
    return {
        "option": told.course.key, "name": told.course.name, "price_now": told.course.price_now,
        "price_now_span": span,
        "price": {"mean": mean, "from": low, "to": high, "error": float(told.error[-1]),
                  "exact_without_harm": exact, "without_harm": told.mean_without_harm},
        "returns": {"chance": float(told.returned[-1]), "first_km": told.first_return_km},
        "harm": float(told.harmed[-1]), "leaves_open": told.course.leaves_open,
        "over_distance": {
            "km": told.distance_km.round(1).tolist(), "mean": told.mean.round(2).tolist(),
            "from": told.low.round(2).tolist(), "to": told.high.round(2).tolist(),
            "returned": told.returned.round(4).tolist(),
        },
    }  # fmt: skip


def look_ahead(
    weighed: WeighedCase, months: float = MONTHS, km_a_month: float = KM_A_MONTH, seed: int = SEED, draws: int = DRAWS,
    driving: Driving = "mixed",
) -> Ahead:  # fmt: skip
    """The courses of a case over the owner's horizon; the same seed gives the same figures. Pure.

    Raises RequestError for a horizon that is none.
    """
    if not (months > 0.0 and km_a_month > 0.0):
        raise RequestError("A horizon needs months and km a month above 0. Say for how long the owner keeps the car.")
    prospects, horizon_km = prospects_of(weighed, driving), months * km_a_month
    told = forecast(prospects.standing, prospects.courses, horizon_km, seed, draws)
    exact = tuple(expected_price(prospects.standing, course, horizon_km) for course in prospects.courses)
    pays = tuple(_all_crossings(told))
    between, matters = None, tuple[Matter, ...]()
    if (pair := _pair(told)) is not None:
        first, second = (each.course for each in pair)
        between = (first.key, second.key)
        matters = what_matters(prospects.standing, first, second, horizon_km, seed)
    chances, not_back = first_back(prospects.risks, horizon_km, some_stands=1.0 - weighed.weighing.advice.cured)
    names = [risk.name for risk in prospects.risks]
    by_cause = sorted(zip(names, map(float, chances), strict=True), key=lambda each: -each[1])
    return Ahead(
        prospects, months, km_a_month, seed, draws, told, exact, pays, between, matters[:MATTERS_SHOWN],
        tuple(by_cause), not_back, driving,
    )  # fmt: skip


def _all_crossings(told: tuple[Forecast, ...]) -> list[Crossing]:
    """Where a dearer course has paid for itself against what is cheaper now, the nearest first.

    Selling is left out: its price is what a buyer may take off, not work that pays for itself.
    """
    work = [each for each in told if each.course.key != "sell"]
    found = [crossing(one, two) for at, one in enumerate(work) for two in work[at + 1 :]]
    return sorted((c for c in found if c is not None and c.at_km > 0.0), key=lambda each: each.at_km)


def _pair(told: tuple[Forecast, ...]) -> tuple[Forecast, Forecast] | None:
    """The two courses the choice is between: cheapest in the mean at the horizon, and the next; selling apart."""
    work = sorted((t for t in told if t.course.key != "sell"), key=lambda each: float(each.mean[-1]))
    return (work[0], work[1]) if len(work) > 1 else None
