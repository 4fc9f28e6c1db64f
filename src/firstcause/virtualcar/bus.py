"""The virtual car on a CAN bus: units answering over ISO-TP, by a thread or pumped by hand, with manners to choose."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from types import TracebackType
from typing import Literal, Self

import can

from firstcause.errors import CarError
from firstcause.signals import Refused
from firstcause.virtualcar.answers import AnsweringUnit, BodyUnit, EngineUnit, NewerEngineUnit, TransmissionUnit
from firstcause.virtualcar.car import VirtualCar
from firstcause.virtualcar.isotp import AnswerSender, Outgoing, single_request

Addressing = Literal["11-bit", "29-bit"]
ANSWER_IS_COMING = 0x78
# Source: ISO 15765-4 (from memory): functional 7DF / 18DB33F1, physical 7E0+n / 18DAxxF1, answers 7E8+n / 18DAF1xx.
_FUNCTIONAL: dict[Addressing, int] = {"11-bit": 0x7DF, "29-bit": 0x18DB33F1}
_ENGINE: dict[Addressing, tuple[int, int]] = {"11-bit": (0x7E0, 0x7E8), "29-bit": (0x18DA10F1, 0x18DAF110)}
_BODY: dict[Addressing, tuple[int, int]] = {"11-bit": (0x7E2, 0x7EA), "29-bit": (0x18DA40F1, 0x18DAF140)}
_CHANNELS = {"socketcan": "vcan0", "udp_multicast": "239.74.163.2", "virtual": "virtual-car"}
_GEARBOX: dict[Addressing, tuple[int, int]] = {"11-bit": (0x7E1, 0x7E9), "29-bit": (0x18DA18F1, 0x18DAF118)}


@dataclass(frozen=True)
class Manners:
    """How a control unit behaves on the bus. `pending_times` None: it says "answer is coming" for ever."""

    delay_s: float = 0.0
    pending_times: int | None = 0
    pending_every_s: float = 0.05
    wrong_sequence: bool = False
    silent_after_first: bool = False
    silent: bool = False


GOOD_MANNERS = Manners()


class NoSuchBus(CarError):
    """The bus could not be opened."""

    def __init__(self, interface: str, channel: str, why: str) -> None:
        self.interface, self.channel, self.why = interface, channel, why
        super().__init__(
            f"The virtual car was not put on {interface} {channel}: {why}. Nothing was started. socketcan needs a vcan "
            "device (ip link add vcan0 type vcan), udp_multicast the package msgpack and a network that lets it pass."
        )


def usual_channel(interface: str) -> str:
    """The channel that is usual for an interface of python-can."""
    return _CHANNELS.get(interface, "virtual-car")


def open_bus(interface: str, channel: str) -> can.BusABC:
    """A bus of python-can; raises NoSuchBus when this machine has not got it."""
    try:
        return can.Bus(channel=channel, interface=interface)
    except (can.CanError, ImportError, OSError, NotImplementedError) as error:
        raise NoSuchBus(interface, channel, str(error).rstrip(".") or type(error).__name__) from error


@dataclass(order=True)
class _Due:
    at_s: float
    order: int
    send: Callable[[float], None] = field(compare=False)


class _UnitOnBus:
    """One control unit with its addresses, its transport and its queue of things to send."""

    def __init__(self, unit: AnsweringUnit, ids: tuple[int, int], functional_id: int, manners: Manners, extended: bool):
        self.unit, self.manners = unit, manners
        self.request_id, self.answer_id = ids
        self.functional_id, self.extended = functional_id, extended
        self.sender = AnswerSender(wrong_sequence=manners.wrong_sequence, silent_after_first=manners.silent_after_first)
        self.queue: list[_Due] = []
        self._order = 0

    def receive(self, message: can.Message, now_s: float, put: Callable[[bytes], None]) -> bool:
        """Take a frame; returns whether it was a request that this unit answers."""
        if message.arbitration_id not in (self.request_id, self.functional_id) or self.manners.silent:
            return False
        frame = bytes(message.data)
        released = self.sender.flow_control(frame) if message.arbitration_id == self.request_id else []
        at_s = now_s
        for outgoing in released:
            at_s += outgoing.gap_s
            self._later(at_s, self._sending(outgoing, put))
        request = single_request(frame)
        if request is None:
            return False
        answer = self.unit.answer(request, functional=message.arbitration_id == self.functional_id)
        if answer is None:
            return False
        self.queue.clear()
        self._answer(request, answer, now_s + self.manners.delay_s, put)
        return True

    def _answer(self, request: bytes, answer: bytes, at_s: float, put: Callable[[bytes], None]) -> None:
        manners = self.manners
        coming = AnswerSender().begin(Refused(request[0], ANSWER_IS_COMING).to_bytes())
        if manners.pending_times is None:

            def again(when_s: float) -> None:
                put(coming.data)
                self._later(when_s + manners.pending_every_s, again)

            self._later(at_s, again)
            return
        for _ in range(manners.pending_times):
            self._later(at_s, self._sending(coming, put))
            at_s += manners.pending_every_s
        self._later(at_s, lambda when_s: put(self.sender.begin(answer).data))

    @staticmethod
    def _sending(outgoing: Outgoing, put: Callable[[bytes], None]) -> Callable[[float], None]:
        return lambda when_s: put(outgoing.data)

    def _later(self, at_s: float, send: Callable[[float], None]) -> None:
        self._order += 1
        self.queue.append(_Due(at_s, self._order, send))

    def send_due(self, now_s: float) -> None:
        """Send what is due, in order."""
        due = sorted(entry for entry in self.queue if entry.at_s <= now_s)
        self.queue = [entry for entry in self.queue if entry.at_s > now_s]
        for entry in due:
            entry.send(entry.at_s)


class VirtualBusCar:
    """A virtual car on a python-can bus.

    As a context manager it answers from its own thread; without, call `pump` after each frame. While the engine
    runs, the car's own time goes on by `seconds_per_answer` with each request answered, so that live data move
    and the same requests give the same bytes. `transmission` and `body` add a second and a third unit; `manners` are
    the engine unit's, `other_manners` theirs. `newer`: the engine's unit speaks only OBD on UDS. Raises NoSuchBus.
    """

    def __init__(
        self,
        car: VirtualCar,
        channel: str = "virtual-car",
        *,
        interface: str = "virtual",
        addressing: Addressing = "11-bit",
        transmission: bool = False,
        body: bool = False,
        newer: bool = False,
        manners: Manners = GOOD_MANNERS,
        other_manners: Manners = GOOD_MANNERS,
        seconds_per_answer: float = 0.05,
        clock: Callable[[], float] = time.monotonic,
    ):
        self.car, self.seconds_per_answer, self.clock = car, seconds_per_answer, clock
        self.bus = open_bus(interface, channel)
        extended = addressing == "29-bit"
        functional = _FUNCTIONAL[addressing]
        engine = NewerEngineUnit(car) if newer else EngineUnit(car)
        self.units = [_UnitOnBus(engine, _ENGINE[addressing], functional, manners, extended)]
        if transmission:
            ids = _GEARBOX[addressing]
            self.units.append(_UnitOnBus(TransmissionUnit(car), ids, functional, other_manners, extended))
        if body:
            self.units.append(_UnitOnBus(BodyUnit(car), _BODY[addressing], functional, other_manners, extended))
        self._ending = threading.Event()
        self._thread: threading.Thread | None = None

    def __enter__(self) -> Self:
        self._thread = threading.Thread(target=self._run, name="virtual-car", daemon=True)
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Stop answering and leave the bus."""
        self._ending.set()
        if self._thread is not None:
            self._thread.join(timeout=2.0)
        self.bus.shutdown()

    def pump(self, timeout_s: float = 0.0) -> None:
        """Take all frames that wait (at most `timeout_s` for the first) and send all that is due."""
        message = self.bus.recv(timeout_s)
        while message is not None:
            self._take(message)
            message = self.bus.recv(0.0)
        for unit in self.units:
            unit.send_due(self.clock())

    def _take(self, message: can.Message) -> None:
        if message.is_error_frame or message.is_remote_frame:
            return
        with self.car.lock:
            answered = False
            for unit in self.units:
                answered |= unit.receive(message, self.clock(), self._sender(unit))
            if answered:
                self.car.advance_idle(self.seconds_per_answer)
        for unit in self.units:
            unit.send_due(self.clock())

    def _sender(self, unit: _UnitOnBus) -> Callable[[bytes], None]:
        def put(data: bytes) -> None:
            self.bus.send(can.Message(arbitration_id=unit.answer_id, data=data, is_extended_id=unit.extended))

        return put

    def _run(self) -> None:
        while not self._ending.is_set():
            due = [entry.at_s for unit in self.units for entry in unit.queue]
            wait_s = min([0.05, *(max(0.0, at_s - self.clock()) for at_s in due)])
            self.pump(wait_s)
