"""The works a garage does on the car: what each puts right, whatever was wrong there, said in the trade's words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

Scope = Literal["cylinder", "bank", "engine"]


@dataclass(frozen=True)
class Work:
    """One piece of work: on a cylinder, on a bank or on the engine; the faults it would put right if they are there."""

    scope: Scope
    what: str
    puts_right: tuple[str, ...]


# Common practice, no source. A part with a serial number (coil, boot, plug, injector) is replaced, not worked on.
WORKS: Mapping[str, Work] = {
    "valves": Work("cylinder", "head off: valves, seats, guides, stem seals, deposits",
                   ("exhaust-valve-leak", "intake-valve-leak", "valve-guide-worn", "stem-seal-leak",
                    "intake-valve-deposits")),
    "stem-seals": Work("cylinder", "valve stem seals", ("stem-seal-leak",)),
    "valve-cleaning": Work("cylinder", "deposits blasted off the intake valve", ("intake-valve-deposits",)),
    "valve-spring": Work("cylinder", "valve springs", ("valve-spring-weak",)),
    "cam-and-followers": Work("cylinder", "cam and followers", ("cam-lobe-worn",)),
    "piston-and-rings": Work("cylinder", "piston, rings and rod",
                             ("ring-leak", "piston-land-broken", "oil-past-rings", "rod-bent")),
    "head-gasket": Work("bank", "head gasket, head planed", ("coolant-seep", "gasket-to-neighbour")),
    "intake-gasket": Work("cylinder", "gasket of the intake runner", ("runner-air-leak",)),
    "coil-connector": Work("cylinder", "terminals of the coil's connector", ("connector-intermittent",)),
    "injector-connector": Work("cylinder", "terminals of the injector's connector",
                               ("injector-connector-intermittent",)),
    "coil-wire": Work("cylinder", "wire and driver of the coil", ("coil-wire-broken",)),
    "injector-wire": Work("cylinder", "wire and driver of the injector", ("injector-wire-broken",)),
    "well-seal": Work("cylinder", "plug well dried and sealed", ("well-wet",)),
    "tighten-plug": Work("cylinder", "plug tightened", ("plug-loose",)),
    "intake-hose": Work("engine", "hose behind the air meter", ("manifold-air-leak",)),
    "crankcase-valve": Work("engine", "crankcase ventilation valve", ("crankcase-valve-torn",)),
    "air-meter": Work("engine", "air meter", ("air-meter-low",)),
    "fuel-pump": Work("engine", "fuel pump and filter", ("fuel-pressure-low",)),
    "fuel-line-shield": Work("engine", "heat shield of the rail, check valve", ("fuel-vapour-lock",)),
    "purge-valve": Work("engine", "canister purge valve", ("purge-valve-open",)),
    "exhaust-return-valve": Work("engine", "exhaust recirculation valve", ("exhaust-return-open",)),
    "catalyst": Work("engine", "catalyst and exhaust", ("exhaust-blocked", "catalyst-worn")),
    "timing-chain": Work("engine", "chain, tensioner, timing", ("valve-timing-late",)),
    "generator": Work("engine", "generator and battery", ("supply-voltage-low",)),
    "ignition-feed": Work("engine", "relay and feed of coils and injectors", ("ignition-feed-weak",)),
    "learn-crank-wheel": Work("engine", "crank wheel learned", ("crank-wheel-not-learned",)),
    "drive-plate": Work("engine", "drive plate", ("drive-plate-cracked",)),
    "exhaust-sensors": Work("engine", "front exhaust sensors", ("oxygen-sensor-biased", "oxygen-sensor-slow")),
    "thermostat": Work("engine", "thermostat", ("thermostat-open",)),
    "charge-flap": Work("engine", "charge-motion flap", ("charge-flap-stuck",)),
    "vapour-hose": Work("engine", "fuel-vapour hose and cap", ("evap-leak",)),
}  # fmt: skip
