"""When to look again after the car has left: what, by whom, after how far, on about which day."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from datetime import date, timedelta
from typing import Any, Literal

from firstcause.casebook.lives import odometer_of
from firstcause.casebook.weighing import WeighedCase
from firstcause.errors import RequestError
from firstcause.tongue import _

DAYS_A_MONTH = 365.2425 / 12  # mean Gregorian month
RECORD_DAYS = 14  # a permanent record is asked for after two weeks of driving where nobody forecast it: judgement


@dataclass(frozen=True, slots=True)
class LookAgain:
    """One thing to do later. `after_km` None: bound to a day, not to a distance; `at_km`: what the clock then shows."""

    key: str
    what: str
    how: str
    who: Literal["owner", "workshop"]
    on: date
    after_km: int | None
    at_km: float | None
    ground: str

    def to_dict(self) -> dict[str, Any]:
        """Plain values; keys are stable."""
        return asdict(self)


def follow_up(
    weighed: WeighedCase, starts_on: date, km_a_month: float, record_gone_on: date | None = None
) -> tuple[LookAgain, ...]:
    """What the pack asks to be looked at again, in the order of the days.

    A look that belongs to faults is asked for while one of them is above the share at which a case may not be called
    cured. `starts_on` is the day the car leaves; days follow from how far it is driven in a month. `record_gone_on` is
    a forecast of the day on which the permanent record should be gone; without one it is asked for after two weeks.

    Raises RequestError for a distance a month that is none.
    """
    if not km_a_month > 0.0:
        raise RequestError(f"{km_a_month:g} km a month gives no days. Say how far the car is driven in a month.")
    open_faults = open_faults_of(weighed)
    here_km = odometer_of(weighed.case)
    found = [
        LookAgain(
            f"{look.id}-{km}",
            look.what,
            look.how,
            look.who,
            starts_on + timedelta(days=round(km / km_a_month * DAYS_A_MONTH)),
            km,
            here_km + km,
            look.basis,
        )
        for look in weighed.knowledge.model.afterwards.looks
        if not look.faults or open_faults & set(look.faults)
        for km in look.after_km
    ]
    codes = () if weighed.case.codes is None else weighed.case.codes.permanent
    if codes:
        day = record_gone_on or starts_on + timedelta(days=RECORD_DAYS)
        ground = _("forecast from the drives") if record_gone_on else _("judgement: two weeks of driving")
        found.append(
            LookAgain(
                "permanent-record",
                _("Has the permanent record gone? ({listed})", listed=", ".join(codes)),
                _(
                    "No tool can erase it: the car does, once its own monitor has run and passed. Read "
                    "it, erase nothing."
                ),
                "workshop",
                day,
                None,
                None,
                ground,
            )
        )
    return tuple(sorted(found, key=lambda look: (look.on, look.key)))


def open_faults_of(weighed: WeighedCase) -> frozenset[str]:
    """The faults of which one may still stand, above the limit at which a case may not be called cured."""
    model, belief = weighed.weighing.model, weighed.weighing.belief
    limit = weighed.knowledge.model.closing.open_parent_at_most
    return frozenset(model.facts[cause].fault for cause in model.live_roots if belief[cause] > limit)
