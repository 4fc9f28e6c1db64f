"""What a technician's tests show on this car: physics of its state, plus the noise of the instrument."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from math import exp

import numpy as np
from numpy.typing import NDArray

from firstcause.errors import RequestError
from firstcause.units import STANDARD_ATMOSPHERE_KPA
from firstcause.virtualcar.engine import IDLE_MANIFOLD_KPA, geometry_of
from firstcause.virtualcar.faults import Condition, CylinderState
from firstcause.virtualcar.gas import CylinderGeometry, cranking_peak_psi, leak_down_psi, orifice_flow_g_s
from firstcause.virtualcar.parts import look_of
from firstcause.virtualcar.trims import FuelTrim

Shown = float | str | tuple[str, ...]

GAUGE_SHARE, LEAK_GAUGE_PSI, OHM_SHARE, GAP_MM, FLOW_SHARE = 0.012, 0.7, 0.01, 0.02, 0.02  # judgement
CRANKING_RPM, RING_SEAL_BY_OIL, OIL_LEFT_DECADES = 200.0, 0.63, 0.3
AUDIBLE_MM2 = 0.25
RAIL_KPA = {"port": 350.0, "direct": 5000.0, "single-point": 100.0}  # common practice, no source
SLIP_OF_WIGGLE = 0.2  # a bad contact does not answer to every wiggle


@dataclass(frozen=True)
class Finding:
    """What a test showed: `outcome` one word for it, `values` with units in their names, `words` for people."""

    test: str
    cylinder: int | None
    outcome: str
    values: Mapping[str, Shown]
    words: str


@dataclass
class Workshop:
    """A bench of instruments beside one car. The car keeps levels, trims and valve seating up to date."""

    condition: Condition
    rng: np.random.Generator
    oil_level_share: float = 1.0
    coolant_level_share: float = 1.0
    coolant_c: float = 18.0
    seat: NDArray[np.float64] = field(default_factory=lambda: np.zeros(0))
    trims: Sequence[FuelTrim] = ()

    def do(self, test: str, cylinder: int | None, *, running: bool, **options: float) -> Finding:
        """Do one test; raises RequestError when it does not exist or cannot be done as things stand."""
        if test not in TESTS:
            raise RequestError(
                f"The virtual workshop has no test {test!r}; it has {', '.join(TESTS)}. Nothing was done."
            )
        entry = TESTS[test]
        if entry.needs_cylinder and cylinder is None:
            raise RequestError(f"The test {test!r} is done on one cylinder. Name it; nothing was done.")
        if cylinder is not None:
            self.condition.layout.require(cylinder)
        if entry.running is not None and entry.running != running:
            state = "running" if entry.running else "off"
            raise RequestError(f"The test {test!r} needs the engine {state}. Nothing was done.")
        return entry.perform(self, cylinder if entry.needs_cylinder else None, **options)

    # ---- state helpers ------------------------------------------------------------------------------------------

    def noisy(self, value: float, share: float) -> float:
        return value * (1 + float(self.rng.normal(0.0, share)))

    def state(self, cylinder: int | None) -> CylinderState:
        assert cylinder is not None
        return self.condition.cylinders[cylinder]

    def paths_mm2(self, cylinder: int) -> dict[str, float]:
        """Where the cylinder leaks, and how much now: effective areas by the place where the air comes out."""
        state = self.condition.cylinders[cylinder]
        seat = float(self.seat[cylinder - 1]) if len(self.seat) else 0.0
        paths = {
            "oil-filler": state.ring_leak_mm2,
            "tailpipe": state.exhaust_leak_mm2 * exp(seat),
            "intake": state.intake_leak_mm2,
            "header-tank": 0.02 * state.coolant_seep_ml_night,
        }
        if state.gasket_neighbour is not None:
            paths[f"plug-hole-{state.gasket_neighbour}"] = state.gasket_leak_mm2
        return paths

    def geometry(self, cylinder: int) -> CylinderGeometry:
        """Geometry of one cylinder; a bent rod leaves more room above the piston."""
        base = geometry_of(self.condition)
        room = base.clearance_cm3 + np.pi / 4 * base.bore_mm**2 * self.state(cylinder).height_lost_mm / 1000
        return CylinderGeometry(
            base.bore_mm, base.stroke_mm, base.rod_mm, base.displaced_cm3 / room + 1, base.intake_closes_deg_abdc
        )

    def cranking_rpm(self) -> float:
        return CRANKING_RPM * min(1.0, self.condition.shared.supply_v / 12.4)


def _compression(shop: Workshop, cylinder: int | None, oil_cm3: float = 0.0) -> Finding:
    assert cylinder is not None
    paths = shop.paths_mm2(cylinder)
    if oil_cm3 > 0:
        paths["oil-filler"] *= 1 - RING_SEAL_BY_OIL
        plug = shop.condition.fitments.plug(cylinder)
        plug.oil_decades += OIL_LEFT_DECADES  # what is poured in stays a while
    psi = cranking_peak_psi(shop.geometry(cylinder), sum(paths.values()), shop.cranking_rpm(), oil_cm3)
    shown = float(round(shop.noisy(psi, GAUGE_SHARE)))
    name = "compression-wet" if oil_cm3 > 0 else "compression-dry"
    values: dict[str, Shown] = {"compression_psi": shown, "oil_cm3": oil_cm3}
    return Finding(name, cylinder, "measured", values, f"Cylinder {cylinder}: {shown:.0f} psi")


def _dry(shop: Workshop, cylinder: int | None) -> Finding:
    return _compression(shop, cylinder)


def _wet(shop: Workshop, cylinder: int | None, oil_cm3: float = 7.0) -> Finding:
    return _compression(shop, cylinder, oil_cm3)


def _leak_down(shop: Workshop, cylinder: int | None, orifice_in: float = 0.040, supply_psi: float = 80.0) -> Finding:
    assert cylinder is not None
    paths = shop.paths_mm2(cylinder)
    psi = leak_down_psi(sum(paths.values()), orifice_in, supply_psi)
    shown = float(min(supply_psi, max(0.0, round(psi + float(shop.rng.normal(0.0, LEAK_GAUGE_PSI))))))
    heard = tuple(place for place, size in paths.items() if size >= AUDIBLE_MM2)
    loss = 100 * (1 - shown / supply_psi)
    where = "hiss at " + ", ".join(heard) if heard else "no clear hiss"
    values: dict[str, Shown] = {
        "reading_psi": shown, "supply_psi": supply_psi, "orifice_in": orifice_in, "loss_percent": loss,
        "hiss_at": heard,
    }  # fmt: skip
    words = f"Cylinder {cylinder}: {shown:.0f}/{supply_psi:.0f} psi on a {orifice_in:.3f} in orifice, {where}"
    return Finding("leak-down", cylinder, "hiss" if heard else "tight", values, words)


def _relative_compression(shop: Workshop, cylinder: int | None) -> Finding:
    """Humps of the starter current, each against the median: the speed gained at a weak one exaggerates the next.

    Source: motor model of reference 4.5 (computed there): own hump falls by about 0.6 of the true deficit, the next
    in the firing order rises by about half of it on a four, more with more cylinders.
    """
    order, states = shop.condition.layout.firing_order, shop.condition.cylinders
    rpm = shop.cranking_rpm()
    psi = {n: cranking_peak_psi(shop.geometry(n), sum(shop.paths_mm2(n).values()), rpm) for n in states}
    usual = float(np.median(list(psi.values())))
    missing = {n: 1 - value / usual for n, value in psi.items()}
    humps = {}
    for at, number in enumerate(order):
        push = min(1.0, 0.45 * len(order) / 4) * max(0.0, missing[order[at - 1]])
        humps[number] = 100 * shop.noisy(1 - 0.6 * missing[number] + push, GAUGE_SHARE)
    median = float(np.median(list(humps.values())))
    values: dict[str, Shown] = {f"cylinder_{n}_percent": round(100 * humps[n] / median, 1) for n in sorted(humps)}
    low = tuple(str(n) for n in sorted(humps) if humps[n] < 0.92 * median)
    words = "Starter current humps: " + (f"low at cylinder {', '.join(low)}" if low else "even")
    return Finding("relative-compression", None, "low" if low else "even", {**values, "low_at": low}, words)


def _plug_look(shop: Workshop, cylinder: int | None) -> Finding:
    assert cylinder is not None
    plug = shop.condition.fitments.plug(cylinder)
    seen = look_of(plug)
    gap = round(seen.gap_mm + float(shop.rng.normal(0.0, GAP_MM)), 2)
    values: dict[str, Shown] = {"gap_mm": gap, "serial": plug.serial}
    return Finding(
        "plug-look", cylinder, seen.look, values, f"Plug of cylinder {cylinder}: {seen.remark}; gap {gap:.2f} mm"
    )


def _plug_gap(shop: Workshop, cylinder: int | None) -> Finding:
    look = _plug_look(shop, cylinder)
    return Finding(
        "plug-gap", cylinder, "measured", look.values, f"Plug of cylinder {cylinder}: gap {look.values['gap_mm']} mm"
    )


def _coil_resistance(shop: Workshop, cylinder: int | None) -> Finding:
    assert cylinder is not None
    ohm = shop.noisy(shop.condition.fitments.coil(cylinder).winding_ohm, OHM_SHARE)
    outcome = "open" if ohm > 1e3 else "measured"
    words = f"Coil of cylinder {cylinder}: " + ("open circuit" if outcome == "open" else f"{ohm:.2f} ohm")
    return Finding("coil-resistance", cylinder, outcome, {"primary_ohm": ohm}, words)


def _injector_resistance(shop: Workshop, cylinder: int | None) -> Finding:
    assert cylinder is not None
    ohm = shop.noisy(shop.condition.fitments.injector(cylinder).winding_ohm, OHM_SHARE)
    outcome = "open" if ohm > 1e3 else "measured"
    words = f"Injector of cylinder {cylinder}: " + ("open circuit" if outcome == "open" else f"{ohm:.1f} ohm")
    return Finding("injector-resistance", cylinder, outcome, {"winding_ohm": ohm}, words)


def _injector_click(shop: Workshop, cylinder: int | None) -> Finding:
    assert cylinder is not None
    clicks = shop.condition.fitments.injector(cylinder).opens
    outcome = "clicks" if clicks else "silent"
    return Finding("injector-click", cylinder, outcome, {}, f"Injector of cylinder {cylinder} {outcome}")


def _injector_flow(shop: Workshop, cylinder: int | None) -> Finding:
    assert cylinder is not None
    fitments = shop.condition.fitments
    flows = [i.flow_fraction + i.drip_fraction if i.opens else i.drip_fraction
             for i in (fitments.injector(n) for n in shop.condition.layout.cylinders)]  # fmt: skip
    own = flows[cylinder - 1]
    mean = sum(flows) / len(flows)
    percent = shop.noisy(100 * own / mean if mean > 0 else 0.0, FLOW_SHARE)
    drips = fitments.injector(cylinder).drip_fraction > 0.1
    values: dict[str, Shown] = {"of_mean_percent": percent, "drips": "yes" if drips else "no"}
    words = f"Injector of cylinder {cylinder}: {percent:.0f} % of the mean" + (", drips" if drips else "")
    return Finding("injector-flow", cylinder, "drips" if drips else "measured", values, words)


def _listen(shop: Workshop, cylinder: int | None) -> Finding:
    heard: list[str] = []
    shared, states = shop.condition.shared, shop.condition.cylinders
    if shared.air_leak_mm > 2 or any(state.runner_leak_mm2 > 1 for state in states.values()):
        heard.append("whistle-at-intake")
    if shared.crankcase_leak_mm > 1.5:
        heard.append("whistle-at-crankcase-valve")
    if any(state.exhaust_leak_mm2 > 0.8 for state in states.values()):
        heard.append("puff-at-tailpipe")
    outcome = "heard" if heard else "nothing"
    return Finding(
        "listen", None, outcome, {"heard": tuple(heard)}, "Heard: " + (", ".join(heard) or "nothing unusual")
    )


def _wiggle(shop: Workshop, cylinder: int | None) -> Finding:
    state = shop.state(cylinder)
    toggles = state.bout_spacing_min is not None and float(shop.rng.random()) > SLIP_OF_WIGGLE
    outcome = "miss-toggles" if toggles else "nothing"
    values: dict[str, Shown] = {"connector": state.bout_of if toggles else ""}
    words = f"Wiggling the connectors of cylinder {cylinder}: " + (
        f"the engine stumbles with the {state.bout_of} connector" if toggles else "no change"
    )
    return Finding("wiggle", cylinder, outcome, values, words)


def _fuel_pressure(shop: Workshop, cylinder: int | None) -> Finding:
    shared, due_kpa = shop.condition.shared, RAIL_KPA[shop.condition.layout.injection]
    at_rest = shop.noisy(due_kpa * shared.fuel_pressure_fraction, 0.01)
    loaded = shop.noisy(due_kpa * shared.fuel_pressure_fraction * shared.fuel_flow_reserve, 0.01)
    low = loaded < 0.85 * due_kpa
    values: dict[str, Shown] = {"idle_kpa": at_rest, "loaded_kpa": loaded, "specified_kpa": due_kpa}
    words = f"Fuel pressure {at_rest:.0f} kPa at idle, {loaded:.0f} kPa loaded ({due_kpa:.0f} kPa specified)"
    return Finding("fuel-pressure", None, "low" if low else "normal", values, words)


def _smoke(shop: Workshop, cylinder: int | None) -> Finding:
    places = [f"runner-{n}" for n, state in sorted(shop.condition.cylinders.items()) if state.runner_leak_mm2 > 0.5]
    shared = shop.condition.shared
    if shared.air_leak_mm > 0.5:
        places.append("manifold-hose")
    if shared.crankcase_leak_mm > 0.5:
        places.append("crankcase-valve")
    seen = tuple(places)
    words = "Smoke comes out at " + ", ".join(seen) if seen else "No smoke comes out"
    return Finding("smoke", None, "smoke" if seen else "tight", {"smoke_at": seen}, words)


def _oil_level(shop: Workshop, cylinder: int | None) -> Finding:
    share = min(1.0, max(0.0, shop.oil_level_share + float(shop.rng.normal(0.0, 0.03))))
    outcome = "low" if share < 0.35 else "normal"
    return Finding(
        "oil-level",
        None,
        outcome,
        {"between_marks_percent": 100 * share},
        f"Oil at {100 * share:.0f} % between the marks",
    )


def _coolant_level(shop: Workshop, cylinder: int | None) -> Finding:
    share = min(1.0, max(0.0, shop.coolant_level_share))
    outcome = "low" if share < 0.8 else "normal"
    return Finding(
        "coolant-level", None, outcome, {"of_mark_percent": 100 * share}, f"Coolant at {100 * share:.0f} % of the mark"
    )


def _trims(shop: Workshop, cylinder: int | None) -> Finding:
    values: dict[str, Shown] = {}
    parts = []
    for bank, trim in enumerate(shop.trims, start=1):
        for region, learned in trim.long_percent.items():
            values[f"bank_{bank}_{region.replace('-', '_')}_percent"] = round(learned, 1)
        parts.append(
            f"bank {bank} " + ", ".join(f"{region} {value:+.0f} %" for region, value in trim.long_percent.items())
        )
    idle = max((trim.long_percent["idle"] for trim in shop.trims), default=0.0)
    part = max((trim.long_percent["part-load"] for trim in shop.trims), default=0.0)
    outcome = "lean-at-idle" if idle > 10 and part < 0.6 * idle else "lean" if max(idle, part) > 10 else "normal"
    if min(min(trim.long_percent.values()) for trim in shop.trims) < -10:
        outcome = "rich"
    return Finding("trims", None, outcome, values, "Learned fuel trim: " + "; ".join(parts))


def _crankcase_vacuum(shop: Workshop, cylinder: int | None) -> Finding:
    """Slight vacuum is normal (-0.5 to -5 inH2O, common practice); a torn diaphragm pulls hard, blow-by pushes."""
    shared = shop.condition.shared
    pull = (
        0.5 + 0.12 * orifice_flow_g_s(shared.crankcase_leak_mm**2, STANDARD_ATMOSPHERE_KPA, IDLE_MANIFOLD_KPA, 293) * 4
    )
    blow = 0.45 * max(
        0.0, sum(state.ring_leak_mm2 - 0.3 for state in shop.condition.cylinders.values() if state.ring_leak_mm2 > 0.3)
    )
    kpa = shop.noisy(blow - pull, 0.05)
    outcome = "strong-vacuum" if kpa < -1.5 else "pressure" if kpa > 0.0 else "normal"
    return Finding("crankcase-vacuum", None, outcome, {"crankcase_kpa": kpa}, f"Crankcase at {kpa:+.1f} kPa at idle")


def _well_look(shop: Workshop, cylinder: int | None) -> Finding:
    wet = shop.state(cylinder).well_flashover_kv < 30
    outcome = "wet" if wet else "dry"
    return Finding("well-look", cylinder, outcome, {}, f"Plug well of cylinder {cylinder} is {outcome}")


def _boot_look(shop: Workshop, cylinder: int | None) -> Finding:
    assert cylinder is not None
    tracked = shop.condition.fitments.boot(cylinder).flashover_kv < 25
    outcome = "tracked" if tracked else "clean"
    return Finding("boot-look", cylinder, outcome, {}, f"Boot of cylinder {cylinder} is {outcome}")


@dataclass(frozen=True)
class _Test:
    perform: Callable[..., Finding]
    needs_cylinder: bool
    running: bool | None  # the engine must run (True), stand (False), or it does not matter (None)


TESTS: Mapping[str, _Test] = {
    "plug-look": _Test(_plug_look, True, False),
    "plug-gap": _Test(_plug_gap, True, False),
    "compression-dry": _Test(_dry, True, False),
    "compression-wet": _Test(_wet, True, False),
    "leak-down": _Test(_leak_down, True, False),
    "relative-compression": _Test(_relative_compression, False, False),
    "coil-resistance": _Test(_coil_resistance, True, False),
    "injector-resistance": _Test(_injector_resistance, True, False),
    "injector-click": _Test(_injector_click, True, True),
    "injector-flow": _Test(_injector_flow, True, False),
    "listen": _Test(_listen, False, True),
    "wiggle": _Test(_wiggle, True, True),
    "fuel-pressure": _Test(_fuel_pressure, False, True),
    "smoke": _Test(_smoke, False, False),
    "oil-level": _Test(_oil_level, False, False),
    "coolant-level": _Test(_coolant_level, False, False),
    "trims": _Test(_trims, False, None),
    "crankcase-vacuum": _Test(_crankcase_vacuum, False, True),
    "well-look": _Test(_well_look, True, False),
    "boot-look": _Test(_boot_look, True, False),
}
