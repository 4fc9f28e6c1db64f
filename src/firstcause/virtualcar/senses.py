"""Looking, listening, smelling, touching: what a technician notices without an instrument, and may mistake."""

from __future__ import annotations

from firstcause.virtualcar.fouling import oil_dose_mg
from firstcause.virtualcar.parts import look_of
from firstcause.virtualcar.workshop import Finding, Shown, Workshop

GAP_MM = 0.02  # feeler gauge: judgement
SLIP_OF_WIGGLE = 0.2  # a bad contact does not answer to every wiggle
_RESEMBLE: dict[str, tuple[str, ...]] = {  # looks that are taken for one another: common practice, no source
    "oil-wet": ("fuel-wet", "dry-carbon"), "fuel-wet": ("oil-wet",), "dry-carbon": ("normal", "oil-wet"),
    "normal": ("dry-carbon", "white"), "white": ("normal", "clean-cold"), "clean-cold": ("normal", "coolant-crust"),
    "coolant-crust": ("clean-cold",), "ash": ("dry-carbon",), "worn": ("normal",), "cracked": ("normal",),
}  # fmt: skip


def plug_look(shop: Workshop, cylinder: int) -> Finding:
    """The plug in the hand: colour, deposits, gap."""
    plug = shop.condition.fitments.plug(cylinder)
    seen = look_of(plug)
    look = shop.judged(seen.look, *_RESEMBLE.get(seen.look, ()))
    remark = seen.remark if look == seen.look else look.replace("-", " ")
    gap = round(shop.noisy_by(seen.gap_mm, GAP_MM), 2)
    values: dict[str, Shown] = {"gap_mm": gap, "serial": plug.serial}
    return Finding("plug-look", cylinder, look, values, f"Plug of cylinder {cylinder}: {remark}; gap {gap:.2f} mm")


def plug_gap(shop: Workshop, cylinder: int) -> Finding:
    """The gap alone, with a feeler gauge."""
    look = plug_look(shop, cylinder)
    words = f"Plug of cylinder {cylinder}: gap {look.values['gap_mm']} mm"
    return Finding("plug-gap", cylinder, "measured", look.values, words)


def plug_tightness(shop: Workshop, cylinder: int) -> Finding:
    """Whether the plug was tight when it was undone."""
    loose = shop.is_noticed(shop.state(cylinder).thread_leak_mm2 > 0.2)
    outcome = "loose" if loose else "tight"
    return Finding("plug-tightness", cylinder, outcome, {}, f"Plug of cylinder {cylinder} was {outcome}")


def well_look(shop: Workshop, cylinder: int) -> Finding:
    """Down the plug well with a lamp."""
    wet = shop.is_noticed(shop.state(cylinder).well_flashover_kv < 30)
    outcome = "wet" if wet else "dry"
    return Finding("well-look", cylinder, outcome, {}, f"Plug well of cylinder {cylinder} is {outcome}")


def boot_look(shop: Workshop, cylinder: int) -> Finding:
    """The boot, inside and outside."""
    tracked = shop.is_noticed(shop.condition.fitments.boot(cylinder).flashover_kv < 25)
    outcome = "tracked" if tracked else "clean"
    return Finding("boot-look", cylinder, outcome, {}, f"Boot of cylinder {cylinder} is {outcome}")


def loom_look(shop: Workshop, cylinder: int | None) -> Finding:
    """Along the loom for chewed, rubbed, pulled wires; a break inside the insulation is not seen half of the time."""
    broken = []
    for number, state in shop.condition.cylinders.items():
        broken += [f"coil-{number}"] if not state.coil_fed and shop.rng.random() < 0.5 else []
        broken += [f"injector-{number}"] if not state.injector_fed and shop.rng.random() < 0.5 else []
    seen = shop.noticed(broken, [f"coil-{n}" for n in shop.condition.layout.cylinders])
    words = "Damage at the wires of " + ", ".join(seen) if seen else "The loom looks sound"
    return Finding("loom-look", None, "damage" if seen else "sound", {"damage_at": seen}, words)


def hoses_look(shop: Workshop, cylinder: int | None) -> Finding:
    """Hoses and ducts: big holes are seen, small ones seldom."""
    shared = shop.condition.shared
    off = [name for name, hole_mm in (("intake-hose", shared.air_leak_mm), ("vapour-hose", shared.evap_hole_mm))
           if hole_mm > 0.8 and shop.rng.random() < min(0.9, 0.25 * hole_mm)]  # fmt: skip
    seen = shop.noticed(off, ("intake-hose",))
    words = "Found loose or split: " + ", ".join(seen) if seen else "Hoses look sound"
    return Finding("hoses-look", None, "damage" if seen else "sound", {"damage_at": seen}, words)


def borescope(shop: Workshop, cylinder: int) -> Finding:
    """Through the plug hole: crown, wall, valves."""
    state = shop.state(cylinder)
    signs = {
        "wet-with-oil": state.oil_rings_mg + state.oil_stem_mg > 0.35,
        "washed-by-coolant": state.coolant_seep_ml_night > 3,
        "valve-edge-burnt": state.exhaust_leak_mm2 > 0.8,
        "valve-deposits": state.deposit_share > 0.12,
        "piston-damaged": state.ring_leak_mm2 > 4.0,
    }
    seen = shop.noticed([sign for sign, there in signs.items() if there], list(signs))
    words = f"Cylinder {cylinder}: " + (", ".join(seen).replace("-", " ") or "nothing unusual")
    return Finding("borescope", cylinder, seen[0] if seen else "clean", {"signs": seen}, words)


def valve_gear_look(shop: Workshop, cylinder: int) -> Finding:
    """Cover off: lift, springs, play of the guides."""
    state = shop.state(cylinder)
    signs = {
        "short-lift": state.lift_share < 0.85,
        "spring-weak": state.floats_above_rpm < 5500,
        "guide-loose": state.oil_stem_mg > 0.3 and state.exhaust_leak_mm2 > 0.1,
    }
    seen = shop.noticed([sign for sign, there in signs.items() if there], list(signs))
    words = f"Valve gear of cylinder {cylinder}: " + (", ".join(seen).replace("-", " ") or "sound")
    return Finding("valve-gear-look", cylinder, seen[0] if seen else "sound", {"signs": seen}, words)


def listen(shop: Workshop, cylinder: int | None) -> Finding:
    """Ear, hose and hand around a running engine."""
    shared, states = shop.condition.shared, shop.condition.cylinders
    missing = any(shop.missed_share(n) > 0.05 for n in states)
    signs = {
        "whistle-at-intake": shared.air_leak_mm > 2 or any(s.runner_leak_mm2 > 1 for s in states.values()),
        "whistle-at-crankcase-valve": shared.crankcase_leak_mm > 1.5,
        "puff-at-tailpipe": missing or any(s.exhaust_leak_mm2 > 0.8 for s in states.values()),
        "tick-at-plug": any(s.thread_leak_mm2 > 0.4 for s in states.values()),
        "tick-at-valves": any(s.lift_share < 0.8 for s in states.values()),
        "spark-snap": any(s.well_flashover_kv < 20 for s in states.values())
        or any(shop.condition.fitments.boot(n).flashover_kv < 20 for n in states),
        "grinding-at-flywheel": shared.flywheel_noise_percent > 0.5,
    }
    heard = shop.noticed([sign for sign, there in signs.items() if there], list(signs))
    words = "Heard: " + (", ".join(heard) or "nothing unusual")
    return Finding("listen", None, "heard" if heard else "nothing", {"heard": heard}, words)


def smell(shop: Workshop, cylinder: int | None) -> Finding:
    """Nose at tailpipe, filler, header tank and under the bonnet."""
    shared, states = shop.condition.shared, shop.condition.cylinders
    fuelled = [n for n in states if shop.condition.fitments.injector(n).opens and n not in shop.unplugged]
    rich = shop.idle is not None and min(shop.idle.sensor_lambda) < 0.93
    signs = {
        "fuel-at-tailpipe": rich or any(shop.missed_share(n) > 0.1 for n in fuelled),
        "burnt-oil": float(oil_dose_mg(shop.condition).max()) > 0.6,
        "sweet-at-tailpipe": any(s.coolant_seep_ml_night > 5 for s in states.values()),
        "fuel-under-bonnet": shared.evap_hole_mm > 0.8,
        "sour-fuel": shared.bad_fuel_share > 0.15,
    }
    smelt = shop.noticed([sign for sign, there in signs.items() if there], list(signs))
    words = "Smelt: " + (", ".join(smelt) or "nothing unusual")
    return Finding("smell", None, "smelt" if smelt else "nothing", {"smelt": smelt}, words)


def smoke_watch(shop: Workshop, cylinder: int | None) -> Finding:
    """The exhaust at a cold start, after a long idle, after overrun and under load."""
    states = shop.condition.cylinders.values()
    stem, rings = max(s.oil_stem_mg for s in states), max(s.oil_rings_mg for s in states)
    signs = {
        "blue-at-start-and-after-overrun": stem > 0.3,
        "blue-under-load": rings > 0.6,
        "white-at-start": any(s.coolant_seep_ml_night > 4 for s in states),
        "black": shop.idle is not None and min(shop.idle.sensor_lambda) < 0.85,
    }
    seen = shop.noticed([sign for sign, there in signs.items() if there], list(signs))
    words = "Smoke: " + (", ".join(seen).replace("-", " ") or "none")
    return Finding("smoke-watch", None, seen[0] if seen else "none", {"seen": seen}, words)


def wiggle(shop: Workshop, cylinder: int) -> Finding:
    """Connectors of one cylinder moved by hand with the engine idling."""
    state = shop.state(cylinder)
    loose = [
        name for name, spacing in (("coil", state.coil_bout_min), ("injector", state.injector_bout_min))
        if spacing is not None and float(shop.rng.random()) > SLIP_OF_WIGGLE
    ]  # fmt: skip
    values: dict[str, Shown] = {"connector": " and ".join(loose)}
    change = f"the engine stumbles with the {' and the '.join(loose)} connector" if loose else "no change"
    words = f"Wiggling the connectors of cylinder {cylinder}: {change}"
    return Finding("wiggle", cylinder, "miss-toggles" if loose else "nothing", values, words)


def spray(shop: Workshop, cylinder: int | None) -> Finding:
    """Water mist on boots, wells and coils, engine idling: sparks that leak get worse at once."""
    fitments, states = shop.condition.fitments, shop.condition.cylinders
    weak = [str(n) for n in states if min(fitments.boot(n).flashover_kv, states[n].well_flashover_kv) < 22]
    at = shop.noticed(weak)
    words = "Misses more when sprayed at cylinder " + ", ".join(at) if at else "No change when sprayed"
    return Finding("damp-spray", None, "misses-more" if at else "no-change", {"at_cylinder": at}, words)


def gas_at_joint(shop: Workshop, cylinder: int) -> Finding:
    """Unlit gas at the joint of one intake runner: the idle smooths out when it is drawn in."""
    responds = shop.is_noticed(shop.state(cylinder).runner_leak_mm2 > 0.3)
    outcome = "responds" if responds else "no-change"
    return Finding("gas-at-joint", cylinder, outcome, {}, f"Gas at runner {cylinder}: {outcome.replace('-', ' ')}")


def gas_at_hoses(shop: Workshop, cylinder: int | None) -> Finding:
    """The same at hoses and at the crankcase valve."""
    shared = shop.condition.shared
    holes = {"manifold-hose": shared.air_leak_mm > 0.6, "crankcase-valve": shared.crankcase_leak_mm > 0.8}
    at = shop.noticed([place for place, leaks in holes.items() if leaks], list(holes))
    words = "Responds at " + ", ".join(at) if at else "No response"
    return Finding("gas-at-hoses", None, "responds" if at else "no-change", {"responds_at": at}, words)


def valve_blocked(shop: Workshop, cylinder: int | None) -> Finding:
    """Recirculation, purge and crankcase hoses blocked one after the other: which one changes the idle."""
    shared = shop.condition.shared
    ways = {
        "exhaust-return": shared.exhaust_return_share > 0.05,
        "purge": shared.purge_open_share > 0.2,
        "crankcase-valve": shared.crankcase_leak_mm > 1.2,
    }
    at = shop.noticed([way for way, opened in ways.items() if opened], list(ways))
    words = "Idle changes when blocked: " + (", ".join(at) or "none")
    return Finding("hoses-blocked", None, "changes" if at else "no-change", {"changes_at": at}, words)


def fuel_sample(shop: Workshop, cylinder: int | None) -> Finding:
    """Fuel in a glass: water line, colour, smell."""
    bad = shop.is_noticed(shop.condition.shared.bad_fuel_share > 0.08)
    return Finding("fuel-sample", None, "bad" if bad else "good", {}, f"The fuel is {'bad' if bad else 'good'}")


def felt_against_counted(shop: Workshop, cylinder: int | None) -> Finding:
    """Is a miss felt while the counters run up? Some people feel one in fifty firings."""
    felt = shop.idle is not None and float(shop.idle.chance.mean()) > 0.02
    outcome = "felt" if shop.is_noticed(felt) else "not-felt"
    return Finding("felt-against-counted", None, outcome, {}, f"At idle a miss is {outcome.replace('-', ' ')}")
