"""The faults a car has: put in with severity and onset, grown with distance, put right; in any combination."""

from __future__ import annotations

from dataclasses import dataclass, field, fields

from firstcause.errors import RequestError
from firstcause.vehicle.layout import EngineLayout
from firstcause.virtualcar.fault_table import RECIPES, FaultRecipe
from firstcause.virtualcar.parts import Fitments, Part
from firstcause.virtualcar.places import CylinderState, SharedState

_Thing = CylinderState | SharedState | Part


class UnknownFault(RequestError):
    """The virtual car has no fault of that name, or it does not belong where it was put."""

    def __init__(self, fault_id: str, why: str) -> None:
        self.fault_id, self.why = fault_id, why
        super().__init__(f"Fault {fault_id!r} was not set: {why}. The car is unchanged.")


def recipe_of(fault_id: str) -> FaultRecipe:
    """The recipe of that id; raises UnknownFault and lists the ids otherwise."""
    if fault_id not in RECIPES:
        raise UnknownFault(fault_id, f"the virtual car knows {', '.join(sorted(RECIPES))}")
    return RECIPES[fault_id]


@dataclass(frozen=True)
class Trouble:
    """A fault as it is ordered: which, where, how bad at its worst, and from when.

    `onset_km`: odometer at which it begins; None: it is there from the start. `grows_over_km`: the distance after
    the onset over which it grows to its severity; 0 means all at once.
    """

    fault: str
    cylinder: int | None = None
    severity: float = 1.0
    onset_km: float | None = None
    grows_over_km: float = 0.0

    def __post_init__(self) -> None:
        if not self.severity > 0:
            raise UnknownFault(self.fault, f"severity must be above 0, not {self.severity}")
        if not self.grows_over_km >= 0:
            raise UnknownFault(self.fault, f"the distance it grows over cannot be {self.grows_over_km} km")

    def severity_at(self, odometer_km: float) -> float:
        """How bad it is at that odometer reading; 0 before its onset."""
        begun_km = odometer_km - (self.onset_km if self.onset_km is not None else odometer_km)
        if begun_km < 0:
            return 0.0
        if self.onset_km is None or self.grows_over_km == 0:
            return self.severity
        return self.severity * min(1.0, begun_km / self.grows_over_km)


@dataclass
class PresentFault:
    """A fault in a car: the thing it sits in (a part keeps its fault wherever it is fitted), and how bad it is now."""

    trouble: Trouble
    things: tuple[tuple[_Thing, int | None], ...] = field(repr=False)  # with a joint: each side and its neighbour
    severity: float = 0.0

    @property
    def fault(self) -> str:
        return self.trouble.fault


@dataclass
class Condition:
    """The physical condition of a whole engine: its places, what they share, its fitted parts, and what is wrong."""

    layout: EngineLayout
    fitments: Fitments
    cylinders: dict[int, CylinderState]
    shared: SharedState
    present: list[PresentFault] = field(default_factory=list)

    @classmethod
    def sound(cls, layout: EngineLayout) -> Condition:
        """An engine without a fault."""
        states = {number: CylinderState() for number in layout.cylinders}
        return cls(layout, Fitments.factory(layout), states, SharedState())

    def inflict(self, fault_id: str, cylinder: int | None, severity: float = 1.0) -> None:
        """Put a fault in at once. Engine-wide faults take cylinder None; a joint takes the cylinder before the gap."""
        self.order(Trouble(fault_id, cylinder, severity), odometer_km=0.0)

    def order(self, trouble: Trouble, odometer_km: float) -> None:
        """Put a fault in that has, or will have, its onset; raises UnknownFault when it does not belong there."""
        present = PresentFault(trouble, self._things(recipe_of(trouble.fault), trouble.cylinder))
        self.present.append(present)
        _grow(present, trouble.severity_at(odometer_km))

    def grow(self, odometer_km: float) -> None:
        """Bring every fault to what it is at that odometer reading."""
        for present in self.present:
            severity = present.trouble.severity_at(odometer_km)
            if severity > present.severity:
                _grow(present, severity)

    def cure(self, fault_id: str, cylinder: int | None) -> None:
        """Take that fault out of the place and put its properties back to sound; what other faults do stays."""
        recipe = recipe_of(fault_id)
        things = self._things(recipe, cylinder)
        mended = {id(thing) for thing, _ in things}
        self.present = [
            one for one in self.present
            if not (one.fault == fault_id and mended & {id(thing) for thing, _ in one.things})
        ]  # fmt: skip
        for thing, neighbour in things:
            for name in recipe.changes:
                if neighbour is not None and isinstance(thing, CylinderState):
                    thing.gasket_leaks_mm2.pop(neighbour, None)
                else:
                    setattr(thing, name, _sound_value(thing, name))
        for present in self.present:
            for thing, neighbour in present.things:
                shared = set(recipe_of(present.fault).changes) & set(recipe.changes)
                if id(thing) in mended and present.severity > 0 and neighbour is None:
                    for name in shared:
                        _change(present, thing, name, None, 0.0, present.severity)

    def forget(self, part: Part) -> None:
        """A part has left the car: its faults went with it."""
        self.present = [one for one in self.present if all(thing is not part for thing, _ in one.things)]

    def still_wrong(self) -> tuple[PresentFault, ...]:
        """What is wrong with the car now, whether it shows or not; faults before their onset are not in it."""
        return tuple(one for one in self.present if one.severity > 0)

    def position_of(self, present: PresentFault) -> int | None:
        """The cylinder where the fault sits now: parts move; None for the whole engine."""
        thing = present.things[0][0]
        return next((n for (_, n), part in self.fitments.fitted.items() if part is thing), present.trouble.cylinder)

    def _things(self, recipe: FaultRecipe, cylinder: int | None) -> tuple[tuple[_Thing, int | None], ...]:
        if recipe.holder == "engine":
            if cylinder is not None:
                raise UnknownFault(recipe.id, "it belongs to the whole engine, so name no cylinder")
            return ((self.shared, None),)
        if cylinder is None:
            raise UnknownFault(recipe.id, "name the cylinder")
        self.layout.require(cylinder)
        if recipe.holder == "joint":
            neighbours = self.layout.neighbours(cylinder)
            if not neighbours:
                raise UnknownFault(recipe.id, f"cylinder {cylinder} has no neighbour in its bank")
            other = neighbours[-1]
            return ((self.cylinders[cylinder], other), (self.cylinders[other], cylinder))
        kind = recipe.part_kind
        return ((self.cylinders[cylinder] if kind is None else self.fitments.part(kind, cylinder), None),)


def _grow(present: PresentFault, severity: float) -> None:
    if severity <= 0:
        return
    for thing, neighbour in present.things:
        for name in recipe_of(present.fault).changes:
            _change(present, thing, name, neighbour, present.severity, severity)
    present.severity = severity


def _change(present: PresentFault, thing: _Thing, name: str, neighbour: int | None, before: float, now: float) -> None:
    """Move one property from what the fault did at severity `before` (0: nothing) to what it does `now`."""
    change = recipe_of(present.fault).changes[name]
    size = change.size(now)
    if neighbour is not None and isinstance(thing, CylinderState):
        grown = float(size) - (float(change.size(before)) if before > 0 else 0.0)
        thing.gasket_leaks_mm2[neighbour] = thing.gasket_leaks_mm2.get(neighbour, 0.0) + grown
        return
    value = getattr(thing, name)
    if change.rule == "adds":
        value += size - (change.size(before) if before > 0 else 0.0)
    elif change.rule == "scales":
        was = change.size(before) if before > 0 else 1.0
        value = value * size / was if was > 0 else 0.0
    elif change.rule == "at-most":
        value = size if value is None else min(value, size)
    else:
        value = size
    setattr(thing, name, value)


def _sound_value(thing: _Thing, name: str) -> object:
    entry = next(one for one in fields(thing) if one.name == name)
    return entry.default
