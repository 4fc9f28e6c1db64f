"""How long renewed parts lasted in this car: lives that ended and lives still running, from its own cases."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from firstcause.casebook.case import Case
from firstcause.casebook.events import Counted, Drove, LifeSeen, Linked, Renewed, Repaired, Snapshot
from firstcause.casebook.ledger import part_renewed_by
from firstcause.casebook.readings import out_of
from firstcause.knowledge.base import Knowledge
from firstcause.vehicle.place import Place

Position = tuple[str, int]
"""A kind of part and the cylinder it serves."""


@dataclass(frozen=True)
class Lives:
    """Lives of one kind of part at one cylinder, in km: those that ended before, and how far the present one has come.

    `running_km` is None where the part that sits there was not renewed as far as anybody knows.
    """

    ended_km: tuple[float, ...] = ()
    censored_km: tuple[float, ...] = ()
    running_km: float | None = None


def odometer_of(case: Case) -> float:
    """The last distance that the case knows of the car, km."""
    read = [
        event.body.odometer_km
        for event in case.effective
        if isinstance(event.body, Snapshot | Counted | Drove) and event.body.odometer_km is not None
    ]
    return max([case.car.distance_km, *read])


def lives_of(case: Case, knowledge: Knowledge) -> Mapping[Position, Lives]:
    """The lives of every part that was renewed in this case, or that a linked earlier case tells of.

    A life begins with a renewal, at the last odometer read before it. It ends when the complaint is counted on that
    cylinder at a later odometer; with no such reading it still runs. A part that is renewed again while nothing was
    counted on it counts as running to that point (it was not shown to be spoilt).
    """
    complaint, odometer = knowledge.model.complaint, case.car.distance_km
    ended: dict[Position, list[float]] = {}
    censored: dict[Position, list[float]] = {}
    fitted_at_km: dict[Position, float] = {}
    for event in case.effective:
        body = event.body
        if isinstance(body, Snapshot | Counted | Drove) and body.odometer_km is not None:
            odometer = max(odometer, body.odometer_km)
        if isinstance(body, Linked) and body.relation == "earlier":
            for life in body.lives:
                (ended if life.ended else censored).setdefault((life.part, life.cylinder), []).append(life.distance_km)
        elif isinstance(body, Renewed) or (isinstance(body, Repaired) and part_renewed_by(event, body, knowledge)):
            position = _position(body, knowledge)
            before = fitted_at_km.get(position, odometer)
            if odometer > before:
                censored.setdefault(position, []).append(odometer - before)
            fitted_at_km[position] = odometer
        elif isinstance(body, Counted | Drove) and complaint.unit == "cylinder" and body.misfires:
            of = out_of(body, case.layout, complaint).count
            seen = {number for number, bad in body.misfires.items() if complaint.is_seen(bad, of)}
            for position in [each for each in fitted_at_km if each[1] in seen and odometer > fitted_at_km[each]]:
                ended.setdefault(position, []).append(odometer - fitted_at_km.pop(position))
    return {
        position: Lives(
            tuple(ended.get(position, ())),
            tuple(censored.get(position, ())),
            odometer - fitted_at_km[position] if position in fitted_at_km else None,
        )
        for position in {*ended, *censored, *fitted_at_km}
    }


def _position(body: Renewed | Repaired, knowledge: Knowledge) -> Position:
    if isinstance(body, Renewed):
        return body.part, body.cylinder
    renews = knowledge.repairs[body.repair].renews
    assert renews is not None
    return renews, Place.parse(body.place).numbers[0]


def lives_until(
    earlier: Case, knowledge: Knowledge, odometer_km: float, spoilt: frozenset[int]
) -> tuple[LifeSeen, ...]:
    """What an earlier case teaches when the car comes back at this odometer: how far each renewed part got.

    `spoilt` are the cylinders on which the complaint is back: the parts there ended their life, the others still run.
    """
    driven = max(0.0, odometer_km - odometer_of(earlier))
    found = []
    for (part, cylinder), lives in sorted(lives_of(earlier, knowledge).items()):
        if lives.running_km is not None and lives.running_km + driven > 0.0:
            found.append(
                LifeSeen(part=part, cylinder=cylinder, distance_km=lives.running_km + driven, ended=cylinder in spoilt)
            )
        found += [LifeSeen(part=part, cylinder=cylinder, distance_km=km, ended=True) for km in lives.ended_km]
        found += [LifeSeen(part=part, cylinder=cylinder, distance_km=km, ended=False) for km in lives.censored_km]
    return tuple(found)
