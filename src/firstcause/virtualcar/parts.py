"""Parts with serial numbers in positions: what each is physically like, how it looks, what moves where."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import ClassVar, Literal

from firstcause.errors import RequestError
from firstcause.vehicle.layout import EngineLayout

PartKind = Literal["coil", "boot", "plug", "injector"]
PART_KINDS: tuple[PartKind, ...] = ("coil", "boot", "plug", "injector")

NEW_GAP_MM = 0.8  # one usual setting; common practice, no source
CLEAN_INSULATION_DECADES = 9.0  # a clean insulator: 1e9 ohm (judgement, reference 4.9)


@dataclass
class Part:
    """One piece with a serial number; `km` is the distance it has run. Its state is what physics sees of it."""

    serial: str
    km: float = 0.0
    kind: ClassVar[PartKind]


@dataclass
class Coil(Part):
    """`energy_fraction` of a sound coil's spark energy; `breaks_above_c` when heat opens the winding."""

    kind: ClassVar[PartKind] = "coil"
    energy_fraction: float = 1.0
    breaks_above_c: float | None = None
    winding_ohm: float = 0.65


@dataclass
class Boot(Part):
    """`flashover_kv`: the voltage at which it leaks to ground instead of firing the plug."""

    kind: ClassVar[PartKind] = "boot"
    flashover_kv: float = 45.0


@dataclass
class Plug(Part):
    """Deposits count as decades of insulation lost; marks run 0 to 1 and tell how the plug has been living."""

    kind: ClassVar[PartKind] = "plug"
    gap_mm: float = NEW_GAP_MM
    edge_wear: float = 0.0
    insulator_flashover_kv: float = 60.0
    oil_decades: float = 0.0
    carbon_decades: float = 0.0
    ash_decades: float = 0.0
    fuel_wet: float = 0.0
    no_fuel_mark: float = 0.0
    lean_mark: float = 0.0
    coolant_mark: float = 0.0

    @property
    def insulation_ohm(self) -> float:
        """What an ohmmeter between centre electrode and shell would see, warm and dry."""
        lost = self.oil_decades + self.carbon_decades + self.ash_decades
        return float(10 ** (CLEAN_INSULATION_DECADES - min(lost, 6.0)))


@dataclass
class Injector(Part):
    """`flow_fraction` of rated flow; `drip_fraction` adds fuel nobody asked for; `opens` False when stuck."""

    kind: ClassVar[PartKind] = "injector"
    flow_fraction: float = 1.0
    drip_fraction: float = 0.0
    opens: bool = True
    winding_ohm: float = 14.0


PART_CLASSES: dict[PartKind, type[Part]] = {"coil": Coil, "boot": Boot, "plug": Plug, "injector": Injector}


@dataclass(frozen=True)
class PlugLook:
    """What the eye sees on a plug. Class names are the trade's own words for what is on it."""

    look: str
    gap_mm: float
    remark: str


def look_of(plug: Plug) -> PlugLook:
    """How a plug looks, from its physical state; the strongest sign wins.

    Source: army manuals TM 10-3930-653-14&P and TM 5-4210-230-14&P-1 for normal, carbon, oil, overheated
    (read); the other signs common practice, no source.
    """
    signs = (
        ("cracked", plug.insulator_flashover_kv < 25.0, "a crack or a grey track on the insulator"),
        ("coolant-crust", plug.coolant_mark > 0.3, "very clean with a green or rusty rim, as if steamed"),
        ("oil-wet", plug.oil_decades > 1.5, "wet, black, oily on the inside; wipes off, does not dry"),
        ("fuel-wet", plug.fuel_wet > 0.4, "wet and smelling of fuel; dries in the air"),
        ("ash", plug.ash_decades > 1.0, "hard tan crust"),
        ("dry-carbon", plug.carbon_decades > 1.0, "dry, fluffy, black"),
        ("clean-cold", plug.no_fuel_mark > 0.5, "clean and dry, no colour, as if it had not worked"),
        ("white", plug.lean_mark > 0.5, "white to pale grey, as if it had run hot"),
        ("worn", plug.gap_mm > 1.4 * NEW_GAP_MM, "rounded electrodes, wide gap"),
    )
    for look, seen, remark in signs:
        if seen:
            return PlugLook(look, plug.gap_mm, remark)
    return PlugLook("normal", plug.gap_mm, "light tan to grey-brown, slight wear")


@dataclass
class Fitments:
    """Which part sits in which position. A position is (kind, cylinder); a shared part sits at its first cylinder."""

    layout: EngineLayout
    fitted: dict[tuple[PartKind, int], Part] = field(default_factory=dict)
    made: int = 0

    @classmethod
    def factory(cls, layout: EngineLayout) -> Fitments:
        """A whole set of sound parts, new."""
        fitments = cls(layout)
        for cylinder in layout.cylinders:
            for kind in PART_KINDS:
                place = fitments.position(kind, cylinder)
                if place not in fitments.fitted:
                    fitments.fitted[place] = fitments.make(kind)
        return fitments

    def make(self, kind: PartKind) -> Part:
        """A new sound part of that kind with the next serial number."""
        if kind not in PART_CLASSES:
            raise RequestError(f"There is no part kind {kind!r}; there are {', '.join(PART_KINDS)}. Nothing was moved.")
        self.made += 1
        return PART_CLASSES[kind](serial=f"{kind.upper()}-{self.made:04d}")

    def position(self, kind: PartKind, cylinder: int) -> tuple[PartKind, int]:
        """The position that serves a cylinder."""
        self.layout.require(cylinder)
        if kind == "coil":
            return kind, next(group[0] for group in self.layout.coil_groups if cylinder in group)
        if kind == "injector" and self.layout.injection == "single-point":
            return kind, self.layout.cylinders[0]
        return kind, cylinder

    def part(self, kind: PartKind, cylinder: int) -> Part:
        """The part that serves a cylinder now."""
        return self.fitted[self.position(kind, cylinder)]

    def coil(self, cylinder: int) -> Coil:
        part = self.part("coil", cylinder)
        assert isinstance(part, Coil)
        return part

    def boot(self, cylinder: int) -> Boot:
        part = self.part("boot", cylinder)
        assert isinstance(part, Boot)
        return part

    def plug(self, cylinder: int) -> Plug:
        part = self.part("plug", cylinder)
        assert isinstance(part, Plug)
        return part

    def injector(self, cylinder: int) -> Injector:
        part = self.part("injector", cylinder)
        assert isinstance(part, Injector)
        return part

    def swap(self, kind: PartKind, first: int, second: int) -> None:
        """Exchange two parts; raises RequestError when one part serves both cylinders."""
        here, there = self.position(kind, first), self.position(kind, second)
        if here == there:
            raise RequestError(
                f"Cylinders {first} and {second} use the same {kind}; nothing was swapped. Pick another cylinder."
            )
        self.fitted[here], self.fitted[there] = self.fitted[there], self.fitted[here]

    def replace(self, kind: PartKind, cylinder: int, new: Part | None = None) -> tuple[Part, Part]:
        """Fit a new part (or the one given); returns (taken out, fitted)."""
        place = self.position(kind, cylinder)
        old, fresh = self.fitted[place], new or self.make(kind)
        if fresh.kind != kind:
            raise RequestError(f"A {fresh.kind} does not fit where a {kind} sits. Nothing was moved.")
        self.fitted[place] = fresh
        return old, fresh


def dead_on_arrival(part: Part) -> Part:
    """Turn a new part into one that never worked: it happens; returns the same part."""
    match part:
        case Coil():
            part.energy_fraction, part.winding_ohm = 0.0, 1e6
        case Boot():
            part.flashover_kv = 2.0
        case Plug():
            part.insulator_flashover_kv = 2.0
        case Injector():
            part.opens = False
    return part
