"""Recording live data: as much as the bus allows, into a trace as it comes; a pulled cable is waited out and told."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

from firstcause.errors import CarError
from firstcause.link.addressing import Unit
from firstcause.link.schedule import Schedule
from firstcause.link.session import BusStopped, NoAnswer, Session
from firstcause.signals import CurrentData, Reading, SupportedIds, decode_answer, request_current
from firstcause.signals.bitmap import SPAN, is_bitmap_id

_SILENT_TURNS = 3
_TRY_AGAIN_S = 1.0
_TRIES_OF_ONE = 3


@dataclass(frozen=True, slots=True)
class Missed:
    """A stretch without data, in Unix seconds, and why."""

    from_s: float
    to_s: float
    why: str

    def __str__(self) -> str:
        return f"Nothing was heard for {self.to_s - self.from_s:.1f} s: {self.why}"


@dataclass(slots=True)
class LiveReport:
    """What was recorded and what was not. `not_given`: parameters that a unit announced and does not give."""

    units: tuple[Unit, ...] = ()
    parameters: int = 0
    requests: int = 0
    values: int = 0
    broken: int = 0
    missed: list[Missed] = field(default_factory=list)
    not_given: list[tuple[Unit, int]] = field(default_factory=list)


def record_live(
    connect: Callable[[], Session],
    stop: Callable[[], bool],
    on_values: Callable[[float, Unit, Iterable[Reading]], None] = lambda _at_s, _unit, _readings: None,
    on_missed: Callable[[Missed], None] = lambda _missed: None,
    *,
    clock: Callable[[], float] = time.time,
    pause: Callable[[float], None] = time.sleep,
) -> LiveReport:
    """Ask for live data until `stop()` says so.

    `connect` opens the adapter and gives a session with a recorder; it is called again after the adapter or the car
    fell silent, once a second. `clock` gives Unix seconds. `on_values` gets each answer with the time at which it was
    whole; the trace holds the time of each single frame.

    Raises NoAnswer or BusStopped when the very first connection fails: then there is nothing to wait for.
    """
    recording = _Recording(LiveReport(), on_values, clock)
    session = connect()
    try:
        recording.begin(session)
        while (why := recording.until_lost(session, stop)) is not None:
            session.close()
            again = _connect_again(connect, stop, pause)
            gap = Missed(recording.heard_s, clock(), why)
            recording.report.missed.append(gap)
            on_missed(gap)
            if again is None:
                break
            session = again
            recording.begin(session)
    finally:
        session.close()
    return recording.report


def _connect_again(
    connect: Callable[[], Session], stop: Callable[[], bool], pause: Callable[[float], None]
) -> Session | None:
    """Try until the car answers again, or until told to stop."""
    while not stop():
        session = None
        try:
            session = connect()
            session.find_units()
            return session
        except CarError:
            if session is not None:
                session.close()
            pause(_TRY_AGAIN_S)
    return None


class _Recording:
    """One recording over all its connections; `heard_s` is when something was last heard."""

    def __init__(
        self,
        report: LiveReport,
        on_values: Callable[[float, Unit, Iterable[Reading]], None],
        clock: Callable[[], float],
    ) -> None:
        self.report, self.heard_s = report, clock()
        self._on_values, self._clock = on_values, clock
        self._schedule = Schedule({})
        self._empty: dict[tuple[Unit, int], int] = {}

    def begin(self, session: Session) -> None:
        """Learn who is there and what they have."""
        units = session.find_units()
        self._schedule = Schedule({unit: supported_parameters(session, unit) for unit in units})
        self.report.units = tuple(sorted({*self.report.units, *units}))
        self.report.parameters = len(self._schedule.parameters)
        self.heard_s = self._clock()

    def until_lost(self, session: Session, stop: Callable[[], bool]) -> str | None:
        """Ask until told to stop (None), or until nothing is heard any more (why)."""
        silent = 0
        while not stop():
            turn = self._schedule.turn(self._clock())
            if turn is None:
                return None
            try:
                answered = self._ask(session, *turn)
            except BusStopped as stopped:
                return f"the adapter failed while {stopped.doing}"
            silent = 0 if answered else silent + 1
            if silent >= _SILENT_TURNS and not self._is_there(session):
                return "the car did not answer any more (cable pulled, or ignition off)"
        return None

    def _is_there(self, session: Session) -> bool:
        try:
            return bool(session.find_units())
        except (NoAnswer, BusStopped):
            return False

    def _ask(self, session: Session, unit: Unit, pids: tuple[int, ...]) -> bool:
        """One request; whether the unit said anything at all."""
        request = request_current(*pids)
        exchange = session.request(request, to=unit)
        self.report.requests += 1
        self.report.broken += len(exchange.faults)
        payload = exchange.payload_of(unit)
        if payload is None:
            if len(pids) > 1:
                self._schedule.one_by_one(unit)
            else:
                self._gave_nothing(unit, pids[0])
            return bool(exchange.faults)
        self.heard_s = self._clock()
        try:
            answer = decode_answer(request, payload)
        except CarError:
            self.report.broken += 1
            return True
        if not isinstance(answer, CurrentData):
            if len(pids) > 1:
                self._schedule.one_by_one(unit)
            else:
                self._gave_nothing(unit, pids[0])
            return True
        for pid in answer.not_supported:
            self._gave_nothing(unit, pid)
        for reading in answer.readings:
            self._schedule.said(unit, reading.pid, reading.raw)
            self._empty.pop((unit, reading.pid), None)
        self.report.values += len(answer.readings)
        self._on_values(self.heard_s, unit, answer.readings)
        return True

    def _gave_nothing(self, unit: Unit, pid: int) -> None:
        """A parameter that was asked for and not given, three times running, is asked for no more."""
        times = self._empty.get((unit, pid), 0) + 1
        self._empty[unit, pid] = times
        if times >= _TRIES_OF_ONE:
            self._schedule.drop(unit, pid)
            self.report.not_given.append((unit, pid))


def supported_parameters(session: Session, unit: Unit) -> frozenset[int]:
    """The parameters of service $01 that a unit says it has."""
    ids: frozenset[int] = frozenset()
    for base in range(0x00, 0x100, SPAN):
        if base and base not in ids:
            break
        request = request_current(base)
        payload = session.request(request, to=unit).payload_of(unit)
        try:
            answer = decode_answer(request, payload) if payload is not None else None
        except CarError:
            break
        if not isinstance(answer, SupportedIds):
            break
        ids |= answer.ids
    return frozenset(pid for pid in ids if not is_bitmap_id(pid))
