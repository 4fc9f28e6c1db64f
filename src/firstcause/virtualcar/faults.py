"""Physical faults as a table: which property of which thing changes, and by how much at severity 1."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, fields
from typing import Literal

from firstcause.errors import RequestError
from firstcause.vehicle.layout import EngineLayout
from firstcause.virtualcar.parts import Fitments, Part, PartKind


@dataclass
class CylinderState:
    """What belongs to the place, whatever parts sit in it. Sound values; areas are effective (Cd A)."""

    ring_leak_mm2: float = 0.18  # 78/80 on a 0.040 in tester: a sound engine (reference 4.3, judgement)
    exhaust_leak_mm2: float = 0.0
    intake_leak_mm2: float = 0.0
    gasket_leak_mm2: float = 0.0  # to the cylinder named in gasket_neighbour
    gasket_neighbour: int | None = None
    oil_rings_mg: float = 0.03  # oil a cycle past the rings; healthy (reference 4.9)
    oil_stem_mg: float = 0.01
    coolant_seep_ml_night: float = 0.0
    runner_leak_mm2: float = 0.0  # air let in beside this intake runner
    bout_spacing_min: float | None = None  # mean time between contact losses, shaken and warm
    bout_of: Literal["coil", "injector"] = "coil"
    contact_calm_s: float = 0.0  # a contact just unplugged and pushed home again stays quiet this long
    well_flashover_kv: float = 99.0  # a wet or oily plug well
    height_lost_mm: float = 0.0  # a bent rod leaves the piston lower


@dataclass
class SharedState:
    """What all cylinders share."""

    air_leak_mm: float = 0.0  # sharp hole behind the air meter, diameter
    crankcase_leak_mm: float = 0.0  # torn crankcase-ventilation diaphragm, as a hole
    crankcase_oil_mg: float = 0.0  # oil that it carries into the intake, a cycle
    fuel_pressure_fraction: float = 1.0  # at no flow
    fuel_flow_reserve: float = 1.0  # share of the pressure kept at full demand
    exhaust_return_share: float = 0.0  # recirculation valve stuck open, share of charge at idle
    cam_late_deg: float = 0.0
    supply_v: float = 14.0


Setting = Callable[[float], float | int | bool | str | None]
Holder = Literal["coil", "boot", "plug", "injector", "cylinder", "engine", "joint"]


@dataclass(frozen=True)
class FaultRecipe:
    """One physical fault. `settings` maps a property of its holder to its value at a severity (1 = the usual case)."""

    id: str
    holder: Holder
    what: str
    settings: Mapping[str, Setting] = field(hash=False)

    @property
    def part_kind(self) -> PartKind | None:
        """The kind of part it sits in, or None when it belongs to a place."""
        return self.holder if self.holder not in ("cylinder", "engine", "joint") else None  # type: ignore[return-value]


def _recipe(id: str, holder: Holder, what: str, **settings: Setting) -> FaultRecipe:
    return FaultRecipe(id, holder, what, settings)


# Sizes at severity 1: judgement, from the ranges of the reference notes 4.2-4.9; none fitted to a knowledge file.
_RECIPES = (
    _recipe("exhaust-valve-leak", "cylinder", "exhaust valve burnt, not sealing", exhaust_leak_mm2=lambda s: 1.5 * s),
    _recipe("intake-valve-leak", "cylinder", "intake valve not sealing", intake_leak_mm2=lambda s: 2.0 * s),
    _recipe("ring-leak", "cylinder", "compression rings worn or stuck", ring_leak_mm2=lambda s: 0.18 + 2.6 * s),
    _recipe("oil-past-rings", "cylinder", "oil-control rings coked: oil comes up", oil_rings_mg=lambda s: 1.1 * s),
    _recipe("stem-seal-leak", "cylinder", "valve stem seal perished: oil runs down", oil_stem_mg=lambda s: 0.7 * s),
    _recipe("coolant-seep", "cylinder", "gasket lets coolant in overnight", coolant_seep_ml_night=lambda s: 10.0 * s),
    _recipe("runner-air-leak", "cylinder", "air beside the intake runner", runner_leak_mm2=lambda s: 2.5 * s),
    _recipe("connector-intermittent", "cylinder", "coil connector opens when shaken and warm",
            bout_spacing_min=lambda s: 30.0 / s, bout_of=lambda s: "coil"),
    _recipe("injector-connector-intermittent", "cylinder", "injector connector opens when shaken and warm",
            bout_spacing_min=lambda s: 30.0 / s, bout_of=lambda s: "injector"),
    _recipe("well-wet", "cylinder", "water or oil in the plug well", well_flashover_kv=lambda s: 11.0 / s),
    _recipe("rod-bent", "cylinder", "rod bent: piston stands low, nothing leaks", height_lost_mm=lambda s: 3.0 * s),
    _recipe("gasket-to-neighbour", "joint", "head gasket blown to a neighbour", gasket_leak_mm2=lambda s: 2.0 * s),
    _recipe("coil-heat-break", "coil", "winding opens when hot", breaks_above_c=lambda s: 84.0 - 8.0 * s),
    _recipe("coil-weak", "coil", "coil gives less energy", energy_fraction=lambda s: max(0.0, 1.0 - 0.90 * s)),
    _recipe("coil-dead", "coil", "coil gives nothing", energy_fraction=lambda s: 0.0, winding_ohm=lambda s: 1e6),
    _recipe("boot-flashover", "boot", "boot tracked: spark goes to ground", flashover_kv=lambda s: 10.0 / s),
    _recipe("plug-gap-wide", "plug", "electrodes worn, gap grown",
            gap_mm=lambda s: 0.8 + 1.8 * s, edge_wear=lambda s: min(1.0, s)),
    _recipe("plug-insulator-cracked", "plug", "insulator cracked", insulator_flashover_kv=lambda s: 6.0 / s),
    _recipe("plug-oil-fouled", "plug", "oil has made the insulator conduct", oil_decades=lambda s: 4.3 * s),
    _recipe("injector-restricted", "injector", "passes too little", flow_fraction=lambda s: max(0.0, 1 - 0.35 * s)),
    _recipe("injector-dead", "injector", "injector does not open", opens=lambda s: False, winding_ohm=lambda s: 1e6),
    _recipe("injector-leaking", "injector", "injector drips", drip_fraction=lambda s: 0.7 * s),
    _recipe("manifold-air-leak", "engine", "hose off behind the air meter", air_leak_mm=lambda s: 3.7 * s),
    _recipe("crankcase-valve-torn", "engine", "crankcase-ventilation diaphragm torn",
            crankcase_leak_mm=lambda s: 3.7 * s, crankcase_oil_mg=lambda s: 0.15 * s),
    _recipe("fuel-pressure-low", "engine", "pump or filter gives too little",
            fuel_pressure_fraction=lambda s: 1 - 0.1 * s, fuel_flow_reserve=lambda s: max(0.1, 1 - 0.65 * s)),
    _recipe("exhaust-return-open", "engine", "recirculation stuck open", exhaust_return_share=lambda s: 0.20 * s),
    _recipe("valve-timing-late", "engine", "cam timing late, chain stretched", cam_late_deg=lambda s: 18.0 * s),
    _recipe("supply-voltage-low", "engine", "charging fault: low voltage", supply_v=lambda s: max(8.0, 14.0 - 4.0 * s)),
)  # fmt: skip

RECIPES: Mapping[str, FaultRecipe] = {recipe.id: recipe for recipe in _RECIPES}


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


@dataclass
class Condition:
    """The physical condition of a whole engine: its places, what they share, and its fitted parts."""

    layout: EngineLayout
    fitments: Fitments
    cylinders: dict[int, CylinderState]
    shared: SharedState

    @classmethod
    def sound(cls, layout: EngineLayout) -> Condition:
        """An engine without a fault."""
        states = {number: CylinderState() for number in layout.cylinders}
        return cls(layout, Fitments.factory(layout), states, SharedState())

    def inflict(self, fault_id: str, cylinder: int | None, severity: float = 1.0) -> None:
        """Put a fault in. Engine-wide faults take cylinder None; a joint takes the cylinder before the gap."""
        recipe = recipe_of(fault_id)
        if not severity > 0:
            raise UnknownFault(fault_id, f"severity must be above 0, not {severity}")
        for name, setting in recipe.settings.items():
            setattr(self._holder(recipe, cylinder), name, setting(severity))
        if recipe.holder == "joint":
            assert cylinder is not None
            neighbours = self.layout.neighbours(cylinder)
            if not neighbours:
                raise UnknownFault(fault_id, f"cylinder {cylinder} has no neighbour in its bank")
            other = neighbours[-1]
            size = self.cylinders[cylinder].gasket_leak_mm2
            self.cylinders[cylinder].gasket_neighbour = other
            self.cylinders[other].gasket_leak_mm2, self.cylinders[other].gasket_neighbour = size, cylinder

    def cure(self, fault_id: str, cylinder: int | None) -> None:
        """Put the property of that fault back to sound, in the place or in the part that is fitted there now."""
        recipe = recipe_of(fault_id)
        holder = self._holder(recipe, cylinder)
        sound = {entry.name: entry.default for entry in fields(holder)}
        for name in recipe.settings:
            setattr(holder, name, sound[name])
        if recipe.holder == "joint" and isinstance(holder, CylinderState):
            other = holder.gasket_neighbour
            holder.gasket_neighbour = None
            if other is not None:
                self.cylinders[other].gasket_leak_mm2, self.cylinders[other].gasket_neighbour = 0.0, None

    def _holder(self, recipe: FaultRecipe, cylinder: int | None) -> CylinderState | SharedState | Part:
        if recipe.holder == "engine":
            if cylinder is not None:
                raise UnknownFault(recipe.id, "it belongs to the whole engine, so name no cylinder")
            return self.shared
        if cylinder is None:
            raise UnknownFault(recipe.id, "name the cylinder")
        self.layout.require(cylinder)
        kind = recipe.part_kind
        return self.cylinders[cylinder] if kind is None else self.fitments.part(kind, cylinder)
