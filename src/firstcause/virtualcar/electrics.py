"""Meter and recorder on the electrical side: resistances, voltages, sparks, signals."""

from __future__ import annotations

from math import log10

from firstcause.virtualcar import spark
from firstcause.virtualcar.workshop import Finding, Shown, Workshop

OHM_SHARE = 0.01  # judgement
TEST_GAP_KV, TEST_GAP_SCATTER_KV = 22.0, 1.0  # an open-air gap set for a strong spark: common practice, no source
HOT_AIR_C = 110.0  # what a heat gun brings a coil to in a few minutes: judgement
OPEN_OHM = 1e3


def coil_resistance(shop: Workshop, cylinder: int) -> Finding:
    """Primary winding, cold."""
    ohm = shop.noisy(shop.condition.fitments.coil(cylinder).winding_ohm, OHM_SHARE)
    outcome = "open" if ohm > OPEN_OHM else "measured"
    words = f"Coil of cylinder {cylinder}: " + ("open circuit" if outcome == "open" else f"{ohm:.2f} ohm")
    return Finding("coil-resistance", cylinder, outcome, {"primary_ohm": ohm}, words)


def injector_resistance(shop: Workshop, cylinder: int) -> Finding:
    """Winding of the injector."""
    ohm = shop.noisy(shop.condition.fitments.injector(cylinder).winding_ohm, OHM_SHARE)
    outcome = "open" if ohm > OPEN_OHM else "measured"
    words = f"Injector of cylinder {cylinder}: " + ("open circuit" if outcome == "open" else f"{ohm:.1f} ohm")
    return Finding("injector-resistance", cylinder, outcome, {"winding_ohm": ohm}, words)


def injector_click(shop: Workshop, cylinder: int) -> Finding:
    """Stethoscope on the injector, engine idling."""
    clicks = shop.condition.fitments.injector(cylinder).opens and shop.state(cylinder).injector_fed
    clicks = clicks and cylinder not in shop.unplugged
    outcome = shop.judged("clicks" if clicks else "silent", "silent" if clicks else "clicks")
    return Finding("injector-click", cylinder, outcome, {}, f"Injector of cylinder {cylinder} {outcome}")


def coil_feed(shop: Workshop, cylinder: int) -> Finding:
    """Feed, earth and trigger at the coil's connector, under load."""
    shared, state = shop.condition.shared, shop.state(cylinder)
    volts = shop.noisy(max(0.0, shared.supply_v - shared.feed_drop_v), 0.01)
    outcome = "no-trigger" if not state.coil_fed else "low-feed" if volts < 11.0 else "good"
    words = f"Coil connector {cylinder}: {volts:.1f} V, {outcome.replace('-', ' ')}"
    return Finding("coil-feed", cylinder, outcome, {"feed_v": round(volts, 1)}, words)


def injector_pulse(shop: Workshop, cylinder: int) -> Finding:
    """Test lamp at the injector's connector, engine running."""
    outcome = "pulses" if shop.state(cylinder).injector_fed else "dead"
    return Finding("injector-pulse", cylinder, outcome, {}, f"Injector connector {cylinder} {outcome}")


def terminal_drag(shop: Workshop, cylinder: int) -> Finding:
    """A loose pin pushed into each terminal of coil and injector: spread ones do not hold it."""
    state = shop.state(cylinder)
    spread = [name for name, loose in (("coil", state.coil_bout_min), ("injector", state.injector_bout_min))
              if loose is not None]  # fmt: skip
    found = shop.noticed(spread, ("coil",))
    words = f"Cylinder {cylinder}: " + (f"no grip at the {' and '.join(found)}" if found else "all terminals grip")
    return Finding("terminal-drag", cylinder, "no-grip" if found else "grips", {"loose_at": found}, words)


def spark_at_gap(shop: Workshop, cylinder: int) -> Finding:
    """Spark at a test gap in open air, boot left on, engine cranking, cold coil."""
    shared, state = shop.condition.shared, shop.state(cylinder)
    fitments = shop.condition.fitments
    energy = fitments.coil(cylinder).energy_fraction * state.coil_fed
    kv = float(spark.coil_kv(energy, shop.battery_v(), shared.feed_drop_v))
    kv = min(kv, fitments.boot(cylinder).flashover_kv * 1.3)  # the boot leaks less with the plug out of its well
    jumps = shop.noisy_by(kv, TEST_GAP_SCATTER_KV) > TEST_GAP_KV
    outcome = "jumps" if jumps else "weak" if kv > 4 else "none"
    return Finding("spark-at-gap", cylinder, outcome, {}, f"Spark of coil {cylinder} at the gap: {outcome}")


def coil_heat(shop: Workshop, cylinder: int) -> Finding:
    """The coil warmed with a heat gun, engine idling: one that breaks down hot drops out."""
    limit_c = shop.condition.fitments.coil(cylinder).breaks_above_c
    fails = limit_c is not None and limit_c < shop.noisy_by(HOT_AIR_C, 5.0)
    outcome = "drops-out" if fails else "no-change"
    return Finding("coil-heat", cylinder, outcome, {}, f"Coil {cylinder} warmed: {outcome.replace('-', ' ')}")


def secondary_voltage(shop: Workshop, cylinder: int) -> Finding:
    """Pick-up on the secondary at idle: voltage to jump and how long the arc lasts."""
    fitments, shared, state = shop.condition.fitments, shop.condition.shared, shop.state(cylinder)
    plug = fitments.plug(cylinder)
    edge = spark.SHARP_EDGE + (spark.WORN_EDGE - spark.SHARP_EDGE) * min(1.0, plug.edge_wear)
    demand = 0.9 * edge * float(spark.breakdown_kv(600.0, 600.0, plug.gap_mm))  # idle: reference 4.7
    limit = min(fitments.boot(cylinder).flashover_kv, plug.insulator_flashover_kv, state.well_flashover_kv)
    energy = fitments.coil(cylinder).energy_fraction * state.coil_fed
    left = float(spark.share_left_by_shunt(plug.insulation_ohm))
    kv = min(demand, limit, left * float(spark.coil_kv(energy, shared.supply_v, shared.feed_drop_v)))
    arc_ms = 0.02 * left * float(spark.coil_energy_mj(energy, shared.supply_v, shared.feed_drop_v)) * 8.5 / max(kv, 2.0)
    shown_kv, shown_ms = shop.noisy(kv, 0.05), shop.noisy(arc_ms, 0.05)
    values: dict[str, Shown] = {"jump_kv": round(shown_kv, 1), "burn_ms": round(shown_ms, 2)}
    words = f"Cylinder {cylinder}: {shown_kv:.1f} kV, burns {shown_ms:.1f} ms"
    return Finding("secondary-voltage", cylinder, "measured", values, words)


def coil_current(shop: Workshop, cylinder: int) -> Finding:
    """Clamp on the coil's feed: peak of the ramp."""
    shared, state = shop.condition.shared, shop.state(cylinder)
    share = float(spark.coil_energy_mj(1.0, shared.supply_v, shared.feed_drop_v)) / spark.COIL_ENERGY_MJ
    whole = state.coil_fed and shop.condition.fitments.coil(cylinder).winding_ohm < OPEN_OHM
    amps = shop.noisy(spark.COIL_FULL_A * share**0.5 if whole else 0.0, 0.03)
    outcome = "none" if not whole else "low" if amps < 5.5 else "normal"
    return Finding("coil-current", cylinder, outcome, {"peak_a": round(amps, 1)}, f"Coil {cylinder}: {amps:.1f} A peak")


def plug_insulation(shop: Workshop, cylinder: int) -> Finding:
    """Insulation from the centre electrode to the shell, megohm meter, plug out."""
    ohm = 10 ** shop.noisy_by(log10(shop.condition.fitments.plug(cylinder).insulation_ohm), 0.1)
    outcome = "conducts" if ohm < 5e6 else "insulates"
    values: dict[str, Shown] = {"insulation_megohm": round(ohm / 1e6, 3)}
    return Finding("plug-insulation", cylinder, outcome, values, f"Plug {cylinder}: {ohm / 1e6:.2g} Mohm to ground")


def system_voltage(shop: Workshop, cylinder: int | None) -> Finding:
    """Battery while cranking and with the engine running, and the drop to the coils' feed."""
    shared = shop.condition.shared
    running, cranking = shop.noisy(shared.supply_v, 0.005), shop.noisy(shop.battery_v() - 2.2, 0.02)
    drop = max(0.0, shop.noisy_by(0.1 + shared.feed_drop_v, 0.03))
    outcome = "low" if running < 13.0 else "feed-drop" if drop > 0.5 else "normal"
    values: dict[str, Shown] = {
        "running_v": round(running, 1), "cranking_v": round(cranking, 1), "feed_drop_v": round(drop, 2),
    }  # fmt: skip
    words = f"{running:.1f} V running, {cranking:.1f} V cranking, {drop:.1f} V lost to the coils"
    return Finding("system-voltage", None, outcome, values, words)


def cam_crank(shop: Workshop, cylinder: int | None) -> Finding:
    """Cam and crank signals recorded together, against the maker's picture."""
    late = shop.noisy_by(shop.condition.shared.cam_late_deg, 1.0)
    outcome = "off" if abs(late) > 8 else "right"
    return Finding(
        "cam-crank", None, outcome, {"late_deg": round(late, 1)}, f"Cam {late:+.0f} crank degrees from the mark"
    )


def crank_signal(shop: Workshop, cylinder: int | None) -> Finding:
    """Crank sensor recorded at steady speed, plugs in: even teeth or not; and whether the wheel has been learned."""
    shared = shop.condition.shared
    signs = [
        *(["wheel-not-learned"] if shared.wheel_error_percent > 0.2 else []),
        *(["shakes"] if shared.flywheel_noise_percent > 0.3 else []),
    ]
    seen = shop.noticed(signs)
    words = "Crank signal: " + (", ".join(seen).replace("-", " ") or "even")
    return Finding("crank-signal", None, seen[0] if seen else "even", {"signs": seen}, words)


def air_meter(shop: Workshop, cylinder: int | None) -> Finding:
    """Reported air against what the engine must draw at a known speed and pressure."""
    percent = shop.noisy(100 * shop.condition.shared.air_meter_share, 0.03)
    outcome = "low" if percent < 88 else "right"
    return Finding("air-meter", None, outcome, {"of_expected_percent": round(percent)}, f"Air meter at {percent:.0f} %")


def sensor_response(shop: Workshop, cylinder: int | None) -> Finding:
    """Front exhaust sensor against a gas analyser, and how fast it swings when gas is added."""
    shared = shop.condition.shared
    bias, swing_s = shop.noisy_by(shared.sensor_bias_lambda, 0.01), shop.noisy(0.15 + shared.sensor_slow_s, 0.1)
    outcome = "shows-lean" if bias > 0.05 else "slow" if swing_s > 1.2 else "good"
    values: dict[str, Shown] = {"bias_lambda": round(bias, 3), "swing_s": round(swing_s, 2)}
    return Finding("sensor-response", None, outcome, values, f"Exhaust sensor: {outcome.replace('-', ' ')}")
