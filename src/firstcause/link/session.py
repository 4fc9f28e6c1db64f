"""A session with the car: one request out, the whole answers of all control units back.

One owner of the bus (python-can's Notifier) feeds one queue; this module keeps the deadlines itself. Only the reading
services pass the `gate`; the one that erases has its own guarded door in `erase`.
"""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from types import TracebackType
from typing import Self

import can

from firstcause.errors import CarError, RequestError
from firstcause.link.addressing import ELEVEN_BIT, Addressing, Unit
from firstcause.link.gate import LONGEST_REQUEST, Gate, ServiceNotAllowed, is_read
from firstcause.link.reassembly import Broken, Event, Fault, Reassembler, Received
from firstcause.link.recording import Recorder
from firstcause.signals import ERASE

NEGATIVE, POSITIVE, BUSY, PENDING = 0x7F, 0x40, 0x21, 0x78
_FINAL: frozenset[Fault] = frozenset(("wrong-sequence", "frame-lost", "overlong", "pending-too-long"))
_ECHOED = frozenset((0x01, 0x02, 0x06, 0x09))  # services whose answer repeats what was asked
_NOTIFIER_WAIT_S = 0.02


class NoAnswer(CarError):
    """No control unit answered at all."""

    def __init__(self, request: bytes, tried: str) -> None:
        self.request, self.tried = request, tried
        super().__init__(
            f"The car gave no answer to {request.hex(' ').upper()} ({tried}). Nothing was changed. "
            "Check that the ignition is on, the plug sits right and has supply, the adapter's bit rate is the car's "
            "(500 or 250 kbit/s) and the identifiers are as wide as the car's (11 or 29 bits); a car built only to the "
            "newer OBD on UDS (from model year 2023) does not answer service $01 at all."
        )


class BusStopped(CarError):
    """The adapter or the bus failed."""

    def __init__(self, doing: str, cause: Exception) -> None:
        self.doing = doing
        super().__init__(
            f"The adapter failed while {doing}: {cause}. What was read before is kept. "
            "Check the adapter's cable and driver, then connect again."
        )


@dataclass(frozen=True, slots=True)
class Timing:
    """Time limits in milliseconds, and how often to be patient.

    Source: ISO 15765-4 (from memory): P2 50 ms, P2* 5000 ms, next part of a long answer within 150 ms. The margin is
    ours, for the adapter and the computer; widen it for slow (radio, serial) adapters.
    """

    p2_ms: int = 50
    p2_star_ms: int = 5000
    next_part_ms: int = 150
    adapter_margin_ms: int = 20
    pending_repeats: int = 12
    busy_repeats: int = 3
    busy_wait_ms: int = 50


@dataclass(frozen=True, slots=True)
class Exchange:
    """One request and all that came back. At most one answer a unit; faults stand beside, not instead.

    `error_frames` counts bus error frames seen while waiting.
    """

    request: bytes
    answers: tuple[Received, ...]
    faults: tuple[Broken, ...] = ()
    error_frames: int = 0

    def __iter__(self) -> Iterator[tuple[Unit, bytes]]:
        """(unit, answer bytes) for each unit that answered whole."""
        return ((answer.unit, answer.payload) for answer in self.answers)

    def payload_of(self, unit: Unit) -> bytes | None:
        """The whole answer of one unit, or None."""
        return next((answer.payload for answer in self.answers if answer.unit == unit), None)

    def fault_of(self, unit: Unit) -> Broken | None:
        """The first fault of one unit, or None."""
        return next((fault for fault in self.faults if fault.unit == unit), None)


@dataclass(slots=True)
class _Waiting:
    """What is known while an answer is waited for; times in seconds of the session's clock."""

    request: bytes
    until_s: float
    answers: dict[Unit, Received] = field(default_factory=dict)
    faults: list[Broken] = field(default_factory=list)
    pending_until_s: dict[Unit, float] = field(default_factory=dict)
    pending_count: dict[Unit, int] = field(default_factory=dict)
    muted: set[Unit] = field(default_factory=set)
    error_frames: int = 0

    def note(self, unit: Unit, fault: Fault) -> None:
        """Keep a fault once; the strays that follow a broken answer are part of the same mishap.

        A unit that interrupts itself again and again is not listened to any more, else it could hold us for ever.
        """
        known = {broken.fault for broken in self.faults if broken.unit == unit}
        if fault == "interrupted" and fault in known:
            self.muted.add(unit)
        if fault in _FINAL:
            self.pending_until_s.pop(unit, None)
        if fault not in known and not (known and fault == "unexpected"):
            self.faults.append(Broken(unit, fault))


class Session:
    """Talks to one car over one python-can bus. The caller owns the bus and shuts it down after `close`.

    `clock` gives monotonic seconds; `pause` waits that many. `recorder`, if given, gets every frame sent and received.
    """

    def __init__(
        self,
        bus: can.BusABC,
        addressing: Addressing = ELEVEN_BIT,
        timing: Timing | None = None,
        recorder: Recorder | None = None,
        clock: Callable[[], float] = time.monotonic,
        pause: Callable[[float], None] = time.sleep,
    ) -> None:
        self.addressing = addressing
        self.timing = timing or Timing()
        self._gate = Gate(bus, addressing, recorder)
        self._clock, self._pause = clock, pause
        self._incoming: queue.SimpleQueue[can.Message | Exception] = queue.SimpleQueue()
        self._reassemblers: dict[Unit, Reassembler] = {}
        self._inbox = _Inbox(self._incoming, recorder)
        self._notifier = can.Notifier(bus, [self._inbox], timeout=_NOTIFIER_WAIT_S)
        self._one_at_a_time = threading.Lock()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.close()

    def close(self) -> None:
        """Stop listening. The bus stays open for its owner."""
        self._notifier.stop()

    def request(self, data: bytes, to: Unit | None = None) -> Exchange:
        """Send one reading request, to all units or to one, and wait for all answers.

        Silence is no error here: the exchange is then empty. A broken answer of one unit is a fault beside the answers
        of the others. `7F xx 78` is waited out, `7F xx 21` asked again, both within limits (see Timing).

        Raises ServiceNotAllowed (nothing sent), RequestError for a request over seven bytes, BusStopped.
        """
        if not is_read(data):
            raise ServiceNotAllowed(data[0] if data else None)
        return self._exchange(data, to)

    def find_units(self) -> tuple[Unit, ...]:
        """The control units that answer to `01 00`, ascending; raises NoAnswer when there is none."""
        request = b"\x01\x00"
        exchange = self.request(request)
        if not exchange.answers:
            raise NoAnswer(request, f"{self.addressing.width}-bit identifiers")
        return tuple(sorted(answer.unit for answer in exchange.answers))

    def _erase_after_guard(self) -> Exchange:
        """Send the request that erases. `link.erase` is its only caller, after its guard; a test holds that."""
        self._gate.open_once()
        try:
            return self._exchange(bytes((ERASE,)), None)
        finally:
            self._gate.shut()

    def _exchange(self, data: bytes, to: Unit | None) -> Exchange:
        if len(data) > LONGEST_REQUEST:
            raise RequestError(f"A request takes at most {LONGEST_REQUEST} bytes, not {len(data)}. Nothing was sent.")
        with self._one_at_a_time:
            return self._ask_until_not_busy(data, to)

    def _ask_until_not_busy(self, data: bytes, to: Unit | None) -> Exchange:
        waiting = self._ask(data, to)
        repeats = self.timing.busy_repeats if is_read(data) else 0  # the erase passes the gate once
        for _ in range(repeats):
            busy = [unit for unit, answer in waiting.answers.items() if _says(answer.payload, BUSY)]
            if not busy:
                break
            self._pause(self.timing.busy_wait_ms / 1000)
            for unit in busy:
                again = self._ask(data, unit)
                waiting.answers.update(again.answers)
                waiting.faults += again.faults
                waiting.error_frames += again.error_frames
        answers = tuple(waiting.answers[unit] for unit in sorted(waiting.answers))
        return Exchange(data, answers, tuple(waiting.faults), waiting.error_frames)

    def _ask(self, data: bytes, to: Unit | None) -> _Waiting:
        """One request on the bus, and everything until the last deadline has passed."""
        self._drop_leftovers()
        self._send(to.request_id if to else self.addressing.functional_id, bytes((len(data),)) + data)
        waiting = _Waiting(data, self._clock() + self._p2_s)
        while (left_s := self._left_s(waiting)) > 0:
            try:
                arrived = self._incoming.get(timeout=min(left_s, _NOTIFIER_WAIT_S))
            except queue.Empty:
                arrived = None
            if isinstance(arrived, Exception):
                raise BusStopped("waiting for the car's answer", arrived) from arrived
            if arrived is not None:
                self._take(waiting, arrived)
            for reassembler in [r for r in self._reassemblers.values() if r.is_busy]:
                self._note_all(waiting, reassembler.poll())
            if to is not None and self._is_settled(waiting, to):
                break
        return waiting

    def _take(self, waiting: _Waiting, message: can.Message) -> None:
        if message.is_error_frame:
            waiting.error_frames += 1
            return
        unit = self._unit_of(message)
        if unit is not None and unit not in waiting.muted:
            if unit not in self._reassemblers:
                self._reassemblers[unit] = Reassembler(unit, self._send, self.timing.next_part_ms)
            self._note_all(waiting, self._reassemblers[unit].feed(bytes(message.data)))

    def _note_all(self, waiting: _Waiting, events: Iterable[Event]) -> None:
        for event in events:
            if isinstance(event, Broken):
                waiting.note(event.unit, event.fault)
                if event.unit in waiting.muted:
                    self._reassemblers.pop(event.unit, None)
            else:
                self._note_answer(waiting, event)

    def _note_answer(self, waiting: _Waiting, answer: Received) -> None:
        unit, payload = answer.unit, answer.payload
        if not _fits(waiting.request, payload):
            waiting.note(unit, "other-question")
        elif unit in waiting.answers:
            waiting.note(unit, "repeated")
        elif _says(payload, PENDING):
            count = waiting.pending_count.get(unit, 0) + 1
            waiting.pending_count[unit] = count
            if count > self.timing.pending_repeats:
                waiting.note(unit, "pending-too-long")
            else:
                waiting.pending_until_s[unit] = self._clock() + self._p2_star_s
        else:
            waiting.pending_until_s.pop(unit, None)
            waiting.answers[unit] = answer

    def _left_s(self, waiting: _Waiting) -> float:
        """Seconds in which something may still come; not above 0 when all limits have passed.

        A unit that announced an answer, or is in the middle of a long one, is waited for by its own limit.
        """
        now_s = self._clock()
        for unit, until_s in list(waiting.pending_until_s.items()):
            if now_s >= until_s and not self._is_receiving(unit):
                waiting.note(unit, "pending-too-long")
        latest_s = max([waiting.until_s, *waiting.pending_until_s.values()])
        if any(reassembler.is_busy for reassembler in self._reassemblers.values()):
            latest_s = max(latest_s, now_s + self.timing.next_part_ms / 1000)
        return latest_s - now_s

    def _is_settled(self, waiting: _Waiting, unit: Unit) -> bool:
        if self._is_receiving(unit):
            return False
        return unit in waiting.answers or any(
            broken.unit == unit and broken.fault in _FINAL for broken in waiting.faults
        )

    def _is_receiving(self, unit: Unit) -> bool:
        reassembler = self._reassemblers.get(unit)
        return reassembler is not None and reassembler.is_busy

    def _unit_of(self, message: can.Message) -> Unit | None:
        wide = message.is_extended_id == self.addressing.is_extended
        ours = wide and message.is_rx and not message.is_remote_frame
        if ours and self.addressing.is_response_id(message.arbitration_id):
            return Unit(message.arbitration_id, self.addressing.width)
        return None

    def _drop_leftovers(self) -> None:
        """Late frames of an earlier question are not answers to the next one."""
        for reassembler in self._reassemblers.values():
            reassembler.forget()
        while not self._incoming.empty():
            self._incoming.get_nowait()
        if self._inbox.failure is not None:
            raise BusStopped("listening", self._inbox.failure) from self._inbox.failure

    def _send(self, identifier: int, data: bytes) -> None:
        """One frame out, through the gate."""
        try:
            self._gate.send(identifier, data)
        except (can.CanError, OSError) as cause:
            raise BusStopped("sending", cause) from cause

    @property
    def _p2_s(self) -> float:
        return (self.timing.p2_ms + self.timing.adapter_margin_ms) / 1000

    @property
    def _p2_star_s(self) -> float:
        return (self.timing.p2_star_ms + self.timing.adapter_margin_ms) / 1000


class _Inbox(can.Listener):
    """Puts what the bus's one reader hears into the session's queue, and its failures too."""

    def __init__(self, incoming: queue.SimpleQueue[can.Message | Exception], recorder: Recorder | None) -> None:
        self._incoming, self._recorder = incoming, recorder
        self.failure: Exception | None = None

    def on_message_received(self, msg: can.Message) -> None:
        if self._recorder is not None:
            self._recorder.record_received(msg)
        self._incoming.put(msg)

    def on_error(self, exc: Exception) -> None:
        if self.failure is None:
            self.failure = exc
            self._incoming.put(exc)
        time.sleep(_NOTIFIER_WAIT_S)  # python-can asks again at once; a dead adapter must not eat the processor


def _says(payload: bytes, reason: int) -> bool:
    """Whether an answer is a refusal for that reason."""
    return payload[:1] == bytes((NEGATIVE,)) and payload[2:3] == bytes((reason,))


def _fits(request: bytes, payload: bytes) -> bool:
    """Whether an answer belongs to the request: same service, and the same first identifier where it is repeated."""
    if not payload:
        return False
    if payload[0] == NEGATIVE:
        return payload[1:2] == request[:1]
    if payload[0] != request[0] + POSITIVE:
        return False
    return request[0] not in _ECHOED or len(payload) < 2 or payload[1] in request[1:]
