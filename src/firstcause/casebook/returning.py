"""A car that came back: what its earlier case and its later one teach each other."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

from firstcause.casebook.case import Case
from firstcause.casebook.events import Counted, Drove, Linked
from firstcause.casebook.lives import lives_until, odometer_of
from firstcause.casebook.readings import out_of
from firstcause.errors import RequestError
from firstcause.knowledge.base import Knowledge

Complaint = Literal["back", "gone", "unsaid"]


class NotTheSameCar(RequestError):
    """Two cases that cannot be linked."""

    def __init__(self, earlier: str, later: str, why: str) -> None:
        super().__init__(f"{earlier} and {later} are not linked: {why}. Nothing was recorded.")


def link_of_return(
    earlier_id: str, earlier: Case, later_id: str, later: Case, knowledge: Knowledge,
    complaint: Complaint | None = None, note: str = "",
) -> Mapping[str, Linked]:  # fmt: skip
    """The event that each of the two cases gets, by case id; one that has it already gets none. Pure.

    `knowledge` is that of the earlier case. Without `complaint` it is back where the later case counted it, gone where
    it counted and saw nothing, and else unsaid. Raises NotTheSameCar for two cars (two VINs, or two models), for a
    case linked with itself, and where the later case has the shorter distance.
    """
    _require_same_car(earlier_id, earlier, later_id, later)
    ends_km, begins_km = odometer_of(earlier), later.car.distance_km
    driven_km = begins_km - ends_km
    if driven_km < 0.0:
        why = f"{later_id} begins at {begins_km:,.0f} km, {earlier_id} ends at {ends_km:,.0f} km"
        raise NotTheSameCar(earlier_id, later_id, why)
    counted, spoilt = _seen_again(later, knowledge)
    if complaint is None:
        complaint = "unsaid" if not counted else "back" if spoilt else "gone"
    if complaint != "back":
        spoilt = frozenset()
    lives = lives_until(earlier, knowledge, later.car.distance_km, spoilt)
    made = {
        earlier_id: Linked(relation="later", case=later_id, complaint=complaint, driven_km=driven_km, lives=lives,
                           note=note),
        later_id: Linked(relation="earlier", case=earlier_id, complaint=complaint, driven_km=driven_km, lives=lives,
                         note=note),
    }  # fmt: skip
    here = {earlier_id: earlier, later_id: later}
    return {at: body for at, body in made.items() if not _is_there(here[at], body)}


def _require_same_car(earlier_id: str, earlier: Case, later_id: str, later: Case) -> None:
    one, two = earlier.car, later.car
    why = ""
    if earlier_id == later_id:
        why = "it is one and the same case"
    elif one.vin and two.vin and one.vin.upper() != two.vin.upper():
        why = f"their VINs differ ({one.vin}, {two.vin})"
    elif (one.make.lower(), one.model.lower()) != (two.make.lower(), two.model.lower()):
        why = f"one is a {one.make} {one.model}, the other a {two.make} {two.model}"
    elif earlier.car.engine.shape != later.car.engine.shape:
        why = f"their engines differ ({one.engine.shape}, {two.engine.shape})"
    if why:
        raise NotTheSameCar(earlier_id, later_id, why)


def _seen_again(later: Case, knowledge: Knowledge) -> tuple[bool, frozenset[int]]:
    """Whether the later case counted the earlier one's complaint at all before anything was changed, and where."""
    about = knowledge.model.complaint
    counted, seen = False, set[int]()
    if later.opened.pack != knowledge.pack:
        return False, frozenset()
    for event in later.effective:
        body = event.body
        if body.kind in ("moved", "renewed", "repaired", "reseated"):
            break
        if isinstance(body, Counted | Drove) and body.misfires:
            of = out_of(body, later.layout, about).count
            counted = True
            seen |= {number for number, bad in body.misfires.items() if about.is_seen(bad, of)}
    return counted, frozenset(seen)


def _is_there(case: Case, body: Linked) -> bool:
    return any(each.case == body.case and each.relation == body.relation for each in case.bodies(Linked))
