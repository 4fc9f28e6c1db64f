"""The follow-up as a calendar that any phone takes in: one all-day entry for each look (iCalendar, RFC 5545)."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from hashlib import sha256

import icalendar

from firstcause.casebook.case import Case
from firstcause.casebook.follow_up import LookAgain

MAKER = "-//firstcause//follow-up//EN"


def calendar_of(case: Case, looks: Sequence[LookAgain], made_at: datetime) -> bytes:
    """A calendar file, UTF-8. Make and model stand in it, no person, no plate.

    The same case and look keep their UID (RFC 5545, 3.8.4.7), so that a second export replaces the first one's entries.
    `made_at` must know its time zone.
    """
    calendar = icalendar.Calendar()
    calendar.add("prodid", MAKER)
    calendar.add("version", "2.0")
    calendar.add("method", "PUBLISH")
    first = case.effective[0]
    seal = sha256(f"{first.at.isoformat()} {case.title}".encode()).hexdigest()[:20]
    for look in looks:
        entry = icalendar.Event()
        entry.add("uid", f"{seal}-{look.key}@firstcause")
        entry.add("dtstamp", made_at)
        entry.add("dtstart", look.on)
        entry.add("dtend", look.on + timedelta(days=1))
        entry.add("summary", f"{look.what} ({case.car.make} {case.car.model})")
        entry.add("description", " ".join((_when(look), look.how)))
        entry.add("transp", "TRANSPARENT")
        calendar.add_component(entry)
    return bytes(calendar.to_ical())


def _when(look: LookAgain) -> str:
    if look.at_km is None:
        return "About this day."
    return f"At about {look.at_km:,.0f} km on the clock; the distance counts, the day is reckoned."
