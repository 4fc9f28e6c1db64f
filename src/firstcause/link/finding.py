"""Finding the car behind an adapter: bit rate and addressing by listening first, then by one harmless question.

The order is safe by what it does not do. It listens at each rate, without taking part where the adapter can; a rate at
which frames come is the car's, and one at which errors come is not and is never sent at. Only when nothing can be heard
anywhere (many cars keep their diagnostic plug silent) it asks at each rate that is left, and stops there at the first
error. All it asks is what a unit supports (`01 00`) and whether it is of the newer kind (`22 F8 10`).

Source: rates, widths and their order as in ISO 15765-4 (from memory).
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Literal

import can

from firstcause.errors import CarError
from firstcause.link.adapters import Adapter, open_adapter
from firstcause.link.addressing import ELEVEN_BIT, TWENTY_NINE_BIT, Addressing, Unit, Width
from firstcause.link.session import BusStopped, Session, Timing
from firstcause.link.uds import newer_units

RATES = (500_000, 250_000)
ASK_SUPPORTED = b"\x01\x00"
LISTEN_S = 1.0
PATIENT = Timing(adapter_margin_ms=150)  # an adapter that is not known yet may be slow
_ENOUGH_FRAMES, _ENOUGH_ERRORS = 20, 3
_REFUSED = 0x7F

Verdict = Literal[
    "found", "only-newer", "no-answer", "wrong-rate", "silent", "not-taken", "switched-off", "cannot-open"
]
OpenBus = Callable[[Adapter, int, bool], can.BusABC]


@dataclass(slots=True)
class Heard:
    """What came while listening at one rate: frames by width of their identifier, and error frames."""

    narrow: int = 0
    wide: int = 0
    errors: int = 0

    @property
    def frames(self) -> int:
        return self.narrow + self.wide

    @property
    def is_clean(self) -> bool:
        """True when frames came, and errors were the exception."""
        return self.frames > self.errors


@dataclass(frozen=True, slots=True)
class Finding:
    """What was found behind one adapter; `bitrate` in bit/s is None where it is not ours to choose, or not found.

    `units` answer the older services, `newer` only the newer ones; `unsteady` says of a unit what was not right with
    its answers. `heard` holds what came while listening, by bit rate.
    """

    adapter: Adapter
    verdict: Verdict
    bitrate: int | None = None
    width: Width | None = None
    units: tuple[Unit, ...] = ()
    newer: tuple[Unit, ...] = ()
    unsteady: tuple[tuple[Unit, str], ...] = ()
    heard: dict[int, Heard] = field(default_factory=dict, compare=False)
    why: str = ""

    @property
    def has_car(self) -> bool:
        return self.verdict in ("found", "only-newer")

    def words(self) -> tuple[str, ...]:
        """What a person wants to know, in whole sentences; the last says what to do, where something is to be done."""
        return tuple(_words(self))


def find_behind(
    adapter: Adapter,
    open_bus: OpenBus = open_adapter,
    *,
    listen_s: float = LISTEN_S,
    timing: Timing = PATIENT,
    clock: Callable[[], float] = time.monotonic,
    progress: Callable[[str], None] = lambda _words: None,
) -> Finding:
    """Find bit rate, addressing and control units behind one adapter.

    Listens `listen_s` seconds at each rate, shorter when it is clear. `progress` is told what is being done. Raises
    nothing for an adapter that fails: that is a finding too. The bus is shut down again.
    """
    if adapter.off:
        return Finding(adapter, "switched-off", why=adapter.off)
    try:
        heard = _listen_at_all(adapter, open_bus, listen_s, clock, progress)
        return _ask_at_all(adapter, open_bus, heard, timing, progress)
    except CarError as cause:
        return Finding(adapter, "cannot-open", why=str(cause))


def listen(bus: can.BusABC, seconds: float, clock: Callable[[], float], patience: int = _ENOUGH_ERRORS) -> Heard:
    """Only listen; ends early after enough clean frames, or after `patience` errors that outweigh the frames.

    Raises BusStopped.
    """
    heard = Heard()
    until_s = clock() + seconds
    while (left_s := until_s - clock()) > 0 and heard.frames < _ENOUGH_FRAMES:
        try:
            message = bus.recv(min(left_s, 0.05))
        except (can.CanError, OSError) as cause:
            raise BusStopped("listening", cause) from cause
        if message is None:
            continue
        if message.is_error_frame:
            heard.errors += 1
        elif message.is_extended_id:
            heard.wide += 1
        else:
            heard.narrow += 1
        if heard.errors >= patience and not heard.is_clean:
            break
    return heard


def _listen_at_all(
    adapter: Adapter, open_bus: OpenBus, listen_s: float, clock: Callable[[], float], progress: Callable[[str], None]
) -> dict[int, Heard]:
    heard: dict[int, Heard] = {}
    for rate in RATES if adapter.has_rate else RATES[:1]:
        progress(f"{adapter.name}: listening{_at(adapter, rate)}")
        bus = open_bus(adapter, rate, True)
        try:
            # who cannot listen only takes part, and spoils what it does not understand: the first error ends that
            heard[rate] = listen(bus, listen_s, clock, _ENOUGH_ERRORS if adapter.listens_only else 1)
        finally:
            bus.shutdown()
        if heard[rate].is_clean:
            break
    return heard


def _ask_at_all(
    adapter: Adapter, open_bus: OpenBus, heard: dict[int, Heard], timing: Timing, progress: Callable[[str], None]
) -> Finding:
    alive = [rate for rate, at in heard.items() if at.is_clean]
    candidates = alive or [rate for rate, at in heard.items() if not at.errors]
    if not candidates:
        return Finding(adapter, "wrong-rate", heard=heard)
    taken = bool(alive)
    for rate in candidates:
        widths = [ELEVEN_BIT, TWENTY_NINE_BIT]
        if heard[rate].wide > heard[rate].narrow:
            widths.reverse()
        bus = open_bus(adapter, rate, False)
        try:
            for addressing in widths:
                progress(f"{adapter.name}: asking{_at(adapter, rate)} with {addressing.width}-bit identifiers")
                answered = _ask(bus, addressing, timing)
                if answered is None:
                    break
                taken = True
                units, newer, unsteady = answered
                if units or newer:
                    return Finding(
                        adapter, "found" if units else "only-newer", rate if adapter.has_rate else None,
                        addressing.width, units, newer, unsteady, heard,
                    )  # fmt: skip
        finally:
            bus.shutdown()
    return Finding(adapter, "no-answer" if alive else "silent" if taken else "not-taken", heard=heard)


_Answered = tuple[tuple[Unit, ...], tuple[Unit, ...], tuple[tuple[Unit, str], ...]]


def _ask(bus: can.BusABC, addressing: Addressing, timing: Timing) -> _Answered | None:
    """Who answers at this width; None when what was sent met errors instead of ears: no more is sent then."""
    with Session(bus, addressing, timing) as session:
        try:
            first = session.request(ASK_SUPPORTED)
            if first.error_frames and not (first.answers or first.faults):
                return None
            newer = newer_units(session)
            again = session.request(ASK_SUPPORTED) if first.answers or first.faults else first
        except BusStopped:
            return None
    turns = [{unit: data for unit, data in turn if data[0] != _REFUSED} for turn in (first, again)]
    units = tuple(sorted({*turns[0], *turns[1]}))
    notes: dict[Unit, str] = {}
    for turn in (first, again):
        for unit, data in turn:
            if data[0] == _REFUSED:
                notes[unit] = "refuses to say what it knows"
        for broken in turn.faults:
            notes[broken.unit] = "does not answer whole"
    for unit in units:
        if any(unit not in turn for turn in turns):
            notes[unit] = "answered only one of two times"
    return units, tuple(unit for unit in newer if unit not in units), tuple(sorted(notes.items()))


def _at(adapter: Adapter, rate: int) -> str:
    return f" at {rate // 1000} kbit/s" if adapter.has_rate else ""


def _not_at(adapter: Adapter) -> str:
    return "neither at 500 nor at 250 kbit/s" if adapter.has_rate else "not at the rate that this device is set to"


def _words(finding: Finding) -> Iterator[str]:
    name = finding.adapter.name
    match finding.verdict:
        case "found" | "only-newer":
            at = f" at {finding.bitrate // 1000} kbit/s" if finding.bitrate else ""
            yield f"{name}: a car answers{at}, with {finding.width}-bit identifiers."
            if finding.units:
                yield f"Control units that answer: {', '.join(map(str, finding.units))}."
            if finding.newer:
                yield (
                    f"{', '.join(map(str, finding.newer))} speaks only the newer services (OBD on UDS, SAE J1979-2): "
                    "its codes can be read by `firstcause snapshot`; live data, readiness and erasing cannot."
                )
            for unit, note in finding.unsteady:
                yield f"{unit} {note}. Check the battery's voltage and the plug, then find again."
        case "no-answer":
            rate = max(finding.heard, key=lambda at: finding.heard[at].frames)
            yield (
                f"{name}: the bus is alive{_at(finding.adapter, rate)}, but no control unit answers. Switch the "
                "ignition on. If it is on, this may be another of the car's buses: the adapter must sit on pins 6 and "
                "14 of the diagnostic plug (SAE J1962, from memory), and many cars from before 2008 have no CAN there."
            )
        case "wrong-rate":
            yield (
                f"{name}: something talks on these wires, but {_not_at(finding.adapter)}; what came was errors. "
                "Nothing was sent. It is another bus of the car, or the two wires are swapped or one is broken: "
                "check first that the adapter sits on pins 6 and 14."
            )
            if not finding.adapter.has_rate:
                yield (
                    f"Or the device is set to the wrong rate: sudo ip link set {finding.adapter.channel} down; "
                    f"sudo ip link set {finding.adapter.channel} up type can bitrate 250000 (or 500000)."
                )
        case "silent":
            yield (
                f"{name}: nothing was heard and nothing answered. Switch the ignition on (the engine may stay off) "
                "and push the plug home. If it stays so, the plug has no supply or no CAN on pins 6 and 14."
            )
        case "not-taken":
            yield (
                f"{name}: nothing was heard, and nobody took what was sent. The ignition is off, the plug is not home, "
                "or there is no CAN on its pins 6 and 14. Switch the ignition on, check the plug, find again."
            )
        case "switched-off":
            yield f"{name}: {finding.why}."
        case "cannot-open":
            yield f"{name}: {finding.why}"
