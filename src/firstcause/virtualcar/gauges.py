"""Gauges: compression, leakage, starter current, vacuum, pressures, flows; physics of the state plus noise."""

from __future__ import annotations

import numpy as np

from firstcause.units import KPA_PER_PSI, STANDARD_ATMOSPHERE_KPA
from firstcause.virtualcar.air_path import manifold_kpa, metered_air_g_s
from firstcause.virtualcar.engine import IDLE_MANIFOLD_KPA, back_pressure_kpa
from firstcause.virtualcar.fouling import oil_dose_mg
from firstcause.virtualcar.gas import cranking_peak_psi, leak_down_psi, orifice_flow_g_s
from firstcause.virtualcar.workshop import Finding, Shown, Workshop

GAUGE_SHARE, LEAK_GAUGE_PSI, FLOW_SHARE = 0.012, 0.7, 0.02  # judgement
RING_SEAL_BY_OIL, OIL_LEFT_DECADES, AUDIBLE_MM2 = 0.63, 0.3, 0.25
RAIL_KPA = {"port": 350.0, "direct": 5000.0, "single-point": 100.0}  # common practice, no source
KPA_PER_INHG = 3.386389
PLACES = ("oil-filler", "tailpipe", "intake", "header-tank")
AT_THE_MARK = 0.05  # of the span between the marks: what reads as "at the lower mark" on a stick (judgement)


def _compression(shop: Workshop, cylinder: int, oil_cm3: float) -> Finding:
    paths = shop.paths_mm2(cylinder)
    if oil_cm3 > 0:
        paths["oil-filler"] *= 1 - RING_SEAL_BY_OIL
        plug = shop.condition.fitments.plug(cylinder)
        plug.oil_decades += OIL_LEFT_DECADES  # what is poured in stays a while
    lift = shop.state(cylinder).lift_share
    intake_kpa = STANDARD_ATMOSPHERE_KPA * min(1.0, 0.35 + 0.65 * lift / 0.6)  # many strokes fill even by a low lift
    psi = cranking_peak_psi(shop.geometry(cylinder), sum(paths.values()), shop.cranking_rpm(), oil_cm3, intake_kpa)
    shown = float(round(shop.noisy(psi, GAUGE_SHARE)))
    name = "compression-wet" if oil_cm3 > 0 else "compression-dry"
    values: dict[str, Shown] = {"compression_psi": shown, "oil_cm3": oil_cm3}
    return Finding(name, cylinder, "measured", values, f"Cylinder {cylinder}: {shown:.0f} psi")


def dry(shop: Workshop, cylinder: int) -> Finding:
    """All plugs out, throttle open, fuel and spark off."""
    return _compression(shop, cylinder, 0.0)


def wet(shop: Workshop, cylinder: int, oil_cm3: float = 7.0) -> Finding:
    """The same with a spoon of oil in the cylinder."""
    return _compression(shop, cylinder, oil_cm3)


def leak_down(shop: Workshop, cylinder: int, orifice_in: float = 0.040, supply_psi: float = 80.0) -> Finding:
    """Differential tester at top dead centre of the firing stroke, and where the air comes out."""
    paths = shop.paths_mm2(cylinder)
    psi = leak_down_psi(sum(paths.values()), orifice_in, supply_psi)
    shown = float(min(supply_psi, max(0.0, round(shop.noisy_by(psi, LEAK_GAUGE_PSI)))))
    heard = shop.noticed([place for place, size in paths.items() if size >= AUDIBLE_MM2], PLACES)
    loss = 100 * (1 - shown / supply_psi)
    where = "hiss at " + ", ".join(heard) if heard else "no clear hiss"
    values: dict[str, Shown] = {
        "reading_psi": shown, "supply_psi": supply_psi, "orifice_in": orifice_in, "loss_percent": loss,
        "hiss_at": heard,
    }  # fmt: skip
    words = f"Cylinder {cylinder}: {shown:.0f}/{supply_psi:.0f} psi on a {orifice_in:.3f} in orifice, {where}"
    return Finding("leak-down", cylinder, "hiss" if heard else "tight", values, words)


def relative_compression(shop: Workshop, cylinder: int | None) -> Finding:
    """Starter current while cranking with fuel off: height of each hump against the median of all."""
    record = shop.crank(shop.battery_v())
    humps = {n: shop.noisy(height, GAUGE_SHARE) for n, height in record.hump_a.items()}
    median = float(np.median(list(humps.values())))
    values: dict[str, Shown] = {f"cylinder_{n}_percent": round(100 * humps[n] / median, 1) for n in sorted(humps)}
    values |= {"mean_current_a": round(float(record.current_a.mean())), "cranking_rpm": round(record.mean_rpm)}
    low = tuple(str(n) for n in sorted(humps) if humps[n] < 0.93 * median)
    words = "Starter current humps: " + (f"low at cylinder {', '.join(low)}" if low else "even")
    current = record.current_a * (1 + 0.01 * shop.noise * shop.rng.standard_normal(len(record.current_a)))
    series = {"time_s": record.time_s, "crank_deg": record.crank_deg, "current_a": current, "engine_rpm": record.rpm}
    return Finding("relative-compression", None, "low" if low else "even", {**values, "low_at": low}, words, series)


def running_compression(shop: Workshop, cylinder: int) -> Finding:
    """Gauge in the plug hole, engine idling on the others: 50-75 psi are usual (common practice, no source)."""
    geometry, state = shop.geometry(cylinder), shop.state(cylinder)
    kpa = IDLE_MANIFOLD_KPA if shop.idle is None else shop.idle.manifold_kpa
    leak = min(0.6, 0.05 * sum(shop.paths_mm2(cylinder).values()))
    peak = kpa * geometry.compression_pressure_ratio(0.0) * state.lift_share * (1 - leak)
    psi = shop.noisy(max(0.0, peak - STANDARD_ATMOSPHERE_KPA) / KPA_PER_PSI, 0.03)
    words = f"Cylinder {cylinder}: {psi:.0f} psi at idle"
    return Finding("running-compression", cylinder, "measured", {"idle_psi": round(psi)}, words)


def vacuum(shop: Workshop, cylinder: int | None) -> Finding:
    """Gauge on the manifold at idle, then held at 2500 rpm.

    Needle signs after an army manual (regular drop: a cylinder missing or a valve or gasket leaking; falls at speed:
    exhaust blocked; low and steady: late valves or leaking air); noise of the reading: judgement.
    """
    shared, layout = shop.condition.shared, shop.condition.layout
    kpa = IDLE_MANIFOLD_KPA if shop.idle is None else shop.idle.manifold_kpa
    inhg = shop.noisy((STANDARD_ATMOSPHERE_KPA - kpa) / KPA_PER_INHG, 0.02)
    air = metered_air_g_s(layout, 2500.0, manifold_kpa(layout, 0.2))
    back = back_pressure_kpa(air, shared.exhaust_block_share) - back_pressure_kpa(air, 0.0)
    states = shop.condition.cylinders
    dropping = any(
        shop.missed_share(n) > 0.25 or states[n].exhaust_leak_mm2 + states[n].intake_leak_mm2 > 0.6 for n in states
    )
    needle = "steady"
    if back > 4.0:
        needle = "falls-when-held"
    elif any(state.floats_above_rpm < 3500 for state in states.values()):
        needle = "wilder-with-speed"
    elif dropping:
        needle = "regular-drop"
    elif shop.idle is not None and float(shop.idle.chance.mean()) > 0.01:
        needle = "floats"
    elif inhg < 15.0:
        needle = "low-steady"
    outcome = shop.judged(needle, "steady", "floats")
    words = f"Vacuum {inhg:.0f} inHg at idle, needle: {outcome.replace('-', ' ')}"
    return Finding("vacuum-gauge", None, outcome, {"idle_inhg": round(inhg, 1)}, words)


def back_pressure(shop: Workshop, cylinder: int | None) -> Finding:
    """Gauge in place of the front sensor: under 1.5 psi at idle, 3 psi at 2500 rpm are usual (common practice)."""
    layout, blocked = shop.condition.layout, shop.condition.shared.exhaust_block_share
    psi = [
        shop.noisy(back_pressure_kpa(metered_air_g_s(layout, rpm, manifold_kpa(layout, load)), blocked), 0.05)
        / KPA_PER_PSI
        for rpm, load in ((720.0, 0.2), (2500.0, 0.2))
    ]
    outcome = "high" if psi[1] > 3.0 else "normal"
    values: dict[str, Shown] = {"idle_psi": round(psi[0], 2), "at_2500_psi": round(psi[1], 2)}
    return Finding(
        "back-pressure", None, outcome, values, f"Back pressure {psi[0]:.1f} psi at idle, {psi[1]:.1f} at 2500"
    )


def blow_by(shop: Workshop, cylinder: int | None) -> Finding:
    """Gas out of the crankcase at idle, by a flow meter on the blocked ventilation."""
    litres = sum(6.0 * state.ring_leak_mm2 for state in shop.condition.cylinders.values())
    shown = shop.noisy(litres, 0.08)
    usual = 1.1 * shop.condition.layout.count
    outcome = "high" if shown > 2.5 * usual else "normal"
    return Finding("blow-by", None, outcome, {"blow_by_l_min": round(shown, 1)}, f"Blow-by {shown:.0f} l/min at idle")


def crankcase_vacuum(shop: Workshop, cylinder: int | None) -> Finding:
    """Slight vacuum is normal (-0.5 to -5 inH2O, common practice); a torn diaphragm pulls hard, blow-by pushes."""
    shared = shop.condition.shared
    flow = orifice_flow_g_s(shared.crankcase_leak_mm**2, STANDARD_ATMOSPHERE_KPA, IDLE_MANIFOLD_KPA, 293)
    pull = 0.5 + 0.12 * flow * 4
    blow = 0.45 * sum(max(0.0, state.ring_leak_mm2 - 0.3) for state in shop.condition.cylinders.values())
    kpa = shop.noisy(blow - pull, 0.05)
    outcome = "strong-vacuum" if kpa < -1.5 else "pressure" if kpa > 0.0 else "normal"
    return Finding("crankcase-vacuum", None, outcome, {"crankcase_kpa": kpa}, f"Crankcase at {kpa:+.1f} kPa at idle")


def fuel_pressure(shop: Workshop, cylinder: int | None) -> Finding:
    """Gauge on the rail, at idle and under load."""
    shared, due_kpa = shop.condition.shared, RAIL_KPA[shop.condition.layout.injection]
    pump = min(1.0, (shared.supply_v / 13.5) ** 1.5) * shared.fuel_flow_reserve
    at_rest = shop.noisy(due_kpa * shared.fuel_pressure_fraction, 0.01)
    loaded = shop.noisy(due_kpa * shared.fuel_pressure_fraction * pump, 0.01)
    low = loaded < 0.85 * due_kpa
    values: dict[str, Shown] = {"idle_kpa": at_rest, "loaded_kpa": loaded, "specified_kpa": due_kpa}
    words = f"Fuel pressure {at_rest:.0f} kPa at idle, {loaded:.0f} kPa loaded ({due_kpa:.0f} kPa specified)"
    return Finding("fuel-pressure", None, "low" if low else "normal", values, words)


def pressure_after_stop(shop: Workshop, cylinder: int | None) -> Finding:
    """Rail pressure ten minutes after the engine has stopped: a dripping injector lets it fall."""
    drips = sum(shop.condition.fitments.injector(n).drip_fraction for n in shop.condition.layout.cylinders)
    percent = shop.noisy(92.0 * float(np.exp(-2.5 * drips)), 0.03)
    outcome = "falls" if percent < 70 else "holds"
    return Finding("pressure-after-stop", None, outcome, {"kept_percent": round(percent)}, f"{percent:.0f} % kept")


def injector_flow(shop: Workshop, cylinder: int) -> Finding:
    """Flow of this injector against the mean of all, on a bench or by pressure drop."""
    fitments, numbers = shop.condition.fitments, shop.condition.layout.cylinders
    flows = {
        n: (i.flow_fraction if i.opens else 0.0) + i.drip_fraction for n in numbers for i in [fitments.injector(n)]
    }
    mean = sum(flows.values()) / len(flows)
    percent = shop.noisy(100 * flows[cylinder] / mean if mean > 0 else 0.0, FLOW_SHARE)
    drips = shop.is_noticed(fitments.injector(cylinder).drip_fraction > 0.1)
    values: dict[str, Shown] = {"of_mean_percent": percent, "drips": "yes" if drips else "no"}
    words = f"Injector of cylinder {cylinder}: {percent:.0f} % of the mean" + (", drips" if drips else "")
    return Finding("injector-flow", cylinder, "drips" if drips else "measured", values, words)


def power_balance(shop: Workshop, cylinder: int | None) -> Finding:
    """Injectors shut off one at a time at idle: how far the speed drops for each."""
    layout = shop.condition.layout
    drops = {}
    for number in layout.cylinders:
        gives = shop.work_share(number)
        drops[number] = max(0.0, shop.noisy_by(shop.idle_rpm * 0.35 / layout.count * 2 * gives, 4.0))
    usual = float(np.median(list(drops.values())))
    weak = tuple(str(n) for n in sorted(drops) if drops[n] < 0.75 * usual)
    values: dict[str, Shown] = {f"cylinder_{n}_drop_rpm": round(drops[n]) for n in sorted(drops)}
    words = "Speed drops " + (f"least at cylinder {', '.join(weak)}" if weak else "alike for all")
    return Finding("power-balance", None, "weak" if weak else "alike", {**values, "weak_at": weak}, words)


def exhaust_gas(shop: Workshop, cylinder: int | None) -> Finding:
    """Four-gas analyser ahead of the catalyst at idle: unburnt fuel, carbon monoxide, oxygen (shapes: judgement)."""
    idle = shop.idle
    missed = 0.0 if idle is None else float(idle.chance.mean())
    sensed = 1.0 if idle is None else float(np.mean(idle.sensor_lambda)) - shop.condition.shared.sensor_bias_lambda
    oil = float(oil_dose_mg(shop.condition).mean())
    hc_ppm = shop.noisy(120 + 14_000 * missed + 150 * oil + 900 * max(0.0, 1 - sensed), 0.05)
    co_percent = shop.noisy(0.5 + 18.0 * max(0.0, 1 - sensed), 0.05)
    o2_percent = shop.noisy(0.8 + 20.0 * missed + 18.0 * max(0.0, sensed - 1), 0.05)
    outcome = (
        "much-unburnt" if hc_ppm > 600 else "rich" if co_percent > 2.0 else "lean" if o2_percent > 2.5 else "normal"
    )
    values: dict[str, Shown] = {
        "hydrocarbons_ppm": round(hc_ppm), "carbon_monoxide_percent": round(co_percent, 2),
        "oxygen_percent": round(o2_percent, 2),
    }  # fmt: skip
    words = f"{hc_ppm:.0f} ppm unburnt, {co_percent:.1f} % CO, {o2_percent:.1f} % O2 at idle"
    return Finding("exhaust-gas", None, outcome, values, words)


def gas_in_coolant(shop: Workshop, cylinder: int | None) -> Finding:
    """Combustion gas in the header tank: a seeping gasket shows at its rate, exhaust in the air now and then too."""
    seep = sum(state.coolant_seep_ml_night for state in shop.condition.cylinders.values())
    turns = bool(shop.rng.random() < 0.02 + 0.95 * (1 - float(np.exp(-seep / 4.0))))
    outcome = "gas" if turns else "none"
    return Finding("gas-in-coolant", None, outcome, {}, "The fluid turns" if turns else "The fluid keeps its colour")


def overnight_pressure(shop: Workshop, cylinder: int | None) -> Finding:
    """Cooling system pumped up over night: what has gone by the morning."""
    seep = sum(state.coolant_seep_ml_night for state in shop.condition.cylinders.values())
    lost = shop.noisy_by(3.0 + 4.0 * seep, 1.5)
    outcome = "drops" if lost > 12 else "holds"
    return Finding(
        "overnight-pressure", None, outcome, {"lost_kpa": round(max(0.0, lost))}, f"{max(0.0, lost):.0f} kPa gone"
    )


def smoke(shop: Workshop, cylinder: int | None) -> Finding:
    """Smoke blown into the intake: where it comes out."""
    runners = {f"runner-{n}": s.runner_leak_mm2 > 0.5 for n, s in sorted(shop.condition.cylinders.items())}
    shared = shop.condition.shared
    holes = {"manifold-hose": shared.air_leak_mm > 0.5, "crankcase-valve": shared.crankcase_leak_mm > 0.5}
    places = {**runners, **holes}
    seen = shop.noticed([place for place, leaks in places.items() if leaks], list(places))
    words = "Smoke comes out at " + ", ".join(seen) if seen else "No smoke comes out"
    return Finding("smoke", None, "smoke" if seen else "tight", {"smoke_at": seen}, words)


def piston_height(shop: Workshop, cylinder: int) -> Finding:
    """Height of the piston at top dead centre through the plug hole, against the others."""
    low_mm = shop.noisy_by(shop.state(cylinder).height_lost_mm, 0.1)
    outcome = "low" if low_mm > 0.5 else "even"
    return Finding("piston-height", cylinder, outcome, {"low_by_mm": round(low_mm, 1)}, f"{low_mm:.1f} mm low")


def oil_level(shop: Workshop, cylinder: int | None) -> Finding:
    """The dipstick, cold and level."""
    share = min(1.0, max(0.0, shop.noisy_by(shop.oil_level_share, 0.03)))
    outcome = "low" if share < AT_THE_MARK else "normal"
    words = f"Oil at {100 * share:.0f} % between the marks"
    return Finding("oil-level", None, outcome, {"between_marks_percent": 100 * share}, words)


def coolant_level(shop: Workshop, cylinder: int | None) -> Finding:
    """The header tank, cold."""
    share = min(1.0, max(0.0, shop.coolant_level_share))
    words = f"Coolant at {100 * share:.0f} % of the mark"
    return Finding("coolant-level", None, "low" if share < 0.8 else "normal", {"of_mark_percent": 100 * share}, words)


def trims(shop: Workshop, cylinder: int | None) -> Finding:
    """Learned fuel trim by region, as the control unit holds it."""
    values: dict[str, Shown] = {}
    parts = []
    for bank, trim in enumerate(shop.trims, start=1):
        for region, learned in trim.long_percent.items():
            values[f"bank_{bank}_{region.replace('-', '_')}_percent"] = round(learned, 1)
        parts.append(f"bank {bank} " + ", ".join(f"{name} {value:+.0f} %" for name, value in trim.long_percent.items()))
    idle = max((trim.long_percent["idle"] for trim in shop.trims), default=0.0)
    part = max((trim.long_percent["part-load"] for trim in shop.trims), default=0.0)
    outcome = "lean-at-idle" if idle > 10 and part < 0.6 * idle else "lean" if max(idle, part) > 10 else "normal"
    if min(min(trim.long_percent.values()) for trim in shop.trims) < -10:
        outcome = "rich"
    return Finding("trims", None, outcome, values, "Learned fuel trim: " + "; ".join(parts))
