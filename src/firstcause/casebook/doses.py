"""How soon a part is spoilt again, from how much of what spoils it was read to get in, and from the kind of driving."""

from __future__ import annotations

from collections.abc import Iterable

from firstcause.casebook.case import Case
from firstcause.casebook.events import Found
from firstcause.knowledge.schema import FaultEntry
from firstcause.outlook.oil_dose import FARTHEST_KM, Driving, span_by_dose
from firstcause.units import convert

DOSE_UNIT = "L/1000 km"


def dose_span(case: Case, entries: Iterable[FaultEntry], driving: Driving) -> tuple[tuple[int, int], str] | None:
    """From and to, km, and on what it stands; None where no entry returns by dose or its test was not read."""
    tests = {entry.returns.dose_test for entry in entries if entry.returns is not None} - {None}
    read = [body for body in case.bodies(Found) if body.test in tests and body.value is not None and body.unit]
    if not read:
        return None
    litres = convert(read[-1].value or 0.0, read[-1].unit or DOSE_UNIT, DOSE_UNIT)
    said = f"{litres:.2g} L per 1,000 km read, {driving} driving, reckoned as if one cylinder got it all; judgement"
    span = span_by_dose(litres, driving)
    if span is None:
        far = round(FARTHEST_KM)
        return (far, 2 * far), f"{said}; so little fouls no plug within {far:,} km"
    return (round(span[0]), round(span[1])), said
