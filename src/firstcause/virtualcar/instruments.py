"""Everything that can be looked at or measured on the virtual car, by name; answers come from its physical state."""

from __future__ import annotations

from collections.abc import Mapping

from firstcause.errors import RequestError
from firstcause.virtualcar import electrics, gauges, senses
from firstcause.virtualcar.workshop import Finding, Test, Workshop

ONE, ALL = True, False
OFF, RUNNING, EITHER = False, True, None

TESTS: Mapping[str, Test] = {
    # senses
    "plug-look": Test(senses.plug_look, ONE, OFF, "read the plug"),
    "plug-gap": Test(senses.plug_gap, ONE, OFF, "electrode gap"),
    "plug-tightness": Test(senses.plug_tightness, ONE, OFF, "was the plug tight"),
    "well-look": Test(senses.well_look, ONE, OFF, "look into the plug well"),
    "boot-look": Test(senses.boot_look, ONE, OFF, "look at the boot"),
    "loom-look": Test(senses.loom_look, ALL, OFF, "look along the loom"),
    "hoses-look": Test(senses.hoses_look, ALL, OFF, "look at hoses and ducts"),
    "borescope": Test(senses.borescope, ONE, OFF, "look into the cylinder"),
    "valve-gear-look": Test(senses.valve_gear_look, ONE, OFF, "cover off: lift, springs, guides"),
    "listen": Test(senses.listen, ALL, RUNNING, "ear and hand around the engine"),
    "smell": Test(senses.smell, ALL, RUNNING, "nose at tailpipe and under the bonnet"),
    "smoke-watch": Test(senses.smoke_watch, ALL, RUNNING, "exhaust smoke at start, overrun, load"),
    "wiggle": Test(senses.wiggle, ONE, RUNNING, "wiggle the connectors"),
    "damp-spray": Test(senses.spray, ALL, RUNNING, "water mist on the ignition"),
    "gas-at-joint": Test(senses.gas_at_joint, ONE, RUNNING, "unlit gas at the intake joint"),
    "gas-at-hoses": Test(senses.gas_at_hoses, ALL, RUNNING, "unlit gas at hoses"),
    "hoses-blocked": Test(senses.valve_blocked, ALL, RUNNING, "block recirculation, purge, crankcase hose in turn"),
    "fuel-sample": Test(senses.fuel_sample, ALL, OFF, "fuel in a glass"),
    "felt-against-counted": Test(senses.felt_against_counted, ALL, RUNNING, "is a miss felt"),
    # gauges
    "compression-dry": Test(gauges.dry, ONE, OFF, "compression, psi"),
    "compression-wet": Test(gauges.wet, ONE, OFF, "compression with oil, psi"),
    "leak-down": Test(gauges.leak_down, ONE, OFF, "differential pressure and where it hisses"),
    "relative-compression": Test(gauges.relative_compression, ALL, OFF, "starter current while cranking"),
    "running-compression": Test(gauges.running_compression, ONE, RUNNING, "compression at idle, psi"),
    "vacuum-gauge": Test(gauges.vacuum, ALL, RUNNING, "manifold vacuum and needle"),
    "back-pressure": Test(gauges.back_pressure, ALL, RUNNING, "exhaust back pressure, psi"),
    "blow-by": Test(gauges.blow_by, ALL, RUNNING, "gas out of the crankcase"),
    "crankcase-vacuum": Test(gauges.crankcase_vacuum, ALL, RUNNING, "crankcase pressure"),
    "fuel-pressure": Test(gauges.fuel_pressure, ALL, RUNNING, "rail pressure, idle and loaded"),
    "pressure-after-stop": Test(gauges.pressure_after_stop, ALL, OFF, "rail pressure kept"),
    "injector-flow": Test(gauges.injector_flow, ONE, OFF, "injector flow against the mean"),
    "power-balance": Test(gauges.power_balance, ALL, RUNNING, "cylinders shut off in turn"),
    "exhaust-gas": Test(gauges.exhaust_gas, ALL, RUNNING, "four-gas analyser"),
    "gas-in-coolant": Test(gauges.gas_in_coolant, ALL, RUNNING, "combustion gas in the coolant"),
    "overnight-pressure": Test(gauges.overnight_pressure, ALL, OFF, "cooling system under pressure over night"),
    "smoke": Test(gauges.smoke, ALL, OFF, "smoke into the intake"),
    "piston-height": Test(gauges.piston_height, ONE, OFF, "piston height at the top"),
    "oil-level": Test(gauges.oil_level, ALL, OFF, "dipstick"),
    "coolant-level": Test(gauges.coolant_level, ALL, OFF, "header tank"),
    "trims": Test(gauges.trims, ALL, EITHER, "learned fuel trim"),
    # electrics
    "coil-resistance": Test(electrics.coil_resistance, ONE, OFF, "coil primary"),
    "injector-resistance": Test(electrics.injector_resistance, ONE, OFF, "injector winding"),
    "injector-click": Test(electrics.injector_click, ONE, RUNNING, "injector sound"),
    "coil-feed": Test(electrics.coil_feed, ONE, RUNNING, "feed and trigger at the coil"),
    "injector-pulse": Test(electrics.injector_pulse, ONE, RUNNING, "pulse at the injector"),
    "terminal-drag": Test(electrics.terminal_drag, ONE, OFF, "grip of the terminals"),
    "spark-at-gap": Test(electrics.spark_at_gap, ONE, OFF, "spark at a test gap, cranking"),
    "coil-heat": Test(electrics.coil_heat, ONE, RUNNING, "coil warmed with a heat gun"),
    "secondary-voltage": Test(electrics.secondary_voltage, ONE, RUNNING, "jump voltage and burn time"),
    "coil-current": Test(electrics.coil_current, ONE, RUNNING, "current ramp of the coil"),
    "plug-insulation": Test(electrics.plug_insulation, ONE, OFF, "insulation of the plug"),
    "system-voltage": Test(electrics.system_voltage, ALL, RUNNING, "battery, charging, feed"),
    "cam-crank": Test(electrics.cam_crank, ALL, RUNNING, "cam against crank signal"),
    "crank-signal": Test(electrics.crank_signal, ALL, RUNNING, "crank signal recorded"),
    "air-meter": Test(electrics.air_meter, ALL, RUNNING, "air meter against expectation"),
    "sensor-response": Test(electrics.sensor_response, ALL, RUNNING, "front exhaust sensor"),
}


def do(shop: Workshop, test: str, cylinder: int | None, *, running: bool, **options: float) -> Finding:
    """Do one test; raises RequestError when it does not exist or cannot be done as things stand."""
    if test not in TESTS:
        raise RequestError(f"The virtual workshop has no test {test!r}; it has {', '.join(TESTS)}. Nothing was done.")
    entry = TESTS[test]
    if entry.needs_cylinder and cylinder is None:
        raise RequestError(f"The test {test!r} is done on one cylinder. Name it; nothing was done.")
    if cylinder is not None:
        shop.condition.layout.require(cylinder)
    if entry.running is not None and entry.running != running:
        state = "running" if entry.running else "off"
        raise RequestError(f"The test {test!r} needs the engine {state}. Nothing was done.")
    return entry.perform(shop, cylinder if entry.needs_cylinder else None, **options)
