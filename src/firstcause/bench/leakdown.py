"""Leak-down with a differential tester: two orifices in series, loss, leak area, and one tester read as another."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import isfinite, pi, sqrt

from firstcause.bench.bands import Circumstances, Judged, judge
from firstcause.bench.reading import BenchJudgement, ImpossibleReading
from firstcause.knowledge.schema import TestEntry
from firstcause.tongue import _
from firstcause.units import INCH_MM, KPA_PER_PSI, STANDARD_ATMOSPHERE_KPA

GAMMA_AIR = 1.4
# FAA AC 43.13-1B ch. 8: a bore below 5.00 in uses a 0.040 in orifice, from 5.00 in a 0.060 in one (page mirrors).
LARGE_BORE_MM = 5.00 * INCH_MM
SHOWN_AS_ANOTHER_FROM_PERCENT = 0.5


@dataclass(frozen=True, slots=True)
class LeakTester:
    """A differential tester: master orifice (mm), supply (kPa gauge) and the orifice's discharge coefficient.

    The coefficient 0.8 is a judgement for a 0.250 in long orifice; with 1.0 all leak areas grow by a quarter.
    It cancels when one tester is converted to another of the same kind.

    Raises ImpossibleReading for sizes or pressures that are not above 0.
    """

    orifice_mm: float
    supply_kpa: float
    discharge: float = 0.8

    def __post_init__(self) -> None:
        if not (self.orifice_mm > 0 and self.supply_kpa > 0 and 0 < self.discharge <= 1):
            raise ImpossibleReading(f"a tester of {self.orifice_mm:g} mm at {self.supply_kpa:g} kPa")

    @classmethod
    def of_inch(cls, orifice_in: float, supply_psi: float = 80.0) -> LeakTester:
        """A tester as its label says it: orifice in inches, supply in psi."""
        return cls(orifice_in * INCH_MM, supply_psi * KPA_PER_PSI)

    @property
    def effective_mm2(self) -> float:
        """Effective area of the master orifice, mm2."""
        return self.discharge * pi * self.orifice_mm**2 / 4


def standard_tester(bore_mm: float | None = None) -> LeakTester:
    """The tester of FAA AC 43.13-1B for a bore: 0.040 in below 5.00 in (or unknown), 0.060 in from there; 80 psi."""
    return LeakTester.of_inch(0.060 if bore_mm is not None and bore_mm >= LARGE_BORE_MM else 0.040)


def flow_function(ratio: float, gamma: float = GAMMA_AIR) -> float:
    """Dimensionless mass flow through an orifice at pressure ratio p_down/p_up; constant once choked.

    Choked at or below (2/(g+1))^(g/(g-1)) = 0.5283 for g = 1.4, where it is 0.6847.

    Source: isentropic orifice flow, any gas dynamics text (from memory).
    """
    critical = (2 / (gamma + 1)) ** (gamma / (gamma - 1))
    if ratio <= critical:
        return float(sqrt(gamma) * (2 / (gamma + 1)) ** ((gamma + 1) / (2 * (gamma - 1))))
    rest = 1 - ratio ** ((gamma - 1) / gamma)
    return float(ratio ** (1 / gamma) * sqrt(2 * gamma / (gamma - 1) * max(rest, 0.0)))


def leak_area_mm2(reading_kpa: float, tester: LeakTester, ambient_kpa: float = STANDARD_ATMOSPHERE_KPA) -> float:
    """Effective leak area (Cd x A, mm2) behind a reading (gauge kPa): what flows in flows out.

    Raises ImpossibleReading for a reading that is not between 0 and the supply.

    Source: two orifices in series, equal temperatures; p1 A1 psi(p2/p1) = p2 A psi(pa/p2), absolute pressures.
    """
    if not 0 < reading_kpa <= tester.supply_kpa or not isfinite(reading_kpa):
        raise ImpossibleReading(f"{reading_kpa:.1f} kPa behind a supply of {tester.supply_kpa:.1f} kPa")
    supply, held = tester.supply_kpa + ambient_kpa, reading_kpa + ambient_kpa
    return tester.effective_mm2 * supply * flow_function(held / supply) / (held * flow_function(ambient_kpa / held))


def reading_kpa(leak_mm2: float, tester: LeakTester, ambient_kpa: float = STANDARD_ATMOSPHERE_KPA) -> float:
    """What a tester shows (gauge kPa) for an effective leak area; the inverse of `leak_area_mm2`.

    Raises ImpossibleReading for a negative area.
    """
    if not leak_mm2 >= 0 or not isfinite(leak_mm2):
        raise ImpossibleReading(f"a leak of {leak_mm2:g} mm2")
    low, high = 0.0, tester.supply_kpa
    for __ in range(80):
        middle = (low + high) / 2
        if middle > 0 and leak_area_mm2(middle, tester, ambient_kpa) < leak_mm2:
            high = middle
        else:
            low = middle
    return (low + high) / 2


def convert_reading(shown_kpa: float, shown_by: LeakTester, as_tester: LeakTester) -> float:
    """A reading of one tester as another would have shown it, gauge kPa. Refusals as `leak_area_mm2`."""
    return reading_kpa(leak_area_mm2(shown_kpa, shown_by), as_tester)


def loss_percent(shown_kpa: float, supply_kpa: float) -> float:
    """Pressure lost in the cylinder as a share of the supply, %."""
    return 100 * (1 - shown_kpa / supply_kpa)


def judge_leakdown(
    test: TestEntry,
    shown_kpa: float,
    tester: LeakTester | None,
    *,
    supply_kpa: float | None = None,
    bore_mm: float | None = None,
    circumstances: Circumstances | None = None,
) -> BenchJudgement:
    """A leak-down reading (gauge kPa), judged by the loss in % of the supply.

    With a `tester` the reading is first turned into what the standard tester for this bore would show, since the
    same leak reads differently behind another orifice. Without one (orifice not known) give `supply_kpa`: the loss is
    judged as shown, and the knowledge file says how much wider it scatters.

    Raises ImpossibleReading for a reading above the supply, not above 0, or without any supply.

    Source: FAA AC 43.13-1B for the orifices; the borders stand in the knowledge file.
    """
    under = dict(circumstances or {})
    notes = [
        _("Piston exactly at firing top dead centre; the air can spin the crankshaft: keep clear."),
        _("A bad reading: run the engine at least 3 minutes and repeat, ring gaps may have lined up (AC 43.13-1B)."),
    ]
    standard = standard_tester(bore_mm)
    if tester is not None:
        as_standard = convert_reading(shown_kpa, tester, standard)
        loss = loss_percent(as_standard, standard.supply_kpa)
        area = _(", a leak of {leak_area_mm2:.2f} mm2", leak_area_mm2=leak_area_mm2(shown_kpa, tester))
        shown = loss_percent(shown_kpa, tester.supply_kpa)
        if abs(loss - shown) >= SHOWN_AS_ANOTHER_FROM_PERCENT:
            notes.append(
                _(
                    "This tester shows {shown:.0f} % loss; the standard one ({orifice_mm:.3f} in, 80 "
                    "psi) would show {loss:.0f} %.",
                    shown=shown,
                    orifice_mm=standard.orifice_mm / INCH_MM,
                    loss=loss,
                )
            )
    else:
        if supply_kpa is None or not 0 < shown_kpa <= supply_kpa:
            raise ImpossibleReading(f"{shown_kpa:.1f} kPa with a supply of {supply_kpa} kPa")
        loss, area = loss_percent(shown_kpa, supply_kpa), ""
        under.setdefault("orifice", _("not known"))
    loss = max(0.0, loss)
    return judge(
        test,
        Judged(
            loss,
            "%",
            _("The cylinder loses {loss:.0f} % of the supply{area}", loss=loss, area=area),
            tuple(notes),
            under,
        ),
    )


# Where the air comes out, by the outcome ids of the knowledge test. TM 5-4210-230-14&P-1 names valves, head
# gasket and rings; the rest is common practice, no source.
_EXITS: Mapping[str, tuple[str, str]] = {
    "tailpipe": ("exhaust valve", "hiss at the tailpipe: the exhaust valve"),
    "intake": (
        "intake valve",
        "hiss in the intake: the intake valve (close the crankcase breather first, it sounds the same)",
    ),
    "oil-filler": ("rings or piston", "air out of the oil filler: rings or piston; a little always comes"),
    "head-joint": ("head gasket to the outside", "soap water bubbles at the head joint: the gasket leaks outside"),
    "header-tank": ("head gasket or cracked head", "bubbles in the header tank: head gasket or a cracked head"),
    "neighbour": ("head gasket between cylinders", "air out of the next plug hole: head gasket between the two"),
    "nowhere-clear": ("nothing named", "no clear hiss: the leak is small, or only the little that every engine has"),
    "plug-thread": ("loose plug or adapter", "air at the plug thread: tighten the plug or the adapter and repeat"),
}


def air_exits() -> tuple[str, ...]:
    """The places that `where_air_leaves` knows."""
    return tuple(_EXITS)


def where_air_leaves(exit_: str) -> tuple[str, str]:
    """The part that leaks and a sentence, by where the air comes out.

    Raises ImpossibleReading for a place that is not in `air_exits()`.
    """
    if exit_ not in _EXITS:
        raise ImpossibleReading(f"air leaving at {exit_!r}; known: {', '.join(_EXITS)}")
    return _EXITS[exit_]
