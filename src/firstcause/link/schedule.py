"""Which parameters to ask for next: several at once, each as often as it changes, none forgotten. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from math import inf

from firstcause.link.addressing import Unit
from firstcause.signals.parameters import PARAMETERS

MOST_AT_ONCE = 6  # source: ISO 15031-5 / SAE J1979 on CAN (from memory)
_SHORTEST_S, _LONGEST_S = 0.05, 10.0
_SLOWER, _STILL_READINGS = 1.5, 4
# How long a parameter may stand before it is asked again, to begin with; what it then does sets the pace (judgement).
_FAST = (0x04, 0x06, 0x08, 0x0B, 0x0C, 0x0D, 0x0E, 0x10, 0x11, *range(0x14, 0x1C), *range(0x24, 0x2C), 0x49, 0x4C)
_SLOW = (0x01, 0x03, 0x05, 0x0F, 0x1C, 0x21, 0x2F, 0x30, 0x31, 0x33, 0x41, 0x46, 0x4D, 0x4E, 0x51, 0x52, 0x5C, 0xA6)
_PERIOD_S: Mapping[int, float] = {**dict.fromkeys(_FAST, 0.1), **dict.fromkeys(_SLOW, 5.0)}
_USUAL_S = 1.0


@dataclass(slots=True)
class _Line:
    """One parameter of one unit: how often it should be asked, when it was, and what it said last."""

    unit: Unit
    pid: int
    period_s: float
    asked_s: float = -inf
    raw: bytes = b""
    still: int = 0

    def overdue(self, now_s: float) -> float:
        """How many of its periods have gone by since it was asked."""
        return (now_s - self.asked_s) / self.period_s


class Schedule:
    """The parameters of all units, and whose turn it is.

    The most overdue line chooses the unit; up to six lines of that unit go together, the most overdue first. A value
    that stands still is asked less and less (down to once in 10 s), one that moves at its own pace again. Since being
    overdue grows without end, every line gets its turn.
    """

    def __init__(self, supported: Mapping[Unit, Iterable[int]]) -> None:
        self._lines = [
            _Line(unit, pid, _PERIOD_S.get(pid, _USUAL_S))
            for unit in sorted(supported)
            for pid in sorted(supported[unit])
            if pid in PARAMETERS
        ]
        self._alone: set[Unit] = set()

    @property
    def parameters(self) -> tuple[tuple[Unit, int], ...]:
        """What is asked for."""
        return tuple((line.unit, line.pid) for line in self._lines)

    def turn(self, now_s: float) -> tuple[Unit, tuple[int, ...]] | None:
        """The unit and the parameters to ask for now; marks them as asked. None when there is nothing to ask."""
        if not self._lines:
            return None
        first = max(self._lines, key=lambda line: line.overdue(now_s))
        same = sorted(
            (line for line in self._lines if line.unit == first.unit),
            key=lambda line: line.overdue(now_s),
            reverse=True,
        )
        chosen = same[: 1 if first.unit in self._alone else MOST_AT_ONCE]
        for line in chosen:
            line.asked_s = now_s
        return first.unit, tuple(line.pid for line in chosen)

    def said(self, unit: Unit, pid: int, raw: bytes) -> None:
        """What a parameter answered: the pace follows whether it moved."""
        line = next(line for line in self._lines if line.unit == unit and line.pid == pid)
        own_s = _PERIOD_S.get(pid, _USUAL_S)
        line.still = line.still + 1 if raw == line.raw else 0
        moved_often = max(_SHORTEST_S, own_s)
        line.period_s = min(_LONGEST_S, line.period_s * _SLOWER) if line.still >= _STILL_READINGS else moved_often
        line.raw = raw

    def one_by_one(self, unit: Unit) -> None:
        """From now on this unit is asked for one parameter at a time: it cannot do more."""
        self._alone.add(unit)

    def drop(self, unit: Unit, pid: int) -> None:
        """Ask for this parameter no more: the unit does not give it after all."""
        self._lines = [line for line in self._lines if (line.unit, line.pid) != (unit, pid)]
