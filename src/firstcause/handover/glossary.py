"""Words of the trade that stand on an owner's page, each explained in plain ones."""

from __future__ import annotations

import re
from collections.abc import Iterable

from firstcause.tongue import N_, _

# Term, the forms by which it is found in a text, what it means. Common practice, no source.
_WORDS: tuple[tuple[str, str, str], ...] = (
    (N_("misfire"), N_("misfire|missed|misses"), N_("One cylinder did not fire when it should. The engine shakes.")),
    (N_("cylinder"), N_("cylinder"), N_("One of the chambers in which the engine burns its fuel. They have numbers.")),
    (N_("bank"), N_("bank 1|bank 2"), N_("One of the two rows of cylinders in an engine with two rows.")),
    (N_("spark plug"), N_("plug"), N_("It makes the spark that lights the fuel in a cylinder.")),
    (N_("ignition coil"), N_("coil"), N_("It makes the high voltage for the spark.")),
    (N_("injector"), N_("injector"), N_("A small valve that sprays the fuel in.")),
    (N_("piston"), N_("piston"), N_("The part that moves up and down in a cylinder.")),
    (N_("rings"), N_("rings"), N_("Thin steel rings round the piston. They keep the gas in and the oil out.")),
    (N_("valve"), N_("valve"), N_("A small door. It lets air into a cylinder or burnt gas out of it.")),
    (N_("stem seal"), N_("stem seal|valve seal"), N_("A small lip that keeps oil from running down a valve.")),
    (N_("gasket"), N_("gasket"), N_("A thin seal between two parts of the engine.")),
    (N_("head"), N_("cylinder head|head off|head on|head gasket|head overhaul"),
     N_("The top part of the engine. It closes the cylinders and holds the valves.")),
    (N_("compression"), N_("compression"), N_("How well a cylinder holds the air that is pressed together in it.")),
    (N_("leak-down"), N_("leak-down|leak down"), N_("A test: we let air into a cylinder and read what is lost.")),
    (N_("combustion chamber"), N_("combustion chamber"), N_("The room at the top of a cylinder where the fuel burns.")),
    (N_("crankcase"), N_("crankcase"), N_("The bottom of the engine, where the oil is.")),
    (N_("crankcase ventilation"), N_("crankcase ventilation"),
     N_("Hoses that lead oil mist from the bottom of the engine back to be burnt.")),
    (N_("intake"), N_("intake|manifold|inlet"), N_("The pipes by which air comes into the engine.")),
    (N_("exhaust"), N_("exhaust|tailpipe"), N_("The pipes by which burnt gas leaves the car.")),
    (N_("catalyst"), N_("catalyst|catalytic"),
     N_("It cleans the burnt gas. A misfire can make it too hot and spoil it.")),
    (N_("coked"), N_("coked|coke|carbon"), N_("Covered with a hard black crust of burnt oil or fuel.")),
    (N_("fouled"), N_("fouled|sooted"), N_("So dirty that it does not work.")),
    (N_("code"), N_("P[0-3][0-9][0-9][0-9]|code"),
     N_("The car's own short name for a fault. P0300 to P0312 mean a misfire; the last two signs name the cylinder.")),
    (N_("permanent record"), N_("permanent"),
     N_("A code that no tool can erase. The car clears it when its own test was good.")),
    (N_("engine control unit"), N_("control unit|driver stage|ECU"), N_("The small computer that runs the engine.")),
    (N_("ignition event"), N_("ignition event"), N_("One try to light the fuel: one spark in one cylinder.")),
    (N_("idle"), N_("idle|idling"), N_("The engine runs while the car stands still.")),
    (N_("sensor"), N_("sensor"), N_("A part that measures something, such as heat or air.")),
    (N_("wiring"), N_("wiring|connector"), N_("The wires and plugs that join the parts.")),
    (N_("bound"), N_("bound|Clopper"),
     N_("The most that can still be true when we saw none. We could only watch for so long.")),
    (N_("in 100"), N_("in 10|in 100|as likely as not"),
     N_("How sure we are. 8 in 10 means: of ten such cars, it would be so in eight.")),
)  # fmt: skip


def explained(texts: Iterable[str]) -> tuple[tuple[str, str], ...]:
    """The terms that these texts use, and those used to explain them, in the order of the alphabet, with meanings."""
    found: dict[str, str] = {}
    new = " ".join(texts)
    while new:
        used = {
            _(term): _(meaning)
            for term, forms, meaning in _WORDS
            if _(term) not in found and re.search(rf"(?<!\w)(?:{_(forms)})", new, flags=re.IGNORECASE)
        }
        found |= used
        new = " ".join(used.values())
    return tuple(sorted(found.items(), key=lambda each: each[0].lower()))
